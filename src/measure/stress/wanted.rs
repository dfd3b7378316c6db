//! Which figures of a part are watched, and what it stands.

use super::super::chart::{DERATING, transistor_watts};
use super::super::inverse;
use super::super::windings::{common_of, into_terminal, winding_name, windings};
use super::gauge::{Gauge, Read, Statistic};
use super::series::{InSeries, in_series};
use crate::circuit::{Branch, Circuit, Element, Node, Piece, Port, Sense, Sink};
use crate::device::Pin;
use crate::device::role::DeviceRole;

/// Volts that the body of a resistor withstands, by its watts (common practice, no published
/// source): 0.25 W 250 V, 0.5 W 350 V, 1 W and larger 500 V.
pub fn body_volts(watts: f64) -> f64 {
    match watts {
        w if w < 0.25 => 200.0,
        w if w < 0.5 => 250.0,
        w if w < 1.0 => 350.0,
        _ => 500.0,
    }
}

const W: &str = "W";
const V: &str = "V";
const A: &str = "A";

/// Volts of the wrong sign that an electrolytic stands without harm (common practice, no
/// published source).
pub const REVERSED_V: f64 = 1.0;

/// Meters on every part of a circuit, nothing read yet.
pub(super) fn gauge(circuit: &Circuit) -> Gauge {
    let mut gauge = Gauge::default();
    for (k, element) in circuit.elements.iter().enumerate() {
        of(&mut gauge, circuit, k, element);
    }
    gauge
}

/// Puts meters on a part.
fn of(gauge: &mut Gauge, circuit: &Circuit, k: usize, element: &Element) {
    match element.role() {
        Some(DeviceRole::Resistor) => resistor(gauge, k, element),
        Some(DeviceRole::Pot) => pot(gauge, circuit, k, element),
        Some(DeviceRole::Capacitor) => capacitor(gauge, circuit, k, element),
        Some(DeviceRole::VoltageSource | DeviceRole::CurrentSource) => source(gauge, k, element),
        Some(DeviceRole::Inductor) => winding(gauge, k, element, None),
        Some(DeviceRole::RectifierValve | DeviceRole::Diode) => rectifier(gauge, k, element),
        Some(DeviceRole::Toggle | DeviceRole::Switch) => switch(gauge, k, element),
        Some(DeviceRole::Transistor(_)) => transistor(gauge, k, element),
        Some(DeviceRole::Valve) => valve(gauge, k, element),
        Some(DeviceRole::Loudspeaker) => loudspeaker(gauge, k, element),
        _ if windings(element).next().is_some() => wound(gauge, circuit, k, element),
        _ => {}
    }
}

fn ends(element: &Element) -> Option<(Node, Node)> {
    match element.terminals[..] {
        [a, .., b] => Some((a, b)),
        _ => None,
    }
}

/// A resistor: heat, and the most across it.
fn resistor(gauge: &mut Gauge, k: usize, element: &Element) {
    let Some((a, b)) = ends(element) else { return };
    let heat = gauge.meter(Read::Power(element.ports.clone()));
    let across = gauge.meter(Read::Volts(a, b));
    let body = element.rated.map(body_volts);
    gauge.show(
        k,
        (heat, Statistic::Mean),
        ("driven dissipation", W),
        element.rated,
    );
    if element.letter == 'R' {
        let wanted = ("driven wattage needed", W);
        gauge.show(k, (heat, Statistic::Mean), wanted, element.rated);
        gauge.times(DERATING);
    }
    gauge.show(k, (across, Statistic::Peak), ("peak voltage", V), body);
    let through = gauge.meter(Read::Amperes(into_terminal(element, 0)));
    gauge.show(
        k,
        (through, Statistic::Rms),
        ("rms current", A),
        element.notes.fuse,
    );
}

/// A pot: heat, the most between any two of its lugs, and what its whole track would turn into heat
/// at the current of its busier half. The latter is what its rating is for: the watts of a pot hold
/// for all of its track, so that a part of it carries no more current than all of it may.
fn pot(gauge: &mut Gauge, circuit: &Circuit, k: usize, element: &Element) {
    let heat = gauge.meter(Read::Power(element.ports.clone()));
    let rated = element.rated;
    gauge.show(k, (heat, Statistic::Mean), ("driven dissipation", W), rated);
    let across = gauge.meter(Read::Widest(element.terminals.clone()));
    gauge.show(k, (across, Statistic::Peak), ("peak voltage", V), None);
    let ohms = |port: &&Port| match port.piece {
        Piece::Resistance(k) => circuit.resistances[k].ohms,
        _ => 0.0,
    };
    let whole: f64 = element.ports.iter().map(|p| ohms(&p)).sum();
    for port in element.ports.iter().filter(|p| ohms(p) > 0.0) {
        let track = gauge.meter(Read::Heated(vec![(*port, whole)]));
        gauge.show(k, (track, Statistic::Mean), ("track dissipation", W), rated);
    }
    let through = gauge.meter(Read::Amperes(into_terminal(element, 0)));
    gauge.show(k, (through, Statistic::Rms), ("rms current", A), None);
}

/// A loudspeaker: what it takes.
fn loudspeaker(gauge: &mut Gauge, k: usize, element: &Element) {
    let Some((a, b)) = ends(element) else { return };
    let taken = gauge.meter(Read::Taken(a, b, into_terminal(element, 0)));
    let rated = element.rated;
    gauge.show(
        k,
        (taken, Statistic::Mean),
        ("driven dissipation", W),
        rated,
    );
}

/// A capacitor: the most across it, ripple current, and, where it has a polarity, how far it is
/// reversed. Its first node is the plus.
fn capacitor(gauge: &mut Gauge, circuit: &Circuit, k: usize, element: &Element) {
    let Some((a, b)) = ends(element) else { return };
    let across = gauge.meter(Read::Volts(a, b));
    let through = gauge.meter(Read::Amperes(into_terminal(element, 0)));
    gauge.show(
        k,
        (across, Statistic::Peak),
        ("peak voltage", V),
        element.rated,
    );
    let ac = (across, Statistic::Alternating);
    gauge.show(k, ac, ("alternating voltage", V), None);
    gauge.show(
        k,
        (through, Statistic::Rms),
        ("ripple current", A),
        element.notes.ripple,
    );
    if let Some(InSeries { ends, share }) = in_series(circuit, element) {
        let both = gauge.meter(Read::Volts(ends.0, ends.1));
        let charging = ("charging voltage", V);
        gauge.show(k, (both, Statistic::Peak), charging, element.rated);
        gauge.times(share);
    }
    if element.notes.polar {
        let most = Some(REVERSED_V);
        gauge.show(
            k,
            (across, Statistic::Reverse),
            ("reverse voltage", V),
            most,
        );
    }
}

fn source(gauge: &mut Gauge, k: usize, element: &Element) {
    let through = gauge.meter(Read::Amperes(into_terminal(element, 0)));
    gauge.show(k, (through, Statistic::Rms), ("rms current", A), None);
    if let Some((a, b)) = ends(element) {
        let across = gauge.meter(Read::Volts(a, b));
        gauge.show(k, (across, Statistic::Rms), ("rms voltage", V), None);
    }
}

fn winding(gauge: &mut Gauge, k: usize, element: &Element, most: Option<f64>) {
    let through = gauge.meter(Read::Amperes(into_terminal(element, 0)));
    gauge.show(k, (through, Statistic::Rms), ("rms current", A), None);
    gauge.show(
        k,
        (through, Statistic::Mean),
        ("driven direct current", A),
        most,
    );
    if let Some((a, b)) = ends(element) {
        let across = gauge.meter(Read::Volts(a, b));
        gauge.show(k, (across, Statistic::Peak), ("peak voltage", V), None);
    }
}

/// A valve or semiconductor diode.
fn rectifier(gauge: &mut Gauge, k: usize, element: &Element) {
    let Some((&cathode, plates)) = element.terminals.split_last() else {
        return;
    };
    let valve = element.letter == 'X';
    let laws: Vec<(usize, usize)> = element.readings.iter().map(|r| (r.1, r.2)).collect();
    let all = gauge.meter(if valve {
        Read::Drawn(laws.clone())
    } else {
        Read::Amperes(into_terminal(element, 0))
    });
    gauge.show(
        k,
        (all, Statistic::Mean),
        ("driven direct current", A),
        element.rating("direct current"),
    );
    let peak = element.rating("peak plate current");
    if valve {
        for &law in &laws {
            let one = gauge.meter(Read::Drawn(vec![law]));
            gauge.show(k, (one, Statistic::Peak), ("peak current", A), peak);
        }
    } else {
        gauge.show(k, (all, Statistic::Peak), ("peak current", A), peak);
        let heat = gauge.meter(Read::Power(element.ports.clone()));
        let most = inverse::most_watts(element);
        gauge.show(k, (heat, Statistic::Mean), ("driven dissipation", W), most);
    }
    let most = inverse::most(element);
    for &plate in plates {
        let inverse = gauge.meter(Read::Volts(cathode, plate));
        gauge.show(
            k,
            (inverse, Statistic::Highest),
            ("peak inverse voltage", V),
            most,
        );
    }
    if valve {
        let over = gauge.meter(Read::Volts(cathode, element.heater));
        let most = element.rating("heater-cathode voltage");
        gauge.show(
            k,
            (over, Statistic::Peak),
            ("peak heater-cathode voltage", V),
            most,
        );
    }
}

fn switch(gauge: &mut Gauge, k: usize, element: &Element) {
    if let [a, b, ..] = element.terminals[..] {
        let across = gauge.meter(Read::Volts(a, b));
        gauge.show(
            k,
            (across, Statistic::Peak),
            ("peak voltage", V),
            element.rated,
        );
    }
    let through = gauge.meter(Read::Amperes(into_terminal(element, 0)));
    gauge.show(k, (through, Statistic::Rms), ("rms current", A), None);
}

fn transistor(gauge: &mut Gauge, k: usize, element: &Element) {
    let heat = gauge.meter(Read::Power(element.ports.clone()));
    gauge.show(
        k,
        (heat, Statistic::Mean),
        ("driven dissipation", W),
        transistor_watts(element),
    );
    let [a, control, b, ..] = element.terminals[..] else {
        return;
    };
    let current = ["collector current", "drain current"];
    let most = current.into_iter().find_map(|name| element.rating(name));
    let through = gauge.meter(Read::Amperes(into_terminal(element, 0)));
    gauge.show(
        k,
        (through, Statistic::Mean),
        ("driven direct current", A),
        most,
    );
    let pairs = [
        (a, b, ["vds", "vce"], "peak voltage"),
        (control, b, ["vgs", "vbe"], "peak control voltage"),
        (control, a, ["vgd", "vgd"], "peak gate-drain voltage"),
    ];
    // Only a junction transistor's gate has a rating towards its drain.
    for (from, to, names, quantity) in &pairs[..if element.letter == 'J' { 3 } else { 2 }] {
        let most = names.iter().find_map(|name| element.rating(name));
        let volts = gauge.meter(Read::Volts(*from, *to));
        gauge.show(k, (volts, Statistic::Peak), (quantity, V), most);
    }
}

/// A valve: heat of its electrodes, currents, and the volts that stand on it and its socket.
fn valve(gauge: &mut Gauge, k: usize, element: &Element) {
    let Some(cathode) = element.terminal("cathode") else {
        return;
    };
    let reading = |name: &str| {
        let found = element.readings.iter().find(|r| r.0.name == name);
        found.map(|r| (r.1, r.2))
    };
    for (electrode, current, quantity, rating) in [
        (
            "plate",
            "plate current",
            "driven plate dissipation",
            "plate dissipation",
        ),
        (
            "screen",
            "screen current",
            "driven screen dissipation",
            "screen dissipation",
        ),
        (
            "grid",
            "grid current",
            "driven grid dissipation",
            "grid dissipation",
        ),
    ] {
        if let (Some(node), Some(law)) = (element.terminal(electrode), reading(current)) {
            let heat = gauge.meter(Read::Heat(node, cathode, vec![law]));
            gauge.show(
                k,
                (heat, Statistic::Mean),
                (quantity, W),
                element.rating(rating),
            );
        }
    }
    let laws = element.readings.iter().map(|r| (r.1, r.2)).collect();
    let all = gauge.meter(Read::Drawn(laws));
    gauge.show(
        k,
        (all, Statistic::Mean),
        ("driven cathode current", A),
        element.rating("cathode current"),
    );
    gauge.show(
        k,
        (all, Statistic::Peak),
        ("peak cathode current", A),
        element.rating("peak cathode current"),
    );
    for (electrode, [steady, rating], quantity) in [
        (
            "plate",
            ["driven plate voltage", "plate voltage"],
            "peak plate voltage",
        ),
        (
            "screen",
            ["driven screen voltage", "screen voltage"],
            "peak screen voltage",
        ),
    ] {
        if let Some(node) = element.terminal(electrode) {
            let across = gauge.meter(Read::Volts(node, cathode));
            let most = element.rating(rating);
            gauge.show(k, (across, Statistic::Mean), (steady, V), most);
            gauge.when_warm();
            gauge.show(
                k,
                (across, Statistic::Highest),
                (quantity, V),
                element.rating(quantity),
            );
        }
    }
    let over = gauge.meter(Read::Volts(cathode, element.heater));
    gauge.show(
        k,
        (over, Statistic::Peak),
        ("peak heater-cathode voltage", V),
        element.rating("heater-cathode voltage"),
    );
    let mut pins = element.terminals.clone();
    pins.push(element.heater);
    let socket = gauge.meter(Read::Widest(pins));
    gauge.show(
        k,
        (socket, Statistic::Highest),
        ("peak socket voltage", V),
        None,
    );
}

/// A transformer or choke: every winding by its ends.
fn wound(gauge: &mut Gauge, circuit: &Circuit, k: usize, element: &Element) {
    let copper = gauge.meter(Read::Heated(copper(circuit, element)));
    gauge.show(
        k,
        (copper, Statistic::Mean),
        ("driven dissipation", W),
        None,
    );
    if element.role() == Some(DeviceRole::Choke) {
        winding(gauge, k, element, element.rating("direct current"));
        return;
    }
    let ports: Vec<_> = windings(element).copied().collect();
    for port in ports {
        let Some(name) = winding_name(element, &port) else {
            continue;
        };
        let through = gauge.meter(Read::Amperes(vec![(port, name.sign)]));
        gauge.show(
            k,
            (through, Statistic::Rms),
            (name.rms, A),
            element.rating(name.rms),
        );
        if let Some(direct) = name.direct {
            gauge.show(
                k,
                (through, Statistic::Mean),
                (direct, A),
                element.rating(direct),
            );
        }
    }
    if let Some(power) = delivered(element) {
        let watts = gauge.meter(power);
        gauge.show(
            k,
            (watts, Statistic::Mean),
            ("power delivered", W),
            element.rating("power delivered"),
        );
    }
    let ends =
        |(a, b): (usize, usize)| Some((*element.terminals.get(a)?, *element.terminals.get(b)?));
    if let Some((a, b)) = across(element).and_then(ends) {
        let across = gauge.meter(Read::Volts(a, b));
        gauge.show(k, (across, Statistic::Peak), ("peak voltage", V), None);
    }
}

/// Each winding and the ohms of its wire.
fn copper(circuit: &Circuit, element: &Element) -> Vec<(Port, f64)> {
    let ohms = |branch: usize| -> f64 {
        let own = circuit.gains.iter().filter(|g| {
            let (sense, sink) = (Sense::Current(Branch(branch)), Sink::Branch(Branch(branch)));
            g.sense == sense && g.sink == sink
        });
        own.map(|g| g.gain).sum()
    };
    let wound = windings(element).filter_map(|port| match port.piece {
        Piece::Branch(k) => Some((*port, ohms(k))),
        _ => None,
    });
    wound.collect()
}

/// What an output transformer gives to all that is connected to its taps: the volts of each section of
/// the secondary times its current, taken backwards.
fn delivered(element: &Element) -> Option<Read> {
    let common = common_of(element)?;
    let secondary = windings(element).filter(|p| {
        let inside = |pin: Pin| matches!(pin, Pin::T(n) if n >= common);
        inside(p.from) && inside(p.to)
    });
    let turned = secondary.map(|p| {
        let mut port = *p;
        debug_assert!(matches!(port.piece, Piece::Branch(_)));
        // Volts the other way round: power that leaves counts as positive.
        port.nodes = (port.nodes.1, port.nodes.0);
        port
    });
    Some(Read::Power(turned.collect()))
}

/// A pair of terminals whose volts are watched: the whole of the winding on the plates' or the
/// rectifier's side.
fn across(element: &Element) -> Option<(usize, usize)> {
    let pairs = [("plate1", "plate2"), ("plate", "supply"), ("ht1", "ht2")];
    pairs
        .into_iter()
        .find_map(|(a, b)| Some((element.place(a)?, element.place(b)?)))
}
