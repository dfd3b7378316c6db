//! How loud: peak, rms, crest factor, the gain that brings a render to its
//! level, and the store it waits in until that gain is known.
//!
//! Normalising needs the peak before the first sample can be written, and
//! solving the circuit twice would double the wait. So the first pass writes
//! the solved samples as they come, unscaled and in full precision, into a
//! [`Spool`], and the second reads them back. The spool's store is any file
//! (the caller gives an unnamed one); memory stays at one block.

use super::clip::{SampleStream, SourceProblem};
use crate::math::fun;
use std::io::{self, BufReader, BufWriter, Read, Seek, SeekFrom, Write};

/// A running measurement of samples in any unit.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Level {
    count: u64,
    peak: f64,
    sum: f64,
    squares: f64,
}

impl Level {
    /// Adds samples to what was measured.
    pub fn push(&mut self, samples: &[f64]) {
        self.count += samples.len() as u64;
        for &x in samples {
            self.peak = self.peak.max(x.abs());
            self.sum += x;
            self.squares += x * x;
        }
    }

    /// How many samples were measured.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Greatest magnitude, in the samples' unit; 0 before the first.
    pub fn peak(&self) -> f64 {
        self.peak
    }

    /// The mean, in the samples' unit; 0 before the first.
    pub fn mean(&self) -> f64 {
        self.sum / self.count.max(1) as f64
    }

    /// Root of the mean square, in the samples' unit; 0 before the first.
    pub fn rms(&self) -> f64 {
        (self.squares / self.count.max(1) as f64).sqrt()
    }
}

/// A stream of samples that is measured as it passes.
pub struct Metered<'s> {
    stream: &'s mut dyn SampleStream,
    level: Level,
}

impl<'s> Metered<'s> {
    /// The same stream, nothing of it measured yet.
    pub fn new(stream: &'s mut dyn SampleStream) -> Self {
        Metered {
            stream,
            level: Level::default(),
        }
    }

    /// What has been measured so far.
    pub fn level(&self) -> Level {
        self.level
    }
}

impl SampleStream for Metered<'_> {
    fn rate_hz(&self) -> u32 {
        self.stream.rate_hz()
    }

    fn channels(&self) -> u16 {
        self.stream.channels()
    }

    fn length(&self) -> u64 {
        self.stream.length()
    }

    fn next_block(&mut self, most: usize, block: &mut Vec<f64>) -> Result<(), SourceProblem> {
        self.stream.next_block(most, block)?;
        self.level.push(block);
        Ok(())
    }
}

/// 20 log10 of a ratio of amplitudes.
pub fn decibels(ratio: f64) -> f64 {
    20.0 * fun::log10(ratio)
}

/// The ratio of amplitudes that N decibels stand for.
pub fn ratio(decibels: f64) -> f64 {
    fun::pow(10.0, decibels / 20.0)
}

/// Where a render is brought to when no output voltage was given, dBFS.
pub const NORMAL_PEAK_DBFS: f64 = -1.0;

/// A render whose peak is below this many volts is silence: it is the voltage
/// tolerance that SPICE 3 solves to by default (VNTOL, 1 uV), so what is
/// smaller is the solver's own noise and must not be blown up to full scale.
pub const SILENCE_V: f64 = 1e-6;

/// The gain that brings a peak in volts to [`NORMAL_PEAK_DBFS`]; none if there
/// is only silence, which should be written as it is.
pub fn normalising_gain(peak_v: f64) -> Option<f64> {
    (peak_v > SILENCE_V).then(|| ratio(NORMAL_PEAK_DBFS) / peak_v)
}

/// Samples on their way into a store, measured as they pass.
///
/// A probe's operating point is not taken off here but by the caller before
/// the samples reach the [`Decimator`](crate::math::resample::Decimator): after
/// it, the step from silence to that voltage would already be in the sound.
#[derive(Debug)]
pub struct Spool<F: Read + Write + Seek> {
    store: BufWriter<F>,
    level: Level,
}

impl<F: Read + Write + Seek> Spool<F> {
    /// A spool over an empty store.
    pub fn new(store: F) -> Self {
        Spool {
            store: BufWriter::new(store),
            level: Level::default(),
        }
    }

    /// Takes samples.
    ///
    /// # Errors
    /// If the store cannot be written, as when the disk is full.
    pub fn push(&mut self, samples: &[f64]) -> io::Result<()> {
        self.level.push(samples);
        for x in samples {
            self.store.write_all(&x.to_le_bytes())?;
        }
        Ok(())
    }

    /// What has been measured so far.
    pub fn level(&self) -> Level {
        self.level
    }

    /// Ends the first pass.
    ///
    /// # Errors
    /// If the store cannot be written or wound back.
    pub fn finish(self) -> io::Result<Spooled<F>> {
        let level = self.level;
        let mut store = self.store.into_inner().map_err(|e| e.into_error())?;
        store.seek(SeekFrom::Start(0))?;
        Ok(Spooled {
            store: BufReader::new(store),
            left: level.count(),
            level,
        })
    }
}

/// Samples on their way back out of a store, as often as it is wound back.
#[derive(Debug)]
pub struct Spooled<F: Read> {
    store: BufReader<F>,
    left: u64,
    level: Level,
}

impl<F: Read> Spooled<F> {
    /// What was measured when the samples went in.
    pub fn level(&self) -> Level {
        self.level
    }

    /// Winds back to the first sample.
    ///
    /// # Errors
    /// If the store cannot be wound back.
    pub fn rewind(&mut self) -> io::Result<()>
    where
        F: Seek,
    {
        self.left = self.level.count();
        self.store.seek(SeekFrom::Start(0)).map(|_| ())
    }

    /// Replaces the contents of `block` by the next samples times `gain`,
    /// at most `most`; it stays empty only at the end.
    ///
    /// # Errors
    /// If the store cannot be read.
    pub fn next_block(&mut self, gain: f64, most: usize, block: &mut Vec<f64>) -> io::Result<()> {
        block.clear();
        let count = self.left.min(most as u64);
        let mut bytes = [0; 8];
        for _ in 0..count {
            self.store.read_exact(&mut bytes)?;
            block.push(f64::from_le_bytes(bytes) * gain);
        }
        self.left -= count;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn measured(samples: &[f64]) -> Level {
        let mut level = Level::default();
        level.push(samples);
        level
    }

    #[test]
    fn a_sine_and_a_square_read_as_the_textbook_says() {
        // Crest factor of a sine: the root of two; of a square: one.
        let turn = std::f64::consts::TAU / 1000.0;
        let sine: Vec<f64> = (0..1000).map(|n| (turn * f64::from(n)).sin()).collect();
        let sine = measured(&sine);
        assert!((sine.peak() - 1.0).abs() < 1e-9, "{sine:?}");
        assert!((sine.rms() - 0.5f64.sqrt()).abs() < 1e-9, "{sine:?}");
        let square = measured(&[0.5, -0.5]);
        assert_eq!((square.peak(), square.rms()), (0.5, 0.5));
        assert_eq!((square.mean(), measured(&[0.5, 0.25]).mean()), (0.0, 0.375));
    }

    #[test]
    fn silence_has_no_level_and_no_gain() {
        let level = measured(&[0.0; 10]);
        assert_eq!((level.peak(), level.rms()), (0.0, 0.0));
        assert_eq!(normalising_gain(level.peak()), None);
        assert_eq!(normalising_gain(1e-9), None);
        assert_eq!(Level::default().rms(), 0.0);
    }

    #[test]
    fn normalising_ends_at_one_decibel_below_full_scale() {
        // 10^(-1/20) = 0.8912509381337456.
        for peak_v in [2e-6, 0.03, 1.0, 42.0] {
            let found = peak_v * normalising_gain(peak_v).unwrap();
            assert!((found - 0.8912509381337456).abs() < 1e-15);
        }
    }

    #[test]
    fn a_spool_gives_back_what_it_took_times_the_gain() {
        let taken: Vec<f64> = (0..5000).map(|n| f64::from(n % 7) - 3.0).collect();
        let mut spool = Spool::new(Cursor::new(Vec::new()));
        taken.chunks(333).for_each(|part| spool.push(part).unwrap());
        let mut spooled = spool.finish().unwrap();
        assert_eq!(spooled.level().count(), 5000);
        assert_eq!(spooled.level().peak(), 3.0);
        let (mut block, mut given) = (Vec::new(), Vec::new());
        loop {
            spooled.next_block(2.0, 512, &mut block).unwrap();
            if block.is_empty() {
                break;
            }
            given.extend_from_slice(&block);
        }
        let expected: Vec<f64> = taken.iter().map(|x| 2.0 * x).collect();
        assert_eq!(given, expected);
    }

    #[test]
    fn a_store_that_is_full_is_an_error_and_not_a_panic() {
        let mut room = [0u8; 64];
        let mut spool = Spool::new(Cursor::new(&mut room[..]));
        let taken = spool.push(&[0.1; 4096]);
        assert!(taken.is_err() || spool.finish().is_err());
    }
}
