//! The volts that `render` reports: of the clip, at the probe and through the cabinet.

mod common;

use common::{Gridleak, Netlist, Ran, close};
use std::f64::consts::TAU;
use std::path::Path;

const RATE_HZ: u32 = 48_000;

/// Half of what goes in comes out.
const HALF: &str = "halves
VIN in 0 AC 1
R1 in out 10k
R2 out 0 10k
.end
";

/// Writes a WAV of 32-bit floats, its samples one channel after the other.
fn wav(path: &Path, channels: u16, samples: impl IntoIterator<Item = f64>) {
    let spec = hound::WavSpec {
        channels,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a clip");
    for x in samples {
        writer.write_sample(x as f32).expect("a sample");
    }
    writer.finalize().expect("a clip");
}

/// A sine of a quarter of full scale.
fn sine(seconds: f64) -> impl Iterator<Item = f64> {
    let count = (seconds * f64::from(RATE_HZ)) as u32;
    (0..count).map(|n| 0.25 * (TAU * 500.0 * f64::from(n) / f64::from(RATE_HZ)).sin())
}

/// Renders a clip in a folder, 2 V being its full scale.
fn render(folder: &Path, options: &[(&str, &str)]) -> Ran {
    let netlist = Netlist::new(HALF);
    let run = Gridleak::command("render")
        .path(netlist.path())
        .option("--probe", "v(out)")
        .option("--clip", folder.join("in.wav").to_str().expect("a name"))
        .option("--input-volts", "2")
        .option("--oversample", "1")
        .option("--out", folder.join("out.wav").to_str().expect("a name"));
    let ran = options
        .iter()
        .fold(run, |run, o| run.option(o.0, o.1))
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    ran
}

/// A file of a folder, by its whole name.
fn named(folder: &tempfile::TempDir, file: &str) -> String {
    let path = folder.path().join(file);
    path.to_str().expect("a name").to_string()
}

/// A fixed bug: through a cabinet of four times the gain the probe was said to have four times
/// its volts. A quarter of 2 V, halved by two equal resistors, is 0.25 V, and four times that 1 V.
#[test]
fn a_probe_has_its_own_volts_through_any_cabinet() {
    let folder = tempfile::tempdir().expect("a folder");
    wav(&folder.path().join("in.wav"), 1, sine(0.2));
    let response = folder.path().join("ir.wav");
    wav(&response, 1, [4.0]);
    let record = folder.path().join("out.json");
    let table = folder.path().join("out.csv");
    let name = |path: &Path| path.to_str().expect("a name").to_string();
    let ran = render(
        folder.path(),
        &[
            ("--cabinet", &name(&response)),
            ("--json", &name(&record)),
            ("--csv", &name(&table)),
        ],
    );
    let text = std::fs::read_to_string(&record).expect("a record");
    let record: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let figure = |key: &str| record[key].as_f64().expect("a number");
    for (key, expected) in [
        ("peak", 0.25),
        ("rms", 0.25 / 2f64.sqrt()),
        ("sound_peak", 1.0),
        ("sound_rms", 1.0 / 2f64.sqrt()),
        ("clip_peak_dbfs", 20.0 * 0.25f64.log10()),
    ] {
        close(key, figure(key), expected, 2e-3);
    }
    let text = std::fs::read_to_string(&table).expect("a table");
    for (quantity, expected) in [
        ("clip peak", 0.5),
        ("peak", 0.25),
        ("peak through the cabinet", 1.0),
    ] {
        let row = text.lines().map(|l| l.split(',').collect::<Vec<_>>());
        let row = row.into_iter().find(|cells| cells[1] == quantity);
        let value = row.expect(quantity)[2].parse().expect("a number");
        close(quantity, value, expected, 2e-3);
    }
    for words in [
        "2.00 V peak at full scale; its own peak is 500 mV (-12.0 dBFS)",
        "v(out): peak 250.0 mV",
        "through the cabinet: peak 1.000 V",
    ] {
        assert!(ran.stdout.contains(words), "{words}: {}", ran.stdout);
    }
}

#[test]
fn a_clip_that_drives_nothing_or_pushes_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let clip = folder.path().join("in.wav");
    let warned = |words: &str| {
        let ran = render(folder.path(), &[]);
        assert!(ran.stderr.contains(words), "{words}: {}", ran.stderr);
    };
    wav(&clip, 1, sine(0.2).map(|_| 0.0));
    warned("is silent: nothing drives `VIN`");
    wav(&clip, 2, sine(0.2).flat_map(|x| [x, -x]));
    warned("is silent when its channels are averaged");
    wav(&clip, 1, sine(0.2).map(|x| x - 0.1));
    warned("has a DC offset, which moves `VIN` by -200 mV");
    // What has none, and what is too short to tell: the first half of a cycle.
    for seconds in [0.2, 0.001] {
        wav(&clip, 1, sine(seconds));
        let ran = render(folder.path(), &[]);
        assert!(!ran.stderr.contains("warning"), "{}", ran.stderr);
    }
}

/// The same on a page of `listen`.
#[test]
fn a_page_shows_the_probe_s_own_volts_through_any_cabinet() {
    let folder = tempfile::tempdir().expect("a folder");
    let name = |file: &str| named(&folder, file);
    wav(Path::new(&name("in.wav")), 1, sine(0.2));
    wav(Path::new(&name("ir.wav")), 1, [4.0]);
    let netlist = Netlist::new(HALF);
    let ran = Gridleak::command("listen")
        .path(netlist.path())
        .option("--probe", "v(out)")
        .option("--clip", name("in.wav"))
        .option("--input-volts", "2")
        .option("--oversample", "1")
        .option("--cabinet", name("ir.wav"))
        .option("--csv", name("page.csv"))
        .option("--out", name("page.html"))
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let text = std::fs::read_to_string(name("page.csv")).expect("a table");
    let row = text.lines().find(|l| l.contains(",peak,")).expect("a peak");
    let value = row.split(',').nth(3).expect("a value").parse();
    close("peak", value.expect("a number"), 0.25, 2e-3);
    assert!(
        ran.stdout.contains("those of v(out) itself"),
        "{}",
        ran.stdout
    );
}

/// A fixed bug: the heading still gave the position that `--automate` takes the place of.
#[test]
fn the_heading_names_the_knobs_that_are_turned() {
    let folder = tempfile::tempdir().expect("a folder");
    let name = |file: &str| named(&folder, file);
    wav(Path::new(&name("in.wav")), 1, sine(0.2));
    std::fs::write(name("turn.csv"), "0,2\n0.1,8\n").expect("points");
    let netlist = Netlist::new(
        "A pot\nVIN in 0 AC 1\nXVOL in out 0 B10K\nRL out 0 1meg\n.model B10K pot(r=10k)\n",
    );
    let ran = Gridleak::command("render")
        .path(netlist.path())
        .option("--probe", "v(out)")
        .option("--clip", name("in.wav"))
        .option("--oversample", "1")
        .option("--knob", "VOL=3")
        .option("--set", "RL=2meg")
        .option("--automate", format!("XVOL={}", name("turn.csv")))
        .option("--out", name("out.wav"))
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let heading = ran.stdout.lines().next().unwrap_or_default();
    assert_eq!(heading, "A pot (RL=2meg), XVOL turned");
}

/// A fixed bug: what a current source gives was in volts.
#[test]
fn a_current_source_is_driven_by_amperes() {
    let folder = tempfile::tempdir().expect("a folder");
    let name = |file: &str| named(&folder, file);
    wav(Path::new(&name("in.wav")), 1, sine(0.2));
    let netlist = Netlist::new("A current\nIIN 0 out AC 1\nRL out 0 10k\n.end\n");
    let ran = Gridleak::command("render")
        .path(netlist.path())
        .option("--probe", "v(out)")
        .option("--clip", name("in.wav"))
        .option("--oversample", "1")
        .option("--input-volts", "1m")
        .option("--out", name("out.wav"))
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let words = "1.00 mA peak at full scale; its own peak is 250 µA (-12.0 dBFS)";
    assert!(ran.stdout.contains(words), "{}", ran.stdout);
}
