//! How many solver steps a sample needs: measured on the loudest piece of the clip.
//!
//! What is measured: an excerpt is rendered at a factor N and at 2 N, and the difference of
//! the two is taken below 20 kHz (or 0.45 of the rate, if that is less). Of that difference
//! the part that a linear filter of [`TAPS`] taps makes out of the finer render, fitted by
//! least squares, is the tone error: longer steps bend the treble a little, as turning a
//! knob a little would. What is left is counted as aliases: frequencies that are not in the
//! sound, and whatever else the steps do that is not linear. Both are energies over that of
//! the finer render in the band; what the finer render itself gets wrong is not in them.
//! Both fall by at least 12 dB with each doubling as a rule, so leaving that out makes the
//! estimates at most 2.5 dB too good.
//!
//! The excerpt is the [`MEASURED_S`] of the clip with the greatest energy; [`LEAD_S`] before
//! it are played, faded in, but not measured, so that the circuit is under way. Judging a
//! factor N costs (4 N - 1) excerpts at the clip's own rate.

use super::clip::{Clip, SampleStream, SourceProblem};
use crate::math::{dense, fun};
use std::collections::VecDeque;
use std::f64::consts::{PI, TAU};
use std::ops::Range;

/// Factors to choose from.
pub const FACTORS: [usize; 5] = [1, 2, 4, 8, 16];
/// Aliases below this are good enough, dB re the sound: the noise of a valve amplifier is
/// above it (common practice, no published source).
pub const ALIASES_DB: f64 = -80.0;
/// A tone error below this is good enough, dB re the sound: one part in a hundred, less than
/// the tolerance of any part in the circuit.
pub const TONE_DB: f64 = -40.0;
/// Length of the filter whose work counts as a change of tone.
pub const TAPS: usize = 17;
/// Length of the piece that is measured, s.
pub const MEASURED_S: f64 = 0.2;
/// Length of what is played before it, s.
pub const LEAD_S: f64 = 0.1;
/// The piece is found to this accuracy, s.
const HOP_S: f64 = 0.02;
/// Upper end of the band in which renders are compared, Hz.
const BAND_HZ: f64 = 20_000.0;
/// Reach of the band's filter to either side, samples.
const REACH: usize = 90;
/// A hop is at least this long, samples: two resampling filters and the band's fit in.
const SHORTEST_HOP: usize = 256;

/// A piece of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Excerpt {
    /// What is to be played.
    pub clip: Clip,
    /// Which samples of it are measured.
    pub measured: Range<usize>,
    /// Where in the clip it starts, s.
    pub from_s: f64,
}

/// The loudest piece of a clip, found in one reading. `poll` may break it off.
///
/// # Errors
/// If the clip breaks off (outer), or `poll` says so (inner).
pub fn loudest<E>(
    clip: &mut dyn SampleStream,
    mut poll: impl FnMut() -> Result<(), E>,
) -> Result<Result<Excerpt, E>, SourceProblem> {
    let rate_hz = clip.rate_hz();
    let rate = f64::from(rate_hz);
    let hop = ((HOP_S * rate) as usize).max(SHORTEST_HOP);
    let hops = |seconds: f64| ((seconds * rate / hop as f64).round() as usize).max(1);
    let (measured, lead) = (hops(MEASURED_S), hops(LEAD_S));
    // The last lead, measured piece and one hop of what follows it.
    let mut recent: VecDeque<(Vec<f64>, f64)> = VecDeque::new();
    let mut best: Option<(f64, Vec<f64>, Range<usize>, usize)> = None;
    let (mut block, mut read, mut ended) = (Vec::new(), 0, false);
    while !ended {
        if let Err(e) = poll() {
            return Ok(Err(e));
        }
        next_hop(clip, hop, &mut block)?;
        ended = block.len() < hop;
        let energy = block.iter().map(|x| x * x).sum::<f64>();
        read += block.len();
        if !block.is_empty() {
            recent.push_back((block.clone(), energy));
        }
        if recent.len() > lead + measured + 1 {
            recent.pop_front();
        }
        // At the clip's end nothing need follow; before it one hop does.
        let last = recent.len() - usize::from(!ended);
        let first = last.saturating_sub(measured);
        let energy: f64 = recent.range(first..last).map(|r| r.1).sum();
        if best.as_ref().is_none_or(|b| energy >= b.0) {
            let samples: Vec<f64> = recent.iter().flat_map(|r| r.0.iter().copied()).collect();
            let upto = |k: usize| recent.range(..k).map(|r| r.0.len()).sum::<usize>();
            let from = read - samples.len();
            best = Some((energy, samples, upto(first)..upto(last), from));
        }
    }
    let (_, mut samples, measured, from) = best.expect("the loop ran");
    if from > 0 {
        // A start in the middle would be a click.
        let rise = measured.start.min(hop);
        for (n, x) in samples[..rise].iter_mut().enumerate() {
            *x *= 0.5 - 0.5 * fun::cos(PI * n as f64 / rise as f64);
        }
    }
    Ok(Ok(Excerpt {
        clip: Clip {
            rate_hz,
            channels: 1,
            samples,
        },
        measured,
        from_s: from as f64 / rate,
    }))
}

/// The next samples, as many as asked for unless the clip ends.
fn next_hop(
    clip: &mut dyn SampleStream,
    hop: usize,
    out: &mut Vec<f64>,
) -> Result<(), SourceProblem> {
    let mut part = Vec::new();
    out.clear();
    while out.len() < hop {
        clip.next_block(hop - out.len(), &mut part)?;
        if part.is_empty() {
            break;
        }
        out.extend_from_slice(&part);
    }
    Ok(())
}

/// The factor chosen, and what was estimated for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// One of [`FACTORS`].
    pub factor: usize,
    /// None where there was nothing to compare: one of the renders has no solution.
    pub estimate: Option<Estimate>,
}

/// What one factor gets wrong, dB re the sound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// What no linear filter explains.
    pub aliases_db: f64,
    /// What one does.
    pub tone_db: f64,
}

impl Estimate {
    /// Whether no more is needed.
    pub fn is_enough(&self) -> bool {
        self.aliases_db < ALIASES_DB && self.tone_db < TONE_DB
    }
}

/// The smallest factor whose estimate [is enough](Estimate::is_enough), or the greatest.
/// `render` plays the excerpt at a factor; none if that has no solution.
///
/// # Errors
/// Those of `render`.
pub fn choose<E>(
    excerpt: &Excerpt,
    mut render: impl FnMut(usize) -> Result<Option<Vec<f64>>, E>,
) -> Result<Choice, E> {
    let band = Band::new(f64::from(excerpt.clip.rate_hz));
    let mut coarse = render(FACTORS[0])?;
    let mut choice = Choice {
        factor: 0,
        estimate: None,
    };
    for factor in FACTORS {
        let fine = render(2 * factor)?;
        choice.factor = factor;
        choice.estimate = match (&coarse, &fine) {
            (Some(coarse), Some(fine)) => Some(band.compare(coarse, fine, &excerpt.measured)),
            _ => None,
        };
        if choice.estimate.is_some_and(|e| e.is_enough()) {
            break;
        }
        coarse = fine;
    }
    Ok(choice)
}

/// A low-pass filter: sin(x)/x under a four-term cosine window whose side lobes lie 92 dB
/// down (F. J. Harris, Proc. IEEE 66, 1978, p. 51, table 1; from memory).
struct Band {
    taps: Vec<f64>,
}

impl Band {
    fn new(rate_hz: f64) -> Self {
        let length = (2 * REACH + 1) as f64;
        // The window's main lobe is four bins wide to either side: half the transition.
        let middle = (BAND_HZ / rate_hz).min(0.45) + 4.0 / length;
        let taps = (0..=2 * REACH)
            .map(|n| {
                let t = n as f64 - REACH as f64;
                let w = TAU * (n as f64 + 0.5) / length;
                let window = 0.35875 - 0.48829 * fun::cos(w) + 0.14128 * fun::cos(2.0 * w)
                    - 0.01168 * fun::cos(3.0 * w);
                let ideal = match t == 0.0 {
                    true => 2.0 * middle,
                    false => fun::sin(TAU * middle * t) / (PI * t),
                };
                window * ideal
            })
            .collect();
        Band { taps }
    }

    /// The difference of two renders, taken apart.
    fn compare(&self, coarse: &[f64], fine: &[f64], measured: &Range<usize>) -> Estimate {
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
        let (mut signal, mut tone, mut aliases) = (0.0, 0.0, 0.0);
        for (row, w) in rows() {
            let explained: f64 = row.iter().zip(&filter).map(|(x, c)| x * c).sum();
            signal += row[SIDE] * row[SIDE];
            tone += explained * explained;
            aliases += (w - explained) * (w - explained);
        }
        Estimate {
            aliases_db: ratio_db(aliases, signal),
            tone_db: ratio_db(tone, signal),
        }
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
    match error > signal * 1e-32 {
        true => 10.0 * fun::log10(error / signal),
        false => -320.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::convert::Infallible;

    fn found(samples: Vec<f64>) -> Excerpt {
        let clip = Clip {
            rate_hz: 48_000,
            channels: 1,
            samples,
        };
        let Ok(excerpt) = loudest(&mut clip.stream(), || Ok::<(), Infallible>(())).unwrap();
        excerpt
    }

    fn sine(freq_hz: f64, seconds: f64) -> impl Iterator<Item = f64> {
        (0..(seconds * 48_000.0) as usize).map(move |n| (TAU * freq_hz * n as f64 / 48e3).sin())
    }

    #[test]
    fn the_loudest_piece_is_found_with_its_lead() {
        // Half a second loud from 2 s on, in 5 s.
        let samples: Vec<f64> = sine(440.0, 5.0)
            .enumerate()
            .map(|(n, x)| {
                if (96_000..120_000).contains(&n) {
                    x
                } else {
                    0.1 * x
                }
            })
            .collect();
        let excerpt = found(samples.clone());
        let from = (excerpt.from_s * 48_000.0).round() as usize;
        let begin = from + excerpt.measured.start;
        assert_eq!(excerpt.measured.len(), 9600);
        assert!((96_000..=120_000 - 9600).contains(&begin), "{begin}");
        assert_eq!(excerpt.measured.start, 4800);
        // Past the fade it is the clip itself.
        let same = &samples[from + 960..from + excerpt.clip.samples.len()];
        assert_eq!(&excerpt.clip.samples[960..], same);
    }

    #[test]
    fn a_short_clip_is_its_own_excerpt() {
        for length in [0, 1, 300, 5000, 9600] {
            let samples: Vec<f64> = sine(1000.0, 1.0).take(length).collect();
            let excerpt = found(samples.clone());
            assert_eq!(excerpt.clip.samples, samples);
            assert_eq!((excerpt.from_s, excerpt.measured), (0.0, 0..length));
        }
    }

    /// Renders of which only the coarsest is wrong, by what `error` says of each sample.
    fn judged(excerpt: &Excerpt, error: impl Fn(usize) -> f64) -> Choice {
        let Ok(choice) = choose(excerpt, |factor| {
            let right = sine(1000.0, 0.5).enumerate();
            let wrong = if factor == 1 { 1.0 } else { 0.0 };
            let all = right.map(|(n, x)| x + wrong * error(n)).collect();
            Ok::<_, Infallible>(Some(all))
        });
        choice
    }

    fn tone(freq_hz: f64, level_db: f64) -> impl Fn(usize) -> f64 {
        let size = 10f64.powf(level_db / 20.0);
        move |n| size * (TAU * freq_hz * n as f64 / 48e3 + 0.3).sin()
    }

    #[test]
    fn a_foreign_frequency_is_an_alias() {
        let excerpt = found(sine(1000.0, 0.5).collect());
        let choice = judged(&excerpt, tone(5000.0, -90.0));
        assert_eq!(choice.factor, 1);
        let estimate = choice.estimate.unwrap();
        assert!((estimate.aliases_db + 90.0).abs() < 0.1, "{estimate:?}");
        assert!(estimate.tone_db < -100.0, "{estimate:?}");
        assert_eq!(judged(&excerpt, tone(5000.0, -70.0)).factor, 2);
        // Above the band it does not count.
        let choice = judged(&excerpt, tone(23_900.0, -20.0));
        assert!(choice.estimate.unwrap().aliases_db < -95.0, "{choice:?}");
    }

    #[test]
    fn more_or_less_of_the_sound_itself_is_tone() {
        let excerpt = found(sine(1000.0, 0.5).collect());
        let choice = judged(&excerpt, tone(1000.0, -50.0));
        assert_eq!(choice.factor, 1);
        let estimate = choice.estimate.unwrap();
        assert!((estimate.tone_db + 50.0).abs() < 0.1, "{estimate:?}");
        assert!(estimate.aliases_db < -100.0, "{estimate:?}");
        assert_eq!(judged(&excerpt, tone(1000.0, -30.0)).factor, 2);
    }

    #[test]
    fn what_never_settles_takes_the_greatest_factor() {
        let excerpt = found(sine(1000.0, 0.4).collect());
        let Ok(choice) = choose(&excerpt, |factor| {
            let tone = sine(1000.0 + 700.0 * factor as f64, 0.4);
            Ok::<_, Infallible>(Some(tone.collect()))
        });
        assert_eq!(choice.factor, 16);
        assert!(choice.estimate.unwrap().aliases_db > -40.0);
        let Ok(choice) = choose(&excerpt, |_| Ok::<_, Infallible>(None));
        assert_eq!((choice.factor, choice.estimate), (16, None));
    }

    #[test]
    fn silence_needs_no_more_than_one_step() {
        let excerpt = found(vec![0.0; 30_000]);
        let Ok(choice) = choose(&excerpt, |_| Ok::<_, Infallible>(Some(vec![0.0; 30_000])));
        assert_eq!(choice.factor, 1);
    }
}
