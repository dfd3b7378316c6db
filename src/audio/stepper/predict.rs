//! Where Newton starts: the laws' outputs carried on from the steps behind.
//!
//! The outputs and not the controls are carried on: the controls then follow from the
//! sources as they are now, so that a sound no smoother than its rate allows costs nothing.
//!
//! The polynomial goes through the stages of the last two steps, however long these were. So
//! behind a corner, where steps are short, it soon goes through nothing that lies before it.

use super::lengths::STAGES;
use crate::math::radau_pair::NODES;

/// Steps that are remembered. A third, for a polynomial of degree five, was further off: 3.5
/// evaluations a step in place of 2.9 on the overdrive cascade.
const STEPS: usize = 2;
/// Points of these.
const POINTS: usize = STEPS * STAGES;

/// Weights of the points at each stage, the newest step's points first.
type Weights = [[f64; POINTS]; STAGES];

/// Those for steps of one length.
const EVEN: Weights = weights([1.0, 1.0], POINTS);

/// Lagrange's weights for a step of length 1 behind steps of two lengths, the newest first, by their
/// first `points` points.
const fn weights(lengths: [f64; STEPS], points: usize) -> Weights {
    let mut at = [0.0; POINTS];
    let mut point = 0;
    while point < POINTS {
        let step = point / STAGES;
        let after = if step == 0 { 0.0 } else { lengths[0] };
        at[point] = lengths[step] * (NODES[point % STAGES] - 1.0) - after;
        point += 1;
    }
    let mut all = [[0.0; POINTS]; STAGES];
    let mut point = 0;
    while point < points {
        let mut products = [1.0; STAGES];
        let mut per = 1.0;
        let mut other = 0;
        while other < points {
            if other != point {
                let mut stage = 0;
                while stage < STAGES {
                    products[stage] *= NODES[stage] - at[other];
                    stage += 1;
                }
                per *= at[point] - at[other];
            }
            other += 1;
        }
        let mut stage = 0;
        while stage < STAGES {
            all[stage][point] = products[stage] / per;
            stage += 1;
        }
        point += 1;
    }
    all
}

/// What the laws gave in the last steps.
#[derive(Debug, Clone, Default)]
pub(super) struct History {
    /// The newest first; `[stages * outputs]` each.
    past: [Vec<f64>; STEPS],
    /// How long these steps were, in the shortest; zero where there was none.
    lengths: [u64; STEPS],
}

impl History {
    /// Nothing but what the laws give now.
    pub fn resting(outputs: &[f64]) -> Self {
        History {
            past: std::array::from_fn(|_| outputs.to_vec()),
            lengths: [0; STEPS],
        }
    }

    /// Adds a step; `step` gets room for the next one.
    #[inline(always)]
    pub fn push(&mut self, step: &mut Vec<f64>, length: u64) {
        let [newest, before] = &mut self.past;
        std::mem::swap(newest, before);
        self.lengths = [length, self.lengths[0]];
        // The guess for the next step overwrites what comes back.
        std::mem::swap(&mut self.past[0], step);
    }

    /// The outputs at both stages of a step to come: the polynomial through as many points as
    /// there are.
    #[inline(always)]
    pub fn ahead(&self, length: u64, out: &mut [f64]) {
        let each = out.len() / STAGES;
        if self.lengths[0] == 0 {
            let end = &self.past[0][(STAGES - 1) * each..];
            for out in out.chunks_exact_mut(each.max(1)) {
                out.copy_from_slice(end);
            }
            return;
        }
        let weights = if self.lengths == [length; STEPS] {
            EVEN
        } else {
            let lengths = self.lengths.map(|own| own as f64 / length as f64);
            let points = if self.lengths[1] == 0 { STAGES } else { POINTS };
            weights(lengths, points)
        };
        for (weights, out) in weights.iter().zip(out.chunks_exact_mut(each.max(1))) {
            self.weigh(weights, out);
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

    #[test]
    fn polynomials_are_carried_on_exactly() {
        for (lengths, degree) in [
            (&[4][..], 1),
            (&[4, 4], 3),
            (&[1, 4], 3),
            (&[4, 2, 1], 3),
            (&[2, 2, 2, 2, 8], 3),
        ] {
            let f = |t: f64| 0.3 - t + 0.2 * t.powi(degree);
            let mut history = History::resting(&[0.0; STAGES]);
            let mut now = -2.0;
            for &length in lengths {
                let own = length as f64;
                let mut step = NODES.iter().map(|&n| f(now + n * own)).collect();
                history.push(&mut step, length);
                now += own;
            }
            for length in [1, 4, 16] {
                let mut out = [0.0; STAGES];
                history.ahead(length, &mut out);
                for (out, node) in out.iter().zip(NODES) {
                    let expected = f(now + node * length as f64);
                    let close = (out - expected).abs() < 1e-9 * expected.abs().max(1.0);
                    assert!(close, "{lengths:?} {length}: {out} {expected}");
                }
            }
        }
    }
}
