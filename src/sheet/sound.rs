//! A rendered sound held against a stored one, or against levels of it.

use super::expect::Tolerance;
use super::problem::SheetProblem;
use crate::audio::clip::Clip;
use crate::audio::level::decibels;

/// How far a sound is from the expected one: within the tolerance if it is not above it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// How far.
    pub by: f64,
    /// What is allowed.
    pub allowed: f64,
    /// The unit of both.
    pub unit: &'static str,
}

/// The difference of two sounds: its rms value over the expected sound's (for tolerances in %
/// or dB), or its greatest value (in the sound's unit).
///
/// # Errors
/// If rate or length differ.
pub fn apart(
    path: &str,
    expected: &Clip,
    found: &Clip,
    tolerance: Tolerance,
    unit: &'static str,
) -> Result<Apart, SheetProblem> {
    if expected.rate_hz != found.rate_hz {
        return Err(SheetProblem::Rate {
            path: path.to_string(),
            found: expected.rate_hz,
            expected: found.rate_hz,
        });
    }
    if expected.samples.len() != found.samples.len() {
        return Err(SheetProblem::Length {
            path: path.to_string(),
            found: expected.samples.len(),
            expected: found.samples.len(),
        });
    }
    let pairs = || expected.samples.iter().zip(&found.samples);
    let squares: f64 = pairs().map(|(e, f)| (f - e) * (f - e)).sum();
    let whole: f64 = expected.samples.iter().map(|e| e * e).sum();
    // Of silence any difference is infinitely much, and none is none.
    let ratio = match squares {
        0.0 => 0.0,
        _ => (squares / whole).sqrt(),
    };
    Ok(match tolerance {
        Tolerance::Absolute(allowed) => Apart {
            by: pairs().fold(0.0, |m: f64, (e, f)| m.max((f - e).abs())),
            allowed,
            unit,
        },
        Tolerance::Relative(part) => Apart {
            by: 100.0 * ratio,
            allowed: 100.0 * part,
            unit: "%",
        },
        Tolerance::Decibels(allowed) => Apart {
            by: decibels(ratio.max(1e-15)),
            allowed,
            unit: "dB",
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clip(samples: &[f64]) -> Clip {
        Clip {
            rate_hz: 48_000,
            channels: 1,
            samples: samples.to_vec(),
        }
    }

    #[test]
    fn the_difference_is_measured_in_the_unit_of_the_tolerance() {
        let (a, b) = (clip(&[1.0, -1.0]), clip(&[1.01, -0.99]));
        let by = |t| apart("m", &a, &b, t, "V").expect("alike").by;
        assert!((by(Tolerance::Absolute(1.0)) - 0.01).abs() < 1e-12);
        assert!((by(Tolerance::Relative(1.0)) - 1.0).abs() < 1e-9);
        assert!((by(Tolerance::Decibels(-40.0)) + 40.0).abs() < 1e-9);
        let same = apart("m", &a, &a, Tolerance::Decibels(-60.0), "V").expect("alike");
        assert_eq!(same.by, -300.0);
    }

    #[test]
    fn other_rates_and_lengths_are_told() {
        let a = clip(&[0.0]);
        let slow = Clip {
            rate_hz: 44_100,
            ..a.clone()
        };
        let t = Tolerance::Absolute(1.0);
        assert!(matches!(
            apart("m", &slow, &a, t, "V"),
            Err(SheetProblem::Rate { .. })
        ));
        let long = clip(&[0.0, 0.0]);
        assert!(matches!(
            apart("m", &long, &a, t, "V"),
            Err(SheetProblem::Length { .. })
        ));
    }
}
