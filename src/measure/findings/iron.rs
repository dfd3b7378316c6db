//! Output transformers without a load, and taps that are tied to ground.

use super::finding::{Finding, MISMATCH, NO_LOAD, show};
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::{Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::measure::windings::common_of;
use crate::system::assemble::Assembly;

/// A tap's load is at most this many times what the last tap is for, ohm: a feedback network is none.
const LOAD: f64 = 200.0;

/// Taps that share the secondary's common node: the winding between them is shorted.
pub(super) fn taps(circuit: &Circuit) -> Vec<Finding> {
    let mut found = Vec::new();
    for (element, common) in transformers(circuit) {
        let names = element.kind.map_or(&[][..], |k| k.terminals);
        for k in common + 1..element.terminals.len() {
            let node = element.terminals[k];
            let first = (common..k).find(|&j| element.terminals[j] == node);
            if let Some(first) = first {
                let at = match node {
                    Node::GROUND => "ground".to_string(),
                    _ => format!("`{}`", circuit.nodes[node.0].name),
                };
                found.push(Finding {
                    subject: element.name.clone(),
                    quantity: "secondary",
                    text: format!(
                        "`{}` and `{}` are both tied to {at}: the winding between them is \
                         shorted; give an unused tap a node of its own",
                        names[first], names[k]
                    ),
                    grave: true,
                });
            }
        }
    }
    found
}

/// Output transformers that nothing loads: without a signal a note, with one a fault.
pub fn unloaded(circuit: &Circuit) -> Vec<Finding> {
    transformers(circuit)
        .filter(|(element, common)| !is_loaded(circuit, element, *common))
        .map(|(element, _)| Finding {
            subject: element.name.clone(),
            quantity: NO_LOAD,
            text: "no load on its taps: never play into it like this".to_string(),
            grave: false,
        })
        .collect()
}

/// Loads that are not what a transformer is made for. The impedance that the plates see is found without the
/// valves; 0.6 to 1.6 times that of the model is what loudspeakers leave of their nominal value.
pub(super) fn loads(assembly: &mut Assembly<'_>, x: &[f64]) -> Vec<Finding> {
    let circuit = assembly.circuit;
    let mut found = Vec::new();
    for (element, common) in transformers(circuit) {
        let made_for = element.needed("primary impedance");
        let Some(made_for) = made_for.filter(|_| is_loaded(circuit, element, common)) else {
            continue;
        };
        let Some(ohms) = seen_by_plates(assembly, x, element) else {
            continue;
        };
        let part = ohms / made_for;
        if MATCHED.contains(&part) {
            continue;
        }
        let (quantity, word) = match part {
            _ if BEARABLE.contains(&part) => (MISMATCH, "is the loudspeaker on the right tap?"),
            _ if part > 1.0 => (NO_LOAD, "hardly a load: never play into it like this"),
            _ => (NO_LOAD, "nearly a short: never play into it like this"),
        };
        found.push(Finding {
            subject: element.name.clone(),
            quantity,
            text: format!(
                "its load gives the plates {} in place of {}: {word}",
                show(ohms, "Ω"),
                show(made_for, "Ω")
            ),
            grave: false,
        });
    }
    found
}

/// What plates may see, as a part of the model's impedance: as it should be, and without harm at full output
/// (common practice, no published source).
const MATCHED: std::ops::RangeInclusive<f64> = 0.6..=1.6;
const BEARABLE: std::ops::RangeInclusive<f64> = 0.4..=2.5;
/// Where loudspeakers are near their nominal impedance, Hz.
const NOMINAL_HZ: f64 = 400.0;

/// What the ends of a primary see with all valves out of their sockets, ohm.
fn seen_by_plates(assembly: &mut Assembly<'_>, x: &[f64], element: &Element) -> Option<f64> {
    let ends = [("plate1", "plate2"), ("plate", "supply")];
    let (a, b) = ends
        .into_iter()
        .find_map(|(a, b)| Some((element.terminal(a)?, element.terminal(b)?)))?;
    let valves = assembly.circuit.elements.iter().filter(|e| e.is_valve());
    let laws: Vec<usize> = valves
        .flat_map(|e| e.readings.iter().map(|r| r.1))
        .collect();
    let kept = assembly.unplugged.clone();
    laws.iter().for_each(|&law| assembly.unplugged[law] = true);
    let mut small = SmallSignal::new(assembly, x);
    assembly.unplugged = kept;
    let mut at = small.at(NOMINAL_HZ).ok()?;
    let seen = at.impedance(a, b);
    Some(seen.norm()).filter(|ohms| ohms.is_finite())
}

/// The resistances of what loads output transformers, by number: voice coils, and resistors from
/// tap to tap.
pub(super) fn load_resistances(circuit: &Circuit) -> Vec<usize> {
    let secondaries: Vec<&[Node]> = transformers(circuit)
        .map(|(element, common)| &element.terminals[common..])
        .collect();
    let is_load = |e: &&Element| match e.role() {
        Some(DeviceRole::Loudspeaker) => !secondaries.is_empty(),
        Some(DeviceRole::Resistor) => {
            let across = |ends: &&[Node]| e.terminals.iter().all(|n| ends.contains(n));
            e.value.is_some_and(|ohms| ohms <= LOAD) && secondaries.iter().any(across)
        }
        _ => false,
    };
    let loads = circuit.elements.iter().filter(is_load);
    // A voice coil's wire stands first.
    loads.filter_map(|e| e.resistances().next()).collect()
}

fn transformers(circuit: &Circuit) -> impl Iterator<Item = (&Element, usize)> {
    let all = circuit.elements.iter();
    all.filter_map(|e| Some((e, common_of(e)?)))
}

/// Whether a few ohms lead from a tap to another, or to the common node, outside of the
/// transformer.
fn is_loaded(circuit: &Circuit, element: &Element, common: usize) -> bool {
    let ends: Vec<Node> = element.terminals[common..].to_vec();
    let own: Vec<usize> = element
        .ports
        .iter()
        .filter_map(|p| match p.piece {
            crate::circuit::Piece::Branch(k) => Some(k),
            _ => None,
        })
        .collect();
    (1..ends.len()).any(|from| {
        let paths = paths(circuit, ends[from], &own);
        let reached = |node: Node| paths.iter().any(|&(n, ohms)| n == node && ohms <= LOAD);
        ends.iter().any(|&end| end != ends[from] && reached(end))
    })
}

/// Every node that resistances and windings lead to, and by how many ohms at least.
fn paths(circuit: &Circuit, from: Node, except: &[usize]) -> Vec<(Node, f64)> {
    let mut best = vec![f64::INFINITY; circuit.nodes.len()];
    best[from.0] = 0.0;
    let mut moved = true;
    while moved {
        moved = false;
        let mut relax = |a: Node, b: Node, ohms: f64| {
            for (a, b) in [(a, b), (b, a)] {
                if best[a.0] + ohms < best[b.0] - 1e-9 && best[a.0] + ohms <= LOAD {
                    best[b.0] = best[a.0] + ohms;
                    moved = true;
                }
            }
        };
        for r in circuit
            .resistances
            .iter()
            .filter(|r| r.ohms >= 0.0 && r.ohms <= LOAD)
        {
            relax(r.a, r.b, r.ohms);
        }
        for (_, branch) in circuit
            .branches
            .iter()
            .enumerate()
            .filter(|(k, _)| !except.contains(k))
        {
            relax(branch.a, branch.b, 0.0);
        }
    }
    let all = best.into_iter().enumerate();
    all.filter(|(_, ohms)| ohms.is_finite())
        .map(|(node, ohms)| (Node(node), ohms))
        .collect()
}
