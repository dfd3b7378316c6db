//! A supply on the mains as direct current sees it.
//!
//! A whole mains cycle costs seconds, and thousands of faults are tried. So the cycle is found once
//! for the sound circuit, and each rectifier's output becomes a source with a resistance: the mean
//! current that it delivers at the mean volts, and how that rises when the load pulls them down
//! (one more cycle for each output, with a fifth more current). The mains then rest. What the
//! means of the cycle differ from this operating point by is kept as a correction of each node.

use super::harmonic::{Harmonic, amplitudes};
use crate::analysis::NoSolution;
use crate::analysis::mains::{self, Mains};
use crate::analysis::periodic::{self, Cycle};
use crate::circuit::{Circuit, CurrentPart, Element, Node, Sink};
use crate::device::source::Drive;
use crate::system::assemble::Assembly;

/// One output of the rectifiers.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Where.
    pub node: Node,
    /// The rectifiers that feed it, by name.
    pub rectifiers: Vec<String>,
    /// Its source among the circuit's currents.
    pub current: usize,
    /// Its resistance among the circuit's resistances.
    pub resistance: usize,
    /// Mean volts.
    pub volts: f64,
    /// Mean amperes into the node.
    pub amperes: f64,
    /// What the current rises by for each volt less, S.
    pub siemens: f64,
}

impl Output {
    /// The source's current with the node at ground, A.
    pub fn short(&self) -> f64 {
        self.amperes + self.siemens * self.volts
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
    /// The lowest and the highest volts of a node in the sound circuit's cycle.
    pub fn swing(&self, node: Node) -> (f64, f64) {
        let at = |x: &[f64]| node.0.checked_sub(1).map_or(0.0, |k| x[k]);
        let volts = self.cycle.instants.iter().map(|i| at(&i.x));
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
    let volts = |n: Node| n.0.checked_sub(1).map_or(0.0, |k| mean[k]);
    let alternating = (0..nodes)
        .map(|n| swing(Node(n)) > AC.0 && swing(Node(n)) > AC.1 * volts(Node(n)).abs())
        .collect();
    let (mut outputs, mut unplugged): (Vec<Output>, Vec<usize>) = (Vec::new(), Vec::new());
    let mut currents: Vec<Vec<f64>> = Vec::new();
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
                let (node, sign) = if swing(a) < swing(b) {
                    (a, -1.0)
                } else {
                    (b, 1.0)
                };
                let instants = cycle.instants.iter();
                let wave: Vec<f64> = instants
                    .map(|i| sign * assembly.law_currents(law, &i.x).i[output])
                    .collect();
                let pairs = cycle.instants.iter().zip(&wave);
                let amperes: f64 = pairs.map(|(i, amperes)| i.weight * amperes).sum();
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
                        rectifiers: Vec::new(),
                        current: 0,
                        resistance: 0,
                        volts: volts(node),
                        amperes: 0.0,
                        siemens: 0.0,
                    });
                    currents.push(vec![0.0; wave.len()]);
                    outputs.len() - 1
                });
                let pairs = currents[place].iter_mut().zip(&wave);
                pairs.for_each(|(sum, amperes)| *sum += amperes);
                outputs[place].amperes += amperes;
                if !outputs[place].rectifiers.contains(&element.name) {
                    outputs[place].rectifiers.push(element.name.clone());
                }
            }
        }
    }
    drop(assembly);
    for output in &mut outputs {
        let ohms = (output.volts / output.amperes / MORE).abs();
        circuit.join(output.node, Node::GROUND, ohms);
        let found = periodic::cycle_near(Assembly::new(circuit), &mains, &cycle);
        let loaded = found.map(|(cycle, _)| cycle.mean());
        circuit.part();
        let fell = match &loaded {
            Ok(mean) => output.volts - mean[output.node.0 - 1],
            Err(_) => 0.05 * output.volts,
        };
        let more = MORE * output.amperes * (1.0 - fell / output.volts);
        output.siemens = (more / fell).abs().clamp(1e-6, 10.0);
    }
    for output in &mut outputs {
        circuit.currents.push(CurrentPart {
            a: Node::GROUND,
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
        output.resistance = circuit.join(output.node, Node::GROUND, 1.0 / output.siemens);
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
