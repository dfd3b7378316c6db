//! What is listened to at the ends of steps, and between them where a step takes several samples.
//!
//! A cubic through the last four ends gives what lies between; how far the one before was off when it
//! was carried on tells whether the sound is smooth enough for that.

use super::state::FADE;

/// Ends that are remembered.
const KEPT: usize = 5;
/// The least swing that counts, V.
const LEAST_SWING_V: f64 = 1e-6;

/// The last ends of steps, the newest first.
#[derive(Debug, Clone, Default)]
pub(super) struct Ends {
    values: [f64; KEPT],
    /// When they were, samples before the newest.
    ago: [f64; KEPT],
    known: usize,
    swing: f64,
}

impl Ends {
    /// Adds the end of a step that took some samples.
    #[inline]
    pub fn push(&mut self, value: f64, samples: usize) {
        let (values, ago) = (self.values, self.ago);
        for k in 1..KEPT {
            self.values[k] = values[k - 1];
            self.ago[k] = ago[k - 1] + samples as f64;
        }
        self.values[0] = value;
        self.known = (self.known + 1).min(KEPT);
        self.swing = (FADE * self.swing).max(value.abs());
    }

    /// How far the newest is from where the ends before it lead, as a part of the swing; infinite
    /// where too little is known.
    pub fn surprise(&self) -> f64 {
        if self.known < KEPT {
            return f64::INFINITY;
        }
        let expected = cubic(&self.ago[1..], &self.values[1..], 0.0);
        (self.values[0] - expected).abs() / self.swing.max(LEAST_SWING_V)
    }

    /// The value some samples before the newest.
    pub fn before(&self, samples: usize) -> f64 {
        cubic(&self.ago, &self.values, samples as f64)
    }
}

/// The cubic through the first four points, by Lagrange.
fn cubic(at: &[f64], values: &[f64], to: f64) -> f64 {
    let mut sum = 0.0;
    for point in 0..4 {
        let (mut product, mut per) = (1.0, 1.0);
        for other in (0..4).filter(|&other| other != point) {
            product *= to - at[other];
            per *= at[point] - at[other];
        }
        sum += values[point] * (product / per);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cubic_is_read_between_uneven_ends_and_surprises_nobody() {
        let f = |t: f64| 0.4 + t * (0.3 - t * (0.02 - 0.001 * t));
        let (mut ends, mut now) = (Ends::default(), 0.0);
        for samples in [1, 1, 2, 4, 2] {
            assert!(ends.surprise().is_infinite());
            now += samples as f64;
            ends.push(f(now), samples);
        }
        assert!(ends.surprise() < 1e-12);
        assert!((ends.before(1) - f(now - 1.0)).abs() < 1e-12);
        ends.push(f(now + 1.0) + 0.1, 1);
        assert!((ends.surprise() * ends.swing - 0.1).abs() < 1e-12);
    }
}
