//! The circuit over time: steps of TR-BDF2, their length ruled by the local error.

use super::periodic::{self, State};
use super::{NoSolution, operating_point};
use crate::circuit::{BranchKind, Circuit, Node};
use crate::math::fun;
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

/// What a run is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// First output time, s.
    pub from_s: f64,
    /// Output interval, s.
    pub step_s: f64,
    /// Last time, s.
    pub stop_s: f64,
    /// Longest inner step, s.
    pub max_step_s: f64,
    /// Start from `IC=` values instead of an operating point.
    pub from_initial_values: bool,
    /// Start in the mains cycle that repeats itself, where the circuit has a supply fed from the
    /// mains: charged, and its ripple under way.
    pub warm: bool,
    /// Tolerances.
    pub accuracy: Accuracy,
}

impl Run {
    /// A run with the usual accuracy.
    pub fn new(from_s: f64, step_s: f64, stop_s: f64) -> Self {
        Run {
            from_s,
            step_s,
            stop_s,
            max_step_s: (stop_s / 50.0).max(step_s.min(stop_s)),
            from_initial_values: false,
            warm: false,
            accuracy: Accuracy::default(),
        }
    }

    /// How many rows of output it gives.
    pub fn rows(&self) -> usize {
        // A stop that is a whole number of steps but for rounding is included.
        let steps = (self.stop_s - self.from_s) / self.step_s * (1.0 + 1e-12) + 1e-9;
        (steps.floor() as usize).saturating_add(1)
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
    lu: StaticLu<f64>,
    /// Start, inner point and end of the last step.
    points: [Sample; 3],
    /// Start of the last step, and the step before's inner point: for extrapolation.
    previous: Option<Past>,
    step_s: f64,
    accuracy: Accuracy,
    lowest: Vec<f64>,
    highest: Vec<f64>,
    differential: Vec<bool>,
    work: Vec<f64>,
    auditor: Option<Auditor>,
}

/// Unknowns, charges and their rates at one time.
#[derive(Debug, Clone, Default)]
struct Sample {
    time: f64,
    x: Vec<f64>,
    x_rate: Vec<f64>,
    q: Vec<f64>,
    q_rate: Vec<f64>,
}

/// Earlier points: times and unknowns of the previous step's start and inner point.
#[derive(Debug, Clone)]
struct Past {
    times: [f64; 2],
    x: [Vec<f64>; 2],
}

/// What the equations of one stage need besides the unknowns.
struct Stage<'a, 'c> {
    assembly: &'a mut Assembly<'c>,
    lu: &'a mut StaticLu<f64>,
    ask: SourceState,
    a: f64,
    /// q' = a q + offset.
    offset: &'a [f64],
    tolerance: &'a [f64],
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
/// A local error up to so many times what rounding makes is put down to rounding.
const NOISE: f64 = 10.0;
/// Newton must settle to this part of the local error allowed.
const SETTLED: f64 = 1e-2;

impl<'c> Stepper<'c> {
    /// At rest at an operating point with every source at its t = 0 value; `.ic` nodes are
    /// held meanwhile and let go.
    pub fn at_rest(
        circuit: &'c Circuit,
        accuracy: Accuracy,
    ) -> Result<(Self, operating_point::Point), Box<NoSolution>> {
        let mut assembly = Assembly::new(circuit);
        let point = operating_point::solve(&mut assembly, SourceState::at(0.0), &circuit.held)?;
        let mut stepper = Self::from_point(assembly, point.x.clone(), accuracy);
        if !circuit.held.is_empty() {
            let charges = stepper.points[2].q.clone();
            stepper.consistent_start(&charges)?;
        }
        Ok((stepper, point))
    }

    /// From the `IC=` and `.ic` values alone: every other capacitor empty, every other
    /// inductor without current.
    pub fn from_initial_values(
        circuit: &'c Circuit,
        accuracy: Accuracy,
    ) -> Result<Self, Box<NoSolution>> {
        let assembly = Assembly::new(circuit);
        let charges = initial_charges(circuit, &assembly);
        let zero = vec![0.0; assembly.len()];
        let mut stepper = Self::from_point(assembly, zero, accuracy);
        stepper.assembly.forget();
        stepper.consistent_start(&charges)?;
        Ok(stepper)
    }

    /// At rest at an operating point already found.
    pub fn from_point(mut assembly: Assembly<'c>, x: Vec<f64>, accuracy: Accuracy) -> Self {
        let n = assembly.len();
        assembly.evaluate(&x, SourceState::at(0.0), 0.0, false);
        let rest = Sample {
            time: 0.0,
            x_rate: vec![0.0; n],
            q: assembly.q.clone(),
            q_rate: vec![0.0; n],
            x: x.clone(),
        };
        let nodes = assembly.unknowns.nodes();
        let inductive: Vec<bool> = assembly
            .circuit
            .branches
            .iter()
            .map(|b| matches!(b.kind, BranchKind::Inductance(_)))
            .collect();
        let mut auditor = Auditor::new(assembly.circuit, "transient", ALLOWED);
        if let Some(auditor) = &mut auditor {
            auditor.stand(&assembly, &x);
        }
        let (indptr, indices) = assembly.pattern();
        Stepper {
            auditor,
            lu: StaticLu::new(n, indptr, indices),
            points: [rest.clone(), rest.clone(), rest],
            previous: None,
            time: 0.0,
            step_s: 0.0,
            effort: Effort::default(),
            accuracy,
            lowest: x.clone(),
            highest: x,
            differential: (0..n).map(|k| k < nodes || inductive[k - nodes]).collect(),
            work: vec![0.0; n],
            assembly,
        }
    }

    /// In the middle of a mains cycle that repeats itself: the supply is charged, its ripple
    /// under way. The clock stands at 0, the cycle's start.
    pub fn warm(assembly: Assembly<'c>, start: &State, accuracy: Accuracy) -> Self {
        let mut stepper = Self::from_point(assembly, start.x.clone(), accuracy);
        let end = &mut stepper.points[2];
        end.q.copy_from_slice(&start.q);
        end.q_rate.copy_from_slice(&start.q_rate);
        end.x_rate.copy_from_slice(&start.x_rate);
        stepper.forget_audit();
        stepper
    }

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
    fn tolerances(&self) -> Vec<f64> {
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

    /// A very short backward-Euler step from given charges: finds voltages and rates that
    /// agree with them whatever held them before.
    fn consistent_start(&mut self, charges: &[f64]) -> Result<(), Box<NoSolution>> {
        let h = 1e-9;
        let a = 1.0 / h;
        let offset: Vec<f64> = charges.iter().map(|q| -a * q).collect();
        let tolerance = vec![1e-9; charges.len()];
        let mut x = self.points[2].x.clone();
        let found = newton::solve(
            &mut Stage {
                assembly: &mut self.assembly,
                lu: &mut self.lu,
                ask: SourceState::at(0.0),
                a,
                offset: &offset,
                tolerance: &tolerance,
            },
            &mut x,
            &NewtonSettings::default(),
        );
        if let Err(failure) = found {
            return Err(Box::new(self.no_solution(&failure)));
        }
        self.assembly.settle_memory(&x);
        let end = &mut self.points[2];
        for (k, q) in charges.iter().enumerate() {
            end.q_rate[k] = a * (self.assembly.q[k] - q);
        }
        end.q.copy_from_slice(&self.assembly.q);
        end.x_rate.fill(0.0);
        end.x.copy_from_slice(&x);
        self.forget_audit();
        self.lowest.copy_from_slice(&x);
        self.highest.copy_from_slice(&x);
        Ok(())
    }

    /// The next step starts from charges that the audit does not know.
    fn forget_audit(&mut self) {
        if let Some(auditor) = &mut self.auditor {
            auditor.forget();
        }
    }

    fn no_solution(&self, failure: &Failure) -> NoSolution {
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
    fn try_step(
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
    fn error(&mut self, tolerance: &[f64]) -> f64 {
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
        // their third difference tells how far the parabola strays between the points.
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
        // than that tells nothing; a shorter step would tell less.
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
    fn accept(&mut self) {
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
        if self.assembly.settle_memory(&x) {
            self.previous = None;
        }
        self.points[2].x = x;
    }

    /// Undoes the step that stands in `points`: its start is the present again.
    fn reject(&mut self) {
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

/// Runs a transient; `row` gets every output time with the values of the probes there.
/// `progress` is told the time reached now and then.
pub fn run<E>(
    circuit: &Circuit,
    run: &Run,
    probes: &[crate::system::probe::Observable],
    mut row: impl FnMut(f64, &[f64]) -> Result<(), E>,
    mut progress: impl FnMut(f64) -> Result<(), E>,
) -> Result<Result<Effort, E>, Box<NoSolution>> {
    let supply = if run.warm {
        periodic::supply(circuit)?
    } else {
        None
    };
    let mut stepper = if run.from_initial_values {
        Stepper::from_initial_values(circuit, run.accuracy)?
    } else if let Some((cycle, assembly)) = supply {
        Stepper::warm(assembly, &cycle.start, run.accuracy)
    } else {
        Stepper::at_rest(circuit, run.accuracy)?.0
    };
    let rows = run.rows();
    let time_of = |k: usize| run.from_s + k as f64 * run.step_s;
    let mut next_row = 0;
    let mut values = vec![0.0; probes.len()];
    if run.from_s <= 0.0 {
        for (value, probe) in values.iter_mut().zip(probes) {
            *value = stepper.read(|assembly, moment| probe.read(assembly, moment));
        }
        if let Err(e) = row(0.0, &values) {
            return Ok(Err(e));
        }
        next_row = 1;
    }
    let longest = circuit
        .drives()
        .filter_map(|d| d.wave.as_ref())
        .map(|w| w.longest_step())
        .fold(run.max_step_s, f64::min);
    let first = (longest * 1e-3)
        .min(run.stop_s * 1e-4)
        .min(run.step_s * 0.1);
    let mut h = first;
    let mut corner = next_corner(circuit, 0.0);
    // The run goes on to the last row, which may lie a rounding error past the stop.
    let end = time_of(rows - 1).max(run.stop_s.min(time_of(rows - 1)));
    while next_row < rows {
        let target = corner.map_or(end, |c| c.min(end));
        let left = target - stepper.time;
        let mut step = h.min(longest);
        let lands = step >= left * (1.0 - 1e-9);
        if lands {
            step = left;
        } else if step > 0.5 * left {
            // Two even steps rather than a long one and a crumb.
            step = 0.5 * left;
        }
        let tolerance = stepper.tolerances();
        if let Err(failure) = stepper.try_step(step, None, &tolerance) {
            stepper.effort.unsettled += 1;
            h = step * 0.125;
            stepper.previous = None;
            if stepper.time + 8.0 * h <= stepper.time * (1.0 + 1e-15) || h < 1e-18 {
                return Err(Box::new(stepper.no_solution(&failure)));
            }
            continue;
        }
        let error = stepper.error(&tolerance);
        let change = 0.9 / fun::cbrt(error.max(1e-9));
        // Shorter still, and the estimate would be nothing but rounding.
        let tiny = step <= first * 1e-3;
        if error > 1.0 && !tiny {
            stepper.effort.rejected += 1;
            stepper.reject();
            h = step * change.clamp(0.1, 0.8);
            continue;
        }
        if lands {
            stepper.points[2].time = target;
        }
        stepper.accept();
        let mut upto = next_row;
        while upto < rows && time_of(upto) <= stepper.time + 1e-12 * run.step_s {
            upto += 1;
        }
        if upto > next_row {
            let times: Vec<f64> = (next_row..upto).map(time_of).collect();
            let columns: Vec<Vec<f64>> = probes
                .iter()
                .map(|probe| stepper.read_between(&times, |a, m| probe.read(a, m)))
                .collect();
            for (k, &t) in times.iter().enumerate() {
                for (value, column) in values.iter_mut().zip(&columns) {
                    *value = column[k];
                }
                if let Err(e) = row(t, &values) {
                    return Ok(Err(e));
                }
            }
            next_row = upto;
        }
        if let Err(e) = progress(stepper.time) {
            return Ok(Err(e));
        }
        h = step * change.clamp(0.2, 3.0);
        if lands && corner.is_some_and(|c| c <= stepper.time * (1.0 + 1e-12)) {
            corner = next_corner(circuit, stepper.time);
            // Past a corner the old shape says nothing.
            stepper.previous = None;
            h = h.min(first.max(left * 1e-2));
        }
    }
    Ok(Ok(stepper.effort))
}

fn next_corner(circuit: &Circuit, t: f64) -> Option<f64> {
    circuit
        .drives()
        .filter_map(|d| d.wave.as_ref())
        .filter_map(|w| w.next_corner(t))
        .min_by(f64::total_cmp)
}

/// Charges and fluxes that the `IC=` and `.ic` values stand for.
fn initial_charges(circuit: &Circuit, assembly: &Assembly<'_>) -> Vec<f64> {
    let at = assembly.unknowns;
    let mut q = vec![0.0; at.len()];
    let held = |node: Node| {
        circuit
            .held
            .iter()
            .find(|h| h.0 == node)
            .map_or(0.0, |h| h.1)
    };
    let mut current = vec![0.0; circuit.branches.len()];
    for element in &circuit.elements {
        for port in &element.ports {
            match port.piece {
                crate::circuit::Piece::Capacitance(k) => {
                    let c = &circuit.capacitances[k];
                    let own = element.initial.filter(|_| element.letter == 'C');
                    let volts = own.unwrap_or_else(|| held(c.a) - held(c.b));
                    if let Some(row) = at.node(c.a) {
                        q[row] += c.farads * volts;
                    }
                    if let Some(row) = at.node(c.b) {
                        q[row] -= c.farads * volts;
                    }
                }
                crate::circuit::Piece::Branch(k) if element.letter == 'L' => {
                    current[k] = element.initial.unwrap_or(0.0);
                }
                _ => {}
            }
        }
    }
    for (k, branch) in circuit.branches.iter().enumerate() {
        if let BranchKind::Inductance(henries) = branch.kind {
            q[at.nodes() + k] -= henries * current[k];
        }
    }
    for &(a, b, mutual) in &circuit.mutuals {
        q[at.branch(a)] -= mutual * current[b.0];
        q[at.branch(b)] -= mutual * current[a.0];
    }
    q
}

/// Lagrange weights of three times for a fourth.
fn lagrange(t: [f64; 3], at: f64) -> [f64; 3] {
    let weight =
        |i: usize, j: usize, k: usize| (at - t[j]) * (at - t[k]) / ((t[i] - t[j]) * (t[i] - t[k]));
    [weight(0, 1, 2), weight(1, 0, 2), weight(2, 0, 1)]
}
