//! WAV out: mono, 32-bit float or integer.

use super::{RATES_HZ, WavProblem, tag};
use std::io::{BufWriter, Seek, SeekFrom, Write};

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
/// Dropping it without [`WavWriter::finish`] leaves a file that says it is empty.
#[derive(Debug)]
pub struct WavWriter<W: Write + Seek> {
    sink: BufWriter<W>,
    rate_hz: u32,
    format: Format,
    written: Written,
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
        let mut sink = BufWriter::new(sink);
        sink.write_all(&header(rate_hz, format, 0))
            .map_err(WavProblem::Write)?;
        Ok(WavWriter {
            sink,
            rate_hz,
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
        // A kilobyte is left for the header.
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
            let four = match self.format {
                Format::Float32 => (x as f32).to_le_bytes(),
                format => format.integer(x).to_le_bytes(),
            };
            self.sink
                .write_all(&four[..usize::from(bytes)])
                .map_err(WavProblem::Write)?;
            self.written.samples += 1;
            self.written.beyond_full_scale += u64::from(x.abs() > 1.0);
        }
        Ok(())
    }

    /// Writes the lengths into the header and everything to the file.
    ///
    /// # Errors
    /// If the file cannot be written.
    pub fn finish(mut self) -> Result<(Written, W), WavProblem> {
        let bytes = self.written.samples as u32 * u32::from(self.format.bits() / 8);
        let mut close = || {
            if bytes % 2 == 1 {
                self.sink.write_all(&[0])?;
            }
            self.sink.seek(SeekFrom::Start(0))?;
            self.sink
                .write_all(&header(self.rate_hz, self.format, bytes))
        };
        close().map_err(WavProblem::Write)?;
        let sink = self.sink.into_inner();
        let sink = sink.map_err(|e| WavProblem::Write(e.into_error()))?;
        Ok((self.written, sink))
    }
}

/// All that stands before the first sample of a mono file: 44 bytes, or 58
/// where the standard asks for more, as it does of all that is not PCM.
fn header(rate_hz: u32, format: Format, bytes: u32) -> Vec<u8> {
    let float = format == Format::Float32;
    let width = format.bits() / 8;
    let mut fmt = Vec::new();
    fmt.extend((if float { tag::FLOAT } else { tag::PCM }).to_le_bytes());
    fmt.extend(1u16.to_le_bytes());
    fmt.extend(rate_hz.to_le_bytes());
    fmt.extend((rate_hz * u32::from(width)).to_le_bytes());
    fmt.extend(width.to_le_bytes());
    fmt.extend(format.bits().to_le_bytes());
    if float {
        // Length of the extension: none.
        fmt.extend(0u16.to_le_bytes());
    }
    let mut chunks = Vec::from(*b"WAVE");
    chunk(&mut chunks, b"fmt ", &fmt);
    if float {
        chunk(
            &mut chunks,
            b"fact",
            &(bytes / u32::from(width)).to_le_bytes(),
        );
    }
    chunks.extend(b"data");
    chunks.extend(bytes.to_le_bytes());
    let mut all = Vec::from(*b"RIFF");
    all.extend((chunks.len() as u32 + bytes + bytes % 2).to_le_bytes());
    all.extend(chunks);
    all
}

fn chunk(file: &mut Vec<u8>, name: &[u8; 4], content: &[u8]) {
    file.extend(name);
    file.extend((content.len() as u32).to_le_bytes());
    file.extend(content);
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

    /// The samples as `hound` reads them, an implementation outside the project.
    fn heard(bytes: &[u8], bits: u16, float: bool) -> Vec<f64> {
        let mut reader = hound::WavReader::new(bytes).unwrap();
        let spec = reader.spec();
        assert_eq!((spec.channels, spec.sample_rate), (1, 48_000));
        assert_eq!(spec.bits_per_sample, bits);
        if float {
            let all = reader.samples::<f32>();
            return all.map(|x| f64::from(x.unwrap())).collect();
        }
        let all = reader.samples::<i32>();
        all.map(|x| f64::from(x.unwrap())).collect()
    }

    #[test]
    fn another_reader_hears_what_was_written() {
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
                let head = if format == Format::Float32 { 58 } else { 44 };
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
