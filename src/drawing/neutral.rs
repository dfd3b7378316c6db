//! Where ground is the neutral of the mains and not the chassis: a netlist calls both `0`, and drawn
//! with one symbol they would be read as wired together.

use super::scheme::Scheme;
use super::symbols::{MAINS, SymbolKind};
use crate::circuit::{BranchKind, Circuit};
use crate::device::source::Wave;
use std::collections::BTreeSet;

/// The pins at ground, by part and pin, that are on the mains' side of a transformer: those of its
/// primary, of the source that feeds it, and of what lies between them or across them. Nothing where
/// the mains are not fed through a transformer: there the chassis is live, and the drawing says so.
pub fn pins(circuit: &Circuit, scheme: &Scheme) -> BTreeSet<(usize, usize)> {
    let mut found = BTreeSet::new();
    let mut seen = vec![false; scheme.nets.len()];
    for (p, part) in scheme.parts.iter().enumerate() {
        for pin in primary(circuit, scheme, p) {
            let from = part.nets[pin];
            if scheme.nets[from].is_ground() || seen[from] {
                continue;
            }
            let side = side(circuit, scheme, from, &mut seen);
            let ends = side.into_iter().flat_map(|p| {
                let all = own(circuit, scheme, p).into_iter();
                all.map(move |pin| (p, pin))
            });
            found.extend(ends.filter(|&(p, pin)| {
                let net = scheme.parts[p].nets[pin];
                scheme.nets[net].is_ground()
            }));
        }
    }
    found
}

/// The parts that wires and parts with two leads join to a net, without passing ground. None if there
/// is anything else among them.
fn side(circuit: &Circuit, scheme: &Scheme, from: usize, seen: &mut [bool]) -> BTreeSet<usize> {
    let mut parts = BTreeSet::new();
    let mut waiting = vec![from];
    let mut is_clean = true;
    while let Some(net) = waiting.pop() {
        if std::mem::replace(&mut seen[net], true) {
            continue;
        }
        for &(p, pin) in &scheme.nets[net].pins {
            let own = own(circuit, scheme, p);
            is_clean &= own.contains(&pin);
            parts.insert(p);
            let nets = own.iter().map(|&pin| scheme.parts[p].nets[pin]);
            waiting.extend(nets.filter(|&n| !scheme.nets[n].is_ground()));
        }
    }
    if is_clean { parts } else { BTreeSet::new() }
}

/// A part's pins that may be on the mains' side: all of one with two leads, the primary of a
/// transformer.
fn own(circuit: &Circuit, scheme: &Scheme, p: usize) -> Vec<usize> {
    use SymbolKind::*;
    match scheme.parts[p].kind {
        Resistor | Capacitor | Inductor | Choke | VoltageSource | Switch(_) => vec![0, 1],
        _ => primary(circuit, scheme, p),
    }
}

/// The pins of a mains transformer's primary, or of a coupled winding across the mains.
fn primary(circuit: &Circuit, scheme: &Scheme, p: usize) -> Vec<usize> {
    let part = &scheme.parts[p];
    match part.kind {
        SymbolKind::Transformer(windings) if *windings == MAINS => MAINS.left[0].to_vec(),
        SymbolKind::Inductor if is_fed(circuit, scheme, p) => vec![0, 1],
        _ => vec![],
    }
}

/// Volts at least that are the mains' and no signal's: 85 V rms (`analysis::mains`).
const MAINS_V: f64 = 120.0;

/// Whether an inductor is coupled to another one and fed from the mains, perhaps through fuses and
/// switches.
fn is_fed(circuit: &Circuit, scheme: &Scheme, p: usize) -> bool {
    let branch = |p: usize| circuit.branch_of(&circuit.elements[scheme.parts[p].element]);
    let coupled = |(a, b, _): &(_, _, f64)| Some(*a) == branch(p) || Some(*b) == branch(p);
    if !circuit.mutuals.iter().any(coupled) {
        return false;
    }
    let is_mains = |p: usize| {
        let kind = branch(p).map(|b| &circuit.branches[b.0].kind);
        let Some(BranchKind::Source(drive)) = kind else {
            return false;
        };
        matches!(drive.wave, Some(Wave::Sin { amplitude, freq_hz, .. })
            if amplitude.abs() >= MAINS_V && (40.0..=70.0).contains(&freq_hz))
    };
    let passes = |p: usize| {
        let kind = scheme.parts[p].kind;
        matches!(kind, SymbolKind::Resistor | SymbolKind::Switch(_))
    };
    let mut seen = BTreeSet::new();
    let mut waiting = scheme.parts[p].nets.clone();
    while let Some(net) = waiting.pop() {
        if scheme.nets[net].is_ground() || !seen.insert(net) {
            continue;
        }
        for &(q, _) in &scheme.nets[net].pins {
            if is_mains(q) {
                return true;
            }
            if passes(q) {
                waiting.extend(&scheme.parts[q].nets);
            }
        }
    }
    false
}
