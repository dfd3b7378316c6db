//! The mains of a circuit, and where the search for a supply's steady state begins.
//!
//! Where sines of the mains reach a rectifier, a DC operating point says nothing of the supply:
//! at t = 0 the mains are zero and every reservoir is empty. What a meter shows is the average
//! over a cycle once the cycle repeats itself; `periodic::cycle` finds it, started from here.

use super::{NoSolution, operating_point};
use crate::circuit::{Branch, BranchKind, Circuit, Element, Node, Piece, Sense, Sink};
use crate::device::role::DeviceRole;
use crate::device::source::{Drive, Wave};
use crate::math::fun;
use crate::system::assemble::{Assembly, Driven, SourceState};
use std::collections::BTreeSet;
use std::f64::consts::TAU;

/// A sine that is less than this is a signal, V: the least heater winding has twice as much.
const LEAST_V: f64 = 3.0;
/// Nothing but the mains swings as far as this at their frequency, V: 85 V rms, and the lowest mains
/// have 100.
const MAINS_V: f64 = 120.0;
/// A sine of this much that feeds a supply is none of a signal, V.
const SUPPLY_V: f64 = 30.0;
/// Resistances above this pass nothing that would charge anything, ohm.
const PASSES_OHM: f64 = 1e9;
/// Resistances below this are a supply's, ohm.
const LOW_OHM: f64 = 100e3;
/// Nor do capacitances below this: at 50 Hz it is 3 megohm.
const PASSES_F: f64 = 1e-9;
/// The least capacitance that is charged: one of a part, not of a junction or a wire.
const CHARGED_F: f64 = 10e-9;
/// Where in a cycle the mains are held, at 0.98 of their crest. A supply that is begun too full is not
/// charged in the first cycle, which then says that it runs dry; from below Newton leads to it. At the
/// crest itself seventeen cycles of Lapwings took 128 passes, here 97, at 0.95 of it 106.
const CREST: f64 = 0.22;
/// The mains' second crest is begun with if the capacitors then hold this many times what they do at the first.
const FULLER: f64 = 1.05;
/// A reservoir is fuller at the other crest if it stands this much higher there, V: a rectifier's drop is less.
const FULLER_V: f64 = 5.0;

/// The sources that bring in the mains.
#[derive(Debug, Clone, PartialEq)]
pub struct Mains {
    /// Their frequency.
    pub freq_hz: f64,
    /// Sines of that frequency that can charge a capacitor through a rectifier, or are as large as
    /// the mains.
    pub sources: Vec<Driven>,
}

impl Mains {
    /// Whether an element of the circuit is one of their voltage sources.
    pub fn are(&self, circuit: &Circuit, element: &Element) -> bool {
        let branch = circuit.branch_of(element);
        element.letter == 'V'
            && branch.is_some_and(|b| self.sources.contains(&Driven::Voltage(b.0)))
    }
}

/// The mains of a circuit, if it is fed from them: sines of 40 to 70 Hz without
/// a DC value of their own which reach a rectifier, by any path, with a capacitor behind it. One as
/// large as the mains is taken for them whatever it feeds: what stands across it would be judged
/// at zero volts otherwise. Of several frequencies the first counts.
pub fn find(circuit: &Circuit) -> Option<Mains> {
    let mut mains: Option<Mains> = None;
    let paths = Paths::new(circuit);
    for (which, drive, ends) in sources(circuit) {
        let Some(freq_hz) = mains_hz(drive) else {
            continue;
        };
        if mains.as_ref().is_some_and(|m| m.freq_hz != freq_hz) {
            continue;
        }
        if is_large(drive) || charges(circuit, &paths, ends) {
            let found = mains.get_or_insert(Mains {
                freq_hz,
                sources: Vec::new(),
            });
            found.sources.push(which);
        }
    }
    mains
}

/// The sources that look like the mains and are left at rest, by name: what they would do is in no
/// figure.
pub fn left_at_rest(circuit: &Circuit, mains: Option<&Mains>) -> Vec<String> {
    let taken = |which: &Driven| mains.is_some_and(|m| m.sources.contains(which));
    let looks = sources(circuit).filter(|(which, drive, _)| {
        let sine = mains_hz(drive).is_some();
        !taken(which) && (sine || mains.is_some() && drive.wave.is_some())
    });
    looks
        .filter_map(|(which, ..)| name_of(circuit, which))
        .collect()
}

/// A large sine that is not taken as the mains, though it feeds a supply: that is solved without it.
#[derive(Debug, Clone, PartialEq)]
pub struct Unfed {
    /// The source.
    pub name: String,
    /// Its peak, V.
    pub peak_v: f64,
    /// Why it is left at rest.
    pub why: AtRest,
}

/// Why a sine is not taken as the mains.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AtRest {
    /// Its line or a setting gives a DC value.
    Dc,
    /// It gives an AC value, which is a signal's.
    Ac,
    /// It dies away.
    Damped,
    /// Its frequency, Hz, is not one of the mains, or not that of the circuit's others.
    Frequency(f64),
}

/// Sines of 30 V peak and more that feed a mains transformer or charge a capacitor through a
/// rectifier, and are not among the mains.
pub fn unfed(circuit: &Circuit, mains: Option<&Mains>) -> Vec<Unfed> {
    let taken = |which: &Driven| mains.is_some_and(|m| m.sources.contains(which));
    let mut paths = None;
    let mut found = Vec::new();
    for (which, drive, ends) in sources(circuit).filter(|(which, ..)| !taken(which)) {
        let Some(Wave::Sin {
            amplitude,
            freq_hz,
            damping,
            ..
        }) = drive.wave
        else {
            continue;
        };
        if amplitude.abs() < SUPPLY_V {
            continue;
        }
        let paths = paths.get_or_insert_with(|| Paths::new(circuit));
        if !feeds_primary(circuit, paths, ends) && !charges(circuit, paths, ends) {
            continue;
        }
        let why = match drive {
            _ if drive.says_dc => AtRest::Dc,
            _ if drive.ac.is_some() => AtRest::Ac,
            _ if damping != 0.0 => AtRest::Damped,
            _ => AtRest::Frequency(freq_hz),
        };
        if let Some(name) = name_of(circuit, which) {
            let peak_v = amplitude.abs();
            found.push(Unfed { name, peak_v, why });
        }
    }
    found
}

/// The peak, V, of the mains that a primary is connected to, as the netlist has it; none if several
/// sources or none lead there.
pub fn primary_peak(circuit: &Circuit, mains: &Mains, primary: &Element) -> Option<f64> {
    let paths = Paths::new(circuit);
    let peaks = sources(circuit).filter_map(|(which, drive, ends)| {
        let fed = paths.all.reach(ends);
        let here = primary.terminals[..2].iter().any(|n| fed.contains(&n.0));
        match drive.wave {
            Some(Wave::Sin { amplitude, .. }) if here && mains.sources.contains(&which) => {
                Some(drive.unscaled.unwrap_or(amplitude).abs())
            }
            _ => None,
        }
    });
    match peaks.collect::<Vec<_>>()[..] {
        [one] => Some(one),
        _ => None,
    }
}

/// Whether what comes from a source reaches the primary of a mains transformer.
fn feeds_primary(circuit: &Circuit, paths: &Paths, source: [Node; 2]) -> bool {
    let fed = paths.all.reach(source);
    let mut all = circuit.elements.iter();
    all.any(|e| {
        e.role() == Some(DeviceRole::MainsTransformer)
            && e.terminals[..2].iter().any(|n| fed.contains(&n.0))
    })
}

/// The name of the element that is a source.
fn name_of(circuit: &Circuit, which: Driven) -> Option<String> {
    let piece = match which {
        Driven::Voltage(k) => Piece::Branch(k),
        Driven::Current(k) => Piece::Current(k),
    };
    let owner = |e: &&Element| e.ports.iter().any(|p| p.piece == piece);
    circuit.elements.iter().find(owner).map(|e| e.name.clone())
}

/// The independent sources with their nodes.
fn sources(circuit: &Circuit) -> impl Iterator<Item = (Driven, &Drive, [Node; 2])> {
    let branches = circuit.branches.iter().enumerate();
    let volts = branches.filter_map(|(k, b)| match &b.kind {
        BranchKind::Source(drive) => Some((Driven::Voltage(k), drive, [b.a, b.b])),
        _ => None,
    });
    let currents = circuit.currents.iter().enumerate();
    volts.chain(currents.map(|(k, s)| (Driven::Current(k), &s.drive, [s.a, s.b])))
}

/// The frequency of a source that may be the mains. An AC value is a signal's, and so is a swing of
/// less than [`LEAST_V`].
fn mains_hz(drive: &Drive) -> Option<f64> {
    let counts = match drive.wave {
        Some(Wave::Sin { amplitude, .. }) => amplitude.abs() >= LEAST_V,
        _ => false,
    };
    drive.mains_hz().filter(|_| counts && drive.ac.is_none())
}

/// Whether a sine is too large for anything but the mains.
fn is_large(drive: &Drive) -> bool {
    matches!(drive.wave, Some(Wave::Sin { amplitude, .. }) if amplitude.abs() >= MAINS_V)
}

/// Nodes and what joins them.
#[derive(Clone)]
struct Joined(Vec<Vec<usize>>);

impl Joined {
    fn join(&mut self, a: Node, b: Node) {
        self.0[a.0].push(b.0);
        self.0[b.0].push(a.0);
    }

    /// All nodes to be reached without passing ground.
    fn reach(&self, from: impl IntoIterator<Item = Node>) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        let mut open: Vec<usize> = from.into_iter().map(|n| n.0).collect();
        while let Some(node) = open.pop() {
            if node != 0 && found.insert(node) {
                open.extend(&self.0[node]);
            }
        }
        found
    }
}

/// What carries an alternating current.
struct Paths {
    /// By any path but a rectifier.
    all: Joined,
    /// By those that direct current takes too: all of them, and those of low resistance.
    direct: [Joined; 2],
}

impl Paths {
    fn new(circuit: &Circuit) -> Self {
        let direct = [PASSES_OHM, LOW_OHM].map(|most| {
            let mut direct = Joined(vec![Vec::new(); circuit.nodes.len()]);
            for r in circuit.resistances.iter().filter(|r| r.ohms.abs() < most) {
                direct.join(r.a, r.b);
            }
            for branch in &circuit.branches {
                if !matches!(branch.kind, BranchKind::Source(_)) {
                    direct.join(branch.a, branch.b);
                }
            }
            direct
        });
        let mut all = Joined(direct[0].0.clone());
        for c in &circuit.capacitances {
            if c.farads >= PASSES_F {
                all.join(c.a, c.b);
            }
        }
        for &(a, b, _) in &circuit.mutuals {
            all.join(circuit.branches[a.0].a, circuit.branches[b.0].a);
            all.join(circuit.branches[a.0].b, circuit.branches[b.0].b);
        }
        // A device's windings share their core.
        for element in circuit.elements.iter().filter(|e| e.kind.is_some()) {
            if circuit.branch_of(element).is_some() {
                all.join_live(&element.terminals);
            }
        }
        // What a source makes of what it senses; a switch passes on what comes.
        for gain in &circuit.gains {
            let mut ends = match gain.sink {
                Sink::Current(a, b) => vec![a, b],
                Sink::Branch(Branch(k)) => vec![circuit.branches[k].a, circuit.branches[k].b],
            };
            if let Sense::Voltage(a, b) = gain.sense {
                ends.extend([a, b]);
            }
            all.join_live(&ends);
        }
        for element in &circuit.elements {
            let switch = element.role() == Some(DeviceRole::Switch);
            if element.letter == 'B' || switch {
                let laws = element.ports.iter().filter_map(|p| match p.piece {
                    Piece::Law(k, _) => Some(k),
                    _ => None,
                });
                let mut ends = element.terminals.clone();
                for law in laws.filter(|_| element.letter == 'B') {
                    for sense in &circuit.laws[law].controls {
                        if let Sense::Voltage(a, b) = *sense {
                            ends.extend([a, b]);
                        }
                    }
                }
                if switch {
                    ends.truncate(2);
                }
                all.join_live(&ends);
            }
        }
        Paths { all, direct }
    }
}

impl Joined {
    /// Joins all but ground: a winding's end there is no way to it.
    fn join_live(&mut self, nodes: &[Node]) {
        let live: Vec<Node> = nodes.iter().copied().filter(|n| n.0 != 0).collect();
        for pair in live.windows(2) {
            self.join(pair[0], pair[1]);
        }
    }
}

/// Whether what comes from the ends of a source charges a capacitor: a rectifier that it reaches
/// and, behind one of its ends, a capacitor that the source does not hold by itself. Two diodes that
/// clip a signal at its own node have none.
fn charges(circuit: &Circuit, paths: &Paths, source: [Node; 2]) -> bool {
    let fed = paths.all.reach(source);
    let reached = |e: &&Element| e.terminals.iter().any(|n| fed.contains(&n.0));
    let rectifiers = circuit.elements.iter().filter(rectifies).filter(reached);
    let ends = live_ends(rectifiers);
    paths.direct.iter().any(|direct| {
        let held = direct.reach(source);
        ends.iter().any(|&end| {
            let behind = direct.reach([end]);
            let live = |n: Node| behind.contains(&n.0);
            behind.is_disjoint(&held)
                && circuit
                    .capacitances
                    .iter()
                    .any(|c| c.farads >= CHARGED_F && live(c.a) != live(c.b))
        })
    })
}

fn rectifies(element: &&Element) -> bool {
    element.role().is_some_and(DeviceRole::rectifies)
}

/// The terminals of elements, ground left out.
fn live_ends<'c>(elements: impl Iterator<Item = &'c Element>) -> BTreeSet<Node> {
    let ends = elements.flat_map(|e| e.terminals.iter().copied());
    ends.filter(|n| n.0 != 0).collect()
}

/// The inner nodes of mains transformers: volts of the primary's turns, and their flux.
fn cores(circuit: &Circuit) -> Vec<(Node, Node)> {
    let transformers = circuit.elements.iter();
    let transformers = transformers.filter(|e| e.role() == Some(DeviceRole::MainsTransformer));
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

/// An operating point with the mains held.
struct Held {
    /// Where in their cycle.
    part: f64,
    /// Unknowns, `[n]`, and the laws' states that go with them.
    x: Vec<f64>,
    memory: Vec<f64>,
}

/// A supply nearly as full as it will be. `assembly.moving` names the mains.
///
/// Held near their crest the mains leave a supply nearly as full as it will be; the flux of a
/// mains transformer is all but nothing then. A rectifier of half waves sees one crest alone: what the
/// other one fills (a bias supply, as a rule) is held as full as that leaves it. Where no crest can be
/// solved, or where coupled inductors pass no direct current, the supply fills up anew.
///
/// # Errors
/// If no operating point is found, neither with the mains near a crest nor with them at zero.
pub fn guess(assembly: &mut Assembly<'_>, freq_hz: f64) -> Result<Guess, Box<NoSolution>> {
    let period_s = 1.0 / freq_hz;
    let cores = cores(assembly.circuit);
    let mut held: Vec<(Node, f64)> = cores.iter().map(|&(_, flux)| (flux, 0.0)).collect();
    let begun = assembly.memory.clone();
    let solve = |assembly: &mut Assembly<'_>, part: f64, held: &[(Node, f64)]| {
        assembly.memory.clone_from(&begun);
        let point = operating_point::solve(assembly, SourceState::at(part * period_s), held)?;
        let memory = assembly.memory.clone();
        Ok::<_, Box<NoSolution>>(Held {
            part,
            x: point.x,
            memory,
        })
    };
    let crests = [CREST, 1.0 - CREST].map(|part| solve(assembly, part, &held));
    let found = match crests {
        [Ok(first), Ok(second)] => {
            let stored = |held: &Held| stored_j(assembly, &held.x);
            let (chosen, other) = if stored(&second) > FULLER * stored(&first) {
                (second, first)
            } else {
                (first, second)
            };
            let fuller = fuller(assembly, &chosen.x, &other.x);
            if fuller.is_empty() {
                chosen
            } else {
                held.extend(fuller);
                solve(assembly, chosen.part, &held).unwrap_or(chosen)
            }
        }
        [Ok(found), Err(_)] | [Err(_), Ok(found)] => found,
        // The mains give no volts then, so there is no flux to begin with at either crest.
        [Err(_), Err(_)] => Held {
            part: CREST,
            ..solve(assembly, 0.0, &[])?
        },
    };
    let Held {
        part,
        mut x,
        memory,
    } = found;
    assembly.memory = memory;
    // At t = 0 it stands at its lowest: no inrush.
    for (core, flux) in cores {
        let volts = assembly.unknowns.voltage(&x, core);
        if let Some(k) = assembly.unknowns.node(flux) {
            x[k] = -volts / fun::sin(TAU * part) * period_s / TAU;
        }
    }
    assembly.evaluate(&x, SourceState::at(part * period_s), 0.0, false);
    Ok(Guess {
        charge: assembly.q.clone(),
        x,
    })
}

/// What the capacitors of parts hold, J.
fn stored_j(assembly: &Assembly<'_>, x: &[f64]) -> f64 {
    let volts = |node| assembly.unknowns.voltage(x, node);
    let parts = assembly.circuit.capacitances.iter();
    let parts = parts.filter(|c| c.farads >= CHARGED_F);
    parts
        .map(|c| 0.5 * c.farads * (volts(c.a) - volts(c.b)).powi(2))
        .sum()
}

/// Rectifiers' ends with a capacitor which the other crest leaves fuller, with their volts there. The
/// ends of windings swing with the mains and hold nothing.
fn fuller(assembly: &Assembly<'_>, x: &[f64], other: &[f64]) -> Vec<(Node, f64)> {
    let circuit = assembly.circuit;
    let elements = || circuit.elements.iter();
    let swings = |e: &&Element| {
        let source = e.role() == Some(DeviceRole::VoltageSource);
        source || e.role() == Some(DeviceRole::MainsTransformer)
    };
    let mut swinging = live_ends(elements().filter(swings));
    for &(a, b, _) in &circuit.mutuals {
        for branch in [a, b].map(|k| &circuit.branches[k.0]) {
            swinging.extend([branch.a, branch.b]);
        }
    }
    let ends = live_ends(elements().filter(rectifies));
    let stores = |node: Node| {
        let mut own = circuit.capacitances.iter();
        own.any(|c| c.farads >= CHARGED_F && (c.a == node) != (c.b == node))
    };
    let resting = ends.difference(&swinging).filter(|n| stores(**n));
    resting
        .filter_map(|&node| {
            let [here, there] = [x, other].map(|x| assembly.unknowns.voltage(x, node));
            (there.abs() > here.abs() + FULLER_V).then_some((node, there))
        })
        .collect()
}
