//! WAV in: mono samples, block by block.

use super::{RATES_HZ, WavProblem, tag};
use crate::audio::clip::{SampleSource, SourceProblem};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

/// Opens a WAV file: its header is read and checked, its sound is not yet.
///
/// # Errors
/// If the file cannot be opened or its header is not one that can be followed,
/// or promises more than the file holds.
pub fn open_wav(path: &Path) -> Result<WavReader<BufReader<File>>, WavProblem> {
    let file = File::open(path).map_err(WavProblem::Open)?;
    WavReader::new(BufReader::new(file))
}

/// How a sample is laid down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Coding {
    Unsigned8,
    Signed16,
    Signed24,
    Signed32,
    Float32,
    Float64,
}

impl Coding {
    fn new(tag: u16, bits: u16) -> Result<Self, WavProblem> {
        match (tag, bits) {
            (tag::PCM, 8) => Ok(Coding::Unsigned8),
            (tag::PCM, 16) => Ok(Coding::Signed16),
            (tag::PCM, 24) => Ok(Coding::Signed24),
            (tag::PCM, 32) => Ok(Coding::Signed32),
            (tag::FLOAT, 32) => Ok(Coding::Float32),
            (tag::FLOAT, 64) => Ok(Coding::Float64),
            (tag::PCM | tag::FLOAT, _) => Err(WavProblem::Bits {
                bits,
                float: tag == tag::FLOAT,
            }),
            _ => Err(WavProblem::Coding { tag }),
        }
    }

    /// A sample from its bytes; integer full scale is 2^(bits - 1).
    #[inline]
    fn sample(self, b: &[u8]) -> f64 {
        match self {
            Coding::Unsigned8 => (f64::from(b[0]) - 128.0) / 128.0,
            Coding::Signed16 => f64::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0,
            // In the upper three bytes of four the sign is where it belongs.
            Coding::Signed24 => {
                f64::from(i32::from_le_bytes([0, b[0], b[1], b[2]])) / 2_147_483_648.0
            }
            Coding::Signed32 => {
                f64::from(i32::from_le_bytes([b[0], b[1], b[2], b[3]])) / 2_147_483_648.0
            }
            Coding::Float32 => f64::from(f32::from_le_bytes([b[0], b[1], b[2], b[3]])),
            Coding::Float64 => f64::from_le_bytes([b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7]]),
        }
    }
}

/// What the format chunk says.
#[derive(Debug, Clone, Copy)]
struct Layout {
    coding: Coding,
    channels: u16,
    rate_hz: u32,
    frame_bytes: u16,
}

/// A WAV file on its way in; several channels are averaged to one.
#[derive(Debug)]
pub struct WavReader<R> {
    file: R,
    layout: Layout,
    frames: u64,
    next: u64,
    bytes: Vec<u8>,
}

impl<R: Read + Seek> WavReader<R> {
    /// Reads and checks the header; the reader is left at the first sample.
    ///
    /// # Errors
    /// One [`WavProblem`] for every way a header can be wrong.
    pub fn new(mut file: R) -> Result<Self, WavProblem> {
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
        let mut layout = None;
        // The length after `RIFF` is not asked: writers that were cut off leave it wrong,
        // and the chunks say it all again.
        loop {
            let mut head = [0; 8];
            if end - at < 8 {
                let chunk = if layout.is_none() { "fmt " } else { "data" };
                return Err(WavProblem::NoChunk { chunk });
            }
            file.read_exact(&mut head).map_err(WavProblem::Read)?;
            let length = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
            let after = at + 8 + u64::from(length);
            if after > end {
                return Err(WavProblem::CutShort {
                    chunk: head[..4].escape_ascii().to_string(),
                    expected: after,
                    found: end,
                });
            }
            match &head[..4] {
                b"fmt " => layout = Some(Layout::read(&mut file, length)?),
                b"data" => {
                    let layout = layout.ok_or(WavProblem::NoChunk { chunk: "fmt " })?;
                    return Self::at_sound(file, layout, length);
                }
                _ => {}
            }
            // A chunk of odd length is followed by a filling byte.
            at = (after + u64::from(length % 2)).min(end);
            file.seek(SeekFrom::Start(at)).map_err(WavProblem::Read)?;
        }
    }

    fn at_sound(file: R, layout: Layout, length: u32) -> Result<Self, WavProblem> {
        if !length.is_multiple_of(u32::from(layout.frame_bytes)) {
            return Err(WavProblem::BrokenFrame {
                bytes: length,
                frame: layout.frame_bytes,
            });
        }
        if length == 0 {
            return Err(WavProblem::Empty);
        }
        Ok(WavReader {
            file,
            layout,
            frames: u64::from(length / u32::from(layout.frame_bytes)),
            next: 0,
            bytes: Vec::new(),
        })
    }
}

impl Layout {
    fn read(file: &mut impl Read, length: u32) -> Result<Self, WavProblem> {
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
        let (mut tag, channels, frame_bytes, bits) = (word(0), word(2), word(12), word(14));
        let rate_hz = u32::from_le_bytes([b[4], b[5], b[6], b[7]]);
        if tag == tag::EXTENSIBLE {
            need(40)?;
            // The first two bytes of the sub-format's identifier are the tag meant. The
            // valid bits are not asked: unused ones are the lowest and are nought.
            tag = word(24);
        }
        let coding = Coding::new(tag, bits)?;
        if channels == 0 {
            return Err(WavProblem::NoChannels);
        }
        let expected = u32::from(channels) * u32::from(bits / 8);
        if expected != u32::from(frame_bytes) {
            return Err(WavProblem::Frame {
                channels,
                bits,
                expected,
                found: frame_bytes,
            });
        }
        if !RATES_HZ.contains(&rate_hz) {
            return Err(WavProblem::Rate { found: rate_hz });
        }
        Ok(Layout {
            coding,
            channels,
            rate_hz,
            frame_bytes,
        })
    }
}

impl<R: Read> SampleSource for WavReader<R> {
    fn rate_hz(&self) -> u32 {
        self.layout.rate_hz
    }

    fn channels(&self) -> u16 {
        self.layout.channels
    }

    fn length(&self) -> u64 {
        self.frames
    }

    fn next_block(&mut self, most: usize, block: &mut Vec<f64>) -> Result<(), SourceProblem> {
        block.clear();
        let Layout {
            coding, channels, ..
        } = self.layout;
        let frame_bytes = usize::from(self.layout.frame_bytes);
        let count = (self.frames - self.next).min(most as u64) as usize;
        self.bytes.resize(count * frame_bytes, 0);
        if let Err(e) = self.file.read_exact(&mut self.bytes) {
            // The header promised this much and the file had it when it was opened.
            return Err(match e.kind() {
                std::io::ErrorKind::UnexpectedEof => SourceProblem::CutShort {
                    expected: self.frames,
                    found: self.next,
                },
                _ => SourceProblem::Read(e),
            });
        }
        for frame in self.bytes.chunks_exact(frame_bytes) {
            let mut sum = 0.0;
            for (channel, b) in frame
                .chunks_exact(frame_bytes / usize::from(channels))
                .enumerate()
            {
                let x = coding.sample(b);
                if !x.is_finite() {
                    return Err(SourceProblem::NotFinite {
                        frame: self.next,
                        channel: channel as u16 + 1,
                        time_s: self.next as f64 / f64::from(self.layout.rate_hz),
                    });
                }
                // Divided first: two of the greatest numbers must not add up to infinity.
                sum += x / f64::from(channels);
            }
            block.push(sum);
            self.next += 1;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::clip::Clip;
    use crate::report::wav::{Format, WavWriter};
    use std::io::Cursor;

    /// A file as `hound` writes it, an implementation outside the project.
    fn hounds(bits: u16, float: bool, channels: u16, samples: &[i32]) -> Vec<u8> {
        let mut file = Cursor::new(Vec::new());
        let spec = hound::WavSpec {
            channels,
            sample_rate: 44_100,
            bits_per_sample: bits,
            sample_format: match float {
                true => hound::SampleFormat::Float,
                false => hound::SampleFormat::Int,
            },
        };
        let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
        for &x in samples {
            match float {
                true => writer.write_sample(x as f32 / 8.0).unwrap(),
                false => writer.write_sample(x).unwrap(),
            }
        }
        writer.finalize().unwrap();
        file.into_inner()
    }

    fn open(bytes: &[u8]) -> Result<WavReader<Cursor<&[u8]>>, WavProblem> {
        WavReader::new(Cursor::new(bytes))
    }

    fn clip(bytes: &[u8]) -> Clip {
        Clip::collect(&mut open(bytes).unwrap()).unwrap()
    }

    #[test]
    fn integers_of_every_width_are_read_at_their_full_scale() {
        for bits in [8, 16, 24, 32] {
            let full = 2f64.powi(bits - 1);
            let whole = [0, 1, -1, 100, -128, 127, (full - 1.0) as i32, -full as i32];
            let found = clip(&hounds(bits as u16, false, 1, &whole));
            assert_eq!((found.rate_hz, found.channels), (44_100, 1));
            let expected: Vec<f64> = whole.iter().map(|&x| f64::from(x) / full).collect();
            assert_eq!(found.samples, expected, "{bits} bits");
        }
    }

    #[test]
    fn floats_pass_unchanged_even_beyond_full_scale() {
        let found = clip(&hounds(32, true, 1, &[0, 4, -4, 80]));
        assert_eq!(found.samples, [0.0, 0.5, -0.5, 10.0]);
        let mut long = header(tag::FLOAT, 1, 48_000, 64, 16);
        long.extend(0.1f64.to_le_bytes());
        long.extend((-1e-9f64).to_le_bytes());
        assert_eq!(clip(&long).samples, [0.1, -1e-9]);
    }

    #[test]
    fn channels_are_averaged_and_counted() {
        let found = clip(&hounds(16, false, 2, &[16_384, 0, -32_768, -32_768]));
        assert_eq!((found.channels, found.samples), (2, vec![0.25, -1.0]));
        let found = clip(&hounds(24, false, 4, &[1 << 22, 0, 0, 0]));
        assert_eq!((found.channels, found.samples), (4, vec![0.125]));
    }

    #[test]
    fn our_own_files_come_back() {
        let samples: Vec<f64> = (0..777).map(|n| f64::from(n % 100) / 128.0 - 0.4).collect();
        for (format, step) in [
            (Format::Float32, 1e-7),
            (Format::Int16, 1.0 / 32_768.0),
            (Format::Int24, 1.0 / 8_388_608.0),
            (Format::Int32, 1.0 / 2_147_483_648.0),
        ] {
            let mut writer = WavWriter::new(Cursor::new(Vec::new()), 96_000, format).unwrap();
            writer.write(&samples).unwrap();
            let (_, file) = writer.finish().unwrap();
            let found = clip(file.get_ref());
            assert_eq!((found.rate_hz, found.samples.len()), (96_000, 777));
            for (x, found) in samples.iter().zip(found.samples) {
                assert!((x - found).abs() <= step / 2.0, "{format:?}");
            }
        }
    }

    /// A header by hand; the sound is to follow.
    fn header(tag: u16, channels: u16, rate_hz: u32, bits: u16, sound: u32) -> Vec<u8> {
        let frame = channels * (bits / 8);
        let mut b = Vec::from(*b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0");
        for word in [tag, channels] {
            b.extend(word.to_le_bytes());
        }
        b.extend(rate_hz.to_le_bytes());
        b.extend(rate_hz.wrapping_mul(u32::from(frame)).to_le_bytes());
        for word in [frame, bits] {
            b.extend(word.to_le_bytes());
        }
        b.extend(b"data");
        b.extend(sound.to_le_bytes());
        b
    }

    #[test]
    fn chunks_of_odd_length_before_the_sound_are_stepped_over() {
        let plain = hounds(16, false, 1, &[7, -9]);
        let mut odd = plain[..36].to_vec();
        odd.extend(b"LIST\x05\0\0\0INFOx\0");
        odd.extend(&plain[36..]);
        assert_eq!(clip(&odd).samples, clip(&plain).samples);
    }

    #[test]
    fn a_file_cut_anywhere_is_an_error_and_never_a_panic() {
        for bytes in [
            hounds(16, false, 2, &[1, 2, 3, 4]),
            hounds(32, true, 1, &[1, 2]),
        ] {
            assert!(open(&bytes).is_ok());
            for length in 0..bytes.len() {
                assert!(open(&bytes[..length]).is_err(), "cut at {length}");
            }
        }
    }

    #[test]
    fn no_change_of_a_byte_makes_a_panic() {
        let bytes = hounds(24, false, 2, &[1, 2, 3, 4]);
        for at in 0..bytes.len() {
            for value in [0, 1, 2, 3, 0x7f, 0x80, 0xfe, 0xff] {
                let mut bad = bytes.clone();
                bad[at] = value;
                if let Ok(mut reader) = open(&bad) {
                    let _ = Clip::collect(&mut reader);
                }
            }
        }
    }

    #[test]
    fn every_mistake_has_its_own_error() {
        use WavProblem as P;
        let sound = |mut b: Vec<u8>, n: usize| {
            b.resize(b.len() + n, 0);
            open(&b).map(|_| ()).unwrap_err()
        };
        let pcm = tag::PCM;
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
        assert!(matches!(
            sound(header(pcm, 0, 8000, 16, 2), 2),
            P::NoChannels
        ));
        assert!(matches!(
            sound(header(pcm, 1, 999, 16, 2), 2),
            P::Rate { found: 999 }
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
        let nowhere = open_wav(Path::new("/nonexistent/clip.wav"));
        assert!(matches!(nowhere, Err(P::Open(_))));
    }

    #[test]
    fn a_sample_that_is_no_number_is_named() {
        let mut bytes = header(tag::FLOAT, 2, 1000, 32, 24);
        for x in [0.0, 0.0, 1.0, 1.0, 0.0, f32::NAN] {
            bytes.extend(x.to_le_bytes());
        }
        let problem = Clip::collect(&mut open(&bytes).unwrap()).unwrap_err();
        assert_eq!(
            problem.to_string(),
            "sample 2 of channel 2 (at 0.002000 s) is not a finite number"
        );
    }
}
