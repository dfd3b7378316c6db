//! The circuit over time: steps of TR-BDF2 (`step`), their length ruled by the local error, from a
//! start at rest or under way (`start`).

mod start;
mod step;

use super::{NoSolution, periodic};
use crate::circuit::Circuit;
use crate::math::fun;
use crate::num::on_grid;
pub use step::{Accuracy, Effort, Stepper};

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

/// Part of the first step that is used to find out how a circuit starts that is not at rest.
const SOON: f64 = 1e-2;

/// Runs a transient; `row` gets every output time with the values of the probes there.
/// `progress` gets the time reached now and then.
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
    let longest = circuit
        .drives()
        .filter_map(|d| d.wave.as_ref())
        .map(|w| w.longest_step())
        .fold(run.max_step_s, f64::min);
    let first = (longest * 1e-3)
        .min(run.stop_s * 1e-4)
        .min(run.step_s * 0.1);
    let at_rest = !run.from_initial_values && supply.is_none();
    let mut stepper = if run.from_initial_values {
        Stepper::from_initial_values(circuit, run.accuracy, first * SOON)?
    } else if let Some((cycle, assembly)) = supply {
        Stepper::warm(assembly, &cycle.start, run.accuracy)
    } else {
        Stepper::at_rest(circuit, run.accuracy)?
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
    if at_rest {
        // The first row shows what is held.
        stepper.release(first * SOON)?;
    }
    let mut h = first;
    let mut corner = next_corner(circuit, 0.0);
    // The last row, which may lie a rounding error past the stop.
    let end = time_of(rows - 1);
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
            for k in 0..times.len() {
                for (value, column) in values.iter_mut().zip(&columns) {
                    *value = column[k];
                }
                let t = on_grid(run.from_s, run.step_s, next_row + k);
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
