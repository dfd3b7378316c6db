//! What a circuit has for a book to show: source, output, loudspeaker, knobs, feedback loops and
//! the points where a meter goes.

use super::super::common::Session;
use super::super::driven_source;
use super::super::failure::Failure;
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::bind::Timing;
use crate::circuit::{Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::figure::driven_source as drives;
use crate::math::fun;
use crate::measure::{chart, feedback, quiescent, stress};
use crate::parts::bottles;
use crate::system::assemble::{Assembly, Driven};
use crate::system::probe::{Observable, ProbeKind};
use std::collections::{HashMap, HashSet};

/// What was found.
pub struct Found {
    /// The netlist's title.
    pub title: String,
    /// The source that drives it, or why none is known.
    pub source: Result<String, String>,
    /// The output, `v(out)`, or why none is known.
    pub probe: Result<String, String>,
    /// A loudspeaker, or a resistor that stands for one, at the output.
    pub load: Option<String>,
    /// Of the sine that it is driven with, Hz.
    pub freq_hz: f64,
    /// Its peak: what drives the output to full clipping, or that of the source's own sine.
    pub level: Option<Level>,
    /// Whether it is fed from the mains.
    pub mains: bool,
    /// Where a meter goes, in the order of the form.
    pub points: Vec<Point>,
    /// Nodes that should read 0 V.
    pub still: Vec<String>,
    /// Valves that amplify.
    pub valves: Vec<String>,
    /// Pots.
    pub knobs: Vec<String>,
    /// Resistors that feed the output back, and their ohms.
    pub loops: Vec<(String, f64)>,
}

/// A level of the sine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Level {
    /// It drives the output valves to full clipping.
    Full(f64),
    /// It brings the grids of the output valves to their cathodes.
    Reached(f64),
    /// That of the source's own sine.
    Own(f64),
}

impl Level {
    /// Peak, V or A.
    pub fn peak(self) -> f64 {
        match self {
            Level::Full(level) | Level::Reached(level) | Level::Own(level) => level,
        }
    }
}

/// A row of the voltage chart. A point that carries both has a row for each.
pub struct Point {
    /// The node.
    pub node: String,
    /// Whether it is the AC of the point; else it is its DC.
    pub ac: bool,
    /// Sockets and electrodes.
    pub place: String,
}

/// Volts below which a point reads nothing.
const NOTHING: f64 = 1e-3;
/// DC below this part of the AC is not worth a row of its own.
const BESIDE_AC: f64 = 0.01;
/// Ohms of a load at most: more is a grid leak.
const LOAD: f64 = 100.0;
/// A return ratio below which the feedback of a resistor at the output is not worth a table.
const FEEDS_BACK: f64 = 0.1;
/// Ohms below which two points are one for a signal.
const CLOSED: f64 = 0.1;

/// Looks through a circuit.
///
/// # Errors
/// If it cannot be built, or has no operating point; if `--source` or `--probe` names nothing.
pub fn find(session: &mut Session<'_>) -> Result<Found, Failure> {
    let circuit = session.circuit(Timing::default())?;
    let source = source(session, &circuit)?;
    let output = output(session, &circuit)?;
    let (rest, mut assembly) = quiescent::solve(&circuit)?;
    let rows = rest.rows(&mut assembly, &[]);
    let alternating: HashMap<&str, f64> = (rows.iter())
        .filter(|r| r.quantity == "ac voltage")
        .map(|r| (r.subject.as_str(), r.value))
        .collect();
    let (mut points, mut still) = (Vec::new(), Vec::new());
    for (node, place) in places(&circuit) {
        let name = &circuit.nodes[node.0].name;
        let subject = format!("v({name})");
        let alternating = alternating.get(subject.as_str()).copied();
        let mean = (rows.iter()).find(|r| r.quantity == "voltage" && r.subject == subject);
        let volts = mean.map_or_else(|| assembly.unknowns.voltage(&rest.x, node), |r| r.value);
        let point = |ac| Point {
            node: name.clone(),
            ac,
            place: place.clone(),
        };
        let before = points.len();
        if volts.abs() >= NOTHING.max(BESIDE_AC * alternating.unwrap_or(0.0)) {
            points.push(point(false));
        }
        if alternating.is_some() {
            points.push(point(true));
        }
        if points.len() == before {
            still.push(name.clone());
        }
    }
    let own = source.as_ref().ok().and_then(|s| s.2);
    let freq_hz = stress::frequency(&circuit, own.map(|s| s.0));
    let mut level = own.map(|s| Level::Own(s.1));
    if let Ok((_, driven, _)) = source
        && let Some(full) = stress::full_level(&circuit, driven, freq_hz)?
    {
        // Beside the mains a state far in clipping takes a minute of processor and more, and tells
        // little that the one where clipping has begun does not.
        level = Some(if stress::has_mains(&circuit) {
            Level::Reached(rounded(full / stress::BEYOND))
        } else {
            Level::Full(rounded(full))
        });
    }
    let at = output.as_ref().ok().and_then(|o| o.nodes());
    let load = at.and_then(|at| load(&circuit, at));
    let loops = match at {
        Some((a, _)) => loops(&circuit, &mut assembly, &rest.x, a, freq_hz),
        None => vec![],
    };
    let named = |fits: &dyn Fn(&Element) -> bool| {
        let all = circuit.elements.iter().filter(|e| fits(e));
        all.map(|e| e.name.clone()).collect::<Vec<_>>()
    };
    Ok(Found {
        title: circuit.title.trim().to_string(),
        source: source.map(|s| s.0),
        probe: output.map(|o| o.label),
        load,
        freq_hz,
        level,
        mains: stress::has_mains(&circuit),
        points,
        still,
        valves: named(&|e| e.role() == Some(DeviceRole::Valve)),
        knobs: named(&|e| e.role() == Some(DeviceRole::Pot)),
        loops,
    })
}

/// Three digits: a level that can be set.
pub fn rounded(level: f64) -> f64 {
    format!("{level:.2e}").parse().unwrap_or(level)
}

/// Name, place and own sine of a source.
type Source = (String, Driven, Option<(f64, f64)>);

/// The source of `--source`; or the only one with an AC value, or with a wave that is not the
/// mains.
fn source(session: &Session<'_>, circuit: &Circuit) -> Result<Result<Source, String>, Failure> {
    let with = |name: String, driven, drive: &crate::device::source::Drive| {
        (name, driven, drives::own_sine(drive))
    };
    if session.text("source").is_some() {
        let (name, driven, drive) = driven_source::named(session, circuit, "")?;
        return Ok(Ok(with(name, driven, &drive)));
    }
    if let Some(found) = drives::find(circuit, None) {
        return Ok(Ok(with(found.name, found.driven, &found.drive)));
    }
    let mut waving = drives::sources(circuit);
    waving.retain(|s| s.drive.wave.is_some() && s.drive.mains_hz().is_none());
    Ok(match &waving[..] {
        [one] => Ok(with(one.name.clone(), one.driven, &one.drive)),
        _ => Err(
            "no source is marked as the input: write `AC 1` on its line, or give --source".into(),
        ),
    })
}

/// The output: `--probe`, or the last voltage on a `.print` line, or where a loudspeaker is, or
/// a node that is called so.
fn output(
    session: &mut Session<'_>,
    circuit: &Circuit,
) -> Result<Result<Observable, String>, Failure> {
    let typed = session.texts("probe").len();
    if typed > 1 {
        return Err(Failure::usage("book takes one `--probe`: the output").into());
    }
    let mut probes = session.probes(circuit, &["tran"])?;
    if probes.is_empty() {
        probes = session.probes(circuit, &["ac"])?;
    }
    probes.retain(|p| p.kind == ProbeKind::Voltage);
    if typed == 1 && probes.is_empty() {
        return Err(Failure::usage("the output is a voltage: expected `--probe v(...)`").into());
    }
    if let Some(probe) = probes.pop() {
        return Ok(Ok(probe));
    }
    let mut elements = circuit.elements.iter();
    let speaker = elements.find(|e| e.role() == Some(DeviceRole::Loudspeaker));
    let node = match speaker {
        Some(speaker) => speaker.terminals.first().copied(),
        None => ["out", "output", "speaker"]
            .iter()
            .find_map(|n| circuit.node(n)),
    };
    Ok(match node.filter(|n| *n != Node::GROUND) {
        Some(node) => Ok(Observable::voltage(circuit, node)),
        None => Err("no output is known: add a `.print tran v(out)` line, or give --probe".into()),
    })
}

/// Nodes that are one with a node for a signal: joined by closed switches.
fn joined(circuit: &Circuit, node: Node) -> HashSet<Node> {
    let mut group = HashSet::from([node]);
    loop {
        let near = circuit
            .resistances
            .iter()
            .filter(|r| r.ohms.abs() <= CLOSED);
        let other = near.filter_map(|r| match (group.contains(&r.a), group.contains(&r.b)) {
            (true, false) => Some(r.b),
            (false, true) => Some(r.a),
            _ => None,
        });
        let more: Vec<Node> = other.filter(|n| *n != Node::GROUND).collect();
        if more.is_empty() {
            return group;
        }
        group.extend(more);
    }
}

/// What takes the power at the output.
fn load(circuit: &Circuit, (a, b): (Node, Node)) -> Option<String> {
    let group = joined(circuit, a);
    let across = |e: &&Element| {
        let ends = (e.terminals.first(), e.terminals.get(1));
        let (Some(x), Some(y)) = ends else {
            return false;
        };
        (group.contains(x) && *y == b) || (group.contains(y) && *x == b)
    };
    let all = || circuit.elements.iter().filter(across);
    let speaker = all().find(|e| e.role() == Some(DeviceRole::Loudspeaker));
    let resistor =
        |e: &&Element| e.letter == 'R' && e.value.is_some_and(|v| v > CLOSED && v <= LOAD);
    speaker
        .or_else(|| all().find(resistor))
        .map(|e| e.name.clone())
}

/// Resistors from the output, or another winding of its transformer, back into the circuit, whose
/// loop has a gain worth the name.
fn loops(
    circuit: &Circuit,
    assembly: &mut Assembly<'_>,
    x: &[f64],
    output: Node,
    freq_hz: f64,
) -> Vec<(String, f64)> {
    let mut group = joined(circuit, output);
    for e in circuit.elements.iter() {
        if e.role() != Some(DeviceRole::OutputTransformer) {
            continue;
        }
        let names = e.kind.map_or(&[][..], |k| k.terminals);
        let taps = names.iter().zip(&e.terminals);
        let taps: Vec<Node> = taps
            .filter(|(name, node)| name.starts_with("tap") && **node != Node::GROUND)
            .map(|(_, node)| *node)
            .collect();
        if taps.iter().any(|t| group.contains(t)) {
            for tap in taps {
                group.extend(joined(circuit, tap));
            }
        }
    }
    let back = |e: &&Element| {
        let Some((a, b, _)) = feedback::resistance(circuit, e).filter(|_| e.letter == 'R') else {
            return false;
        };
        let leads = |from: Node, to: Node| {
            group.contains(&from) && !group.contains(&to) && to != Node::GROUND
        };
        leads(a, b) || leads(b, a)
    };
    let candidates: Vec<&Element> = circuit.elements.iter().filter(back).collect();
    let mut found = Vec::new();
    for element in candidates {
        let Some(probe) = feedback::probe(assembly, x, element) else {
            continue;
        };
        let mut small = SmallSignal::new(assembly, x);
        let Ok(ratio) = probe.ratio(&mut small, freq_hz) else {
            continue;
        };
        if fun::hypot(ratio.re, ratio.im) >= FEEDS_BACK {
            found.push((element.name.clone(), element.value.unwrap_or(f64::NAN)));
        }
    }
    found
}

/// Every node with the sockets and electrodes at it: those at valves first, in their order, then
/// the others in the netlist's.
fn places(circuit: &Circuit) -> Vec<(Node, String)> {
    let mut order: Vec<Node> = Vec::new();
    let mut at: Vec<Vec<String>> = vec![Vec::new(); circuit.nodes.len()];
    for element in circuit.elements.iter().filter(|e| chart::is_valve(e)) {
        let names = element.kind.map_or(&[][..], |k| k.terminals);
        for (terminal, &node) in names.iter().zip(&element.terminals) {
            if node == Node::GROUND {
                continue;
            }
            if !order.contains(&node) {
                order.push(node);
            }
            at[node.0].push(socket(element, names, terminal));
        }
    }
    for k in 1..circuit.nodes.len() {
        if !order.contains(&Node(k)) {
            order.push(Node(k));
        }
    }
    order.retain(|n| !circuit.nodes[n.0].inner);
    let described = |n: Node| (n, at[n.0].join(", "));
    order.into_iter().map(described).collect()
}

/// `V1 plate, pin 1 or 6`: which half is which the builder's layout says; where the base is not
/// known `XV1B plate`.
fn socket(element: &Element, terminals: &[&str], terminal: &str) -> String {
    let pins = || {
        let base = bottles::bottle(element)?.base;
        let sections = base.sections(terminals).into_iter();
        let mut pins: Vec<Vec<u8>> = sections.map(|s| base.of(s, terminal)).collect();
        pins.retain(|p| !p.is_empty());
        pins.sort();
        let joined = |p: &Vec<u8>| p.iter().map(u8::to_string).collect::<Vec<_>>().join("+");
        let pins: Vec<String> = pins.iter().map(joined).collect();
        (!pins.is_empty()).then(|| pins.join(" or "))
    };
    match pins() {
        Some(pins) => {
            let bottle = bottles::of_section(&element.name);
            format!("{bottle} {terminal}, pin {pins}")
        }
        None => format!("{} {terminal}", element.name),
    }
}
