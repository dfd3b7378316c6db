//! The positions of knobs and switches that a circuit is tried in.
//!
//! One control is moved at a time, for every combination would be too many: each knob to both
//! ends, each switch over, then all knobs together to either end. Two switches that meet at a
//! node, one closed and one open, may be the two contacts of a change-over: they are tried
//! together, and one alone is a state that the amplifier may never be in.

use super::iron;
use crate::circuit::params::bare;
use crate::circuit::{Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::device::toggle;

/// Controls in another position.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Position {
    /// In words, behind `with`.
    pub words: String,
    /// Resistances by number, and what they are there, ohm.
    pub changes: Vec<(usize, f64)>,
    /// Whether it is a matter of switches alone.
    pub is_switch: bool,
    /// Whether whoever plays can put the amplifier there. If not it is something to know about.
    pub is_sure: bool,
    /// What is known of it besides, in words.
    pub doubt: &'static str,
}

/// Every position that is tried, in the order of the netlist.
pub(super) fn positions(circuit: &Circuit) -> Vec<Position> {
    let mut all = Vec::new();
    for element in &circuit.elements {
        match element.role() {
            Some(DeviceRole::Pot) => all.extend(ends(circuit, element)),
            Some(DeviceRole::Toggle) => all.extend(over(circuit, element)),
            _ => {}
        }
    }
    let pots: Vec<&Element> = pots(circuit).collect();
    if pots.len() > 1 {
        for knob in [10.0, 0.0] {
            all.push(Position {
                words: format!("every knob at {knob:.0}"),
                changes: pots.iter().flat_map(|e| turned(e, knob)).collect(),
                is_switch: false,
                is_sure: true,
                doubt: "",
            });
        }
    }
    let loads = iron::load_resistances(circuit);
    if !loads.is_empty() {
        all.push(Position {
            words: "no load on the output transformer".to_string(),
            changes: loads.into_iter().map(|k| (k, toggle::OPEN)).collect(),
            is_switch: false,
            is_sure: false,
            doubt: "never switch it on like this",
        });
    }
    all
}

fn pots(circuit: &Circuit) -> impl Iterator<Item = &Element> {
    let all = circuit.elements.iter();
    all.filter(|e| e.role() == Some(DeviceRole::Pot) && e.track.is_some())
}

/// A pot's halves with its knob at 0..=10: those from bottom to wiper and from wiper to top.
fn turned(pot: &Element, knob: f64) -> Vec<(usize, f64)> {
    let Some((low, high)) = pot.track.map(|track| track.halves(knob)) else {
        return Vec::new();
    };
    pot.resistances().zip([low, high]).collect()
}

/// A knob at both ends, but for where it stands.
fn ends(circuit: &Circuit, pot: &Element) -> Vec<Position> {
    let ends = [0.0, 10.0].into_iter();
    ends.map(|knob| (knob, turned(pot, knob)))
        .filter(|(_, changes)| {
            let mut changes = changes.iter();
            changes.any(|&(k, ohms)| circuit.resistances[k].ohms != ohms)
        })
        .map(|(knob, changes)| Position {
            words: format!("`{}={knob:.0}`", bare(&pot.name)),
            changes,
            is_switch: false,
            is_sure: true,
            doubt: "",
        })
        .collect()
}

fn is_closed(toggle: &Element) -> bool {
    toggle.position.is_some_and(|at| at >= 0.5)
}

/// A switch thrown over.
fn over(circuit: &Circuit, switch: &Element) -> Vec<Position> {
    let closes = !is_closed(switch);
    let meets = |other: &&Element| {
        let mut nodes = other.terminals.iter();
        let shared = nodes.any(|n| *n != Node::GROUND && switch.terminals.contains(n));
        other.role() == Some(DeviceRole::Toggle) && is_closed(other) == closes && shared
    };
    let partners: Vec<&Element> = circuit.elements.iter().filter(meets).collect();
    let thrown = |toggle: &Element| {
        let ohms = if is_closed(toggle) {
            toggle::OPEN
        } else {
            toggle::CLOSED
        };
        let own = toggle.resistances();
        own.map(|k| (k, ohms)).collect::<Vec<_>>()
    };
    let word = |toggle: &Element| {
        let at = u8::from(!is_closed(toggle));
        format!("`{}={at}`", bare(&toggle.name))
    };
    let mut all = vec![Position {
        words: word(switch),
        changes: thrown(switch),
        is_switch: true,
        is_sure: partners.is_empty(),
        doubt: if partners.is_empty() {
            ""
        } else {
            "if it can be thrown alone"
        },
    }];
    // Thrown the other way round it is the same change-over, said of the other contact.
    if closes && !partners.is_empty() {
        let both = std::iter::once(&switch).chain(&partners);
        let words: Vec<String> = both.clone().map(|e| word(e)).collect();
        all.push(Position {
            words: words.join(" and "),
            changes: both.flat_map(|e| thrown(e)).collect(),
            is_switch: true,
            is_sure: true,
            doubt: "",
        });
    }
    all
}
