//! Cards bound to devices: values read, models looked up, references resolved.

use super::flatten::{Expansion, Flat, list};
use super::params::{self, Overrides, Setting, What};
use super::problem::CircuitProblem;
use super::remake::First;
use super::*;
use crate::device::behavioural::{Operation, Program};
use crate::device::controlled::{Polynomial, Storage};
use crate::device::role::DeviceRole;
use crate::device::source::Wave;
use crate::device::{self, Device, Given, Part, Winding};
use crate::diag::{Diagnostic, nearest};
use crate::netlist::card::{Assign, Control, ElementKind, Name, Output, Reactive, Shape, Value};
use crate::netlist::expr::{Expr, Function, Operator};
use crate::num::Role;

/// Times of the run, s: published defaults of source parameters hang on them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Output interval: default rise and fall of PULSE.
    pub step_s: f64,
    /// End: default period and width of PULSE, and period of SIN.
    pub stop_s: f64,
}

impl Default for Timing {
    fn default() -> Self {
        Timing {
            step_s: 1e-6,
            stop_s: 1.0,
        }
    }
}

/// What is needed while binding.
pub struct Binder<'a> {
    expansion: &'a Expansion<'a>,
    settings: &'a Overrides,
    timing: Timing,
    /// The circuit so far.
    pub circuit: Circuit,
    /// Everything wrong or doubtful so far.
    pub problems: Vec<Diagnostic>,
    branch_by_name: HashMap<String, Branch>,
    coupled: HashMap<(Branch, Branch), String>,
    poly_inductors: std::collections::HashSet<usize>,
}

impl<'a> Binder<'a> {
    /// Binds all elements of an expansion.
    pub fn new(
        expansion: &'a Expansion<'a>,
        settings: &'a Overrides,
        timing: Timing,
        title: &str,
        celsius: f64,
    ) -> Self {
        let mut circuit = Circuit {
            title: title.to_string(),
            celsius,
            ..Circuit::default()
        };
        circuit.nodes.push(NodeName {
            name: "0".into(),
            inner: false,
        });
        Binder {
            expansion,
            settings,
            timing,
            circuit,
            problems: Vec::new(),
            branch_by_name: HashMap::new(),
            coupled: HashMap::new(),
            poly_inductors: Default::default(),
        }
    }

    /// Numbers all nodes and branches, then binds every element, then the couplings.
    pub fn bind(&mut self) {
        for flat in &self.expansion.elements {
            self.reserve(*flat);
        }
        for flat in &self.expansion.elements {
            self.element(*flat);
        }
        for flat in &self.expansion.elements {
            self.coupling(*flat);
        }
        self.unused_settings();
    }

    fn path(&self, flat: Flat<'_>) -> String {
        format!(
            "{}{}",
            self.expansion.frames[flat.frame].prefix, flat.card.name.text
        )
    }

    /// Gives numbers to an element's nodes and to its branch, if it has one.
    fn reserve(&mut self, flat: Flat<'_>) {
        use ElementKind::*;
        let has_branch = match &flat.card.kind {
            VoltageSource { .. } | Inductor { .. } | ControlledVoltage { .. } => true,
            Behavioural { output, .. } => *output == Output::Voltage,
            _ => false,
        };
        let names: Vec<&Name> = match &flat.card.kind {
            Resistor { nodes, .. }
            | Capacitor { nodes, .. }
            | Inductor { nodes, .. }
            | VoltageSource { nodes, .. }
            | CurrentSource { nodes, .. }
            | ControlledVoltage { nodes, .. }
            | ControlledCurrent { nodes, .. }
            | Behavioural { nodes, .. }
            | CurrentSwitch { nodes, .. } => nodes.iter().collect(),
            VoltageSwitch { nodes, .. } => nodes.iter().collect(),
            Semiconductor { nodes, .. } | Call { nodes, .. } => nodes.iter().collect(),
            Coupling { .. } => vec![],
        };
        for name in names {
            self.node(flat, name);
        }
        if has_branch {
            let branch = Branch(self.circuit.branches.len());
            self.circuit.branches.push(BranchPart {
                a: Node::GROUND,
                b: Node::GROUND,
                kind: BranchKind::Controlled,
            });
            self.branch_by_name
                .insert(self.path(flat).to_lowercase(), branch);
        }
    }

    fn node(&mut self, flat: Flat<'_>, name: &Name) -> Node {
        let full = self.expansion.frames[flat.frame].node_name(name);
        let key = full.to_lowercase();
        if key == "0" || key == "gnd" {
            return Node::GROUND;
        }
        if let Some(&node) = self.circuit.node_index.get(&key) {
            return node;
        }
        let node = Node(self.circuit.nodes.len());
        self.circuit.nodes.push(NodeName {
            name: full,
            inner: false,
        });
        self.circuit.node_index.insert(key, node);
        node
    }

    /// A node that must exist already (control nodes, expressions).
    fn known_node(&mut self, flat: Flat<'_>, name: &Name) -> Node {
        let full = self.expansion.frames[flat.frame].node_name(name);
        match self.circuit.node(&full) {
            Some(node) => node,
            None => {
                let near = self.near(&full, self.circuit.node_names());
                self.problems
                    .push(CircuitProblem::UnknownNode { name: full, near }.at(name.span));
                Node::GROUND
            }
        }
    }

    /// Whether names that may have been meant are still looked for: that takes its time,
    /// and past so many problems nobody reads them.
    fn is_searching(&self) -> bool {
        self.problems.len() <= super::problem::MOST
    }

    fn near<'n>(&self, name: &str, names: impl Iterator<Item = &'n str>) -> Option<String> {
        let found = if self.is_searching() {
            nearest(name, names)
        } else {
            None
        };
        found.map(str::to_string)
    }

    fn branch(&self, flat: Flat<'_>) -> Branch {
        self.branch_by_name[&self.path(flat).to_lowercase()]
    }

    /// The branch of a voltage source named on a card.
    fn source_branch(&mut self, flat: Flat<'_>, name: &Name) -> Branch {
        let path = format!("{}{}", self.expansion.frames[flat.frame].prefix, name.text);
        let found = self.branch_by_name.get(&path.to_lowercase()).copied();
        // Any element with a current unknown may be sensed: V, L, E, H and B with V=.
        found.unwrap_or_else(|| {
            let names: Vec<String> = match self.is_searching() {
                true => self
                    .expansion
                    .elements
                    .iter()
                    .map(|f| self.path(*f))
                    .collect(),
                false => vec![],
            };
            let sources = names.iter().filter(|n| name_letter(last_part(n)) == 'V');
            // An element of that name is what was meant; it has no current to sense.
            let near = match names.iter().any(|n| n.eq_ignore_ascii_case(&path)) {
                true => None,
                false => self.near(&path, sources.map(String::as_str)),
            };
            self.problems
                .push(CircuitProblem::UnknownSource { name: path, near }.at(name.span));
            Branch(0)
        })
    }

    /// An element's main value and its place: the setting's, or the card's.
    fn main_value(
        &mut self,
        path: &str,
        parameter: &str,
        value: &Value,
        role: Role,
    ) -> (f64, Span) {
        let setting = self
            .settings
            .parameter(path, parameter)
            .or_else(|| self.settings.value(path));
        match setting {
            Some(s) => (self.number(s, role), s.value.span),
            None => (value.number, value.span),
        }
    }

    /// A further number of an element, if a setting or the card gives it.
    fn extra(&mut self, path: &str, name: &str, card: Option<&Value>, role: Role) -> Option<f64> {
        match self.settings.parameter(path, name) {
            Some(setting) => Some(self.number(setting, role)),
            None => card.map(|v| v.number),
        }
    }

    fn number(&mut self, setting: &Setting, role: Role) -> f64 {
        let number = setting.number(role, &mut self.problems);
        if number.is_finite() {
            return number;
        }
        self.problems.push(
            CircuitProblem::BadValue {
                what: "setting",
                name: setting.target.clone(),
                found: format!("`{}`", setting.value.text),
                expected: "a number",
            }
            .at(setting.span),
        );
        1.0
    }

    fn push_element(
        &mut self,
        flat: Flat<'_>,
        terminals: Vec<Node>,
        ports: Vec<Port>,
    ) -> &mut Element {
        let name = self.path(flat);
        let number = self.circuit.elements.len();
        let index = &mut self.circuit.element_index;
        // `X1.R1` may be an element's own name and one inside `X1`.
        if index.insert(name.to_lowercase(), number).is_some() {
            let problem = CircuitProblem::DuplicateElement { name: name.clone() };
            self.problems.push(problem.at(flat.card.name.span));
        }
        self.circuit.elements.push(Element {
            letter: name_letter(&flat.card.name.text),
            name,
            kind: None,
            model: None,
            terminals,
            value: None,
            ports,
            readings: Vec::new(),
            limits: Vec::new(),
            rated: flat.card.rated.as_ref().map(|v| v.number),
            notes: flat.card.notes.clone(),
            needs: Vec::new(),
            tolerance: flat.card.tolerance,
            made: Made::default(),
            position: None,
            track: None,
            span: Some(flat.card.span),
            initial: None,
        });
        self.circuit.elements.last_mut().expect("just pushed")
    }

    fn element(&mut self, flat: Flat<'_>) {
        use ElementKind::*;
        let path = self.path(flat);
        match &flat.card.kind {
            Resistor {
                nodes,
                value,
                params,
            } => self.resistor(flat, nodes, value, params),
            Capacitor { nodes, value, ic } => {
                let (a, b) = self.pair(flat, nodes);
                let (piece, main) = match value {
                    Reactive::Linear(value) => {
                        let (farads, at) =
                            self.main_value(&path, "value", value, Role::Capacitance);
                        self.positive("capacitance", &path, farads, at);
                        self.circuit.capacitances.push(Capacitance { a, b, farads });
                        (
                            Piece::Capacitance(self.circuit.capacitances.len() - 1),
                            Some(farads),
                        )
                    }
                    Reactive::Poly(c) => {
                        let law = Storage::new(&numbers(c));
                        (
                            self.law(
                                Box::new(law),
                                vec![Sense::Voltage(a, b)],
                                vec![Sink::Current(a, b)],
                            ),
                            None,
                        )
                    }
                };
                let initial = self.extra(&path, "ic", ic.as_ref(), Role::Voltage);
                let element = self.push_element(flat, vec![a, b], vec![two_pin(piece, a, b)]);
                element.value = main;
                element.initial = initial;
            }
            Inductor { nodes, value, ic } => {
                let (a, b) = self.pair(flat, nodes);
                let branch = self.branch(flat);
                let (kind, main) = match value {
                    Reactive::Linear(value) => {
                        let (henries, at) =
                            self.main_value(&path, "value", value, Role::Inductance);
                        self.positive("inductance", &path, henries, at);
                        (BranchKind::Inductance(henries), Some(henries))
                    }
                    Reactive::Poly(c) => {
                        let law = Storage::new(&numbers(c));
                        self.law(
                            Box::new(law),
                            vec![Sense::Current(branch)],
                            vec![Sink::Branch(branch)],
                        );
                        self.poly_inductors.insert(branch.0);
                        (BranchKind::Controlled, None)
                    }
                };
                self.circuit.branches[branch.0] = BranchPart { a, b, kind };
                let initial = self.extra(&path, "ic", ic.as_ref(), Role::Current);
                let element = self.push_element(
                    flat,
                    vec![a, b],
                    vec![two_pin(Piece::Branch(branch.0), a, b)],
                );
                element.value = main;
                element.initial = initial;
            }
            Coupling { .. } => {}
            VoltageSource { nodes, drive } => {
                let (a, b) = self.pair(flat, nodes);
                let branch = self.branch(flat);
                let kind = BranchKind::Source(self.drive(&path, drive, Role::Voltage));
                self.circuit.branches[branch.0] = BranchPart { a, b, kind };
                self.push_element(
                    flat,
                    vec![a, b],
                    vec![two_pin(Piece::Branch(branch.0), a, b)],
                );
            }
            CurrentSource { nodes, drive } => {
                let (a, b) = self.pair(flat, nodes);
                let drive = self.drive(&path, drive, Role::Current);
                self.circuit.currents.push(CurrentPart { a, b, drive });
                let piece = Piece::Current(self.circuit.currents.len() - 1);
                self.push_element(flat, vec![a, b], vec![two_pin(piece, a, b)]);
            }
            ControlledVoltage { nodes, control } => {
                let (a, b) = self.pair(flat, nodes);
                let branch = self.branch(flat);
                self.circuit.branches[branch.0] = BranchPart {
                    a,
                    b,
                    kind: BranchKind::Controlled,
                };
                self.controlled(flat, &path, control, Sink::Branch(branch));
                self.push_element(
                    flat,
                    vec![a, b],
                    vec![two_pin(Piece::Branch(branch.0), a, b)],
                );
            }
            ControlledCurrent { nodes, control } => {
                let (a, b) = self.pair(flat, nodes);
                let piece = self.controlled(flat, &path, control, Sink::Current(a, b));
                self.push_element(flat, vec![a, b], vec![two_pin(piece, a, b)]);
            }
            Behavioural {
                nodes,
                output,
                expr,
            } => {
                let (a, b) = self.pair(flat, nodes);
                let mut senses = Vec::new();
                let mut steps = Vec::new();
                self.compile(flat, expr, &mut senses, &mut steps);
                let law = Box::new(Program::new(senses.len(), steps));
                let piece = match output {
                    Output::Current => self.law(law, senses, vec![Sink::Current(a, b)]),
                    Output::Voltage => {
                        let branch = self.branch(flat);
                        self.circuit.branches[branch.0] = BranchPart {
                            a,
                            b,
                            kind: BranchKind::Controlled,
                        };
                        self.law(law, senses, vec![Sink::Branch(branch)]);
                        Piece::Branch(branch.0)
                    }
                };
                self.push_element(flat, vec![a, b], vec![two_pin(piece, a, b)]);
            }
            Semiconductor {
                nodes,
                model,
                area,
                params,
                ..
            } => {
                let mut given = params.clone();
                if let Some(area) = area {
                    given.push(Assign {
                        name: Name {
                            text: "area".into(),
                            span: area.span,
                        },
                        value: area.clone(),
                    });
                }
                self.modelled(flat, nodes, model, &given, None);
            }
            VoltageSwitch {
                nodes,
                control,
                model,
                on,
            } => {
                let all: Vec<Name> = nodes.iter().chain(control).cloned().collect();
                for name in control {
                    self.known_node(flat, name);
                }
                self.modelled(flat, &all, model, &state(*on, model), None);
            }
            CurrentSwitch {
                nodes,
                control,
                model,
                on,
            } => {
                let branch = self.source_branch(flat, control);
                self.modelled(flat, nodes, model, &state(*on, model), Some(branch));
            }
            Call {
                nodes,
                target,
                params,
            } => {
                // A kind without parameters of a model is called by its own name.
                let bare = device::kind(&target.text).filter(|k| k.model_params.is_empty());
                let frame = &self.expansion.frames[flat.frame];
                match bare.filter(|_| frame.model(&target.text).is_none()) {
                    Some(kind) => self.device(flat, kind, None, nodes, target, params, None),
                    None => self.modelled(flat, nodes, target, params, None),
                }
            }
        }
    }

    fn pair(&mut self, flat: Flat<'_>, nodes: &[Name; 2]) -> (Node, Node) {
        let (a, b) = (self.node(flat, &nodes[0]), self.node(flat, &nodes[1]));
        if a == b {
            self.problems.push(
                CircuitProblem::Shorted {
                    element: self.path(flat),
                    node: nodes[0].text.clone(),
                }
                .warn_at(flat.card.span),
            );
        }
        (a, b)
    }

    fn resistor(&mut self, flat: Flat<'_>, nodes: &[Name; 2], value: &Value, given: &[Assign]) {
        let path = self.path(flat);
        let (a, b) = self.pair(flat, nodes);
        let (ohms, at) = self.main_value(&path, "value", value, Role::Resistance);
        let tc = ["tc1", "tc2"].map(|name| {
            let card = given
                .iter()
                .find(|g| g.name.text.eq_ignore_ascii_case(name));
            self.extra(&path, name, card.map(|g| &g.value), Role::Plain)
                .unwrap_or(0.0)
        });
        for assign in given {
            if !["tc1", "tc2"]
                .iter()
                .any(|n| assign.name.text.eq_ignore_ascii_case(n))
            {
                self.problems.push(
                    CircuitProblem::UnknownParameter {
                        name: assign.name.text.clone(),
                        owner: path.clone(),
                        near: None,
                        known: "tc1 tc2".into(),
                    }
                    .at(assign.name.span),
                );
            }
        }
        let above = self.circuit.celsius - 27.0;
        let at_27 = ohms;
        let mut ohms = ohms * (1.0 + tc[0] * above + tc[1] * above * above);
        if ohms == 0.0 || !ohms.is_finite() {
            self.problems
                .push(CircuitProblem::ZeroResistance { name: path }.at(at));
            ohms = 1.0;
        }
        self.circuit.resistances.push(Resistance { a, b, ohms });
        let piece = Piece::Resistance(self.circuit.resistances.len() - 1);
        let element = self.push_element(flat, vec![a, b], vec![two_pin(piece, a, b)]);
        element.value = Some(ohms);
        element.made.instance = vec![at_27, tc[0], tc[1]];
    }

    fn positive(&mut self, what: &'static str, path: &str, value: f64, at: Span) {
        if !(value.is_finite() && value > 0.0) {
            self.problems.push(
                CircuitProblem::BadValue {
                    what,
                    name: path.to_string(),
                    found: crate::num::full(value),
                    expected: "more than zero",
                }
                .at(at),
            );
        }
    }

    fn law(&mut self, law: Box<dyn Law>, controls: Vec<Sense>, outputs: Vec<Sink>) -> Piece {
        self.circuit.laws.push(LawPart {
            controls,
            outputs,
            law,
            memory: 0.0,
        });
        Piece::Law(self.circuit.laws.len() - 1, 0)
    }

    fn controlled(&mut self, flat: Flat<'_>, path: &str, control: &Control, sink: Sink) -> Piece {
        let (sense, gain) = match control {
            Control::Voltage { nodes, gain } => {
                let sense = Sense::Voltage(
                    self.known_node(flat, &nodes[0]),
                    self.known_node(flat, &nodes[1]),
                );
                (sense, gain)
            }
            Control::Current { source, gain } => {
                (Sense::Current(self.source_branch(flat, source)), gain)
            }
            Control::VoltagePoly {
                pairs,
                coefficients,
            } => {
                let senses = pairs
                    .iter()
                    .map(|[a, b]| {
                        Sense::Voltage(self.known_node(flat, a), self.known_node(flat, b))
                    })
                    .collect();
                let law = Polynomial::new(pairs.len(), &numbers(coefficients));
                return self.law(Box::new(law), senses, vec![sink]);
            }
            Control::CurrentPoly {
                sources,
                coefficients,
            } => {
                let senses = sources
                    .iter()
                    .map(|s| Sense::Current(self.source_branch(flat, s)))
                    .collect();
                let law = Polynomial::new(sources.len(), &numbers(coefficients));
                return self.law(Box::new(law), senses, vec![sink]);
            }
        };
        let (gain, _) = self.main_value(path, "gain", gain, Role::Plain);
        self.circuit.gains.push(Gain { sense, sink, gain });
        Piece::Gain(self.circuit.gains.len() - 1)
    }

    /// Turns an expression into steps; control values are numbered as they appear.
    fn compile(
        &mut self,
        flat: Flat<'_>,
        expr: &Expr,
        senses: &mut Vec<Sense>,
        steps: &mut Vec<Operation>,
    ) -> usize {
        let fallible = match expr {
            Expr::Binary(Operator::Divide | Operator::Power, ..) => true,
            Expr::Call(f, ..) => matches!(f, Function::Ln | Function::Log),
            _ => false,
        };
        if fallible && constant(expr).is_some_and(|x| !x.is_finite()) {
            self.problems.push(CircuitProblem::NoValue.at(expr.span()));
        }
        let step = match expr {
            Expr::Number(x, _) => Operation::Number(*x),
            Expr::Voltage(a, b, _) => {
                let a = self.known_node(flat, a);
                let b = b
                    .as_ref()
                    .map_or(Node::GROUND, |b| self.known_node(flat, b));
                Operation::Control(control(senses, Sense::Voltage(a, b)))
            }
            Expr::Current(source, _) => {
                let branch = self.source_branch(flat, source);
                Operation::Control(control(senses, Sense::Current(branch)))
            }
            Expr::Negate(a, _) => Operation::Negate(self.compile(flat, a, senses, steps)),
            Expr::Call(f, a, _) => {
                let a = self.compile(flat, a, senses, steps);
                function(*f, a)
            }
            Expr::Binary(op, a, b, _) => {
                let a = self.compile(flat, a, senses, steps);
                let b = self.compile(flat, b, senses, steps);
                match op {
                    Operator::Add => Operation::Add(a, b),
                    Operator::Subtract => Operation::Subtract(a, b),
                    Operator::Multiply => Operation::Multiply(a, b),
                    Operator::Divide => Operation::Divide(a, b),
                    Operator::Power => Operation::Power(a, b),
                    Operator::Greater => Operation::Max(a, b),
                    Operator::Less => Operation::Min(a, b),
                }
            }
        };
        steps.push(step);
        steps.len() - 1
    }

    /// An element whose last name is a model.
    fn modelled(
        &mut self,
        flat: Flat<'_>,
        nodes: &[Name],
        name: &Name,
        given: &[Assign],
        sensed: Option<Branch>,
    ) {
        let letter = name_letter(&flat.card.name.text);
        let frame = &self.expansion.frames[flat.frame];
        let path = self.path(flat);
        let exchanged = self.exchanged(&path, flat, name);
        let name = exchanged.as_ref().unwrap_or(name);
        let fits = |kind: &str| device::kind(kind).is_some_and(|k| k.letter == letter);
        let Some(model) = frame.model(&name.text) else {
            let near = match self.is_searching() {
                true => frame.near(&name.text, letter == 'X', |m| fits(&m.kind.text)),
                false => None,
            };
            let problem = if letter == 'X' {
                CircuitProblem::UnknownCall {
                    name: name.text.clone(),
                    near,
                }
            } else {
                CircuitProblem::UnknownModel {
                    name: name.text.clone(),
                    near,
                }
            };
            self.problems.push(problem.at(name.span));
            return;
        };
        let Some(kind) = device::kind(&model.kind.text) else {
            let near = nearest(&model.kind.text, device::REGISTRY.iter().map(|k| k.name));
            let problem = CircuitProblem::UnknownKind {
                name: model.kind.text.clone(),
                near: near.map(str::to_string),
            };
            self.problems.push(problem.at(model.kind.span));
            return;
        };
        if kind.letter != letter {
            // The kinds of X lines are too many to be listed.
            let kinds: Vec<&str> = device::REGISTRY
                .iter()
                .filter(|k| k.letter == letter && !k.model_params.is_empty())
                .map(|k| k.name)
                .collect();
            let expected = match letter {
                'X' => "a valve, transformer, choke, speaker or pot".to_string(),
                _ => kinds.join(" or "),
            };
            self.problems.push(
                CircuitProblem::WrongKind {
                    model: model.name.text.clone(),
                    kind: kind.name.to_string(),
                    expected,
                    element: path,
                }
                .at(name.span),
            );
            return;
        }
        let mut values = params::fill(
            kind.model_params,
            &model.params,
            &model.name.text,
            model.name.span,
            self.settings,
            &mut self.problems,
        );
        params::replace(
            kind.model_params,
            kind.instance_params,
            &mut values,
            &path,
            self.settings,
            &mut self.problems,
        );
        self.device(
            flat,
            kind,
            Some((&model.name.text, &values)),
            nodes,
            name,
            given,
            sensed,
        );
    }

    /// The model that a setting puts in place of the one on the line: `XV1A=12AY7`.
    fn exchanged(&self, path: &str, flat: Flat<'_>, name: &Name) -> Option<Name> {
        let setting = self.settings.value(path)?;
        let model = |name: &str| self.expansion.frames[flat.frame].model(name);
        // The value of a pot is its position, unless it names a pot of another make.
        let kind = model(&name.text).and_then(|m| device::kind(&m.kind.text));
        let is_pot = kind.is_some_and(|k| k.role == DeviceRole::Pot);
        if is_pot && model(&setting.value.text).is_none() {
            return None;
        }
        Some(Name {
            text: setting.value.text.clone(),
            span: setting.value.span,
        })
    }

    #[allow(clippy::too_many_arguments)]
    fn device(
        &mut self,
        flat: Flat<'_>,
        kind: &'static Kind,
        model: Option<(&str, &[f64])>,
        nodes: &[Name],
        target: &Name,
        given: &[Assign],
        sensed: Option<Branch>,
    ) {
        let path = self.path(flat);
        // A W element's control is no node: its last two terminals stand for the sensed current.
        let expected = kind.terminals.len() - if sensed.is_some() { 2 } else { 0 };
        let least = expected - kind.optional;
        if nodes.len() < least || nodes.len() > expected {
            self.problems.push(
                CircuitProblem::NodeCount {
                    element: path.clone(),
                    target: target.text.clone(),
                    found: nodes.len(),
                    expected,
                    names: list(kind.terminals[..expected].iter().copied()),
                }
                // Of a type that was set, the setting is at fault and not the line.
                .at(if self.settings.value(&path).is_some() {
                    target.span
                } else {
                    flat.card.span
                }),
            );
            return;
        }
        let mut instance = params::fill(
            kind.instance_params,
            given,
            &path,
            flat.card.span,
            self.settings,
            &mut self.problems,
        );
        let position = self.position(flat, kind, &path, &mut instance, target);
        let parameters = Given {
            kind,
            model: model.map_or(&[], |m| m.1),
            instance: &instance,
            celsius: self.circuit.celsius,
        };
        let built = (kind.build)(&parameters);
        let track = (kind.role == DeviceRole::Pot).then(|| Track::of(&parameters));
        let made = Made {
            model: parameters.model.to_vec(),
            instance: parameters.instance.to_vec(),
            first: First::of(&self.circuit),
        };
        let mut terminals: Vec<Node> = nodes.iter().map(|n| self.node(flat, n)).collect();
        terminals.resize(expected, Node::GROUND);
        self.build(flat, kind, built, terminals, sensed);
        let element = self.circuit.elements.last_mut().expect("just built");
        element.model = model.map(|m| m.0.to_string());
        element.position = position;
        element.track = track;
        element.made = made;
    }

    /// A pot's knob or a toggle's position from `--knob`, `--switch` or `--set`.
    fn position(
        &mut self,
        flat: Flat<'_>,
        kind: &'static Kind,
        path: &str,
        instance: &mut [f64],
        target: &Name,
    ) -> Option<f64> {
        let (what, words, name) = match kind.role {
            DeviceRole::Pot => (What::Knob, "0 to 10", "knob"),
            DeviceRole::Toggle => (What::Switch, "0 or 1", "at"),
            _ => return None,
        };
        let k = kind.instance_params.iter().position(|p| p.name == name)?;
        let by_hand = self.settings.position(what, path);
        if instance[k].is_nan() && by_hand.is_none() {
            // Missing or no number: told already.
            return None;
        }
        let mut found = (crate::num::full(instance[k]), Some(flat.card.span));
        // A value that names another make of pot is no position.
        let by_value = self.settings.value(path);
        let by_value = by_value.filter(|s| s.value.span != target.span);
        if let Some(setting) = by_hand.or(by_value) {
            instance[k] = setting.value.number;
            found = (setting.value.text.clone(), setting.span);
        }
        let fits = match what {
            What::Switch => instance[k] == 0.0 || instance[k] == 1.0,
            _ => (0.0..=10.0).contains(&instance[k]),
        };
        if !fits {
            self.problems.push(
                CircuitProblem::ControlRange {
                    what: kind.name,
                    name: path.to_string(),
                    found: found.0,
                    expected: words,
                }
                .at(found.1),
            );
            // Any position that the law takes will do until the error is told.
            instance[k] = 0.0;
        }
        Some(instance[k])
    }

    /// Takes a built device's parts into the circuit.
    fn build(
        &mut self,
        flat: Flat<'_>,
        kind: &'static Kind,
        built: Device,
        terminals: Vec<Node>,
        sensed: Option<Branch>,
    ) {
        let path = self.path(flat);
        let inner: Vec<Node> = (0..built.inner)
            .map(|k| {
                self.circuit.nodes.push(NodeName {
                    name: format!("{path}#{}", k + 1),
                    inner: true,
                });
                Node(self.circuit.nodes.len() - 1)
            })
            .collect();
        let at = |pin: Pin| match pin {
            Pin::T(k) => terminals.get(k).copied().unwrap_or(Node::GROUND),
            Pin::Inner(k) => inner[k],
            Pin::Ground => Node::GROUND,
        };
        // Volts and amperes of a magnetic node are no electric power: what goes into a core
        // has been counted at its windings.
        let magnetic: Vec<Pin> = built
            .parts
            .iter()
            .filter_map(|part| match part {
                Part::Winding(winding) => winding.core.map(|(pin, _)| pin),
                Part::Transfer { sink, .. } => Some(sink.1),
                _ => None,
            })
            .collect();
        let is_port = |p: Pin, q: Pin| !magnetic.contains(&p) && !magnetic.contains(&q);
        let is_sensed = |pin: Pin| sensed.is_some() && pin == Pin::T(terminals.len());
        let mut ports = Vec::new();
        let mut law_of_part = vec![usize::MAX; built.parts.len()];
        for (number, part) in built.parts.into_iter().enumerate() {
            match part {
                Part::Resistance(p, q, ohms) => {
                    self.circuit.resistances.push(Resistance {
                        a: at(p),
                        b: at(q),
                        ohms,
                    });
                    let piece = Piece::Resistance(self.circuit.resistances.len() - 1);
                    if is_port(p, q) {
                        ports.push(port(p, q, at(p), at(q), piece));
                    }
                }
                Part::Capacitance(p, q, farads) => {
                    if farads == 0.0 {
                        continue;
                    }
                    self.circuit.capacitances.push(Capacitance {
                        a: at(p),
                        b: at(q),
                        farads,
                    });
                    let piece = Piece::Capacitance(self.circuit.capacitances.len() - 1);
                    ports.push(port(p, q, at(p), at(q), piece));
                }
                Part::Winding(winding) => {
                    let (p, q) = (winding.from, winding.to);
                    let branch = self.winding(&winding, at);
                    ports.push(port(p, q, at(p), at(q), Piece::Branch(branch.0)));
                }
                Part::Transfer {
                    sense,
                    sink,
                    siemens,
                } => self.circuit.gains.push(Gain {
                    sense: Sense::Voltage(at(sense.0), at(sense.1)),
                    sink: Sink::Current(at(sink.0), at(sink.1)),
                    gain: siemens,
                }),
                Part::Law {
                    controls,
                    outputs,
                    law,
                } => {
                    let index = self.circuit.laws.len();
                    law_of_part[number] = index;
                    let electric = outputs.iter().enumerate();
                    for (k, &(p, q)) in electric.filter(|(_, ends)| is_port(ends.0, ends.1)) {
                        ports.push(port(p, q, at(p), at(q), Piece::Law(index, k)));
                    }
                    self.circuit.laws.push(LawPart {
                        controls: controls
                            .iter()
                            .map(|&(p, q)| match sensed {
                                Some(branch) if is_sensed(p) => Sense::Current(branch),
                                _ => Sense::Voltage(at(p), at(q)),
                            })
                            .collect(),
                        outputs: outputs
                            .iter()
                            .map(|&(p, q)| Sink::Current(at(p), at(q)))
                            .collect(),
                        law,
                        memory: built.memory,
                    });
                }
            }
        }
        let element = self.push_element(flat, terminals, ports);
        element.kind = Some(kind);
        element.limits = built.limits;
        element.needs = built.needs;
        element.readings = built
            .readings
            .into_iter()
            .map(|r| (r, law_of_part[r.output.0], r.output.1))
            .collect();
    }

    /// A winding as a branch, and the gains that join it to its core.
    fn winding(&mut self, winding: &Winding, at: impl Fn(Pin) -> Node) -> Branch {
        let branch = Branch(self.circuit.branches.len());
        self.circuit.branches.push(BranchPart {
            a: at(winding.from),
            b: at(winding.to),
            kind: match winding.henries > 0.0 {
                true => BranchKind::Inductance(winding.henries),
                false => BranchKind::Controlled,
            },
        });
        if winding.ohms != 0.0 {
            self.circuit.gains.push(Gain {
                sense: Sense::Current(branch),
                sink: Sink::Branch(branch),
                gain: winding.ohms,
            });
        }
        if let Some((core, turns)) = winding.core {
            let core = at(core);
            self.circuit.gains.extend([
                Gain {
                    sense: Sense::Voltage(core, Node::GROUND),
                    sink: Sink::Branch(branch),
                    gain: turns,
                },
                Gain {
                    sense: Sense::Current(branch),
                    sink: Sink::Current(Node::GROUND, core),
                    gain: turns,
                },
            ]);
        }
        branch
    }

    fn coupling(&mut self, flat: Flat<'_>) {
        let ElementKind::Coupling { inductors, k } = &flat.card.kind else {
            return;
        };
        let path = self.path(flat);
        let (factor, at) = self.main_value(&path, "value", k, Role::Plain);
        if !(factor > 0.0 && factor <= 1.0) {
            self.problems.push(
                CircuitProblem::CouplingRange {
                    name: path,
                    found: crate::num::full(factor),
                }
                .at(at),
            );
            return;
        }
        let mut found = Vec::new();
        for name in inductors {
            let full = format!("{}{}", self.expansion.frames[flat.frame].prefix, name.text);
            let element = self.circuit.element(&full).filter(|e| e.letter == 'L');
            let branch = element.and_then(|e| self.circuit.branch_of(e));
            match branch.map(|b| (b, &self.circuit.branches[b.0].kind)) {
                Some((b, BranchKind::Inductance(h))) => found.push((b, *h)),
                Some((b, _)) if self.poly_inductors.contains(&b.0) => {
                    self.problems
                        .push(CircuitProblem::CoupledPoly { name: full }.at(name.span));
                }
                _ => {
                    let inductors = self.circuit.elements.iter().filter(|e| e.letter == 'L');
                    let near = self.near(&full, inductors.map(|e| e.name.as_str()));
                    self.problems
                        .push(CircuitProblem::UnknownInductor { name: full, near }.at(name.span));
                }
            }
        }
        let [(a, la), (b, lb)] = found[..] else {
            return;
        };
        if a == b {
            self.problems
                .push(CircuitProblem::SelfCoupling { name: path }.at(flat.card.span));
            return;
        }
        let key = (a.min(b), a.max(b));
        if let Some(other) = self.coupled.insert(key, path.clone()) {
            self.problems
                .push(CircuitProblem::RepeatedCoupling { name: path, other }.at(flat.card.span));
            return;
        }
        let mutual = factor * (la * lb).sqrt();
        self.circuit.mutuals.push((a, b, mutual));
        self.push_element(flat, vec![], vec![]).value = Some(factor);
    }

    fn drive(&mut self, path: &str, drive: &crate::netlist::card::Drive, role: Role) -> Drive {
        let wave =
            drive
                .wave
                .as_ref()
                .and_then(|w| match wave(w.shape, &numbers(&w.args), self.timing) {
                    Ok(wave) => Some(wave),
                    Err(what) => {
                        let problem = CircuitProblem::BadWave {
                            name: path.to_string(),
                            what,
                        };
                        self.problems.push(problem.at(w.span));
                        None
                    }
                });
        let wave = wave.map(|wave| self.set_wave(path, wave, role));
        let mut setting = self.settings.parameter(path, "dc");
        if setting.is_none()
            && let Some(bare) = self.settings.value(path)
        {
            // A bare value is the DC value. Of a source with a waveform it would take away what it
            // is there for, unless the line says that it has a value at rest besides.
            match &wave {
                Some(wave) if drive.dc.is_none() && drive.ac.is_none() => {
                    let problem = CircuitProblem::WaveValue {
                        name: path.to_string(),
                        shape: wave.word(),
                        known: wave.parameters(),
                    };
                    self.problems.push(problem.at(bare.span));
                }
                Some(wave) => {
                    let problem = CircuitProblem::WaveStays {
                        name: path.to_string(),
                        shape: wave.word(),
                    };
                    self.problems.push(problem.warn_at(bare.span));
                    setting = Some(bare);
                }
                None => setting = Some(bare),
            }
        }
        let dc = match setting {
            Some(s) => self.number(s, role),
            None => match (&drive.dc, &wave) {
                (Some(dc), _) => dc.number,
                (None, Some(wave)) => wave.value(0.0),
                (None, None) => 0.0,
            },
        };
        let mut ac = drive.ac;
        if let Some(s) = self.settings.parameter(path, "ac") {
            ac = Some((self.number(s, role), ac.map_or(0.0, |a| a.1)));
        }
        let says_dc = setting.is_some() || drive.dc.is_some();
        let mut drive = Drive {
            dc,
            says_dc,
            ac,
            wave,
        };
        if drive.mains_hz().is_some()
            && drive.ac.is_none()
            && let Some(setting) = self.settings.value(params::MAINS)
        {
            let percent = setting.value.number;
            if percent > 0.0 && percent <= params::MOST_MAINS {
                drive.scale_mains(percent);
            } else {
                let problem = CircuitProblem::MainsRange {
                    found: setting.value.text.clone(),
                };
                self.problems.push(problem.at(setting.span));
            }
        }
        drive
    }

    /// A waveform with what is set of it by name.
    fn set_wave(&mut self, path: &str, mut wave: Wave, role: Role) -> Wave {
        for &name in wave.parameters() {
            let Some(setting) = self.settings.parameter(path, name) else {
                continue;
            };
            let role = if name == "freq" {
                Role::Frequency
            } else {
                role
            };
            let value = self.number(setting, role);
            let set = match value.is_nan() {
                true => Err(format!("`{}` is not a number", setting.value.text)),
                false => wave.set(name, value),
            };
            if let Err(what) = set {
                let name = path.to_string();
                self.problems
                    .push(CircuitProblem::BadWave { name, what }.at(setting.span));
            }
        }
        wave
    }

    fn unused_settings(&mut self) {
        let circuit = &self.circuit;
        let of_role = |role: DeviceRole| -> Vec<&str> {
            circuit
                .elements
                .iter()
                .filter(|e| e.role() == Some(role))
                .map(|e| e.name.as_str())
                .collect()
        };
        let names: Vec<&str> = circuit.elements.iter().map(|e| e.name.as_str()).collect();
        let model_kind = |name: &str| {
            self.expansion
                .frames
                .iter()
                .find_map(|f| f.model(name))
                .and_then(|m| device::kind(&m.kind.text))
        };
        let known = |owner: &str| {
            if let Some(element) = circuit.element(owner) {
                return Some(match (element.letter, element.kind) {
                    (_, Some(kind)) => {
                        params::names_of(kind.instance_params.iter().chain(kind.model_params))
                    }
                    ('V' | 'I', None) => format!("dc ac{}", wave_parameters(circuit, element)),
                    ('E' | 'F' | 'G' | 'H', None) => "gain".to_string(),
                    ('R', None) => "value tc1 tc2".to_string(),
                    ('C' | 'L', None) => "value ic".to_string(),
                    _ => "value".to_string(),
                });
            }
            model_kind(owner).map(|k| params::names(k.model_params))
        };
        let found = self.settings.unused(
            &names,
            &of_role(DeviceRole::Pot),
            &of_role(DeviceRole::Toggle),
            known,
        );
        self.problems.extend(found);
    }
}

/// The names that a source's waveform is set by, each after a blank.
fn wave_parameters(circuit: &Circuit, source: &Element) -> String {
    let drive = match source.ports.first().map(|p| p.piece) {
        Some(Piece::Branch(k)) => match &circuit.branches[k].kind {
            BranchKind::Source(drive) => Some(drive),
            _ => None,
        },
        Some(Piece::Current(k)) => Some(&circuit.currents[k].drive),
        _ => None,
    };
    let names = drive.and_then(|d| d.wave.as_ref());
    let names = names.map_or(&[][..], Wave::parameters).iter();
    names.map(|name| format!(" {name}")).collect()
}

/// An element's own name at the end of its path.
fn last_part(path: &str) -> &str {
    path.rsplit('.').next().unwrap_or(path)
}

fn name_letter(name: &str) -> char {
    name.chars().next().unwrap_or('?').to_ascii_uppercase()
}

fn numbers(values: &[Value]) -> Vec<f64> {
    values.iter().map(|v| v.number).collect()
}

fn port(from: Pin, to: Pin, a: Node, b: Node, piece: Piece) -> Port {
    Port {
        from,
        to,
        nodes: (a, b),
        piece,
    }
}

fn two_pin(piece: Piece, a: Node, b: Node) -> Port {
    port(Pin::T(0), Pin::T(1), a, b, piece)
}

/// `ON` or `OFF` on a switch card as its instance parameter.
fn state(on: Option<bool>, model: &Name) -> Vec<Assign> {
    on.map(|on| {
        let text = if on { "1" } else { "0" };
        Assign {
            name: Name {
                text: "on".into(),
                span: model.span,
            },
            value: Value {
                number: f64::from(u8::from(on)),
                text: text.into(),
                span: model.span,
            },
        }
    })
    .into_iter()
    .collect()
}

fn control(senses: &mut Vec<Sense>, sense: Sense) -> usize {
    senses.iter().position(|&s| s == sense).unwrap_or_else(|| {
        senses.push(sense);
        senses.len() - 1
    })
}

/// What an expression without voltages and currents is worth as plain arithmetic has it: infinite
/// or NaN where the law would put a number in its place.
fn constant(expr: &Expr) -> Option<f64> {
    match expr {
        Expr::Number(x, _) => Some(*x),
        Expr::Voltage(..) | Expr::Current(..) => None,
        Expr::Negate(a, _) => constant(a).map(|a| -a),
        Expr::Call(Function::Ln | Function::Log, a, _) => {
            constant(a).map(|a| if a == 0.0 { f64::NEG_INFINITY } else { 1.0 })
        }
        Expr::Call(f, a, _) => {
            let program = Program::new(0, vec![Operation::Number(constant(a)?), function(*f, 0)]);
            Some(program.value(&[], &mut []))
        }
        Expr::Binary(op, a, b, _) => {
            let (a, b) = (constant(a)?, constant(b)?);
            Some(match op {
                Operator::Add => a + b,
                Operator::Subtract => a - b,
                Operator::Multiply => a * b,
                Operator::Divide => a / b,
                Operator::Power => crate::math::fun::pow(a, b),
                Operator::Greater => a.max(b),
                Operator::Less => a.min(b),
            })
        }
    }
}

fn function(f: Function, a: usize) -> Operation {
    match f {
        Function::Abs => Operation::Abs(a),
        Function::Acos => Operation::Acos(a),
        Function::Acosh => Operation::Acosh(a),
        Function::Asin => Operation::Asin(a),
        Function::Asinh => Operation::Asinh(a),
        Function::Atan => Operation::Atan(a),
        Function::Atanh => Operation::Atanh(a),
        Function::Cos => Operation::Cos(a),
        Function::Cosh => Operation::Cosh(a),
        Function::Exp => Operation::Exp(a),
        Function::Ln => Operation::Ln(a),
        Function::Log => Operation::Log(a),
        Function::Sgn => Operation::Sgn(a),
        Function::Sin => Operation::Sin(a),
        Function::Sinh => Operation::Sinh(a),
        Function::Sqrt => Operation::Sqrt(a),
        Function::Tan => Operation::Tan(a),
        Function::Tanh => Operation::Tanh(a),
        Function::U => Operation::U(a),
        Function::Uramp => Operation::Uramp(a),
    }
}

/// A card's numbers as a time function, with the published defaults.
fn wave(shape: Shape, n: &[f64], timing: Timing) -> Result<Wave, String> {
    let at = |k: usize| n.get(k).copied();
    // A zero stands for the default, as published.
    let or = |k: usize, default: f64| at(k).filter(|&x| x != 0.0).unwrap_or(default);
    let need = |k: usize, what: &str| at(k).ok_or_else(|| format!("expected {what}"));
    let positive = |x: f64, what: &str| {
        if x > 0.0 && x.is_finite() {
            Ok(x)
        } else {
            Err(format!(
                "{what} is {}, expected more than zero",
                crate::num::full(x)
            ))
        }
    };
    Ok(match shape {
        Shape::Pulse => {
            let rise = positive(or(3, timing.step_s), "the rise time")?;
            let fall = positive(or(4, timing.step_s), "the fall time")?;
            let width = positive(or(5, timing.stop_s), "the width")?;
            let period = positive(or(6, timing.stop_s.max(rise + width + fall)), "the period")?;
            if period < (rise + width + fall) * (1.0 - 1e-12) {
                return Err("the period is shorter than rise, width and fall together".into());
            }
            Wave::Pulse {
                v1: need(0, "a first value")?,
                v2: need(1, "a second value")?,
                delay: at(2).unwrap_or(0.0).max(0.0),
                rise,
                fall,
                width,
                period,
            }
        }
        Shape::Sin => Wave::Sin {
            offset: need(0, "an offset")?,
            amplitude: need(1, "an amplitude")?,
            freq_hz: positive(or(2, 1.0 / timing.stop_s), "the frequency")?,
            delay: at(3).unwrap_or(0.0),
            damping: at(4).unwrap_or(0.0),
        },
        Shape::Exp => {
            let delay1 = at(2).unwrap_or(0.0);
            Wave::Exp {
                v1: need(0, "a first value")?,
                v2: need(1, "a second value")?,
                delay1,
                tau1: positive(or(3, timing.step_s), "the rise time constant")?,
                delay2: at(4).unwrap_or(delay1 + timing.step_s),
                tau2: positive(or(5, timing.step_s), "the fall time constant")?,
            }
        }
        Shape::Pwl => {
            if n.is_empty() || n.len() % 2 == 1 {
                return Err("expected pairs of time and value".into());
            }
            let points: Vec<(f64, f64)> = n.chunks(2).map(|p| (p[0], p[1])).collect();
            if let Some(k) = points.windows(2).position(|w| w[1].0 <= w[0].0) {
                return Err(format!(
                    "times must rise: {} s does not come after {} s",
                    crate::num::full(points[k + 1].0),
                    crate::num::full(points[k].0)
                ));
            }
            Wave::Pwl(points)
        }
        Shape::Sffm => Wave::Sffm {
            offset: need(0, "an offset")?,
            amplitude: need(1, "an amplitude")?,
            carrier_hz: positive(or(2, 1.0 / timing.stop_s), "the carrier frequency")?,
            index: at(3).unwrap_or(0.0),
            signal_hz: positive(or(4, 1.0 / timing.stop_s), "the signal frequency")?,
        },
    })
}
