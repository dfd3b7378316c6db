//! Where the steps of a period end: short where the waves bend, long where they do not.

use super::orbit::Orbit;
use crate::math::fun;
use crate::math::radau;

/// A mesh is kept while no step strays by more than this, in multiples of what is allowed.
pub const KEPT: f64 = 1.0;
/// The largest value of |s (s - c1)(s - c2)(s - 1)| in a step: how far a cubic through the
/// four points strays, for each unit of fourth difference.
const STRAYS: f64 = 0.0182;
/// Steps are laid out for this part of the error allowed.
const AIM: f64 = 0.25;
/// No step is shorter than this part of the longest, where charges are integrated ...
const SHORTEST: f64 = 1e-4;
/// ... and where there is nothing to integrate: a limiter without capacitance may be driven
/// until its flanks are all but jumps. What lies within so short a step is heard no more,
/// whatever it is.
const SHORTEST_STILL: f64 = 1e-9;
/// A step may change by this factor from one mesh to the next ...
const MOST: f64 = 16.0;
/// ... and by this one from one step to its neighbour.
const GRADE: f64 = 1.5;

/// What an error lasts is as much as what it is where averages are read: one in the shortest steps
/// counts for this part. Else a winding's leap from one diode to the other, which no mesh smooths,
/// asks for steps without end.
const BRIEF: f64 = 1.0 / 30.0;
/// From this error on a step of a mesh that is only refined is divided, and into how many parts at most.
const DIVIDED: f64 = 0.5;
const MOST_PARTS: f64 = 8.0;
/// A step is divided while a period is integrated down to this part of the longest.
const AT_ONCE: f64 = 1e-3;

/// How long steps may be, s.
#[derive(Debug, Clone, Copy)]
pub struct Lengths {
    /// At the most.
    pub longest: f64,
    /// At the least.
    shortest: f64,
    /// Errors of steps up to this length do not count.
    unheard: f64,
    /// Whether an error counts by the time that it lasts: see [`BRIEF`].
    pub by_time: bool,
}

impl Lengths {
    /// For a circuit with charges or without.
    pub fn new(longest: f64, stores: bool) -> Self {
        let shortest = longest * if stores { SHORTEST } else { SHORTEST_STILL };
        Lengths {
            longest,
            shortest,
            unheard: if stores { 0.0 } else { 4.0 * shortest },
            by_time: false,
        }
    }
}

/// Even steps.
pub fn even(period_s: f64, steps: usize) -> Vec<f64> {
    (0..=steps)
        .map(|k| period_s * k as f64 / steps as f64)
        .collect()
}

/// For each step, by how much the cubic strays from the wave, in multiples of what is
/// allowed: from the fourth difference that the step makes with its neighbours.
pub fn errors(orbit: &Orbit, tolerance: &[f64], counts: &[bool], lengths: Lengths) -> Vec<f64> {
    let steps = orbit.steps();
    let mut errors = vec![0.0f64; steps];
    // The start itself is only known once the orbit is closed: the first step's cubic, which
    // hangs on it, is no witness. Without charges it is closed from the beginning.
    let still = lengths.unheard > 0.0;
    for step in if still { 0..steps } else { 2..steps } {
        let last = (step + steps - 1) % steps;
        let before = orbit.times[last + 1] - orbit.times[last];
        let h = orbit.times[step + 1] - orbit.times[step];
        let bend = bend(orbit, last, (h, orbit.before(step + 1)), tolerance, counts);
        errors[last] = errors[last].max(bend * before.powi(4));
        errors[step] = errors[step].max(bend * h.powi(4));
    }
    if steps > 2 && !still {
        errors[0] = errors[1];
    }
    if lengths.by_time {
        for (error, ends) in errors.iter_mut().zip(orbit.times.windows(2)) {
            *error *= ((ends[1] - ends[0]) / lengths.longest).clamp(BRIEF, 1.0);
        }
    }
    for (error, ends) in errors.iter_mut().zip(orbit.times.windows(2)) {
        if ends[1] - ends[0] <= lengths.unheard {
            *error = 0.0;
        }
    }
    errors
}

/// By how much a step of `h` to `end` shows that cubics stray: what it differs from the cubic of the
/// step before, `last`, for each fourth power of a second, in multiples of what is allowed.
fn bend(
    orbit: &Orbit,
    last: usize,
    (h, end): (f64, &[f64]),
    tolerance: &[f64],
    counts: &[bool],
) -> f64 {
    let before = orbit.times[last + 1] - orbit.times[last];
    let w = radau::interpolate(1.0 + h / before);
    let nodes = [0.0, radau::C[0], radau::C[1], 1.0];
    let product: f64 = nodes.iter().map(|c| (1.0 - c) * before + h).product();
    let mut most = 0.0f64;
    for k in (0..tolerance.len()).filter(|&k| counts[k]) {
        let ahead = orbit.weighed(last, w, k);
        most = most.max((end[k] - ahead).abs() / tolerance[k]);
    }
    STRAYS * most / product
}

/// Into how many parts the next step of an orbit, of `h` to `end`, should have been divided: one if
/// it strays by no more than allowed. The first steps are no witnesses.
pub fn parts(
    orbit: &Orbit,
    (h, end): (f64, &[f64]),
    tolerance: &[f64],
    counts: &[bool],
    lengths: Lengths,
) -> usize {
    if orbit.steps() < 2 {
        return 1;
    }
    let bend = bend(orbit, orbit.steps() - 1, (h, end), tolerance, counts);
    let error = bend * h.powi(4);
    if error <= KEPT {
        return 1;
    }
    let parts = fun::pow(error / AIM, 0.25).clamp(2.0, MOST_PARTS).ceil();
    parts
        .min((h / (AT_ONCE * lengths.longest)).floor())
        .max(1.0) as usize
}

/// A mesh on which every step would have the same error.
pub fn adapted(orbit: &Orbit, errors: &[f64], lengths: Lengths, most: usize) -> Vec<f64> {
    let steps = orbit.steps();
    let h = |k: usize| orbit.times[k + 1] - orbit.times[k];
    // Steps for each second that the errors ask for.
    let mut density: Vec<f64> = (0..steps)
        .map(|k| {
            let factor = fun::pow(errors[k] / AIM, 0.25).clamp(1.0 / MOST, MOST);
            (factor / h(k)).clamp(1.0 / lengths.longest, 1.0 / lengths.shortest)
        })
        .collect();
    // Neighbours differ by a bounded factor, round the period.
    for _ in 0..2 {
        for k in 0..steps {
            let last = density[(k + steps - 1) % steps];
            density[k] = density[k].max(last / grade(h(k) * last));
        }
        for k in (0..steps).rev() {
            let next = density[(k + 1) % steps];
            density[k] = density[k].max(next / grade(h(k) * next));
        }
    }
    let wanted: f64 = (0..steps).map(|k| density[k] * h(k)).sum();
    let count = (wanted.ceil() as usize).clamp(1, most);
    let share = wanted / count as f64;
    let mut times = vec![0.0];
    let (mut k, mut gone) = (0, 0.0);
    for j in 1..count {
        let target = j as f64 * share;
        while gone + density[k] * h(k) < target && k + 1 < steps {
            gone += density[k] * h(k);
            k += 1;
        }
        times.push(orbit.times[k] + (target - gone) / density[k]);
    }
    times.push(orbit.period_s());
    times
}

/// The same mesh with the steps divided that stray by too much: what was found on the others stands.
pub fn refined(orbit: &Orbit, errors: &[f64], lengths: Lengths) -> Vec<f64> {
    let mut times = vec![0.0];
    for (ends, error) in orbit.times.windows(2).zip(errors) {
        let h = ends[1] - ends[0];
        let parts = if *error > DIVIDED {
            fun::pow(error / AIM, 0.25).clamp(2.0, MOST_PARTS).ceil()
        } else {
            1.0
        };
        let parts = parts.min((h / lengths.shortest).floor()).max(1.0) as usize;
        for part in 1..parts {
            times.push(ends[0] + h * part as f64 / parts as f64);
        }
        times.push(ends[1]);
    }
    times
}

/// By how much the density may fall over a stretch that holds `stretch` steps.
fn grade(stretch: f64) -> f64 {
    fun::pow(GRADE, stretch.clamp(1.0, 40.0))
}
