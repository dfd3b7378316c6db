//! A real mains cycle of the circuit with a fault in it, for the causes that lead.
//!
//! What stands in the rectifiers' place for thousands of faults is taken out for these few, and
//! their means and ripples are those of the cycle.

use super::bench::{Bench, doubt};
use super::change::Change;
use super::node::volts;
use super::point::{Point, Quantity};
use super::seen::Seen;
use crate::analysis::periodic::{self, Cycle};
use crate::circuit::Node;

/// What a cycle leaves open, a part of how far a fault moves a reading: its tolerances are those of
/// the source in the rectifiers' place.
const DOUBT: f64 = 0.005;

/// Leakage between a lead and the node that it is off, ohm.
const LEAKAGE_OHM: f64 = 1e12;

/// Mean, swing and rms of the alternating part between the ends of a point over a cycle, V.
pub(super) fn over(cycle: &Cycle, point: &Point) -> (f64, f64, f64) {
    let at = |x: &[f64]| volts(x, point.a) - volts(x, point.b);
    let mean = cycle.average(|i| at(&i.x));
    let square = cycle.average(|i| (at(&i.x) - mean) * (at(&i.x) - mean));
    let (mut low, mut high) = (mean, mean);
    for instant in &cycle.instants {
        let v = at(&instant.x);
        low = low.min(v);
        high = high.max(v);
    }
    (mean, high - low, square.max(0.0).sqrt())
}

impl Bench {
    /// What was seen of a fault with the readings of a real cycle in place of those of the source
    /// that stands for the rectifiers, and the swing of each output, V; none if no cycle was found.
    /// `guessed` says that the number varied there was but a guess at what the cycle shows.
    pub(super) fn over_cycle(
        &mut self,
        changes: &[Change],
        points: &[Point],
        seen: &Seen,
        guessed: bool,
    ) -> Option<(Seen, Vec<f64>)> {
        let supply = self.supply.as_ref()?;
        let (mains, near) = (supply.mains_of.clone(), supply.cycle.clone());
        let mut all: Vec<Change> = changes.to_vec();
        for output in &supply.outputs {
            all.push(Change::Feed(output.current, 0.0));
            all.push(Change::Ohms(output.resistance, 1e15));
        }
        // A lead that is off its node stands where leakage holds it: without any, nothing would.
        let first = self.circuit.nodes.len();
        let loose = changes.iter().filter_map(|change| match *change {
            Change::Loosen(element, terminal) => self.circuit.elements[element]
                .terminals
                .get(terminal)
                .copied(),
            _ => None,
        });
        let leaks = loose.enumerate();
        all.extend(leaks.map(|(k, from)| Change::Join(from, Node(first + k), LEAKAGE_OHM)));
        let cycle = self.with(&all, |bench, undo| {
            let mut assembly = bench.bare_assembly();
            for &law in &undo.unplugged {
                assembly.unplugged[law] = true;
            }
            let found = periodic::cycle_near(assembly, &mains, &near).ok()?;
            Some(found.0)
        })?;
        let mut seen = seen.clone();
        // What a fault's number does to means is that of the source in the rectifiers' place.
        let opened = guessed || changes.iter().any(|c| matches!(c, Change::Farads(..)));
        for (k, point) in points.iter().enumerate() {
            let (mean, swing, rms) = over(&cycle, point);
            let before = seen.reads[k];
            match point.quantity {
                Quantity::Volts if point.is_plain() => {
                    let bare = volts(&seen.x, point.a) - volts(&seen.x, point.b);
                    seen.reads[k] = before - seen.added[k] + mean - bare;
                    let sound = volts(&self.sound, point.a) - volts(&self.sound, point.b);
                    if opened {
                        seen.own[k] = 0.0;
                    }
                    seen.doubt[k] = doubt(DOUBT, seen.reads[k], sound);
                }
                Quantity::Ripple => seen.set_ripple(k, swing),
                Quantity::RippleRms => seen.set_ripple(k, rms),
                _ => {}
            }
        }
        let supply = self.supply.as_ref()?;
        let swings = supply.outputs.iter().map(|output| {
            let at = |x: &[f64]| volts(x, output.node);
            let all = cycle.instants.iter().map(|i| at(&i.x));
            let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
                (low.min(v), high.max(v))
            });
            high - low
        });
        Some((seen, swings.collect()))
    }
}
