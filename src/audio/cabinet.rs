//! A cabinet to listen through: the sound convolved with a loudspeaker's
//! response to an impulse, the user's own or the [built-in](super::loudspeaker) one.
//!
//! It is a stage for listening and no part of the circuit: it adds no load, and
//! a netlist that wants the loudspeaker's impedance must hold it. Output sample
//! n answers input sample n: the response's first sample is taken as time
//! zero, so silence at its start delays the sound by as much. What rings on
//! after the clip's end is dropped, because a render keeps the clip's length.

use super::loudspeaker;
use crate::math::convert::convert;
use crate::math::convolve::Convolver;
use std::ops::RangeInclusive;
use thiserror::Error;

/// Longest response that is taken, s: longer than any cabinet or room rings,
/// short enough that a recording given by mistake is refused.
pub const LONGEST_S: f64 = 10.0;

/// Slowest and fastest sample rate that is taken, Hz.
pub const RATES_HZ: RangeInclusive<u32> = 1_000..=768_000;

/// Why a response cannot be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ResponseProblem {
    /// It has no samples.
    #[error("the response holds no samples")]
    Empty,
    /// All samples are zero.
    #[error("the response holds only silence")]
    Silent,
    /// It lasts too long.
    #[error(
        "the response lasts {found_s:.2} s; expected {LONGEST_S} s at most, as an impulse response has"
    )]
    TooLong {
        /// How long it lasts, s.
        found_s: f64,
    },
    /// A sample is infinite or not a number.
    #[error("sample {sample} of the response is not a finite number")]
    NotFinite {
        /// Which sample, counted from 0.
        sample: usize,
    },
    /// A sample rate out of reason, of the response or of the clip.
    #[error(
        "a sample rate of {found} Hz; expected {} to {} Hz",
        RATES_HZ.start(),
        RATES_HZ.end()
    )]
    Rate {
        /// The rate, Hz.
        found: u32,
    },
}

/// A loudspeaker in its box, on its way through a clip.
#[derive(Debug, Clone)]
pub struct Cabinet {
    convolver: Convolver,
}

impl Cabinet {
    /// A cabinet from its measured response to an impulse, at the start of a
    /// clip. A response at another rate is brought to the clip's by
    /// [`convert`]; it sounds alike at every rate, up to 0.456 of the lower one.
    ///
    /// The response's own scale is kept: a single one passes the clip unchanged.
    ///
    /// # Errors
    /// If the response has no samples, only silence, one that is not finite,
    /// lasts longer than [`LONGEST_S`], or a rate is not within [`RATES_HZ`].
    pub fn from_response(
        samples: &[f64],
        response_rate_hz: u32,
        clip_rate_hz: u32,
    ) -> Result<Self, ResponseProblem> {
        for found in [response_rate_hz, clip_rate_hz] {
            if !RATES_HZ.contains(&found) {
                return Err(ResponseProblem::Rate { found });
            }
        }
        let found_s = samples.len() as f64 / f64::from(response_rate_hz);
        if found_s > LONGEST_S {
            return Err(ResponseProblem::TooLong { found_s });
        }
        if samples.is_empty() {
            return Err(ResponseProblem::Empty);
        }
        if let Some(sample) = samples.iter().position(|x| !x.is_finite()) {
            return Err(ResponseProblem::NotFinite { sample });
        }
        if samples.iter().all(|&x| x == 0.0) {
            return Err(ResponseProblem::Silent);
        }
        let mut taps = convert(samples, response_rate_hz, clip_rate_hz);
        // A filter's gain is the sum of its taps, and there are more or fewer of them now.
        let share = f64::from(response_rate_hz) / f64::from(clip_rate_hz);
        taps.samples.iter_mut().for_each(|tap| *tap *= share);
        Ok(Cabinet {
            convolver: Convolver::new(&taps.samples, taps.before),
        })
    }

    /// The [built-in loudspeaker](super::loudspeaker), 0 dB at
    /// 400 Hz, at the start of a clip.
    ///
    /// # Errors
    /// If the rate is not within [`RATES_HZ`].
    pub fn built_in(clip_rate_hz: u32) -> Result<Self, ResponseProblem> {
        Cabinet::from_response(&loudspeaker::response(), loudspeaker::RATE_HZ, clip_rate_hz)
    }

    /// Takes samples and appends to `out` all that can be said already. How
    /// the clip is cut up makes no difference to what comes out in all.
    pub fn push(&mut self, samples: &[f64], out: &mut Vec<f64>) {
        self.convolver.push(samples, out);
    }

    /// Ends the clip and appends the rest: exactly as many samples as were
    /// pushed will have come out, the ringing after the clip's end dropped.
    pub fn finish(self, out: &mut Vec<f64>) {
        self.convolver.finish(out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn heard(mut cabinet: Cabinet, samples: &[f64]) -> Vec<f64> {
        let mut out = Vec::new();
        samples
            .chunks(1024)
            .for_each(|part| cabinet.push(part, &mut out));
        cabinet.finish(&mut out);
        assert_eq!(out.len(), samples.len());
        out
    }

    /// An impulse half-way through some 0.2 s, and where it is.
    fn impulse(rate_hz: u32) -> (Vec<f64>, usize) {
        let at = rate_hz as usize / 10;
        let mut samples = vec![0.0; 2 * at];
        samples[at] = 1.0;
        (samples, at)
    }

    /// Gain for a sine in dB, and its phase in radians at sample `at`.
    fn gain_db(samples: &[f64], at: usize, freq_hz: f64, rate_hz: u32) -> (f64, f64) {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in samples.iter().enumerate() {
            let turn = TAU * freq_hz * (n as f64 - at as f64) / f64::from(rate_hz);
            re += x * turn.cos();
            im -= x * turn.sin();
        }
        (20.0 * re.hypot(im).log10(), im.atan2(re))
    }

    /// Levels of the formulas in `loudspeaker`, dB re 400 Hz.
    const LEVELS: [(f64, f64); 13] = [
        (50.0, -10.8171),
        (80.0, -2.4943),
        (100.0, 0.4723),
        (200.0, 1.7843),
        (400.0, 0.0),
        (1000.0, 1.9723),
        (2000.0, 5.2652),
        (3000.0, 6.0163),
        (5000.0, -3.8564),
        (8000.0, -15.8638),
        (12_000.0, -30.8780),
        (17_000.0, -43.0559),
        (38_000.0, -71.0425),
    ];

    #[test]
    fn the_built_in_one_sounds_alike_at_every_rate() {
        // COMPUTED with numpy 2 from the analogue formulas, each as a fraction in s.
        for rate_hz in [8000, 44_100, 48_000, 88_200, 96_000, 192_000] {
            let (clip, at) = impulse(rate_hz);
            let out = heard(Cabinet::built_in(rate_hz).unwrap(), &clip);
            for (freq_hz, expected_db) in LEVELS {
                if freq_hz > 0.4 * f64::from(rate_hz) {
                    continue;
                }
                let (found_db, _) = gain_db(&out, at, freq_hz, rate_hz);
                // The bilinear transform at 768 kHz bends the top by up to 0.8 %.
                let within_db = if freq_hz < 10_000.0 { 0.02 } else { 0.4 };
                assert!(
                    (found_db - expected_db).abs() < within_db,
                    "{rate_hz} Hz, {freq_hz} Hz: {found_db} and not {expected_db} dB"
                );
            }
        }
    }

    #[test]
    fn a_single_one_passes_the_clip_unchanged_at_its_own_rate() {
        let clip: Vec<f64> = (0..9000).map(|n| ((n * n) as f64).sin()).collect();
        let out = heard(
            Cabinet::from_response(&[1.0], 48_000, 48_000).unwrap(),
            &clip,
        );
        for (found, expected) in out.iter().zip(&clip) {
            assert!((found - expected).abs() < 1e-14);
        }
    }

    #[test]
    fn a_response_of_any_rate_keeps_its_time_and_level() {
        // Half, 3 ms late: the gain must be -6.02 dB and the phase that of the delay, below
        // 0.45 of the lower rate, whatever the rates.
        for (response_hz, clip_hz) in [
            (48_000, 48_000),
            (44_100, 48_000),
            (48_000, 44_100),
            (96_000, 44_100),
            (16_000, 48_000),
            (192_000, 8000),
            (44_101, 48_000),
        ] {
            let late = 3 * response_hz as usize / 1000;
            let mut response = vec![0.0; late + 10];
            response[late] = 0.5;
            let delay_s = late as f64 / f64::from(response_hz);
            let (clip, at) = impulse(clip_hz);
            let out = heard(
                Cabinet::from_response(&response, response_hz, clip_hz).unwrap(),
                &clip,
            );
            for part in [0.01, 0.2, 0.45] {
                let freq_hz = part * f64::from(response_hz.min(clip_hz));
                let (found_db, phase) = gain_db(&out, at, freq_hz, clip_hz);
                let turned = (phase + TAU * freq_hz * delay_s) / TAU;
                let astray = (turned - turned.round()).abs();
                assert!(
                    (found_db + 6.0206).abs() < 1e-3 && astray < 1e-5,
                    "{response_hz} Hz at {clip_hz} Hz, {freq_hz} Hz: {found_db} dB, {astray} turns"
                );
            }
        }
    }

    #[test]
    fn a_response_that_starts_at_once_loses_nothing_to_its_new_rate() {
        // The filter then rings ahead of time zero, which an impulse that is not at the
        // clip's start must show and a filter cut off at zero could not.
        let (clip, at) = impulse(48_000);
        let out = heard(
            Cabinet::from_response(&[1.0], 44_100, 48_000).unwrap(),
            &clip,
        );
        for freq_hz in [20.0, 1000.0, 10_000.0, 19_000.0] {
            let (found_db, phase) = gain_db(&out, at, freq_hz, 48_000);
            assert!(found_db.abs() < 1e-3 && phase.abs() < 1e-4, "{freq_hz} Hz");
        }
    }

    #[test]
    fn what_cannot_be_a_response_is_refused() {
        let refused = |samples: &[f64], from_hz, to_hz| {
            Cabinet::from_response(samples, from_hz, to_hz).unwrap_err()
        };
        let same = |found: ResponseProblem, text: &str| assert_eq!(found.to_string(), text);
        same(
            refused(&[], 48_000, 48_000),
            "the response holds no samples",
        );
        same(
            refused(&[0.0; 9], 48_000, 48_000),
            "the response holds only silence",
        );
        same(
            refused(&[1.0, f64::NAN], 48_000, 44_100),
            "sample 1 of the response is not a finite number",
        );
        same(
            refused(&vec![1.0; 88_000], 8000, 48_000),
            "the response lasts 11.00 s; expected 10 s at most, as an impulse response has",
        );
        same(
            refused(&[1.0], 0, 48_000),
            "a sample rate of 0 Hz; expected 1000 to 768000 Hz",
        );
        assert_eq!(
            refused(&[1.0], 48_000, 999),
            ResponseProblem::Rate { found: 999 }
        );
        assert!(Cabinet::built_in(800_000).is_err());
        assert!(Cabinet::from_response(&[1.0; 80_000], 8000, 8000).is_ok());
    }

    #[test]
    fn silence_stays_silent_and_nothing_stays_nothing() {
        let cabinet = Cabinet::built_in(48_000).unwrap();
        assert!(
            heard(cabinet.clone(), &[0.0; 20_000])
                .iter()
                .all(|&x| x == 0.0)
        );
        assert!(heard(cabinet, &[]).is_empty());
    }

    #[test]
    fn the_same_bytes_come_out_everywhere() {
        // FNV-1a over the bytes of the built-in response; the numbers were taken from this
        // program, so what they hold fast is sameness, not truth.
        for (rate_hz, expected) in [
            (44_100, 0x018b_ecbf_868a_7f0e_u64),
            (48_000, 0x8812_8a53_803c_9a8b),
        ] {
            let (clip, _) = impulse(rate_hz);
            let out = heard(Cabinet::built_in(rate_hz).unwrap(), &clip);
            let bytes = out.iter().flat_map(|x| x.to_le_bytes());
            let hash = bytes.fold(0xcbf2_9ce4_8422_2325_u64, |h, b| {
                (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
            });
            assert_eq!(hash, expected, "{rate_hz} Hz: {hash:#x}");
        }
    }
}
