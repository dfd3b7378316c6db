//! The pieces of a clip by which a factor is judged.

use crate::audio::clip::{Clip, SampleStream, SourceProblem};
use crate::math::fun;
use std::collections::VecDeque;
use std::f64::consts::PI;
use std::ops::Range;

/// Length of what is measured, s.
pub const MEASURED_S: f64 = 0.04;
/// Length of what is played before it, s.
pub const LEAD_S: f64 = 0.01;
/// A piece is found to this accuracy, s.
const HOP_S: f64 = 0.02;
/// A hop, and what goes before and after, is at least this long, samples: two resampling filters and the band's
/// fit in.
const SHORTEST_HOP: usize = 256;
/// What follows fades over its last samples, which reach nothing that is measured.
const FADE: usize = 64;

/// Why a piece was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PieceKind {
    /// It has the most energy: the circuit is driven hardest.
    Loudest,
    /// It has the most energy in the treble.
    Brightest,
    /// The steepest edge is in it.
    Steepest,
    /// Not of the clip: one sample that holds all frequencies alike, for linear circuits.
    Click,
}

impl PieceKind {
    /// As messages call it.
    pub fn name(self) -> &'static str {
        match self {
            PieceKind::Loudest => "loudest",
            PieceKind::Brightest => "brightest",
            PieceKind::Steepest => "steepest",
            PieceKind::Click => "click",
        }
    }
}

/// A piece of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// Why this one.
    pub kind: PieceKind,
    /// What is to be played.
    pub clip: Clip,
    /// Which samples of it are measured.
    pub measured: Range<usize>,
    /// Where in the clip it starts, s.
    pub from_s: f64,
}

impl Piece {
    /// One sample that is not silence.
    pub fn click(rate_hz: u32) -> Self {
        let length = ((MEASURED_S * f64::from(rate_hz)) as usize).max(2 * SHORTEST_HOP);
        let mut samples = vec![0.0; length];
        samples[length / 2] = 1.0;
        let clip = Clip {
            rate_hz,
            channels: 1,
            samples,
        };
        Piece {
            kind: PieceKind::Click,
            measured: 0..length,
            clip,
            from_s: 0.0,
        }
    }
}

/// The best piece so far by one measure.
struct Best {
    kind: PieceKind,
    found: Option<Found>,
}

struct Found {
    size: f64,
    samples: Vec<f64>,
    measured: Range<usize>,
    from: usize,
}

/// Samples of a hop and what each kind of piece goes by.
type Hop = (Vec<f64>, [f64; 3]);

/// The loudest, the brightest and the steepest piece of a clip, found in one reading; fewer
/// where one is the other. `poll` may break it off.
///
/// # Errors
/// If the clip breaks off (outer), or `poll` says so (inner).
pub fn pieces<E>(
    clip: &mut dyn SampleStream,
    mut poll: impl FnMut() -> Result<(), E>,
) -> Result<Result<Vec<Piece>, E>, SourceProblem> {
    let rate_hz = clip.rate_hz();
    let rate = f64::from(rate_hz);
    let hop = ((HOP_S * rate) as usize).max(SHORTEST_HOP);
    let hops = |seconds: f64| ((seconds * rate / hop as f64).round() as usize).max(1);
    let (measured, lead) = (hops(MEASURED_S), hops(LEAD_S));
    let before = ((LEAD_S * rate) as usize).max(SHORTEST_HOP);
    // The last lead, measured piece and one hop of what follows it.
    let mut recent: VecDeque<Hop> = VecDeque::new();
    let mut best = [
        PieceKind::Loudest,
        PieceKind::Brightest,
        PieceKind::Steepest,
    ]
    .map(|kind| Best { kind, found: None });
    let (mut block, mut read, mut ended) = (Vec::new(), 0, false);
    let mut last_two = [0.0; 2];
    while !ended {
        if let Err(e) = poll() {
            return Ok(Err(e));
        }
        next_hop(clip, hop, &mut block)?;
        ended = block.len() < hop;
        let sizes = sizes(&block, &mut last_two);
        read += block.len();
        if !block.is_empty() {
            recent.push_back((block.clone(), sizes));
        }
        if recent.len() > lead + measured + 1 {
            recent.pop_front();
        }
        // At the clip's end nothing need follow; before it one hop does.
        let last = recent.len() - usize::from(!ended);
        let first = last.saturating_sub(measured);
        for (k, best) in best.iter_mut().enumerate() {
            let sizes = recent.range(first..last).map(|r| r.1[k]);
            let size = match best.kind {
                PieceKind::Steepest => sizes.fold(0.0, f64::max),
                _ => sizes.sum(),
            };
            if best.found.as_ref().is_none_or(|b| size > b.size) {
                let samples: Vec<f64> = recent.iter().flat_map(|r| r.0.iter().copied()).collect();
                let upto = |k: usize| recent.range(..k).map(|r| r.0.len()).sum::<usize>();
                best.found = Some(Found {
                    size,
                    measured: upto(first)..upto(last),
                    from: read - samples.len(),
                    samples,
                });
            }
        }
    }
    let mut pieces: Vec<Piece> = Vec::new();
    let mut begins: Vec<usize> = Vec::new();
    for Best { kind, found } in best {
        let Found {
            mut samples,
            mut measured,
            mut from,
            ..
        } = found.expect("the loop ran");
        // Half of the other piece is enough of the same sound.
        let half = (0.5 * MEASURED_S + 1e-9) * rate;
        if begins
            .iter()
            .any(|begin| begin.abs_diff(from) as f64 <= half)
        {
            continue;
        }
        begins.push(from);
        if samples.len() > measured.end + SHORTEST_HOP {
            samples.truncate(measured.end + SHORTEST_HOP);
            let end = samples.len();
            fade(samples[end - FADE..].iter_mut().rev());
        }
        let spare = measured.start.saturating_sub(before);
        samples.drain(..spare);
        measured = measured.start - spare..measured.end - spare;
        from += spare;
        if from > 0 {
            // A start in the middle would be a click.
            fade(samples[..measured.start.min(before)].iter_mut());
        }
        pieces.push(Piece {
            kind,
            clip: Clip {
                rate_hz,
                channels: 1,
                samples,
            },
            measured,
            from_s: from as f64 / rate,
        });
    }
    Ok(Ok(pieces))
}

/// Lets samples rise from nothing.
fn fade<'a>(samples: impl ExactSizeIterator<Item = &'a mut f64>) {
    let length = samples.len() as f64;
    for (n, x) in samples.enumerate() {
        *x *= 0.5 - 0.5 * fun::cos(PI * n as f64 / length);
    }
}

/// Energy, energy of the second difference (treble weighs 12 dB an octave more) and steepest
/// edge of a hop.
fn sizes(block: &[f64], before: &mut [f64; 2]) -> [f64; 3] {
    let mut sizes = [0.0f64; 3];
    for &x in block {
        let [last, one_before] = *before;
        let (edge, bend) = (x - last, x - 2.0 * last + one_before);
        sizes[0] += x * x;
        sizes[1] += bend * bend;
        sizes[2] = sizes[2].max(edge.abs());
        *before = [x, last];
    }
    sizes
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::convert::Infallible;
    use std::f64::consts::TAU;

    fn found(samples: Vec<f64>) -> Vec<Piece> {
        let clip = Clip {
            rate_hz: 48_000,
            channels: 1,
            samples,
        };
        let Ok(pieces) = pieces(&mut clip.stream(), || Ok::<(), Infallible>(())).unwrap();
        pieces
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
        let pieces = found(samples.clone());
        let piece = &pieces[0];
        let from = (piece.from_s * 48_000.0).round() as usize;
        let begin = from + piece.measured.start;
        assert_eq!(
            (piece.kind, piece.measured.len()),
            (PieceKind::Loudest, 1920)
        );
        assert!((96_000..=120_000 - 1920).contains(&begin), "{begin}");
        assert_eq!(piece.measured.start, 480);
        // Past the fade it is the clip itself, until it fades again.
        let (length, end) = (piece.clip.samples.len(), piece.measured.end);
        assert_eq!(length, end + SHORTEST_HOP);
        let same = 480..length - FADE;
        assert_eq!(piece.clip.samples[same.clone()], samples[from..][same]);
    }

    /// A fixed bug: 80 Hz followed by 5 kHz was judged by the 80 Hz alone.
    #[test]
    fn treble_after_loud_bass_is_a_piece_of_its_own() {
        let samples: Vec<f64> = sine(80.0, 1.0)
            .chain(sine(5e3, 1.0).map(|x| 0.5 * x))
            .collect();
        let pieces = found(samples);
        assert_eq!(pieces[0].kind, PieceKind::Loudest);
        assert!(pieces[0].from_s < 1.0);
        let bright = pieces
            .iter()
            .find(|p| p.kind == PieceKind::Brightest)
            .expect("another");
        assert!(bright.from_s > 0.9, "{}", bright.from_s);
    }

    #[test]
    fn a_short_clip_is_its_own_piece() {
        for length in [0, 1, 300, 1919] {
            let samples: Vec<f64> = sine(1000.0, 1.0).take(length).collect();
            let pieces = found(samples.clone());
            assert_eq!(pieces.len(), 1);
            assert_eq!(pieces[0].clip.samples, samples);
            assert_eq!(pieces[0].from_s, 0.0);
        }
    }
}
