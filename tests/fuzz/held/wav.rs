//! WAV files.

use gridleak::audio::clip::{Clip, SampleStream};
use gridleak::report::wav::{Format, WavReader, WavWriter};
use std::io::Cursor;

/// Sound is finite and as long as announced; it is the same read in other blocks, read from
/// a file that goes on behind it, and written and read again. Whether it is sound.
pub fn holds(bytes: &[u8]) -> bool {
    let Some(clip) = read(bytes) else {
        return false;
    };
    assert!(clip.samples.iter().all(|x| x.is_finite()));
    assert!(clip.channels > 0 && clip.duration_s() > 0.0);
    in_other_blocks(bytes, &clip);
    cut(bytes, &clip);
    for format in [Format::Float32, Format::Int16, Format::Int24, Format::Int32] {
        written(&clip, format);
    }
    true
}

fn read(bytes: &[u8]) -> Option<Clip> {
    match WavReader::new(Cursor::new(bytes)) {
        Ok(mut reader) => match Clip::collect(&mut reader) {
            Ok(clip) => {
                assert_eq!(reader.length(), clip.samples.len() as u64);
                Some(clip)
            }
            Err(why) => {
                assert!(!why.to_string().is_empty());
                None
            }
        },
        Err(why) => {
            assert!(!why.to_string().is_empty());
            None
        }
    }
}

fn in_other_blocks(bytes: &[u8], clip: &Clip) {
    let mut reader = WavReader::new(Cursor::new(bytes)).expect("opened before");
    let (mut block, mut at) = (Vec::new(), 0);
    loop {
        reader.next_block(7, &mut block).expect("read before");
        if block.is_empty() {
            break;
        }
        assert_eq!(block, clip.samples[at..at + block.len()]);
        at += block.len();
    }
    assert_eq!(at, clip.samples.len());
}

/// A file that ends early is refused, unless all of its sound was there.
fn cut(bytes: &[u8], clip: &Clip) {
    for part in 1..=8 {
        let shorter = bytes.len() * part / 9;
        if let Some(found) = read(&bytes[..shorter]) {
            assert_eq!(found, *clip, "cut at {shorter}");
        }
    }
}

fn written(clip: &Clip, format: Format) {
    let mut writer =
        WavWriter::new(Cursor::new(Vec::new()), clip.rate_hz, format).expect("a rate that is read");
    // What is finite as it was read may be too much for the file's 32 bits.
    if writer.write(&clip.samples).is_err() {
        return;
    }
    let (told, sink) = writer.finish().expect("memory");
    assert_eq!(told.samples, clip.samples.len() as u64);
    let bytes = sink.into_inner();
    let again = read(&bytes).expect("our own file");
    assert_eq!(again.rate_hz, clip.rate_hz);
    let step = match format {
        Format::Float32 => 0.0,
        Format::Int16 => 2f64.powi(-15),
        Format::Int24 => 2f64.powi(-23),
        Format::Int32 => 2f64.powi(-31),
    };
    for (x, y) in clip.samples.iter().zip(&again.samples) {
        match format {
            Format::Float32 => assert_eq!(*x as f32, *y as f32),
            // Half a step of rounding; full scale itself lies one step beyond the greatest number.
            _ => assert!(
                (x.clamp(-1.0, 1.0 - step) - y).abs() <= step / 2.0,
                "{x} {y}"
            ),
        }
    }
}
