//! WAV out: mono, 32-bit float or integer.

use super::problem::{RATES_HZ, WavProblem, io_error};
use hound::{SampleFormat, WavSpec};
use std::cell::RefCell;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::rc::Rc;

/// How the samples of a written file are laid down.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Format {
    /// 32-bit floating point: nothing is cut, whatever the level.
    #[default]
    Float32,
    /// 16-bit integers.
    Int16,
    /// 24-bit integers.
    Int24,
    /// 32-bit integers.
    Int32,
}

impl Format {
    fn bits(self) -> u16 {
        match self {
            Format::Int16 => 16,
            Format::Int24 => 24,
            Format::Float32 | Format::Int32 => 32,
        }
    }

    /// The nearest integer to a sample, held inside what the bits can say.
    ///
    /// No dither is added: the same render must give the same bytes, and an
    /// output stage's own hiss hides 16-bit rounding anyway; who needs more
    /// has the float form.
    fn integer(self, x: f64) -> i32 {
        let scale = f64::from(1u32 << (self.bits() - 1));
        (x * scale).round().clamp(-scale, scale - 1.0) as i32
    }
}

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Samples in the file.
    pub samples: u64,
    /// How many of them lay beyond full scale. An integer file holds full
    /// scale in their place, a float file holds them as they are.
    pub beyond_full_scale: u64,
}

/// A mono WAV file on its way out.
///
/// Dropping it without [`WavWriter::finish`] leaves a file of what was written
/// so far, and errors unseen.
pub struct WavWriter<W: Write + Seek> {
    sound: hound::WavWriter<Shared<W>>,
    sink: Shared<W>,
    format: Format,
    written: Written,
}

/// `hound` keeps what it writes to; this leaves another hand on it.
struct Shared<W: Write>(Rc<RefCell<BufWriter<W>>>);

impl<W: Write> Write for Shared<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.borrow_mut().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.borrow_mut().flush()
    }
}

impl<W: Write + Seek> Seek for Shared<W> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.0.borrow_mut().seek(to)
    }
}

impl<W: Write + Seek> WavWriter<W> {
    /// A writer at the start of an empty file.
    ///
    /// # Errors
    /// If the rate is outside [`RATES_HZ`] or the header cannot be written.
    pub fn new(sink: W, rate_hz: u32, format: Format) -> Result<Self, WavProblem> {
        if !RATES_HZ.contains(&rate_hz) {
            return Err(WavProblem::Rate { found: rate_hz });
        }
        let spec = WavSpec {
            channels: 1,
            sample_rate: rate_hz,
            bits_per_sample: format.bits(),
            sample_format: match format {
                Format::Float32 => SampleFormat::Float,
                Format::Int16 | Format::Int24 | Format::Int32 => SampleFormat::Int,
            },
        };
        let sink = Rc::new(RefCell::new(BufWriter::new(sink)));
        Ok(WavWriter {
            sound: hound::WavWriter::new(Shared(sink.clone()), spec).map_err(problem)?,
            sink: Shared(sink),
            format,
            written: Written {
                samples: 0,
                beyond_full_scale: 0,
            },
        })
    }

    /// Appends samples, full scale being one.
    ///
    /// # Errors
    /// If the file cannot be written or would pass 4 GiB, or if a sample is
    /// not finite in the chosen format.
    pub fn write(&mut self, samples: &[f64]) -> Result<(), WavProblem> {
        let bytes = self.format.bits() / 8;
        let total = self.written.samples + samples.len() as u64;
        // A kilobyte is left for the header; `hound` itself would begin again from zero.
        if total * u64::from(bytes) > u64::from(u32::MAX) - 1024 {
            return Err(WavProblem::TooLong {
                samples: total,
                bytes,
            });
        }
        for &x in samples {
            if !(x as f32).is_finite() {
                return Err(WavProblem::NotFinite {
                    frame: self.written.samples,
                    value: x,
                });
            }
            match self.format {
                Format::Float32 => self.sound.write_sample(x as f32),
                format => self.sound.write_sample(format.integer(x)),
            }
            .map_err(problem)?;
            self.written.samples += 1;
            self.written.beyond_full_scale += u64::from(x.abs() > 1.0);
        }
        Ok(())
    }

    /// Writes the lengths into the header and everything to the file.
    ///
    /// # Errors
    /// If the file cannot be written.
    pub fn finish(self) -> Result<(Written, W), WavProblem> {
        self.sound.finalize().map_err(problem)?;
        let sink = Rc::into_inner(self.sink.0).expect("hound has released the sink");
        let mut sink = sink.into_inner();
        put_right(&mut sink, self.format).map_err(WavProblem::Write)?;
        let sink = sink.into_inner();
        let sink = sink.map_err(|e| WavProblem::Write(e.into_error()))?;
        Ok((self.written, sink))
    }
}

/// Changes in a finished file what `hound` says otherwise than the standard.
fn put_right(file: &mut (impl Write + Seek), format: Format) -> io::Result<()> {
    // Above 16 bits it writes the extensible form, whose loudspeaker mask lies here. It
    // names the left one; a player that heeds it is silent on the right. Mono is front
    // centre, 4 (Microsoft 2001).
    if format.bits() > 16 {
        file.seek(SeekFrom::Start(40))?;
        file.write_all(&4u32.to_le_bytes())?;
    }
    // A chunk of odd length is followed by a filling byte, which the file's length counts.
    let length = file.seek(SeekFrom::End(0))?;
    if length % 2 == 1 {
        file.write_all(&[0])?;
        file.seek(SeekFrom::Start(4))?;
        file.write_all(&(length as u32 + 1 - 8).to_le_bytes())?;
    }
    Ok(())
}

fn problem(e: hound::Error) -> WavProblem {
    WavProblem::Write(io_error(e))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    const FORMATS: [(Format, u16); 4] = [
        (Format::Float32, 32),
        (Format::Int16, 16),
        (Format::Int24, 24),
        (Format::Int32, 32),
    ];

    fn file(format: Format, samples: &[f64]) -> (Written, Vec<u8>) {
        let mut writer = WavWriter::new(Cursor::new(Vec::new()), 48_000, format).unwrap();
        samples
            .chunks(3)
            .for_each(|part| writer.write(part).unwrap());
        let (written, sink) = writer.finish().unwrap();
        (written, sink.into_inner())
    }

    /// Where the sound begins: 28 bytes more than in PCM files of 16 bits, for
    /// the format's extension and the sub-format (Microsoft 2001, from memory).
    fn head(bits: u16) -> usize {
        if bits > 16 { 68 } else { 44 }
    }

    /// The samples, taken out of the bytes by hand.
    fn heard(bytes: &[u8], bits: u16, float: bool) -> Vec<f64> {
        let width = usize::from(bits / 8);
        let sound = bytes[head(bits)..].chunks_exact(width);
        let sample = |b: &[u8]| {
            let mut four = [0; 4];
            four[4 - width..].copy_from_slice(b);
            if float {
                f64::from(f32::from_le_bytes(four))
            } else {
                f64::from(i32::from_le_bytes(four) >> (32 - bits))
            }
        };
        sound.map(sample).collect()
    }

    #[test]
    fn files_are_as_the_standard_draws_them() {
        // RIFF 1991 and Microsoft 2001, from memory; at 48000 Hz, one sample of a half.
        let (_, bytes) = file(Format::Int16, &[0.5]);
        let expected = b"RIFF\x26\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xbb\0\0\
            \0\x77\x01\0\x02\0\x10\0data\x02\0\0\0\0\x40";
        assert_eq!(bytes, expected);
        let (_, bytes) = file(Format::Int24, &[0.5]);
        let expected = b"RIFF\x40\0\0\0WAVEfmt \x28\0\0\0\xfe\xff\x01\0\x80\xbb\0\0\
            \x80\x32\x02\0\x03\0\x18\0\x16\0\x18\0\x04\0\0\0\
            \x01\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71data\x03\0\0\0\0\0\x40\0";
        assert_eq!(bytes, expected);
        let (_, bytes) = file(Format::Float32, &[0.5]);
        let expected = b"RIFF\x40\0\0\0WAVEfmt \x28\0\0\0\xfe\xff\x01\0\x80\xbb\0\0\
            \0\xee\x02\0\x04\0\x20\0\x16\0\x20\0\x04\0\0\0\
            \x03\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71data\x04\0\0\0\0\0\0\x3f";
        assert_eq!(bytes, expected);
    }

    #[test]
    fn what_was_written_is_in_the_file() {
        let clip = [0.0, 0.5, -0.5, 0.25, -1.0, 0.123_456_789, -0.999, 1e-3, 0.7];
        for (format, bits) in FORMATS {
            let (written, bytes) = file(format, &clip);
            assert_eq!((written.samples, written.beyond_full_scale), (9, 0));
            let float = format == Format::Float32;
            let found = heard(&bytes, bits, float);
            assert_eq!(found.len(), clip.len());
            let scale = 2f64.powi(i32::from(bits) - 1);
            for (x, found) in clip.iter().zip(found) {
                if float {
                    assert_eq!(found, f64::from(*x as f32));
                } else {
                    assert!((found - x * scale).abs() <= 0.5, "{format:?}: {x}");
                }
            }
        }
    }

    #[test]
    fn integers_are_rounded_to_the_nearest_and_held_at_full_scale() {
        let step = 1.0 / 32_768.0;
        let clip = [0.49 * step, 0.51 * step, -0.51 * step, 1.0, 1.5, -1.0, -1.5];
        let (written, bytes) = file(Format::Int16, &clip);
        assert_eq!(written.beyond_full_scale, 2);
        let expected = [0.0, 1.0, -1.0, 32_767.0, 32_767.0, -32_768.0, -32_768.0];
        assert_eq!(heard(&bytes, 16, false), expected);
    }

    #[test]
    fn a_float_file_keeps_what_lies_beyond_full_scale() {
        let (written, bytes) = file(Format::Float32, &[2.5, -7.0]);
        assert_eq!(written.beyond_full_scale, 2);
        assert_eq!(heard(&bytes, 32, true), [2.5, -7.0]);
    }

    #[test]
    fn the_lengths_in_the_header_add_up() {
        for (format, bits) in FORMATS {
            for count in [0, 1, 2, 5] {
                let (_, bytes) = file(format, &vec![0.1; count]);
                let word =
                    |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
                assert_eq!(word(4) + 8, bytes.len());
                // A chunk of odd length is filled up (RIFF 1991, "chunks").
                assert_eq!(bytes.len() % 2, 0);
                let head = head(bits);
                let sound = count * usize::from(bits) / 8;
                assert_eq!(word(head - 4), sound);
                assert_eq!(bytes.len(), head + sound + sound % 2);
            }
        }
    }

    #[test]
    fn what_is_not_finite_is_refused() {
        for value in [f64::NAN, f64::INFINITY, 1e39] {
            let mut writer = WavWriter::new(Cursor::new(Vec::new()), 8000, Format::Int16).unwrap();
            let problem = writer.write(&[0.0, value]).unwrap_err();
            assert!(matches!(problem, WavProblem::NotFinite { frame: 1, .. }));
        }
    }

    #[test]
    fn a_full_disk_and_an_odd_rate_are_errors() {
        let mut room = [0u8; 60];
        let mut writer = WavWriter::new(Cursor::new(&mut room[..]), 8000, Format::Float32).unwrap();
        let result = writer
            .write(&[0.0; 9000])
            .and_then(|()| writer.finish().map(|_| ()));
        assert!(matches!(result, Err(WavProblem::Write(_))));
        for rate_hz in [0, 999, 768_001, u32::MAX] {
            let result = WavWriter::new(Cursor::new(Vec::new()), rate_hz, Format::Float32);
            assert!(matches!(result, Err(WavProblem::Rate { .. })));
        }
    }
}
