//! Devices: a model and a line become parts.

use super::*;

impl Binder<'_> {
    /// An element whose last name is a model.
    pub(super) fn modelled(
        &mut self,
        flat: Flat<'_>,
        nodes: &[Name],
        name: &Name,
        given: &[Assign],
        sensed: Option<Branch>,
    ) {
        let letter = name_letter(&flat.statement.name.text);
        let frame = &self.expansion.frames[flat.frame];
        let path = self.path(flat);
        let exchanged = self.exchanged(&path, flat, name);
        let name = exchanged.as_ref().unwrap_or(name);
        let fits = |kind: &str| device::kind(kind).is_some_and(|k| k.letter == letter);
        let Some(model) = frame.model(&name.text) else {
            let near = if self.is_searching() {
                frame.near(&name.text, letter == 'X', |m| fits(&m.kind.text))
            } else {
                None
            };
            // A type such as 6550A reads as a number too.
            let types = frame.models().filter(|m| fits(&m.kind.text));
            let is_type =
                designation::meant(&name.text, types.map(|m| m.name.text.as_str())).is_some();
            let is_value =
                exchanged.is_none() && !is_type && crate::num::parse(&name.text).is_some();
            let problem = if letter == 'X' && nodes.len() == 3 && is_value {
                let nodes: Vec<&str> = nodes.iter().map(|n| n.text.as_str()).collect();
                CircuitProblem::PotWithoutModel {
                    element: self.path(flat),
                    nodes: nodes.join(" "),
                    value: name.text.clone(),
                }
            } else if letter == 'X' {
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
    pub(super) fn exchanged(&self, path: &str, flat: Flat<'_>, name: &Name) -> Option<Name> {
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
    pub(super) fn device(
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
                    flat.statement.span
                }),
            );
            return;
        }
        let mut instance = params::fill(
            kind.instance_params,
            given,
            &path,
            flat.statement.span,
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
            written: nodes.len(),
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
    pub(super) fn position(
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
            // Missing or no number: reported already.
            return None;
        }
        let mut found = (crate::num::full(instance[k]), Some(flat.statement.span));
        // A value that names another make of pot is no position.
        let by_value = self.settings.value(path);
        let by_value = by_value.filter(|s| s.value.span != target.span);
        // `XVOL.knob` is among the instance's parameters already.
        let by_name = self.settings.parameter(path, name);
        let set = params::later(by_hand, by_value).filter(|s| s.is_after(by_name));
        if let Some(setting) = set {
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
            // Any position that the law takes will do until the error is reported.
            instance[k] = 0.0;
        }
        Some(instance[k])
    }

    /// Takes a built device's parts into the circuit.
    pub(super) fn build(
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
                        law: law.into(),
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
    pub(super) fn winding(&mut self, winding: &Winding, at: impl Fn(Pin) -> Node) -> Branch {
        let branch = Branch(self.circuit.branches.len());
        self.circuit.branches.push(BranchPart {
            a: at(winding.from),
            b: at(winding.to),
            kind: if winding.henries > 0.0 {
                BranchKind::Inductance(winding.henries)
            } else {
                BranchKind::Controlled
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
}

/// `ON` or `OFF` on a switch line as its instance parameter.
pub(super) fn state(on: Option<bool>, model: &Name) -> Vec<Assign> {
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
