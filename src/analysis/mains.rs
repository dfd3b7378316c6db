//! The mains of a circuit, and where the search for a supply's steady state begins.
//!
//! Where sines of the mains reach a rectifier, a DC operating point says nothing of the supply:
//! at t = 0 the mains are zero and every reservoir is empty. What a meter shows is the average
//! over a cycle once the cycle repeats itself; `periodic::cycle` finds it, started from here.

use super::{NoSolution, operating_point};
use crate::circuit::{Branch, BranchKind, Circuit, Element, Node};
use crate::device::source::{Drive, Wave};
use crate::system::assemble::{Ask, Assembly, Driven};
use std::collections::BTreeSet;
use std::f64::consts::TAU;
use std::ops::RangeInclusive;

/// Frequencies that mains have, Hz.
const MAINS_HZ: RangeInclusive<f64> = 40.0..=70.0;
/// Resistances above this feed no supply, ohm.
const FEEDS: f64 = 100e3;
/// The least capacitance that makes a reservoir, F: no clipper of a signal has one.
const RESERVOIR: f64 = 0.5e-6;
/// The sources that bring in the mains.
#[derive(Debug, Clone, PartialEq)]
pub struct Mains {
    /// Their frequency.
    pub freq_hz: f64,
    /// Sines of that frequency that reach a rectifier with a reservoir behind it.
    pub sources: Vec<Driven>,
}

/// The mains of a circuit, if it has a supply that is fed from them: sines without a DC value
/// of their own, of 40 to 70 Hz, which reach a rectifier through wires, windings and small
/// resistances, with a reservoir behind it. Of several frequencies the first counts.
pub fn find(circuit: &Circuit) -> Option<Mains> {
    let mut mains: Option<Mains> = None;
    let graph = Conductors::new(circuit);
    for (k, branch) in circuit.branches.iter().enumerate() {
        let BranchKind::Source(drive) = &branch.kind else {
            continue;
        };
        let Some(freq_hz) = mains_sine(drive) else {
            continue;
        };
        if mains.as_ref().is_some_and(|m| m.freq_hz != freq_hz) {
            continue;
        }
        let reached = graph.reach([branch.a, branch.b]);
        if feeds_a_reservoir(circuit, &graph, &reached) {
            let found = mains.get_or_insert(Mains {
                freq_hz,
                sources: Vec::new(),
            });
            found.sources.push(Driven::Voltage(k));
        }
    }
    mains
}

/// The frequency of a sine that may be the mains. A DC value of its own is a builder's way to
/// say what the source is worth at rest, and is taken at its word.
fn mains_sine(drive: &Drive) -> Option<f64> {
    match drive.wave {
        Some(Wave::Sin {
            amplitude,
            freq_hz,
            damping,
            ..
        }) if !drive.says_dc && amplitude != 0.0 && damping == 0.0 => {
            MAINS_HZ.contains(&freq_hz).then_some(freq_hz)
        }
        _ => None,
    }
}

/// What carries a supply's current: nodes joined by small resistances and windings.
struct Conductors {
    joined: Vec<Vec<usize>>,
}

impl Conductors {
    fn new(circuit: &Circuit) -> Self {
        let mut joined = vec![Vec::new(); circuit.nodes.len()];
        let mut join = |a: Node, b: Node| {
            joined[a.0].push(b.0);
            joined[b.0].push(a.0);
        };
        for r in circuit.resistances.iter().filter(|r| r.ohms.abs() < FEEDS) {
            join(r.a, r.b);
        }
        let carries = |b: &Branch| !matches!(circuit.branches[b.0].kind, BranchKind::Source(_));
        for branch in (0..circuit.branches.len()).map(Branch).filter(carries) {
            join(circuit.branches[branch.0].a, circuit.branches[branch.0].b);
        }
        for &(a, b, _) in &circuit.mutuals {
            join(circuit.branches[a.0].a, circuit.branches[b.0].a);
            join(circuit.branches[a.0].b, circuit.branches[b.0].b);
        }
        // A device's windings share their core.
        for element in circuit.elements.iter().filter(|e| e.kind.is_some()) {
            if circuit.branch_of(element).is_some() {
                // Ground among them joins nothing: a primary's end there is no way to it.
                let live: Vec<Node> = element
                    .terminals
                    .iter()
                    .copied()
                    .filter(|n| n.0 != 0)
                    .collect();
                for pair in live.windows(2) {
                    join(pair[0], pair[1]);
                }
            }
        }
        Conductors { joined }
    }

    /// All nodes to be reached without passing ground.
    fn reach(&self, from: impl IntoIterator<Item = Node>) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        let mut open: Vec<usize> = from.into_iter().map(|n| n.0).collect();
        while let Some(node) = open.pop() {
            if node != 0 && found.insert(node) {
                open.extend(&self.joined[node]);
            }
        }
        found
    }
}

fn feeds_a_reservoir(circuit: &Circuit, graph: &Conductors, fed: &BTreeSet<usize>) -> bool {
    let is_rectifier = |e: &&Element| e.kind.is_some_and(|k| matches!(k.name, "d" | "rectifier"));
    circuit.elements.iter().filter(is_rectifier).any(|e| {
        let (inside, outside): (Vec<Node>, Vec<Node>) =
            e.terminals.iter().partition(|n| fed.contains(&n.0));
        let behind = graph.reach(outside);
        !inside.is_empty()
            && behind.is_disjoint(fed)
            && circuit
                .capacitances
                .iter()
                .filter(|c| c.farads >= RESERVOIR)
                .any(|c| behind.contains(&c.a.0) || behind.contains(&c.b.0))
    })
}

/// The inner nodes of mains transformers: volts of the primary's turns, and their flux.
fn cores(circuit: &Circuit) -> Vec<(Node, Node)> {
    let transformers = circuit.elements.iter();
    let transformers = transformers.filter(|e| e.kind.is_some_and(|k| k.name == "mains"));
    let inner = |name: String| circuit.nodes.iter().position(|n| n.inner && n.name == name);
    transformers
        .filter_map(|e| {
            let core = inner(format!("{}#1", e.name))?;
            Some((Node(core), Node(inner(format!("{}#2", e.name))?)))
        })
        .collect()
}

/// Where the search for a cycle begins.
#[derive(Debug)]
pub struct Guess {
    /// Unknowns, `[n]`.
    pub x: Vec<f64>,
    /// Charges, `[n]`.
    pub charge: Vec<f64>,
}

/// A supply nearly as full as it will be. `assembly.moving` names the mains.
///
/// # Errors
/// If there is no operating point with the mains at their crest, and none without them.
pub fn guess(assembly: &mut Assembly<'_>, freq_hz: f64) -> Result<Guess, Box<NoSolution>> {
    let period_s = 1.0 / freq_hz;
    // Held at their crest the mains leave a supply nearly as full as it will be; the flux of a
    // mains transformer is nothing then. Where that cannot be solved, or where coupled
    // inductors pass no direct current, it fills up anew.
    let crest = Ask::at(0.25 * period_s);
    let cores = cores(assembly.circuit);
    let held: Vec<(Node, f64)> = cores.iter().map(|&(_, flux)| (flux, 0.0)).collect();
    let mut point = match operating_point::solve(assembly, crest, &held) {
        Ok(point) => point,
        Err(_) => operating_point::solve(assembly, Ask::at(0.0), &[])?,
    };
    // At t = 0 it stands at its lowest: no inrush.
    for (core, flux) in cores {
        let volts = assembly.unknowns.voltage(&point.x, core);
        if let Some(k) = assembly.unknowns.node(flux) {
            point.x[k] = -volts * period_s / TAU;
        }
    }
    assembly.evaluate(&point.x, crest, 0.0, false);
    Ok(Guess {
        charge: assembly.q.clone(),
        x: point.x,
    })
}
