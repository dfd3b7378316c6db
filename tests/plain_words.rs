//! What charts and pictures say to a builder, and that it fits on his terminal and his paper.

mod common;

use common::{Gridleak, Netlist, Ran};
use std::path::Path;

const STAGE: &str = "\
A stage with a long name that tells the reader all about the amplifier, its valves and its maker
VIN in 0 AC 1 SIN(0 0.1 1k)
RG in 0 1meg
XV1A p1 in k1 12AX7
RP1 hv p1 100k
RK1 k1 0 1.5k
CK1 k1 0 22u
CC1 p1 t1 22n
RL t1 0 1meg
VB hv 0 300
.end
";

fn run(path: &Path, command: &str, options: &[&str]) -> Ran {
    let run = Gridleak::command(command).unaudited().path(path);
    let ran = options.iter().fold(run, |run, o| run.arg(o)).run();
    assert!(ran.status < 2, "{command} {options:?}: {}", ran.stderr);
    ran
}

/// Runs a command that makes a picture, and reads it.
fn picture(path: &Path, command: &str, options: &[&str], out: &str) -> String {
    let file = path.with_extension("svg");
    let mut options = options.to_vec();
    options.extend([out, file.to_str().expect("UTF-8")]);
    run(path, command, &options);
    std::fs::read_to_string(&file).expect("the picture")
}

/// What `compare` says of two netlists, as kind and words.
fn compared(drawn: &str, built: &str) -> Vec<(String, String)> {
    let (drawn, built) = (Netlist::new(drawn), Netlist::new(built));
    let run = Gridleak::command("compare").unaudited().path(drawn.path());
    let ran = run.path(built.path()).option("--csv", "-").run();
    let table = common::Table::parse(&ran.stdout).expect("a table");
    let rows = table.rows.into_iter();
    rows.map(|row| (row[0].clone(), row[3].clone())).collect()
}

const OUTPUT: &str = "\
Single-ended
VB bplus 0 260
VIN in 0 AC 1 SIN(0 3 1k)
RG in 0 470k
RK cathode 0 150
XV2 plate bplus in cathode EL84
XOT plate bplus 0 t4 t8 t16 OTSE
RSPK t8 0 8
.model OTSE singleended(ra=5.2k power=8 idc=50m fmin=80)
.end
";

/// A fixed bug: an output transformer whose secondary was one place along was missing, and another of
/// its name not in the drawing.
#[test]
fn a_part_of_one_name_and_sort_is_never_missing_and_extra() {
    let along = OUTPUT.replace("XOT plate bplus 0 t4 t8 t16", "XOT plate bplus t4 t8 t16 0");
    let found = compared(OUTPUT, &along);
    assert!(!found.is_empty());
    for (kind, what) in &found {
        assert!(["moved", "swapped"].contains(&kind.as_str()), "{found:?}");
        assert!(what.contains("XOT"), "{what}");
    }
    // One that is at other places and has another value is another one.
    let other = OUTPUT.replace("RG in 0 470k", "RG plate t16 4.7k");
    let found = compared(OUTPUT, &other);
    let kinds: Vec<&str> = found.iter().map(|f| f.0.as_str()).collect();
    assert_eq!(kinds, ["missing", "extra"], "{found:?}");
}

/// A fixed bug: of a mains source with `AC 1` it was said that `VMAINS is 1 V, drawn 0, waveform`.
#[test]
fn a_value_that_one_line_has_is_named() {
    let with = |line: &str| OUTPUT.replace("VIN in 0 AC 1 SIN(0 3 1k)", line);
    let wave = with("VIN in 0 SIN(0 3 1k)");
    for (drawn, built, what) in [
        (wave.as_str(), OUTPUT, "VIN has AC 1 V, drawn without"),
        (OUTPUT, &wave, "VIN has no AC, drawn with AC 1 V"),
        (
            OUTPUT,
            &with("VIN in 0 AC 2 SIN(0 3 1k)"),
            "VIN is 2 V, drawn 1 V, AC",
        ),
        (
            OUTPUT,
            &with("VIN in 0 AC 1 PULSE(0 3 0 1u 1u 1m 2m)"),
            "VIN follows another formula or waveform than drawn",
        ),
    ] {
        let found = compared(drawn, built);
        assert_eq!(found, [("value".to_string(), what.to_string())]);
    }
}

/// A fixed bug: two equal valves on one grid drive leave 1e-16 of the input at the tap, and a peak, corners
/// and a middle were given for it.
#[test]
fn rounding_has_no_pass_band() {
    let pair = "Both plates together\nVB bplus 0 285\nVIN in 0 AC 1\nRK k 0 270\nXV3 pa bplus in k 6V6GT\n\
                XV4 pa bplus in k 6V6GT\nXOT pa bplus pa 0 t4 t8 t16 OT\nRSPK t8 0 8\n\
                .model OT pushpull(raa=8k power=15 fmin=60 dcr=250)\n.end\n";
    let balanced = Netlist::new(pair);
    let said = run(balanced.path(), "response", &["--probe", "v(t8)"]).stdout;
    assert!(said.contains("nothing arrives"), "{said}");
    assert!(!said.contains("-3 dB from 3"), "{said}");
    // What is small and not nothing keeps its band: 1e-9 of the input.
    let small = Netlist::new("Small\nVIN in 0 AC 1\nR1 in a 1g\nR2 a 0 1\n.end\n");
    let said = run(small.path(), "response", &["--probe", "v(a)"]).stdout;
    assert!(said.contains("-180.00 dB"), "{said}");
}

/// A fixed bug: the title of a picture ran off it. 71 letters of 18 px are 741 px, and there are 750.
#[test]
fn a_long_title_of_curves_is_cut() {
    let netlist = Netlist::new(STAGE);
    let drawn = picture(netlist.path(), "curves", &["--valve", "XV1A"], "--plot");
    let line = drawn.lines().find(|l| l.contains("class=\"title\""));
    let line = line.expect("a title");
    let words = line.split('>').nth(1).and_then(|l| l.split('<').next());
    let words = words.expect("words");
    assert!(words.ends_with("…: XV1A (12AX7)"), "{words}");
    assert!(words.chars().count() <= 71, "{words}");
}

/// A fixed bug: the tables of `faults` were 250 characters wide and more.
#[test]
fn the_tables_of_faults_fit_on_a_terminal() {
    let netlist = Netlist::new(STAGE);
    let readings = netlist.path().with_file_name("r.csv");
    std::fs::write(&readings, "probe,value\nv(p1),290\nv(k1),0.4\n").expect("readings");
    let readings = readings.to_str().expect("UTF-8");
    let ran = run(netlist.path(), "faults", &["--readings", readings]);
    let table = ran.stdout.lines().filter(|line| line.starts_with("  "));
    for line in table {
        assert!(line.chars().count() <= 100, "{line}");
    }
    assert!(ran.stdout.contains("same readings"), "{}", ran.stdout);
}

/// A fixed bug: `1 parts`.
#[test]
fn one_part_is_one_part() {
    let netlist = Netlist::new(STAGE);
    let svg = netlist.path().with_extension("svg");
    let options = ["--only", "RK1", "--out", svg.to_str().expect("UTF-8")];
    let ran = run(netlist.path(), "draw", &options);
    assert!(ran.stdout.contains(": 1 part, 1 net,"), "{}", ran.stdout);
}

/// A fixed bug: a chart or a drawing did not say what it was made with.
#[test]
fn headings_name_the_settings() {
    let netlist = Netlist::new(STAGE);
    let (set, plain) = (["--set", "RK1=2k7", "--set", "RK1=3k3"], "its maker\n");
    let with = "its maker (RK1=3k3)";
    for command in ["bias", "response", "noise"] {
        let options: &[&str] = match command {
            "bias" => &[],
            _ => &["--probe", "v(p1)"],
        };
        let ran = run(netlist.path(), command, options);
        assert!(ran.stdout.contains(plain), "{command}: {}", ran.stdout);
        let ran = run(netlist.path(), command, &[options, &set].concat());
        assert!(ran.stdout.contains(with), "{command}: {}", ran.stdout);
    }
    let drawn = picture(netlist.path(), "draw", &set, "--out");
    assert!(drawn.contains(with), "{drawn}");
    let supply = Netlist::new(
        "A supply\nVMAINS line 0 SIN(0 325 50)\nXMT line 0 a 0 b 0 0 MT\nXV1 a b hv EZ81\n\
         C1 hv 0 47u\nR1 hv 0 10k\n.model MT mains(vpri=230 vht=275 iht=0.1)\n.end\n",
    );
    let ran = run(
        supply.path(),
        "bias",
        &["--mains", "110", "--set", "R1=12k"],
    );
    let heading = "A supply (R1=12k; mains 110 %)\n";
    assert!(ran.stdout.starts_with(heading), "{}", ran.stdout);
}

/// A fixed bug: titles and legends ended in "...", hundreds of volts were kilovolts.
#[test]
fn plots_are_lettered_in_full_and_in_volts() {
    let netlist = Netlist::new(STAGE);
    let options = [
        "--probe", "v(p1)", "--probe", "v(hv)", "--stop", "2m", "--step", "20u",
    ];
    let drawn = picture(netlist.path(), "scope", &options, "--plot");
    assert!(
        !drawn.contains('\u{2026}') && !drawn.contains("(kV)"),
        "{drawn}"
    );
    assert!(drawn.contains("voltage (V)"), "{drawn}");
    let figure = "output power of RL with level 0.1, frequency 1k";
    let options = ["--vary", "RK1=1k,2k2,3k3", "--figure", figure];
    let drawn = picture(netlist.path(), "vary", &options, "--plot");
    assert!(!drawn.contains('\u{2026}'), "{drawn}");
    // Fixed bugs: the axis was lettered `RK1` without its ohms, and no plot had the caution.
    assert!(
        drawn.contains("RK1 (kΩ)") && drawn.contains("Caution: "),
        "{drawn}"
    );
}

/// A fixed bug: a drawing gave a point that has both its DC alone, or its AC alone. Half a sine of 325 V without a
/// reservoir: its crest over pi, and half its crest less that, both squared (any textbook).
#[test]
fn a_drawing_letters_direct_and_alternating_volts() {
    let text = "No reservoir\nVMAINS line 0 SIN(0 325 50)\nRS line a 10\nD1 a out DR\nR1 out 0 10k\n\
                .model DR D(is=1n n=1.8)\n.end\n";
    let netlist = Netlist::new(text);
    let drawn = picture(netlist.path(), "draw", &["--volts"], "--out");
    assert!(drawn.contains("103 V + 125 V rms AC"), "{drawn}");
}

/// A fixed bug: `800 mV` stood beside `-1.6 V`, and 0.800 beside 4.00.
#[test]
fn curves_are_lettered_in_one_unit() {
    let netlist = Netlist::new(STAGE);
    let drawn = picture(netlist.path(), "curves", &["--valve", "XV1A"], "--plot");
    assert!(
        !drawn.contains("mV<") && !drawn.contains(">0.800<"),
        "{drawn}"
    );
    assert!(
        drawn.contains(">0<") && drawn.contains("-0.8 V<"),
        "{drawn}"
    );
}

/// A fixed bug: the table gave a phase of 179 degrees where the plot showed -181.
#[test]
fn the_plotted_phase_is_that_of_the_table() {
    let netlist = Netlist::new(STAGE);
    let ran = run(netlist.path(), "response", &["--probe", "v(t1)"]);
    let line = ran.stdout.lines().find(|l| l.contains('\u{b0}'));
    let angle = line.and_then(|l| l.split_whitespace().find(|w| w.ends_with('\u{b0}')));
    let angle: f64 = angle
        .expect("an angle")
        .trim_end_matches('\u{b0}')
        .parse()
        .expect("a number");
    let drawn = picture(netlist.path(), "response", &["--probe", "v(t1)"], "--plot");
    let sign = if angle > 0.0 {
        ">180<"
    } else {
        ">\u{2212}180<"
    };
    assert!(drawn.contains(sign), "{angle}: {drawn}");
}
