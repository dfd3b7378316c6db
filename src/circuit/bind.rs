//! Statements bound to devices: values read, models looked up, references resolved.

mod controlled;
mod drive;
mod elements;
mod model;

use super::designation;
use super::flatten::{Expansion, Flat};
use super::names::list;
use super::network::*;
use super::params::{self, Overrides, Setting, What};
use super::problem::CircuitProblem;
use crate::device::behavioural::{Operation, Program};
use crate::device::controlled::{Polynomial, Storage};
use crate::device::pot::Track;
use crate::device::role::DeviceRole;
use crate::device::source::{Drive, Wave};
use crate::device::{self, Device, Given, Kind, Law, Part, Pin, Winding};
use crate::diag::{Diagnostic, Span, nearest};
use crate::netlist::expr::{Expr, Function, Operator};
use crate::netlist::statement::{
    Assign, Control, ElementKind, Name, Output, Reactive, Shape, Value,
};
use crate::num::Role;
use std::collections::HashMap;

/// Times of the run, s: published defaults of source parameters depend on them.
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
    /// What `.options` says of MOSFETs whose lines leave it out.
    pub transistor_sizes: Vec<Assign>,
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
            transistor_sizes: Vec::new(),
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
        self.heaters();
        self.unused_settings();
    }

    /// Finds the nodes at which comments say that valves' heaters stand.
    fn heaters(&mut self) {
        for flat in &self.expansion.elements {
            let Some(name) = &flat.statement.notes.heater else {
                continue;
            };
            let path = self.path(*flat);
            let index = self.circuit.element_index.get(&path.to_lowercase());
            let Some(&k) = index else { continue };
            let role = self.circuit.elements[k].role();
            if !matches!(role, Some(DeviceRole::Valve | DeviceRole::RectifierValve)) {
                continue;
            }
            let full = self.expansion.frames[flat.frame].node_name(name);
            match self.circuit.node(&full) {
                Some(node) => self.circuit.elements[k].heater = node,
                None => {
                    let near = self.near(&full, self.circuit.node_names());
                    let problem = CircuitProblem::UnknownHeater { name: full, near };
                    self.problems.push(problem.warn_at(name.span));
                }
            }
        }
    }

    fn path(&self, flat: Flat<'_>) -> String {
        format!(
            "{}{}",
            self.expansion.frames[flat.frame].prefix, flat.statement.name.text
        )
    }

    /// Gives numbers to an element's nodes and to its branch, if it has one.
    fn reserve(&mut self, flat: Flat<'_>) {
        use ElementKind::*;
        let has_branch = match &flat.statement.kind {
            VoltageSource { .. } | Inductor { .. } | ControlledVoltage { .. } => true,
            Behavioural { output, .. } => *output == Output::Voltage,
            _ => false,
        };
        let names: Vec<&Name> = match &flat.statement.kind {
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
    /// and past that many problems nobody reads them.
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

    /// The branch of a voltage source named on a line.
    fn source_branch(&mut self, flat: Flat<'_>, name: &Name) -> Branch {
        let path = format!("{}{}", self.expansion.frames[flat.frame].prefix, name.text);
        let found = self.branch_by_name.get(&path.to_lowercase()).copied();
        // Any element with a current unknown may be sensed: V, L, E, H and B with V=.
        found.unwrap_or_else(|| {
            let names: Vec<String> = if self.is_searching() {
                self.expansion
                    .elements
                    .iter()
                    .map(|f| self.path(*f))
                    .collect()
            } else {
                vec![]
            };
            let sources = names.iter().filter(|n| name_letter(last_part(n)) == 'V');
            // An element of that name is what was meant; it has no current to sense.
            let near = if names.iter().any(|n| n.eq_ignore_ascii_case(&path)) {
                None
            } else {
                self.near(&path, sources.map(String::as_str))
            };
            self.problems
                .push(CircuitProblem::UnknownSource { name: path, near }.at(name.span));
            Branch(0)
        })
    }

    /// An element's main value and its place: the setting's, or the line's.
    fn main_value(
        &mut self,
        path: &str,
        parameter: &str,
        value: &Value,
        role: Role,
    ) -> (f64, Span) {
        match self.settings.main(path, parameter) {
            Some(s) => (self.number(s, role), s.value.span),
            None => (value.number, value.span),
        }
    }

    /// A further number of an element, if a setting or the line gives it.
    fn extra(
        &mut self,
        path: &str,
        name: &str,
        statement: Option<&Value>,
        role: Role,
    ) -> Option<f64> {
        match self.settings.parameter(path, name) {
            Some(setting) => Some(self.number(setting, role)),
            None => statement.map(|v| v.number),
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
            self.problems.push(problem.at(flat.statement.name.span));
        }
        self.circuit.elements.push(Element {
            letter: name_letter(&flat.statement.name.text),
            name,
            kind: None,
            model: None,
            terminals,
            value: None,
            ports,
            readings: Vec::new(),
            limits: Vec::new(),
            rated: flat.statement.rated.as_ref().map(|v| v.number),
            notes: flat.statement.notes.clone(),
            heater: Node::GROUND,
            needs: Vec::new(),
            tolerance: flat.statement.tolerance,
            made: Made::default(),
            position: None,
            track: None,
            span: Some(flat.statement.span),
            initial: None,
        });
        self.circuit.elements.last_mut().expect("just pushed")
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
