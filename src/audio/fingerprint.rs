//! A sound in a few levels: its third-octave bands and its envelope.
//!
//! Bands: IEC 61260-1:2014, base ten (from memory): `G = 10^(3/10)`, exact mid-band frequencies
//! `fm = 1000 G^(x/3)`, edges `fm G^(+-1/6)`. The standard's filters have slopes; here the
//! energy of the sound's spectrum between the edges is taken, so that bands add up to the
//! whole and nothing depends on how a filter starts. Levels are in dB re 1 V rms (or A, W) over
//! the whole sound.

use crate::audio::clip::Clip;
use crate::math::fft::Fft;
use crate::math::fun;

/// Levels of a sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Fingerprint {
    /// Of each band from 25 Hz up to 20 kHz or what the rate allows, dB.
    pub bands_db: Vec<f64>,
    /// Of each 50 ms, dB.
    pub envelope_db: Vec<f64>,
}

/// The lowest band is 25 Hz: 1000 Hz times G to the power of -16/3.
const LOWEST: i32 = -16;
/// The highest is 20 kHz.
const HIGHEST: i32 = 13;
/// How long a block of the envelope is, s.
pub const BLOCK_S: f64 = 0.05;
/// What lies this far below the loudest is written as lying there: it is rounding.
const DEPTH_DB: f64 = 70.0;

/// The exact mid-band frequency of a band, Hz: 0 is 1 kHz.
pub fn mid_hz(band: i32) -> f64 {
    1000.0 * fun::pow(10.0, f64::from(band) / 10.0)
}

/// Lower and upper edge of a band, Hz.
pub fn edges_hz(band: i32) -> (f64, f64) {
    let half = fun::pow(10.0, 0.05);
    (mid_hz(band) / half, mid_hz(band) * half)
}

/// The bands that a sound of this rate has: those that end below half of it.
pub fn bands(rate_hz: u32) -> impl Iterator<Item = i32> {
    let nyquist = 0.5 * f64::from(rate_hz);
    (LOWEST..=HIGHEST).filter(move |&b| edges_hz(b).1 <= nyquist)
}

impl Fingerprint {
    /// Of a sound that is not empty.
    pub fn of(clip: &Clip) -> Self {
        let n = clip.samples.len();
        let length = n.next_power_of_two().max(2);
        let mut re = clip.samples.clone();
        re.resize(length, 0.0);
        let mut im = vec![0.0; length];
        Fft::new(length).forward(&mut re, &mut im);
        let rate = f64::from(clip.rate_hz);
        let powers = bands(clip.rate_hz).map(|band| {
            let (low, high) = edges_hz(band);
            let bin = |hz: f64| (hz * length as f64 / rate).ceil() as usize;
            let top = bin(high).min(length / 2);
            let energy: f64 = (bin(low).min(top)..top)
                .map(|k| re[k] * re[k] + im[k] * im[k])
                .sum();
            // Parseval, with the mirrored half of a real sound's spectrum.
            2.0 * energy / (length as f64 * n as f64)
        });
        let bands_db = levels(powers.collect());
        let block = ((BLOCK_S * rate).round() as usize).max(1);
        let squares = |block: &[f64]| block.iter().map(|x| x * x).sum::<f64>();
        let envelope = clip.samples.chunks(block);
        let envelope_db = levels(envelope.map(|b| squares(b) / b.len() as f64).collect());
        Fingerprint {
            bands_db,
            envelope_db,
        }
    }
}

/// Powers in dB, none more than the depth below the greatest; silence is all at -300.
fn levels(powers: Vec<f64>) -> Vec<f64> {
    let db = |p: f64| 10.0 * fun::log10(p.max(1e-30));
    let floor = powers.iter().map(|&p| db(p)).fold(-300.0, f64::max) - DEPTH_DB;
    powers
        .into_iter()
        .map(|p| db(p).max(floor).max(-300.0))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn sine(hz: f64, peak: f64) -> Clip {
        Clip {
            rate_hz: 48_000,
            channels: 1,
            samples: (0..48_000)
                .map(|n| peak * fun::sin(TAU * hz * f64::from(n) / 48_000.0))
                .collect(),
        }
    }

    #[test]
    fn bands_are_those_of_the_standard() {
        // IEC 61260-1:2014, annex E (from memory): exact base-ten mid-band frequencies, to the
        // five digits printed there, of the nominal 25, 31.5, 100, 125, 1k, 1.25k and 20 kHz.
        let exact = [
            (-16, 25.119),
            (-15, 31.623),
            (-10, 100.0),
            (-9, 125.89),
            (0, 1000.0),
            (1, 1258.9),
            (13, 19953.0),
        ];
        for (band, hz) in exact {
            assert!((mid_hz(band) / hz - 1.0).abs() < 5e-5, "{band}");
        }
        // Neighbours share their edge, to rounding.
        for band in -16..13 {
            let shared = edges_hz(band).1 / edges_hz(band + 1).0;
            assert!((shared - 1.0).abs() < 1e-14);
        }
        assert_eq!(bands(48_000).count(), 30);
        assert_eq!(bands(8_000).count(), 22);
    }

    #[test]
    fn a_sine_reads_its_rms_in_its_band_and_in_the_envelope() {
        // A peak of 2 V is sqrt(2) V rms: 3.0103 dB.
        let print = Fingerprint::of(&sine(1000.0, 2.0));
        let expected = 10.0 * 2f64.log10();
        // The spectrum of a sound cut out of an endless sine leaks a little past the edges.
        assert!((print.bands_db[16] - expected).abs() < 0.02, "{print:?}");
        for (k, level) in print.bands_db.iter().enumerate() {
            assert!(k == 16 || *level < expected - 20.0, "{k}: {level}");
        }
        assert_eq!(print.envelope_db.len(), 20);
        for level in print.envelope_db {
            assert!((level - expected).abs() < 1e-9);
        }
    }

    #[test]
    fn bands_add_up_to_the_whole() {
        // White noise of a plain generator: its energy between 22.4 Hz and 22.4 kHz is the
        // bands' share of its whole, 22 387 - 22.387 of 24 000 Hz.
        let mut seed = 1u64;
        let samples: Vec<f64> = (0..1 << 17)
            .map(|_| {
                seed = seed
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                (seed >> 11) as f64 / (1u64 << 52) as f64 - 1.0
            })
            .collect();
        let whole = samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64;
        let clip = Clip {
            rate_hz: 48_000,
            channels: 1,
            samples,
        };
        let bands = Fingerprint::of(&clip).bands_db;
        let sum: f64 = bands.iter().map(|db| 10f64.powf(db / 10.0)).sum();
        let share = (22_387.2 - 22.387) / 24_000.0;
        assert!((sum / whole / share - 1.0).abs() < 0.01, "{}", sum / whole);
    }

    #[test]
    fn silence_has_levels_too() {
        let clip = Clip {
            rate_hz: 48_000,
            channels: 1,
            samples: vec![0.0; 100],
        };
        let print = Fingerprint::of(&clip);
        assert!(print.bands_db.iter().all(|&db| db == -300.0));
        assert_eq!(print.envelope_db, [-300.0]);
    }
}
