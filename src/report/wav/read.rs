//! WAV in: mono samples, block by block.

use super::find::{Found, find_sound};
use super::problem::{WavProblem, io_error};
use crate::audio::clip::{SampleStream, SourceProblem};
use crate::inputs;
use hound::{Sample, SampleFormat};
use std::fs::File;
use std::io::{self, BufReader, Chain, Cursor, Read, Seek};
use std::path::Path;

/// Opens a WAV file: its header is read and checked, its sound is not yet.
///
/// # Errors
/// If the file cannot be opened or its header is not one that can be followed,
/// or promises more than the file holds.
pub fn open_wav(path: &Path) -> Result<WavReader<BufReader<File>>, WavProblem> {
    read_wav(inputs::open(path, None).map_err(WavProblem::Open)?)
}

/// The same with a file that is open already.
///
/// # Errors
/// As [`open_wav`].
pub fn read_wav(file: File) -> Result<WavReader<BufReader<File>>, WavProblem> {
    WavReader::new(BufReader::new(file))
}

/// A WAV file on its way in; several channels are averaged to one.
pub struct WavReader<R> {
    sound: hound::WavReader<Chain<Cursor<Vec<u8>>, Whole<R>>>,
    next: u64,
}

/// Reads all that is asked for or says why not: `hound` takes an interrupted
/// read for a failure, and has no error of its own for a file that ends early.
/// Nor does it know numbers of 64 bits: it gets 32 in place of them, which is
/// finer than any converter. What is too large for them becomes infinite.
struct Whole<R> {
    file: R,
    wide: bool,
    /// Bytes of a narrowed number, and how many of them have been read.
    narrowed: [u8; 4],
    given: usize,
}

impl<R> Whole<R> {
    fn new(file: R, wide: bool) -> Self {
        Whole {
            file,
            wide,
            narrowed: [0; 4],
            given: 4,
        }
    }
}

impl<R: Read> Read for Whole<R> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        if !self.wide {
            self.file.read_exact(bytes)?;
            return Ok(bytes.len());
        }
        if self.given == self.narrowed.len() {
            let mut number = [0; 8];
            self.file.read_exact(&mut number)?;
            self.narrowed = (f64::from_le_bytes(number) as f32).to_le_bytes();
            self.given = 0;
        }
        let left = &self.narrowed[self.given..];
        let count = left.len().min(bytes.len());
        bytes[..count].copy_from_slice(&left[..count]);
        self.given += count;
        Ok(count)
    }
}

impl<R: Read + Seek> WavReader<R> {
    /// Reads and checks the header; the reader is left at the first sample. It
    /// is read a few bytes at a time and had better be buffered.
    ///
    /// # Errors
    /// One [`WavProblem`] for every way a header can be wrong.
    pub fn new(mut file: R) -> Result<Self, WavProblem> {
        let Found { header, wide } = find_sound(&mut file)?;
        let plain = Cursor::new(header).chain(Whole::new(file, wide));
        Ok(WavReader {
            sound: hound::WavReader::new(plain).map_err(|e| WavProblem::Read(io_error(e)))?,
            next: 0,
        })
    }
}

impl<R: Read> WavReader<R> {
    /// Appends frames, `most` at most; `value` is what a sample stands for.
    fn frames<S: Sample>(
        &mut self,
        most: usize,
        block: &mut Vec<f64>,
        value: impl Fn(S) -> f64,
    ) -> Result<(), SourceProblem> {
        let spec = self.sound.spec();
        let expected = u64::from(self.sound.duration());
        let mut samples = self.sound.samples::<S>();
        for _ in 0..most {
            let mut sum = 0.0;
            for channel in 1..=spec.channels {
                let x = match samples.next() {
                    Some(Ok(sample)) => value(sample),
                    // The sound is whole frames, so this is before the first channel.
                    None => return Ok(()),
                    Some(Err(e)) => {
                        let e = io_error(e);
                        // The file had all that it promised when it was opened.
                        return Err(match e.kind() {
                            io::ErrorKind::UnexpectedEof => SourceProblem::CutShort {
                                expected,
                                found: self.next,
                            },
                            _ => SourceProblem::Read(e),
                        });
                    }
                };
                if !x.is_finite() {
                    return Err(SourceProblem::NotFinite {
                        frame: self.next,
                        channel,
                        time_s: self.next as f64 / f64::from(spec.sample_rate),
                    });
                }
                // Divided first: two of the greatest numbers must not add up to infinity.
                sum += x / f64::from(spec.channels);
            }
            block.push(sum);
            self.next += 1;
        }
        Ok(())
    }
}

impl<R: Read> SampleStream for WavReader<R> {
    fn rate_hz(&self) -> u32 {
        self.sound.spec().sample_rate
    }

    fn channels(&self) -> u16 {
        self.sound.spec().channels
    }

    fn length(&self) -> u64 {
        u64::from(self.sound.duration())
    }

    fn next_block(&mut self, most: usize, block: &mut Vec<f64>) -> Result<(), SourceProblem> {
        block.clear();
        let spec = self.sound.spec();
        match spec.sample_format {
            SampleFormat::Float => self.frames::<f32>(most, block, f64::from),
            SampleFormat::Int => {
                let full_scale = f64::from(1u32 << (spec.bits_per_sample - 1));
                self.frames::<i32>(most, block, |x| f64::from(x) / full_scale)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::by_hand::{file, header, header_of};
    use super::super::tag;
    use super::*;
    use crate::audio::clip::Clip;
    use crate::report::wav::write::{Format, WavWriter};
    use std::io::Write;

    fn open(bytes: &[u8]) -> Result<WavReader<Cursor<&[u8]>>, WavProblem> {
        WavReader::new(Cursor::new(bytes))
    }

    fn clip(bytes: &[u8]) -> Clip {
        Clip::collect(&mut open(bytes).unwrap()).unwrap()
    }

    // One step up and down, the greatest and the least number. Up to 8 bits are
    // unsigned about 128, more are two's complement, the low byte first (RIFF
    // 1991, "data format of the samples", from memory).
    #[rustfmt::skip]
    const WHOLE: [(u16, &[u8]); 4] = [
        (8, &[0x80, 0x81, 0x7f, 0xff, 0x00]),
        (16, &[0, 0, 1, 0, 0xff, 0xff, 0xff, 0x7f, 0, 0x80]),
        (24, &[0, 0, 0, 1, 0, 0, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f, 0, 0, 0x80]),
        (32, &[0, 0, 0, 0, 1, 0, 0, 0, 0xff, 0xff, 0xff, 0xff,
               0xff, 0xff, 0xff, 0x7f, 0, 0, 0, 0x80]),
    ];

    #[test]
    fn integers_of_every_width_are_read_at_their_full_scale() {
        for (bits, sound) in WHOLE {
            let found = clip(&file(tag::PCM, 1, bits, sound));
            assert_eq!((found.rate_hz, found.channels), (44_100, 1));
            let step = 2f64.powi(1 - i32::from(bits));
            let expected = [0.0, step, -step, 1.0 - step, -1.0];
            assert_eq!(found.samples, expected, "{bits} bits");
        }
    }

    /// The format chunk in its longer forms.
    fn longer(tag: u16, bits: u16, rest: &[u8]) -> Vec<u8> {
        let mut fmt = header(tag, 1, 44_100, bits, 0)[20..36].to_vec();
        fmt.extend(rest);
        fmt
    }

    /// Length 22, bits in use, front centre, PCM (Microsoft 2001, from memory).
    fn extension(valid_bits: u16) -> Vec<u8> {
        let mut rest = vec![22, 0, valid_bits as u8, 0, 4, 0, 0, 0];
        rest.extend(b"\x01\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71");
        rest
    }

    #[test]
    fn every_form_of_the_format_chunk_is_read() {
        for (bits, sound) in WHOLE {
            let plain = clip(&file(tag::PCM, 1, bits, sound));
            for fmt in [
                longer(tag::PCM, bits, &[0, 0]),
                longer(tag::EXTENSIBLE, bits, &extension(bits)),
                longer(tag::EXTENSIBLE, bits, &extension(bits - 2)),
            ] {
                let mut bytes = header_of(&fmt, sound.len() as u32);
                bytes.extend(sound);
                assert_eq!(clip(&bytes), plain, "{bits} bits, {} of format", fmt.len());
            }
        }
    }

    #[test]
    fn floats_pass_unchanged_even_beyond_full_scale() {
        let clips = [0.0f32, 0.5, -0.5, 10.0];
        let sound: Vec<u8> = clips.iter().flat_map(|x| x.to_le_bytes()).collect();
        let found = clip(&file(tag::FLOAT, 1, 32, &sound));
        assert_eq!(found.samples, [0.0, 0.5, -0.5, 10.0]);
    }

    /// A fixed bug: the `float` of many programs was refused.
    #[test]
    fn floats_of_64_bits_are_read_to_24() {
        let samples = [0.0f64, 0.1, -0.5, 10.0];
        let sound: Vec<u8> = samples.iter().flat_map(|x| x.to_le_bytes()).collect();
        let found = clip(&file(tag::FLOAT, 1, 64, &sound));
        assert_eq!(found.rate_hz, 44_100);
        assert_eq!(found.samples, [0.0, f64::from(0.1f32), -0.5, 10.0]);
        let found = clip(&file(tag::FLOAT, 2, 64, &sound));
        assert_eq!(found.samples, [0.5 * f64::from(0.1f32), 4.75]);
        let mut large = sound.clone();
        large[8..16].copy_from_slice(&1e300f64.to_le_bytes());
        let problem = Clip::collect(&mut open(&file(tag::FLOAT, 1, 64, &large)).unwrap());
        assert!(problem.unwrap_err().to_string().starts_with("sample 1 "));
        let short = file(tag::FLOAT, 1, 64, &sound);
        assert!(open(&short[..short.len() - 1]).is_err());
    }

    /// A fixed bug: what came out of a pipe was called cut short.
    #[test]
    fn a_streamed_file_ends_where_it_ends() {
        for unknown in [u32::MAX, 0x7fff_f000] {
            let mut bytes = header(tag::PCM, 2, 44_100, 16, 0);
            bytes[40..44].copy_from_slice(&unknown.to_le_bytes());
            assert!(matches!(open(&bytes), Err(WavProblem::Empty)));
            bytes.extend([0, 0x40, 0, 0, 0, 0x80, 0, 0x80, 1, 2]);
            let found = clip(&bytes);
            assert_eq!((found.channels, found.samples), (2, vec![0.25, -1.0]));
        }
    }

    #[test]
    fn channels_are_averaged_and_counted() {
        let found = clip(&file(tag::PCM, 2, 16, &[0, 0x40, 0, 0, 0, 0x80, 0, 0x80]));
        assert_eq!((found.channels, found.samples), (2, vec![0.25, -1.0]));
        let sound = [0, 0, 0x40, 0, 0, 0, 0, 0, 0, 0, 0, 0];
        let found = clip(&file(tag::PCM, 4, 24, &sound));
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

    #[test]
    fn chunks_of_odd_length_before_the_sound_are_stepped_over() {
        let plain = file(tag::PCM, 1, 16, &[7, 0, 0xf7, 0xff]);
        let mut odd = plain[..36].to_vec();
        odd.extend(b"LIST\x05\0\0\0INFOx\0");
        odd.extend(&plain[36..]);
        assert_eq!(clip(&odd).samples, [7.0 / 32_768.0, -9.0 / 32_768.0]);
        assert_eq!(clip(&plain), clip(&odd));
    }

    #[test]
    fn a_file_shortened_while_it_is_read_is_an_error() {
        let mut kept = tempfile::NamedTempFile::new().unwrap();
        let bytes = file(tag::PCM, 2, 16, &vec![0; 400_000]);
        kept.write_all(&bytes).unwrap();
        let mut reader = open_wav(kept.path()).unwrap();
        assert_eq!(reader.length(), 100_000);
        kept.as_file().set_len(200_046).unwrap();
        let problem = Clip::collect(&mut reader).unwrap_err();
        assert!(matches!(
            problem,
            SourceProblem::CutShort {
                expected: 100_000,
                found: 50_000
            }
        ));
        let nowhere = open_wav(Path::new("/nonexistent/clip.wav"));
        assert!(matches!(nowhere, Err(WavProblem::Open(_))));
    }

    #[test]
    fn no_change_of_a_byte_makes_a_panic() {
        let fmt = longer(tag::EXTENSIBLE, 24, &extension(24));
        let mut extended = header_of(&fmt, 12);
        extended.extend([1; 12]);
        for bytes in [file(tag::PCM, 2, 24, &[1; 12]), extended] {
            assert!(open(&bytes).is_ok());
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
