//! What one tolerance moves in the equations: df/dp, from the parts alone.

use super::node::{feed, volts};
use super::supply::Supply;
use crate::circuit::{BranchKind, Circuit, Sense, Sink};
use crate::device::{Law, currents};
use crate::system::assemble::Assembly;
use std::sync::Arc;

/// How far rectifiers and their transformers differ, a part of what they drop.
const RECTIFIER: f64 = 0.1;

/// A part of the equations that one variable moves, by so much a deviation.
#[derive(Debug, Clone)]
pub enum Push {
    /// Of a resistance, as a part of itself.
    Resistance(usize, f64),
    Gain(usize, f64),
    Source(usize, f64),
    Current(usize, f64),
    Law(usize, Arc<dyn Law>, Arc<dyn Law>, f64),
    /// Of a supply's output: what its rectifiers differ by, and what a straight line from load to
    /// volts leaves out where a fault draws more.
    Output(usize),
}

/// A variable's pushes, and the columns that it moves in, each with its part.
#[derive(Debug, Clone)]
pub struct Slope {
    pub variable: Option<usize>,
    pub pushes: Vec<Push>,
    pub columns: Vec<(usize, f64)>,
}

impl Push {
    /// Adds -df; false if it moves nothing.
    pub(super) fn add(
        &self,
        supply: Option<&Supply>,
        x: &[f64],
        work: &mut [f64],
        assembly: &Assembly<'_>,
    ) -> bool {
        let circuit = assembly.circuit;
        match self {
            Push::Resistance(k, part) => {
                let r = circuit.resistances[*k];
                let amperes = (volts(x, r.a) - volts(x, r.b)) / r.ohms * part;
                if amperes.abs() < 1e-15 {
                    return false;
                }
                feed(work, r.a, r.b, amperes);
            }
            Push::Gain(k, by) => {
                let gain = circuit.gains[*k];
                let sensed = match gain.sense {
                    Sense::Voltage(a, b) => volts(x, a) - volts(x, b),
                    Sense::Current(branch) => x[assembly.unknowns.branch(branch)],
                };
                match gain.sink {
                    Sink::Current(a, b) => feed(work, a, b, -by * sensed),
                    Sink::Branch(branch) => work[assembly.unknowns.branch(branch)] += by * sensed,
                }
            }
            Push::Source(k, by) => work[assembly.unknowns.nodes() + k] += by,
            Push::Current(k, by) => {
                let source = &circuit.currents[*k];
                // What feeds less varies by less; without a fuse nothing does.
                let output = supply.and_then(|s| s.outputs.iter().find(|o| o.current == *k));
                let part = output.map_or(1.0, |o| source.drive.dc / o.short());
                if part == 0.0 {
                    return false;
                }
                feed(work, source.a, source.b, -by * part);
            }
            Push::Output(k) => {
                let Some(output) = supply.map(|s| &s.outputs[*k]) else {
                    return false;
                };
                let fed = circuit.currents[output.current].drive.dc;
                if fed == 0.0 {
                    return false;
                }
                let across = volts(x, output.node) - volts(x, output.back);
                let drawn = fed - across / circuit.resistances[output.resistance].ohms;
                let more = (drawn - output.amperes).abs();
                let curved = more * (0.1 + 0.2 * more / output.amperes.abs()).min(1.0);
                let by = RECTIFIER * output.amperes.abs() + curved;
                feed(work, output.node, output.back, by);
            }
            Push::Law(k, base, moved, per) => {
                if assembly.unplugged[*k] {
                    return false;
                }
                let part = &circuit.laws[*k];
                let u: Vec<f64> = part
                    .controls
                    .iter()
                    .map(|sense| match *sense {
                        Sense::Voltage(a, b) => volts(x, a) - volts(x, b),
                        Sense::Current(branch) => x[assembly.unknowns.branch(branch)],
                    })
                    .collect();
                let memory = assembly.memory[*k];
                let (before, after) = (
                    currents(&**base, &u, memory),
                    currents(&**moved, &u, memory),
                );
                for ((sink, before), after) in part.outputs.iter().zip(before).zip(after) {
                    let by = (after - before) * per;
                    match *sink {
                        Sink::Current(a, b) => feed(work, a, b, -by),
                        Sink::Branch(branch) => work[assembly.unknowns.branch(branch)] += by,
                    }
                }
            }
        }
        true
    }
}

/// The linear numbers of a circuit.
pub struct Numbers {
    resistances: Vec<f64>,
    gains: Vec<f64>,
    sources: Vec<f64>,
    currents: Vec<f64>,
}

impl Numbers {
    pub fn of(circuit: &Circuit) -> Self {
        let branches = circuit.branches.iter();
        Numbers {
            resistances: circuit.resistances.iter().map(|r| r.ohms).collect(),
            gains: circuit.gains.iter().map(|g| g.gain).collect(),
            sources: branches
                .map(|b| match &b.kind {
                    BranchKind::Source(drive) => drive.dc,
                    _ => 0.0,
                })
                .collect(),
            currents: circuit.currents.iter().map(|c| c.drive.dc).collect(),
        }
    }

    pub fn pushes(&self, after: &Numbers, per: f64) -> Vec<Push> {
        let moved = |a: &[f64], b: &[f64]| -> Vec<(usize, f64)> {
            let pairs = a.iter().zip(b).enumerate();
            pairs
                .filter(|(_, (a, b))| a != b)
                .map(|(k, (a, b))| (k, b - a))
                .collect()
        };
        let mut all = Vec::new();
        for (k, by) in moved(&self.resistances, &after.resistances) {
            all.push(Push::Resistance(k, by / self.resistances[k] * per));
        }
        for (k, by) in moved(&self.gains, &after.gains) {
            all.push(Push::Gain(k, by * per));
        }
        for (k, by) in moved(&self.sources, &after.sources) {
            all.push(Push::Source(k, by * per));
        }
        for (k, by) in moved(&self.currents, &after.currents) {
            all.push(Push::Current(k, by * per));
        }
        all
    }
}
