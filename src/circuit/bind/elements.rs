//! Lines without a model: R C L K V I, and what they set.

use super::model::state;
use super::*;

impl Binder<'_> {
    pub(super) fn element(&mut self, flat: Flat<'_>) {
        use ElementKind::*;
        let path = self.path(flat);
        match &flat.statement.kind {
            Resistor {
                nodes,
                value,
                params,
            } => self.resistor(flat, nodes, value, params),
            Capacitor { nodes, value, ic } => self.capacitor(flat, nodes, value, ic.as_ref()),
            Inductor { nodes, value, ic } => self.inductor(flat, nodes, value, ic.as_ref()),
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
            } => self.behavioural(flat, nodes, *output, expr),
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
                if name_letter(&flat.statement.name.text) == 'M' {
                    let silent =
                        |size: &&Assign| given.iter().all(|g| g.name.key() != size.name.key());
                    let sizes: Vec<Assign> = self
                        .transistor_sizes
                        .iter()
                        .filter(silent)
                        .cloned()
                        .collect();
                    given.extend(sizes);
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

    pub(super) fn pair(&mut self, flat: Flat<'_>, nodes: &[Name; 2]) -> (Node, Node) {
        let (a, b) = (self.node(flat, &nodes[0]), self.node(flat, &nodes[1]));
        if a == b {
            self.problems.push(
                CircuitProblem::Shorted {
                    element: self.path(flat),
                    node: nodes[0].text.clone(),
                }
                .warn_at(flat.statement.span),
            );
        }
        (a, b)
    }

    pub(super) fn resistor(
        &mut self,
        flat: Flat<'_>,
        nodes: &[Name; 2],
        value: &Value,
        given: &[Assign],
    ) {
        let path = self.path(flat);
        let (a, b) = self.pair(flat, nodes);
        let (ohms, at) = self.main_value(&path, "value", value, Role::Resistance);
        let tc = ["tc1", "tc2"].map(|name| {
            let statement = given
                .iter()
                .find(|g| g.name.text.eq_ignore_ascii_case(name));
            self.extra(&path, name, statement.map(|g| &g.value), Role::Plain)
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

    fn capacitor(
        &mut self,
        flat: Flat<'_>,
        nodes: &[Name; 2],
        value: &Reactive,
        initial: Option<&Value>,
    ) {
        let path = self.path(flat);
        let (a, b) = self.pair(flat, nodes);
        let (piece, main) = match value {
            Reactive::Linear(value) => {
                let (farads, at) = self.main_value(&path, "value", value, Role::Capacitance);
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
        let initial = self.extra(&path, "ic", initial, Role::Voltage);
        let element = self.push_element(flat, vec![a, b], vec![two_pin(piece, a, b)]);
        element.value = main;
        element.initial = initial;
    }

    fn inductor(
        &mut self,
        flat: Flat<'_>,
        nodes: &[Name; 2],
        value: &Reactive,
        initial: Option<&Value>,
    ) {
        let path = self.path(flat);
        let (a, b) = self.pair(flat, nodes);
        let branch = self.branch(flat);
        let (kind, main) = match value {
            Reactive::Linear(value) => {
                let (henries, at) = self.main_value(&path, "value", value, Role::Inductance);
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
        let initial = self.extra(&path, "ic", initial, Role::Current);
        let element = self.push_element(
            flat,
            vec![a, b],
            vec![two_pin(Piece::Branch(branch.0), a, b)],
        );
        element.value = main;
        element.initial = initial;
    }

    fn behavioural(&mut self, flat: Flat<'_>, nodes: &[Name; 2], output: Output, expr: &Expr) {
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

    pub(super) fn positive(&mut self, what: &'static str, path: &str, value: f64, at: Span) {
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

    pub(super) fn coupling(&mut self, flat: Flat<'_>) {
        let ElementKind::Coupling { inductors, k } = &flat.statement.kind else {
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
                .push(CircuitProblem::SelfCoupling { name: path }.at(flat.statement.span));
            return;
        }
        let key = (a.min(b), a.max(b));
        if let Some(other) = self.coupled.insert(key, path.clone()) {
            self.problems.push(
                CircuitProblem::RepeatedCoupling { name: path, other }.at(flat.statement.span),
            );
            return;
        }
        let mutual = factor * (la * lb).sqrt();
        self.circuit.mutuals.push((a, b, mutual));
        self.push_element(flat, vec![], vec![]).value = Some(factor);
    }
}
