//! Readings of other kinds than direct volts of the working amplifier: with valves pulled or a
//! switch thrown, ohms to ground with the mains off, the gain of a tone, and ripple.

use super::bench::{Bench, Solved};
use super::change::Change;
use super::node::{feed, volts};
use super::point::{Point, Quantity};
use super::seen::Seen;
use super::slope::Push;
use super::state::{State, TONE_HZ, tone_source};
use crate::analysis::small_signal::{Excitation, SmallSignal};
use crate::circuit::Node;
use crate::math::fun;
use crate::math::lu::{LinearSolver, StaticLu};
use crate::system::assemble::SourceState;

/// How far the tolerances of valves and parts move a gain, a part of it (common practice).
const GAIN: f64 = 0.08;
/// The step of a capacitance's slope.
const STEP: f64 = 0.05;
/// Ohms that a meter's leads may add.
const LEADS: f64 = 0.5;

impl Bench {
    /// As [`Bench::look`], for points of any kind in any state.
    pub(super) fn look_in_states(
        &mut self,
        changes: &[Change],
        points: &[Point],
        start: Option<&Seen>,
        slopes: bool,
    ) -> Option<Seen> {
        let place = |wanted: &dyn Fn(&Point) -> bool| -> Vec<usize> {
            (0..points.len()).filter(|&k| wanted(&points[k])).collect()
        };
        let some = |places: &[usize]| -> Vec<Point> {
            places.iter().map(|&k| points[k].clone()).collect()
        };
        let plain = place(&|p| p.is_plain());
        let mut whole = self.once(changes, &some(&plain), start, slopes)?;
        let part = whole.clone();
        whole.widen(points.len(), if slopes { self.columns() } else { 0 });
        whole.fill(&part, &plain);
        let gains = place(&|p| p.quantity == Quantity::Gain);
        if !gains.is_empty() {
            let found = self.gains(changes, &some(&gains), &part)?;
            for (&k, gain) in gains.iter().zip(found) {
                whole.reads[k] = gain;
                whole.doubt[k] = GAIN * gain.abs() + 1e-3;
            }
        }
        let ripples = place(&|p| p.quantity.is_ripple());
        if !ripples.is_empty() {
            let found = self.ripples(changes, &some(&ripples), &part)?;
            for (&k, ripple) in ripples.iter().zip(&found) {
                whole.set_ripple(k, *ripple);
            }
            if slopes && changes.iter().any(|c| matches!(c, Change::Farads(..))) {
                let more = Change::all_scaled(changes, 1.0 + STEP);
                let more = self.ripples(&more, &some(&ripples), &part)?;
                for (n, &k) in ripples.iter().enumerate() {
                    whole.own[k] = (more[n] - found[n]) / STEP;
                }
            }
        }
        let mut states: Vec<State> = Vec::new();
        for point in points.iter().filter(|p| p.state != State::Working) {
            if !states.contains(&point.state) {
                states.push(point.state);
            }
        }
        for state in states {
            let mut all = changes.to_vec();
            all.extend(state.changes(&self.circuit));
            if state == State::Off {
                // What stands in the rectifiers' place is no path to ground.
                let outputs = self.supply.iter().flat_map(|s| &s.outputs);
                all.extend(outputs.map(|o| Change::Ohms(o.resistance, 1e15)));
            }
            let of_volts = place(&|p| p.state == state && p.quantity == Quantity::Volts);
            if !of_volts.is_empty() {
                let found = self.once(&all, &some(&of_volts), None, slopes)?;
                whole.fill(&found, &of_volts);
            }
            let of_ohms = place(&|p| p.state == state && p.quantity == Quantity::Ohms);
            if !of_ohms.is_empty() {
                let found = self.ohms(&all, changes, &some(&of_ohms), slopes)?;
                whole.fill(&found, &of_ohms);
            }
        }
        Some(whole)
    }

    /// Ohms between the ends of each point, in a circuit without any source.
    fn ohms(
        &mut self,
        all: &[Change],
        changes: &[Change],
        points: &[Point],
        slopes: bool,
    ) -> Option<Seen> {
        self.with(all, |bench, undo| {
            let mut assembly = bench.assembly(undo);
            let n = assembly.len();
            let ask = SourceState {
                gmin: 1e-12,
                ..SourceState::DC
            };
            assembly.evaluate(&vec![0.0; n], ask, 0.0, false);
            let (indptr, indices) = assembly.pattern();
            let mut lu: StaticLu<f64> = StaticLu::new(n, indptr, indices);
            lu.factor(&assembly.jacobian).ok()?;
            let mut seen = Seen::blank(vec![0.0; n], points.len());
            for (k, point) in points.iter().enumerate() {
                let mut x = vec![0.0; n];
                feed(&mut x, point.a, point.b, 1.0);
                lu.solve(&mut x);
                let at = |x: &[f64]| volts(x, point.a) - volts(x, point.b);
                seen.reads[k] = at(&x);
                seen.doubt[k] = LEADS;
                if !slopes {
                    continue;
                }
                let mut row = vec![0.0; bench.columns()];
                let mut work = vec![0.0; n];
                for slope in bench.slopes() {
                    work.fill(0.0);
                    let passive = |p: &&Push| matches!(p, Push::Resistance(..) | Push::Gain(..));
                    let mut any = false;
                    for push in slope.pushes.iter().filter(passive) {
                        any |= push.add(bench.supply.as_ref(), &x, &mut work, &assembly);
                    }
                    if any {
                        lu.solve(&mut work);
                        for &(column, part) in &slope.columns {
                            row[column] += part * at(&work);
                        }
                    }
                }
                seen.spread.push(row);
                work.fill(0.0);
                let passive = |c: &&Change| matches!(c, Change::Ohms(..) | Change::Join(..));
                for change in changes.iter().filter(passive) {
                    change.push(&bench.circuit, &x, assembly.unknowns, &mut work);
                }
                lu.solve(&mut work);
                seen.own[k] = at(&work);
            }
            Some(seen)
        })
    }

    /// The gain to each point at the tone's frequency.
    fn gains(&mut self, changes: &[Change], points: &[Point], near: &Seen) -> Option<Vec<f64>> {
        self.with(changes, |bench, undo| {
            let Solved {
                mut assembly,
                x,
                lu,
            } = bench.solve(undo, &near.x)?;
            let source = tone_source(&bench.circuit)?;
            let mut small = SmallSignal::in_order(&mut assembly, &x, &lu);
            let mut at = small.at(TONE_HZ).ok()?;
            let x = at.solve(Excitation::Source(source));
            let amplitude = |n: Node| {
                n.0.checked_sub(1)
                    .map_or((0.0, 0.0), |k| (x[k].re, x[k].im))
            };
            let gains = points.iter().map(|p| {
                let (a, b) = (amplitude(p.a), amplitude(p.b));
                fun::hypot(a.0 - b.0, a.1 - b.1)
            });
            Some(gains.collect())
        })
    }
}
