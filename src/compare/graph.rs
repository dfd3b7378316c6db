//! A netlist as a graph of parts and nets: what is fitted, and what its leads are joined to.
//!
//! Nothing is solved and no wiring rule is applied, so a circuit that hangs in the air can be
//! compared as well. Subcircuits are written out. An element that others refer to by name (a coil
//! of a coupling, a source whose current controls) gets a net of its own for that reference, so
//! that references are leads like any other.

use crate::circuit::flatten::{Expansion, Flat, Frame};
use crate::circuit::params::{Overrides, Setting, What, role};
use crate::device::role::DeviceRole;
use crate::device::{self, Kind};
use crate::netlist::expr::Expr;
use crate::netlist::statement::{
    Assign, Control, Drive, Element, ElementKind, Model, Name, Reactive, Value,
};
use crate::num::{self, Role};
use std::collections::HashMap;

/// A net by its number; ground is 0.
pub type Net = usize;

/// The net of node 0.
pub const GROUND: Net = 0;

/// The label of a wave's figures.
pub(super) const WAVEFORM: &str = "waveform";

/// Which of a part's leads may be exchanged without changing anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Leads {
    /// Each has its own place.
    Fixed,
    /// The first two are alike (a resistor, the plates of a rectifier).
    FirstTwoAlike,
}

/// What is fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// The `.model` or valve type, as written; empty for a part without one.
    pub model: String,
    /// The model's kind and parameters, written out.
    pub model_values: Vec<(String, f64)>,
    /// Values on the line itself: label, number, unit.
    pub values: Vec<(&'static str, f64, &'static str)>,
    /// What no number says: the shape of an expression, the kind of a wave.
    pub words: String,
    /// Closed or open, for a switch.
    pub closed: Option<bool>,
    /// What the comment on its line says that the part stands: `rated`, `fuse` or `ripple`, number,
    /// unit.
    pub ratings: Vec<(&'static str, f64, &'static str)>,
}

/// One part.
#[derive(Debug, Clone)]
pub struct Part {
    /// Full dotted name, as written.
    pub name: String,
    /// Letter of the element, upper case.
    pub letter: char,
    /// Its device, where it has a model or is a control.
    pub kind: Option<&'static Kind>,
    /// Nets of its leads, in the order of its line.
    pub leads: Vec<Net>,
    /// Which leads are alike.
    pub alike: Leads,
    /// Whether its line says that its first lead is the plus of an electrolytic.
    pub polar: bool,
    /// What is fitted.
    pub facts: Facts,
}

impl Part {
    /// Whether two parts could be the same one: same letter, as many leads.
    pub fn comparable(&self, other: &Part) -> bool {
        self.letter == other.letter && self.leads.len() == other.leads.len()
    }

    /// Whether it changes nothing which way round this part stands for another: it does as soon as
    /// one of the two lines says which lead is which.
    pub fn turns(&self, other: &Part) -> bool {
        let alike = |part: &Part| part.alike == Leads::FirstTwoAlike;
        alike(self) && (alike(other) || !other.polar)
    }

    /// The name of a lead in words of the trade, where it has one.
    pub fn lead_name(&self, k: usize) -> Option<&'static str> {
        match (self.kind, self.letter) {
            (Some(kind), _) if kind.terminals.len() > 2 || kind.letter == 'D' => {
                kind.terminals.get(k).copied()
            }
            (None, 'V' | 'I' | 'E' | 'H' | 'F' | 'G' | 'B') => match k {
                0 => Some("+ end"),
                1 => Some("- end"),
                _ => Some("control lead"),
            },
            (None, 'C') if self.polar => ["plus", "minus"].get(k).copied(),
            _ => None,
        }
    }

    /// Its own name without the subcircuits it stands in.
    pub fn last_name(&self) -> &str {
        self.name.rsplit('.').next().unwrap_or(&self.name)
    }
}

/// A lead: part and place on its line.
pub type Lead = (usize, usize);

/// A whole netlist.
#[derive(Debug, Clone, Default)]
pub struct Graph {
    /// In the order of the netlist.
    pub parts: Vec<Part>,
    /// Names of the nets; the first is ground.
    pub nets: Vec<String>,
    /// The leads on each net.
    pub members: Vec<Vec<Lead>>,
}

impl Graph {
    /// The graph of an expanded netlist with the settings of the command line. Parts whose model
    /// is not known are left without one.
    pub fn of(expansion: &Expansion<'_>, settings: &Overrides) -> Graph {
        let mut maker = Maker {
            graph: Graph::default(),
            net_of: HashMap::new(),
            settings,
        };
        maker.graph.nets.push("0".into());
        for flat in &expansion.elements {
            maker.part(expansion, *flat);
        }
        maker.references(expansion);
        let mut graph = maker.graph;
        for setting in settings.list() {
            graph.set(setting);
        }
        graph.index();
        graph
    }

    /// Writes down anew which leads are on which net.
    pub fn index(&mut self) {
        self.members = vec![Vec::new(); self.nets.len()];
        for (p, part) in self.parts.iter().enumerate() {
            for (k, &net) in part.leads.iter().enumerate() {
                self.members[net].push((p, k));
            }
        }
    }

    /// Puts a setting of the command line into the parts that it speaks of: a value, a
    /// parameter of a model, a switch. Knobs are not part of how a circuit is built.
    fn set(&mut self, setting: &Setting) {
        let number = |role| num::parse_value(&setting.value.text, role).map(|n| n.0);
        let Ok(plain) = number(Role::Plain) else {
            return;
        };
        let (owner, parameter) = match setting.target.rsplit_once('.') {
            Some((owner, parameter)) => (owner, parameter),
            None => (setting.target.as_str(), ""),
        };
        for part in &mut self.parts {
            let named = |name: &str| part.name.eq_ignore_ascii_case(name);
            match setting.what {
                What::Switch
                    if named(&format!("X{}", setting.target)) || named(&setting.target) =>
                {
                    part.facts.closed = Some(plain >= 0.5);
                }
                What::Value if named(&setting.target) => {
                    if let Some(first) = part.facts.values.first_mut() {
                        first.1 = number(role(first.2)).unwrap_or(plain);
                    }
                }
                What::Value if named(owner) || part.facts.model.eq_ignore_ascii_case(owner) => {
                    let values = part.facts.model_values.iter_mut();
                    let found = values.filter(|v| v.0.eq_ignore_ascii_case(parameter));
                    found.for_each(|v| v.1 = plain);
                }
                _ => {}
            }
        }
    }

    /// A part by its full name.
    pub fn part(&self, name: &str) -> Option<usize> {
        self.parts
            .iter()
            .position(|p| p.name.eq_ignore_ascii_case(name))
    }
}

struct Maker<'s> {
    graph: Graph,
    net_of: HashMap<String, Net>,
    settings: &'s Overrides,
}

impl Maker<'_> {
    fn net(&mut self, frame: &Frame<'_>, name: &Name) -> Net {
        let full = frame.node_name(name);
        if full == "0" || full.eq_ignore_ascii_case("gnd") {
            return GROUND;
        }
        let nets = &mut self.graph.nets;
        *self.net_of.entry(full.to_lowercase()).or_insert_with(|| {
            nets.push(full);
            nets.len() - 1
        })
    }

    fn part(&mut self, expansion: &Expansion<'_>, flat: Flat<'_>) {
        let frame = &expansion.frames[flat.frame];
        let line = flat.statement;
        let letter = line.name.text.chars().next().unwrap_or('?');
        let letter = letter.to_ascii_uppercase();
        let mut facts = Facts {
            model: String::new(),
            model_values: Vec::new(),
            values: Vec::new(),
            words: String::new(),
            closed: None,
            ratings: Vec::new(),
        };
        let mut kind = None;
        let (nodes, alike) = self.described(frame, line, letter, &mut facts, &mut kind);
        facts.ratings = ratings(line, letter, kind);
        let leads = nodes.iter().map(|n| self.net(frame, n)).collect::<Vec<_>>();
        // Where its line says which end is the plus, the ends of a capacitor are not alike.
        let polar = letter == 'C' && line.notes.polar;
        let alike = match (alike, leads.len()) {
            (true, 2..) if !polar => Leads::FirstTwoAlike,
            _ => Leads::Fixed,
        };
        self.graph.parts.push(Part {
            name: format!("{}{}", frame.prefix, line.name.text),
            letter,
            kind,
            leads,
            alike,
            polar,
            facts,
        });
    }

    /// The nodes of a line, whether its first two are alike, and its facts.
    fn described<'c>(
        &mut self,
        frame: &Frame<'_>,
        line: &'c Element,
        letter: char,
        facts: &mut Facts,
        kind: &mut Option<&'static Kind>,
    ) -> (Vec<&'c Name>, bool) {
        use ElementKind::*;
        let line_name = &line.name;
        match &line.kind {
            Resistor {
                nodes,
                value,
                params,
            } => {
                facts.values.push(("", value.number, "ohm"));
                facts.words = assigned(params);
                (nodes.iter().collect(), true)
            }
            Capacitor { nodes, value, .. } => {
                reactive(value, "F", facts);
                (nodes.iter().collect(), true)
            }
            Inductor { nodes, value, .. } => {
                reactive(value, "H", facts);
                // Told by its coupling, if it has one: see `references`.
                (nodes.iter().collect(), true)
            }
            Coupling { k, .. } => {
                facts.values.push(("coupling", k.number, ""));
                (vec![], true)
            }
            VoltageSource { nodes, drive } => {
                driven(drive, "V", facts);
                (nodes.iter().collect(), false)
            }
            CurrentSource { nodes, drive } => {
                driven(drive, "A", facts);
                (nodes.iter().collect(), false)
            }
            ControlledVoltage { nodes, control } | ControlledCurrent { nodes, control } => {
                let mut all: Vec<&Name> = nodes.iter().collect();
                controlled(control, facts, &mut all);
                (all, false)
            }
            Behavioural {
                nodes,
                output,
                expr,
            } => {
                let mut all: Vec<&Name> = nodes.iter().collect();
                facts.words = format!("{output:?} ");
                expression(expr, &mut facts.words, &mut all);
                (all, false)
            }
            Semiconductor {
                nodes,
                model,
                area,
                params,
                ..
            } => {
                *kind = modelled(frame, &model.text, facts);
                if let Some(area) = area {
                    facts.values.push(("area", area.number, ""));
                }
                facts.words = assigned(params);
                (nodes.iter().collect(), false)
            }
            VoltageSwitch {
                nodes,
                control,
                model,
                on,
            } => {
                *kind = modelled(frame, &model.text, facts);
                facts.closed = *on;
                (nodes.iter().chain(control).collect(), true)
            }
            CurrentSwitch {
                nodes, model, on, ..
            } => {
                *kind = modelled(frame, &model.text, facts);
                facts.closed = *on;
                (nodes.iter().collect(), true)
            }
            Call {
                nodes,
                target,
                params,
            } => {
                let path = format!("{}{}", frame.prefix, line_name.text);
                let other = self.settings.value(&path).map(|s| s.value.text.as_str());
                *kind = modelled(frame, other.unwrap_or(&target.text), facts);
                for assign in params {
                    let value = assign.value.number;
                    match assign.name.key().as_str() {
                        "at" => facts.closed = Some(value >= 0.5),
                        // Where a knob stands is not how the amplifier is built.
                        "knob" => {}
                        _ => facts
                            .words
                            .push_str(&assigned(std::slice::from_ref(assign))),
                    }
                }
                let two_alike =
                    nodes.len() == 2 || kind.is_some_and(|k| k.role == DeviceRole::RectifierValve);
                (nodes.iter().collect(), letter == 'X' && two_alike)
            }
        }
    }

    /// What names other elements becomes leads on a net of theirs.
    fn references(&mut self, expansion: &Expansion<'_>) {
        for (n, flat) in expansion.elements.iter().enumerate() {
            let prefix = &expansion.frames[flat.frame].prefix;
            let names: Vec<&Name> = match &flat.statement.kind {
                ElementKind::Coupling { inductors, .. } => inductors.iter().collect(),
                ElementKind::CurrentSwitch { control, .. } => vec![control],
                ElementKind::ControlledVoltage { control, .. }
                | ElementKind::ControlledCurrent { control, .. } => match control {
                    Control::Current { source, .. } => vec![source],
                    Control::CurrentPoly { sources, .. } => sources.iter().collect(),
                    _ => vec![],
                },
                ElementKind::Behavioural { expr, .. } => {
                    let mut found = Vec::new();
                    sensed(expr, &mut found);
                    found
                }
                _ => vec![],
            };
            for name in names {
                let path = format!("{prefix}{}", name.text);
                let Some(target) = self.graph.part(&path) else {
                    continue;
                };
                let net = self.reference(&path, target);
                self.graph.parts[n].leads.push(net);
                if self.graph.parts[n].letter == 'K' {
                    self.graph.parts[n].alike = Leads::FirstTwoAlike;
                }
            }
        }
    }

    /// The net that stands for a reference to an element: a further lead of it.
    fn reference(&mut self, path: &str, target: usize) -> Net {
        let key = format!("current of {}", path.to_lowercase());
        if let Some(&net) = self.net_of.get(&key) {
            return net;
        }
        let net = self.graph.nets.len();
        self.graph.nets.push(format!("current of {path}"));
        self.net_of.insert(key, net);
        let part = &mut self.graph.parts[target];
        part.leads.push(net);
        // Its sense counts now.
        part.alike = Leads::Fixed;
        net
    }
}

/// What the comment on a line says that its part stands.
fn ratings(
    line: &Element,
    letter: char,
    kind: Option<&'static Kind>,
) -> Vec<(&'static str, f64, &'static str)> {
    let is_pot = kind.is_some_and(|k| k.role == DeviceRole::Pot);
    let unit = |value: &Value| match letter {
        'R' | 'Q' | 'M' | 'J' => "W",
        'X' if is_pot => "W",
        // A zener's rating is watts.
        _ if value.text.ends_with(['w', 'W']) => "W",
        _ => "V",
    };
    let rated = line.rated.as_ref();
    let rated = rated.map(|value| ("rated", value.number, unit(value)));
    let fuse = line.notes.fuse.map(|amperes| ("fuse", amperes, "A"));
    let ripple = line.notes.ripple.map(|amperes| ("ripple", amperes, "A"));
    [rated, fuse, ripple].into_iter().flatten().collect()
}

/// The device and parameters behind a model's name; a toggle is a kind itself.
fn modelled(frame: &Frame<'_>, name: &str, facts: &mut Facts) -> Option<&'static Kind> {
    facts.model = name.to_string();
    match frame.model(name) {
        Some(model) => {
            let kind = device::kind(&model.kind.text)?;
            facts.model_values = parameters(kind, model);
            Some(kind)
        }
        None => device::kind(name),
    }
}

/// All parameters of a model, defaults filled in.
fn parameters(kind: &Kind, model: &Model) -> Vec<(String, f64)> {
    let given = |name: &str| {
        let found = model.params.iter().rfind(|a| a.name.key() == name)?;
        Some(&found.value)
    };
    let all = kind.model_params.iter();
    all.map(|p| {
        let number = given(p.name).map_or(p.default, |v: &Value| {
            if v.number.is_nan() {
                let word = v.text.to_lowercase();
                let place = p.words.iter().position(|w| *w == word);
                place.map_or(f64::NAN, |n| n as f64)
            } else {
                v.number
            }
        });
        (p.name.to_string(), number)
    })
    .collect()
}

fn assigned(params: &[Assign]) -> String {
    let mut words: Vec<String> = params
        .iter()
        .map(|a| format!("{}={} ", a.name.key(), num::full(a.value.number)))
        .collect();
    words.sort();
    words.concat()
}

fn reactive(value: &Reactive, unit: &'static str, facts: &mut Facts) {
    match value {
        Reactive::Linear(value) => facts.values.push(("", value.number, unit)),
        Reactive::Poly(all) => {
            let terms = all.iter().map(|v| ("POLY term", v.number, ""));
            facts.values.extend(terms);
        }
    }
}

fn driven(drive: &Drive, unit: &'static str, facts: &mut Facts) {
    if let Some(dc) = &drive.dc {
        facts.values.push(("DC", dc.number, unit));
    }
    if let Some((magnitude, phase)) = drive.ac {
        facts.values.push(("AC", magnitude, unit));
        if phase != 0.0 {
            facts.values.push(("AC phase", phase, ""));
        }
    }
    if let Some(wave) = &drive.wave {
        facts.words = format!("{:?}", wave.shape);
        let terms = wave.args.iter().map(|v| (WAVEFORM, v.number, ""));
        facts.values.extend(terms);
    }
}

fn controlled<'c>(control: &'c Control, facts: &mut Facts, all: &mut Vec<&'c Name>) {
    let mut gains = |values: &[Value]| {
        let terms = values.iter().map(|v| ("gain", v.number, ""));
        facts.values.extend(terms);
    };
    match control {
        Control::Voltage { nodes, gain } => {
            gains(std::slice::from_ref(gain));
            all.extend(nodes);
        }
        Control::Current { gain, .. } => gains(std::slice::from_ref(gain)),
        Control::VoltagePoly {
            pairs,
            coefficients,
        } => {
            gains(coefficients);
            all.extend(pairs.iter().flatten());
        }
        Control::CurrentPoly { coefficients, .. } => gains(coefficients),
    }
}

/// Writes an expression with places in place of names, and collects the nodes it names.
fn expression<'c>(expr: &'c Expr, words: &mut String, nodes: &mut Vec<&'c Name>) {
    match expr {
        Expr::Number(x, _) => words.push_str(&num::full(*x)),
        Expr::Voltage(a, b, _) => {
            words.push_str(if b.is_some() { "v(_,_)" } else { "v(_)" });
            nodes.push(a);
            nodes.extend(b);
        }
        Expr::Current(..) => words.push_str("i(_)"),
        Expr::Negate(inner, _) => {
            words.push('-');
            expression(inner, words, nodes);
        }
        Expr::Call(function, inner, _) => {
            words.push_str(&format!("{function:?}("));
            expression(inner, words, nodes);
            words.push(')');
        }
        Expr::Binary(operator, a, b, _) => {
            words.push('(');
            expression(a, words, nodes);
            words.push_str(&format!(" {operator:?} "));
            expression(b, words, nodes);
            words.push(')');
        }
    }
}

fn sensed<'c>(expr: &'c Expr, found: &mut Vec<&'c Name>) {
    match expr {
        Expr::Current(name, _) => found.push(name),
        Expr::Negate(inner, _) | Expr::Call(_, inner, _) => sensed(inner, found),
        Expr::Binary(_, a, b, _) => {
            sensed(a, found);
            sensed(b, found);
        }
        Expr::Number(..) | Expr::Voltage(..) => {}
    }
}
