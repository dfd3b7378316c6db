//! Sounds brought together, so that ears can compare them: one rate, one length, one loudness.
//!
//! Loudness is the integrated one of ITU-R BS.1770-4 (2015), measured by [`Loudness`]. All sounds
//! get the loudness [`TARGET_LUFS`], or as much less, all of them alike, as keeps the loudest
//! peak at [`MOST_PEAK_DBFS`]. Peaks are looked for between the samples too, at four times the
//! rate as annex 2 of the recommendation has it, because a converter reaches them when it plays.

use super::clip::Clip;
use super::level::{self, Level};
use super::loudness::{self, Loudness};
use crate::math::convert;
use crate::math::resample::Interpolator;

/// The loudness that sounds are brought to where their peaks allow it, LUFS: what `render
/// --loudness` is used with (common practice for sound on computers, no published source).
pub const TARGET_LUFS: f64 = -16.0;
/// The highest peak that is left, dB re full scale (EBU R 128, 2020: -1 dBTP; from memory).
pub const MOST_PEAK_DBFS: f64 = -1.0;
/// Points between which peaks are looked for, for each sample.
const FINER: usize = 4;
/// What the recommendation adds to ten times the logarithm of the weighted power.
const OFFSET_LU: f64 = -0.691;
/// A sound shorter than this is measured over its repetitions, s: a block of the meter is 0.4 s.
const SHORT_S: f64 = 1.2;

/// What was done to sounds before they could be compared.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Together {
    /// The common rate, Hz.
    pub rate_hz: u32,
    /// The common length, samples.
    pub length: usize,
    /// Which were at another rate.
    pub converted: Vec<usize>,
    /// Which were longer.
    pub cut: Vec<usize>,
}

/// Brings sounds to the highest of their rates within `most_hz`, and to the shortest of their
/// lengths: where one has ended, there is nothing left to compare.
pub fn together(clips: &mut [Clip], most_hz: u32) -> Together {
    let rates = clips.iter().map(|c| c.rate_hz);
    let rate_hz = rates.filter(|&r| r <= most_hz).max().unwrap_or(most_hz);
    let mut done = Together {
        rate_hz,
        ..Together::default()
    };
    for (k, clip) in clips.iter_mut().enumerate() {
        if clip.rate_hz == rate_hz {
            continue;
        }
        let seconds = clip.duration_s();
        let converted = convert::convert(&clip.samples, clip.rate_hz, rate_hz);
        let length = (seconds * f64::from(rate_hz)).round().max(1.0) as usize;
        let own = converted.samples.into_iter().skip(converted.before);
        clip.samples = own.take(length).collect();
        clip.rate_hz = rate_hz;
        done.converted.push(k);
    }
    done.length = clips.iter().map(|c| c.samples.len()).min().unwrap_or(0);
    for (k, clip) in clips.iter_mut().enumerate() {
        if clip.samples.len() > done.length {
            clip.samples.truncate(done.length);
            done.cut.push(k);
        }
    }
    done
}

/// Gains that make sounds equally loud.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Matching {
    /// One for each sound, from its unit to full scale; one for silence.
    pub gains: Vec<f64>,
    /// Peaks after that, dB re full scale; none for silence.
    pub peaks_dbfs: Vec<Option<f64>>,
    /// The common loudness, LUFS.
    pub loudness_lufs: f64,
    /// By how much it was lowered so that nothing clips, LU.
    pub lowered_lu: f64,
    /// Which are silent.
    pub silent: Vec<usize>,
    /// Which are nowhere loud enough for the meter's gate, and were matched by their power.
    pub by_power: Vec<usize>,
}

/// Works out the gains; `poll` is asked between sounds whether to go on.
///
/// # Errors
/// That of `poll`.
pub fn matching<E>(clips: &[Clip], poll: &mut dyn FnMut() -> Result<(), E>) -> Result<Matching, E> {
    let mut done = Matching {
        loudness_lufs: TARGET_LUFS,
        ..Matching::default()
    };
    for (k, clip) in clips.iter().enumerate() {
        poll()?;
        let mut level = Level::default();
        level.push(&clip.samples);
        let Some(by_peak) = level::normalising_gain(level.peak()) else {
            done.silent.push(k);
            done.gains.push(1.0);
            done.peaks_dbfs.push(None);
            continue;
        };
        // Measured at a usual level: what is silence is counted from full scale.
        let measured = loudness_at(clip, by_peak).unwrap_or_else(|| {
            done.by_power.push(k);
            OFFSET_LU + level::decibels(by_peak * level.rms())
        });
        let gain = by_peak * loudness::gain_to(TARGET_LUFS, measured);
        poll()?;
        done.gains.push(gain);
        done.peaks_dbfs
            .push(Some(level::decibels(gain * true_peak(&clip.samples))));
    }
    let highest = done.peaks_dbfs.iter().flatten().copied();
    done.lowered_lu = highest.fold(0.0, |low: f64, peak| low.max(peak - MOST_PEAK_DBFS));
    done.loudness_lufs -= done.lowered_lu;
    for (gain, peak) in done.gains.iter_mut().zip(&mut done.peaks_dbfs) {
        if let Some(peak) = peak {
            *gain *= level::ratio(-done.lowered_lu);
            *peak -= done.lowered_lu;
        }
    }
    Ok(done)
}

/// Integrated loudness of a sound times a gain, LUFS; of a short one's repetitions, because the
/// meter takes nothing below 400 ms.
pub fn loudness_at(clip: &Clip, gain: f64) -> Option<f64> {
    let mut meter = Loudness::new(clip.rate_hz);
    let loud: Vec<f64> = clip.samples.iter().map(|x| gain * x).collect();
    let seconds = clip.duration_s();
    let rounds = if seconds >= SHORT_S || seconds <= 0.0 {
        1
    } else {
        (SHORT_S / seconds).ceil() as usize
    };
    (0..rounds).for_each(|_| meter.push(&loud));
    meter.integrated_lufs()
}

/// The greatest magnitude, between the samples too.
fn true_peak(samples: &[f64]) -> f64 {
    let mut finer = Interpolator::new(FINER);
    let mut between = Vec::new();
    let mut peak = samples.iter().fold(0.0, |peak: f64, x| peak.max(x.abs()));
    let mut look = |between: &mut Vec<f64>| {
        peak = between.iter().fold(peak, |peak, x| peak.max(x.abs()));
        between.clear();
    };
    for block in samples.chunks(4096) {
        finer.push(block, &mut between);
        look(&mut between);
    }
    finer.finish(&mut between);
    look(&mut between);
    peak
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::fun;
    use std::convert::Infallible;
    use std::f64::consts::TAU;

    fn sine(hz: f64, peak: f64, rate_hz: u32, seconds: f64) -> Clip {
        let count = (seconds * f64::from(rate_hz)).round() as usize;
        let turn = TAU * hz / f64::from(rate_hz);
        Clip {
            rate_hz,
            channels: 1,
            samples: (0..count)
                .map(|n| peak * fun::sin(turn * n as f64 + 0.7))
                .collect(),
        }
    }

    fn matched(clips: &[Clip]) -> Matching {
        matching(clips, &mut || Ok::<(), Infallible>(())).unwrap()
    }

    #[test]
    fn sines_end_at_the_target_and_low_ones_are_louder_in_volts() {
        // EBU Tech 3341 (from memory): a 997 Hz sine of full scale reads -3.01 LUFS in one channel,
        // so at -16 LUFS its peak is at -12.99 dB. The weighting takes 100 Hz down.
        let clips = [
            sine(997.0, 40.0, 48_000, 3.0),
            sine(100.0, 0.02, 48_000, 3.0),
            sine(997.0, 0.02, 48_000, 0.1),
        ];
        let found = matched(&clips);
        assert_eq!((found.loudness_lufs, found.lowered_lu), (TARGET_LUFS, 0.0));
        let peak = |k: usize| level::decibels(found.gains[k] * [40.0, 0.02, 0.02][k]);
        assert!((peak(0) + 12.99).abs() < 0.02, "{}", peak(0));
        assert!(peak(1) > peak(0) + 0.5, "{}", peak(1));
        assert!((peak(2) - peak(0)).abs() < 0.2, "{}", peak(2));
        for (clip, gain) in clips.iter().zip(&found.gains) {
            let after = loudness_at(clip, *gain).unwrap();
            assert!((after - TARGET_LUFS).abs() < 0.01, "{after}");
        }
    }

    #[test]
    fn peaks_lower_all_alike() {
        let mut click = sine(997.0, 0.02, 48_000, 3.0);
        click.samples[1000] = 1.0;
        let clips = [click, sine(500.0, 1.0, 48_000, 3.0)];
        let found = matched(&clips);
        assert!(found.lowered_lu > 10.0, "{found:?}");
        assert!((found.loudness_lufs - (TARGET_LUFS - found.lowered_lu)).abs() < 1e-12);
        let highest = found.peaks_dbfs[0].unwrap();
        assert!((highest - MOST_PEAK_DBFS).abs() < 1e-9, "{highest}");
        let loud: Vec<f64> = clips
            .iter()
            .zip(&found.gains)
            .map(|(clip, gain)| loudness_at(clip, *gain).unwrap())
            .collect();
        assert!((loud[0] - loud[1]).abs() < 0.05, "{loud:?}");
    }

    #[test]
    fn peaks_between_the_samples_count() {
        // A quarter of the rate, samples at 45 degrees: they reach the root of one half.
        let samples: Vec<f64> = (0..4000)
            .map(|n| [1.0, 1.0, -1.0, -1.0][n % 4] / 2f64.sqrt())
            .collect();
        let found = true_peak(&samples);
        assert!(found > 0.999 && found < 1.2, "{found}");
    }

    #[test]
    fn silence_stays_and_rates_and_lengths_meet() {
        let mut clips = vec![
            sine(440.0, 0.5, 44_100, 2.0),
            sine(440.0, 0.5, 48_000, 1.5),
            sine(440.0, 0.5, 8_000, 3.0),
        ];
        let done = together(&mut clips, 48_000);
        assert_eq!((done.rate_hz, done.length), (48_000, 72_000));
        assert_eq!((done.converted, done.cut), (vec![0, 2], vec![0, 2]));
        for clip in &clips {
            assert_eq!((clip.rate_hz, clip.samples.len()), (48_000, 72_000));
        }
        // The same sine at the same time, whatever its rate was.
        for k in 4000..68_000 {
            let off = (clips[0].samples[k] - clips[1].samples[k]).abs();
            assert!(off < 1e-3, "{k}: {off}");
        }
        clips[1].samples.fill(0.0);
        let found = matched(&clips);
        assert_eq!((found.silent, found.gains[1]), (vec![1], 1.0));
    }
}
