//! The promises of `feedback`, word for word (contract: "Commands", "The fine print"), against
//! amplifiers with closed forms.
mod common;

use common::{Gridleak, Netlist, Table, close};
use std::f64::consts::TAU;

const HEADER: [&str; 9] = [
    "value_ohm",
    "gain_db",
    "low_hz",
    "high_hz",
    "output_impedance_ohm",
    "loop_gain_db",
    "phase_margin_deg",
    "gain_margin_db",
    "thd_percent",
];

fn feedback(netlist: &Netlist, element: &str, values: &str) -> Gridleak {
    Gridleak::command("feedback")
        .path(netlist.path())
        .option("--element", element)
        .option("--values", values)
}

fn table(run: Gridleak) -> Table {
    let found = run.table().unwrap_or_else(|why| panic!("{why}"));
    assert_eq!(found.header, HEADER);
    found
}

/// The cell of a row; none where it is empty.
fn cell(table: &Table, row: usize, name: &str) -> Option<f64> {
    let at = HEADER.iter().position(|h| *h == name).expect("a column");
    table.rows[row][at].parse().ok()
}

fn value(table: &Table, row: usize, name: &str) -> f64 {
    cell(table, row, name).unwrap_or_else(|| panic!("no {name} in {:?}", table.rows[row]))
}

fn db(x: f64) -> f64 {
    20.0 * x.log10()
}

/// An amplifier of gain -1000 with one pole at 100 Hz and 100 ohm, RS 10 k to its input.
const ONE_POLE: &str = "\
One pole
VIN s 0 AC 1
RS s in 10k
E1 a 0 0 in 1000
R1 a b 1k
C1 b 0 1.59154943u
E2 c 0 b 0 1
RO c out 100
RL out 0 900
RF out in 1meg
.end
";

/// By hand, at 1 Hz where the pole turns by half a degree: with beta = RS/(RS + RF + Zo) and
/// Zo = 90 ohm (RO beside RL) T = 900 beta; gain, output impedance (Blackman: what it is
/// without the loop over 1 + T) and the pole moved up by 1 + T.
#[test]
fn one_pole_has_its_closed_forms() {
    let netlist = Netlist::new(ONE_POLE);
    let run = feedback(&netlist, "RF", "open,1meg,100k,4k7")
        .option("--source", "VIN")
        .option("--frequency", "1m")
        .probes(&["v(out)"]);
    let found = table(run);
    assert_eq!(found.rows[0][0], "open");
    close("open", value(&found, 0, "gain_db"), db(900.0), 1e-7);
    for empty in [
        "loop_gain_db",
        "phase_margin_deg",
        "gain_margin_db",
        "low_hz",
    ] {
        assert_eq!(cell(&found, 0, empty), None, "{empty}");
    }
    close("open", value(&found, 0, "high_hz"), 100.0, 1e-4);
    close("open", value(&found, 0, "output_impedance_ohm"), 90.0, 1e-6);
    for (row, rf) in [(1, 1e6), (2, 100e3), (3, 4.7e3)] {
        assert_eq!(value(&found, row, "value_ohm"), rf);
        let (rs, zo) = (10e3, 90.0);
        let t = 900.0 * rs / (rs + rf + zo);
        close("loop", value(&found, row, "loop_gain_db"), db(t), 1e-6);
        // Nodal equations of the two nodes, RF carrying the signal forward too.
        let (gs, gf, go) = (1.0 / rs, 1.0 / rf, 1.0 / zo);
        let out = |amplifier: f64| {
            let determinant = (gs + gf) * (go + gf) + gf * (amplifier * go - gf);
            gs * (gf - amplifier * go) / determinant
        };
        let gain = out(900.0);
        close("gain", value(&found, row, "gain_db"), db(gain.abs()), 1e-6);
        // At rest: zo beside RF + RS, over 1 + T.
        let dead = 1.0 / (1.0 / zo + 1.0 / (rf + rs));
        let z = dead / (1.0 + t);
        close(
            "impedance",
            value(&found, row, "output_impedance_ohm"),
            z,
            1e-6 * z,
        );
        let high = 100.0 * (1.0 + t);
        // What passes forward through RF moves the corner a little.
        close("corner", value(&found, row, "high_hz"), high, 2e-2 * high);
        // A single pole: past its unity gain there are 90 degrees and a little more left.
        let margin = 180.0 - (t * t - 1.0).sqrt().atan().to_degrees();
        close(
            "margin",
            value(&found, row, "phase_margin_deg"),
            margin,
            1e-3,
        );
        assert_eq!(cell(&found, row, "gain_margin_db"), None);
    }
}

/// Three equal poles, T = T0/(1 + jf/f1)^3 with T0 = K RS/(RS + RF): the phase is 180 degrees
/// at sqrt 3 f1, where T0 must be under 8.
fn three_poles(wave: &str) -> Netlist {
    Netlist::new(&format!(
        "Three poles\nVIN s 0 DC 0 AC 1 {wave}\nRS s in 10k\nE1 a 0 0 in 100\nR1 a b 1k\n\
         C1 b 0 10n\nE2 b2 0 b 0 1\nR2 b2 c 1k\nC2 c 0 10n\nE3 c2 0 c 0 1\nR3 c2 d 1k\n\
         C3 d 0 10n\nE4 out 0 d 0 1\nRL out 0 1k\nRF out in 1meg\n.end\n"
    ))
}

const F1: f64 = 1.0 / (TAU * 1e3 * 10e-9);

#[test]
fn three_poles_have_their_margins() {
    let netlist = three_poles("");
    let run = feedback(&netlist, "RF", "990k,190k")
        .option("--frequency", "1")
        .probes(&["v(out)"]);
    let found = table(run);
    for (row, t0) in [(0, 1.0f64), (1, 5.0)] {
        close("loop", value(&found, row, "loop_gain_db"), db(t0), 1e-5);
        let margin = value(&found, row, "gain_margin_db");
        close("gain margin", margin, db(8.0 / t0), 1e-6);
        if t0 > 1.0 {
            let at = (t0.powf(2.0 / 3.0) - 1.0).sqrt();
            let expected = 180.0 - 3.0 * at.atan().to_degrees();
            close(
                "phase margin",
                value(&found, row, "phase_margin_deg"),
                expected,
                1e-6,
            );
        }
    }
}

/// From T0 = 8 on it oscillates; while the swing is small at sqrt(3)/2 T0^(1/3) f1, growing by
/// (T0^(1/3)/2 - 1)/RC. The transient shows the same.
#[test]
fn an_unstable_loop_is_said_to_be_and_the_transient_shows_it() {
    let t0 = 10.0f64;
    let netlist = three_poles("PULSE(0 1m 1u 1u 1u 1 2)");
    let folder = tempfile::tempdir().unwrap();
    let json = folder.path().join("f.json");
    let ran = feedback(&netlist, "RF", "90k,190k")
        .option("--json", json.to_str().unwrap())
        .probes(&["v(out)"])
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(
        ran.stderr.contains("unstable: it would oscillate near"),
        "{}",
        ran.stderr
    );
    assert!(ran.stdout.contains("UNSTABLE"), "{}", ran.stdout);
    let text = std::fs::read_to_string(json).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    let row = &record["rows"][0];
    let number = |name: &str| {
        row[name]
            .as_f64()
            .unwrap_or_else(|| panic!("{name} in {row}"))
    };
    assert!(row["thd_percent"].is_null(), "no steady state: {row}");
    let (freq, growth) = (number("oscillates_hz"), number("growth_per_s"));
    let expected = 3f64.sqrt() / 2.0 * t0.cbrt() * F1;
    close("oscillates, Hz", freq, expected, 1e-6 * expected);
    let expected = (0.5 * t0.cbrt() - 1.0) / 10e-6;
    close("grows, 1/s", growth, expected, 1e-4 * expected);
    close("gain margin", number("gain_margin_db"), db(0.8), 1e-6);
    assert!(number("phase_margin_deg") < 0.0);
    assert_eq!(record["rows"][1]["stability"], "stable");

    let scoped = Gridleak::command("scope")
        .path(netlist.path())
        .option("--set", "RF=90k")
        .option("--stop", "1m")
        .option("--step", "0.5u")
        .probes(&["v(out)"]);
    let waves = scoped.table().unwrap_or_else(|why| panic!("{why}"));
    let (t, v) = (
        waves.column("time_s").unwrap(),
        waves.column("v(out)").unwrap(),
    );
    // The last thirty rises through the middle, and the highest point of each swing.
    let middle = -10.0 / 11.0 * 9e-3;
    let rises: Vec<(usize, f64)> = (1..v.len())
        .filter(|&k| v[k - 1] < middle && v[k] >= middle)
        .map(|k| {
            let part = (middle - v[k - 1]) / (v[k] - v[k - 1]);
            (k, t[k - 1] + part * (t[k] - t[k - 1]))
        })
        .collect();
    let (first, last) = (rises[rises.len() - 11], rises[rises.len() - 1]);
    let seen = 10.0 / (last.1 - first.1);
    close("transient, Hz", seen, freq, 2e-3 * freq);
    let top = |from: usize, to: usize| v[from..to].iter().fold(f64::MIN, |m, &x| m.max(x)) - middle;
    let tops: Vec<f64> = rises.windows(2).map(|w| top(w[0].0, w[1].0)).collect();
    let grown = (tops[tops.len() - 1] / tops[tops.len() - 11]).ln() / (last.1 - first.1);
    close("transient, 1/s", grown, growth, 0.02 * growth);
}

/// Local loops of one stage: an unbypassed cathode, mu Rk/(rp + Ra + Rk), and plate to grid
/// with the return ratio worked out by hand from gm, rp (notes: Steck's point, gm 1877 uS,
/// rp 48.995 k): gm times the plate's impedance divided down to the grid.
#[test]
fn local_loops_of_a_stage_are_found() {
    let law = ".model V triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300)\n.end\n";
    let cathode = Netlist::new(&format!(
        "Cathode\nVB b 0 330\nVG g 0 AC 1\nRA b p 100k\nRK k 0 1.5k\nXV p g k V\n{law}"
    ));
    let found = table(feedback(&cathode, "rk", "1k5").probes(&["v(p)"]));
    let expected = 91.97 * 1.5 / (48.995 + 100.0 + 1.5);
    close(
        "cathode",
        value(&found, 0, "loop_gain_db"),
        db(expected),
        0.005,
    );
    close("gain", value(&found, 0, "gain_db"), db(31.9), 0.01);
    let plate = Netlist::new(&format!(
        "Plate to grid\nVB b 0 330\nVIN s 0 AC 1\nRA b p 100k\nRK k 0 1.5k\nCK k 0 1\n\
         RS s g 100k\nCF p f 1\nRF f g 470k\nXV p g k V\n{law}"
    ));
    let found = table(feedback(&plate, "RF", "open,470k,1meg").probes(&["v(p)"]));
    let gm = 1877e-6;
    let load = 1.0 / (1.0 / 48.995e3 + 1.0 / 100e3);
    for (row, rf) in [(1, 470e3), (2, 1e6)] {
        // The plate's current divides between its load and RF + RS; forward through RF too.
        let ohms = load * 100e3 / (load + rf + 100e3);
        let loop_db = value(&found, row, "loop_gain_db");
        close("plate to grid", loop_db, db(gm * ohms), 0.01);
    }
    assert!(value(&found, 0, "gain_db") > value(&found, 1, "gain_db") + 15.0);
    assert_eq!(cell(&found, 0, "loop_gain_db"), None);
}

#[test]
fn mistakes_are_told_and_nothing_is_made() {
    let netlist = Netlist::new(ONE_POLE);
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("out.csv");
    for (element, values, options, words) in [
        ("RX", "1k", &["--probe", "v(out)"][..], "no resistor `RX`"),
        ("C1", "1k", &["--probe", "v(out)"], "expected a resistor"),
        ("RF", "1k,,2k", &["--probe", "v(out)"], "is not a number"),
        ("RF", "0", &["--probe", "v(out)"], "is not a resistance"),
        ("RF", "1k", &[], "takes one `--probe`"),
        ("RF", "1k", &["--probe", "i(RF)"], "expected v(...)"),
        (
            "RF",
            "1k",
            &["--probe", "v(out)", "--source", "V9"],
            "no source",
        ),
        (
            "RF",
            "1k",
            &["--probe", "v(out)", "--load", "RS"],
            "does not lie across",
        ),
        (
            "RF",
            "1k",
            &["--probe", "v(out)", "--frequency", "0"],
            "more than zero",
        ),
    ] {
        let run = feedback(&netlist, element, values).option("--csv", csv.to_str().unwrap());
        let ran = options.iter().fold(run, |run, o| run.arg(o)).run();
        assert_eq!(
            ran.status, 2,
            "{element} {values} {options:?}: {}",
            ran.stderr
        );
        assert!(ran.stderr.contains(words), "{options:?}: {}", ran.stderr);
        assert!(!csv.exists());
    }
}

/// Damping: the load over what the output is without it; here RO over 1 + T of the unloaded
/// amplifier, with the load in place for the impedance column.
#[test]
fn damping_counts_the_load_apart() {
    let netlist = Netlist::new(ONE_POLE);
    let folder = tempfile::tempdir().unwrap();
    let json = folder.path().join("f.json");
    let ran = feedback(&netlist, "RF", "open")
        .option("--load", "RL")
        .option("--frequency", "1")
        .option("--json", json.to_str().unwrap())
        .probes(&["v(out)"])
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let text = std::fs::read_to_string(json).unwrap();
    let record: serde_json::Value = serde_json::from_str(&text).unwrap();
    let damping = record["rows"][0]["damping_factor"].as_f64().unwrap();
    close("damping", damping, 9.0, 1e-6);
}

/// An amplifier of 20 e + 2000 e^3, where e is what a divider leaves of the source.
const BENT: &str = "\
A bent amplifier
VIN s 0 AC 1
B1 out 0 V=20*v(s,fb)+2000*v(s,fb)^3
RF out fb 9k
R2 fb 0 1k
.end
";

/// Rms and THD (harmonics 2 to 20 relative to the fundamental) of the amplifier for a sine of
/// `level` peak, by the rectangle rule over a cycle: exact for a band-limited wave.
fn bent(level: f64, beta: f64) -> (f64, f64) {
    const POINTS: usize = 720;
    let out: Vec<f64> = (0..POINTS)
        .map(|n| {
            let s = level * (TAU * n as f64 / POINTS as f64).sin();
            // s = e + beta (20 e + 2000 e^3), which rises with e.
            let mut e = 0.0;
            for _ in 0..60 {
                let off = e + beta * (20.0 * e + 2000.0 * e * e * e) - s;
                e -= off / (1.0 + beta * (20.0 + 6000.0 * e * e));
            }
            20.0 * e + 2000.0 * e * e * e
        })
        .collect();
    let rms = (out.iter().map(|v| v * v).sum::<f64>() / POINTS as f64).sqrt();
    let harmonic = |k: usize| {
        let turn = |n: usize| TAU * (k * n) as f64 / POINTS as f64;
        let (mut c, mut s) = (0.0, 0.0);
        for (n, v) in out.iter().enumerate() {
            c += v * turn(n).cos();
            s += v * turn(n).sin();
        }
        c.hypot(s)
    };
    let rest = (2..=20).map(|k| harmonic(k).powi(2)).sum::<f64>().sqrt();
    (rms, rest / harmonic(1))
}

/// "THD is taken at --output-level (V rms at the probe, 1 unless said)": the input that gives
/// it is sought for each value, so that more feedback shows as less distortion and not as less
/// output.
#[test]
fn distortion_is_compared_at_equal_output() {
    let netlist = Netlist::new(BENT);
    for level in [None, Some(3.0)] {
        let mut run = feedback(&netlist, "RF", "open,99k,9k").probes(&["v(out)"]);
        if let Some(level) = level {
            run = run.option("--output-level", f64::to_string(&level));
        }
        let found = table(run);
        let mut last = f64::INFINITY;
        for (row, beta) in [(0, 0.0), (1, 0.01), (2, 0.1)] {
            let (mut low, mut high) = (0.0, 3.0);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if bent(middle, beta).0 < level.unwrap_or(1.0) {
                    low = middle
                } else {
                    high = middle
                }
            }
            let expected = 100.0 * bent(low, beta).1;
            let thd = value(&found, row, "thd_percent");
            close("thd", thd, expected, 2e-4 * expected);
            assert!(thd < last, "feedback takes distortion off");
            last = thd;
        }
    }
}

/// Where the output limits below the level there is no THD, and the greatest output is reported;
/// everything else stands.
#[test]
fn an_output_that_is_not_reached_leaves_the_cell_empty() {
    let netlist = Netlist::new(
        "t\nVIN s 0 AC 1\nB1 out 0 V=atan(10*v(s,fb))\nRF out fb 9k\nR2 fb 0 1k\n.end\n",
    );
    let run = feedback(&netlist, "RF", "open,9k").probes(&["v(out)"]);
    let most = run.clone().option("--output-level", "2.5").run();
    assert_eq!(most.status, 0, "{}", most.stderr);
    // A square wave of pi/2 V has as much rms; a sine that is driven far into it a little less.
    let words = "with RF=9k there is no THD: the output cannot reach 2.500 rms: it comes to 1.5";
    assert!(most.stderr.contains(words), "{}", most.stderr);
    let found = table(run.option("--output-level", "2.5"));
    for row in [0, 1] {
        assert_eq!(cell(&found, row, "thd_percent"), None);
        assert!(cell(&found, row, "gain_db").is_some());
    }
}

/// A loudspeaker is a load too: the damping factor is its voice coil's resistance over the
/// output's own impedance. The output is ideal behind 2 ohm, so that it is 6.56 ohm (0.82 of 8)
/// over 2, at any frequency.
#[test]
fn a_loudspeaker_is_a_load() {
    let netlist = Netlist::new(
        "a loudspeaker behind two ohms\nVIN in 0 AC 1\nE1 e 0 in 0 10\nRS e out 2\n\
         RF out in 1meg\nXSPEAKER out 0 GREEN\n.model GREEN speaker(ohms=8)\n.end\n",
    );
    let folder = tempfile::tempdir().unwrap();
    let json = folder.path().join("f.json");
    for (frequency, turned) in [("80", false), ("1k", false), ("10k", true)] {
        let ran = feedback(&netlist, "RF", "1meg")
            .option("--load", "XSPEAKER")
            .option("--frequency", frequency)
            .option("--json", json.to_str().unwrap())
            .probes(&[if turned { "v(0,out)" } else { "v(out)" }])
            .run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let text = std::fs::read_to_string(&json).unwrap();
        let record: serde_json::Value = serde_json::from_str(&text).unwrap();
        let damping = record["rows"][0]["damping_factor"].as_f64().unwrap();
        close(frequency, damping, 6.56 / 2.0, 1e-4);
    }
}

/// The plot is a family: for each value a gain, and a loop gain and its phase where there is a
/// loop.
#[test]
fn the_plot_is_a_family_over_frequency() {
    let netlist = Netlist::new(ONE_POLE);
    let folder = tempfile::tempdir().unwrap();
    let plot = folder.path().join("f.svg");
    let ran = feedback(&netlist, "RF", "open,100k,10k")
        .option("--plot", plot.to_str().unwrap())
        .probes(&["v(out)"])
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let picture = std::fs::read_to_string(plot).unwrap();
    for words in ["gain (dB)", "loop gain (dB)", "phase of the loop (degrees)"] {
        assert!(picture.contains(words), "{words}");
    }
    assert_eq!(picture.matches("RF=open").count(), 1);
    assert_eq!(picture.matches("RF=10k").count(), 3);
}
