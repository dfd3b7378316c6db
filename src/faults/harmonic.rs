//! Harmonics of what rectifiers deliver.

use super::point::Point;
use crate::analysis::periodic::Cycle;
use crate::math::fun;
use num_complex::Complex;
use std::f64::consts::TAU;

/// Harmonics of the mains that are looked at.
pub(super) const HARMONICS: usize = 8;

/// A harmonic of an output's current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Harmonic {
    /// Which output.
    pub output: usize,
    /// Of the mains.
    pub number: usize,
    /// A, as the amplitude of exp(j w t).
    pub amperes: Complex<f64>,
}

/// What each point's harmonics are scaled by, and those that count.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Each point with its scale.
    pub points: Vec<(Point, f64)>,
    /// Those that count.
    pub harmonics: Vec<Harmonic>,
}

/// Harmonics of a current over a sound cycle, amplitudes by number from 1 on.
pub(super) fn amplitudes(cycle: &Cycle, amperes: &[f64]) -> Vec<Complex<f64>> {
    (1..=HARMONICS)
        .map(|number| {
            let pairs = cycle.instants.iter().zip(amperes);
            pairs.fold(Complex::default(), |sum, (instant, i)| {
                let turn = TAU * cycle.freq_hz * number as f64 * instant.time_s;
                sum + Complex::new(fun::cos(turn), -fun::sin(turn)) * (2.0 * instant.weight * i)
            })
        })
        .collect()
}
