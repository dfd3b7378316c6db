//! Radau IIA with two stages: order three, L-stable, the step's end one of the stages.
//!
//! Source: E. Hairer and G. Wanner, "Solving Ordinary Differential Equations II", 1996,
//! table IV.5.5 (from memory; the tests derive the figures anew): nodes 1/3 and 1, weights
//! 5/12, -1/12; 3/4, 1/4. For d/dt q + f = 0 with a step h from q0, stages q1 and q2:
//!
//! ```text
//! q1' = (3/2 (q1 - q0) + 1/2 (q2 - q0))/h     q2' = (-9/2 (q1 - q0) + 5/2 (q2 - q0))/h
//! ```
//!
//! Both stages are solved together; no rate is carried from step to step, so that a jump
//! leaves no trace and equations without charge hold exactly at both.

use num_complex::Complex;
use std::f64::consts::SQRT_2;

/// Where the stages stand within the step.
pub const NODES: [f64; 2] = [1.0 / 3.0, 1.0];

/// What each stage's charge adds to each stage's rate, times the step: `[rate][charge]`.
pub const RATES: [[f64; 2]; 2] = [[1.5, 0.5], [-4.5, 2.5]];

/// What the charge at the start takes from each stage's rate, times the step.
pub const START: [f64; 2] = [RATES[0][0] + RATES[0][1], RATES[1][0] + RATES[1][1]];

/// An eigenvalue of [`RATES`]; the other is its conjugate.
pub const EIGENVALUE: Complex<f64> = Complex::new(2.0, SQRT_2);

/// Figures of both stages as one in the direction of that eigenvalue: rates joined are the eigenvalue
/// times the charges joined.
#[inline(always)]
pub fn join([first, second]: [f64; 2]) -> Complex<f64> {
    Complex::new(0.5 * first, (first - second) * (0.25 / SQRT_2))
}

/// Both stages of what was joined.
#[inline(always)]
pub fn part(joined: Complex<f64>) -> [f64; 2] {
    let first = 2.0 * joined.re;
    [first, first - 4.0 * SQRT_2 * joined.im]
}

/// The rate at the end, from the values at start, first stage and end.
#[inline]
pub fn end_rate(step_s: f64, start: f64, inner: f64, end: f64) -> f64 {
    (RATES[1][0] * (inner - start) + RATES[1][1] * (end - start)) / step_s
}

/// Weights of start, first stage and end for the value at fraction `s` of the step: the
/// parabola through the three.
pub fn interpolate(s: f64) -> [f64; 3] {
    let c = NODES[0];
    [
        (s - c) * (s - 1.0) / c,
        s * (s - 1.0) / (c * (c - 1.0)),
        s * (s - c) / (1.0 - c),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One step of q' = lambda q from 1: what the stages solve, by Cramer's rule.
    fn decayed(z: f64) -> f64 {
        let [[a, b], [c, d]] = RATES;
        let (a, d) = (a - z, d - z);
        (a * START[1] - c * START[0]) / (a * d - b * c)
    }

    /// The stability function of the method, (1 + z/3)/(1 - 2z/3 + z^2/6): the Padé fraction
    /// of e^z (Hairer and Wanner, section IV.3).
    #[test]
    fn a_decay_goes_as_the_pade_fraction_and_a_stiff_one_is_gone() {
        for z in [-0.01, -0.3, -2.0, -50.0] {
            let pade = (1.0 + z / 3.0) / (1.0 - 2.0 * z / 3.0 + z * z / 6.0);
            assert!((decayed(z) - pade).abs() < 1e-13, "{z}");
        }
        assert!((decayed(-0.1) - (-0.1f64).exp()).abs() < 2e-6);
        assert!(decayed(-1e9).abs() < 1e-8);
    }

    #[test]
    fn joined_rates_are_the_eigenvalue_times_joined_charges() {
        let charges = [0.7, -1.9];
        let rates = RATES.map(|row| row[0] * charges[0] + row[1] * charges[1]);
        assert!((join(rates) - EIGENVALUE * join(charges)).norm() < 1e-14);
        for (found, charge) in part(join(charges)).into_iter().zip(charges) {
            assert!((found - charge).abs() < 1e-15);
        }
    }

    /// The rates are those of the parabola through start and both stages.
    #[test]
    fn a_parabola_has_its_own_rates() {
        let (h, q) = (0.3, |t: f64| 2.0 - 3.0 * t + 5.0 * t * t);
        let (q0, q1, q2) = (q(0.0), q(h * NODES[0]), q(h));
        for (stage, rates) in RATES.iter().enumerate() {
            let rate = (rates[0] * (q1 - q0) + rates[1] * (q2 - q0)) / h;
            assert!((rate - (-3.0 + 10.0 * NODES[stage] * h)).abs() < 1e-12);
        }
        assert!((end_rate(h, q0, q1, q2) - (-3.0 + 10.0 * h)).abs() < 1e-12);
        let w = interpolate(0.7);
        assert!((w[0] * q0 + w[1] * q1 + w[2] * q2 - q(0.7 * h)).abs() < 1e-12);
    }
}
