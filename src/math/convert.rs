//! A finite signal at another sample rate, the rates being any whole numbers.
//!
//! The filter is that of [`resample`](super::resample), laid on the lower of
//! the two rates: flat within 0.001 dB to 0.456 of it, 110 dB down from 0.544.
//! Between those lies its slope, half-way down at the lower rate's Nyquist
//! frequency. It is symmetric, so nothing is shifted in time.
//!
//! Rates in the ratio of M to L put the new samples at L different places
//! between the old ones; the filter is worked out once for each.

use super::resample::{REACH, kernel};

/// A signal at its new rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Converted {
    /// The samples.
    pub samples: Vec<f64>,
    /// Which of them falls on the time of the first sample given; those before
    /// it are what the filter rings ahead of the signal.
    pub before: usize,
}

/// The same signal at another rate, with all that the filter rings before its
/// start and after its end. Samples are values at points in time: a sine keeps
/// its amplitude, an impulse response its values per second.
///
/// # Panics
/// If a rate is zero.
pub fn convert(samples: &[f64], from_hz: u32, to_hz: u32) -> Converted {
    assert!(from_hz > 0 && to_hz > 0, "a sample rate cannot be zero");
    if from_hz == to_hz || samples.is_empty() {
        return Converted {
            samples: samples.to_vec(),
            before: 0,
        };
    }
    let common = common_divisor(from_hz, to_hz);
    // Time is counted in steps of which an old sample lasts `up` and a new one `down`.
    let (up, down) = (i64::from(to_hz / common), i64::from(from_hz / common));
    let slower = up.max(down);
    let reach = REACH as i64 * slower;
    let before = (reach - 1) / down;
    let after = ((samples.len() as i64 - 1) * up + reach - 1) / down;
    let mut out = vec![0.0; (before + after + 1) as usize];
    let gain = up.min(down) as f64 / down as f64;
    for first in 0..up.min(out.len() as i64) {
        // New samples `up` apart lie equally far behind the old sample before them.
        let behind = ((first - before) * down).rem_euclid(up);
        // From the old sample `reach` steps back to the one `reach` steps on.
        let (back, on) = ((behind - reach) / up, (behind + reach) / up);
        let taps: Vec<f64> = (back..=on)
            .map(|old| gain * kernel((behind - old * up) as f64 / slower as f64))
            .collect();
        for new in (first..out.len() as i64).step_by(up as usize) {
            let start = ((new - before) * down).div_euclid(up) + back;
            // Old samples before the start and after the end are silence.
            let (skipped, start) = ((-start).max(0) as usize, start.max(0) as usize);
            let near = samples.iter().skip(start);
            let met = taps.iter().skip(skipped).zip(near);
            out[new as usize] = met.map(|(tap, x)| tap * x).sum();
        }
    }
    Converted {
        samples: out,
        before: before as usize,
    }
}

/// Greatest common divisor, by Euclid.
fn common_divisor(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { common_divisor(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const RATES_HZ: [(u32, u32); 7] = [
        (44_100, 48_000),
        (48_000, 44_100),
        (48_000, 96_000),
        (96_000, 48_000),
        (384_000, 44_100),
        (8000, 44_101),
        (44_101, 8000),
    ];

    fn sine(freq_hz: f64, rate_hz: u32, from: i64, length: usize) -> Vec<f64> {
        let turn = TAU * freq_hz / f64::from(rate_hz);
        let at = |n: usize| (turn * (from + n as i64) as f64).sin();
        (0..length).map(at).collect()
    }

    #[test]
    fn a_sine_is_the_same_sine_at_another_rate() {
        for (from_hz, to_hz) in RATES_HZ {
            for part in [0.01, 0.2, 0.45] {
                let freq_hz = part * f64::from(from_hz.min(to_hz));
                let old = sine(freq_hz, from_hz, 0, from_hz as usize / 10);
                let new = convert(&old, from_hz, to_hz);
                let expected = sine(freq_hz, to_hz, -(new.before as i64), new.samples.len());
                // The middle third is out of reach of both ends for every pair.
                let third = expected.len() / 3;
                let pairs = new.samples.iter().zip(&expected).enumerate();
                for (n, (found, expected)) in pairs.skip(third).take(third) {
                    let off = (found - expected).abs();
                    assert!(
                        off < 2e-5,
                        "{from_hz} to {to_hz} Hz, {freq_hz} Hz, {n}: {off}"
                    );
                }
            }
        }
    }

    #[test]
    fn what_the_new_rate_cannot_hold_is_gone() {
        for (from_hz, to_hz) in RATES_HZ.into_iter().filter(|(from, to)| from > to) {
            for part in [0.56, 0.8, 1.0] {
                let freq_hz = (part * f64::from(to_hz)).min(0.499 * f64::from(from_hz));
                let old = sine(freq_hz, from_hz, 0, from_hz as usize / 10);
                let new = convert(&old, from_hz, to_hz).samples;
                let third = new.len() / 3;
                let left = new[third..2 * third]
                    .iter()
                    .fold(0.0, |a: f64, x| a.max(x.abs()));
                if freq_hz > 0.544 * f64::from(to_hz) {
                    assert!(left < 4e-6, "{from_hz} to {to_hz} Hz, {freq_hz} Hz: {left}");
                }
            }
        }
    }

    #[test]
    fn an_impulse_becomes_the_filter_around_its_own_time() {
        for (from_hz, to_hz) in RATES_HZ {
            let mut pulse = vec![0.0; 50];
            pulse[20] = 1.0;
            let new = convert(&pulse, from_hz, to_hz);
            let slower = f64::from(from_hz.min(to_hz));
            let gain = slower / f64::from(from_hz);
            for (n, found) in new.samples.iter().enumerate() {
                let time_s =
                    (n as f64 - new.before as f64) / f64::from(to_hz) - 20.0 / f64::from(from_hz);
                let expected = gain * kernel(time_s * slower);
                assert!(
                    (found - expected).abs() < 1e-11,
                    "{from_hz} to {to_hz} Hz, {n}: {found} and not {expected}"
                );
            }
            // Nothing is cut off: one more sample at either end would be zero.
            let early_s = -(new.before as f64 + 1.0) / f64::from(to_hz);
            assert!(early_s * slower <= -(REACH as f64));
            let late = new.samples.len() - new.before;
            let late_s = late as f64 / f64::from(to_hz) - 49.0 / f64::from(from_hz);
            assert!(late_s * slower >= REACH as f64);
        }
    }

    #[test]
    fn the_same_rate_and_no_samples_change_nothing() {
        let same = convert(&[1.0, -2.0, 0.5], 44_100, 44_100);
        assert_eq!((same.samples, same.before), (vec![1.0, -2.0, 0.5], 0));
        assert!(convert(&[], 44_100, 48_000).samples.is_empty());
    }
}
