//! The walk over the chunks of a file, to its sound.

use super::problem::{RATES_HZ, WavProblem};
use super::tag;
use std::io::{Read, Seek, SeekFrom};

/// The sound of a file.
#[derive(Debug, PartialEq)]
pub struct Found {
    /// The plainest header for it: 44 bytes up to the sound, with a format chunk of 16.
    pub header: Vec<u8>,
    /// Its numbers have 64 bits: the header speaks of the 32 that are made of them.
    pub wide: bool,
}

/// Lengths that programs write which cannot go back to the header when the sound has ended, as it
/// goes through a pipe; from memory.
const STREAMED: [u32; 2] = [u32::MAX, 0x7fff_f000];

/// Finds the sound and leaves the file at its first byte.
pub fn find_sound(file: &mut (impl Read + Seek)) -> Result<Found, WavProblem> {
    let end = file.seek(SeekFrom::End(0)).map_err(WavProblem::Read)?;
    file.seek(SeekFrom::Start(0)).map_err(WavProblem::Read)?;
    let mut head = [0; 12];
    if end < 12 {
        return Err(WavProblem::NotWave);
    }
    file.read_exact(&mut head).map_err(WavProblem::Read)?;
    match (&head[..4], &head[8..]) {
        (b"RIFF", b"WAVE") => {}
        (b"RF64" | b"BW64", b"WAVE") => return Err(WavProblem::TooBigForm),
        _ => return Err(WavProblem::NotWave),
    }
    let mut at = 12;
    let mut format = None;
    // The length after `RIFF` is not asked: writers that were cut off leave it wrong,
    // and the chunks say it all again.
    loop {
        let mut head = [0; 8];
        if end - at < 8 {
            let chunk = if format.is_none() { "fmt " } else { "data" };
            return Err(WavProblem::NoChunk { chunk });
        }
        file.read_exact(&mut head).map_err(WavProblem::Read)?;
        let mut length = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        if let (b"data", Some(format)) = (&head[..4], &format)
            && STREAMED.contains(&length)
            && at + 8 + u64::from(length) > end
        {
            // The sound is what there is of it, in whole frames.
            let there = u32::try_from(end - at - 8).unwrap_or(length);
            length = there - there % bytes_a_frame(format);
        }
        let after = at + 8 + u64::from(length);
        if after > end {
            return Err(WavProblem::CutShort {
                chunk: head[..4].escape_ascii().to_string(),
                expected: after,
                found: end,
            });
        }
        match &head[..4] {
            b"fmt " => format = Some(plain_format(file, length)?),
            b"data" => {
                let format = format.ok_or(WavProblem::NoChunk { chunk: "fmt " })?;
                let wide = format[14] == WIDE;
                return Ok(Found {
                    header: plain_header(format, length)?,
                    wide,
                });
            }
            _ => {}
        }
        // A chunk of odd length is followed by a filling byte.
        at = (after + u64::from(length % 2)).min(end);
        file.seek(SeekFrom::Start(at)).map_err(WavProblem::Read)?;
    }
}

/// Checks a format chunk and reduces it to the 16 bytes of the plain form.
fn plain_format(file: &mut impl Read, length: u32) -> Result<[u8; 16], WavProblem> {
    let need = |expected| {
        let found = length;
        let short = WavProblem::ShortFormat { expected, found };
        if found < expected { Err(short) } else { Ok(()) }
    };
    need(16)?;
    let mut b = [0; 40];
    let known = length.min(40) as usize;
    file.read_exact(&mut b[..known]).map_err(WavProblem::Read)?;
    let word = |n: usize| u16::from_le_bytes([b[n], b[n + 1]]);
    let (mut tag, channels, frame, bits) = (word(0), word(2), word(12), word(14));
    let rate_hz = u32::from_le_bytes([b[4], b[5], b[6], b[7]]);
    if tag == tag::EXTENSIBLE {
        need(40)?;
        // The first two bytes of the sub-format's identifier are the tag meant. The
        // valid bits are not asked: unused ones are the lowest and are zero.
        tag = word(24);
    }
    match (tag, bits) {
        (tag::PCM, 8 | 16 | 24 | 32) | (tag::FLOAT, 32 | 64) => {}
        (tag::PCM | tag::FLOAT, _) => {
            let float = tag == tag::FLOAT;
            return Err(WavProblem::Bits { bits, float });
        }
        _ => return Err(WavProblem::Coding { tag }),
    }
    if channels == 0 {
        return Err(WavProblem::NoChannels);
    }
    let expected = u32::from(channels) * u32::from(bits / 8);
    if expected != u32::from(frame) {
        return Err(WavProblem::Frame {
            channels,
            bits,
            expected,
            found: frame,
        });
    }
    if !RATES_HZ.contains(&rate_hz) {
        return Err(WavProblem::Rate { found: rate_hz });
    }
    // What the file says of its bytes a second is not asked: it follows from the rest.
    let bytes_a_second = rate_hz
        .checked_mul(expected)
        .ok_or(WavProblem::ByteRate { rate_hz, frame })?;
    let mut plain = [0; 16];
    plain.copy_from_slice(&b[..16]);
    plain[..2].copy_from_slice(&tag.to_le_bytes());
    plain[8..12].copy_from_slice(&bytes_a_second.to_le_bytes());
    Ok(plain)
}

/// Bits of the wide floating-point numbers.
const WIDE: u8 = 64;

/// What a plain format says of a frame.
fn bytes_a_frame(format: &[u8; 16]) -> u32 {
    u32::from(u16::from_le_bytes([format[12], format[13]]))
}

fn plain_header(mut format: [u8; 16], mut length: u32) -> Result<Vec<u8>, WavProblem> {
    let frame = bytes_a_frame(&format);
    if !length.is_multiple_of(frame) {
        return Err(WavProblem::BrokenFrame {
            bytes: length,
            frame: u16::from_le_bytes([format[12], format[13]]),
        });
    }
    if length == 0 {
        return Err(WavProblem::Empty);
    }
    if format[14] == WIDE {
        let half = |bytes: &mut [u8], of: u32| {
            let bits = (of / 2).to_le_bytes();
            bytes.copy_from_slice(&bits[..bytes.len()]);
        };
        let a_second = u32::from_le_bytes([format[8], format[9], format[10], format[11]]);
        half(&mut format[8..12], a_second);
        half(&mut format[12..14], frame);
        half(&mut format[14..16], u32::from(WIDE));
        length /= 2;
    }
    let mut b = Vec::from(*b"RIFF");
    // Nobody asks for this length; with the longest of sounds it does not fit.
    b.extend(length.saturating_add(36).to_le_bytes());
    b.extend(b"WAVEfmt \x10\0\0\0");
    b.extend(format);
    b.extend(b"data");
    b.extend(length.to_le_bytes());
    Ok(b)
}

#[cfg(test)]
mod tests {
    use super::super::by_hand::{file, header};
    use super::*;
    use std::io::Cursor;

    fn find(bytes: &[u8]) -> Result<Vec<u8>, WavProblem> {
        find_sound(&mut Cursor::new(bytes)).map(|found| found.header)
    }

    #[test]
    fn a_plain_header_is_given_on_as_it_is() {
        let bytes = file(tag::PCM, 2, 24, &[7; 12]);
        assert_eq!(find(&bytes).unwrap(), bytes[..44]);
    }

    #[test]
    fn a_file_cut_anywhere_is_an_error_and_never_a_panic() {
        for bytes in [
            file(tag::PCM, 2, 16, &[1, 0, 2, 0, 3, 0, 4, 0]),
            file(tag::FLOAT, 1, 32, &[0; 8]),
        ] {
            assert!(find(&bytes).is_ok());
            for length in 0..bytes.len() {
                assert!(find(&bytes[..length]).is_err(), "cut at {length}");
            }
        }
    }

    #[test]
    fn every_mistake_has_its_own_error() {
        use WavProblem as P;
        let sound = |mut b: Vec<u8>, n: usize| {
            b.resize(b.len() + n, 0);
            find(&b).unwrap_err()
        };
        let (pcm, float) = (tag::PCM, tag::FLOAT);
        assert!(matches!(sound(b"RIFX\0\0\0\0WAVE".to_vec(), 9), P::NotWave));
        assert!(matches!(
            sound(b"RF64\0\0\0\0WAVE".to_vec(), 9),
            P::TooBigForm
        ));
        assert!(matches!(
            sound(b"RIFF\0\0\0\0WAVE".to_vec(), 0),
            P::NoChunk { chunk: "fmt " }
        ));
        assert!(matches!(
            sound(b"RIFF\0\0\0\0WAVEdata\0\0\0\0".to_vec(), 0),
            P::NoChunk { chunk: "fmt " }
        ));
        assert!(matches!(
            sound(header(pcm, 1, 8000, 16, 0)[..36].to_vec(), 0),
            P::NoChunk { chunk: "data" }
        ));
        assert!(matches!(
            sound(b"RIFF\0\0\0\0WAVEfmt \x0e\0\0\0".to_vec(), 14),
            P::ShortFormat {
                expected: 16,
                found: 14
            }
        ));
        assert!(matches!(
            sound(header(tag::EXTENSIBLE, 1, 8000, 16, 2), 2),
            P::ShortFormat {
                expected: 40,
                found: 16
            }
        ));
        assert!(matches!(
            sound(header(2, 1, 8000, 16, 2), 2),
            P::Coding { tag: 2 }
        ));
        assert!(matches!(
            sound(header(pcm, 1, 8000, 12, 2), 2),
            P::Bits { bits: 12, .. }
        ));
        assert_eq!(
            sound(header(float, 1, 8000, 16, 8), 8).to_string(),
            "16-bit floating-point samples are not read; expected 32 or 64"
        );
        assert!(matches!(
            sound(header(pcm, 0, 8000, 16, 2), 2),
            P::NoChannels
        ));
        assert!(matches!(
            sound(header(pcm, 1, 999, 16, 2), 2),
            P::Rate { found: 999 }
        ));
        assert!(matches!(
            sound(header(float, 16_000, 768_000, 32, 64_000), 64_000),
            P::ByteRate { frame: 64_000, .. }
        ));
        assert!(matches!(
            sound(header(pcm, 2, 8000, 16, 6), 6),
            P::BrokenFrame { .. }
        ));
        assert!(matches!(sound(header(pcm, 1, 8000, 16, 0), 0), P::Empty));
        assert!(matches!(
            sound(header(pcm, 1, 8000, 16, 99), 98),
            P::CutShort { .. }
        ));
        let mut frame = header(pcm, 2, 8000, 16, 4);
        frame[32] = 6;
        assert!(matches!(
            sound(frame, 4),
            P::Frame {
                expected: 4,
                found: 6,
                ..
            }
        ));
    }
}
