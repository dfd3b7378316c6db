//! The promises of `render`, word for word (contract: "Commands", "The fine print").
//! Sound files are written and read by the `hound` crate, not by this project's own code.
mod common;

use common::{Gridleak, Ran, close};
use hound::{SampleFormat, WavReader, WavSpec, WavWriter};
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

const DIVIDER: &str = "t\nVIN a 0 DC 0 AC 1\nR1 a out 1k\nR2 out 0 3k\n.end\n";

/// A folder with a netlist in it.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new(netlist: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("n.cir"), netlist).expect("written");
        Bench { folder }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// `gridleak render` from in.wav to out.wav.
    fn render(&self) -> Gridleak {
        Gridleak::command("render")
            .path(&self.at("n.cir"))
            .arg("--clip")
            .path(&self.at("in.wav"))
            .arg("--out")
            .path(&self.at("out.wav"))
            .option("--source", "vin")
            .option("--probe", "v(out)")
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(self.folder.path())
            .expect("a folder")
            .map(|e| {
                e.expect("an entry")
                    .file_name()
                    .into_string()
                    .expect("UTF-8")
            })
            .collect();
        names.sort();
        names
    }

    fn float_clip(&self, rate: u32, samples: &[f64]) {
        let mut writer = WavWriter::create(
            self.at("in.wav"),
            WavSpec {
                channels: 1,
                sample_rate: rate,
                bits_per_sample: 32,
                sample_format: SampleFormat::Float,
            },
        )
        .expect("a WAV file");
        for s in samples {
            writer.write_sample(*s as f32).expect("a sample");
        }
        writer.finalize().expect("the end");
    }

    fn integer_clip(&self, bits: u16, channels: u16, samples: &[i32]) {
        let mut writer = WavWriter::create(
            self.at("in.wav"),
            WavSpec {
                channels,
                sample_rate: 48_000,
                bits_per_sample: bits,
                sample_format: SampleFormat::Int,
            },
        )
        .expect("a WAV file");
        for s in samples {
            writer.write_sample(*s).expect("a sample");
        }
        writer.finalize().expect("the end");
    }

    fn out(&self) -> (WavSpec, Vec<f64>) {
        floats(&self.at("out.wav"))
    }
}

fn floats(path: &Path) -> (WavSpec, Vec<f64>) {
    let mut reader = WavReader::open(path).expect("a WAV file");
    let spec = reader.spec();
    let samples = match spec.sample_format {
        SampleFormat::Float => reader
            .samples::<f32>()
            .map(|s| f64::from(s.expect("a sample")))
            .collect(),
        SampleFormat::Int => {
            let full = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
            reader
                .samples::<i32>()
                .map(|s| f64::from(s.expect("a sample")) / full)
                .collect()
        }
    };
    (spec, samples)
}

fn done(run: Gridleak) -> Ran {
    let ran = run.run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    ran
}

fn tone(rate: u32, freq: f64, amplitude: f64, samples: usize) -> Vec<f64> {
    // A fade at both ends, so that no edge rings in the resampler.
    (0..samples)
        .map(|n| {
            let into = (n.min(samples - 1 - n) as f64 / 200.0).min(1.0);
            let fade = 0.5 - 0.5 * (into * TAU / 2.0).cos();
            fade * amplitude * (TAU * freq * n as f64 / f64::from(rate)).sin()
        })
        .collect()
}

/// Sample n answers sample n, without latency: through a divider the clip comes back
/// scaled, within float32 and the resampler's pass band.
#[test]
fn a_tone_through_a_divider_comes_back_in_step() {
    for (rate, freq) in [(44_100, 1000.0), (48_000, 5000.0), (96_000, 10_000.0)] {
        for oversample in ["1", "2", "4", "8", "16"] {
            let bench = Bench::new(DIVIDER);
            let clip = tone(rate, freq, 0.5, 3000);
            bench.float_clip(rate, &clip);
            done(
                bench
                    .render()
                    .option("--input-volts", "2")
                    .option("--output-volts", "2")
                    .option("--oversample", oversample),
            );
            let (spec, out) = bench.out();
            assert_eq!(spec.sample_rate, rate);
            assert_eq!((spec.channels, spec.bits_per_sample), (1, 32));
            assert_eq!(spec.sample_format, SampleFormat::Float);
            assert_eq!(out.len(), clip.len());
            let worst = out
                .iter()
                .zip(&clip)
                .map(|(o, c)| (o - 0.75 * c).abs())
                .fold(0.0, f64::max);
            println!("{rate} Hz, {oversample} times: {worst:.1e}");
            assert!(worst < 2e-5, "{rate} Hz, {oversample} times: {worst:e}");
        }
    }
}

/// `--csv` has the levels of what was written: 0.75 of 1 V peak.
#[test]
fn levels_come_as_csv() {
    let bench = Bench::new(DIVIDER);
    bench.float_clip(48_000, &tone(48_000, 1000.0, 0.5, 4800));
    let csv = bench.at("levels.csv");
    done(
        bench
            .render()
            .option("--input-volts", "2")
            .option("--output-volts", "4")
            .option("--csv", csv.to_str().expect("UTF-8")),
    );
    let (_, out) = bench.out();
    let mut reader = csv::Reader::from_path(csv).expect("a CSV file");
    let rows: Vec<[String; 4]> = reader
        .deserialize()
        .map(|row| row.expect("four columns"))
        .collect();
    let value = |quantity: &str| -> f64 {
        let row = rows.iter().find(|row| row[1] == quantity);
        let row = row.unwrap_or_else(|| panic!("{quantity}: {rows:?}"));
        assert!(row[0].ends_with("out.wav"), "{row:?}");
        row[2].parse().expect("a number")
    };
    let peak = out.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    let rms = (out.iter().map(|v| v * v).sum::<f64>() / out.len() as f64).sqrt();
    assert!((value("peak") - 4.0 * peak).abs() < 1e-6 && (4.0 * peak - 0.75).abs() < 1e-3);
    assert!((value("rms") - 4.0 * rms).abs() < 1e-6);
    assert_eq!(value("full scale"), 4.0);
}

/// An impulse stays where it is and as high, at the clip's first and last samples too.
#[test]
fn bug_an_impulse_at_either_end_was_halved() {
    for at in [0usize, 1, 500, 998, 999] {
        let bench = Bench::new(DIVIDER);
        let mut clip = vec![0.0; 1000];
        clip[at] = 0.8;
        bench.float_clip(48_000, &clip);
        done(
            bench
                .render()
                .option("--input-volts", "1")
                .option("--output-volts", "1"),
        );
        let (_, out) = bench.out();
        assert_eq!(out.len(), 1000);
        let peak = (0..1000)
            .max_by(|&a, &b| out[a].abs().total_cmp(&out[b].abs()))
            .expect("samples");
        assert_eq!(peak, at);
        // The impulse is band limited by the resampler on its way.
        close("height", out[at], 0.6, 0.06);
        if at == 500 {
            for k in 1..100 {
                close("symmetric", out[at + k], out[at - k], 1e-6);
            }
        }
    }
}

/// A low-pass delays a tone by its own phase and no more: phase -atan(w R C).
#[test]
fn the_phase_is_the_circuits_own() {
    let bench = Bench::new("t\nVIN a 0 0\nR1 a out 1k\nC1 out 0 159.15494n\n.end\n");
    let (rate, freq) = (48_000, 1000.0);
    let clip: Vec<f64> = (0..9600)
        .map(|n| (TAU * freq * n as f64 / 48e3).sin())
        .collect();
    bench.float_clip(rate, &clip);
    done(
        bench
            .render()
            // Left to itself it would choose 1: a linear circuit makes no aliases, but a
            // coarse step changes the level by some 0.003 dB.
            .option("--oversample", "8")
            .option("--input-volts", "1")
            .option("--output-volts", "1"),
    );
    let (_, out) = bench.out();
    let (mut i, mut q) = (0.0, 0.0);
    for (n, v) in out.iter().enumerate().skip(4800 - 240).take(4800) {
        let phase = TAU * freq * n as f64 / 48e3;
        i += v * phase.sin() / 2400.0;
        q += v * phase.cos() / 2400.0;
    }
    close("amplitude", i.hypot(q), 0.5f64.sqrt(), 1e-5);
    close("phase", q.atan2(i), -TAU / 8.0, 1e-5);
}

#[test]
fn without_output_volts_the_peak_is_at_minus_1_dbfs() {
    let bench = Bench::new(DIVIDER);
    bench.float_clip(48_000, &tone(48_000, 997.0, 0.1, 4800));
    done(bench.render());
    let peak = bench.out().1.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    close("peak", peak, 10f64.powf(-0.05), 1e-6);
}

#[test]
fn silence_stays_silent() {
    for netlist in [DIVIDER, "t\nVIN a 0 3\nR1 a out 1k\nR2 out 0 3k\n"] {
        let bench = Bench::new(netlist);
        bench.float_clip(48_000, &[0.0; 2000]);
        let ran = done(bench.render());
        // A fixed bug: its peak was said to be at -1 dBFS.
        assert!(
            ran.stdout.contains("(silence, written as it is)"),
            "{ran:?}"
        );
        let (_, out) = bench.out();
        assert_eq!(out.len(), 2000);
        assert!(
            out.iter().all(|v| *v == 0.0),
            "{:?}",
            out.iter().find(|v| **v != 0.0)
        );
    }
}

#[test]
fn an_empty_clip_gives_an_empty_file() {
    let bench = Bench::new(DIVIDER);
    bench.float_clip(48_000, &[]);
    let ran = bench.render().run();
    assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
    match ran.status {
        0 => assert_eq!(bench.out().1.len(), 0),
        2 => assert_eq!(bench.names(), ["in.wav", "n.cir"]),
        other => panic!("exit code {other}"),
    }
}

/// The operating point's DC at the probe is removed; the source's own DC stays.
#[test]
fn dc_at_the_probe_is_removed_and_the_sources_kept() {
    let bench =
        Bench::new("t\nVIN a 0 DC 10\nR1 a out 1k\nR2 out 0 3k\nB1 sq 0 V=v(a)^2\nRsq sq 0 1k\n");
    bench.float_clip(48_000, &tone(48_000, 500.0, 1.0, 4800));
    done(
        bench
            .render()
            .option("--input-volts", "1")
            .option("--output-volts", "1"),
    );
    let (_, out) = bench.out();
    close("mean", out.iter().sum::<f64>() / 4800.0, 0.0, 1e-4);
    // (10 + x)^2 - 100 = 20 x + x^2.
    let ran = Gridleak::command("render")
        .path(&bench.at("n.cir"))
        .arg("--clip")
        .path(&bench.at("in.wav"))
        .arg("--out")
        .path(&bench.at("out.wav"))
        .option("--source", "VIN")
        .option("--probe", "v(sq)")
        .option("--input-volts", "1")
        .option("--output-volts", "100");
    done(ran);
    let (_, out) = bench.out();
    for (v, x) in out.iter().zip(tone(48_000, 500.0, 1.0, 4800)) {
        close("square", *v, (20.0 * x + x * x) / 100.0, 2e-6);
    }
}

#[test]
fn a_stereo_clip_is_averaged_with_a_warning() {
    let bench = Bench::new(DIVIDER);
    let mono = tone(48_000, 1000.0, 1.0, 2000);
    let stereo: Vec<i32> = mono
        .iter()
        .flat_map(|v| [(v * 20000.0).round() as i32, 0])
        .collect();
    bench.integer_clip(16, 2, &stereo);
    let ran = done(
        bench
            .render()
            .option("--input-volts", "1")
            .option("--output-volts", "1"),
    );
    assert!(ran.stderr.contains("warning: "), "{}", ran.stderr);
    assert!(ran.stderr.contains("averaged"), "{}", ran.stderr);
    let (spec, out) = bench.out();
    assert_eq!((spec.channels, out.len()), (1, 2000));
    for (o, v) in out.iter().zip(&mono) {
        close("average", *o, 0.75 * 0.5 * v * 20000.0 / 32768.0, 3e-5);
    }
    let ran = done(bench.render().arg("--quiet"));
    assert_eq!((ran.stdout.as_str(), ran.stderr.as_str()), ("", ""));
}

/// Integer full scale is 2^(bits-1), both ways.
#[test]
fn clips_of_every_width_mean_the_same() {
    for bits in [8u16, 16, 24, 32] {
        let bench = Bench::new(DIVIDER);
        let full = 2f64.powi(i32::from(bits) - 1);
        let wave = tone(48_000, 800.0, 0.5, 2000);
        let codes: Vec<i32> = wave.iter().map(|v| (v * full).round() as i32).collect();
        bench.integer_clip(bits, 1, &codes);
        done(
            bench
                .render()
                .option("--input-volts", "4")
                .option("--output-volts", "4"),
        );
        let (_, out) = bench.out();
        assert_eq!(out.len(), 2000);
        // Within the step of the coarse clip, smoothed at its edges.
        let step = (1.0 / full).max(1e-5) * 2.0;
        for (o, v) in out.iter().zip(&wave) {
            close(&format!("{bits} bits"), *o, 0.75 * v, step);
        }
    }
}

#[test]
fn every_format_can_be_written() {
    for (format, bits, kind) in [
        ("float32", 32, SampleFormat::Float),
        ("int16", 16, SampleFormat::Int),
        ("int24", 24, SampleFormat::Int),
        ("int32", 32, SampleFormat::Int),
    ] {
        let bench = Bench::new(DIVIDER);
        let wave = tone(48_000, 800.0, 0.5, 2000);
        bench.float_clip(48_000, &wave);
        done(
            bench
                .render()
                .option("--input-volts", "1")
                .option("--output-volts", "1")
                .option("--format", format),
        );
        let (spec, out) = bench.out();
        assert_eq!((spec.bits_per_sample, spec.sample_format), (bits, kind));
        for (o, v) in out.iter().zip(&wave) {
            close(format, *o, 0.75 * v, 4e-5);
        }
    }
}

#[test]
fn oversample_takes_powers_of_two_up_to_16() {
    let bench = Bench::new(DIVIDER);
    bench.float_clip(48_000, &[0.0; 100]);
    for bad in ["0", "3", "32", "-1", "8.0", "x", ""] {
        let ran = bench.render().arg(format!("--oversample={bad}")).run();
        assert_eq!(ran.status, 2, "{bad}: {}", ran.stderr);
        assert!(
            ran.stderr.contains("expected auto, 1, 2, 4, 8 or 16") || bad.is_empty(),
            "{}",
            ran.stderr
        );
    }
    assert_eq!(bench.names(), ["in.wav", "n.cir"]);
}

/// The clip may drive a current source as well, and `.ic` holds at the start.
#[test]
fn a_current_source_is_driven_too() {
    let bench = Bench::new("t\nVB b 0 5\nRB b out 1meg\nIIN 0 out 0\nR1 out 0 1k\n");
    let wave = tone(48_000, 800.0, 0.5, 1000);
    bench.float_clip(48_000, &wave);
    let ran = Gridleak::command("render")
        .path(&bench.at("n.cir"))
        .arg("--clip")
        .path(&bench.at("in.wav"))
        .arg("--out")
        .path(&bench.at("out.wav"))
        .option("--source", "iin")
        .option("--probe", "v(out)")
        .option("--input-volts", "1m")
        .option("--output-volts", "1");
    done(ran);
    let parallel = 1e3 * 1e6 / (1e3 + 1e6);
    for (o, v) in bench.out().1.iter().zip(&wave) {
        close("v", *o, 1e-3 * parallel * v, 2e-5);
    }
}

#[test]
fn the_same_clip_gives_the_same_bytes() {
    let bench = Bench::new(DIVIDER);
    bench.float_clip(48_000, &tone(48_000, 800.0, 0.5, 1000));
    done(bench.render());
    let first = std::fs::read(bench.at("out.wav")).expect("there");
    done(bench.render());
    assert_eq!(std::fs::read(bench.at("out.wav")).expect("there"), first);
}

/// Nothing is made or changed on failure: an existing target is kept byte for byte and no
/// file is left beside it.
#[test]
fn failures_leave_the_target_as_it_was() {
    let bench = Bench::new(DIVIDER);
    let path = |name: &str| bench.at(name).to_str().expect("UTF-8").to_string();
    bench.float_clip(48_000, &tone(48_000, 800.0, 0.5, 1000));
    std::fs::write(bench.at("out.wav"), "precious").expect("written");
    std::fs::write(bench.at("noise.wav"), [7u8; 5000]).expect("written");
    std::fs::write(
        bench.at("stuck.cir"),
        // v = a e^v has solutions for a up to 1/e only, and the clip drives a to 0.45.
        "t\nVIN a 0 0\nR1 a 0 1k\nB1 0 out I=exp(v(out))*(0.3+v(a))\nR2 out 0 1\n",
    )
    .expect("written");
    let whole = std::fs::read(bench.at("in.wav")).expect("there");
    std::fs::write(bench.at("short.wav"), &whole[..whole.len() / 2]).expect("written");
    let before = bench.names();
    let run = |netlist: &str, clip: &str, out: &str, more: &[&str]| {
        let run = Gridleak::command("render").arg(path(netlist));
        let run = run.option("--clip", path(clip)).option("--out", out);
        let ran = more.iter().fold(run, |run, o| run.arg(o)).run();
        assert_eq!(bench.names(), before, "{}", ran.stderr);
        let kept = std::fs::read(bench.at("out.wav")).expect("there");
        assert_eq!(kept, b"precious", "{}", ran.stderr);
        assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
        assert!(ran.stderr.starts_with("error: "), "{}", ran.stderr);
        ran.status
    };
    let out = path("out.wav");
    let usual = ["--source", "VIN", "--probe", "v(out)"];
    assert_eq!(
        run(
            "n.cir",
            "in.wav",
            &out,
            &["--source", "VIN", "--probe", "v(no)"]
        ),
        2
    );
    assert_eq!(
        run("n.cir", "in.wav", &out, &["--source", "VIN"]),
        2,
        "no probe"
    );
    assert_eq!(
        run(
            "n.cir",
            "in.wav",
            &out,
            &["--source", "VIN", "--probe", "v(a)", "--probe", "v(out)"]
        ),
        2
    );
    assert_eq!(
        run(
            "n.cir",
            "in.wav",
            &out,
            &["--source", "VINN", "--probe", "v(out)"]
        ),
        2
    );
    assert_eq!(
        run(
            "n.cir",
            "in.wav",
            &out,
            &["--source", "R1", "--probe", "v(out)"]
        ),
        2
    );
    assert_eq!(run("n.cir", "noise.wav", &out, &usual), 2);
    assert_eq!(run("n.cir", "short.wav", &out, &usual), 2);
    assert_eq!(run("n.cir", "n.cir", &out, &usual), 2);
    assert_eq!(run("n.cir", "missing.wav", &out, &usual), 2);
    assert_eq!(run("n.cir", "in.wav", "/no/such/folder/x.wav", &usual), 2);
    assert_eq!(run("n.cir", "in.wav", &path(""), &usual), 2, "a folder");
    assert_eq!(run("n.cir", "in.wav", "", &usual), 2);
    let json_nowhere = [&usual[..], &["--json", "/no/such/folder/x.json"]].concat();
    assert_eq!(run("n.cir", "in.wav", &out, &json_nowhere), 2);
    let zero = [&usual[..], &["--output-volts", "0"]].concat();
    assert_eq!(run("n.cir", "in.wav", &out, &zero), 2);
    assert_eq!(run("stuck.cir", "in.wav", &out, &usual), 3);
}

/// The clip is the player's work: no output may take its place.
#[test]
fn a_clip_is_not_replaced_by_its_own_render() {
    let bench = Bench::new(DIVIDER);
    let wave = tone(48_000, 800.0, 0.5, 1000);
    bench.float_clip(48_000, &wave);
    let run = Gridleak::command("render")
        .path(&bench.at("n.cir"))
        .arg("--clip")
        .path(&bench.at("in.wav"))
        .arg("--out")
        .path(&bench.at("in.wav"))
        .option("--source", "VIN")
        .option("--probe", "v(out)")
        .option("--input-volts", "1")
        .option("--output-volts", "1");
    let ran = run.run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(ran.stderr.contains("would write over it"), "{}", ran.stderr);
    for (kept, v) in floats(&bench.at("in.wav")).1.iter().zip(&wave) {
        close("v", *kept, *v, 1e-7);
    }
}
