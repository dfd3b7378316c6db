//! Pieces that are played as one clip.
//!
//! A circuit is compiled for each render, and on the mains it plays in silence until the clip may begin; for
//! pieces of some hundredths of a second that costs as much as their sound. So all pieces that are tried at the same steps
//! are one render, in the order in which they stand in the clip.

use super::Trial;
use super::pieces::Piece;
use crate::audio::clip::Clip;
use crate::audio::steps::Steps;
use std::ops::Range;

/// A render of several pieces.
#[derive(Debug)]
pub struct Joined {
    /// What is to be played.
    pub clip: Clip,
    /// How finely it is stepped through.
    pub steps: Steps,
    /// Each trial by its number, and where its piece stands.
    parts: Vec<(usize, Range<usize>)>,
}

/// Joins trials of the same steps, the greatest factor first.
pub fn join(pieces: &[Piece], trials: &[Trial]) -> Vec<Joined> {
    let mut order: Vec<usize> = (0..trials.len()).collect();
    let piece = |trial: usize| &pieces[trials[trial].piece];
    order.sort_by(|&a, &b| {
        let finest = trials[b].steps.cmp(&trials[a].steps);
        finest.then(piece(a).from_s.total_cmp(&piece(b).from_s))
    });
    let same = |a: &usize, b: &usize| trials[*a].steps == trials[*b].steps;
    let joined = order.chunk_by(same).map(|of| {
        let mut samples = Vec::new();
        let mut parts = Vec::new();
        for &trial in of {
            let from = samples.len();
            samples.extend_from_slice(&piece(trial).clip.samples);
            parts.push((trial, from..samples.len()));
        }
        Joined {
            clip: Clip {
                rate_hz: piece(of[0]).clip.rate_hz,
                channels: 1,
                samples,
            },
            steps: trials[of[0]].steps,
            parts,
        }
    });
    joined.collect()
}

/// What was rendered of each trial, in their order; none where the render has no solution.
pub fn part(joined: &[Joined], rendered: &[Option<Vec<f64>>]) -> Vec<Option<Vec<f64>>> {
    let count = joined.iter().map(|j| j.parts.len()).sum();
    let mut parted = vec![None; count];
    for (joined, rendered) in joined.iter().zip(rendered) {
        for (trial, range) in &joined.parts {
            parted[*trial] = rendered.as_ref().map(|all| all[range.clone()].to_vec());
        }
    }
    parted
}

#[cfg(test)]
mod tests {
    use super::super::PieceKind;
    use super::*;

    #[test]
    fn pieces_come_back_in_the_order_of_their_trials() {
        let piece = |from_s: f64, length: usize| Piece {
            kind: PieceKind::Loudest,
            measured: 0..length,
            clip: Clip {
                rate_hz: 48_000,
                channels: 1,
                samples: vec![from_s; length],
            },
            from_s,
        };
        let pieces = [piece(3.0, 4), piece(1.0, 2), piece(2.0, 3)];
        let trial = |piece, factor| Trial {
            piece,
            steps: Steps::fine(factor),
        };
        let trials = [
            trial(0, 8),
            trial(2, 8),
            trial(0, 4),
            trial(1, 4),
            trial(2, 4),
        ];
        let joined = join(&pieces, &trials);
        let factors: Vec<usize> = joined.iter().map(|j| j.steps.factor).collect();
        assert_eq!(factors, [8, 4]);
        assert_eq!(
            joined[1].clip.samples,
            [1.0, 1.0, 2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 3.0]
        );
        let render = |j: &Joined| {
            Some(
                j.clip
                    .samples
                    .iter()
                    .map(|x| x * j.steps.factor as f64)
                    .collect(),
            )
        };
        let rendered: Vec<Option<Vec<f64>>> = joined.iter().map(render).collect();
        let parted = part(&joined, &rendered);
        for (trial, found) in trials.iter().zip(&parted) {
            let own = &pieces[trial.piece].clip.samples;
            let expected: Vec<f64> = own.iter().map(|x| x * trial.steps.factor as f64).collect();
            assert_eq!(found.as_ref(), Some(&expected));
        }
        assert_eq!(
            part(&joined, &[None, rendered[1].clone()])[..2],
            [None, None]
        );
    }
}
