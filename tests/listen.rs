//! What `gridleak listen` promises: its page, its figures, and what it does with bad input.

mod common;

use common::{Gridleak, Netlist, Ran, Table, close};
use gridleak::report::wav::{Format, WavWriter};
use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};

/// A divider with a pot: half of the source and less.
const POT: &str = "Pot <script>alert(1)</script>\nV1 in 0 AC 1\nR1 in top 1k\nXVOL top out 0 P knob=5\n\
     .model P pot(r=1k taper=linear)\nC1 in 0 1n\n.print tran v(out)\n";

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        Bench {
            folder: tempfile::tempdir().expect("a folder"),
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).expect("it was written")
    }

    /// A sine as a WAV file.
    fn sine(&self, name: &str, rate_hz: u32, seconds: f64, peak: f64) -> PathBuf {
        let path = self.path(name);
        let count = (seconds * f64::from(rate_hz)) as usize;
        let samples: Vec<f64> = (0..count)
            .map(|n| peak * (TAU * 440.0 * n as f64 / f64::from(rate_hz)).sin())
            .collect();
        let file = fs::File::create(&path).expect("a file");
        let mut writer = WavWriter::new(file, rate_hz, Format::Int16).expect("a header");
        writer.write(&samples).expect("written");
        writer.finish().expect("finished");
        path
    }

    /// `listen` with the page at `page.html`.
    fn listen(&self, first: &Path) -> Gridleak {
        Gridleak::command("listen")
            .path(first)
            .option("--out", self.path("page.html").to_str().unwrap())
    }

    /// Asserts that a run is refused with these words and leaves no page.
    #[track_caller]
    fn refused(&self, run: Gridleak, words: &[&str]) -> Ran {
        let ran = run.run();
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        for word in words {
            assert!(ran.stderr.contains(word), "{word}: {}", ran.stderr);
        }
        assert!(!self.path("page.html").exists());
        ran
    }
}

fn value(table: &Table, letter: &str, quantity: &str) -> f64 {
    let row = table
        .rows
        .iter()
        .find(|r| r[0] == letter && r[2] == quantity);
    row.unwrap_or_else(|| panic!("{letter} {quantity}"))[3]
        .parse()
        .expect("a number")
}

#[test]
fn versions_of_a_circuit_are_rendered_and_matched() {
    let bench = Bench::new();
    let netlist = Netlist::new(POT);
    let clip = bench.sine("clip.wav", 48_000, 1.0, 0.5);
    let run = bench
        .listen(netlist.path())
        .option("--clip", clip.to_str().unwrap())
        .option("--vary", "VOL=10,5,2.5")
        .option("--input-volts", "1")
        .option("--oversample", "1")
        .option("--figure", "gain of v(out) with frequency 1k")
        .option("--csv", bench.path("page.csv").to_str().unwrap())
        .option("--json", bench.path("page.json").to_str().unwrap());
    let ran = run.run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    // The pot's 1 k behind 1 k: half at the top, a quarter and an eighth below (loaded by
    // nothing), to the ohm that stays at its ends.
    let table = Table::read(&bench.path("page.csv")).unwrap();
    for (letter, part) in [("A", 0.5), ("B", 0.25), ("C", 0.125)] {
        close("peak", value(&table, letter, "peak"), 0.5 * part, 1e-3);
        close(
            "gain",
            value(&table, letter, "gain of v(out) with frequency 1k"),
            20.0 * f64::log10(part),
            0.02,
        );
        close("loudness", value(&table, letter, "loudness"), -16.0, 0.01);
    }
    close("louder", value(&table, "B", "louder"), -6.02, 0.02);
    let record: serde_json::Value = serde_json::from_str(&bench.text("page.json")).unwrap();
    assert_eq!(record["sounds"][2]["settings"]["VOL"], "2.5");
    assert_eq!(record["third_octaves_hz"].as_array().unwrap().len(), 30);

    let page = bench.text("page.html");
    assert_eq!(page.matches("<audio ").count(), 3);
    // FLAC where that is smaller.
    let kinds = ["wav", "flac"].map(|kind| {
        let source = format!("src=\"data:audio/{kind};base64,");
        page.matches(&source).count()
    });
    assert_eq!(kinds, [0, 3]);
    for part in [
        "VOL=10",
        "VOL=2.5",
        "-16.0 LUFS",
        "Blind test",
        "<h1>",
        "<main>",
        "lang=\"en\"",
        "Content-Security-Policy",
    ] {
        assert!(page.contains(part), "{part}");
    }
    // The title is text, and there is one script: the page's own.
    assert!(page.contains("Pot &lt;script&gt;alert(1)&lt;/script&gt;"));
    assert_eq!(page.matches("<script").count(), 1);
    for address in ["http://", "https://", "//cdn", "<link rel=\"stylesheet"] {
        assert!(
            !page
                .replace("http://www.w3.org/2000/svg", "")
                .contains(address),
            "{address}"
        );
    }
    let sounds: usize = page
        .split("base64,")
        .skip(1)
        .map(|part| part.find('"').expect("it ends"))
        .sum();
    assert!(
        page.len() - sounds < 60_000 + 3 * 30_000,
        "{}",
        page.len() - sounds
    );

    let again = run.run();
    assert_eq!(again.status, 0);
    assert!(
        page == bench.text("page.html"),
        "the same input gives the same bytes"
    );
}

#[test]
fn sounds_of_different_rates_and_lengths_are_brought_together() {
    let bench = Bench::new();
    let a = bench.sine("a.wav", 44_100, 1.5, 0.9);
    let b = bench.sine("b<b>.wav", 48_000, 1.0, 0.1);
    let ran = bench.listen(&a).path(&b).run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    for words in [
        "Sample rates differ: A brought to 48000 Hz",
        "Lengths differ: A cut to that of the shortest, 1.00 s",
        "-16.0 LUFS",
    ] {
        assert!(ran.stdout.contains(words), "{words}: {}", ran.stdout);
        assert!(bench.text("page.html").contains(words), "{words}");
    }
    let page = bench.text("page.html");
    assert!(page.contains("data-rate=\"48000\" data-length=\"48000\""));
    assert!(page.contains("b&lt;b&gt;.wav") && !page.contains("b<b>.wav"));

    // One sound has nothing to be told apart from; silence has no loudness.
    let silent = bench.sine("silent.wav", 48_000, 1.0, 0.0);
    let ran = bench.listen(&silent).run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(ran.stdout.contains("Silent: A."), "{}", ran.stdout);
    assert!(!bench.text("page.html").contains("data-is=\"start-test\""));
}

#[test]
fn a_recording_can_stand_beside_a_circuit() {
    let bench = Bench::new();
    let netlist = Netlist::new(POT);
    let clip = bench.sine("clip.wav", 48_000, 0.6, 0.5);
    let ran = bench
        .listen(netlist.path())
        .path(&clip)
        .option("--clip", clip.to_str().unwrap())
        .option("--oversample", "1")
        .option("--knob", "VOL=7")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let page = bench.text("page.html");
    for part in ["as drawn", "clip.wav", "Set in every version: VOL=7."] {
        assert!(page.contains(part), "{part}");
    }
}

#[test]
fn bad_input_is_refused_before_the_work() {
    let bench = Bench::new();
    let netlist = Netlist::new(POT);
    let sound = bench.sine("a.wav", 48_000, 1.5, 0.5);
    let many: Vec<String> = (0..13).map(|k| format!("{}", 0.5 * f64::from(k))).collect();
    let many = format!("VOL={}", many.join(","));
    bench.refused(
        bench.listen(netlist.path()).option("--vary", many),
        &[
            "13 sounds are to be compared, at most 12 go on one page",
            "--limit sounds=",
        ],
    );
    bench.refused(
        bench.listen(&sound).option("--limit", "page-seconds=1"),
        &[
            "the sounds last 2 s in all, at most 1 s",
            "--limit page-seconds=",
        ],
    );
    bench.refused(
        bench.listen(&sound).option("--vary", "VOL=1,2"),
        &["`--vary` needs a circuit", "name the netlist first"],
    );
    bench.refused(
        bench.listen(&sound).path(netlist.path()),
        &["netlist.cir", "not a WAV file"],
    );
    bench.refused(bench.listen(&bench.path("none.wav")), &["none.wav"]);
    bench.refused(
        bench.listen(netlist.path()).option("--vary", "VOL"),
        &["has no `=`"],
    );
    bench.refused(
        bench.listen(netlist.path()).option("--vary", "TONE=1,2"),
        &["TONE"],
    );
    bench.refused(
        bench
            .listen(netlist.path())
            .option("--figure", "loudnes of v(out)"),
        &["loudnes"],
    );
    let nowhere = bench.path("none/page.html");
    bench.refused(
        Gridleak::command("listen")
            .path(&sound)
            .option("--out", nowhere.to_str().unwrap()),
        &["there is no directory"],
    );
    // The page may not take the place of a sound.
    let ran = Gridleak::command("listen")
        .path(&sound)
        .option("--out", sound.to_str().unwrap())
        .run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(fs::read(&sound).unwrap().starts_with(b"RIFF"));
}

/// The page goes to standard output, and nothing else does.
#[test]
fn standard_output_takes_the_page() {
    let bench = Bench::new();
    let sound = bench.sine("a.wav", 48_000, 0.5, 0.5);
    let ran = Gridleak::command("listen")
        .path(&sound)
        .option("--out", "-")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(ran.stdout.starts_with("<!doctype html>") && ran.stdout.ends_with("</html>\n"));
}

#[cfg(unix)]
#[test]
fn ctrl_c_leaves_nothing() {
    use std::process::{Command, Stdio};
    use std::time::{Duration, Instant};

    let bench = Bench::new();
    let page = bench.path("page.html");
    let mut process = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args([
            "listen",
            "netlists/lapwing/preamp.cir",
            "--vary",
            "GAIN=2,5,9",
        ])
        .args(["--oversample", "16", "--out", page.to_str().unwrap()])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    let begun = Instant::now();
    while !common::is_at_work(process.id(), bench.folder.path()) {
        assert!(begun.elapsed() < Duration::from_secs(60), "never at work");
        std::thread::sleep(Duration::from_millis(10));
    }
    let asked = Command::new("kill")
        .args(["-INT", &process.id().to_string()])
        .status();
    assert!(asked.expect("kill is there").success());
    let status = process.wait().expect("it ends");
    assert_eq!(status.code(), Some(130));
    assert_eq!(fs::read_dir(bench.folder.path()).unwrap().count(), 0);
}

/// Two netlists, each at two settings: R1 of 3 k instead of 1 k before the pot's 1 k halves what
/// comes out, by hand 6.02 dB; the same clip goes into both.
#[test]
fn netlists_play_the_same_clip_side_by_side() {
    let bench = Bench::new();
    let clip = bench.sine("clip.wav", 48_000, 0.5, 0.5);
    let (before, after) = (bench.path("before.cir"), bench.path("after.cir"));
    fs::write(&before, POT).unwrap();
    fs::write(&after, POT.replace("R1 in top 1k", "R1 in top 3k")).unwrap();
    let run = bench
        .listen(&before)
        .path(&after)
        .path(&clip)
        .option("--clip", clip.to_str().unwrap())
        .option("--vary", "VOL=10,5")
        .option("--input-volts", "1")
        .option("--oversample", "1")
        .option("--figure", "gain of v(out) with frequency 1k")
        .option("--csv", bench.path("page.csv").to_str().unwrap());
    let ran = run.run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let table = Table::read(&bench.path("page.csv")).unwrap();
    let names: Vec<&str> = (table.rows.iter())
        .filter(|r| r[2] == "peak")
        .map(|r| r[1].as_str())
        .collect();
    let expected = [
        "before.cir, VOL=10",
        "before.cir, VOL=5",
        "after.cir, VOL=10",
        "after.cir, VOL=5",
        "clip.wav",
    ];
    assert_eq!(names, expected);
    for (letter, part) in [("A", 0.5), ("B", 0.25), ("C", 0.25), ("D", 0.125)] {
        close("peak", value(&table, letter, "peak"), 0.5 * part, 1.5e-3);
        let gain = value(&table, letter, "gain of v(out) with frequency 1k");
        close("gain", gain, 20.0 * f64::log10(part), 0.03);
    }
    close("louder", value(&table, "D", "louder"), -12.04, 0.05);
    let page = bench.text("page.html");
    assert_eq!(page.matches("<audio ").count(), 5);
    // Sounds come last; a circuit that lacks what is varied is refused by its own name.
    fs::remove_file(bench.path("page.html")).unwrap();
    let other = bench.path("other.cir");
    fs::write(&other, POT.replace("XVOL", "XLEVEL")).unwrap();
    let run = bench.listen(&before).path(&other);
    let run = run.option("--clip", clip.to_str().unwrap());
    bench.refused(run.option("--vary", "VOL=10,5"), &["VOL"]);
}
