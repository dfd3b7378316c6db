//! Sound files in the WAVE form, both ways.
//!
//! Source: "Multimedia Programming Interface and Data Specifications 1.0",
//! IBM and Microsoft, 1991 (RIFF, WAVE, PCM), and "Multiple channel audio data
//! and WAVE files", Microsoft, 2001 (the extensible form); both from memory.
//! A file is a row of chunks, each of four letters, a length and that many bytes,
//! and a filling byte after an odd length.
//!
//! The `hound` library decodes and encodes; ours is what its version 3.5 leaves
//! out. It refuses a chunk of odd length before the sound, as editors write,
//! and some valid format chunks (32-bit PCM in the form of 18 bytes), and says
//! little of what is wrong with a file; so `find` walks the chunks and hands it
//! the sound under the plainest header. In what it writes, mono is the left
//! loudspeaker's and odd lengths are not filled up; `write` puts both right.

#[cfg(test)]
mod by_hand;
mod find;
mod problem;
mod read;
mod write;

pub use read::{WavReader, open_wav, read_wav};
pub use write::{Format, WavWriter, Written};

pub use problem::{RATES_HZ, WavProblem};

/// The format tags of the standard.
mod tag {
    pub const PCM: u16 = 1;
    pub const FLOAT: u16 = 3;
    pub const EXTENSIBLE: u16 = 0xfffe;
}
