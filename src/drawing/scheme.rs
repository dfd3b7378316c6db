//! What is to be drawn: parts with their symbols and lettering, and the nets between their pins.

use super::symbols::{self, Look, Symbol, SymbolKind};
use crate::circuit::{Branch, Circuit, Element, Node, Piece, Sense, Sink};
use crate::device::base::{self, Base};
use crate::device::role::{DeviceRole, Polarity};
use crate::measure::inverse;
use crate::num;
use std::collections::{BTreeSet, HashMap};

/// A part.
#[derive(Debug, Clone)]
pub struct Part {
    /// Dotted, as in the netlist.
    pub name: String,
    /// Its name as lettered: the last word of the dotted one, unless another part has the same.
    pub label: String,
    /// Its value or type, line by line.
    pub values: Vec<String>,
    /// Its line in the netlist.
    pub line: String,
    /// The word for its kind.
    pub word: &'static str,
    /// Its symbol.
    pub kind: SymbolKind,
    /// What sets its symbol apart.
    pub look: Look,
    /// The net of each pin, in the order of the netlist line.
    pub nets: Vec<usize>,
    /// Its place among the circuit's elements.
    pub element: usize,
}

/// A net: a node of the circuit.
#[derive(Debug, Clone)]
pub struct Net {
    /// The node's name.
    pub name: String,
    /// The node.
    pub node: Node,
    /// Part and pin.
    pub pins: Vec<(usize, usize)>,
    /// Whether it goes on outside of what is drawn.
    pub leaves: bool,
}

/// All of it.
#[derive(Debug, Clone, Default)]
pub struct Scheme {
    /// The netlist's title.
    pub title: String,
    /// In the order of the netlist.
    pub parts: Vec<Part>,
    /// Ground first, if anything is at ground.
    pub nets: Vec<Net>,
}

/// The ground net's name.
pub const GROUND: &str = "0";

impl Net {
    /// Whether it is ground.
    pub fn is_ground(&self) -> bool {
        self.node == Node::GROUND
    }
}

impl Part {
    /// Its symbol, upright about its origin.
    pub fn symbol(&self) -> Symbol {
        self.kind.looking(self.look)
    }
}

impl Scheme {
    /// The scheme of some of a circuit's elements. `line` gives an element's netlist line.
    pub fn new(circuit: &Circuit, chosen: &[usize], line: impl Fn(&Element) -> String) -> Scheme {
        let labels = labels(circuit, chosen);
        let mut scheme = Scheme {
            title: circuit.title.trim().to_string(),
            ..Scheme::default()
        };
        let mut numbers: HashMap<Node, usize> = HashMap::new();
        for (&element, label) in chosen.iter().zip(labels) {
            let e = &circuit.elements[element];
            let nodes = nodes(circuit, e);
            let (kind, word) = kind(e, nodes.len());
            let nets = nodes.iter().enumerate().map(|(pin, &node)| {
                let net = *numbers.entry(node).or_insert_with(|| {
                    scheme.nets.push(Net {
                        name: circuit.nodes[node.0].name.clone(),
                        node,
                        pins: vec![],
                        leaves: false,
                    });
                    scheme.nets.len() - 1
                });
                scheme.nets[net].pins.push((scheme.parts.len(), pin));
                net
            });
            let nets = nets.collect();
            let line = line(e);
            scheme.parts.push(Part {
                name: e.name.clone(),
                label,
                values: values(circuit, e, &line),
                line,
                word,
                kind,
                look: look(circuit, e),
                nets,
                element,
            });
        }
        let chosen: BTreeSet<usize> = chosen.iter().copied().collect();
        for (k, e) in circuit.elements.iter().enumerate() {
            if chosen.contains(&k) {
                continue;
            }
            for node in nodes(circuit, e) {
                if let Some(&net) = numbers.get(&node) {
                    scheme.nets[net].leaves = true;
                }
            }
        }
        scheme
    }

    /// The number of nets that are not ground.
    pub fn wired(&self) -> usize {
        self.nets.iter().filter(|n| !n.is_ground()).count()
    }
}

/// The nodes on an element's line, with those that control an E or G source.
pub fn nodes(circuit: &Circuit, e: &Element) -> Vec<Node> {
    let mut nodes = e.terminals.clone();
    if e.kind.is_some_and(|k| k.optional > 0) {
        nodes.truncate(e.made.written);
    }
    if !matches!(e.letter, 'E' | 'G') {
        return nodes;
    }
    let Some(port) = e.ports.first() else {
        return nodes;
    };
    let senses: Vec<Sense> = match port.piece {
        Piece::Gain(k) => vec![circuit.gains[k].sense],
        Piece::Law(k, _) => circuit.laws[k].controls.clone(),
        Piece::Branch(k) => {
            let is_own = |sink: &Sink| matches!(sink, Sink::Branch(b) if b.0 == k);
            let gain = circuit.gains.iter().find(|g| is_own(&g.sink));
            let law = circuit.laws.iter().find(|l| l.outputs.iter().any(is_own));
            match (gain, law) {
                (Some(gain), _) => vec![gain.sense],
                (None, Some(law)) => law.controls.clone(),
                (None, None) => vec![],
            }
        }
        _ => vec![],
    };
    for sense in senses {
        if let Sense::Voltage(a, b) = sense {
            nodes.extend([a, b]);
        }
    }
    nodes
}

/// Symbol and word of an element with N pins.
fn kind(e: &Element, pins: usize) -> (SymbolKind, &'static str) {
    let pairs = pins.saturating_sub(2) / 2;
    let closed = e.position.is_none_or(|p| p >= 0.5);
    let has = |terminal| e.kind.is_some_and(|k| k.terminals.contains(&terminal));
    let Some(role) = e.role() else {
        return match e.letter {
            'K' => (SymbolKind::Coupling, "coupling"),
            _ => (SymbolKind::Block(pins), "part"),
        };
    };
    match role {
        DeviceRole::Resistor => (SymbolKind::Resistor, "resistor"),
        DeviceRole::Capacitor => (SymbolKind::Capacitor, "capacitor"),
        DeviceRole::Inductor => (SymbolKind::Inductor, "inductor"),
        DeviceRole::VoltageSource => (SymbolKind::VoltageSource, "voltage source"),
        DeviceRole::CurrentSource => (SymbolKind::CurrentSource, "current source"),
        DeviceRole::ControlledSource => controlled(e, pairs),
        DeviceRole::Diode => (SymbolKind::Diode, "diode"),
        DeviceRole::Valve if has("screen") => (SymbolKind::Pentode, "pentode"),
        DeviceRole::Valve => (SymbolKind::Triode, "triode"),
        DeviceRole::RectifierValve => (SymbolKind::Rectifier, "rectifier"),
        DeviceRole::Pot => (SymbolKind::Pot, "potentiometer"),
        DeviceRole::Toggle => (SymbolKind::Switch(closed), "switch"),
        DeviceRole::Switch if has("control+") => {
            (SymbolKind::ControlledSwitch, "controlled switch")
        }
        DeviceRole::Switch => (SymbolKind::Switch(false), "controlled switch"),
        DeviceRole::Choke => (SymbolKind::Choke, "choke"),
        DeviceRole::Loudspeaker => (SymbolKind::Speaker, "loudspeaker"),
        DeviceRole::OutputTransformer => {
            let shape = match (has("screen1"), has("plate2")) {
                (true, _) => &symbols::ULTRALINEAR,
                (false, true) => &symbols::PUSH_PULL,
                (false, false) => &symbols::SINGLE_ENDED,
            };
            (SymbolKind::Transformer(shape), "transformer")
        }
        DeviceRole::MainsTransformer => (SymbolKind::Transformer(&symbols::MAINS), "transformer"),
        DeviceRole::Transistor(polarity) => {
            let p = polarity == Polarity::P;
            match e.letter {
                'Q' => (SymbolKind::Bipolar(p, pins > 3), "transistor"),
                'J' => (SymbolKind::JunctionField(p), "field-effect transistor"),
                _ => (SymbolKind::Mosfet(p), "field-effect transistor"),
            }
        }
    }
}

/// What sets an element's symbol apart from others of its kind.
fn look(circuit: &Circuit, e: &Element) -> Look {
    let base = || {
        let place = e.kind?.model_params.iter().position(|p| p.name == "base")?;
        base::of_value(*e.made.model.get(place)?)
    };
    let is_coupled = || {
        let own = circuit.branch_of(e);
        let has_own = |m: &(Branch, Branch, f64)| Some(m.0) == own || Some(m.1) == own;
        circuit.mutuals.iter().any(has_own)
    };
    match e.role() {
        Some(DeviceRole::Inductor) if is_coupled() => Look::Coupled,
        Some(DeviceRole::Capacitor) if e.notes.polar => Look::Polarised,
        Some(DeviceRole::Diode) if inverse::is_zener(e) => Look::Zener,
        Some(role) if role.is_valve() && base().is_some_and(Base::is_directly_heated) => {
            Look::DirectlyHeated
        }
        _ => Look::Usual,
    }
}

/// Symbol and word of a controlled source.
fn controlled(e: &Element, pairs: usize) -> (SymbolKind, &'static str) {
    match e.letter {
        'E' | 'H' => (
            SymbolKind::ControlledVoltage(pairs),
            "controlled voltage source",
        ),
        'F' | 'G' => (
            SymbolKind::ControlledCurrent(pairs),
            "controlled current source",
        ),
        _ => {
            let voltage = (e.ports.first()).is_some_and(|p| matches!(p.piece, Piece::Branch(_)));
            if voltage {
                (SymbolKind::ControlledVoltage(0), "behavioural source")
            } else {
                (SymbolKind::ControlledCurrent(0), "behavioural source")
            }
        }
    }
}

/// Letters of a value's line that still read well beside a symbol; more would push the parts about,
/// and the whole line is in the part's title.
const LONGEST: usize = 18;
/// Lines of a value.
const LINES: usize = 3;

/// The inductors that a K line couples, by the last words of their names.
fn coupled<'c>(circuit: &'c Circuit, e: &Element) -> Option<[&'c str; 2]> {
    // Each K line makes one mutual inductance, in the order of the lines.
    let lines = circuit.elements.iter().filter(|o| o.letter == 'K');
    let (a, b, _) = circuit
        .mutuals
        .get(lines.take_while(|o| o.name != e.name).count())?;
    let name = |branch: Branch| {
        let mut all = circuit.elements.iter();
        let own = all.find(|o| circuit.branch_of(o) == Some(branch))?;
        own.name.rsplit('.').next()
    };
    Some([name(*a)?, name(*b)?])
}

/// A part's value or type, and what else a builder reads beside it.
fn values(circuit: &Circuit, e: &Element, line: &str) -> Vec<String> {
    if e.letter == 'K'
        && let (Some(value), Some([a, b])) = (e.value, coupled(circuit, e))
    {
        let mut lines = wrapped(&format!("{a} {b}"));
        lines.push(short(value, ""));
        return lines;
    }
    let unit = match e.letter {
        'R' => "Ω",
        'C' => "F",
        'L' => "H",
        _ => "",
    };
    if let (Some(value), 'R' | 'C' | 'L' | 'K') = (e.value, e.letter) {
        return vec![short(value, unit)];
    }
    let words: Vec<&str> = line.split_whitespace().collect();
    let skip = 1 + match e.letter {
        'V' | 'I' | 'B' | 'E' | 'F' | 'G' | 'H' | 'C' | 'L' => 2,
        _ => 0,
    };
    let rest = || words.get(skip..).unwrap_or_default().join(" ");
    if let Some(track) = &e.track {
        let turned = e.position.map(|at| format!("at {}", num::full(at)));
        let mut lines = vec![format!("{} {}", short(track.ohms(), "Ω"), track.taper())];
        lines.extend(turned);
        return lines;
    }
    match (&e.model, e.letter) {
        (Some(model), _) => vec![model.clone()],
        (None, 'V' | 'I' | 'B' | 'E' | 'F' | 'G' | 'H' | 'C' | 'L') => wrapped(&rest()),
        _ => match e.position {
            Some(at) => vec![if at >= 0.5 { "closed" } else { "open" }.to_string()],
            None => vec![],
        },
    }
}

/// A text in a few short lines, broken between its terms and cut where it is longer.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for term in terms(text) {
        match lines.last_mut() {
            Some(last) if last.chars().count() + 1 + term.chars().count() <= LONGEST => {
                last.push(' ');
                last.push_str(&term);
            }
            _ => lines.push(term),
        }
    }
    let more = lines.len() > LINES;
    lines.truncate(LINES);
    let last = lines.len().saturating_sub(1);
    for (k, line) in lines.iter_mut().enumerate() {
        if line.chars().count() > LONGEST {
            *line = line.chars().take(LONGEST - 3).collect::<String>() + "...";
        } else if more && k == last {
            line.push_str(" ...");
        }
    }
    lines
}

/// The words of a text; what stands in brackets is one with what is before them.
fn terms(text: &str) -> Vec<String> {
    let mut terms = vec![String::new()];
    let mut depth = 0usize;
    for letter in text.chars() {
        match letter {
            '(' => depth += 1,
            ')' => depth = depth.saturating_sub(1),
            ' ' if depth == 0 => {
                terms.push(String::new());
                continue;
            }
            _ => {}
        }
        terms.last_mut().expect("never empty").push(letter);
    }
    terms.retain(|t| !t.is_empty());
    terms
}

/// A value as it is lettered: as few digits as it has, at most four, with its prefix and unit.
pub fn short(value: f64, unit: &str) -> String {
    let text = num::engineering(value, unit, 4);
    let (digits, tail) = match text.split_once(' ') {
        Some((digits, tail)) => (digits, format!(" {tail}")),
        None => (text.as_str(), String::new()),
    };
    let digits = match digits.split_once('.') {
        Some(_) => digits.trim_end_matches('0').trim_end_matches('.'),
        None => digits,
    };
    format!("{digits}{tail}")
}

/// The lettered names: the last word of the dotted one where it is the only one.
fn labels(circuit: &Circuit, chosen: &[usize]) -> Vec<String> {
    let last = |k: usize| {
        let name = &circuit.elements[k].name;
        name.rsplit('.').next().unwrap_or(name).to_string()
    };
    let mut count: HashMap<String, usize> = HashMap::new();
    for &k in chosen {
        *count.entry(last(k).to_lowercase()).or_default() += 1;
    }
    let label = |&k: &usize| match count[&last(k).to_lowercase()] {
        1 => last(k),
        _ => circuit.elements[k].name.clone(),
    };
    chosen.iter().map(label).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_values_are_short_lines() {
        for (text, lines) in [
            ("300", &["300"][..]),
            ("DC 0 AC 1 SIN(0 50m 1k)", &["DC 0 AC 1", "SIN(0 50m 1k)"]),
            (
                "DC 0 PULSE(0 5 1u 10n 10n 2u 4u)",
                &["DC 0", "PULSE(0 5 1u 10..."],
            ),
            ("V=3*v(a)+4*v(b)-limit(v(c),-1,1)", &["V=3*v(a)+4*v(b)..."]),
            (
                "POLY(2) a 0 b 0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20",
                &[
                    "POLY(2) a 0 b 0 1",
                    "2 3 4 5 6 7 8 9 10",
                    "11 12 13 14 15 16 ...",
                ],
            ),
        ] {
            assert_eq!(wrapped(text), lines, "{text}");
        }
        assert!(wrapped("").is_empty());
    }
}
