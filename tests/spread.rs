//! `spread`: what tolerances do, against closed forms and by its own promises.

use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

const GRIDLEAK: &str = env!("CARGO_BIN_EXE_gridleak");

fn run(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(GRIDLEAK);
    let command = command.current_dir(folder).args(arguments);
    command.output().expect("the tool runs")
}

fn done(folder: &Path, arguments: &[&str]) -> String {
    let output = run(folder, arguments);
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    assert!(output.status.success(), "{arguments:?}\n{told}");
    String::from_utf8(output.stdout).expect("text")
}

fn refused(folder: &Path, arguments: &[&str], code: i32) -> String {
    let output = run(folder, arguments);
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}\n{told}");
    told
}

fn record(folder: &Path, arguments: &[&str]) -> Value {
    let all = [&["spread"], arguments, &["--json", "-"]].concat();
    serde_json::from_str(&done(folder, &all)).expect("JSON")
}

/// Values of a column.
fn column(csv: &str, k: usize) -> Vec<f64> {
    let rows = csv.lines().skip(1);
    rows.map(|r| {
        r.split(',')
            .nth(k)
            .expect("a cell")
            .parse()
            .expect("a number")
    })
    .collect()
}

fn folder_with(files: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        fs::write(folder.path().join(name), text).expect("written");
    }
    folder
}

const DIVIDER: &str = "divider
V1 in 0 10
R1 in out 3k ; tol=10%
R2 out 0 2k ; tol=-10..+20%
.end
";

/// v = 10 R2/(R1 + R2) with both uniform: moments by a grid of 400 by 400 midpoints.
#[test]
fn a_divider_has_its_mean_and_deviation() {
    let folder = folder_with(&[("d.cir", DIVIDER)]);
    let csv = done(
        folder.path(),
        &[
            "spread", "d.cir", "--runs", "20000", "--figure", "v(out)", "--csv", "-",
        ],
    );
    let values = column(&csv, 1);
    assert_eq!(values.len(), 20_000);
    let (mut first, mut second) = (0.0, 0.0);
    for i in 0..400 {
        for j in 0..400 {
            let r1 = 3000.0 * (0.9 + 0.2 * (f64::from(i) + 0.5) / 400.0);
            let r2 = 2000.0 * (0.9 + 0.3 * (f64::from(j) + 0.5) / 400.0);
            let v = 10.0 * r2 / (r1 + r2);
            first += v / 160_000.0;
            second += v * v / 160_000.0;
        }
    }
    let deviation = (second - first * first).sqrt();
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let found = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    assert!(
        (mean - first).abs() < 3.0 * deviation / n.sqrt(),
        "{mean} {first}"
    );
    // The deviation of a deviation is less than that of a normal number's, sigma/sqrt(2n).
    assert!((found / deviation - 1.0).abs() < 3.0 / (2.0 * n).sqrt());
    // And the ends are those of the ranges.
    assert!(
        values
            .iter()
            .all(|v| (10.0 * 1.8 / 5.1..=10.0 * 2.4 / 5.1).contains(v))
    );
}

/// f = 1/(2 pi R C), R within 10 %, C within 20 %, both uniform: E[1/x] = atanh(t)/t and E[1/x^2] =
/// 1/(1 - t^2) about one. The shares of a product of independent factors follow from these.
#[test]
fn an_rc_corner_has_its_mean_and_its_shares() {
    let text = "rc\nV1 in 0 0 AC 1\nR1 in out 10k\nC1 out 0 10n\n.end\n";
    let folder = folder_with(&[("rc.cir", text)]);
    let figure = "high corner of v(out)";
    let arguments = [
        "rc.cir", "--tol", "R1=10%", "--runs", "2000", "--shares", "1500",
    ];
    let found = record(
        folder.path(),
        &[&arguments[..], &["--figure", figure]].concat(),
    );
    let found = &found["figures"][0];
    let moments = |t: f64| (t.atanh() / t, 1.0 / (1.0 - t * t));
    let ((r, r2), (c, c2)) = (moments(0.1), moments(0.2));
    let nominal = 1.0 / (std::f64::consts::TAU * 1e4 * 1e-8);
    let variance = r2 * c2 - (r * c).powi(2);
    let mean = found["mean"].as_f64().expect("a mean");
    let deviation = variance.sqrt() * nominal;
    assert!((mean - r * c * nominal).abs() < 3.0 * deviation / 2000f64.sqrt());
    let own = [
        (c * c) * (r2 - r * r) / variance,
        (r * r) * (c2 - c * c) / variance,
    ];
    let total = [c2 * (r2 - r * r) / variance, r2 * (c2 - c * c) / variance];
    for (k, part) in ["R1", "C1"].iter().enumerate() {
        let share = &found["shares"]["parts"][k];
        assert_eq!(share["part"], *part);
        for (name, expected) in [("own", own[k]), ("total", total[k])] {
            let value = share[name].as_f64().expect("a share");
            let error = share[format!("{name}_error")].as_f64().expect("an error");
            assert!(
                (value - expected).abs() < 3.0 * error,
                "{part} {name} {value} {expected}"
            );
            assert!(error < 0.06, "{part} {name} {error}");
        }
    }
}

const STAGE: &str = "stage
VB b 0 300
VIN in 0 0 AC 1
CIN in grid 22n
RG grid 0 1meg
RA b plate 100k
RK cathode 0 1.5k ; tol=1%
CK cathode 0 22u
DX 0 cathode DLEAK
.model DLEAK d(is=1n n=1.8)
XV1A plate grid cathode 12AX7
.end
";

const ASKED: [&str; 9] = [
    "spread",
    "s.cir",
    "--seed",
    "7",
    "--figure",
    "v(plate)",
    "--figure",
    "gain of v(plate) with frequency 1k",
    "--quiet",
];

fn asked(folder: &Path, more: &[&str]) -> String {
    done(folder, &[&ASKED[..], &["--runs", "90"], more].concat())
}

#[test]
fn shards_threads_and_resumed_runs_give_the_same_bytes() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let here = folder.path();
    let whole = asked(here, &["--csv", "-", "--threads", "1"]);
    assert_eq!(whole.lines().count(), 91);
    assert_eq!(whole, asked(here, &["--csv", "-", "--threads", "3"]));
    let mut joined = String::new();
    for shard in ["1/4", "2/4", "3/4", "4/4"] {
        let name = format!("{}.csv", &shard[..1]);
        asked(here, &["--shard", shard, "--csv", &name]);
        let table = fs::read_to_string(here.join(name)).expect("a shard");
        // Each is a table by itself: only the first keeps its heading when they are joined.
        let (head, rows) = table.split_once('\n').expect("a heading");
        assert_eq!(Some(head), whole.lines().next(), "{shard}");
        if joined.is_empty() {
            joined = format!("{head}\n");
        }
        joined += rows;
    }
    assert_eq!(joined, whole);
    // A table without a heading, as older versions wrote all but the first, is joined too.
    let third = fs::read_to_string(here.join("3.csv")).expect("a shard");
    let rows = third.split_once('\n').expect("a heading").1;
    fs::write(here.join("3.csv"), rows).expect("written");
    // In any order, and with the runs' statistics as if they had been measured here.
    let mut more = vec!["--join", "3.csv", "1.csv", "4.csv", "2.csv"];
    more.extend(["--csv", "all.csv", "--json", "all.json"]);
    asked(here, &more);
    asked(here, &["--json", "one.json"]);
    let read = |name: &str| fs::read_to_string(here.join(name)).expect("a file");
    assert_eq!(read("all.csv"), whole);
    assert_eq!(read("all.json"), read("one.json"));
    // A table that was cut off goes on.
    let part: String = whole.split_inclusive('\n').take(40).collect();
    fs::write(here.join("cut.csv"), part).expect("written");
    asked(here, &["--csv", "cut.csv", "--resume"]);
    assert_eq!(read("cut.csv"), whole);
    // A shard without rows yet begins.
    asked(here, &["--csv", "new.csv", "--resume", "--shard", "2/4"]);
    assert_eq!(read("new.csv"), read("2.csv"));
    // A table that another shard has begun is not gone on with.
    for (table, shard, words) in [
        (
            "1.csv",
            "2/4",
            "run 1 belongs to another shard: this one has runs 23 to 45",
        ),
        (
            "2.csv",
            "1/4",
            "run 23 belongs to another shard: this one has runs 1 to 22",
        ),
    ] {
        let rest = ["--runs", "90", "--csv", table, "--resume", "--shard", shard];
        let told = refused(here, &[&ASKED[..], &rest].concat(), 2);
        assert!(told.contains(words) && told.contains("--shard"), "{told}");
    }
}

#[test]
fn what_does_not_belong_together_is_not_joined() {
    let folder = folder_with(&[
        ("s.cir", STAGE),
        ("other.cir", &STAGE.replace("1.5k", "1.6k")),
    ]);
    let here = folder.path();
    for shard in ["1/3", "2/3", "3/3"] {
        asked(
            here,
            &["--shard", shard, "--csv", &format!("{}.csv", &shard[..1])],
        );
    }
    let mut other: Vec<&str> = ASKED.to_vec();
    other[3] = "8";
    other.extend(["--runs", "90", "--shard", "2/3", "--csv", "seed8.csv"]);
    done(here, &other);
    let join = |files: &[&str]| {
        let all = [
            &ASKED[..],
            &["--runs", "90", "--csv", "no.csv", "--join"],
            files,
        ]
        .concat();
        let told = refused(here, &all, 2);
        assert!(!here.join("no.csv").exists());
        told
    };
    assert!(join(&["1.csv", "3.csv"]).contains("runs 31 to 60 are missing"));
    assert!(join(&["1.csv", "2.csv"]).contains("runs 61 to 90 are missing"));
    assert!(join(&["1.csv", "2.csv", "2.csv", "3.csv"]).contains("run 31 stands twice"));
    assert!(join(&["1.csv", "seed8.csv", "3.csv"]).contains("run 31 comes out differently"));
    // The drawing has changed, or the question.
    let mut changed = ASKED.to_vec();
    changed[1] = "other.cir";
    changed.extend(["--runs", "90", "--join", "1.csv", "2.csv", "3.csv"]);
    assert!(refused(here, &changed, 2).contains("run 1 comes out differently"));
    let question = [
        "spread",
        "s.cir",
        "--figure",
        "v(cathode)",
        "--join",
        "1.csv",
        "--runs",
        "90",
    ];
    assert!(refused(here, &question, 2).contains("columns are not those"));
}

#[test]
fn the_settings_of_a_run_make_that_amplifier() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let here = folder.path();
    let warm = ["--tol", "temperature=-10..+20", "--tol", "R=10%"];
    let values = column(&asked(here, &[&warm[..], &["--csv", "-"]].concat()), 1);
    for run in [1, 17, 90] {
        let number = run.to_string();
        let settings = asked(here, &[&warm[..], &["--show-run", &number]].concat());
        let mut bias = vec!["bias", "s.cir", "--csv", "-", "--quiet"];
        bias.extend(settings.split_whitespace());
        let chart = done(here, &bias);
        let row = chart
            .lines()
            .find(|l| l.starts_with("v(plate),"))
            .expect("a row");
        let volts: f64 = row
            .split(',')
            .nth(2)
            .expect("a value")
            .parse()
            .expect("volts");
        let expected = values[run - 1];
        assert!(
            (volts / expected - 1.0).abs() < 1e-9,
            "{run}: {volts} {expected}"
        );
    }
}

/// Whatever else varies, the cathode resistor is set until the plate draws 1 mA.
#[test]
fn a_trimmer_is_set_in_every_amplifier() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let trim = [
        "--trim",
        "RK: plate current of XV1A = 1 mA",
        "--figure",
        "plate current of XV1A",
    ];
    let csv = asked(folder.path(), &[&trim[..], &["--csv", "-"]].concat());
    let amperes = column(&csv, 3);
    assert!(amperes.iter().all(|a| (a / 1e-3 - 1.0).abs() < 1e-6));
    // What is set so still differs in what it takes.
    let volts = column(&csv, 1);
    let least = volts.iter().copied().fold(f64::INFINITY, f64::min);
    let most = volts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    assert!(most - least > 5.0, "{least} {most}");
    let settings = asked(folder.path(), &[&trim[..2], &["--show-run", "3"]].concat());
    assert!(settings.contains("--set RK="), "{settings}");
}

/// Issue: a search that began where the one before had ended gave other digits in each shard.
#[test]
fn a_trimmer_is_set_alike_in_shards_and_threads() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let trim = ["--trim", "RK: v(cathode) = 1.5 V", "--csv", "-"];
    let csv = |more: &[&str]| {
        let few = ["--runs", "12"];
        done(folder.path(), &[&ASKED[..], &few, &trim, more].concat())
    };
    let whole = csv(&["--threads", "1"]);
    assert_eq!(whole, csv(&["--threads", "3"]));
    let (head, rows) = whole.split_once('\n').expect("a heading");
    let shards = ["1/3", "2/3", "3/3"].map(|k| {
        let shard = csv(&["--shard", k]);
        let (own, rows) = shard.split_once('\n').expect("a heading");
        assert_eq!(own, head);
        rows.to_string()
    });
    assert_eq!(rows, shards.concat());
}

/// Issues: a class, a model's parameter or the mains made the tool panic, a pot without its X was
/// refused, and a capacitor or valve was set in vain.
#[test]
fn a_trimmer_is_a_resistor_or_a_pot() {
    let pot = "XVOL plate wiper 0 A1M knob=5\n.model A1M pot(r=1meg taper=linear)\n.end";
    let stage = STAGE.replace(".end", pot);
    let folder = folder_with(&[("s.cir", &stage)]);
    let here = folder.path();
    let figure = ["--figure", "v(cathode)", "--runs", "2"];
    let spread = ["spread", "s.cir", "--trim"];
    for (part, words) in [
        ("R", "no resistor or pot `R` to trim"),
        ("valve", "no resistor or pot `valve` to trim"),
        ("mains", "no resistor or pot `mains` to trim"),
        ("temperature", "no resistor or pot `temperature` to trim"),
        ("XV1A.mu", "no resistor or pot `XV1A.mu` to trim"),
        ("12AX7.mu", "no resistor or pot `12AX7.mu` to trim"),
        ("RKK", "did you mean `RK`?"),
        (
            "XV1A",
            "`XV1A` cannot be trimmed: expected a resistor or a pot",
        ),
        ("CK", "`CK` cannot be trimmed"),
        ("VB", "`VB` cannot be trimmed"),
    ] {
        let trim = format!("{part}: v(cathode) = 1.5");
        let told = refused(here, &[&spread[..], &[&trim], &figure].concat(), 2);
        assert!(told.contains(words), "{part}: {told}");
        assert!(told.contains("--trim:1:1"), "{part}: {told}");
    }
    for (trim, figure) in [
        ("VOL: v(wiper) = 50", "v(wiper)"),
        ("xvol: v(wiper) = 50", "v(wiper)"),
        ("rk: v(cathode) = 1.5", "v(cathode)"),
    ] {
        let rest = [trim, "--figure", figure, "--runs", "2", "--csv", "-"];
        let volts = column(&done(here, &[&spread[..], &rest].concat()), 1);
        let wanted: f64 = trim.split("= ").last().unwrap().parse().unwrap();
        let is_there = |v: &f64| (v / wanted - 1.0).abs() < 1e-6;
        assert!(volts.iter().all(is_there), "{trim}: {volts:?}");
    }
}

/// Issue: a percentage of a rating that does not exist was taken for a part of a volt.
#[test]
fn a_trimmer_needs_the_rating_that_it_is_set_by() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let trim = ["spread", "s.cir", "--trim", "RK: v(cathode) = 70 %"];
    for rest in [["--figure", "v(plate)"], ["--show-run", "1"]] {
        let told = refused(folder.path(), &[&trim[..], &rest].concat(), 2);
        let words = "`v(cathode)` has no rating that a percentage could be of";
        assert!(told.contains(words), "{told}");
        assert!(told.contains("--trim:1:18"), "{told}");
    }
    let rated = [
        "spread",
        "s.cir",
        "--trim",
        "RK: plate dissipation of XV1A = 15 %",
    ];
    let rest = [
        "--figure",
        "plate dissipation of XV1A",
        "--runs",
        "3",
        "--csv",
        "-",
    ];
    let watts = column(&done(folder.path(), &[&rated[..], &rest].concat()), 1);
    let same = |w: &f64| (w / watts[0] - 1.0).abs() < 1e-6;
    assert!(watts.iter().all(same), "{watts:?}");
}

const SHEET: &str = "about = \"spread\"
netlist = \"s.cir\"

[[expect]]
figure = \"v(plate)\"
value = \"192 V\"
tolerance = \"4 V\"
origin = \"made up for this test\"

[[expect]]
figure = \"gain of v(plate) with frequency 1k\"
at-least = \"35.5 dB\"
origin = \"made up for this test\"
";

#[test]
fn a_sheet_tells_how_many_amplifiers_meet_it() {
    let folder = folder_with(&[("s.cir", STAGE), ("s.sheet.toml", SHEET)]);
    let here = folder.path();
    let arguments = ["s.sheet.toml", "--seed", "7", "--runs", "90"];
    let found = record(here, &arguments);
    let values = column(&asked(here, &["--csv", "-"]), 1);
    let gains = column(&asked(here, &["--csv", "-"]), 2);
    let first = values.iter().filter(|v| (*v - 192.0).abs() <= 4.0).count();
    let second = gains.iter().filter(|g| **g >= 35.5).count();
    let both = values.iter().zip(&gains);
    let both = both
        .filter(|(v, g)| (*v - 192.0).abs() <= 4.0 && **g >= 35.5)
        .count();
    let met = |v: &Value| v["amplifiers"].as_u64().expect("a count") as usize;
    let each = &found["expectations"]["each"];
    assert_eq!(
        (met(&each[0]["met"]), met(&each[1]["met"])),
        (first, second)
    );
    assert_eq!(met(&found["expectations"]["all"]), both);
    assert!(first > 0 && first < 90, "the sheet says nothing: {first}");
    let csv = done(
        here,
        &[&["spread"], &arguments[..], &["--csv", "-"]].concat(),
    );
    let failed = csv.lines().skip(1).filter(|l| !l.ends_with(',')).count();
    assert_eq!(failed, 90 - both);
}

/// A percentage without a rating was "met by 0" of them, with exit code 0; `check` calls it bad.
#[test]
fn an_expectation_that_cannot_be_judged_is_refused() {
    let sheet = "netlist = 'd.cir'\n[[expect]]\nfigure = 'dissipation of R1'\nat-most = '100 %'\n";
    let folder = folder_with(&[("d.cir", DIVIDER), ("d.sheet.toml", sheet)]);
    let told = refused(folder.path(), &["spread", "d.sheet.toml", "--runs", "5"], 2);
    let place = "d.sheet.toml:4:11";
    assert!(
        told.contains("has no rating") && told.contains(place),
        "{told}"
    );
    // With a rating it is judged: 10 V over 5 k leaves 12 mW in 3 k.
    fs::write(
        folder.path().join("d.cir"),
        DIVIDER.replace("tol=10%", "tol=10% rated=0.25W"),
    )
    .expect("written");
    let found = record(folder.path(), &["d.sheet.toml", "--runs", "5"]);
    assert_eq!(found["expectations"]["all"]["amplifiers"].as_u64(), Some(5));
}

/// Issue: `--mains` was passed over for a sheet, and `--set temperature=60` refused.
#[test]
fn a_sheet_takes_the_settings_of_the_command_line() {
    let netlist = "t\nVMAINS line 0 SIN(0 325 50)\nRW line a 50\nD1 a res DR\nCR res 0 47u\n\
                   RL res 0 10k\n.model DR D(is=2.55n n=1.75)\n.end\n";
    let sheet = "netlist = \"t.cir\"\n[settings]\nmains = 110\n[[expect]]\nfigure = \"v(res)\"\n\
                 at-least = \"1 V\"\norigin = \"made up\"\n";
    let folder = folder_with(&[("t.cir", netlist), ("t.sheet.toml", sheet)]);
    let here = folder.path();
    let volts = |subject: &[&str], settings: &[&str]| {
        let rest = ["--runs", "2", "--tol", "mains=0%", "--csv", "-"];
        column(
            &done(here, &[&["spread"], subject, &rest, settings].concat()),
            1,
        )
    };
    let plain = volts(&["t.sheet.toml"], &[]);
    for settings in [
        ["--mains", "80"],
        ["--set", "temperature=60"],
        ["--set", "RL=5k"],
    ] {
        let of_sheet = volts(&["t.sheet.toml"], &settings);
        let mains: &[&str] = if settings[0] == "--mains" {
            &[]
        } else {
            &["--mains", "110"]
        };
        let by_hand = volts(
            &["t.cir", "--figure", "v(res)"],
            &[&settings[..], mains].concat(),
        );
        assert_eq!(of_sheet, by_hand, "{settings:?}");
        assert_ne!(of_sheet, plain, "{settings:?}");
    }
    let told = refused(here, &["spread", "t.sheet.toml", "--mains", "abc"], 2);
    assert!(told.contains("`abc` per cent"), "{told}");
}

#[test]
fn everything_that_varies_is_listed_with_its_range() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let told = done(
        folder.path(),
        &[
            "spread",
            "s.cir",
            "--runs",
            "30",
            "--figure",
            "v(plate)",
            "--tol",
            "RA=2%",
            "--tol",
            "valve.mu=4%",
            "--tol",
            "temperature=-10..+20",
            "--plot",
            "out.svg",
        ],
    );
    for line in [
        "±1 %  its line   RK",
        "±2 %  --tol      RA",
        "±5 %  usual      RG",
        "±20 %  usual      CIN CK",
        "±4 %  --tol      XV1A.mu",
        "±33 %  its model  XV1A.current",
        "-10..+20 °C  --tol      temperature",
    ] {
        assert!(told.contains(line), "{line}\n{told}");
    }
    let picture = fs::read_to_string(folder.path().join("out.svg")).expect("a picture");
    assert!(picture.contains("v(plate)") && picture.contains("as drawn"));
}

#[test]
fn mistakes_are_named() {
    let text = "t\nV1 a 0 1\nR1 a 0 1k\nE1 b 0 a 0 2 ; tol=5%\nR2 b 0 1k\n.end\n";
    let folder = folder_with(&[("bad.cir", text), ("s.cir", STAGE)]);
    let here = folder.path();
    let told = refused(here, &["spread", "bad.cir", "--figure", "v(a)"], 2);
    assert!(
        told.contains("`E1` has no value") && told.contains("bad.cir:4"),
        "{told}"
    );
    for (tolerance, words) in [
        ("RX=5%", "`RX`"),
        ("R=five", "`five` is not a tolerance"),
        ("R5%", "expected NAME=TOLERANCE"),
        ("RA=-120..+10%", "not a tolerance"),
        ("temperature=5%", "not a tolerance"),
    ] {
        let told = refused(
            here,
            &[
                "spread", "s.cir", "--figure", "v(plate)", "--tol", tolerance,
            ],
            2,
        );
        assert!(told.contains(words), "{tolerance}: {told}");
    }
    for (arguments, words) in [
        (vec!["spread", "s.cir"], "needs at least one"),
        (vec!["spread", "s.cir", "--figure", "v(nowhere)"], "nowhere"),
        (
            vec!["spread", "s.cir", "--figure", "v(plate)", "--shard", "5/4"],
            "5/4",
        ),
        (
            vec!["spread", "s.cir", "--figure", "v(plate)", "--runs", "0"],
            "--runs 0",
        ),
        (
            vec!["spread", "s.cir", "--figure", "v(plate)", "--runs", "2e9"],
            "expected a whole number from 1 to 1000000000",
        ),
        (
            vec!["spread", "s.cir", "--figure", "v(plate)", "--trim", "RK=1"],
            "has no `:`",
        ),
    ] {
        let told = refused(here, &arguments, 2);
        assert!(told.contains(words), "{arguments:?}: {told}");
    }
}

/// A gain that falls by 3 dB in none of them, and one that does in all: the first is counted and
/// named, and since no amplifier has it the run ends with 3.
#[test]
fn a_figure_that_does_not_exist_is_counted() {
    let text = "t\nV1 a 0 0 AC 1\nR1 a b 1k\nR2 b 0 1k\nC2 b 0 1u\n.end\n";
    let folder = folder_with(&[("t.cir", text)]);
    let figures = [
        "--figure",
        "low corner of v(b)",
        "--figure",
        "high corner of v(b)",
    ];
    let asked = ["spread", "t.cir", "--runs", "20", "--csv", "t.csv"];
    let output = run(folder.path(), &[&asked[..], &figures].concat());
    assert_eq!(output.status.code(), Some(3));
    let told = String::from_utf8_lossy(&output.stdout);
    assert!(
        told.contains("`low corner of v(b)` does not exist in 20 of them"),
        "{told}"
    );
    let csv = fs::read_to_string(folder.path().join("t.csv")).expect("a table");
    assert!(csv.lines().skip(1).all(|l| l.split(',').nth(1) == Some("")));
}

/// A file that may not grow beyond 256 KiB, as a disk that is full.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_whole_rows_to_go_on_from() {
    let folder = folder_with(&[("d.cir", DIVIDER)]);
    let here = folder.path();
    let all = "spread d.cir --runs 20000 --figure v(out) --quiet --csv out.csv";
    let script = format!(
        "ulimit -f 256; '{GRIDLEAK}' {}",
        all.replace("v(out)", "'v(out)'")
    );
    let output = Command::new("bash")
        .current_dir(here)
        .args(["-c", &script])
        .output();
    let output = output.expect("bash runs");
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(told.contains("--resume does the rest"), "{told}");
    let part = fs::read_to_string(here.join("out.csv")).expect("rows");
    assert!(part.ends_with('\n') && part.lines().count() > 1000);
    let words: Vec<&str> = all.split(' ').collect();
    done(here, &[&words[..], &["--resume"]].concat());
    let whole = done(
        here,
        &[
            "spread", "d.cir", "--runs", "20000", "--figure", "v(out)", "--csv", "-",
        ],
    );
    assert_eq!(
        fs::read_to_string(here.join("out.csv")).expect("rows"),
        whole
    );
}

#[cfg(unix)]
#[test]
fn a_run_that_is_broken_off_keeps_its_rows() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let here = folder.path();
    let mut all: Vec<&str> = ASKED.to_vec();
    all.extend(["--runs", "1000000", "--csv", "out.csv", "--threads", "1"]);
    let mut child = Command::new(GRIDLEAK)
        .current_dir(here)
        .args(&all)
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("the tool runs");
    std::thread::sleep(std::time::Duration::from_millis(1500));
    let id = child.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-TERM", &id])
            .status()
            .expect("kill")
            .success()
    );
    let begun = std::time::Instant::now();
    assert_eq!(child.wait().expect("it ends").code(), Some(143));
    assert!(begun.elapsed().as_secs_f64() < 2.0);
    let part = fs::read_to_string(here.join("out.csv")).expect("rows");
    assert!(part.ends_with('\n') && part.lines().count() > 2);
    let rows = part.lines().count() - 1;
    let more = (rows + 5).to_string();
    let mut rest: Vec<&str> = ASKED.to_vec();
    rest.extend(["--runs", &more, "--csv", "out.csv", "--resume"]);
    done(here, &rest);
    let whole = fs::read_to_string(here.join("out.csv")).expect("rows");
    assert!(whole.starts_with(&part));
    assert_eq!(whole.lines().count(), rows + 6);
}

/// Starts a run of a million that waits a while and is then told to end; what it said.
#[cfg(unix)]
fn broken_off(here: &Path, more: &[&str], signal: Option<&str>) -> (Option<i32>, String) {
    let mut all: Vec<&str> = ASKED.to_vec();
    all.extend(["--runs", "1000000", "--threads", "1"]);
    all.extend(more);
    let child = Command::new(GRIDLEAK)
        .current_dir(here)
        .args(&all)
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("the tool runs");
    if let Some(signal) = signal {
        std::thread::sleep(std::time::Duration::from_millis(1500));
        let id = child.id().to_string();
        let sent = Command::new("kill").args([signal, &id]).status();
        assert!(sent.expect("kill").success());
    }
    let output = child.wait_with_output().expect("it ends");
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    (output.status.code(), told)
}

/// Fixed bugs: the message of a run that was broken off said that no file, or that all files, had
/// been written; the rows were lost if the table was there before, or if it was the clock.
#[cfg(unix)]
#[test]
fn bug_the_messages_of_a_run_broken_off_contradicted_each_other() {
    let folder = folder_with(&[("s.cir", STAGE), ("old.csv", "as it was\n")]);
    let here = folder.path();
    let kept = "error: interrupted: the rows that were done are kept\n";
    let (code, told) = broken_off(here, &["--csv", "new.csv"], Some("-INT"));
    assert_eq!(code, Some(130), "{told}");
    assert!(told.ends_with(kept), "{told}");
    assert!(told.contains("rows are in `new.csv`; "), "{told}");
    for (name, signal) in [("old.csv.part", "-INT"), ("old.csv.part2", "-TERM")] {
        let (_, told) = broken_off(here, &["--csv", "old.csv"], Some(signal));
        assert!(told.ends_with(kept), "{told}");
        assert!(told.contains(&format!("rows are in `{name}`, ")), "{told}");
        let old = fs::read_to_string(here.join("old.csv")).expect("a file");
        assert_eq!(old, "as it was\n");
        let part = fs::read_to_string(here.join(name)).expect("rows");
        assert!(part.ends_with('\n') && part.lines().count() > 2);
    }
    // As the note says, it goes on from there.
    let rows = fs::read_to_string(here.join("old.csv.part")).expect("rows");
    let more = (rows.lines().count() + 4).to_string();
    let rest = ["--runs", &more, "--csv", "old.csv.part", "--resume"];
    done(here, &[&ASKED[..], &rest].concat());
    let whole = fs::read_to_string(here.join("old.csv.part")).expect("rows");
    assert!(whole.starts_with(&rows) && whole.len() > rows.len());
    let clock = ["--csv", "late.csv", "--limit", "seconds=2"];
    let (code, told) = broken_off(here, &clock, None);
    assert_eq!(code, Some(2), "{told}");
    assert!(
        told.contains("given up after 2 s: the rows that were done are kept"),
        "{told}"
    );
    assert!(here.join("late.csv").exists());
    // Nothing is kept that goes to standard output.
    let (_, told) = broken_off(here, &["--json", "x.json"], Some("-INT"));
    assert!(told.ends_with("no file was written\n"), "{told}");
}

/// A render's third octaves and a response become a column for each band and frequency.
#[test]
fn curves_and_sounds_have_a_column_for_each_place() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let figures = [
        "--figure",
        "render of v(plate) with seconds 0.2",
        "--figure",
        "response of v(plate)",
    ];
    let asked = ["spread", "s.cir", "--runs", "2", "--quiet", "--csv", "-"];
    let csv = done(folder.path(), &[&asked[..], &figures].concat());
    let head = csv.lines().next().expect("a heading");
    assert!(
        head.contains("@ 1000 Hz") && head.contains("@ 100"),
        "{head}"
    );
    // Thirty bands, and 20 Hz to 20 kHz ten a decade.
    let cells = head.split(',').count();
    assert_eq!(cells, 1 + 30 + 31, "{head}");
    assert!(csv.lines().all(|l| l.split(',').count() == cells));
}

/// The same stage by scipy: scripts/reference_spread.py, 10 000 runs there and here.
#[test]
fn a_triode_stage_spreads_as_an_independent_formulation_does() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/references/triode_spread");
    let figures = ["--figure", "v(plate)", "--figure", "v(cathode)"];
    let found = record(
        &folder,
        &[&["netlist.cir", "--runs", "10000"], &figures[..]].concat(),
    );
    let reference = fs::read_to_string(folder.join("spread.csv")).expect("a reference");
    for (k, line) in reference.lines().skip(1).enumerate() {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |k: usize| cells[k].parse::<f64>().expect("a number");
        let figure = &found["figures"][k];
        assert_eq!(figure["figure"], cells[0]);
        // Both are of N runs: their errors add up as squares.
        for (name, at) in [("mean", 1), ("deviation", 3)] {
            let value = figure[name].as_f64().expect("a number");
            let error = 3.0 * std::f64::consts::SQRT_2 * number(at + 1);
            assert!((value - number(at)).abs() < error, "{line} {name} {value}");
        }
    }
}

/// Ten resistors and a valve that bends: all 1024 corners, measured one by one.
#[test]
fn the_corner_search_finds_what_all_corners_have() {
    use gridleak::circuit::Circuit;
    use gridleak::diag;
    use gridleak::tolerance::list::Variables;
    use gridleak::tolerance::rest::Varied;
    let text = "corners
VB b 0 300
RD1 b b1 22k
RD2 b1 b2 10k
RL b1 0 220k
RA b2 plate 100k
RK1 cathode k1 1k
RK2 k1 0 820
RG1 b2 grid 1meg
RG2 grid 0 33k
RX plate x 470k
RY x 0 330k
XV1 plate grid cathode 12AX7
.end
";
    let circuit = Circuit::from_text(text).expect("a circuit");
    let rule = |text: &str| {
        let mut files = diag::Files::default();
        let file = files.add("--tol", text);
        let span = diag::Span::new(file, 0, text.len());
        gridleak::tolerance::list::Rule::parse(text, span).expect("a rule")
    };
    let rules = [rule("R=10%"), rule("valve=0%")];
    let variables = Variables::of(&circuit, &rules).expect("variables");
    assert_eq!(variables.all.len(), 10);
    let x = circuit.node("x").expect("a node").0 - 1;
    let mut varied = Varied::new(circuit, variables).expect("a solution");
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    for bits in 0..1024u32 {
        let ends = varied.variables.all.iter().enumerate();
        let values: Vec<f64> = ends
            .map(|(k, v)| {
                if bits >> k & 1 == 1 {
                    v.ends().1
                } else {
                    v.ends().0
                }
            })
            .collect();
        varied.put(&values);
        let volts = varied.solve().expect("a solution").0.x[x];
        least = least.min(volts);
        most = most.max(volts);
    }
    let folder = folder_with(&[("c.cir", text)]);
    let tolerances = [
        "--tol",
        "R=10%",
        "--tol",
        "valve=0%",
        "--runs",
        "500",
        "--corners",
    ];
    let found = record(
        folder.path(),
        &[&["c.cir", "--figure", "v(x)"], &tolerances[..]].concat(),
    );
    let figure = &found["figures"][0];
    let corner = |end: &str| figure["corners"][end]["value"].as_f64().expect("volts");
    assert!(
        (corner("least") - least).abs() < 1e-6,
        "{} {least}",
        corner("least")
    );
    assert!(
        (corner("greatest") - most).abs() < 1e-6,
        "{} {most}",
        corner("greatest")
    );
    // Which 500 runs by chance come nowhere near.
    let by_chance = figure["greatest"]["value"].as_f64().expect("volts");
    assert!(by_chance < most - 0.1 * (most - least));
}

/// Numbers that fill each part's range evenly bring the mean nearer: over ten seeds of 256 runs,
/// the means' deviation to less than a third of that by chance.
#[test]
fn even_runs_have_a_steadier_mean() {
    let folder = folder_with(&[("s.cir", STAGE)]);
    let deviation = |more: &[&str]| {
        let mean = |seed: usize| {
            let seed = seed.to_string();
            let all = [
                "spread", "s.cir", "--runs", "256", "--figure", "v(plate)", "--csv", "-",
            ];
            let csv = done(
                folder.path(),
                &[&all[..], &["--seed", &seed], more].concat(),
            );
            column(&csv, 1).iter().sum::<f64>() / 256.0
        };
        let means: Vec<f64> = (1..=10).map(mean).collect();
        let middle = means.iter().sum::<f64>() / 10.0;
        (means.iter().map(|m| (m - middle).powi(2)).sum::<f64>() / 9.0).sqrt()
    };
    let (chance, even) = (deviation(&[]), deviation(&["--even"]));
    assert!(even < chance / 3.0, "{chance} {even}");
}

/// Where only rest is asked for, four amplifiers go at a time; a gain beside it has each solved by
/// itself. A relay at rest is among the parts.
#[test]
fn four_at_a_time_come_out_as_one_by_one() {
    let netlist = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing/preamp.cir");
    let netlist = netlist.to_str().expect("a name");
    let folder = folder_with(&[]);
    let rest = ["--figure", "v(plate2)", "--figure", "plate current of XV3B"];
    let gain = ["--figure", "gain of v(plate1) with frequency 1k"];
    let asked = ["spread", netlist, "--runs", "70", "--csv", "-"];
    let four = done(folder.path(), &[&asked[..], &rest].concat());
    let one = done(folder.path(), &[&asked[..], &rest, &gain].concat());
    for k in [1, 2] {
        for (a, b) in column(&four, k).iter().zip(column(&one, k)) {
            assert!((a / b - 1.0).abs() < 1e-8, "{a} {b}");
        }
    }
}

/// R1 beside a resistor of -1 k, with 1 nF: the node's conductance 1/R1 - 1/1k must be above zero, or
/// the capacitor's voltage grows. 1 mA into it makes the voltage positive then, and negative if not.
const EDGE: &str = "on the edge
I1 0 a 1m
R1 a 0 980 ; tol=10%
RN a 0 -1k ; tol=0%
C1 a 0 1n
.end
";
const EDGE_SHEET: &str = "netlist = \"e.cir\"
[[expect]]
figure = \"v(a)\"
at-most = \"1e9 V\"
";

#[test]
fn bug_an_amplifier_that_runs_away_was_counted_as_meeting_its_sheet() {
    let folder = folder_with(&[("e.cir", EDGE), ("e.sheet.toml", EDGE_SHEET)]);
    let here = folder.path();
    let command = ["spread", "e.sheet.toml", "--runs", "60", "--csv", "-"];
    let output = run(here, &command);
    let csv = String::from_utf8(output.stdout).expect("text");
    let stands = column(&csv, 1).iter().map(|v| *v > 0.0).collect::<Vec<_>>();
    let stable = stands.iter().filter(|s| **s).count();
    assert!(
        stable > 10 && stable < 50,
        "the test says nothing: {stable}"
    );
    // Stability is counted after the expectations, of which there is one.
    for (row, stands) in csv.lines().skip(1).zip(&stands) {
        let failed = row.rsplit(',').next().expect("a cell");
        assert_eq!(failed, if *stands { "" } else { "2" }, "{row}");
    }
    let first = 1 + stands.iter().position(|s| !s).expect("one that runs away");
    let told = String::from_utf8_lossy(&output.stderr).to_string();
    let wanted = format!(
        "{} of 60 amplifiers are unstable, the first is run {first}: it would run away",
        60 - stable
    );
    assert!(told.contains(&wanted), "{told}");
    let found = record(here, &command[1..4]);
    let expectations = &found["expectations"];
    assert_eq!(expectations["each"][0]["met"]["amplifiers"], 60);
    assert_eq!(expectations["each"][1]["expectation"], "stability");
    assert_eq!(expectations["each"][1]["met"]["amplifiers"], stable);
    assert_eq!(expectations["all"]["amplifiers"], stable);

    let allowed = EDGE_SHEET.replace("[[expect]]", "may-be-unstable = true\n[[expect]]");
    fs::write(here.join("e.sheet.toml"), allowed).expect("written");
    let found = record(here, &command[1..4]);
    assert_eq!(found["expectations"]["all"]["amplifiers"], 60);
}

#[test]
fn bug_the_distance_of_a_sound_was_shown_in_volts() {
    let sheet = "netlist = \"d.cir\"\n[[expect]]\nfigure = \"render of v(out) with seconds 0.2\"\n\
                 tolerance = \"-60 dB\"\nfile = \"d.wav\"\n";
    let netlist = DIVIDER.replace("V1 in 0 10", "V1 in 0 DC 0 AC 1");
    let folder = folder_with(&[("d.cir", &netlist), ("d.sheet.toml", sheet)]);
    done(folder.path(), &["check", "d.sheet.toml", "--record"]);
    let found = record(folder.path(), &["d.sheet.toml", "--runs", "3"]);
    assert_eq!(found["figures"][0]["unit"], "dB");
}
