//! Sound that goes into a circuit: mono samples at a fixed rate, digital full
//! scale being one, in memory or arriving block by block.

use std::io;
use thiserror::Error;

/// Why a stream of samples broke off.
#[derive(Debug, Error)]
pub enum SourceProblem {
    /// A sample is infinite or not a number.
    #[error("sample {frame} of channel {channel} (at {time_s:.6} s) is not a finite number")]
    NotFinite {
        /// Which sample, counted from 0 in each channel.
        frame: u64,
        /// Which channel, counted from 1.
        channel: u16,
        /// When it would be heard, s.
        time_s: f64,
    },
    /// The sound ends before the length that was announced.
    #[error("expected {expected} samples in each channel, found {found}")]
    CutShort {
        /// Samples announced.
        expected: u64,
        /// Whole samples there.
        found: u64,
    },
    /// The samples could not be read.
    #[error("cannot read the samples: {0}")]
    Read(#[from] io::Error),
}

impl SourceProblem {
    /// What to do about it.
    pub fn hint(&self) -> &'static str {
        match self {
            SourceProblem::NotFinite { .. } => "open the clip in a sound editor and save it anew",
            SourceProblem::CutShort { .. } => "let no other program write the clip during the run",
            SourceProblem::Read(_) => "copy the clip to another disk and try again",
        }
    }
}

/// Sound that arrives block by block, so that memory need not grow with its length.
pub trait SampleStream {
    /// Samples a second, Hz.
    fn rate_hz(&self) -> u32;

    /// How many channels were found; more than one have been averaged.
    fn channels(&self) -> u16;

    /// How many mono samples there are in all.
    fn length(&self) -> u64;

    /// Replaces the contents of `block` by the next samples, `most` at the
    /// most; it stays empty only at the end.
    ///
    /// # Errors
    /// If the samples break off or one is not finite; the stream is over then.
    fn next_block(&mut self, most: usize, block: &mut Vec<f64>) -> Result<(), SourceProblem>;
}

/// A piece of sound held in memory.
#[derive(Debug, Clone, PartialEq)]
pub struct Clip {
    /// Samples a second, Hz.
    pub rate_hz: u32,
    /// How many channels were found; more than one have been averaged.
    pub channels: u16,
    /// Mono samples, digital full scale being one.
    pub samples: Vec<f64>,
}

impl Clip {
    /// All that a source has to give.
    ///
    /// # Errors
    /// As [`SampleStream::next_block`].
    pub fn collect(source: &mut dyn SampleStream) -> Result<Clip, SourceProblem> {
        let (mut samples, mut block) = (Vec::new(), Vec::new());
        loop {
            source.next_block(BLOCK, &mut block)?;
            if block.is_empty() {
                break;
            }
            samples.extend_from_slice(&block);
        }
        Ok(Clip {
            rate_hz: source.rate_hz(),
            channels: source.channels(),
            samples,
        })
    }

    /// The clip as a stream from its start.
    pub fn stream(&self) -> ClipStream<'_> {
        ClipStream {
            clip: self,
            next: 0,
        }
    }

    /// How long it lasts, s.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / f64::from(self.rate_hz)
    }
}

/// A block long enough that the cost of passing it does not show, and short
/// enough to stay in the processor's nearest memory.
pub const BLOCK: usize = 1024;

/// A [`Clip`] on its way out; see [`Clip::stream`].
#[derive(Debug, Clone)]
pub struct ClipStream<'a> {
    clip: &'a Clip,
    next: usize,
}

impl SampleStream for ClipStream<'_> {
    fn rate_hz(&self) -> u32 {
        self.clip.rate_hz
    }

    fn channels(&self) -> u16 {
        self.clip.channels
    }

    fn length(&self) -> u64 {
        self.clip.samples.len() as u64
    }

    fn next_block(&mut self, most: usize, block: &mut Vec<f64>) -> Result<(), SourceProblem> {
        let rest = &self.clip.samples[self.next..];
        let part = &rest[..rest.len().min(most)];
        block.clear();
        block.extend_from_slice(part);
        self.next += part.len();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clip_streams_whole_in_blocks_of_any_size() {
        let clip = Clip {
            rate_hz: 8000,
            channels: 1,
            samples: (0..3000).map(f64::from).collect(),
        };
        assert_eq!(clip.duration_s(), 0.375);
        assert_eq!(Clip::collect(&mut clip.stream()).unwrap(), clip);
        let (mut stream, mut block, mut seen) = (clip.stream(), Vec::new(), 0);
        loop {
            stream.next_block(7, &mut block).unwrap();
            assert!(block.len() <= 7);
            if block.is_empty() {
                break;
            }
            assert_eq!(block[0], seen as f64);
            seen += block.len();
        }
        assert_eq!(seen, 3000);
    }
}
