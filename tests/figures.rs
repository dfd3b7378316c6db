//! Figures by name against closed forms: `check` is asked for each, so that what sheets,
//! `vary` and `bias --seek` measure is held to the same formulas.
mod common;

use common::Gridleak;
use std::f64::consts::{PI, TAU};
use std::path::Path;

/// What `check` finds for each figure of a netlist, or its verdict's words.
fn found(netlist: &str, figures: &[&str]) -> Vec<Result<f64, String>> {
    let folder = tempfile::tempdir().expect("a folder");
    let expectation =
        |figure: &&str| format!("[[expect]]\nfigure = \"{figure}\"\nat-most = 1e99\n");
    let all: String = figures.iter().map(expectation).collect();
    let write = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).expect("written");
    };
    write("c.cir", netlist);
    write("c.sheet.toml", &format!("netlist = \"c.cir\"\n{all}"));
    let json = folder.path().join("c.json");
    let ran = Gridleak::command("check")
        .path(&folder.path().join("c.sheet.toml"))
        .option("--json", json.to_str().expect("a path"))
        .run();
    assert!(ran.status <= 1, "{}", ran.stderr);
    let text = std::fs::read_to_string(json).expect("written");
    let all: Vec<serde_json::Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).expect("an object a line"))
        .collect();
    assert_eq!(all.len(), figures.len(), "{text}");
    let by = |v: &serde_json::Value| v["by"].as_str().unwrap_or_default().to_string();
    all.iter()
        .map(|v| v["found"].as_f64().ok_or_else(|| by(v)))
        .collect()
}

fn near(netlist: &str, expected: &[(&str, f64, f64)]) {
    let figures: Vec<&str> = expected.iter().map(|e| e.0).collect();
    let found = found(netlist, &figures);
    for ((figure, expected, part), found) in expected.iter().zip(found) {
        let found = found.unwrap_or_else(|why| panic!("{figure}: {why}"));
        let apart = (found - expected).abs();
        let allowed = part * expected.abs();
        assert!(apart <= allowed, "{figure}: {found}, expected {expected}");
    }
}

fn db(x: f64) -> f64 {
    20.0 * x.log10()
}

/// A band pass of two first-order sections apart by a buffer: 1 k and 1 u up to the corner at
/// 159.155 Hz, 1 k and 1 n from 159.155 kHz down, with ten times the gain between.
#[test]
fn a_band_pass_has_its_gain_corners_and_impedances() {
    let netlist = "Band pass\nV1 in 0 AC 1\nC1 in a 1u\nR1 a 0 1k\nE1 b 0 a 0 10\nR2 b out 1k\n\
        C2 out 0 1n\n.end\n";
    let (low, high) = (1.0 / (TAU * 1e-3), 1.0 / (TAU * 1e-6));
    let gain = |f: f64| 10.0 / ((1.0 + (low / f).powi(2)) * (1.0 + (f / high).powi(2))).sqrt();
    let phase = |f: f64| ((low / f).atan() - (f / high).atan()).to_degrees();
    // The greatest gain lies at the middle of both; from there 3 dB down on either side:
    // (1 + (l/f)^2)(1 + (f/h)^2) = 2 (1 + l/h)^2 is a square equation in f^2.
    let (ratio, twice) = (low / high, 2.0 * (1.0 + low / high).powi(2));
    let b = (twice - 1.0 - ratio * ratio) * high * high;
    let root = (b * b - 4.0 * (low * high).powi(2)).sqrt();
    let (from, to) = (((b - root) / 2.0).sqrt(), ((b + root) / 2.0).sqrt());
    let seen = |f: f64| (1e6 + (1.0 / (TAU * f * 1e-6)).powi(2)).sqrt();
    let out = |f: f64| 1e3 / (1.0 + (f / high).powi(2)).sqrt();
    near(
        netlist,
        &[
            ("gain of v(out)", db(gain(1e3)), 1e-9),
            ("gain of out with frequency 50", db(gain(50.0)), 1e-9),
            ("phase of v(out) with frequency 100 kHz", phase(1e5), 1e-9),
            ("low corner of v(out)", from, 1e-6),
            ("high corner of v(out) with source V1", to, 1e-6),
            (
                "input impedance of V1 with frequency 100",
                seen(100.0),
                1e-9,
            ),
            (
                "output impedance of v(out) with frequency 1meg",
                out(1e6),
                1e-9,
            ),
        ],
    );
}

/// The loop through RF: K R/(R + RF) turned by three equal sections of 1 k and 1 u, each of
/// which has turned by 60 degrees and halved at sqrt 3/(2 pi RC): T = -T0/8 there.
#[test]
fn a_loop_has_its_margins() {
    let netlist = "Three poles\nV1 s 0 AC 1\nRS s in 10k\nE1 a 0 0 in 100\nR1 a b 1k\nC1 b 0 1u\n\
        E2 c 0 b 0 1\nR2 c d 1k\nC2 d 0 1u\nE3 e 0 d 0 1\nR3 e f 1k\nC3 f 0 1u\nE4 out 0 f 0 1\n\
        RF out in 190k\n.end\n";
    let t0: f64 = 5.0;
    let turn = (t0.powf(2.0 / 3.0) - 1.0).sqrt();
    near(
        netlist,
        &[
            ("loop gain of RF with frequency 1m", db(t0), 1e-6),
            ("feedback of RF with frequency 1m", db(1.0 + t0), 1e-6),
            ("gain margin of RF", db(8.0 / t0), 1e-6),
            (
                "phase margin of RF",
                180.0 - 3.0 * turn.atan().to_degrees(),
                1e-6,
            ),
        ],
    );
}

/// kT/C over all frequencies (H. Nyquist, Phys. Rev. 32, 1928; from memory): the band from
/// 1 mHz to 10 GHz leaves out 1 part in 10^5 of an RC at 1.6 kHz. Referred to the source the
/// noise is that of R alone, sqrt(4 k T R B).
#[test]
fn noise_is_that_of_the_resistor() {
    let netlist = "RC\nV1 in 0 AC 1\nR1 in out 100k\nC1 out 0 1n\n.end\n";
    let kt: f64 = 1.380649e-23 * 300.15;
    near(
        netlist,
        &[
            (
                "noise of v(out) with from 1m, to 10g",
                (kt / 1e-9).sqrt(),
                1e-4,
            ),
            (
                "input noise of v(out)",
                (4.0 * kt * 1e5 * 19_980.0).sqrt(),
                1e-6,
            ),
        ],
    );
    let found = found(netlist, &["weighted noise of v(out)", "noise of v(out)"]);
    let (weighted, plain) = (
        found[0].clone().expect("known"),
        found[1].clone().expect("known"),
    );
    assert!(weighted < plain && weighted > 0.5 * plain);
}

/// v(out) = v + v^2/10 + v^3/100 into 8 ohm; harmonics by the addition theorems.
#[test]
fn a_cubic_has_its_harmonics_at_any_working_point() {
    let netlist = "Cubic\nV1 in 0 DC 0 AC 1 SIN(0 2 440)\n\
        B1 out 0 V=v(in)+0.1*v(in)^2+0.01*v(in)^3\nRL out 0 8\n.end\n";
    let h = |a: f64| [a + 0.0075 * a.powi(3), 0.05 * a * a, 0.0025 * a.powi(3)];
    let rms = |a: f64| (h(a).map(|x| x * x).iter().sum::<f64>() / 2.0).sqrt();
    let thd = |a: f64| 100.0 * h(a)[1].hypot(h(a)[2]) / h(a)[0];
    let solve = |f: &dyn Fn(f64) -> f64, wanted: f64| {
        let (mut low, mut high) = (1e-6, 100.0);
        for _ in 0..200 {
            let middle: f64 = 0.5 * (low + high);
            if f(middle) < wanted {
                low = middle
            } else {
                high = middle
            }
        }
        low
    };
    let three = solve(&thd, 3.0);
    let volt = solve(&rms, 1.0);
    near(
        netlist,
        &[
            ("thd of v(out)", thd(2.0), 1e-6),
            ("thd of v(out) with level 0.5, frequency 1k", thd(0.5), 1e-6),
            ("thd of v(out) with output-level 1", thd(volt), 1e-4),
            (
                "harmonic level of v(out) with harmonic 3",
                db(h(2.0)[2] / 2f64.sqrt()),
                1e-6,
            ),
            ("output level of v(out)", rms(2.0), 1e-6),
            ("output level of v(out) with thd 3 %", rms(three), 1e-4),
            ("input level of v(out) with thd 3 %", three, 1e-4),
            ("input level of v(out) with output-level 1 V", volt, 1e-4),
            ("output power of RL", rms(2.0).powi(2) / 8.0, 1e-6),
            (
                "output power of RL with thd 3",
                rms(three).powi(2) / 8.0,
                1e-4,
            ),
        ],
    );
}

/// Two equal tones through 1 + e v: e a^2/4 each way of the difference and the sum, so that
/// the difference is e a/2 over the sum of both tones' peaks, with a the peak of one.
#[test]
fn two_tones_have_their_difference() {
    let netlist = "Square\nV1 in 0 AC 1\nB1 out 0 V=v(in)+0.1*v(in)^2\nRL out 0 1k\n.end\n";
    // a = 1: the product of the tones is 2 a a 0.1 cos cos: 0.1 at the difference; over 1 + 1.
    near(
        netlist,
        &[(
            "intermodulation of v(out) with pair ccif, level 2",
            5.0,
            1e-6,
        )],
    );
}

/// What does not exist is reported as that, and is off and no mistake of the sheet.
#[test]
fn a_figure_that_does_not_exist_falls_short() {
    let netlist =
        "t\nV1 in 0 AC 1\nB1 out 0 V=atan(v(in))\nR1 out 0 1k\nR2 out x 1k\nR3 x 0 1k\n.end\n";
    let found = found(
        netlist,
        &[
            "low corner of v(out)",
            "gain margin of R2",
            "input level of v(in) with thd 3",
            "thd of v(out) with level 1m",
        ],
    );
    let words = [
        "does not fall",
        "never turns",
        "no input brings the distortion to 3.00 %",
    ];
    for (found, words) in found.iter().zip(words) {
        let why = found.as_ref().expect_err(words);
        assert!(why.contains(words), "{why}");
    }
    // atan x = x - x^3/3: a third harmonic of x^2/12.
    let thd = found[3].clone().expect("a figure");
    assert!((thd / (100.0 * 1e-6 / 12.0) - 1.0).abs() < 1e-2, "{thd}");
}

/// In a circuit that is fed from the mains figures are those of `bias`: averages over a cycle.
#[test]
fn a_mains_supply_stands_as_bias_has_it() {
    let supply = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing/supply.cir");
    let chart = Gridleak::command("bias")
        .path(&supply)
        .table()
        .expect("a chart");
    let ran = Gridleak::command("vary")
        .path(&supply)
        .option("--vary", "RSCREENS=134k")
        .option("--figure", "v(screens)")
        .option("--figure", "ripple of reservoir")
        .option("--figure", "peak plate current of XV9")
        .option("--figure", "dissipation of XHT.RD4")
        .option("--csv", "-")
        .arg("--quiet")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let values: Vec<f64> = ran
        .stdout
        .lines()
        .skip(1)
        .map(|l| {
            l.rsplit(',')
                .nth(1)
                .and_then(|v| v.parse().ok())
                .expect("a value")
        })
        .collect();
    let expected = [
        ("v(screens)", "voltage"),
        ("v(reservoir)", "ripple"),
        ("XV9", "peak plate current"),
        ("XHT.RD4", "dissipation"),
    ];
    for ((subject, quantity), found) in expected.into_iter().zip(values) {
        let charted = chart.quantity(subject, quantity).expect("charted");
        assert_eq!(found, charted, "{quantity} of {subject}");
        assert!(found > 0.0 && found < 200.0 * PI);
    }
}
