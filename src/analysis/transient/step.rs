//! One step of TR-BDF2: Newton within its stages, the local error, taken or taken back.

use crate::analysis::NoSolution;
use crate::math::lu::{LinearSolver, Singular, StaticLu};
use crate::math::newton::{self, Equations, Failure, NewtonSettings};
use crate::math::tr_bdf2::{self, GAMMA};
use crate::system::assemble::{ABSOLUTE, Assembly, SourceState};
use crate::system::audit::{Allowance, Auditor};
use crate::system::probe::Moment;

/// How accurate a run is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Local error of a step, as a part of how far an unknown has moved so far.
    pub relative: f64,
    /// Local error that is always accepted, V.
    pub volts: f64,
    /// The same for currents of inductors, A.
    pub amperes: f64,
}

impl Default for Accuracy {
    fn default() -> Self {
        Accuracy {
            relative: 5e-8,
            volts: 1e-8,
            amperes: 1e-11,
        }
    }
}

/// Effort of a run.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Effort {
    /// Steps taken.
    pub steps: usize,
    /// Steps taken back because their error was too large.
    pub rejected: usize,
    /// Steps taken back because Newton did not settle.
    pub unsettled: usize,
    /// Newton iterations.
    pub iterations: usize,
    /// Pivot orders chosen.
    pub orderings: usize,
}

/// A circuit moving through time.
#[derive(Debug)]
pub struct Stepper<'c> {
    /// Its equations.
    pub assembly: Assembly<'c>,
    /// Time reached, s.
    pub time: f64,
    /// Effort so far.
    pub effort: Effort,
    pub(super) lu: StaticLu<f64>,
    /// Start, inner point and end of the last step.
    pub(super) points: [Sample; 3],
    /// Start of the last step, and the step before's inner point: for extrapolation.
    pub(super) previous: Option<Past>,
    pub(super) step_s: f64,
    pub(super) accuracy: Accuracy,
    pub(super) lowest: Vec<f64>,
    pub(super) highest: Vec<f64>,
    pub(super) differential: Vec<bool>,
    pub(super) work: Vec<f64>,
    pub(super) auditor: Option<Auditor>,
}

/// Unknowns, charges and their rates at one time.
#[derive(Debug, Clone, Default)]
pub(super) struct Sample {
    pub(super) time: f64,
    pub(super) x: Vec<f64>,
    pub(super) x_rate: Vec<f64>,
    pub(super) q: Vec<f64>,
    pub(super) q_rate: Vec<f64>,
}

/// Earlier points: times and unknowns of the previous step's start and inner point.
#[derive(Debug, Clone)]
pub(super) struct Past {
    times: [f64; 2],
    x: [Vec<f64>; 2],
}

/// What the equations of one stage need besides the unknowns.
pub(super) struct Stage<'a, 'c> {
    pub(super) assembly: &'a mut Assembly<'c>,
    pub(super) lu: &'a mut StaticLu<f64>,
    pub(super) ask: SourceState,
    pub(super) a: f64,
    /// q' = a q + offset.
    pub(super) offset: &'a [f64],
    pub(super) tolerance: &'a [f64],
}

impl Equations for Stage<'_, '_> {
    fn size(&self) -> usize {
        self.assembly.len()
    }

    fn linearise(&mut self, x: &[f64], residual: &mut [f64]) -> bool {
        let limited = self.assembly.evaluate(x, self.ask, self.a, true);
        for (k, r) in residual.iter_mut().enumerate() {
            *r = self.assembly.f[k] + self.a * self.assembly.q[k] + self.offset[k];
        }
        limited
    }

    fn solve(&mut self, residual: &mut [f64]) -> Result<(), Singular> {
        self.lu.factor(&self.assembly.jacobian)?;
        self.lu.solve(residual);
        Ok(())
    }

    fn step_tolerance(&self, i: usize, _: f64) -> f64 {
        self.tolerance[i]
    }

    fn residual_ratio(&mut self, x: &[f64]) -> (f64, usize) {
        self.assembly.evaluate(x, self.ask, self.a, false);
        self.assembly.residual_scale(x, self.ask, self.a);
        let mut worst = (0.0, 0);
        for k in 0..x.len() {
            let r = self.assembly.f[k] + self.a * self.assembly.q[k] + self.offset[k];
            let tolerated = ABSOLUTE
                + LEFT_OVER * self.assembly.scale[k]
                + 8.0 * f64::EPSILON * (self.a * self.assembly.q[k]).abs();
            let ratio = r.abs() / tolerated;
            // Written so that NaN counts as the worst.
            let better = ratio <= worst.0;
            if !better {
                worst = (ratio, k);
            }
        }
        worst
    }
}

/// Part of the currents at a node that Kirchhoff's law may leave over within a step: well
/// below what the step's own error does.
const LEFT_OVER: f64 = 1e-7;

/// Part of a charge that rounding leaves uncertain in the difference of its rates.
const ROUNDED: f64 = 16.0 * f64::EPSILON;

/// What the audit accepts: ten times what Newton does.
pub(super) const ALLOWED: Allowance = Allowance {
    part: 10.0 * LEFT_OVER,
    known: 16e3 * f64::EPSILON,
    volts: 0.0,
};

/// A local error up to this many times what rounding makes is put down to rounding.
const NOISE: f64 = 10.0;

/// Newton must settle to this part of the local error allowed.
const SETTLED: f64 = 1e-2;

impl<'c> Stepper<'c> {
    /// Sets the clock of a circuit at rest, s.
    pub fn start_at(&mut self, time_s: f64) {
        self.time = time_s;
        for point in &mut self.points {
            point.time = time_s;
        }
    }

    /// The unknowns now.
    pub fn x(&self) -> &[f64] {
        &self.points[2].x
    }

    /// Reads something now.
    pub fn read<R>(&mut self, read: impl FnOnce(&mut Assembly<'c>, Moment<'_>) -> R) -> R {
        let end = &self.points[2];
        let moment = Moment {
            time: Some(self.time),
            x: &end.x,
            rates: Some(&end.x_rate),
        };
        read(&mut self.assembly, moment)
    }

    /// Reads something at the three points of the last step and gives it at a time within,
    /// by the parabola through them.
    pub fn read_between(
        &mut self,
        times: &[f64],
        read: impl Fn(&mut Assembly<'c>, Moment<'_>) -> f64,
    ) -> Vec<f64> {
        let mut values = [0.0; 3];
        for (value, point) in values.iter_mut().zip(&self.points) {
            let moment = Moment {
                time: Some(point.time),
                x: &point.x,
                rates: Some(&point.x_rate),
            };
            *value = read(&mut self.assembly, moment);
        }
        let start = self.points[0].time;
        times
            .iter()
            .map(|t| {
                let w = tr_bdf2::interpolate((t - start) / self.step_s);
                w[0] * values[0] + w[1] * values[1] + w[2] * values[2]
            })
            .collect()
    }

    /// Tolerated local error of each unknown.
    pub(super) fn tolerances(&self) -> Vec<f64> {
        let nodes = self.assembly.unknowns.nodes();
        (0..self.assembly.len())
            .map(|k| {
                let floor = if k < nodes {
                    self.accuracy.volts
                } else {
                    self.accuracy.amperes
                };
                floor + self.accuracy.relative * (self.highest[k] - self.lowest[k])
            })
            .collect()
    }

    /// The next step starts from charges that the audit does not know.
    pub(super) fn forget_audit(&mut self) {
        if let Some(auditor) = &mut self.auditor {
            auditor.forget();
        }
    }

    pub(super) fn no_solution(&self, failure: &Failure) -> NoSolution {
        NoSolution::new(
            "transient",
            self.assembly.circuit,
            failure,
            vec!["ever shorter steps"],
            Some(self.time),
        )
    }

    /// Tries a step of `h` with the driven source (if any) at the given values at the inner
    /// point and the end. On success the step stands in `points` but is not yet taken.
    pub(super) fn try_step(
        &mut self,
        h: f64,
        drive: Option<[f64; 2]>,
        tolerance: &[f64],
    ) -> Result<(), Failure> {
        let n = self.assembly.len();
        let a = tr_bdf2::factor(h);
        let t0 = self.time;
        let t1 = t0 + GAMMA * h;
        let t2 = t0 + h;
        let start = std::mem::take(&mut self.points[2]);
        let mut inner = std::mem::take(&mut self.points[1]);
        let mut end = std::mem::take(&mut self.points[0]);
        // No finer than rounding allows; the currents of voltage sources follow from the rest
        // and are judged by Kirchhoff's law alone.
        let settle: Vec<f64> = (0..n)
            .map(|k| {
                let size = start.x[k].abs();
                if self.differential[k] {
                    tolerance[k] * SETTLED + 64.0 * f64::EPSILON * size
                } else {
                    1e-6 + 1e-3 * size
                }
            })
            .collect();
        let mut offset = std::mem::take(&mut self.work);
        let mut failed = None;
        for stage in [1, 2] {
            let (t, x) = if stage == 1 {
                (t1, &mut inner.x)
            } else {
                (t2, &mut end.x)
            };
            self.extrapolate(&start, t, x);
            if let (Some(external), Some(values)) = (&mut self.assembly.external, drive) {
                external.1 = values[stage - 1];
            }
            for (k, o) in offset.iter_mut().enumerate() {
                *o = if stage == 1 {
                    tr_bdf2::inner_rate(a, 0.0, start.q[k], start.q_rate[k])
                } else {
                    tr_bdf2::end_rate(a, 0.0, inner.q[k], start.q[k])
                };
            }
            let found = newton::solve(
                &mut Stage {
                    assembly: &mut self.assembly,
                    lu: &mut self.lu,
                    ask: SourceState::at(t),
                    a,
                    offset: &offset,
                    tolerance: &settle,
                },
                x,
                &NewtonSettings {
                    max_iterations: 40,
                    ..NewtonSettings::default()
                },
            );
            match found {
                Ok(found) => self.effort.iterations += found.iterations,
                Err(failure) => {
                    self.effort.iterations += failure.iterations();
                    failed = Some(failure);
                    break;
                }
            }
            if stage == 1 {
                inner.time = t;
                inner.q.copy_from_slice(&self.assembly.q);
                for k in 0..n {
                    inner.q_rate[k] =
                        tr_bdf2::inner_rate(a, inner.q[k], start.q[k], start.q_rate[k]);
                    inner.x_rate[k] =
                        tr_bdf2::inner_rate(a, inner.x[k], start.x[k], start.x_rate[k]);
                }
            } else {
                end.time = t;
                end.q.copy_from_slice(&self.assembly.q);
                for k in 0..n {
                    end.q_rate[k] = tr_bdf2::end_rate(a, end.q[k], inner.q[k], start.q[k]);
                    end.x_rate[k] = tr_bdf2::end_rate(a, end.x[k], inner.x[k], start.x[k]);
                }
            }
        }
        self.work = offset;
        self.effort.orderings = self.lu.orderings;
        match failed {
            None => {
                self.points = [start, inner, end];
                self.step_s = h;
                Ok(())
            }
            Some(failure) => {
                self.points = [end, inner, start];
                Err(failure)
            }
        }
    }

    /// A guess at time `t`: the parabola through the last known points where there are any.
    fn extrapolate(&self, start: &Sample, t: f64, x: &mut [f64]) {
        let Some(past) = &self.previous else {
            x.copy_from_slice(&start.x);
            return;
        };
        let w = lagrange([past.times[0], past.times[1], start.time], t);
        for (k, v) in x.iter_mut().enumerate() {
            *v = w[0] * past.x[0][k] + w[1] * past.x[1][k] + w[2] * start.x[k];
        }
    }

    /// The local error of the step that stands in `points`, in multiples of what is allowed.
    pub(super) fn error(&mut self, tolerance: &[f64]) -> f64 {
        let [start, inner, end] = &self.points;
        let a = tr_bdf2::factor(self.step_s);
        let mut e = std::mem::take(&mut self.work);
        for (k, e) in e.iter_mut().enumerate() {
            let charge =
                tr_bdf2::local_error(self.step_s, start.q_rate[k], inner.q_rate[k], end.q_rate[k]);
            // What a charge is known to no better than rounding is no error of the step: taken
            // for one, it would ask for shorter steps, where it is larger still.
            let known = ROUNDED * end.q[k].abs();
            *e = if charge.abs() > known {
                a * charge
            } else {
                0.0
            };
        }
        // Through the matrix of the step: slow parts keep their error, stiff ones lose it.
        self.lu.solve(&mut e);
        let mut worst = 0.0f64;
        for k in (0..e.len()).filter(|&k| self.differential[k]) {
            worst = worst.max(e[k].abs() / tolerance[k]);
        }
        // Voltages without charge have no such error but are interpolated all the same:
        // their third difference shows how far the parabola strays between the points.
        if let Some(past) = &self.previous {
            let times = [past.times[0], past.times[1], start.time];
            let w = lagrange(times, end.time);
            let ahead: f64 = times.iter().map(|t| (end.time - t) / self.step_s).product();
            let nodes = self.assembly.unknowns.nodes();
            for (k, allowed) in tolerance.iter().enumerate().take(nodes) {
                let guess = w[0] * past.x[0][k] + w[1] * past.x[1][k] + w[2] * start.x[k];
                let strays = 0.0635 * (end.x[k] - guess).abs() / ahead;
                worst = worst.max(strays / allowed);
            }
        }
        // What rounding of the charges makes of the voltages grows as the step shrinks, above all
        // where coupling capacitors leave a group of nodes to its resistors. An error no larger
        // than that means nothing; a shorter step would mean less.
        if worst > 1.0 {
            let end = &self.points[2];
            self.assembly
                .rounding(&end.x, SourceState::at(end.time), a, &mut e);
            self.lu.solve(&mut e);
            let noise = (0..e.len())
                .filter(|&k| self.differential[k])
                .map(|k| e[k].abs() / tolerance[k])
                .fold(0.0, f64::max);
            if worst <= NOISE * noise {
                worst = 0.5;
            }
        }
        self.work = e;
        worst
    }

    /// Takes the step that stands in `points`.
    pub(super) fn accept(&mut self) {
        self.effort.steps += 1;
        self.time = self.points[2].time;
        let end = &self.points[2];
        for k in 0..end.x.len() {
            self.lowest[k] = self.lowest[k].min(end.x[k]);
            self.highest[k] = self.highest[k].max(end.x[k]);
        }
        let past = self.previous.get_or_insert_with(|| Past {
            times: [0.0; 2],
            x: [vec![0.0; end.x.len()], vec![0.0; end.x.len()]],
        });
        for k in 0..2 {
            past.times[k] = self.points[k].time;
            past.x[k].copy_from_slice(&self.points[k].x);
        }
        if let Some(auditor) = &mut self.auditor {
            let [_, inner, end] = &self.points;
            let point = |of: &'_ Sample| SourceState::at(of.time);
            let (inner, end) = ((&inner.x[..], point(inner)), (&end.x[..], point(end)));
            auditor.step(&self.assembly, self.step_s, inner, end);
        }
        let x = std::mem::take(&mut self.points[2].x);
        if self.assembly.settle_memory(&x).is_some() {
            self.previous = None;
        }
        self.points[2].x = x;
    }

    /// Undoes the step that stands in `points`: its start is the present again.
    pub(super) fn reject(&mut self) {
        self.points.swap(0, 2);
    }

    /// One step of exactly `h` (a sample), whatever its error; where Newton does not settle
    /// the step is halved, again and again if need be. The driven source moves from its
    /// present value through `inner` to `end`. The number of inner steps is returned.
    pub fn step_exactly(
        &mut self,
        h: f64,
        drive: [f64; 2],
        tolerance: &[f64],
    ) -> Result<usize, Box<NoSolution>> {
        let from = self.assembly.external.map_or(0.0, |e| e.1);
        let t0 = self.time;
        if self.try_step(h, Some(drive), tolerance).is_ok() {
            self.accept();
            self.time = t0 + h;
            return Ok(1);
        }
        // The drive between its three known values: a parabola.
        let at = |s: f64| {
            let w = tr_bdf2::interpolate(s);
            w[0] * from + w[1] * drive[0] + w[2] * drive[1]
        };
        self.previous = None;
        let (mut s, mut part, mut taken) = (0.0, 0.5, 0);
        while s < 1.0 {
            let values = [at(s + GAMMA * part), at(s + part)];
            match self.try_step(h * part, Some(values), tolerance) {
                Ok(()) => {
                    self.accept();
                    s += part;
                    taken += 1;
                    part = (2.0 * part).min(1.0 - s);
                }
                Err(failure) => {
                    self.effort.unsettled += 1;
                    part *= 0.25;
                    if part < 1e-9 {
                        return Err(Box::new(self.no_solution(&failure)));
                    }
                }
            }
        }
        self.time = t0 + h;
        self.points[2].time = self.time;
        Ok(taken)
    }

    /// Newton tolerances for fixed steps: a part of a volt that no ear can tell.
    pub fn fixed_tolerances(&self, volts: f64) -> Vec<f64> {
        let nodes = self.assembly.unknowns.nodes();
        (0..self.assembly.len())
            .map(|k| if k < nodes { volts } else { volts * 1e-3 } / SETTLED)
            .collect()
    }
}

/// Lagrange weights of three times for a fourth.
fn lagrange(t: [f64; 3], at: f64) -> [f64; 3] {
    let weight =
        |i: usize, j: usize, k: usize| (at - t[j]) * (at - t[k]) / ((t[i] - t[j]) * (t[i] - t[k]));
    [weight(0, 1, 2), weight(1, 0, 2), weight(2, 0, 1)]
}
