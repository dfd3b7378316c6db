//! The promises of `response`, word for word (contract: "Commands", "The fine print"), and
//! its figures against closed forms.
mod common;

use common::{Gridleak, Netlist, Table, close};
use std::f64::consts::TAU;

fn response(netlist: &Netlist) -> Gridleak {
    Gridleak::command("response").path(netlist.path())
}

fn table(run: Gridleak) -> Table {
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

fn column(table: &Table, name: &str) -> Vec<f64> {
    table.column(name).unwrap_or_else(|why| panic!("{why}"))
}

const RC: &str = "\
Low-pass
V1 in 0 DC 3 AC 2 45
V2 other 0 AC 7
R2 other in2 1k
R3 in2 0 1k
R1 in out 1k
C1 out 0 1u
.end
";

#[test]
fn headers_are_the_probes_as_written_and_rows_are_in_decades() {
    let netlist = Netlist::new(RC);
    let run = response(&netlist)
        .option("--source", "v1")
        .option("--from", "10")
        .option("--to", "1k")
        .option("--points-per-decade", "3")
        .probes(&["v(OUT)", "i(R1)", "v(in,out)"]);
    let found = table(run);
    let header = [
        "frequency_hz",
        "v(OUT).db",
        "v(OUT).deg",
        "i(R1).db",
        "i(R1).deg",
        "v(in,out).db",
        "v(in,out).deg",
    ];
    assert_eq!(found.header, header);
    let frequencies = column(&found, "frequency_hz");
    assert_eq!(frequencies.len(), 7);
    for (k, f) in frequencies.iter().enumerate() {
        let expected = 10.0 * 10f64.powf(k as f64 / 3.0);
        assert!((f / expected - 1.0).abs() < 1e-14, "{f} {expected}");
    }
    assert_eq!(frequencies[6], 1e3, "the last one exactly");
}

#[test]
fn rows_go_up_to_the_last_frequency_and_not_past_it() {
    let netlist = Netlist::new(RC);
    for (from, to, n, rows, last) in [
        ("20", "20k", "10", 31, 20e3),
        ("10", "99", "1", 1, 10.0),
        ("10", "100.1", "1", 2, 100.0),
        ("1k", "1k", "50", 1, 1e3),
        ("0.1", "1meg", "7", 50, 1e6),
    ] {
        let run = response(&netlist)
            .option("--source", "V1")
            .option("--from", from)
            .option("--to", to)
            .option("--points-per-decade", n)
            .probes(&["v(out)"]);
        let found = column(&table(run), "frequency_hz");
        assert_eq!(found.len(), rows, "{from} {to} {n}");
        assert_eq!(found[rows - 1], last, "{from} {to} {n}");
    }
}

/// Only `--source` carries AC, 1 V of it, whatever the netlist gives the others and itself:
/// an RC low-pass is 1/(1 + jwRC).
#[test]
fn one_volt_from_the_named_source_alone() {
    let netlist = Netlist::new(RC);
    let run = response(&netlist)
        .option("--source", "V1")
        .option("--frequencies", "1,100,159.154943,10k")
        .probes(&["v(out)", "v(in2)", "i(C1)"]);
    let found = table(run);
    let (db, deg) = (column(&found, "v(out).db"), column(&found, "v(out).deg"));
    let current = column(&found, "i(C1).db");
    for (k, f) in column(&found, "frequency_hz").into_iter().enumerate() {
        let x = TAU * f * 1e-3;
        close("db", db[k], -10.0 * (1.0 + x * x).log10(), 1e-11);
        close("deg", deg[k], -x.atan().to_degrees(), 1e-11);
        let expected = 20.0 * (x * 1e-3 / (1.0 + x * x).sqrt()).log10();
        close("current", current[k], expected, 1e-10);
    }
    for row in &found.rows {
        assert_eq!(row[3], "", "nothing arrives, and that has no decibels");
    }
}

#[test]
fn equal_steps_and_lists_are_taken_too() {
    let netlist = Netlist::new(RC);
    let run = || {
        response(&netlist)
            .option("--source", "V1")
            .probes(&["v(out)"])
    };
    let even = run()
        .option("--from", "100")
        .option("--to", "400")
        .option("--step", "100");
    let found = column(&table(even), "frequency_hz");
    assert_eq!(found, [100.0, 200.0, 300.0, 400.0]);
    let listed = run().option("--frequencies", "50,1k,1meg");
    assert_eq!(column(&table(listed), "frequency_hz"), [50.0, 1e3, 1e6]);
}

/// A single pole delays by RC/(1 + (wRC)^2).
#[test]
fn the_group_delay_is_that_of_the_pole() {
    let netlist = Netlist::new(RC);
    let run = response(&netlist)
        .option("--source", "V1")
        .option("--frequencies", "1,159,10k")
        .arg("--group-delay")
        .probes(&["v(out)"]);
    let found = table(run);
    let delays = column(&found, "v(out).delay_s");
    for (f, delay) in column(&found, "frequency_hz").into_iter().zip(delays) {
        let x = TAU * f * 1e-3;
        let expected = 1e-3 / (1.0 + x * x);
        close("delay", delay, expected, 1e-12 * expected);
    }
}

/// At the source's node what the source sees, 1k + 1/jwC; elsewhere with the source at rest,
/// 1k beside 1/jwC.
#[test]
fn impedances_are_seen_from_outside() {
    let netlist = Netlist::new(RC);
    let run = response(&netlist)
        .option("--source", "V1")
        .option("--frequencies", "100,1k")
        .option("--impedance", "in")
        .option("--impedance", "OUT")
        .probes(&["v(out)"]);
    let found = table(run);
    assert_eq!(found.header[3..5], ["z(in).ohm", "z(in).deg"]);
    let (seen, angle) = (column(&found, "z(in).ohm"), column(&found, "z(in).deg"));
    let (out, turned) = (column(&found, "z(OUT).ohm"), column(&found, "z(OUT).deg"));
    for (k, f) in [100.0, 1e3].into_iter().enumerate() {
        let x = TAU * f * 1e-3;
        close("in", seen[k], 1e3 * (1.0 + 1.0 / (x * x)).sqrt(), 1e-7);
        close("angle", angle[k], -(1.0 / x).atan().to_degrees(), 1e-9);
        close("out", out[k], 1e3 / (1.0 + x * x).sqrt(), 1e-9);
        close("angle", turned[k], -x.atan().to_degrees(), 1e-9);
    }
}

#[test]
fn a_varied_knob_draws_a_family_in_one_table() {
    let netlist = Netlist::new(RC);
    let folder = tempfile::tempdir().unwrap();
    let plot = folder.path().join("plot.svg");
    let run = response(&netlist)
        .option("--source", "V1")
        .option("--frequencies", "100,1k")
        .option("--vary", "R1=1k,2k2")
        .option("--plot", plot.to_str().unwrap())
        .probes(&["v(out)"]);
    let found = table(run);
    assert_eq!(found.header[..2], ["R1", "frequency_hz"]);
    let names: Vec<&str> = found.rows.iter().map(|r| r[0].as_str()).collect();
    assert_eq!(names, ["1k", "1k", "2k2", "2k2"]);
    let db = column(&found, "v(out).db");
    let x = TAU * 1e3 * 2.2e-3;
    close("db", db[3], -10.0 * (1.0 + x * x).log10(), 1e-10);
    let picture = std::fs::read_to_string(plot).unwrap();
    assert!(picture.contains("R1=2k2") && picture.contains("level (dB)"));
}

#[test]
fn mistakes_are_told_and_nothing_is_made() {
    let netlist = Netlist::new(RC);
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("out.csv");
    for (options, words) in [
        (&["--source", "V3"][..], "no source `V3`"),
        (&["--source", "R1"], "no source `R1`"),
        (&[], "which source"),
        (
            &["--source", "V1", "--probe", "p(R1)"],
            "no small-signal meaning",
        ),
        (&["--source", "V1", "--from", "0"], "more than zero"),
        (&["--source", "V1", "--from", "-5"], "more than zero"),
        (&["--source", "V1", "--from", "1k", "--to", "10"], "upwards"),
        (&["--source", "V1", "--points-per-decade", "1e9"], "at most"),
        (
            &["--source", "V1", "--points-per-decade", "x"],
            "not a number",
        ),
        (
            &["--source", "V1", "--frequencies", "10,5"],
            "does not rise",
        ),
        (
            &["--source", "V1", "--frequencies", "10", "--step", "5"],
            "expected one",
        ),
        (&["--source", "V1", "--impedance", "outt"], "no node"),
        (&["--source", "V1", "--impedance", "0"], "other than ground"),
        (&["--source", "V1", "--vary", "R1"], "has no `=`"),
    ] {
        let run = response(&netlist).option("--csv", csv.to_str().unwrap());
        let ran = options.iter().fold(run, |run, o| run.arg(o)).run();
        assert_eq!(ran.status, 2, "{options:?}: {}", ran.stderr);
        assert!(ran.stderr.contains(words), "{options:?}: {}", ran.stderr);
        assert!(!csv.exists());
    }
}

#[test]
fn the_table_tells_peak_and_corners() {
    let netlist = Netlist::new(
        "Band-pass\nV1 in 0 AC 1\nC1 in a 1u\nR1 a 0 1k\nE1 b 0 a 0 10\nR2 b out 1k\nC2 out 0 1n\n.end\n",
    );
    let ran = response(&netlist)
        .option("--from", "1")
        .option("--to", "1meg")
        .option("--impedance", "out")
        .probes(&["v(out)"])
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    // 159.155 Hz and 159.155 kHz, each pushed out by the other by a millionth or so.
    for words in ["159 Hz", "159 kHz", "19.99 dB", "x 9.99"] {
        assert!(ran.stdout.contains(words), "{words}\n{}", ran.stdout);
    }
}
