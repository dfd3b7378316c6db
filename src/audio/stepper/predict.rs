//! Where Newton starts: the laws' outputs carried on from the steps behind.
//!
//! The outputs and not the controls are carried on: the controls then follow from the
//! sources as they are now, so that a sound no smoother than its rate allows costs nothing.

use super::lengths::STAGES;
use crate::math::radau_pair::NODES;

/// Steps that are remembered. A third, for a polynomial of degree five, was further off: 3.5
/// evaluations a step in place of 2.9 on the overdrive cascade.
pub(super) const STEPS: usize = 2;
/// Points of these.
const POINTS: usize = STEPS * STAGES;

/// Weights by how many steps there are: `[steps - 1][stage][point]`, the newest step first.
const WEIGHTS: [[[f64; POINTS]; STAGES]; STEPS] = {
    let mut all = [[[0.0; POINTS]; STAGES]; STEPS];
    let mut steps = 1;
    while steps <= STEPS {
        let mut stage = 0;
        while stage < STAGES {
            let mut i = 0;
            while i < steps * STAGES {
                all[steps - 1][stage][i] = weight(i, steps * STAGES, NODES[stage]);
                i += 1;
            }
            stage += 1;
        }
        steps += 1;
    }
    all
};

/// Weights for the points of the last steps in quarters: `[steps - 1][point][point]`.
const QUARTERS: [[[f64; POINTS]; POINTS]; STEPS] = {
    let mut all = [[[0.0; POINTS]; POINTS]; STEPS];
    let mut steps = 1;
    while steps <= STEPS {
        let mut to = 0;
        while to < POINTS {
            let mut i = 0;
            while i < steps * STAGES {
                all[steps - 1][to][i] = weight(i, steps * STAGES, 0.25 * time(to));
                i += 1;
            }
            to += 1;
        }
        steps += 1;
    }
    all
};

/// When a point of a past step was, in steps from now.
const fn time(point: usize) -> f64 {
    NODES[point % STAGES] - (point / STAGES + 1) as f64
}

/// Lagrange's weight of one of the first `points` at a time ahead.
const fn weight(point: usize, points: usize, at: f64) -> f64 {
    let mut w = 1.0;
    let mut other = 0;
    while other < points {
        if other != point {
            w *= (at - time(other)) / (time(point) - time(other));
        }
        other += 1;
    }
    w
}

/// What the laws gave in the last steps of one length.
#[derive(Debug, Clone, Default)]
pub(super) struct History {
    /// The newest first; `[stages * outputs]` each.
    past: [Vec<f64>; STEPS],
    /// How many of them hold.
    steps: usize,
    /// When the newest ended, in the caller's units.
    end: u64,
}

impl History {
    /// Nothing but what the laws give now.
    pub fn resting(outputs: &[f64]) -> Self {
        History {
            past: std::array::from_fn(|_| outputs.to_vec()),
            steps: 0,
            end: 0,
        }
    }

    /// Whether it leads up to now.
    pub fn leads_to(&self, now: u64) -> bool {
        self.end == now
    }

    /// The newest step's outputs, `[stages * outputs]`.
    pub fn newest(&self) -> &[f64] {
        &self.past[0]
    }

    /// Adds a step that ends at `now` and lasted `length`; `step` gets room for the next one.
    #[inline(always)]
    pub fn push(&mut self, step: &mut Vec<f64>, now: u64, length: u64) {
        self.steps = if self.end + length == now {
            self.steps + 1
        } else {
            1
        };
        self.end = now;
        self.past.rotate_right(1);
        // The guess for the next step overwrites what comes back.
        std::mem::swap(&mut self.past[0], step);
    }

    /// The outputs at both stages of the step to come, from the steps behind: the polynomial
    /// through as many points as there are.
    #[inline(always)]
    pub fn ahead(&self, out: &mut [f64]) {
        let each = out.len() / STAGES;
        for (stage, out) in out.chunks_exact_mut(each.max(1)).enumerate() {
            let Some(steps) = self.steps.min(STEPS).checked_sub(1) else {
                out.copy_from_slice(&self.past[0][(STAGES - 1) * each..]);
                continue;
            };
            self.weigh(&WEIGHTS[steps][stage], out);
        }
    }

    /// The same wave in steps a quarter as long.
    pub fn quartered(&self, to: &mut History) {
        let each = self.past[0].len() / STAGES;
        to.end = self.end;
        to.steps = self.steps;
        for (k, past) in to.past.iter_mut().enumerate() {
            past.resize(STAGES * each, 0.0);
            for (stage, out) in past.chunks_exact_mut(each.max(1)).enumerate() {
                match self.steps.min(STEPS).checked_sub(1) {
                    Some(steps) => self.weigh(&QUARTERS[steps][k * STAGES + stage], out),
                    None => out.copy_from_slice(&self.past[0][(STAGES - 1) * each..]),
                }
            }
        }
    }

    #[inline(always)]
    fn weigh(&self, w: &[f64; POINTS], out: &mut [f64]) {
        let (a, b) = self.past[0].split_at(out.len());
        let (c, d) = self.past[1].split_at(out.len());
        for (k, out) in out.iter_mut().enumerate() {
            *out = (w[0] * a[k] + w[1] * b[k]) + (w[2] * c[k] + w[3] * d[k]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three steps of a polynomial, the last of them ending at 0.
    fn behind(steps: u64, f: impl Fn(f64) -> f64) -> History {
        let mut history = History::resting(&[0.0; STAGES]);
        for k in 1..=steps {
            let at = |node: f64| k as f64 - 1.0 - steps as f64 + node;
            let mut step = NODES.iter().map(|&n| f(at(n))).collect();
            // The first one does not follow the rest.
            history.push(&mut step, 10 + k, 1);
        }
        history
    }

    #[test]
    fn polynomials_are_carried_on_exactly() {
        for (steps, degree) in [(1, 1), (2, 3), (9, 3)] {
            let f = |t: f64| 0.3 - t + 0.2 * t.powi(degree);
            let history = behind(steps, f);
            let mut out = [0.0; STAGES];
            history.ahead(&mut out);
            for (stage, out) in out.iter().enumerate() {
                assert!((out - f(NODES[stage])).abs() < 1e-11, "{steps} steps");
            }
            let mut fine = History::default();
            history.quartered(&mut fine);
            fine.ahead(&mut out);
            for (stage, out) in out.iter().enumerate() {
                assert!(
                    (out - f(0.25 * NODES[stage])).abs() < 1e-11,
                    "{steps} steps"
                );
            }
        }
    }
}
