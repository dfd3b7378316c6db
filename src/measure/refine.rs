//! Frequencies at which a curve is drawn: as fine as it bends.

use super::gain;
use crate::math::fun;

/// Points a decade to begin with.
const PER_DECADE: f64 = 60.0;
/// A curve that leaves the straight line between two neighbours by more than this gets more
/// points there, dB.
const BEND_DB: f64 = 0.1;
/// Neighbours closer than this ratio are close enough.
const CLOSE: f64 = 1.0002;
/// Each round halves the intervals where something bends.
const ROUNDS: usize = 10;
/// So many points are enough for any picture.
const MOST: usize = 3000;

/// The frequencies of a list and between them those that curves need. `levels` gives every
/// curve's dB at a frequency; one that is not finite asks for nothing.
///
/// # Errors
/// Whatever `levels` fails with.
pub fn refined<E>(
    frequencies_hz: &[f64],
    mut levels: impl FnMut(f64) -> Result<Vec<f64>, E>,
) -> Result<Vec<f64>, E> {
    let mut all: Vec<f64> = frequencies_hz
        .iter()
        .copied()
        .filter(|&f| f > 0.0)
        .collect();
    if all.len() >= MOST {
        return Ok(all);
    }
    if let (Some(&first), Some(&last)) = (all.first(), all.last()) {
        all.extend(gain::decades(first, last, PER_DECADE));
    }
    all.sort_by(f64::total_cmp);
    all.dedup();
    let mut points = Vec::with_capacity(all.len());
    for f in all {
        points.push((f, levels(f)?));
    }
    for _ in 0..ROUNDS {
        let mut between: Vec<f64> = Vec::new();
        for w in points.windows(3) {
            let part = fun::ln(w[1].0 / w[0].0) / fun::ln(w[2].0 / w[0].0);
            let bends = (0..w[1].1.len()).any(|k| {
                let straight = w[0].1[k] + part * (w[2].1[k] - w[0].1[k]);
                (w[1].1[k] - straight).abs() > BEND_DB
            });
            if !bends {
                continue;
            }
            for pair in w.windows(2) {
                let middle = (pair[0].0 * pair[1].0).sqrt();
                if pair[1].0 > CLOSE * pair[0].0 && between.last() != Some(&middle) {
                    between.push(middle);
                }
            }
        }
        if between.is_empty() || points.len() + between.len() > MOST {
            break;
        }
        for f in between {
            points.push((f, levels(f)?));
        }
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        points.dedup_by(|a, b| a.0 == b.0);
    }
    Ok(points.into_iter().map(|p| p.0).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::convert::Infallible;

    /// Between any two points the curve of a narrow resonance is drawn within a tenth of a dB.
    #[test]
    fn a_narrow_peak_is_drawn_round() {
        let q = 20.0;
        let level = |f: f64| {
            let off: f64 = q * (f / 1e3 - 1e3 / f);
            -10.0 * (1.0 + off * off).log10()
        };
        let coarse = [100.0, 1000.0, 10_000.0];
        let points = refined(&coarse, |f| Ok::<_, Infallible>(vec![level(f)])).unwrap();
        assert!(points.len() < 600, "{}", points.len());
        for pair in points.windows(2) {
            let middle = (pair[0] * pair[1]).sqrt();
            let straight = 0.5 * (level(pair[0]) + level(pair[1]));
            assert!((level(middle) - straight).abs() < 0.2, "{pair:?}");
        }
        assert!(coarse.iter().all(|f| points.contains(f)));
    }
}
