//! The contract of `check`: exit codes, columns, recording, shards, the same bytes every time;
//! and of `vary` and `bias --seek`, which measure by the same figures.

mod common;

use common::{Gridleak, Ran};
use std::fs;
use std::path::{Path, PathBuf};

/// 10 V over two equal resistors, and a knob.
const DIVIDER: &str = "A divider\nV1 top 0 DC 10 AC 1 SIN(10 1 1k)\nR1 top mid 1k\nR2 mid 0 1k\n\
    XVOL mid out 0 P knob=5\n.model P pot(r=1meg)\n.end\n";
/// No current can satisfy it: exp of what it drives itself.
const HOPELESS: &str = "No solution\nV1 a 0 1\nR1 a b 1k\nB1 b 0 I=-exp(v(b))-1\n.end\n";

/// A folder of its own with files in it.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new(files: &[(&str, &str)]) -> Self {
        let folder = Folder(tempfile::tempdir().expect("a folder"));
        for (name, text) in files {
            fs::write(folder.path(name), text).expect("written");
        }
        folder
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn check(&self, name: &str, options: &[&str]) -> Ran {
        let run = Gridleak::command("check").path(&self.path(name));
        options.iter().fold(run, |run, o| run.arg(o)).run()
    }

    fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).expect("a file")
    }
}

/// One sheet beside the divider.
fn divider(sheet: &str) -> Folder {
    let sheet = format!("netlist = 'd.cir'\n{sheet}");
    Folder::new(&[("d.cir", DIVIDER), ("a.sheet.toml", &sheet)])
}

fn expectation(figure: &str, rest: &str) -> String {
    format!("[[expect]]\nfigure = '{figure}'\n{rest}\n")
}

#[test]
fn verdicts_and_exit_codes_are_those_of_the_contract() {
    // Half of 10 V to the megohm's load: 10 k over 2 k and 1 meg is 4.99750 V.
    let mid = 10.0 * (1e3 * 1e6 / 1.001e6) / (1e3 + 1e3 * 1e6 / 1.001e6);
    let good = divider(&expectation(
        "v(mid)",
        "value = '4.9975 V'\ntolerance = '0.01 %'",
    ));
    let ran = good.check("", &["--csv", "-"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let mut lines = ran.stdout.lines();
    assert_eq!(
        lines.next(),
        Some("subject,expected,found,tolerance,verdict")
    );
    let cells: Vec<&str> = lines.next().expect("a row").split(',').collect();
    assert!(cells[0].ends_with("a.sheet.toml: v(mid)"), "{cells:?}");
    assert_eq!((cells[1], cells[3], cells[4]), ("4.9975", "0.01 %", "ok"));
    let found: f64 = cells[2].parse().expect("a number");
    assert!((found - mid).abs() < 1e-9, "{found} {mid}");

    let off = divider(&expectation("v(mid)", "value = 4\ntolerance = '0.1 V'"));
    let ran = off.check("", &[]);
    assert_eq!(ran.status, 1);
    assert!(
        ran.stdout.contains("998 mV too high, 9.98 times"),
        "{}",
        ran.stdout
    );

    let bad = divider(&expectation("v(nowhere)", "value = 4\ntolerance = 1"));
    let ran = bad.check("", &[]);
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("no node `nowhere`"), "{}", ran.stderr);
    assert!(ran.stderr.contains("a.sheet.toml:3:13"), "{}", ran.stderr);

    let sheet = "netlist = 'h.cir'\n".to_string() + &expectation("v(b)", "at-most = 1");
    let none = Folder::new(&[("h.cir", HOPELESS), ("h.sheet.toml", &sheet)]);
    let ran = none.check("", &[]);
    assert_eq!(ran.status, 3, "{}{}", ran.stdout, ran.stderr);
    assert!(ran.stdout.contains("no solution"), "{}", ran.stdout);
}

#[test]
fn a_broken_sheet_hides_no_other_verdict() {
    let good =
        "netlist = 'd.cir'\n".to_string() + &expectation("v(top)", "value = 10\ntolerance = 1");
    let folder = Folder::new(&[
        ("d.cir", DIVIDER),
        (
            "a.sheet.toml",
            "netlist = 'gone.cir'\n[[expect]]\nfigure = 'v(a)'\nat-most = 1\n",
        ),
        (
            "b.sheet.toml",
            "netlist = 'd.cir'\n[[expect]]\nfigur = 'v(a)'\n",
        ),
        ("c.sheet.toml", &good),
    ]);
    let ran = folder.check("", &["--csv", "-"]);
    assert_eq!(ran.status, 2);
    assert!(
        ran.stdout.contains("c.sheet.toml: v(top),10,10,1 V,ok"),
        "{}",
        ran.stdout
    );
    assert_eq!(ran.stdout.matches(",bad").count(), 2);
    assert!(
        ran.stderr
            .contains("cannot read the netlist `gone.cir`: no such file")
    );
    assert!(ran.stderr.contains("did you mean `figure`?"));
}

#[test]
fn percent_is_of_the_rating_and_only_where_there_is_one() {
    let folder = divider(&expectation("dissipation of R1", "at-most = '70 %'"));
    let ran = folder.check("", &[]);
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("no rating"), "{}", ran.stderr);
    let sheet = "netlist = 'v.cir'\n".to_string()
        + &expectation("plate dissipation of XV1", "at-most = '100 %'")
        + &expectation("plate dissipation of XV1", "at-least = '100 %'");
    let valve = "Stage\nVB b 0 250\nRA b p 100k\nRK k 0 1.5k\nVG g 0 0\nXV1 p g k 12AX7\n.end\n";
    let folder = Folder::new(&[("v.cir", valve), ("v.sheet.toml", &sheet)]);
    let ran = folder.check("", &["--csv", "-"]);
    // A 12AX7's plate may dissipate 1 W (data sheets: RCA 1.0 W a unit, from memory).
    let expected: Vec<&str> = ran
        .stdout
        .lines()
        .skip(1)
        .map(|l| l.split(',').nth(1).unwrap_or(""))
        .collect();
    assert_eq!(expected, ["..1", "1.."]);
    assert_eq!(ran.status, 1);
}

#[test]
fn recording_stores_what_is_missing_and_asks_before_it_overwrites() {
    let body = expectation("v(mid)", "tolerance = '1 %' # kept")
        + &expectation("v(top)", "value = '9 V'\ntolerance = 0.1")
        + &expectation(
            "waveform of v(top) with stop 1m, step 0.1m",
            "file = 'w.csv'\ntolerance = '1 mV'",
        )
        + &expectation(
            "render of v(mid) with seconds 0.01, oversample 1",
            "file = 'r.wav'\ntolerance = '-80 dB'",
        );
    let folder = divider(&body);
    assert_eq!(folder.check("", &[]).status, 1);
    let before = folder.read("a.sheet.toml");
    let ran = folder.check("", &["--record"]);
    assert_eq!(ran.status, 1, "9 V stays off: {}", ran.stdout);
    assert!(
        ran.stdout.contains("--overwrite would store 10 V"),
        "{}",
        ran.stdout
    );
    let stored = before.replace(
        "figure = 'v(mid)'\n",
        "figure = 'v(mid)'\nvalue = \"5 V\"\n",
    );
    assert_eq!(
        folder.read("a.sheet.toml"),
        stored.replace("\"5 V\"", "\"4.998 V\"")
    );
    let wave = folder.read("w.csv");
    assert!(wave.starts_with("time_s,v(top)\n0,10\n"), "{wave}");
    let ran = folder.check("", &["--record", "--overwrite"]);
    assert_eq!(ran.status, 0, "{}", ran.stdout);
    assert!(
        ran.stdout.contains("stored 10 V in place of 9"),
        "{}",
        ran.stdout
    );
    let settled = folder.read("a.sheet.toml");
    assert_eq!(folder.check("", &["--record", "--overwrite"]).status, 0);
    assert_eq!(
        folder.read("a.sheet.toml"),
        settled,
        "nothing left to store"
    );
    // A wave that moved is drawn, expected and found.
    fs::write(folder.path("w.csv"), wave.replace(",10\n", ",11\n")).expect("written");
    let plots = folder.path("plots");
    let ran = folder.check("", &["--plot-failures", plots.to_str().expect("UTF-8")]);
    assert_eq!(ran.status, 1);
    let pictures: Vec<_> = fs::read_dir(plots).expect("made").collect();
    assert_eq!(pictures.len(), 1);
}

#[test]
fn a_sound_of_another_rate_is_told_at_its_place() {
    let body = expectation(
        "render of v(mid) with seconds 0.01, oversample 1",
        "file = 'r.wav'\ntolerance = '-80 dB'",
    );
    let folder = divider(&body);
    // 16 bits at 44.1 kHz: 441 silent samples, as the published format has them.
    let mut wav = b"RIFF".to_vec();
    wav.extend((36u32 + 882).to_le_bytes());
    wav.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    wav.extend(44_100u32.to_le_bytes());
    wav.extend(88_200u32.to_le_bytes());
    wav.extend(b"\x02\0\x10\0data");
    wav.extend(882u32.to_le_bytes());
    wav.extend([0; 882]);
    fs::write(folder.path("r.wav"), wav).expect("written");
    let ran = folder.check("", &[]);
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr
            .contains("a sound at 44100 Hz, expected 48000 Hz"),
        "{}",
        ran.stderr
    );
    assert!(ran.stderr.contains("a.sheet.toml:4:9"), "{}", ran.stderr);
}

#[test]
fn shards_merge_and_threads_change_nothing() {
    let body = "[[vary]]\nVOL = [0, 2, 5, 10]\n[[vary]]\nR1 = ['1k', '2k']\n".to_string()
        + &expectation("v(out)", "at-least = 0")
        + &expectation(
            "render of v(out) with seconds 0.02, oversample 2",
            "file = 'x.wav'\ntolerance = '-60 dB'",
        );
    let folder = divider(&body);
    for output in ["--csv", "--json"] {
        let whole = folder.check("", &[output, "-", "--threads", "1"]).stdout;
        assert_eq!(whole.lines().count(), 16 + usize::from(output == "--csv"));
        for threads in ["2", "7"] {
            let again = folder
                .check("", &[output, "-", "--threads", threads])
                .stdout;
            assert_eq!(again, whole);
        }
        let shards: String = ["1/3", "2/3", "3/3"]
            .iter()
            .map(|s| folder.check("", &[output, "-", "--shard", s]).stdout)
            .collect();
        assert_eq!(shards, whole);
    }
    let only = folder
        .check("", &["--csv", "-", "--only", "R1=2k]: v(out)"])
        .stdout;
    assert_eq!(only.lines().count(), 5, "{only}");
    assert_eq!(folder.check("", &["--shard", "4/3"]).status, 2);
    assert_eq!(folder.check("", &["--only", "R7"]).status, 2);
}

#[test]
fn junit_counts_failures_and_errors() {
    let body = expectation("v(top)", "value = 10\ntolerance = 1")
        + &expectation("v(mid)", "value = '4 V'\ntolerance = '1 %'")
        + &expectation("v(<&>)", "at-most = 1");
    let folder = divider(&body);
    let out = folder.path("out.xml");
    let ran = folder.check("", &["--junit", out.to_str().expect("UTF-8")]);
    assert_eq!(ran.status, 2);
    let xml = folder.read("out.xml");
    assert!(
        xml.contains("tests=\"3\" failures=\"1\" errors=\"1\""),
        "{xml}"
    );
    assert!(xml.contains("name=\"v(&lt;&amp;&gt;)\""), "{xml}");
    assert_eq!(xml.matches("<testcase").count(), 3);
}

/// Where nothing could be judged the results of the last run stay; the report of this one is made.
#[test]
fn bug_a_bad_sheet_took_the_place_of_stored_results() {
    let folder = Folder::new(&[
        ("d.cir", DIVIDER),
        ("h.cir", HOPELESS),
        ("bad.sheet.toml", "netlist = 'd.cir'\n[[expect]\n"),
        (
            "none.sheet.toml",
            &("netlist = 'h.cir'\n".to_string() + &expectation("v(b)", "at-most = 1")),
        ),
        (
            "good.sheet.toml",
            &("netlist = 'd.cir'\n".to_string() + &expectation("v(top)", "at-most = 11")),
        ),
        ("out.csv", "as it was\n"),
    ]);
    let path = |name: &str| folder.path(name).to_str().expect("UTF-8").to_string();
    let (csv, json, xml) = (path("out.csv"), path("out.json"), path("out.xml"));
    let outputs = ["--csv", &csv, "--json", &json, "--junit", &xml];
    for (name, code) in [("bad.sheet.toml", 2), ("none.sheet.toml", 3)] {
        let ran = folder.check(name, &outputs);
        assert_eq!(ran.status, code, "{ran:?}");
        assert_eq!(folder.read("out.csv"), "as it was\n");
        assert!(!folder.path("out.json").exists());
        let report = folder.read("out.xml");
        assert!(report.contains("errors=\"1\""), "{report}");
        fs::remove_file(&xml).expect("it was there");
    }
    // Standard output is no file.
    let shown = folder.check("bad.sheet.toml", &["--csv", "-"]).stdout;
    assert!(shown.ends_with(",bad\n"), "{shown}");
    let ran = folder.check("", &outputs);
    assert_eq!(ran.status, 2, "{ran:?}");
    let rows = folder.read("out.csv");
    for verdict in [",bad\n", ",no solution\n", ",ok\n"] {
        assert_eq!(rows.matches(verdict).count(), 1, "{rows}");
    }
    assert_eq!(folder.read("out.json").lines().count(), 3);
}

#[test]
fn our_own_circuits_pass_and_the_stored_schema_is_ours() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let ran = Gridleak::command("check")
        .path(&root.join("netlists"))
        .run();
    assert_eq!(ran.status, 0, "{}{}", ran.stdout, ran.stderr);
    let lapwing = fs::read_dir(root.join("netlists/lapwing")).expect("the folder");
    let expectations: usize = lapwing
        .map(|e| e.expect("an entry").path())
        .filter(|p| p.to_string_lossy().ends_with(".sheet.toml"))
        .map(|p| {
            fs::read_to_string(p)
                .expect("a sheet")
                .matches("[[expect]]")
                .count()
        })
        .sum();
    assert!(expectations >= 60, "{expectations}");
    let schema = Gridleak::command("check").arg("--schema").run();
    let stored = fs::read_to_string(root.join("scripts/sheet.schema.json")).expect("stored");
    assert_eq!(
        schema.stdout, stored,
        "gridleak check --schema > scripts/sheet.schema.json"
    );
    let explained = Gridleak::command("check").arg("--explain").run().stdout;
    for quantity in gridleak::figure::registry::QUANTITIES {
        assert!(explained.contains(quantity.example), "{}", quantity.name);
    }
}

#[test]
fn vary_gives_a_row_a_combination_and_figure() {
    let folder = divider("");
    let ran = Gridleak::command("vary")
        .path(&folder.path("d.cir"))
        .option("--vary", "VOL=0,10")
        .option("--vary", "R1=1k,3k")
        .option("--figure", "v(out)")
        .option("--csv", "-")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let rows: Vec<Vec<&str>> = ran.stdout.lines().map(|l| l.split(',').collect()).collect();
    assert_eq!(rows[0], ["VOL", "R1", "figure", "value", "unit"]);
    let places: Vec<_> = rows[1..].iter().map(|r| (r[0], r[1])).collect();
    assert_eq!(
        places,
        [("0", "1000"), ("0", "3000"), ("10", "1000"), ("10", "3000")]
    );
    // With the knob up the wiper stands on the top: 1 k beside 1 meg under R1.
    let load = 1e3 * 1e6 / 1.001e6;
    for (row, r1) in [(3, 1e3), (4, 3e3)] {
        let value: f64 = rows[row][3].parse().expect("a number");
        assert!(
            (value / (10.0 * load / (r1 + load)) - 1.0).abs() < 1e-5,
            "{value}"
        );
    }
}

/// `VOL` and `XVOL` are one pot: the table had two columns for it, of which one was true.
#[test]
fn vary_does_not_step_one_thing_twice() {
    let folder = divider("");
    for (one, other) in [("VOL=0,10", "XVOL=5"), ("XVOL.knob=1", "vol=2,3")] {
        let ran = Gridleak::command("vary")
            .path(&folder.path("d.cir"))
            .option("--vary", one)
            .option("--vary", other)
            .option("--figure", "v(out)")
            .run();
        assert_eq!(ran.status, 2, "{}", ran.stdout);
        assert!(ran.stderr.contains("are one thing"), "{}", ran.stderr);
    }
}

/// A knob that was sought stands in the chart as a hand can set it: 5, not 5.000000023.
#[test]
fn a_sought_knob_has_few_digits() {
    let folder = divider("");
    let ran = Gridleak::command("bias")
        .path(&folder.path("d.cir"))
        .option("--seek", "v(out) = 3 V")
        .option("--by", "VOL")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let controls = ran.stdout.lines().find(|l| l.starts_with("controls:"));
    let (_, at) = controls
        .and_then(|l| l.split_once("XVOL="))
        .expect("a knob");
    let at = at.split(' ').next().unwrap_or("");
    assert!(at.len() <= 5 && at.parse::<f64>().is_ok(), "{at}");
}

#[test]
fn seek_finds_the_resistor_and_says_when_there_is_none() {
    let folder = divider("");
    let seek = |target: &str, by: &str| {
        Gridleak::command("bias")
            .path(&folder.path("d.cir"))
            .option("--seek", target)
            .option("--by", by)
            .option("--csv", "-")
            .run()
    };
    let ran = seek("v(mid) = 2.5 V", "R1");
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    // A quarter of 10 V: three times what is below it.
    let exact = 3.0 * (1e3 * 1e6 / 1.001e6);
    let row = ran
        .stdout
        .lines()
        .find(|l| l.contains("sought value"))
        .expect("a row");
    let value: f64 = row
        .split(',')
        .nth(2)
        .expect("a cell")
        .parse()
        .expect("a number");
    assert!((value / exact - 1.0).abs() < 1e-8, "{row}");
    let ran = seek("v(mid) = 11 V", "R1");
    assert_eq!(ran.status, 3);
    assert!(ran.stderr.contains("does not reach 11"), "{}", ran.stderr);
    assert_eq!(seek("v(mid) = 3 A", "R1").status, 2);
    assert_eq!(seek("v(mid) = 3", "R7").status, 2);
}
