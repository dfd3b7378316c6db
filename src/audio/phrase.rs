//! The built-in phrase: a few bars of plucked strings to drive a circuit with
//! when no clip is given.
//!
//! Source: K. Karplus and A. Strong, "Digital synthesis of plucked-string and
//! drum timbres", Computer Music Journal 7(2), 1983; D. A. Jaffe and J. O.
//! Smith, "Extensions of the Karplus-Strong plucked-string algorithm", same
//! issue (both from memory). A burst of noise runs round a delay line one
//! period long, and at each turn a low-pass filter takes off some of the top.
//!
//! From the extensions: the all-pass filter that tunes the line between whole
//! samples, the comb of the plucking point, the low-pass of a soft attack, and
//! a loss that sets how long the fundamental and the top ring. The loss filter
//! here is (b, 1 - 2b, b), which delays by exactly one sample at every
//! frequency, so the tuning owes it no correction.
//!
//! Notes are numbered in equal semitones, 69 being A4 = 440 Hz (ISO 16:1975).
//! The tune is our own.

use super::clip::Clip;
use crate::math::fun;
use std::f64::consts::TAU;

/// How long the phrase lasts, s.
pub const DURATION_S: f64 = 5.0;

/// One string being plucked.
#[derive(Debug, Clone, Copy)]
struct Pluck {
    /// When, in eighths from the start.
    at: f64,
    /// Which note: 69 is A4, 12 to the octave.
    note: f64,
    /// How hard, 0 to 1.
    force: f64,
    /// When it is stopped, in eighths from the start.
    until: f64,
    /// Whether the hand lies on the string from the start.
    muted: bool,
}

const fn ring(at: f64, note: f64, force: f64, until: f64) -> Pluck {
    Pluck {
        at,
        note,
        force,
        until,
        muted: false,
    }
}

const fn chug(at: f64, note: f64, force: f64) -> Pluck {
    Pluck {
        at,
        note,
        force,
        until: at + 1.0,
        muted: true,
    }
}

/// Length of an eighth, s.
const EIGHTH_S: f64 = 0.28;

/// The tune: rising single notes from soft to middling, a power chord struck
/// hard, muted chugs on its root, a double stop, a hard high note, and a soft
/// low one that dies away.
const TUNE: [Pluck; 16] = [
    ring(0.0, 45.0, 0.25, 1.9),
    ring(1.0, 52.0, 0.35, 2.0),
    ring(2.0, 55.0, 0.45, 3.0),
    ring(3.0, 62.0, 0.60, 4.0),
    ring(4.0, 43.0, 1.00, 6.4),
    ring(4.02, 50.0, 0.95, 6.4),
    ring(4.04, 55.0, 0.90, 6.4),
    chug(6.5, 43.0, 0.95),
    chug(7.0, 43.0, 0.80),
    chug(7.5, 43.0, 1.00),
    ring(8.5, 60.0, 0.70, 10.9),
    ring(8.5, 67.0, 0.70, 10.9),
    ring(11.0, 69.0, 0.90, 13.4),
    ring(12.0, 64.0, 0.55, 13.5),
    ring(13.5, 57.0, 0.30, 16.4),
    ring(13.52, 40.0, 0.40, 16.4),
];

/// The phrase at a sample rate, its peak exactly at full scale (one) and its
/// last note faded to silence. The same rate gives the same bytes anywhere.
///
/// Notes whose period is shorter than four samples are left out, which happens
/// only below 1.8 kHz.
pub fn phrase(rate_hz: u32) -> Clip {
    let mut samples = vec![0.0; (DURATION_S * f64::from(rate_hz)) as usize];
    let mut noise = Noise(0x2545_F491_4F6C_DD1D);
    for pluck in TUNE {
        let start = (pluck.at * EIGHTH_S * f64::from(rate_hz)) as usize;
        // Drawn for every pluck, so that one left out does not change the next.
        let seed = noise.next_u64();
        if let Some(string) = PluckedString::new(f64::from(rate_hz), pluck, Noise(seed)) {
            for (sample, x) in samples.iter_mut().skip(start).zip(string) {
                *sample += x;
            }
        }
    }
    fade(&mut samples, rate_hz);
    let peak = samples.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
    if peak > 0.0 {
        samples.iter_mut().for_each(|x| *x /= peak);
    }
    Clip {
        rate_hz,
        channels: 1,
        samples,
    }
}

/// Length of the fade at the very end, s.
const FADE_S: f64 = 0.1;

/// Brings the end down to zero along half a turn of a cosine.
fn fade(samples: &mut [f64], rate_hz: u32) {
    let length = (FADE_S * f64::from(rate_hz)) as usize;
    for (n, x) in samples.iter_mut().rev().take(length).enumerate() {
        *x *= 0.5 - 0.5 * fun::cos(0.5 * TAU * n as f64 / length as f64);
    }
}

/// Frequency of a note in equal temperament, Hz.
fn frequency_hz(note: f64) -> f64 {
    440.0 * fun::pow(2.0, (note - 69.0) / 12.0)
}

/// Times for the sound to fall by 60 dB, s: of the fundamental and of the top.
#[derive(Debug, Clone, Copy)]
struct Ringing {
    low_s: f64,
    top_s: f64,
}

/// A free string, one under the picking hand, one that is released.
const FREE: Ringing = Ringing {
    low_s: 6.0,
    top_s: 0.9,
};
const MUTED: Ringing = Ringing {
    low_s: 0.22,
    top_s: 0.06,
};
const STOPPED: Ringing = Ringing {
    low_s: 0.12,
    top_s: 0.05,
};

/// What is meant by the top, Hz.
const TOP_HZ: f64 = 4000.0;

/// Where along the string it is plucked.
const PLUCKED_AT: f64 = 0.13;

/// The loss filter (b, a, b) of one turn round the string.
#[derive(Debug, Clone, Copy)]
struct Loss {
    a: f64,
    b: f64,
}

impl Loss {
    /// The filter whose gain a turn makes both frequencies ring as long as asked.
    fn new(rate_hz: f64, freq_hz: f64, ringing: Ringing) -> Self {
        let gain = |time_s: f64| fun::pow(10.0, -3.0 / (freq_hz * time_s));
        let (low, top) = (gain(ringing.low_s), gain(ringing.top_s));
        let turned = |hz: f64| 1.0 - fun::cos(TAU * hz / rate_hz);
        let (near, far) = (turned(freq_hz), turned(TOP_HZ.min(0.4 * rate_hz)));
        // g(w) = whole (1 - 2b' (1 - cos w)) through both points; b' above 1/4 would turn the top over.
        let share = ((1.0 - top / low) / (far - top / low * near)).clamp(0.0, 0.5);
        let whole = low / (1.0 - share * near);
        Loss {
            a: whole * (1.0 - share),
            b: whole * share / 2.0,
        }
    }
}

/// One string from its pluck on, sample by sample, until it is stopped and still.
#[derive(Debug)]
struct PluckedString {
    line: Vec<f64>,
    at: usize,
    /// The two samples that left the line last.
    left: [f64; 2],
    /// All-pass coefficient, last input, last output.
    tuning: (f64, f64, f64),
    loss: Loss,
    stopped: Loss,
    /// Samples until it is stopped, and until it is still.
    stop_in: usize,
    still_in: usize,
}

impl PluckedString {
    /// None if the note is too high for the rate.
    fn new(rate_hz: f64, pluck: Pluck, mut noise: Noise) -> Option<Self> {
        let freq_hz = frequency_hz(pluck.note);
        // The loss filter delays by one sample; the all-pass filter is left 0.5 to 1.5.
        let delay = rate_hz / freq_hz - 1.0;
        if delay.is_nan() || delay < 3.0 {
            return None;
        }
        let length = (delay - 0.5) as usize;
        let line = burst(&mut noise, length, pluck.force, rate_hz);
        let kind = if pluck.muted { MUTED } else { FREE };
        let lasts_s = (pluck.until - pluck.at) * EIGHTH_S;
        let stop_in = (lasts_s * rate_hz) as usize;
        Some(PluckedString {
            line,
            at: 0,
            left: [0.0; 2],
            tuning: (
                all_pass(delay - length as f64, TAU * freq_hz / rate_hz),
                0.0,
                0.0,
            ),
            loss: Loss::new(rate_hz, freq_hz, kind),
            stopped: Loss::new(rate_hz, freq_hz, STOPPED),
            stop_in,
            still_in: stop_in + (2.0 * STOPPED.low_s * rate_hz) as usize,
        })
    }
}

impl Iterator for PluckedString {
    type Item = f64;

    fn next(&mut self) -> Option<f64> {
        self.still_in = self.still_in.checked_sub(1)?;
        if self.stop_in == 0 {
            self.loss = self.stopped;
        }
        self.stop_in = self.stop_in.saturating_sub(1);
        let out = self.line[self.at];
        let [one, two] = self.left;
        let lost = self.loss.a * one + self.loss.b * (out + two);
        self.left = [out, one];
        let (c, last_in, last_out) = self.tuning;
        let tuned = c * (lost - last_out) + last_in;
        self.tuning = (c, lost, tuned);
        self.line[self.at] = tuned;
        self.at = (self.at + 1) % self.line.len();
        Some(out)
    }
}

/// Coefficient of the all-pass filter y = c (x - y') + x' that delays a sine of
/// `w` radians a sample by `delay` samples: sin((w - w d)/2) / sin((w + w d)/2).
fn all_pass(delay: f64, w: f64) -> f64 {
    fun::sin(0.5 * w * (1.0 - delay)) / fun::sin(0.5 * w * (1.0 + delay))
}

/// What the pick puts on the string: noise, duller the softer it is, less the
/// same noise from the bridge's side of the plucking point, without a mean
/// (which would ring on as a thump), its root mean square equal to the force.
fn burst(noise: &mut Noise, length: usize, force: f64, rate_hz: f64) -> Vec<f64> {
    // The cut-off goes from 700 Hz at the softest to 7 kHz at the hardest.
    let keep = fun::exp(-TAU * 700.0 * fun::pow(10.0, force) / rate_hz);
    let mut smooth = 0.0;
    let dull: Vec<f64> = (0..length)
        .map(|_| {
            smooth = (1.0 - keep) * noise.next() + keep * smooth;
            smooth
        })
        .collect();
    let back = ((PLUCKED_AT * length as f64) as usize).max(1);
    let mut line: Vec<f64> = (0..length)
        .map(|n| dull[n] - dull[(n + length - back) % length])
        .collect();
    let mean = line.iter().sum::<f64>() / length as f64;
    line.iter_mut().for_each(|x| *x -= mean);
    let rms = (line.iter().map(|x| x * x).sum::<f64>() / length as f64).sqrt();
    line.iter_mut().for_each(|x| *x *= force / rms);
    line
}

/// Noise from whole numbers alone: the xorshift of G. Marsaglia, Journal of
/// Statistical Software 8(14), 2003, shifts 13, 7, 17 (from memory).
#[derive(Debug)]
struct Noise(u64);

impl Noise {
    fn next_u64(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A value from -1 to 1.
    fn next(&mut self) -> f64 {
        // The upper 53 bits are exact in an f64.
        (self.next_u64() >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Magnitude at one frequency, under a window that hides the neighbours.
    fn magnitude(samples: &[f64], rate_hz: f64, freq_hz: f64) -> f64 {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, x) in samples.iter().enumerate() {
            let hann = 1.0 - (TAU * n as f64 / samples.len() as f64).cos();
            let turn = TAU * freq_hz * n as f64 / rate_hz;
            re += hann * x * turn.cos();
            im += hann * x * turn.sin();
        }
        re.hypot(im)
    }

    /// The frequency near `guess_hz` where the magnitude is greatest.
    fn pitch_hz(samples: &[f64], rate_hz: f64, guess_hz: f64) -> f64 {
        let (mut low, mut high) = (guess_hz * 0.98, guess_hz * 1.02);
        while high - low > 1e-4 * guess_hz {
            let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if magnitude(samples, rate_hz, a) < magnitude(samples, rate_hz, b) {
                low = a;
            } else {
                high = b;
            }
        }
        0.5 * (low + high)
    }

    #[test]
    fn notes_are_in_tune_with_equal_temperament() {
        // ISO 16:1975: A4 = 440 Hz. The others are 440 * 2^(n/12) to five figures.
        for (note, expected_hz) in [
            (40.0, 82.407),
            (45.0, 110.0),
            (52.0, 164.81),
            (60.0, 261.63),
            (69.0, 440.0),
            (81.0, 880.0),
        ] {
            for rate_hz in [44_100.0, 48_000.0] {
                let pluck = ring(0.0, note, 0.7, 8.0);
                let string = PluckedString::new(rate_hz, pluck, Noise(12345)).unwrap();
                let tone: Vec<f64> = string.take(rate_hz as usize).collect();
                let found_hz = pitch_hz(&tone, rate_hz, expected_hz);
                let cents = 1200.0 * (found_hz / expected_hz).log2();
                assert!(
                    cents.abs() < 1.0,
                    "note {note}: {found_hz} Hz, {cents} cents"
                );
            }
        }
    }

    #[test]
    fn the_phrase_holds_the_high_note() {
        let clip = phrase(48_000);
        let start = (11.1 * EIGHTH_S * 48_000.0) as usize;
        let part = &clip.samples[start..start + 12_000];
        let found_hz = pitch_hz(part, 48_000.0, 440.0);
        assert!((found_hz - 440.0).abs() < 0.5, "{found_hz} Hz");
    }

    #[test]
    fn a_free_string_rings_as_long_as_asked() {
        let pluck = ring(0.0, 57.0, 0.7, 100.0);
        let string = PluckedString::new(48_000.0, pluck, Noise(99)).unwrap();
        let tone: Vec<f64> = string.take(96_000).collect();
        let at = |s: f64| {
            let from = (s * 48_000.0) as usize;
            magnitude(&tone[from..from + 12_000], 48_000.0, 220.0)
        };
        let fall_db = 20.0 * (at(0.25) / at(1.25)).log10();
        let expected_db = 60.0 / FREE.low_s;
        assert!((fall_db - expected_db).abs() < 0.1, "{fall_db} dB a second");
    }

    #[test]
    fn the_same_bytes_come_out_everywhere() {
        // FNV-1a over the bytes of every sample; the number was taken from this program,
        // so what it holds fast is sameness, not truth.
        let hash = |clip: &Clip| {
            let bytes = clip.samples.iter().flat_map(|x| x.to_le_bytes());
            bytes.fold(0xcbf2_9ce4_8422_2325_u64, |h, b| {
                (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
            })
        };
        let clip = phrase(48_000);
        assert_eq!(hash(&clip), hash(&phrase(48_000)));
        assert_eq!(hash(&clip), 0x2bba_3a48_ebeb_78fc);
    }

    #[test]
    fn it_peaks_at_full_scale_and_ends_in_silence() {
        for rate_hz in [8000, 44_100, 48_000, 96_000] {
            let clip = phrase(rate_hz);
            assert_eq!(clip.duration_s(), DURATION_S);
            let peak = clip.samples.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
            assert_eq!(peak, 1.0);
            assert_eq!(*clip.samples.last().unwrap(), 0.0);
            let tail = &clip.samples[clip.samples.len() - rate_hz as usize / 20..];
            assert!(tail.iter().all(|x| x.abs() < 1e-3));
            let mean = clip.samples.iter().sum::<f64>() / clip.samples.len() as f64;
            assert!(mean.abs() < 1e-4, "{mean}");
        }
    }

    #[test]
    fn it_goes_from_soft_to_hard() {
        let clip = phrase(48_000);
        let rms = |eighth: f64| {
            let from = (eighth * EIGHTH_S * 48_000.0) as usize;
            let part = &clip.samples[from..from + 9600];
            (part.iter().map(|x| x * x).sum::<f64>() / 9600.0).sqrt()
        };
        let rise_db = 20.0 * (rms(4.1) / rms(0.0)).log10();
        assert!(
            rise_db > 10.0,
            "{rise_db} dB from the first note to the chord"
        );
    }

    #[test]
    fn no_rate_makes_a_panic() {
        for rate_hz in [0, 1, 7, 1000, 1800, 11_025] {
            let clip = phrase(rate_hz);
            assert!(clip.samples.iter().all(|x| x.is_finite()));
        }
    }
}
