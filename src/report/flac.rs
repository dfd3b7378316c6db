//! Sounds as FLAC (RFC 9639), which takes about half the room of a WAV file and loses nothing.
//!
//! `flac-codec` does the work: it brings four crates, where the other encoder in pure Rust brings
//! fourteen. Its linear prediction is left alone: it finds its coefficients by the system's
//! cosines and logarithms, which differ from machine to machine in the last digit, and the same
//! input must give the same bytes. Its fixed predictors are whole numbers throughout.

use flac_codec::encode::{FlacSampleWriter, Options};
use std::io::Cursor;

/// A WAV file of 16 bits as FLAC; none if it is something else, or too short to be worth it.
pub fn packed(wav: &[u8]) -> Option<Vec<u8>> {
    let mut reader = hound::WavReader::new(Cursor::new(wav)).ok()?;
    let spec = reader.spec();
    if spec.bits_per_sample != 16 || spec.sample_format != hound::SampleFormat::Int {
        return None;
    }
    let samples: Vec<i32> = reader.samples::<i32>().collect::<Result<_, _>>().ok()?;
    let channels = u8::try_from(spec.channels).ok()?;
    let options = Options::default().max_lpc_order(None).ok()?;
    let options = options.no_padding().no_seektable();
    let mut bytes = Cursor::new(Vec::new());
    let count = Some(samples.len() as u64);
    let mut writer =
        FlacSampleWriter::new(&mut bytes, options, spec.sample_rate, 16, channels, count).ok()?;
    writer.write(&samples).ok()?;
    writer.finalize().ok()?;
    Some(bytes.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;
    use flac_codec::decode::FlacSampleReader;

    fn wav(samples: &[i16]) -> Vec<u8> {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut bytes = Cursor::new(Vec::new());
        let mut writer = hound::WavWriter::new(&mut bytes, spec).expect("memory");
        samples
            .iter()
            .for_each(|&s| writer.write_sample(s).expect("memory"));
        writer.finalize().expect("memory");
        bytes.into_inner()
    }

    #[test]
    fn nothing_is_lost_and_a_tone_takes_less_room() {
        let tone = |k: usize| {
            let turn = std::f64::consts::TAU * 440.0 * k as f64 / 48e3;
            (20_000.0 * crate::math::fun::sin(turn)).round() as i16
        };
        let mut samples: Vec<i16> = (0..20_000).map(tone).collect();
        samples.extend([i16::MIN, i16::MAX, 0, -1]);
        let plain = wav(&samples);
        let packed = packed(&plain).expect("16 bits");
        assert!(
            packed.len() < 2 * plain.len() / 3,
            "{} of {}",
            packed.len(),
            plain.len()
        );
        let mut reader = FlacSampleReader::new(Cursor::new(&packed)).expect("FLAC");
        let mut back = Vec::new();
        reader.read_to_end(&mut back).expect("whole");
        let expected: Vec<i32> = samples.iter().map(|&s| i32::from(s)).collect();
        assert_eq!(back, expected);
    }
}
