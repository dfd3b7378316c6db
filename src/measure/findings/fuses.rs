//! Mains and high-tension fuses that are too large to save the transformer behind them.

use super::finding::{Finding, show};
use crate::circuit::{Circuit, Element, Node, Piece};
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
    all.filter_map(|e| fuse(circuit, &iron, e)).collect()
}

fn fuse(circuit: &Circuit, iron: &[&Element], element: &Element) -> Option<Finding> {
    let amperes = element.notes.fuse?;
    let [a, b] = element.terminals[..] else {
        return None;
    };
    let own = |k: usize| {
        element
            .ports
            .iter()
            .any(|p| p.piece == Piece::Resistance(k))
    };
    let wires = circuit.resistances.iter().enumerate();
    let wires = wires.filter(|(k, r)| (0.0..=WIRE).contains(&r.ohms) && !own(*k));
    let leads = Groups::new(circuit, wires.map(|(_, r)| (r.a, r.b)));
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
    (times > TIMES.0).then(|| Finding {
        subject: element.name.clone(),
        quantity: "rms current",
        text: format!(
            "a fuse of {} is {times:.1} times what the winding behind it is rated for, {}: an overload burns \
             the transformer before it blows; `parts` says what to fit",
            show(amperes, "A"),
            show(rated, "A")
        ),
        grave: times > TIMES.1,
    })
}
