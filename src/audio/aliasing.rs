//! How many solver steps a sample needs: measured on pieces of the clip.
//!
//! What is measured: a piece is rendered at a factor N and at 2 N, and the difference of
//! the two is taken below 20 kHz (or 0.45 of the rate, if that is less). What no linear filter
//! of 17 taps explains of it, fitted by least squares, is counted as aliases: frequencies that
//! are not in the sound, and whatever else the steps do that is not linear; an energy over that
//! of the finer render in the band. Tone error is the change of gain in the third of an octave
//! where it is largest, however faint the treble is there: longer steps bend the treble a little,
//! as turning a knob a little would. What the finer render itself gets wrong is not in them. Both
//! fall by at least 12 dB with each doubling as a rule, so leaving that out makes the
//! estimates at most 2.5 dB too good.
//!
//! The pieces are [`MEASURED_S`] of the clip each, the loudest, the brightest and the steepest;
//! [`LEAD_S`] before it are played, faded in, but not measured, so that the circuit is under way.
//! The worst of them decides. (The loudest 0.2 s alone took 80 Hz for the whole of a clip whose
//! second half was 5 kHz, with aliases of -25 dB.) A circuit without laws is judged by a click,
//! which holds all frequencies alike.
//!
//! Factors below [`CHOICES`] are not tried: steps twice as long are divided more often, so that
//! times 2 takes nearly as long as times 4 (overdrive cascade, music). How far steps may be off at corners is
//! tried before, because circuits differ: what a preamp's corners leave is hidden by the sound they
//! make, in a power amplifier that hardly clips it is not. Judging takes some 0.17 s of sound at 4 and at 8 times
//! the rate, and as much again at 4 times where coarse steps are not enough.

mod bounds;
mod estimate;
mod joined;
mod pieces;

pub use bounds::{ALIASES_DB, TONE_DB};
use estimate::Band;
pub use estimate::Estimate;
pub use joined::{Joined, join, part};
pub use pieces::{LEAD_S, MEASURED_S, Piece, PieceKind, pieces};

use super::steps::Steps;

/// Steps to choose from, the cheapest first.
pub const CHOICES: [Steps; 4] = [
    Steps::coarse(),
    Steps::fine(4),
    Steps::fine(8),
    Steps::fine(16),
];

/// The steps chosen, and what was estimated for them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oversampling {
    /// One of [`CHOICES`], or what was asked for.
    pub steps: Steps,
    /// None where there was nothing to compare: one of the renders has no solution.
    pub estimate: Option<Estimate>,
    /// Number of the piece that decided.
    pub piece: usize,
}

/// A render that is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trial {
    /// Number of the piece.
    pub piece: usize,
    /// How finely it is stepped through.
    pub steps: Steps,
}

/// What is known of a piece: what was rendered so far, or that there is no solution, and the last estimate.
#[derive(Default)]
struct Judged {
    rendered: Vec<(Steps, Option<Vec<f64>>)>,
    estimate: Option<Estimate>,
}

impl Judged {
    /// A render that was made.
    fn of(&self, steps: Steps) -> Option<&Option<Vec<f64>>> {
        let mut made = self.rendered.iter();
        made.find_map(|(own, sound)| (*own == steps).then_some(sound))
    }
}

/// The cheapest steps whose estimate [is enough](Estimate::is_enough) for all pieces, or the
/// finest. `render` plays pieces, in any order; none for one that has no solution.
///
/// # Errors
/// Those of `render`.
pub fn choose<E>(
    pieces: &[Piece],
    mut render: impl FnMut(&[Trial]) -> Result<Vec<Option<Vec<f64>>>, E>,
) -> Result<Oversampling, E> {
    let mut judged: Vec<Judged> = pieces.iter().map(|_| Judged::default()).collect();
    let mut open: Vec<usize> = (0..pieces.len()).collect();
    let mut choice = Oversampling {
        steps: CHOICES[0],
        estimate: None,
        piece: 0,
    };
    for steps in CHOICES {
        choice.steps = steps;
        // The longest first, so that processors end together.
        let finer = Steps::fine(2 * steps.factor);
        let needed = [finer, steps].into_iter().flat_map(|steps| {
            let pieces = open.iter().map(move |&piece| Trial { piece, steps });
            pieces.collect::<Vec<_>>()
        });
        let trials: Vec<Trial> = needed
            .filter(|trial| judged[trial.piece].of(trial.steps).is_none())
            .collect();
        for (trial, sound) in trials.iter().zip(render(&trials)?) {
            judged[trial.piece].rendered.push((trial.steps, sound));
        }
        for &piece in &open {
            let (own, at) = (&mut judged[piece], &pieces[piece]);
            own.estimate = match (own.of(steps), own.of(finer)) {
                (Some(Some(coarse)), Some(Some(fine))) => {
                    let band = Band::new(f64::from(at.clip.rate_hz));
                    Some(band.compare(coarse, fine, at))
                }
                _ => None,
            };
        }
        open.retain(|&piece| !judged[piece].estimate.is_some_and(|e| e.is_enough()));
        if open.is_empty() {
            break;
        }
    }
    let all: Option<Vec<Estimate>> = judged.iter().map(|j| j.estimate).collect();
    if let Some(all) = all {
        // How far the worse of both is above what is good enough.
        let excess = |e: &Estimate| (e.aliases_db - ALIASES_DB).max(e.tone_db - TONE_DB);
        let worst = (0..all.len()).max_by(|&a, &b| excess(&all[a]).total_cmp(&excess(&all[b])));
        choice.piece = worst.unwrap_or(0);
        choice.estimate = all.into_iter().reduce(Estimate::worse);
    }
    Ok(choice)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::clip::Clip;
    use std::convert::Infallible;
    use std::f64::consts::TAU;

    fn piece(samples: Vec<f64>) -> Piece {
        Piece {
            kind: PieceKind::Loudest,
            measured: 960..2880,
            clip: Clip {
                rate_hz: 48_000,
                channels: 1,
                samples,
            },
            from_s: 0.0,
        }
    }

    fn sine(freq_hz: f64, seconds: f64) -> impl Iterator<Item = f64> {
        (0..(seconds * 48_000.0) as usize).map(move |n| (TAU * freq_hz * n as f64 / 48e3).sin())
    }

    /// Renders of which only the coarsest is wrong, by what `error` says of each sample.
    fn judged(error: impl Fn(usize) -> f64) -> Oversampling {
        let pieces = [piece(sine(1000.0, 0.08).collect())];
        let Ok(choice) = choose(&pieces, |trials| {
            let render = |trial: &Trial| {
                let right = pieces[0].clip.samples.iter().enumerate();
                let wrong = if trial.steps.factor == 4 { 1.0 } else { 0.0 };
                Some(right.map(|(n, x)| x + wrong * error(n)).collect())
            };
            Ok::<_, Infallible>(trials.iter().map(render).collect())
        });
        choice
    }

    fn tone(freq_hz: f64, level_db: f64, phase: f64) -> impl Fn(usize) -> f64 {
        let size = 10f64.powf(level_db / 20.0);
        move |n| size * (TAU * freq_hz * n as f64 / 48e3 + phase).sin()
    }

    #[test]
    fn a_foreign_frequency_is_an_alias() {
        let choice = judged(tone(5000.0, -90.0, 0.3));
        assert_eq!(choice.steps.factor, 4);
        let estimate = choice.estimate.unwrap();
        assert!((estimate.aliases_db + 90.0).abs() < 0.2, "{estimate:?}");
        assert!(estimate.tone_db < -100.0, "{estimate:?}");
        assert_eq!(judged(tone(5000.0, -70.0, 0.3)).steps.factor, 8);
        // Above the band it does not count.
        let choice = judged(tone(23_900.0, -20.0, 0.3));
        assert!(choice.estimate.unwrap().aliases_db < -90.0, "{choice:?}");
    }

    #[test]
    fn coarse_steps_are_tried_first_and_nothing_twice() {
        let pieces = [piece(sine(1000.0, 0.08).collect())];
        let mut tried = Vec::new();
        let Ok(choice) = choose(&pieces, |trials| {
            tried.extend(trials.iter().map(|trial| trial.steps.to_string()));
            let wrong = tone(5000.0, -70.0, 0.3);
            let render = |trial: &Trial| {
                let right = pieces[0].clip.samples.iter().enumerate();
                let size = if trial.steps.coarse { 1.0 } else { 0.1 };
                Some(right.map(|(n, x)| x + size * wrong(n)).collect())
            };
            Ok::<_, Infallible>(trials.iter().map(render).collect())
        });
        assert_eq!(choice.steps, Steps::fine(4));
        assert_eq!(tried, ["8", "4-coarse", "4"]);
        assert!(judged(tone(5000.0, -90.0, 0.3)).steps.coarse);
    }

    #[test]
    fn more_or_less_of_the_sound_itself_is_tone() {
        let choice = judged(tone(1000.0, -70.0, 0.0));
        assert_eq!(choice.steps.factor, 4);
        let estimate = choice.estimate.unwrap();
        assert!((estimate.tone_db + 70.0).abs() < 0.2, "{estimate:?}");
        assert!(estimate.aliases_db < -100.0, "{estimate:?}");
        assert!(estimate.changes_tone(), "{estimate:?}");
        assert_eq!(judged(tone(1000.0, -50.0, 0.0)).steps.factor, 8);
        let exact = judged(|_| 0.0).estimate.unwrap();
        assert!(!exact.changes_tone(), "{exact:?}");
    }

    /// A fixed bug: treble by itself could be wrong by decibels beside loud bass.
    #[test]
    fn faint_treble_is_judged_by_itself() {
        let sound = |treble: f64| -> Vec<f64> {
            let bass = sine(100.0, 0.08);
            bass.zip(sine(10e3, 0.08))
                .map(|(a, b)| a + treble * b)
                .collect()
        };
        let pieces = [piece(sound(1e-3))];
        let Ok(choice) = choose(&pieces, |trials| {
            // Half a dB less treble from the coarsest.
            let render = |trial: &Trial| {
                Some(sound(if trial.steps.factor == 4 {
                    0.95e-3
                } else {
                    1e-3
                }))
            };
            Ok::<_, Infallible>(trials.iter().map(render).collect())
        });
        assert_eq!(choice.steps.factor, 8);
    }

    #[test]
    fn what_never_settles_takes_the_greatest_factor() {
        let pieces = [piece(vec![0.0; 3000])];
        let Ok(choice) = choose(&pieces, |trials| {
            let render = |trial: &Trial| {
                Some(sine(1000.0 + 100.0 * trial.steps.factor as f64, 0.08).collect())
            };
            Ok::<_, Infallible>(trials.iter().map(render).collect())
        });
        assert_eq!(choice.steps.factor, 16);
        assert!(choice.estimate.unwrap().aliases_db > -40.0);
        let Ok(choice) = choose(&pieces, |trials| {
            Ok::<_, Infallible>(vec![None; trials.len()])
        });
        assert_eq!((choice.steps.factor, choice.estimate), (16, None));
    }

    #[test]
    fn silence_needs_no_more_than_the_fewest_steps() {
        let pieces = [piece(vec![0.0; 3000])];
        let Ok(choice) = choose(&pieces, |trials| {
            Ok::<_, Infallible>(vec![Some(vec![0.0; 3000]); trials.len()])
        });
        assert_eq!(choice.steps.factor, 4);
    }
}
