//! Where Newton starts: the laws' outputs carried on from the steps behind.
//!
//! The outputs and not the controls are carried on: the controls then follow from the
//! sources as they are now, so that a sound no smoother than its rate allows costs nothing.

use super::tables::STAGES;
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

/// The outputs at both stages of the step to come, from the steps behind: the polynomial
/// through as many points as there are.
#[inline(always)]
pub(super) fn ahead(steps: usize, past: &[Vec<f64>; STEPS], out: &mut [f64]) {
    let each = out.len() / STAGES;
    for (stage, out) in out.chunks_exact_mut(each.max(1)).enumerate() {
        let Some(steps) = steps.min(STEPS).checked_sub(1) else {
            out.copy_from_slice(&past[0][(STAGES - 1) * each..]);
            continue;
        };
        let w = &WEIGHTS[steps][stage];
        let [[a, b], [c, d]] = [0, 1].map(|k: usize| {
            let (first, last) = past[k].split_at(each);
            [first, last]
        });
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
        for (steps, degree) in [(1, 1), (2, 3), (9, 3)] {
            let f = |t: f64| 0.3 - t + 0.2 * t.powi(degree);
            let past: [Vec<f64>; STEPS] =
                std::array::from_fn(|k| (0..STAGES).map(|s| f(time(k * STAGES + s))).collect());
            let mut out = [0.0; STAGES];
            ahead(steps, &past, &mut out);
            for (stage, out) in out.iter().enumerate() {
                assert!((out - f(NODES[stage])).abs() < 1e-11, "{steps} steps");
            }
        }
    }
}
