//! Electrolytics the wrong way round, and rectifier valves that are asked for too much.

use super::finding::{Finding, REVERSED, show};
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::{Circuit, Element, Node, Piece};
use crate::device::role::DeviceRole;
use crate::measure::stress::REVERSED_V;
use crate::system::assemble::Assembly;

/// Electrolytics that are reversed. A comment on the line says that a capacitor is one
/// (`; electrolytic` or `; polar`); its first node is the plus.
pub(super) fn capacitors(assembly: &Assembly<'_>, x: &[f64]) -> Vec<Finding> {
    let circuit = assembly.circuit;
    let polar = circuit.elements.iter();
    let polar = polar.filter(|e| e.letter == 'C' && e.notes.polar);
    polar
        .filter_map(|e| {
            let volts = |node: Node| assembly.unknowns.voltage(x, node);
            let across = volts(e.terminals[0]) - volts(e.terminals[1]);
            (across < -REVERSED_V).then(|| Finding {
                subject: e.name.clone(),
                quantity: REVERSED,
                text: format!(
                    "reversed by {}: its plus is at `{}`",
                    show(-across, "V"),
                    circuit.nodes[e.terminals[0].0].name
                ),
                grave: true,
            })
        })
        .collect()
}

/// Ohms between a rectifier's cathode and what is still its first capacitor.
const WIRE: f64 = 20.0;

/// Rectifier valves with too large a reservoir, or too little resistance before their plates.
pub(super) fn rectifiers(
    assembly: &mut Assembly<'_>,
    x: &[f64],
    mains_hz: Option<f64>,
) -> Vec<Finding> {
    let circuit = assembly.circuit;
    let mut found = Vec::new();
    let all = circuit.elements.iter();
    for element in all.filter(|e| e.role() == Some(DeviceRole::RectifierValve)) {
        let Some((&cathode, plates)) = element.terminals.split_last() else {
            continue;
        };
        let limit = element.rating("reservoir");
        let farads = first_capacitor(circuit, cathode);
        if let Some(end) = idle_half(circuit, plates) {
            let text = format!(
                "both plates are at one end of the winding and nothing is at the other, `{}`: half \
                 of the winding is idle and the ripple has the frequency of the mains",
                circuit.nodes[end.0].name
            );
            found.push(Finding::of(element, ("direct current", text, false)));
        }
        let mut push = |quantity: &'static str, text: String| {
            found.push(Finding::of(element, (quantity, text, true)));
        };
        if let Some(limit) = limit.filter(|most| farads > most * 1.001) {
            push(
                "peak plate current",
                format!(
                    "the reservoir of {} is larger than the {} that it allows",
                    show(farads, "F"),
                    show(limit, "F")
                ),
            );
        }
        let least = element.needed("source resistance");
        let (Some(least), Some(hz), true) = (least, mains_hz, farads > 0.0) else {
            continue;
        };
        let ohms = plates
            .iter()
            .filter_map(|&plate| source_ohms(assembly, x, element, plate, hz))
            .fold(f64::INFINITY, f64::min);
        if ohms < 0.95 * least {
            push(
                "direct current",
                format!(
                    "each plate sees {} of winding, it needs {} or more",
                    show(ohms, "Ω"),
                    show(least, "Ω")
                ),
            );
        }
    }
    found
}

/// The end of a high-tension winding that leads nowhere, where both plates of a rectifier are at its
/// other end.
fn idle_half(circuit: &Circuit, plates: &[Node]) -> Option<Node> {
    let &[plate, second] = plates else {
        return None;
    };
    let all = circuit.elements.iter();
    let mut iron = all.filter(|e| e.role() == Some(DeviceRole::MainsTransformer));
    iron.find_map(|e| {
        let (ht1, ht2) = (e.terminal("ht1")?, e.terminal("ht2")?);
        let idle = match plate == second {
            true if plate == ht1 => ht2,
            true if plate == ht2 => ht1,
            _ => return None,
        };
        let ends = circuit.elements.iter().flat_map(|e| &e.terminals);
        (idle != Node::GROUND && ends.filter(|n| **n == idle).count() == 1).then_some(idle)
    })
}

/// All capacitance that the rectifier charges straight away.
fn first_capacitor(circuit: &Circuit, cathode: Node) -> f64 {
    let mut seen = vec![cathode];
    let mut next = 0;
    while let Some(&at) = seen.get(next) {
        next += 1;
        for r in circuit
            .resistances
            .iter()
            .filter(|r| (0.0..=WIRE).contains(&r.ohms))
        {
            for (a, b) in [(r.a, r.b), (r.b, r.a)] {
                if a == at && b != Node::GROUND && !seen.contains(&b) {
                    seen.push(b);
                }
            }
        }
    }
    let charged = circuit.capacitances.iter();
    charged
        .filter(|c| seen.contains(&c.a) != seen.contains(&c.b))
        .map(|c| c.farads)
        .sum()
}

/// The resistance that a rectifier's plate sees at the frequency of the mains, the rectifier out
/// of its socket: its winding, and the primary's share of it. Other diodes on the winding are taken out
/// too, for what they pass while they conduct is no winding.
fn source_ohms(
    assembly: &mut Assembly<'_>,
    x: &[f64],
    element: &Element,
    plate: Node,
    hz: f64,
) -> Option<f64> {
    let others = assembly.circuit.elements.iter();
    let others: Vec<&Element> = others
        .filter(|e| e.role() == Some(DeviceRole::Diode))
        .collect();
    let all = [&[element], &others[..]].concat();
    ohms_without(assembly, x, &all, plate, hz)
        // A node between two diodes may hang in the air without them.
        .or_else(|| ohms_without(assembly, x, &[element], plate, hz))
}

/// What a node sees to ground with some diodes taken out.
fn ohms_without(
    assembly: &mut Assembly<'_>,
    x: &[f64],
    out: &[&Element],
    plate: Node,
    hz: f64,
) -> Option<f64> {
    let ports = out.iter().flat_map(|e| &e.ports);
    let laws = ports.filter_map(|port| match port.piece {
        Piece::Law(law, _) => Some(law),
        _ => None,
    });
    let laws: Vec<usize> = laws.collect();
    let kept: Vec<bool> = laws.iter().map(|&law| assembly.unplugged[law]).collect();
    laws.iter().for_each(|&law| assembly.unplugged[law] = true);
    let mut small = SmallSignal::new(assembly, x);
    for (&law, kept) in laws.iter().zip(kept) {
        assembly.unplugged[law] = kept;
    }
    let mut at = small.at(hz).ok()?;
    Some(at.impedance(plate, Node::GROUND).re)
}
