//! How loud a whole clip sounds: integrated loudness after ITU-R BS.1770-4
//! (2015), by the `ebur128` library.
//!
//! The sound is weighted as the ear does (less bass, more treble), its power
//! averaged over blocks of 400 ms that overlap by three quarters, and the mean
//! taken over the blocks above -70 LUFS that are also less than 10 LU below
//! the mean of those. 1 LU is 1 dB; LUFS and the recommendation's LKFS are one.
//!
//! Mono counts once: a file of one channel is one loudspeaker with the weight
//! one, so a 997 Hz sine that just reaches full scale reads -3.01 LUFS. Played
//! through two loudspeakers the same file reads 3.01 LU more.
//!
//! The recommendation defines the weighting at 48 kHz alone. At other rates the
//! library's differs by up to 0.04 LU for a 997 Hz sine, within the 0.1 LU
//! that EBU Tech 3341 allows a meter (from memory).
//!
//! The library takes tangent, power and logarithm from the system, whose last
//! bits differ between machines; nothing else in it depends on the machine in a
//! way that shows. So a reading is rounded to [a thousandth of a LU](STEPS_PER_LU) and is the same everywhere.

use super::level;
use ebur128::{EbuR128, Mode};
use std::ops::RangeInclusive;

/// Sample rates that can be measured, Hz.
pub const RATES_HZ: RangeInclusive<u32> = 1_000..=768_000;

/// Readings are whole multiples of one part of this many of a LU: far below the 0.1 LU that
/// meters agree within, far above the differences between machines (some 1e-13 LU).
pub const STEPS_PER_LU: f64 = 1000.0;

/// A running measurement of mono samples, digital full scale being one.
///
/// Memory: a second of sound, and 80 bytes for each second measured.
#[derive(Debug)]
pub struct Loudness {
    meter: EbuR128,
}

impl Loudness {
    /// A measurement before its first sample.
    ///
    /// # Panics
    /// If the rate is not within [`RATES_HZ`], to which a clip's rate is held when it is read.
    pub fn new(rate_hz: u32) -> Self {
        assert!(RATES_HZ.contains(&rate_hz), "a sample rate of {rate_hz} Hz");
        let mut meter = EbuR128::new(1, rate_hz, Mode::I).expect("one channel at a rate it takes");
        // The library would count a single channel as the left one; said here all the same.
        meter
            .set_channel(0, ebur128::Channel::Center)
            .expect("there is one channel");
        Loudness { meter }
    }

    /// Adds samples to what was measured.
    pub fn push(&mut self, samples: &[f64]) {
        self.meter
            .add_frames_f64(samples)
            .expect("every sample is a frame of one channel");
    }

    /// The loudness of all that was pushed, LUFS; none if it is shorter than
    /// 400 ms or nowhere above -70 LUFS, as silence is.
    pub fn integrated_lufs(&self) -> Option<f64> {
        let lufs = self
            .meter
            .loudness_global()
            .expect("the meter was made for it");
        lufs.is_finite()
            .then(|| (lufs * STEPS_PER_LU).round() / STEPS_PER_LU)
    }
}

/// The ratio of amplitudes that brings a sound measured at `measured_lufs` to `target_lufs`.
///
/// Below -70 LUFS there is nothing to measure; a sound that has no reading should
/// be left as it is. The gain knows nothing of full scale: a quiet target may
/// be out of reach of a sound with high peaks without clipping them.
pub fn gain_to(target_lufs: f64, measured_lufs: f64) -> f64 {
    level::ratio(target_lufs - measured_lufs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{SQRT_2, TAU};

    fn measured(samples: &[f64], rate_hz: u32) -> Option<f64> {
        let mut loudness = Loudness::new(rate_hz);
        samples.chunks(1000).for_each(|part| loudness.push(part));
        loudness.integrated_lufs()
    }

    /// Sines of one frequency one after another: peak in dBFS, length in s.
    fn sines(freq_hz: f64, rate_hz: u32, parts: &[(f64, f64)]) -> Vec<f64> {
        let mut samples = Vec::new();
        for &(peak_dbfs, length_s) in parts {
            let peak = 10f64.powf(peak_dbfs / 20.0);
            for _ in 0..(length_s * f64::from(rate_hz)).round() as usize {
                let turn = TAU * freq_hz * samples.len() as f64 / f64::from(rate_hz);
                samples.push(peak * turn.sin());
            }
        }
        samples
    }

    fn noise(length: usize) -> Vec<f64> {
        let mut state = 99u64;
        let next = |_| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1);
            (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        };
        (0..length).map(next).collect()
    }

    #[test]
    fn a_full_sine_in_one_channel_reads_what_the_recommendation_says() {
        // ITU-R BS.1770-4 (2015), annex 1: 997 Hz at 0 dBFS in one channel, -3.01 LKFS
        // (seen quoted). It defines the weighting at 48 kHz alone; at other rates the library's
        // is close to it (found: -2.996 at 8 kHz, -3.028 at 96 kHz, -3.045
        // at 768 kHz; the bilinear transform bends it less, the higher the rate).
        for (rate_hz, within) in [
            (48_000, 0.005),
            (8000, 0.04),
            (44_100, 0.04),
            (96_000, 0.04),
            (768_000, 0.04),
        ] {
            let found = measured(&sines(997.0, rate_hz, &[(0.0, 3.0)]), rate_hz).unwrap();
            assert!((found + 3.01).abs() < within, "{rate_hz} Hz: {found} LUFS");
        }
    }

    #[test]
    fn the_meter_conforms_to_the_published_cases() {
        // EBU Tech 3341, minimum requirements test signals 1 to 5, integrated, within 0.1 LU
        // (from memory). They are 1 kHz in both channels of a stereo pair; one channel carries
        // half of that power, so here the sines are 3.01 dB stronger.
        let cases: [&[(f64, f64)]; 5] = [
            &[(-23.0, 20.0)],
            &[(-33.0, 20.0)],
            &[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)],
            &[
                (-72.0, 10.0),
                (-36.0, 10.0),
                (-23.0, 60.0),
                (-36.0, 10.0),
                (-72.0, 10.0),
            ],
            &[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)],
        ];
        for (case, parts) in cases.iter().enumerate() {
            let mut samples = sines(1000.0, 48_000, parts);
            samples.iter_mut().for_each(|x| *x *= SQRT_2);
            let found = measured(&samples, 48_000).unwrap();
            let expected = if case == 1 { -33.0 } else { -23.0 };
            assert!(
                (found - expected).abs() < 0.1,
                "case {}: {found} and not {expected} LUFS",
                case + 1
            );
        }
    }

    #[test]
    fn the_weighting_is_that_of_the_recommendation() {
        // ITU-R BS.1770-4, tables 1 and 2, at 48 kHz (seen), applied directly. Noise keeps to
        // one level, so no gate closes and the mean over blocks is the mean over all.
        let mut samples: Vec<f64> = noise(480_000).iter().map(|x| 0.3 * x).collect();
        let found = measured(&samples, 48_000).unwrap();
        for (b, a) in [
            (
                [1.53512485958697, -2.69169618940638, 1.19839281085285],
                [-1.69065929318241, 0.73248077421585],
            ),
            ([1.0, -2.0, 1.0], [-1.99004745483398, 0.99007225036621]),
        ] {
            let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
            for x in &mut samples {
                let y = b[0] * *x + b[1] * x1 + b[2] * x2 - a[0] * y1 - a[1] * y2;
                (x2, x1, y2, y1) = (x1, *x, y1, y);
                *x = y;
            }
        }
        let power = samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64;
        let expected = -0.691 + 10.0 * power.log10();
        assert!(
            (found - expected).abs() < 0.01,
            "{found} and not {expected} LUFS"
        );
    }

    #[test]
    fn pauses_and_whispers_do_not_count() {
        let loud = measured(&sines(1000.0, 48_000, &[(-20.0, 10.0)]), 48_000).unwrap();
        for pause in [(-200.0, 10.0), (-45.0, 10.0)] {
            let parts = [(-20.0, 10.0), pause];
            let found = measured(&sines(1000.0, 48_000, &parts), 48_000).unwrap();
            // Three blocks lie across the edge and are still loud enough to count.
            assert!((found - loud).abs() < 0.1, "{pause:?}: {found} LUFS");
        }
        // Only 6 dB below, the second half does count: half the power of 1 + 1/4.
        let parts = [(-20.0, 10.0), (-26.0, 10.0)];
        let found = measured(&sines(1000.0, 48_000, &parts), 48_000).unwrap();
        let expected = 10.0 * (0.5 + 0.5 * 10f64.powf(-0.6)).log10();
        assert!((found - loud - expected).abs() < 0.02, "{found} LUFS");
    }

    #[test]
    fn silence_and_less_than_a_block_have_no_reading() {
        assert_eq!(Loudness::new(48_000).integrated_lufs(), None);
        assert_eq!(measured(&[0.0; 96_000], 48_000), None);
        assert_eq!(
            measured(&sines(1000.0, 48_000, &[(-80.0, 3.0)]), 48_000),
            None
        );
        assert_eq!(
            measured(&sines(1000.0, 48_000, &[(0.0, 0.39)]), 48_000),
            None
        );
        assert!(measured(&sines(1000.0, 48_000, &[(0.0, 0.41)]), 48_000).is_some());
    }

    #[test]
    fn the_gain_brings_a_sound_to_its_target() {
        let quiet: Vec<f64> = noise(144_000).iter().map(|x| 0.01 * x).collect();
        let before = measured(&quiet, 48_000).unwrap();
        let gain = gain_to(-18.0, before);
        let brought: Vec<f64> = quiet.iter().map(|x| gain * x).collect();
        let found = measured(&brought, 48_000).unwrap();
        assert!((found + 18.0).abs() < 0.0015, "{found} LUFS");
        // 6.02 LU are a factor of two, by the definition of the decibel.
        assert!((gain_to(-20.0, -26.0206) - 2.0).abs() < 1e-5);
    }

    #[test]
    fn readings_are_rounded_and_blocks_change_nothing() {
        let samples = noise(100_000);
        let whole = measured(&samples, 44_100).unwrap();
        assert!((whole * 1000.0 - (whole * 1000.0).round()).abs() < 1e-9);
        for block in [1, 333, 100_000] {
            let mut loudness = Loudness::new(44_100);
            samples.chunks(block).for_each(|part| loudness.push(part));
            assert_eq!(loudness.integrated_lufs(), Some(whole), "blocks of {block}");
        }
    }
}
