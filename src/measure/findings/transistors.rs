//! Transistors that do not work: a gate or base that floats, a gate junction that conducts, a supply the wrong
//! way round.
//!
//! As with valves, a transistor's surroundings are judged from what they would do without it. The thresholds
//! are this project's own; they leave alone what is common practice: junction transistors as diodes, with
//! drain and source exchanged or as switches behind a diode, insulated gates that guard against a battery the
//! wrong way round.

use super::finding::{Finding, Judgement, show};
use crate::circuit::{Circuit, Element, Node};
use crate::device::role::{DeviceRole, Polarity};
use crate::measure::chart::is_transistor;
use crate::measure::grid_circuit::OPEN;
use crate::measure::impedance::{self, Resistances, SmallDirect};
use crate::measure::windings::into_terminal;
use crate::system::assemble::Assembly;
use crate::system::probe::{self, Moment};

/// Volts between drain and source without the transistor from which on it is supplied.
const SUPPLIED_V: f64 = 1.0;
/// Volts from which on a junction conducts, and the current that it then has at least, A.
const CONDUCTS: (f64, f64) = (0.3, 1e-9);
/// Volts that a depletion transistor has across it the wrong way round at least.
const DEPLETION_V: f64 = 0.05;
/// Current of a gate that is worth a word, and that which no working stage has at rest, A.
const GATE_A: (f64, f64) = (1e-6, 50e-6);

/// The findings about all transistors.
pub(super) fn findings(assembly: &mut Assembly<'_>, x: &[f64]) -> Vec<Finding> {
    let circuit = assembly.circuit;
    let all = || circuit.elements.iter().filter(|e| is_transistor(e));
    if all().next().is_none() {
        return Vec::new();
    }
    let floating: Vec<bool> = floating(assembly, x, all());
    let mut found = Vec::new();
    for (element, floats) in all().zip(floating) {
        let judgement = judge(assembly, x, element, floats);
        found.extend(judgement.map(|j| Finding::of(element, j)));
    }
    found
}

/// Whether nothing but the transistor itself fixes its gate or base. One that a diode leads to is held by
/// the transistor's leakage while the diode is off, as in the switches of effects.
fn floating<'c>(
    assembly: &mut Assembly<'c>,
    x: &[f64],
    transistors: impl Iterator<Item = &'c Element>,
) -> Vec<bool> {
    let circuit = assembly.circuit;
    let Some(lu) = impedance::factored(assembly, x) else {
        return transistors.map(|_| false).collect();
    };
    let laws = assembly.currents(x);
    let mut seen = Resistances::new(assembly, laws, &lu);
    let floats = |element: &Element| {
        let Some(&control) = element.terminals.get(1) else {
            return false;
        };
        if control == Node::GROUND || is_behind_diode(circuit, control) {
            return false;
        }
        // At a source there are none; where the transistor was all that fixed it, what is left is rounding.
        let alone = seen.between(control, control, &element.laws());
        alone.is_none_or(|ohms| !(-1.0..OPEN).contains(&ohms))
    };
    transistors.map(floats).collect()
}

fn is_behind_diode(circuit: &Circuit, node: Node) -> bool {
    let mut diodes = circuit.elements.iter();
    diodes.any(|e| e.role() == Some(DeviceRole::Diode) && e.terminals.contains(&node))
}

/// What is wrong with a transistor, if something is: the row it is about, in words, and whether it cannot be
/// right.
fn judge(
    assembly: &mut Assembly<'_>,
    x: &[f64],
    element: &Element,
    floats: bool,
) -> Option<Judgement> {
    let [first, control, last, ..] = element.terminals[..] else {
        return None;
    };
    let Some(DeviceRole::Transistor(polarity)) = element.role() else {
        return None;
    };
    let sign = if polarity == Polarity::N { 1.0 } else { -1.0 };
    let into = |assembly: &mut Assembly<'_>, terminal: usize| -> f64 {
        let moment = Moment {
            time: None,
            x,
            rates: None,
        };
        let ports = into_terminal(element, terminal);
        let each = ports.iter();
        each.map(|(port, turn)| sign * turn * probe::current(assembly, moment, port))
            .sum()
    };
    let (main, gate) = (into(assembly, 0), into(assembly, 1));
    // Volts as an n-channel or npn part has them.
    let volts = |assembly: &Assembly<'_>, node: Node| sign * assembly.unknowns.voltage(x, node);
    let [vd, vg, vs] = [first, control, last].map(|node| volts(assembly, node));
    let bipolar = element.letter == 'Q';
    let (from, to, word) = if bipolar {
        ("collector", "emitter", "base")
    } else {
        ("drain", "source", "gate")
    };
    let junction = element.letter == 'J';
    let conducts = junction && first != last && gate > CONDUCTS.1 && vg - vd.min(vs) > CONDUCTS.0;
    // A depletion part conducts either way, and guards against no battery.
    let depletion =
        element.letter == 'M' && element.parameter("vto").is_some_and(|v| sign * v < 0.0);
    let least = if depletion { DEPLETION_V } else { CONDUCTS.0 };
    let is_reversed = vd - vs < -least && main < -GATE_A.0;
    if !(floats || conducts || is_reversed) {
        return None;
    }
    let taken = [main, gate, -(main + gate)];
    let floating = |across: f64| {
        let text = format!(
            "its {word} floats: no resistor leads from it, so that leakage says where it stands; give it one to \
             ground or to the {to}"
        );
        (across.abs() > SUPPLIED_V).then_some((if bipolar { "vbe" } else { "vgs" }, text, true))
    };
    let Some((over, ohms)) = without(assembly, x, element, taken, sign) else {
        // Nothing at all is left to fix a floating base: the transistor is off, and has its supply across it.
        return floats.then(|| floating(vd - vs)).flatten();
    };
    let [over_drain, over_gate, over_source] = over;
    if floats && ohms.abs() >= OPEN {
        return floating(over_drain - over_source);
    }
    let reversed = over_drain < over_source - SUPPLIED_V;
    if reversed && (is_reversed && !junction || conducts) {
        let kind = match (bipolar, polarity) {
            (true, Polarity::N) => "an npn",
            (true, Polarity::P) => "a pnp",
            (false, Polarity::N) => "an n-channel",
            (false, Polarity::P) => "a p-channel",
        };
        let text = format!(
            "the supply is the wrong way round for {kind} transistor: its {from} is fed with {} to the {to}: is \
             the supply reversed, or are {from} and {to} exchanged?",
            show(sign * (over_drain - over_source), "V")
        );
        return Some((if bipolar { "vce" } else { "vds" }, text, true));
    }
    if !conducts || gate < GATE_A.0 {
        return None;
    }
    let draws = show(gate, "A");
    let exchanged = over_gate > over_drain + SUPPLIED_V;
    let text = if exchanged {
        format!("its gate junction conducts, {draws} at rest: are drain and gate exchanged?")
    } else {
        format!(
            "its gate junction conducts, {draws} at rest: the gate stands at {} to the source",
            show(sign * (vg - vs), "V")
        )
    };
    Some(("gate current", text, exchanged || gate > GATE_A.1))
}

/// Where drain, gate and source would stand without the transistor, as an n-channel part has volts; `taken`
/// is what flows into each. Then the ohms that its gate sees.
fn without(
    assembly: &mut Assembly<'_>,
    x: &[f64],
    element: &Element,
    taken: [f64; 3],
    sign: f64,
) -> Option<([f64; 3], f64)> {
    let mut small = SmallDirect::without(assembly, x, &element.laws()).ok()?;
    let volts = |node: Node| sign * assembly.unknowns.voltage(x, node);
    // Without it nothing drives its terminals beyond what stands in the circuit.
    let all = || (0..assembly.circuit.nodes.len()).map(|node| volts(Node(node)));
    let (lowest, highest) = (all().fold(0.0, f64::min), all().fold(0.0, f64::max));
    let nodes = [0, 1, 2].map(|k| element.terminals[k]);
    let ohms = nodes.map(|node| small.resistance(node, Node::GROUND));
    let alone = [0, 1, 2].map(|k| (volts(nodes[k]) + ohms[k] * taken[k]).clamp(lowest, highest));
    Some((alone, ohms[1]))
}
