//! Mains and high-tension fuses that are too large to save the transformer behind them.

use super::finding::{Finding, show};
use crate::circuit::{BranchKind, Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::measure::groups::Groups;

/// Switches, surge resistors and other fuses have no more, ohm (common practice, no published source).
const WIRE: f64 = 20.0;
/// How many times a winding's rating a fuse may be before it is worth a word, and before it protects nothing.
/// 1.5 to 2.5 times is usual, and old small amplifiers have more (common practice, no published source).
const TIMES: (f64, f64) = (4.0, 8.0);

/// Fuses in a lead of a winding that is rated for a small part of what they carry.
pub(super) fn fuses(circuit: &Circuit) -> Vec<Finding> {
    let all = circuit.elements.iter();
    let iron: Vec<&Element> = all
        .filter(|e| e.role() == Some(DeviceRole::MainsTransformer))
        .collect();
    if iron.is_empty() {
        return Vec::new();
    }
    let all = circuit.elements.iter();
    let mut found: Vec<Finding> = all.filter_map(|e| fuse(circuit, &iron, e)).collect();
    found.extend(iron.iter().flat_map(|e| in_neutral(circuit, e)));
    found
}

/// The voltage source that a mains transformer is at, through fuses, switches and what else is hardly more
/// than a wire.
pub fn source_of<'c>(circuit: &'c Circuit, iron: &Element) -> Option<&'c Element> {
    let leads = Groups::new(circuit, wires(circuit, &[]));
    let ends = ["line", "neutral"].into_iter();
    let ends: Vec<Node> = ends.filter_map(|end| iron.terminal(end)).collect();
    let joined = |a: Node, b: Node| a != Node::GROUND && leads.of(a) == leads.of(b);
    let feeds = |e: &&Element| {
        let mut own = e.terminals.iter();
        let is_source = e.role() == Some(DeviceRole::VoltageSource);
        is_source && own.any(|a| ends.iter().any(|b| joined(*a, *b)))
    };
    circuit.elements.iter().find(feeds)
}

/// The fuses that are drawn in a lead of an element: nothing but wire is between them and one of the
/// terminals of these names, and no source feeds it but through them.
pub fn in_lead<'c>(circuit: &'c Circuit, of: &Element, terminals: &[&str]) -> Vec<&'c Element> {
    let ends = terminals.iter().filter_map(|name| of.terminal(name));
    let ends: Vec<Node> = ends.filter(|n| *n != Node::GROUND).collect();
    let leads_there = |fuse: &&Element| {
        let leads = Groups::new(circuit, wires(circuit, &[fuse]));
        let is_fed = |lead: usize| {
            let all = circuit.elements.iter();
            let sources = all.filter(|e| e.role() == Some(DeviceRole::VoltageSource));
            let mut nodes = sources.flat_map(|e| &e.terminals);
            nodes.any(|n| *n != Node::GROUND && leads.of(*n) == lead)
        };
        let mut own = fuse.terminals.iter().filter(|n| **n != Node::GROUND);
        own.any(|n| {
            let lead = leads.of(*n);
            ends.iter().any(|end| leads.of(*end) == lead) && !is_fed(lead)
        })
    };
    let fuses = circuit.elements.iter().filter(|e| e.notes.fuse.is_some());
    fuses.filter(leads_there).collect()
}

/// Fuses in the neutral of a primary whose live lead has none: the mains source's other end is at ground.
fn in_neutral(circuit: &Circuit, iron: &Element) -> Vec<Finding> {
    let is_fuse = |e: &&Element| e.notes.fuse.is_some();
    let fuses: Vec<&Element> = circuit.elements.iter().filter(is_fuse).collect();
    let wires: Vec<(Node, Node)> = wires(circuit, &fuses).collect();
    let leads = Groups::new(circuit, wires.iter().copied());
    let same = |a: Node, b: Node| a != Node::GROUND && leads.of(a) == leads.of(b);
    let at_ground = |node: Node| {
        let earthed = |&(a, b): &(Node, Node)| {
            a == Node::GROUND && same(b, node) || b == Node::GROUND && same(a, node)
        };
        node == Node::GROUND || wires.iter().any(earthed)
    };
    let live = circuit.branches.iter().filter_map(|b| match &b.kind {
        BranchKind::Source(drive) if drive.mains_hz().is_some() => match (b.a, b.b) {
            (live, Node::GROUND) | (Node::GROUND, live) => Some(live),
            _ => None,
        },
        _ => None,
    });
    let live: Vec<Node> = live.collect();
    let ends = ["line", "neutral"].map(|end| iron.terminal(end));
    let [Some(line), Some(neutral)] = ends else {
        return Vec::new();
    };
    let other = match live.iter().find_map(|&n| {
        let other = same(n, line).then_some(neutral);
        other.or(same(n, neutral).then_some(line))
    }) {
        Some(other) if other != Node::GROUND => other,
        _ => return Vec::new(),
    };
    let blows = |e: &&&Element| match e.terminals[..] {
        [a, b] => at_ground(a) && same(other, b) || at_ground(b) && same(other, a),
        _ => false,
    };
    let text = "is in the neutral lead, and the live one has no fuse: once it has blown, the \
                transformer and all that leads to it still stand at the mains; put it into the live lead";
    let told = fuses.iter().filter(blows);
    told.map(|e| Finding::of(e, ("rms current", text.to_string(), true)))
        .collect()
}

/// The ends of what is only a wire, fuses left out.
fn wires(circuit: &Circuit, fuses: &[&Element]) -> impl Iterator<Item = (Node, Node)> {
    let all = circuit.resistances.iter().enumerate();
    all.filter(|(k, r)| {
        let is_fuse = || fuses.iter().any(|e| e.resistances().any(|own| own == *k));
        (0.0..=WIRE).contains(&r.ohms) && !is_fuse()
    })
    .map(|(_, r)| (r.a, r.b))
}

fn fuse(circuit: &Circuit, iron: &[&Element], element: &Element) -> Option<Finding> {
    let amperes = element.notes.fuse?;
    let [a, b] = element.terminals[..] else {
        return None;
    };
    let leads = Groups::new(circuit, wires(circuit, &[element]));
    // What all windings with a lead in the group of a node are rated for together.
    let behind = |node: Node| -> f64 {
        let lead = leads.of(node);
        let rated = |e: &Element| -> f64 {
            let windings = [
                (["line", "neutral"], "primary rms current"),
                (["ht1", "ht1"], "ht1 rms current"),
                (["ht2", "ht2"], "ht2 rms current"),
            ];
            let has = |ends: [&str; 2]| {
                let mut nodes = ends.iter().filter_map(|end| e.terminal(end));
                nodes.any(|n| n != Node::GROUND && leads.of(n) == lead)
            };
            let own = windings.iter().filter(|w| has(w.0));
            own.filter_map(|w| e.rating(w.1)).sum()
        };
        iron.iter().map(|e| rated(e)).sum()
    };
    let rated = match (behind(a), behind(b)) {
        (one, 0.0) | (0.0, one) if one > 0.0 => one,
        _ => return None,
    };
    let times = amperes / rated;
    (times > TIMES.0).then(|| {
        let text = format!(
            "a fuse of {} is {times:.1} times what the winding behind it is rated for, {}: an overload burns \
             the transformer before it blows; `parts` says what to fit",
            show(amperes, "A"),
            show(rated, "A")
        );
        Finding::of(element, ("rms current", text, times > TIMES.1))
    })
}
