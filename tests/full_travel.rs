//! `render --automate` over a knob's whole travel and back, on shipped netlists whose pots end in
//! 1 ohm: what was compiled at the start must not cancel at the ends.
mod common;

use common::Gridleak;
use std::path::Path;

const RATE_HZ: u32 = 8000;

fn sine(path: &Path, seconds: f64) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("created");
    for n in 0..(seconds * f64::from(RATE_HZ)) as u32 {
        let turn = std::f64::consts::TAU * 250.0 * f64::from(n) / f64::from(RATE_HZ);
        writer.write_sample(turn.sin() as f32).expect("written");
    }
    writer.finalize().expect("finished");
}

/// Rms without mean from 5 ms before a moment to 5 ms after it, dB.
fn level_db(path: &Path, at_s: f64) -> f64 {
    let mut reader = hound::WavReader::open(path).expect("a sound");
    let all: Vec<f64> = reader
        .samples::<f32>()
        .map(|s| f64::from(s.expect("read")))
        .collect();
    assert!(all.iter().all(|v| v.is_finite()));
    let middle = (at_s * f64::from(RATE_HZ)) as usize;
    let window = &all[middle.saturating_sub(40)..(middle + 40).min(all.len())];
    let mean = window.iter().sum::<f64>() / window.len() as f64;
    let squares = window.iter().map(|v| (v - mean) * (v - mean));
    10.0 * (squares.sum::<f64>() / window.len() as f64).log10()
}

/// On the way up, at the top and on the way down the sound is that of the knob standing there.
#[test]
fn knobs_go_from_end_to_end_and_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let (clip, short) = (at("in.wav"), at("short.wav"));
    let (turn, out) = (at("turn.csv"), at("out.wav"));
    sine(&short, 0.1);
    std::fs::write(&turn, "0,0\n2,10\n4,0\n").expect("written");
    for (netlist, knob) in [
        ("overdrive_cascade", "GAIN"),
        ("overdrive_cascade", "MASTER"),
        ("preamp", "TREBLE"),
        ("preamp", "VOLUME"),
    ] {
        let play = |clip: &Path, option: &str, value: String, times: &[f64]| -> Vec<f64> {
            let ran = Gridleak::command("render")
                .unaudited()
                .arg(format!("netlists/lapwing/{netlist}.cir"))
                .option("--clip", clip.to_str().expect("UTF-8"))
                .option("--input-volts", "0.01")
                .option("--output-volts", "100")
                .option("--oversample", "1")
                .option("--out", out.to_str().expect("UTF-8"))
                .option(option, value)
                .option("--limit", "seconds=120")
                .run();
            assert_eq!(ran.status, 0, "{netlist} {knob}: {}", ran.stderr);
            times.iter().map(|&t| level_db(&out, t)).collect()
        };
        // There and back takes as long again: one knob does both.
        let returns = knob == "GAIN";
        sine(&clip, if returns { 4.0 } else { 2.1 });
        let places = [(0.02, 0.1), (2.0, 10.0), (3.98, 0.1)];
        let places = &places[..if returns { 3 } else { 2 }];
        let times: Vec<f64> = places.iter().map(|p| p.0).collect();
        let automate = format!("{knob}={}", turn.display());
        let moved = play(&clip, "--automate", automate, &times);
        for (moved, (_, position)) in moved.iter().zip(places) {
            let still = format!("{knob}={position}");
            let still = play(&short, "--knob", still, &[0.09])[0];
            println!("{netlist} {knob} at {position}: {moved:.2} dB, standing {still:.2} dB");
            let off = (moved - still).abs();
            assert!(off < 1.0, "{netlist} {knob} at {position}: {moved} {still}");
        }
    }
}
