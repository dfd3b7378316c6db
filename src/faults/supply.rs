//! A supply on the mains as direct current sees it.
//!
//! A whole mains cycle costs seconds, and thousands of faults are tried. So the cycle is found once
//! for the sound circuit, and each rectifier's output becomes a source with a resistance: the mean
//! current that it delivers at the mean volts, and how that rises when the load pulls them down
//! (one more cycle for each output, with a fifth more current). The mains then rest. What the
//! means of the cycle differ from this operating point by is kept as a correction of each node.

use super::harmonic::{Harmonic, amplitudes};
use super::node::volts;
use crate::analysis::NoSolution;
use crate::analysis::mains::{self, Mains};
use crate::analysis::periodic::{self, Cycle};
use crate::circuit::{BranchKind, Circuit, CurrentPart, Element, Node, Piece, Sink};
use crate::device::source::Drive;
use crate::system::assemble::{Assembly, Driven};

/// One output of the rectifiers.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Where.
    pub node: Node,
    /// Where its current returns: ground, the tap of a winding that does not stand on ground, as for a bias, or
    /// the other side of a bridge whose winding stands on nothing else.
    pub back: Node,
    /// Whether it is that of such a bridge.
    pub floats: bool,
    /// The rectifiers that feed it, by name.
    pub rectifiers: Vec<String>,
    /// Its source among the circuit's currents.
    pub current: usize,
    /// Its resistance among the circuit's resistances.
    pub resistance: usize,
    /// Mean volts between the two.
    pub volts: f64,
    /// Mean amperes into the node.
    pub amperes: f64,
    /// What the current rises by for each volt less, S.
    pub siemens: f64,
}

impl Output {
    /// The source's current with its ends joined, A.
    pub fn short(&self) -> f64 {
        self.amperes + self.siemens * self.volts
    }

    /// The end of the two that an element has.
    pub fn end_of(&self, element: &Element) -> Node {
        if element.terminals.contains(&self.node) {
            self.node
        } else {
            self.back
        }
    }
}

/// The supply of a circuit.
#[derive(Debug, Clone)]
pub struct Supply {
    /// The source that brings in the mains, by name.
    pub mains: String,
    /// All that direct current comes from.
    pub outputs: Vec<Output>,
    /// Laws of the rectifiers that the outputs stand for.
    pub unplugged: Vec<usize>,
    /// The means of the cycle, by unknown.
    pub mean: Vec<f64>,
    /// Nodes that carry the mains, by number.
    pub alternating: Vec<bool>,
    /// The sound circuit's cycle.
    pub cycle: Cycle,
    /// What it is of.
    pub mains_of: Mains,
    /// Of the outputs' currents.
    pub harmonics: Vec<Harmonic>,
}

impl Supply {
    /// The lowest and the highest volts of an output in the sound circuit's cycle.
    pub fn swing(&self, output: &Output) -> (f64, f64) {
        let instants = self.cycle.instants.iter();
        let volts = instants.map(|i| volts(&i.x, output.node) - volts(&i.x, output.back));
        volts.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(v), high.max(v))
        })
    }
}

/// More current, as a part of what flows, to find an output's resistance.
const MORE: f64 = 0.2;
/// What an output's volts are taken to fall by under it, a part of them, where that has no solution.
const UNKNOWN_FALL: f64 = 0.05;
/// Less than this is no supply, A.
const LEAST_A: f64 = 1e-6;
/// A node carries AC beyond this, V peak to peak, and this part of its mean.
const AC: (f64, f64) = (3.0, 0.5);

/// A tap swings by less than this part of what the winding's ends do.
const STILL: f64 = 0.1;
/// What holds a floating winding in the middle of its bridge's sides in place of the rectifiers, times
/// the output's load: it takes a hundredth of the current.
const TIE: f64 = 100.0;
/// Resistances from this on are leakage and hold nothing, ohm.
const LEAKAGE: f64 = 1e9;

/// The nodes that direct current joins to ground without going through a rectifier, by number.
fn grounded(circuit: &Circuit, rectifying: &[usize]) -> Vec<bool> {
    let resistances = circuit.resistances.iter().filter(|r| r.ohms < LEAKAGE);
    let mut joined: Vec<(Node, Node)> = resistances.map(|r| (r.a, r.b)).collect();
    joined.extend(circuit.branches.iter().map(|b| (b.a, b.b)));
    let laws = circuit.laws.iter().enumerate();
    let others = laws.filter(|(k, _)| !rectifying.contains(k));
    let sinks = others.flat_map(|(_, law)| &law.outputs);
    for sink in sinks.chain(circuit.gains.iter().map(|g| &g.sink)) {
        if let Sink::Current(a, b) = *sink {
            joined.push((a, b));
        }
    }
    let mut held = vec![false; circuit.nodes.len()];
    held[Node::GROUND.0] = true;
    loop {
        let before = held.iter().filter(|h| **h).count();
        for &(a, b) in &joined {
            let either = held[a.0] || held[b.0];
            (held[a.0], held[b.0]) = (either, either);
        }
        if held.iter().filter(|h| **h).count() == before {
            return held;
        }
    }
}

/// The node that a builder can reach of a node inside a part: the terminal at the other end of the
/// resistance there (a diode's `rs`); any other node as it is.
fn terminal(circuit: &Circuit, element: &Element, node: Node) -> Node {
    if !circuit.nodes[node.0].inner {
        return node;
    }
    let own = circuit.resistances.iter();
    let mut ends = own.filter_map(|r| match (r.a == node, r.b == node) {
        (true, false) => Some(r.b),
        (false, true) => Some(r.a),
        _ => None,
    });
    let reached = ends.find(|end| element.terminals.contains(end));
    reached.unwrap_or(node)
}

/// Where a winding that feeds rectifiers stands: the nearest node that its ends have a way to through windings and
/// that does not swing with them.
fn tap(circuit: &Circuit, ends: &[Node], is_still: impl Fn(Node) -> bool) -> Option<Node> {
    let windings = circuit.branches.iter();
    let windings = windings.filter(|b| !matches!(b.kind, BranchKind::Source(_)));
    let ways: Vec<(Node, Node)> = windings.map(|b| (b.a, b.b)).collect();
    let mut seen: Vec<Node> = ends.to_vec();
    let mut next = 0;
    while let Some(&at) = seen.get(next) {
        next += 1;
        for &(a, b) in ways.iter().filter(|w| w.0 == at || w.1 == at) {
            let far = if a == at { b } else { a };
            if far == Node::GROUND || is_still(far) {
                return Some(far);
            }
            if !seen.contains(&far) {
                seen.push(far);
            }
        }
    }
    None
}

/// How far each node swings in a mains cycle, V peak to peak, by number.
fn swings(cycle: &Cycle, mean: &[f64], nodes: usize) -> Vec<f64> {
    let mut swings = vec![0.0; nodes];
    for (k, (swing, mean)) in swings[1..].iter_mut().zip(mean).enumerate() {
        let volts = cycle.instants.iter().map(|i| i.x[k]);
        let (low, high) = volts.fold((*mean, *mean), |(low, high), v| (low.min(v), high.max(v)));
        *swing = high - low;
    }
    swings
}

/// What rectifiers feed, while it is being found.
struct Fed {
    output: Output,
    /// What they bring at each instant of the cycle, A.
    wave: Vec<f64>,
    /// Where they are fed from.
    ends: Vec<Node>,
}

impl Fed {
    fn new(node: Node, volts: f64, instants: usize) -> Self {
        Fed {
            output: Output {
                node,
                back: Node::GROUND,
                floats: false,
                rectifiers: Vec::new(),
                current: 0,
                resistance: 0,
                volts,
                amperes: 0.0,
                siemens: 0.0,
            },
            wave: vec![0.0; instants],
            ends: Vec::new(),
        }
    }

    /// Adds what one rectifier brings from `end`: its current at each instant and its mean, A.
    fn add(&mut self, rectifier: &str, end: Node, wave: &[f64], amperes: f64) {
        let pairs = self.wave.iter_mut().zip(wave);
        pairs.for_each(|(sum, amperes)| *sum += amperes);
        self.output.amperes += amperes;
        if !self.ends.contains(&end) {
            self.ends.push(end);
        }
        let known = &mut self.output.rectifiers;
        if !known.iter().any(|r| r == rectifier) {
            known.push(rectifier.to_string());
        }
    }

    fn shares_an_end(&self, other: &Fed) -> bool {
        self.ends.iter().any(|end| other.ends.contains(end))
    }
}

/// All that carries direct current from the mains.
#[derive(Default)]
struct Rectified {
    fed: Vec<Fed>,
    /// Laws of the rectifiers that feed it.
    unplugged: Vec<usize>,
    /// Where rectifiers at ground bring current back to.
    returning: Vec<Node>,
}

/// Looks at every rectifier of a circuit in its mains cycle.
fn rectified(assembly: &Assembly<'_>, cycle: &Cycle, mean: &[f64], swings: &[f64]) -> Rectified {
    let circuit = assembly.circuit;
    let mut found = Rectified::default();
    for (k, element) in circuit.elements.iter().enumerate() {
        if !element.role().is_some_and(|r| r.rectifies()) {
            continue;
        }
        for law in circuit.laws_of(k) {
            for (output, sink) in circuit.laws[law].outputs.iter().enumerate() {
                let Sink::Current(a, b) = *sink else { continue };
                // What stands behind the part's own resistance is fed at its terminal.
                let [a, b] = [a, b].map(|n| terminal(circuit, element, n));
                // What is fed is smooth; the other end swings with the mains.
                let (node, end, sign) = if swings[a.0] < swings[b.0] {
                    (a, b, -1.0)
                } else {
                    (b, a, 1.0)
                };
                let instants = cycle.instants.iter();
                let wave: Vec<f64> = instants
                    .map(|i| sign * assembly.law_currents(law, &i.x).i[output])
                    .collect();
                let pairs = cycle.instants.iter().zip(&wave);
                let amperes: f64 = pairs.map(|(i, amperes)| i.weight * amperes).sum();
                if amperes.abs() < LEAST_A {
                    continue;
                }
                if node == Node::GROUND {
                    found.returning.push(end);
                    continue;
                }
                if !found.unplugged.contains(&law) {
                    found.unplugged.push(law);
                }
                let place = found.fed.iter().position(|f| f.output.node == node);
                let place = place.unwrap_or_else(|| {
                    found
                        .fed
                        .push(Fed::new(node, volts(mean, node), wave.len()));
                    found.fed.len() - 1
                });
                found.fed[place].add(&element.name, end, &wave, amperes);
            }
        }
    }
    found
}

/// What holds a floating winding in the place of its rectifiers: from, to, ohm.
type Tie = (Node, Node, f64);

/// Makes one output of both sides of each bridge whose winding stands on nothing else, `held` being
/// the nodes that do stand on something, and says what holds such a winding.
fn join_floating_bridges(fed: &mut [Fed], held: &[bool]) -> Vec<Tie> {
    let mut ties = Vec::new();
    for back in (0..fed.len()).rev() {
        let feeds = |f: &Fed| f.output.amperes > 0.0 && f.shares_an_end(&fed[back]);
        let floats = !fed[back].ends.iter().any(|end| held[end.0]);
        let pair = fed.iter().position(feeds);
        let Some(k) = pair.filter(|_| fed[back].output.amperes < 0.0 && floats) else {
            continue;
        };
        if fed[k].output.floats {
            continue;
        }
        let Output { node, volts, .. } = fed[back].output;
        let rectifiers = std::mem::take(&mut fed[back].output.rectifiers);
        let output = &mut fed[k].output;
        output.floats = true;
        output.back = node;
        output.volts -= volts;
        output.rectifiers.extend(rectifiers);
        let ohms = TIE * (output.volts / output.amperes).abs();
        let sides = [output.node, output.back];
        for &end in &fed[back].ends {
            ties.extend(sides.map(|side| (end, side, ohms)));
        }
    }
    ties
}

/// Returns each output whose winding has a tap to that tap.
fn return_to_taps(
    found: &mut Rectified,
    circuit: &Circuit,
    (mean, swings, held): (&[f64], &[f64], &[bool]),
) {
    let fed = &mut found.fed;
    for k in 0..fed.len() {
        // What other rectifiers bring back to the winding does not return by its tap.
        let others = fed.iter().enumerate().filter(|(n, _)| *n != k);
        let is_bridge = others.map(|(_, f)| f).any(|f| fed[k].shares_an_end(f))
            || fed[k].ends.iter().any(|end| found.returning.contains(end));
        if is_bridge || fed[k].output.floats {
            continue;
        }
        let first = fed[k].ends[0];
        let is_still = |n: Node| !circuit.nodes[n.0].inner && swings[n.0] < STILL * swings[first.0];
        let tap = tap(circuit, &fed[k].ends, is_still).filter(|tap| held[tap.0]);
        if let Some(tap) = tap {
            fed[k].output.back = tap;
            fed[k].output.volts -= volts(mean, tap);
        }
    }
}

/// What an output's current rises by for each volt less, S: from one more cycle with more load.
fn siemens(circuit: &mut Circuit, output: &Output, mains: &Mains, cycle: &Cycle) -> f64 {
    let ohms = (output.volts / output.amperes / MORE).abs();
    circuit.join(output.node, output.back, ohms);
    let found = periodic::cycle_near(Assembly::new(circuit), mains, cycle);
    let loaded = found.map(|(cycle, _)| cycle.mean());
    circuit.part();
    let fell = match &loaded {
        Ok(mean) => output.volts - volts(mean, output.node) + volts(mean, output.back),
        Err(_) => UNKNOWN_FALL * output.volts,
    };
    let more = MORE * output.amperes * (1.0 - fell / output.volts);
    (more / fell).abs().clamp(1e-6, 10.0)
}

/// Puts a source with its resistance into the circuit in the place of an output's rectifiers.
fn put_in_place(circuit: &mut Circuit, output: &mut Output) {
    circuit.currents.push(CurrentPart {
        a: output.back,
        b: output.node,
        drive: Drive {
            dc: output.short(),
            says_dc: true,
            ac: None,
            wave: None,
            unscaled: None,
        },
    });
    output.current = circuit.currents.len() - 1;
    output.resistance = circuit.join(output.node, output.back, 1.0 / output.siemens);
}

/// The name of the source that brings in the mains.
fn name(circuit: &Circuit, mains: &Mains) -> String {
    let is_it = |e: &&Element| match mains.sources.first() {
        Some(Driven::Voltage(k)) => e.ports.iter().any(|p| p.piece == Piece::Branch(*k)),
        _ => false,
    };
    let element = circuit.elements.iter().find(is_it);
    element.map_or_else(|| "mains".to_string(), |e| e.name.clone())
}

/// Puts sources in the place of the rectifiers; none if nothing is fed from the mains.
///
/// # Errors
/// If the cycle was not found.
pub fn settle(circuit: &mut Circuit) -> Result<Option<Supply>, Box<NoSolution>> {
    let Some(mains) = mains::find(circuit) else {
        return Ok(None);
    };
    let (cycle, assembly) = periodic::cycle(Assembly::new(circuit), &mains)?;
    let mean = cycle.mean();
    let swings = swings(&cycle, &mean, circuit.nodes.len());
    let alternates =
        |(n, swing): (usize, &f64)| *swing > AC.0 && *swing > AC.1 * volts(&mean, Node(n)).abs();
    let alternating = swings.iter().enumerate().map(alternates).collect();
    let mut found = rectified(&assembly, &cycle, &mean, &swings);
    drop(assembly);
    let held = grounded(circuit, &found.unplugged);
    let ties = join_floating_bridges(&mut found.fed, &held);
    return_to_taps(&mut found, circuit, (&mean, &swings, &held));
    let Rectified {
        mut fed, unplugged, ..
    } = found;
    // What returns a bridge's current is no output.
    fed.retain(|f| !f.output.rectifiers.is_empty());
    for Fed { output, .. } in &mut fed {
        output.siemens = siemens(circuit, output, &mains, &cycle);
    }
    for Fed { output, .. } in &mut fed {
        put_in_place(circuit, output);
    }
    for (end, side, ohms) in ties {
        circuit.join(end, side, ohms);
    }
    let harmonics = fed.iter().enumerate().flat_map(|(output, fed)| {
        let all = amplitudes(&cycle, &fed.wave).into_iter().enumerate();
        all.map(move |(n, amperes)| Harmonic {
            output,
            number: n + 1,
            amperes,
        })
    });
    Ok(Some(Supply {
        harmonics: harmonics.collect(),
        mains: name(circuit, &mains),
        outputs: fed.into_iter().map(|f| f.output).collect(),
        unplugged,
        mean,
        alternating,
        cycle,
        mains_of: mains,
    }))
}
