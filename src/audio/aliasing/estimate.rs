//! What two renders of a piece differ by: change of tone, and the rest.

use super::bounds::{ALIASES_DB, TONE_DB};
use super::pieces::{Piece, PieceKind};
use crate::math::fft::Fft;
use crate::math::{dense, fun};
use std::f64::consts::{PI, TAU};

/// Length of the filter whose work counts as a change of tone.
const TAPS: usize = 17;
/// Upper end of the band in which renders are compared, Hz.
const BAND_HZ: f64 = 20_000.0;
/// Reach of the band's filter to either side, samples.
const REACH: usize = 90;
/// Tone is judged by thirds of octaves from here on, Hz; what lies below is one band.
const LOWEST_EDGE_HZ: f64 = 100.0;
/// 2^(1/3)
const THIRD: f64 = 1.259_921_049_894_873_2;
/// A band has at least as many lines of the spectrum.
const FEWEST_BINS: usize = 4;
/// A band with less than this part of the strongest one's energy is not heard.
const FAINT: f64 = 1e-9;
/// What a number in f64 has no digits for, dB.
const NOTHING_DB: f64 = -320.0;

/// What one factor gets wrong, dB re the sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// What no linear filter explains.
    pub aliases_db: f64,
    /// The largest change of gain in any third of an octave.
    pub tone_db: f64,
}

impl Estimate {
    /// Whether no more is needed.
    pub fn is_enough(&self) -> bool {
        self.aliases_db < ALIASES_DB && self.tone_db < TONE_DB
    }

    /// Whether any band's level changes in step with the sound; where none does, all that is
    /// wrong counts among what is added.
    pub fn changes_tone(&self) -> bool {
        self.tone_db > NOTHING_DB
    }

    /// The worse of both in everything.
    pub(super) fn worse(self, other: Self) -> Self {
        Estimate {
            aliases_db: self.aliases_db.max(other.aliases_db),
            tone_db: self.tone_db.max(other.tone_db),
        }
    }
}

/// A low-pass filter: sin(x)/x under a four-term cosine window whose side lobes lie 92 dB
/// down (F. J. Harris, Proc. IEEE 66, 1978, p. 51, table 1; from memory).
pub(super) struct Band {
    rate_hz: f64,
    taps: Vec<f64>,
}

impl Band {
    pub fn new(rate_hz: f64) -> Self {
        let length = (2 * REACH + 1) as f64;
        // The window's main lobe is four bins wide to either side: half the transition.
        let middle = (BAND_HZ / rate_hz).min(0.45) + 4.0 / length;
        let taps = (0..=2 * REACH)
            .map(|n| {
                let t = n as f64 - REACH as f64;
                let w = TAU * (n as f64 + 0.5) / length;
                let window = 0.35875 - 0.48829 * fun::cos(w) + 0.14128 * fun::cos(2.0 * w)
                    - 0.01168 * fun::cos(3.0 * w);
                let ideal = if t == 0.0 {
                    2.0 * middle
                } else {
                    fun::sin(TAU * middle * t) / (PI * t)
                };
                window * ideal
            })
            .collect();
        Band { rate_hz, taps }
    }

    /// The difference of two renders of a piece, taken apart.
    pub fn compare(&self, coarse: &[f64], fine: &[f64], piece: &Piece) -> Estimate {
        let measured = &piece.measured;
        const SIDE: usize = TAPS / 2;
        let difference: Vec<f64> = coarse.iter().zip(fine).map(|(a, b)| a - b).collect();
        let wrong: Vec<f64> = measured.clone().map(|n| self.at(&difference, n)).collect();
        // Entry k of the row for sample n is the finer render at n + k - SIDE.
        let right: Vec<f64> = (0..measured.len() + TAPS - 1)
            .map(|k| match (measured.start + k).checked_sub(SIDE) {
                Some(n) => self.at(fine, n),
                None => 0.0,
            })
            .collect();
        let rows = || right.windows(TAPS).zip(&wrong);
        let mut matrix = vec![0.0; TAPS * TAPS];
        let mut filter = vec![0.0; TAPS];
        for (row, w) in rows() {
            for (k, x) in row.iter().enumerate() {
                filter[k] += x * w;
                for (entry, y) in matrix[k * TAPS..].iter_mut().zip(row) {
                    *entry += x * y;
                }
            }
        }
        // Directions in which the sound has next to no energy must not be divided by it.
        for k in 0..TAPS {
            matrix[k * (TAPS + 1)] *= 1.0 + 1e-12;
        }
        if !dense::solve_columns(&mut matrix, &mut filter) {
            filter.fill(0.0);
        }
        let (mut signal, mut aliases) = (0.0, 0.0);
        for (row, w) in rows() {
            let explained: f64 = row.iter().zip(&filter).map(|(x, c)| x * c).sum();
            signal += row[SIDE] * row[SIDE];
            aliases += (w - explained) * (w - explained);
        }
        Estimate {
            aliases_db: match piece.kind {
                // A linear circuit makes no frequency that is not there; the resampler's images
                // stand this far down.
                PieceKind::Click => -120.0,
                _ => ratio_db(aliases, signal),
            },
            tone_db: self.tone_db(&wrong, &right[SIDE..SIDE + wrong.len()]),
        }
    }

    /// The largest change of gain in any third of an octave, dB re that gain.
    fn tone_db(&self, wrong: &[f64], right: &[f64]) -> f64 {
        let length = right.len().max(2).next_power_of_two();
        let fft = Fft::new(length);
        let spectrum = |x: &[f64]| {
            let (mut re, mut im) = (vec![0.0; length], vec![0.0; length]);
            let per = 1.0 / x.len().max(1) as f64;
            for (n, (re, x)) in re.iter_mut().zip(x).enumerate() {
                *re = x * (0.5 - 0.5 * fun::cos(TAU * (n as f64 + 0.5) * per));
            }
            fft.forward(&mut re, &mut im);
            re.into_iter().zip(im).collect::<Vec<_>>()
        };
        let (wrong, right) = (spectrum(wrong), spectrum(right));
        let bin = |hz: f64| (hz * length as f64 / self.rate_hz).round() as usize;
        let top_hz = BAND_HZ.min(0.45 * self.rate_hz);
        let mut edges = vec![1];
        let mut hz = LOWEST_EDGE_HZ;
        while hz < top_hz {
            if bin(hz) >= edges.last().expect("one") + FEWEST_BINS {
                edges.push(bin(hz));
            }
            hz *= THIRD;
        }
        edges.push(bin(top_hz));
        // Energies of both, and the real part of what they share: a change of gain, not of phase.
        let bands: Vec<[f64; 3]> = edges
            .windows(2)
            .map(|edge| {
                let range = edge[0]..edge[1].max(edge[0]);
                range.fold([0.0; 3], |[r, w, both], k| {
                    let ((re, im), (wre, wim)) = (right[k], wrong[k]);
                    [
                        r + re * re + im * im,
                        w + wre * wre + wim * wim,
                        both + re * wre + im * wim,
                    ]
                })
            })
            .collect();
        let strongest = bands.iter().fold(0.0f64, |most, b| most.max(b[0]));
        let counts = |b: &&[f64; 3]| b[0] > FAINT * strongest && b[2] * b[2] > 0.5 * b[0] * b[1];
        let most = bands
            .iter()
            .filter(counts)
            .fold(0.0f64, |most, b| most.max((b[2] / b[0]).abs()));
        ratio_db(most * most, 1.0)
    }

    /// A signal in the band at sample n; outside of it is silence.
    fn at(&self, signal: &[f64], n: usize) -> f64 {
        let taps = self.taps.iter().enumerate();
        taps.filter_map(|(k, tap)| Some(tap * signal.get((n + k).checked_sub(REACH)?)?))
            .sum()
    }
}

/// Energy over energy in dB, down to the last digit of a number and no further: a perfect
/// render and one of silence are both at that end.
fn ratio_db(error: f64, signal: f64) -> f64 {
    if error > signal * 1e-32 {
        10.0 * fun::log10(error / signal)
    } else {
        NOTHING_DB
    }
}
