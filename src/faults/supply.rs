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
use crate::circuit::{BranchKind, Circuit, CurrentPart, Element, Node, Sink};
use crate::device::source::Drive;
use crate::system::assemble::Assembly;

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
    let nodes = circuit.nodes.len();
    let (mut low, mut high) = (vec![0.0f64; nodes], vec![0.0f64; nodes]);
    for (k, mean) in mean.iter().take(nodes - 1).enumerate() {
        (low[k + 1], high[k + 1]) = (*mean, *mean);
    }
    for instant in &cycle.instants {
        for (k, x) in instant.x.iter().take(nodes - 1).enumerate() {
            low[k + 1] = low[k + 1].min(*x);
            high[k + 1] = high[k + 1].max(*x);
        }
    }
    let swing = |n: Node| high[n.0] - low[n.0];
    let alternating = (0..nodes)
        .map(|n| swing(Node(n)) > AC.0 && swing(Node(n)) > AC.1 * volts(&mean, Node(n)).abs())
        .collect();
    let (mut outputs, mut unplugged): (Vec<Output>, Vec<usize>) = (Vec::new(), Vec::new());
    let mut currents: Vec<Vec<f64>> = Vec::new();
    let mut ends: Vec<Vec<Node>> = Vec::new();
    let mut returning: Vec<Node> = Vec::new();
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
                let (node, end, sign) = if swing(a) < swing(b) {
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
                if amperes.abs() >= LEAST_A && node == Node::GROUND {
                    returning.push(end);
                }
                if amperes.abs() < LEAST_A || node == Node::GROUND {
                    continue;
                }
                if !unplugged.contains(&law) {
                    unplugged.push(law);
                }
                let place = outputs.iter().position(|o| o.node == node);
                let place = place.unwrap_or_else(|| {
                    outputs.push(Output {
                        node,
                        back: Node::GROUND,
                        floats: false,
                        rectifiers: Vec::new(),
                        current: 0,
                        resistance: 0,
                        volts: volts(&mean, node),
                        amperes: 0.0,
                        siemens: 0.0,
                    });
                    currents.push(vec![0.0; wave.len()]);
                    ends.push(Vec::new());
                    outputs.len() - 1
                });
                let pairs = currents[place].iter_mut().zip(&wave);
                pairs.for_each(|(sum, amperes)| *sum += amperes);
                outputs[place].amperes += amperes;
                if !ends[place].contains(&end) {
                    ends[place].push(end);
                }
                if !outputs[place].rectifiers.contains(&element.name) {
                    outputs[place].rectifiers.push(element.name.clone());
                }
            }
        }
    }
    drop(assembly);
    let held = grounded(circuit, &unplugged);
    let floats = |k: usize| !ends[k].iter().any(|end| held[end.0]);
    let mut ties = Vec::new();
    for back in (0..outputs.len()).rev() {
        let joined = |k: usize| ends[k].iter().any(|end| ends[back].contains(end));
        let pair = (0..outputs.len()).find(|&k| outputs[k].amperes > 0.0 && joined(k));
        let Some(k) = pair.filter(|_| outputs[back].amperes < 0.0 && floats(back)) else {
            continue;
        };
        if outputs[k].floats {
            continue;
        }
        outputs[k].floats = true;
        outputs[k].back = outputs[back].node;
        outputs[k].volts -= outputs[back].volts;
        let ohms = TIE * (outputs[k].volts / outputs[k].amperes).abs();
        for &end in &ends[back] {
            let sides = [outputs[k].node, outputs[back].node];
            ties.extend(sides.map(|side| (end, side, ohms)));
        }
        let more = std::mem::take(&mut outputs[back].rectifiers);
        outputs[k].rectifiers.extend(more);
    }
    for k in 0..outputs.len() {
        // What other rectifiers bring back to the winding does not return by its tap.
        let joined = |n: usize| ends[k].iter().any(|end| ends[n].contains(end));
        let is_bridge = (0..outputs.len()).any(|n| n != k && joined(n))
            || ends[k].iter().any(|end| returning.contains(end));
        if is_bridge || outputs[k].floats {
            continue;
        }
        let first = ends[k][0];
        let is_still = |n: Node| !circuit.nodes[n.0].inner && swing(n) < STILL * swing(first);
        let found = tap(circuit, &ends[k], is_still).filter(|tap| held[tap.0]);
        if let Some(tap) = found {
            outputs[k].back = tap;
            outputs[k].volts -= volts(&mean, tap);
        }
    }
    // What returns a bridge's current is no output.
    let kept: Vec<bool> = outputs.iter().map(|o| !o.rectifiers.is_empty()).collect();
    let mut keep = kept.iter();
    outputs.retain(|_| keep.next() == Some(&true));
    let mut keep = kept.iter();
    currents.retain(|_| keep.next() == Some(&true));
    for output in &mut outputs {
        let ohms = (output.volts / output.amperes / MORE).abs();
        circuit.join(output.node, output.back, ohms);
        let found = periodic::cycle_near(Assembly::new(circuit), &mains, &cycle);
        let loaded = found.map(|(cycle, _)| cycle.mean());
        circuit.part();
        let fell = match &loaded {
            Ok(mean) => output.volts - volts(mean, output.node) + volts(mean, output.back),
            Err(_) => 0.05 * output.volts,
        };
        let more = MORE * output.amperes * (1.0 - fell / output.volts);
        output.siemens = (more / fell).abs().clamp(1e-6, 10.0);
    }
    for output in &mut outputs {
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
    for (end, side, ohms) in ties {
        circuit.join(end, side, ohms);
    }
    let name = circuit
        .elements
        .iter()
        .find(|e| match mains.sources.first() {
            Some(crate::system::assemble::Driven::Voltage(k)) => e
                .ports
                .iter()
                .any(|p| p.piece == crate::circuit::Piece::Branch(*k)),
            _ => false,
        })
        .map_or_else(|| "mains".to_string(), |e| e.name.clone());
    let harmonics = currents.iter().enumerate().flat_map(|(output, wave)| {
        let all = amplitudes(&cycle, wave).into_iter().enumerate();
        all.map(move |(n, amperes)| Harmonic {
            output,
            number: n + 1,
            amperes,
        })
    });
    Ok(Some(Supply {
        harmonics: harmonics.collect(),
        mains: name,
        outputs,
        unplugged,
        mean,
        alternating,
        cycle,
        mains_of: mains,
    }))
}
