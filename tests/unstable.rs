//! A circuit that oscillates or runs away where it was measured: `check` fails it, whatever its
//! figures are, and the other commands say so. A circuit that stays where it is gets no such word.

mod common;

use common::{Gridleak, Ran};
use std::fs;
use std::path::PathBuf;

/// Three equal RC sections round an amplifier of 1000: it grows from 8 on.
const RING: &str = "Ring\nVIN in 0 AC 1\nRI in n 1k\nRNFB out n 1k\nE1 x1 0 0 n 1000\n\
    RA x1 y1 1k\nCA y1 0 1n\nE2 x2 0 y1 0 1\nRB x2 y2 1k\nCB y2 0 1n\nE3 x3 0 y2 0 1\n\
    RC x3 out 1k\nCC out 0 1n\nRL out 0 1meg\n.end\n";

const EXPECTED: &str = "[[expect]]\nfigure = 'gain of v(out) with frequency 1k'\n\
    value = '-0.0347 dB'\ntolerance = '0.1 dB'\n";

/// An electrolytic the wrong way round at 100 V, and what is grave about it.
const REVERSED: &str =
    "Reversed\nV1 a 0 200\nR1 a b 1k\nR2 b 0 1k\nC1 0 b 22u ; rated=450V electrolytic\n.end\n";

struct Desk(tempfile::TempDir);

impl Desk {
    fn new(files: &[(&str, &str)]) -> Self {
        let desk = Desk(tempfile::tempdir().expect("a folder"));
        for (name, text) in files {
            fs::write(desk.path(name), text).expect("written");
        }
        desk
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn run(&self, command: &str, name: &str, words: &[&str]) -> Ran {
        let run = Gridleak::command(command).path(&self.path(name));
        words.iter().fold(run, |run, word| run.arg(word)).run()
    }
}

/// A hundredth of a second of 1 kHz.
fn write_clip(path: &str) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a WAV");
    for k in 0..480 {
        let turn = std::f32::consts::TAU * 1e3 * k as f32 / 48e3;
        writer.write_sample(turn.sin()).expect("a sample");
    }
    writer.finalize().expect("written");
}

fn sheet(more: &str) -> String {
    format!("netlist = 'ring.cir'\n{more}\n{EXPECTED}")
}

#[test]
fn bug_check_called_an_unstable_circuit_ok() {
    let desk = Desk::new(&[("ring.cir", RING), ("a.sheet.toml", &sheet(""))]);
    let report = desk.path("a.xml");
    let junit = ["--csv", "-", "--junit", report.to_str().expect("UTF-8")];
    let ran = desk.run("check", "a.sheet.toml", &junit);
    assert_eq!(ran.status, 1, "{ran:?}");
    let rows: Vec<&str> = ran.stdout.lines().collect();
    assert!(rows[1].ends_with(",0.1 dB,ok"), "{rows:?}");
    assert!(
        rows[2].ends_with("a.sheet.toml: stability,stable,unstable,,off"),
        "{rows:?}"
    );
    assert_eq!(rows.len(), 3);
    let report = fs::read_to_string(report).expect("a report");
    assert!(report.contains("failures=\"1\""), "{report}");
    assert!(report.contains("it would oscillate near"), "{report}");
    let shown = desk.run("check", "a.sheet.toml", &[]).stdout;
    assert!(
        shown.contains("expected stable, found unstable: it would oscillate near 1.09 MHz"),
        "{shown}"
    );
    assert!(shown.contains("may-be-unstable = true"), "{shown}");
    // Nothing is there to be stored.
    let stored = desk.run("check", "a.sheet.toml", &["--record", "--overwrite"]);
    assert_eq!(stored.status, 1, "{stored:?}");
}

#[test]
fn a_sheet_may_allow_it() {
    let wrong = sheet("may-be-unstable = 'yes'");
    let desk = Desk::new(&[
        ("ring.cir", RING),
        ("a.sheet.toml", &sheet("may-be-unstable = true")),
        ("b.sheet.toml", &sheet("may-be-unstable = false")),
        ("c.sheet.toml", &wrong),
    ]);
    let ran = desk.run("check", "a.sheet.toml", &["--csv", "-"]);
    assert_eq!((ran.status, ran.stdout.lines().count()), (0, 2), "{ran:?}");
    assert!(!ran.stderr.contains("unstable"), "{ran:?}");
    let spread = desk.run("spread", "a.sheet.toml", &["--runs", "2"]);
    assert!(!spread.stderr.contains("unstable"), "{spread:?}");
    assert_eq!(desk.run("check", "b.sheet.toml", &[]).status, 1);
    let ran = desk.run("check", "c.sheet.toml", &[]);
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("true or false"), "{ran:?}");
}

/// Each case by itself: here the loop is open in one of two.
#[test]
fn each_case_is_judged() {
    let varied = sheet("[[vary]]\nnames = ['closed', 'open']\nRNFB = ['1k', '100meg']\n")
        .replace("value = '-0.0347 dB'\ntolerance = '0.1 dB'", "at-least = 0");
    let varied = varied.replace("at-least = 0", "at-least = '-1 dB'");
    let desk = Desk::new(&[("ring.cir", RING), ("a.sheet.toml", &varied)]);
    let ran = desk.run("check", "a.sheet.toml", &["--csv", "-"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert_eq!(ran.stdout.matches("stability,").count(), 1, "{ran:?}");
    assert!(
        ran.stdout.contains("[closed]: stability,stable,unstable"),
        "{ran:?}"
    );
}

/// What `bias` finds grave about a part is named, once a sheet; the figures keep their verdicts.
#[test]
fn check_names_what_bias_finds_grave() {
    let sheet = "netlist = 'r.cir'\n[[vary]]\nR2 = ['1k', '1.1k']\n[[expect]]\nfigure = 'v(b)'\n\
                 at-most = 150\n";
    let desk = Desk::new(&[("r.cir", REVERSED), ("a.sheet.toml", sheet)]);
    let ran = desk.run("check", "a.sheet.toml", &[]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert_eq!(ran.stderr.matches("warning: ").count(), 1, "{ran:?}");
    assert!(
        ran.stderr.contains("a.sheet.toml [R2=1k]: `C1`: "),
        "{ran:?}"
    );
    let ran = desk.run("check", "a.sheet.toml", &["--quiet"]);
    assert_eq!(ran.stderr, "");
}

/// A fixed bug: with silicon switched beside it a valve rectifier was said to see too little winding, for
/// what the silicon passes was taken for winding.
#[test]
fn our_rectifiers_are_sound_in_both_positions() {
    let supply = concat!(env!("CARGO_MANIFEST_DIR"), "/netlists/lapwing/supply.cir");
    for position in ["SOLID=0", "SOLID=1"] {
        let ran = Gridleak::command("bias")
            .arg(supply)
            .arg("--strict")
            .option("--switch", position)
            .run();
        assert_eq!(ran.status, 0, "{position}: {}", ran.stderr);
    }
}

/// Every command that measures where the circuit would not stay, beside the same circuit with its
/// loop open.
#[test]
fn bug_other_commands_were_silent_about_an_unstable_circuit() {
    let open = RING.replace("RNFB out n 1k", "RNFB out n 100meg");
    let desk = Desk::new(&[("ring.cir", RING), ("open.cir", &open)]);
    let out = |name: &str| desk.path(name).to_str().expect("UTF-8").to_string();
    let (picture, sound, page) = (out("a.svg"), out("a.wav"), out("a.html"));
    let clip = out("tone.wav");
    write_clip(&clip);
    for (command, kind, words) in [
        (
            "vary",
            "warning: ",
            &["--vary", "RL=1meg,2meg", "--figure", "v(out)"][..],
        ),
        (
            "spread",
            "warning: ",
            &["--runs", "2", "--figure", "v(out)"],
        ),
        ("parts", "warning: ", &[]),
        ("noise", "warning: ", &["--probe", "v(out)"]),
        ("response", "warning: ", &["--probe", "v(out)"]),
        ("draw", "warning: ", &["--volts", "--out", &picture]),
        (
            "scope",
            "note: ",
            &["--stop", "10u", "--step", "1u", "--probe", "v(out)"],
        ),
        (
            "render",
            "warning: ",
            &[
                "--clip",
                &clip,
                "--input-volts",
                "1m",
                "--probe",
                "v(out)",
                "--out",
                &sound,
            ],
        ),
        (
            "listen",
            "warning: ",
            &[
                "--clip",
                &clip,
                "--input-volts",
                "1m",
                "--probe",
                "v(out)",
                "--vary",
                "RL=1meg,2meg",
                "--out",
                &page,
            ],
        ),
    ] {
        let ran = desk.run(command, "ring.cir", words);
        let told = |l: &str| l.starts_with(kind) && l.contains("unstable: it would oscillate near");
        assert!(ran.stderr.lines().any(told), "{command}: {ran:?}");
        let ran = desk.run(command, "open.cir", words);
        assert!(!ran.stderr.contains("unstable"), "{command}: {ran:?}");
    }
}

/// What is too large to be judged is said to be, and not passed over: the ring that grows, and 400 stores beside it.
#[test]
fn a_circuit_too_large_to_be_judged_is_named() {
    let more: String = (0..400)
        .map(|k| format!("RX{k} in x{k} 1k\nCX{k} x{k} 0 1n\n"))
        .collect();
    let large = RING.replace(".end\n", &format!("{more}.end\n"));
    let words = "not judged for stability: 403 capacitances, inductances";
    let sheet = "netlist = 'r.cir'\n[[expect]]\nfigure = 'v(out)'\nat-most = 1\n";
    let desk = Desk::new(&[("r.cir", &large), ("a.sheet.toml", sheet)]);
    let ran = desk.run("bias", "r.cir", &["--strict"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert!(
        ran.stdout
            .contains("CHECK: the circuit is not judged for stability"),
        "{ran:?}"
    );
    assert!(ran.stdout.contains(words), "{ran:?}");
    let ran = desk.run("check", "a.sheet.toml", &[]);
    assert!(ran.status == 0 && ran.stderr.contains(words), "{ran:?}");
    let desk = Desk::new(&[("r.cir", RING)]);
    let ran = desk.run("bias", "r.cir", &["--strict"]);
    assert!(
        ran.status == 1 && !ran.stdout.contains("not judged for"),
        "{ran:?}"
    );
}
