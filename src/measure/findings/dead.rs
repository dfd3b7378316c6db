//! Rectifiers that are fed and deliver nothing: a winding without a return.

use super::finding::{Finding, show};
use crate::analysis::periodic::Cycle;
use crate::circuit::{Branch, Circuit, Element, Node, Piece};
use crate::device::role::DeviceRole;
use crate::measure::grid_circuit::OPEN;
use crate::measure::groups::Groups;
use crate::measure::quiescent::{self, AtRest, Quiescent};
use crate::system::assemble::Assembly;
use std::f64::consts::SQRT_2;

/// How what is said of a dead rectifier begins.
const DELIVERS_NOTHING: &str = "delivers nothing";

/// Whether a finding says that a rectifier on a live winding delivers nothing.
pub fn is_dead(finding: &Finding) -> bool {
    finding.grave && finding.text.starts_with(DELIVERS_NOTHING)
}

/// A winding is live from this on, V rms.
const LIVE: f64 = 3.0;
/// Part of the winding's crest below which nothing stands behind its rectifiers.
const EMPTY: f64 = 0.05;
/// What they deliver at most, A: a short draws more.
const NOTHING: f64 = 1e-3;
/// Volts that a meter shows.
const SEEN: f64 = 1e-3;
/// Fuses and surge resistors between winding, rectifier and reservoir have no more, ohm (common practice, no
/// published source).
const WIRE: f64 = 1e3;
/// A capacitor of this size returns a rectifier's current, as in a doubler, F; smaller ones keep noise away.
const RETURNS: f64 = 1e-6;
/// Rectifiers in series, at most.
const SERIES: usize = 10;

/// Supplies that are dead though their windings are not, on a mains cycle.
pub fn dead(assembly: &mut Assembly<'_>, rest: &Quiescent) -> Vec<Finding> {
    let AtRest::Cycle(_, cycle) = &rest.found else {
        return Vec::new();
    };
    let circuit = assembly.circuit;
    let windings = live(assembly, cycle);
    let wires = circuit.resistances.iter();
    let wires = wires.filter(|r| (0.0..=WIRE).contains(&r.ohms));
    let wires: Vec<_> = wires.map(|r| (r.a, r.b)).collect();
    let ends = windings.iter().map(|w| (w.0, w.1));
    let fed = Groups::new(circuit, ends.chain(wires.iter().copied()));
    // The greatest volts at each group.
    let volts_at = |node: Node| {
        let own = fed.of(node);
        let ends = windings.iter().filter(|w| {
            let is_own = |end: Node| end != Node::GROUND && fed.of(end) == own;
            is_own(w.0) || is_own(w.1)
        });
        ends.map(|w| w.2).reduce(f64::max)
    };
    let behind = Groups::new(circuit, wires.iter().copied());
    let mut found: Vec<(usize, Finding)> = Vec::new();
    let mut alive: Vec<usize> = Vec::new();
    for element in circuit.elements.iter().filter(|e| rectifies(e)) {
        let Some((&cathode, plates)) = element.terminals.split_last() else {
            continue;
        };
        let at_plates = plates.iter().filter_map(|&p| volts_at(p)).reduce(f64::max);
        let (rms, outside) = match (at_plates, volts_at(cathode)) {
            (Some(rms), None) => (rms, beyond(circuit, cathode, true)),
            (None, Some(rms)) => (rms, beyond(circuit, plates[0], false)),
            _ => continue,
        };
        let key = behind.of(outside);
        if outside == Node::GROUND {
            continue;
        }
        let volts = assembly.unknowns.voltage(&rest.x, outside);
        let mut amperes = 0.0;
        for reading in cycle.round() {
            let all = quiescent::rectified(assembly, reading.moment(), element);
            amperes += reading.weight * all.iter().sum::<f64>();
        }
        if volts.abs() > EMPTY * SQRT_2 * rms || amperes.abs() > NOTHING {
            alive.push(key);
            continue;
        }
        if found.iter().any(|f| f.0 == key) {
            continue;
        }
        // A bleeder, or a meter, across an open switch returns no current that counts.
        let off = |most_ohm: f64| {
            let way = |closed| returns(circuit, element, (closed, most_ohm));
            !way(false) && way(true)
        };
        let is_off = off(SQRT_2 * rms / NOTHING) || off(OPEN);
        let square = cycle.average(|instant| {
            let now = assembly.unknowns.voltage(&instant.x, outside);
            (now - volts).powi(2)
        });
        let ac = match square.sqrt() {
            ac if ac >= LIVE => format!(" and {} AC", show(ac, "V")),
            _ => String::new(),
        };
        let stands = format!(
            "its winding gives {} AC, and `{}` stands at {} DC{ac}",
            show(rms, "V"),
            circuit.nodes[outside.0].name,
            show(if volts.abs() < SEEN { 0.0 } else { volts }, "V"),
        );
        let text = if is_off {
            format!(
                "{DELIVERS_NOTHING} while switched off: an open switch is in the way of its winding's current; {stands}"
            )
        } else {
            format!(
                "{DELIVERS_NOTHING}: {stands}; is the other end of the winding, or its centre tap, connected?"
            )
        };
        let finding = Finding {
            subject: element.name.clone(),
            quantity: "direct current",
            text,
            grave: !is_off,
        };
        found.push((key, finding));
    }
    let dead = found.into_iter().filter(|f| !alive.contains(&f.0));
    dead.map(|f| f.1).collect()
}

fn rectifies(element: &Element) -> bool {
    element.role().is_some_and(DeviceRole::rectifies)
}

/// Windings that carry alternating volts: those of mains transformers, and coupled inductors. Both ends, and V rms.
fn live(assembly: &Assembly<'_>, cycle: &Cycle) -> Vec<(Node, Node, f64)> {
    let circuit = assembly.circuit;
    let all = circuit.elements.iter();
    let iron = all.filter(|e| e.role() == Some(DeviceRole::MainsTransformer));
    let wound = iron.flat_map(|e| &e.ports).filter_map(|p| match p.piece {
        Piece::Branch(k) => Some(k),
        _ => None,
    });
    let coupled = circuit.mutuals.iter();
    let coupled = coupled.flat_map(|&(Branch(a), Branch(b), _)| [a, b]);
    let mut branches: Vec<usize> = wound.chain(coupled).collect();
    branches.sort_unstable();
    branches.dedup();
    let measured = branches.into_iter().map(|k| {
        let (a, b) = (circuit.branches[k].a, circuit.branches[k].b);
        let square = cycle.average(|instant| {
            let volts = |node: Node| assembly.unknowns.voltage(&instant.x, node);
            (volts(a) - volts(b)).powi(2)
        });
        (a, b, square.sqrt())
    });
    measured.filter(|w| w.2 >= LIVE).collect()
}

/// The node behind a rectifier, past all that are in series with it and what shares out their volts.
fn beyond(circuit: &Circuit, from: Node, forward: bool) -> Node {
    let ends = |e: &Element| {
        (
            e.terminals.iter().min().copied(),
            e.terminals.iter().max().copied(),
        )
    };
    let shares = |e: &Element| {
        let mut all = circuit.elements.iter();
        !rectifies(e) && all.any(|d| rectifies(d) && ends(d) == ends(e))
    };
    let mut at = from;
    for _ in 0..SERIES {
        let here = circuit.elements.iter();
        let here = here.filter(|e| e.terminals.contains(&at) && !shares(e));
        let mut next = None;
        for element in here {
            let [plate, cathode] = element.terminals[..] else {
                return at;
            };
            if !rectifies(element) {
                return at;
            }
            let (near, far) = if forward {
                (plate, cathode)
            } else {
                (cathode, plate)
            };
            if near == at {
                next = Some(far);
            }
        }
        match next {
            Some(far) => at = far,
            None => return at,
        }
    }
    at
}

/// Whether direct current, or that into a reservoir, finds a way from a rectifier's cathode back to its plates,
/// through resistances below one; with every switch closed, or as they stand.
fn returns(circuit: &Circuit, element: &Element, (closed, most_ohm): (bool, f64)) -> bool {
    let Some((&cathode, plates)) = element.terminals.split_last() else {
        return false;
    };
    let resistances = circuit.resistances.iter();
    let resistances = resistances.filter(|r| r.ohms.abs() < most_ohm);
    let capacitances = circuit.capacitances.iter().filter(|c| c.farads >= RETURNS);
    let mut ways: Vec<(Node, Node)> = resistances
        .map(|r| (r.a, r.b))
        .chain(capacitances.map(|c| (c.a, c.b)))
        .chain(circuit.branches.iter().map(|b| (b.a, b.b)))
        .collect();
    if closed {
        let all = circuit.elements.iter();
        let switches = all.filter(|e| e.role() == Some(DeviceRole::Toggle));
        ways.extend(switches.filter_map(|e| match e.terminals[..] {
            [a, b] => Some((a, b)),
            _ => None,
        }));
    }
    let back: Vec<_> = ways.iter().map(|&(a, b)| (b, a)).collect();
    ways.extend(back);
    for other in circuit.elements.iter().filter(|e| rectifies(e)) {
        if let Some((&to, from)) = other.terminals.split_last() {
            ways.extend(from.iter().map(|&from| (from, to)));
        }
    }
    let mut seen = vec![false; circuit.nodes.len()];
    let mut open = vec![cathode];
    seen[cathode.0] = true;
    while let Some(at) = open.pop() {
        for &(_, to) in ways.iter().filter(|way| way.0 == at) {
            if !std::mem::replace(&mut seen[to.0], true) {
                open.push(to);
            }
        }
    }
    plates.iter().any(|plate| seen[plate.0])
}
