//! What is wrong with a WAV file.

use crate::inputs::InputProblem;
use std::io;
use thiserror::Error;

/// Slowest and fastest sample rate that is taken, Hz.
pub const RATES_HZ: std::ops::RangeInclusive<u32> = 1_000..=768_000;

/// Why a WAV file cannot be read or written. The message does not name the
/// file: only the caller knows what the user called it.
#[derive(Debug, Error)]
pub enum WavProblem {
    /// The file could not be opened.
    #[error("cannot open the file: {0}")]
    Open(InputProblem),
    /// Reading failed.
    #[error("cannot read the file: {0}")]
    Read(io::Error),
    /// The file does not begin as a WAV file does.
    #[error("not a WAV file: expected `RIFF`, a length and `WAVE` at its start")]
    NotWave,
    /// The form for sound above 4 GiB.
    #[error("the 64-bit form of WAV (`RF64`) is not read; split the file or save less of it")]
    TooBigForm,
    /// The file ends inside a chunk.
    #[error("the file is cut short: `{chunk}` should end at byte {expected}, the file at {found}")]
    CutShort {
        /// The chunk's four letters.
        chunk: String,
        /// Where the chunk should end.
        expected: u64,
        /// Length of the file, bytes.
        found: u64,
    },
    /// A chunk that must be there is not, or comes too late.
    #[error("the file has no `{chunk}` chunk{}", if *chunk == "fmt " { " before the sound" } else { "" })]
    NoChunk {
        /// The chunk's four letters.
        chunk: &'static str,
    },
    /// The format chunk has too few bytes.
    #[error("the `fmt ` chunk has {found} bytes, expected at least {expected}")]
    ShortFormat {
        /// Bytes that its form needs.
        expected: u32,
        /// Bytes it has.
        found: u32,
    },
    /// Compressed sound, or one of the rarer codings.
    #[error("sound coding {tag:#06x} is not read; expected PCM (1) or floating point (3)")]
    Coding {
        /// The format tag.
        tag: u16,
    },
    /// A width that the coding does not come in.
    #[error(
        "{bits}-bit {} samples are not read; expected {}",
        if *float { "floating-point" } else { "integer" },
        if *float { "32 or 64" } else { "8, 16, 24 or 32" }
    )]
    Bits {
        /// Bits that a sample takes.
        bits: u16,
        /// Whether the samples are floating point.
        float: bool,
    },
    /// No channels.
    #[error("the file says that it has no channels")]
    NoChannels,
    /// The frame size does not follow from channels and bits.
    #[error("a frame of {channels} channels of {bits} bits takes {expected} bytes, found {found}")]
    Frame {
        /// Channels.
        channels: u16,
        /// Bits a sample.
        bits: u16,
        /// Bytes a frame should take.
        expected: u32,
        /// Bytes a frame takes according to the file.
        found: u16,
    },
    /// A sample rate that is out of reason.
    #[error("a sample rate of {found} Hz; expected 1000 to 768000 Hz")]
    Rate {
        /// The rate, Hz.
        found: u32,
    },
    /// More bytes a second than the header has room for.
    #[error("{rate_hz} frames a second of {frame} bytes are more than a WAV header can say")]
    ByteRate {
        /// The sample rate, Hz.
        rate_hz: u32,
        /// Bytes a frame.
        frame: u16,
    },
    /// The sound does not fill its last frame.
    #[error("the sound has {bytes} bytes, not a multiple of its {frame} bytes a frame")]
    BrokenFrame {
        /// Bytes of sound.
        bytes: u32,
        /// Bytes a frame.
        frame: u16,
    },
    /// A file without sound.
    #[error("the file holds no sound: its length is zero")]
    Empty,
    /// More sound than the form can hold.
    #[error("too long for a WAV file: {samples} samples of {bytes} bytes pass 4 GiB")]
    TooLong {
        /// Samples asked for.
        samples: u64,
        /// Bytes a sample.
        bytes: u16,
    },
    /// A sample that cannot be written as a number.
    #[error("sample {frame} of the output is {value}, beyond what the file can hold")]
    NotFinite {
        /// Which sample, counted from 0.
        frame: u64,
        /// Its value, full scale being one.
        value: f64,
    },
    /// Writing failed.
    #[error("cannot write the sound: {0}")]
    Write(io::Error),
}

impl WavProblem {
    /// What to do about it.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            WavProblem::Open(why) => why.hint(),
            WavProblem::Read(_) => Some("copy the file to another disk and try again"),
            WavProblem::Empty => Some("record it again"),
            WavProblem::CutShort { .. } => {
                Some("copy it again from where it came, or save it anew in a sound editor")
            }
            WavProblem::TooLong { .. } => Some("render a shorter clip, or use `--format int16`"),
            WavProblem::NotFinite { .. } => {
                Some("look at it with `gridleak scope`; `--output-volts` sets full scale")
            }
            WavProblem::Write(_) => Some("name another folder; nothing was changed"),
            _ => Some("open it in a sound editor and save it as WAV: PCM, 16 or 24 bits"),
        }
    }
}

/// What `hound` reports, as an error of the system.
pub(super) fn io_error(e: hound::Error) -> io::Error {
    match e {
        hound::Error::IoError(e) => e,
        other => io::Error::other(other),
    }
}
