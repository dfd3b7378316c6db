//! `noise` against formulas from outside, through the binary.
mod common;

use common::{Gridleak, Netlist, Table, close};
use std::f64::consts::TAU;

/// Boltzmann's constant and the elementary charge (CODATA 2018), and 27 C in kelvin.
const K: f64 = 1.380649e-23;
const Q: f64 = 1.602176634e-19;
const T: f64 = 300.15;

struct Heard {
    table: Table,
    record: serde_json::Value,
}

impl Heard {
    fn number(&self, name: &str) -> f64 {
        self.record[name]
            .as_f64()
            .unwrap_or_else(|| panic!("{name} in {}", self.record))
    }

    /// V rms at the probe of one part.
    fn part(&self, element: &str, kind: &str) -> f64 {
        let parts = self.record["parts"].as_array().expect("parts");
        let found = parts
            .iter()
            .find(|p| p["element"] == element && p["kind"] == kind);
        found.unwrap_or_else(|| panic!("no {element} {kind} in {parts:?}"))["output_v_rms"]
            .as_f64()
            .expect("a number")
    }

    fn column(&self, name: &str) -> Vec<f64> {
        self.table
            .column(name)
            .unwrap_or_else(|why| panic!("{why}"))
    }
}

fn heard(text: &str, options: &[&str]) -> Heard {
    let netlist = Netlist::new(text);
    let folder = tempfile::tempdir().unwrap();
    let json = folder.path().join("noise.json");
    let run = Gridleak::command("noise")
        .path(netlist.path())
        .option("--json", json.to_str().unwrap());
    let run = options.iter().fold(run, |run, o| run.arg(o));
    let table = run.table().unwrap_or_else(|why| panic!("{why}"));
    let record = serde_json::from_str(&std::fs::read_to_string(json).unwrap()).unwrap();
    Heard { table, record }
}

/// Johnson noise of an RC: v^2 = kT/C over all frequencies, whatever R is; 4kTR and one pole
/// give 2 kT/(pi C) (atan(f2/fc) - atan(f1/fc)) between two.
#[test]
fn an_rc_holds_k_t_over_c() {
    for r in [1e3f64, 1e6] {
        let text = format!("RC\nR1 out 0 {r}\nC1 out 0 1n\n.end\n");
        let fc = 1.0 / (TAU * r * 1e-9);
        let band = [format!("{}", fc * 1e-5), format!("{}", fc * 1e7)];
        let found = heard(
            &text,
            &["--probe", "v(out)", "--from", &band[0], "--to", &band[1]],
        );
        let expected = (K * T / 1e-9).sqrt();
        close(
            "whole",
            found.number("output_v_rms"),
            expected,
            1e-5 * expected,
        );
        let found = heard(&text, &["--probe", "v(out)", "--from", "20", "--to", "20k"]);
        let angle = (20e3 / fc).atan() - (20.0 / fc).atan();
        let expected = (2.0 * K * T / 1e-9 * angle / (TAU / 2.0)).sqrt();
        close(
            "band",
            found.number("output_v_rms"),
            expected,
            1e-6 * expected,
        );
        for (f, v) in found
            .column("frequency_hz")
            .into_iter()
            .zip(found.column("v(out).v_per_rthz"))
        {
            let expected = (4.0 * K * T * r / (1.0 + (f / fc) * (f / fc))).sqrt();
            close("density", v, expected, 1e-11 * expected);
        }
    }
}

/// A tuned circuit holds kT/C too, however sharp: its resonance lies between the points of any fixed
/// grid. At the foot of a notch the noise referred to the input is just as sharp.
#[test]
fn a_sharp_resonance_counts_in_full() {
    for r in ["1meg", "10meg", "100meg"] {
        let text = format!("tank\nR1 out 0 {r}\nL1 out 0 1\nC1 out 0 1n\n.end\n");
        let options = ["--probe", "v(out)", "--from", "1", "--to", "1g"];
        let found = heard(&text, &options);
        let expected = (K * T / 1e-9).sqrt();
        close(r, found.number("output_v_rms"), expected, 1e-4 * expected);
        close(r, found.part("R1", "thermal"), expected, 1e-4 * expected);
    }
    // The notch of L and C in series, shunted by nothing: |H|^2 = (r^2 + x^2)/((R + r)^2 + x^2), and
    // the output has 4 k T Re(R || (r + jx)); referred, 4 k T (R + r R^2/(r^2 + x^2)), x = w L - 1/(w C).
    let text = "notch\nVIN in 0 AC 1\nR1 in out 100k\nL1 out a 1\nR2 a b 10\nC1 b 0 1n\n.end\n";
    let options = ["--probe", "v(out)", "--from", "20", "--to", "20k"];
    let found = heard(text, &options);
    let (large, small) = (1e5f64, 10.0f64);
    let referred = |f: f64| {
        let x = TAU * f - 1.0 / (TAU * f * 1e-9);
        let z = small * small + x * x;
        4.0 * K * T * (large + small * large * large / z)
    };
    // Trapezoids, of steps far below the 1.6 Hz that the notch is wide.
    let (count, width) = (2_000_000, 20e3 - 20.0);
    let step = width / f64::from(count);
    let inner: f64 = (1..count)
        .map(|n| referred(20.0 + f64::from(n) * step))
        .sum();
    let expected = (step * (inner + 0.5 * (referred(20.0) + referred(20e3)))).sqrt();
    close(
        "notch",
        found.number("input_rms"),
        expected,
        1e-4 * expected,
    );
}

/// A divider with gain behind: the input's share is that of the parallel resistance, the
/// totals over 20 kHz those of white noise, and dBu counts from 0.7746 V.
#[test]
fn input_noise_is_output_noise_over_gain() {
    let found = heard(
        "Divider\nV1 in 0 AC 1\nR1 in a 10k\nR2 a 0 10k\nE1 out 0 a 0 100\nRL out 0 1k\n.end\n",
        &["--probe", "v(out)", "--from", "1", "--to", "20001"],
    );
    let at_a = (4.0 * K * T * 5e3 * 20e3f64).sqrt();
    close(
        "output",
        found.number("output_v_rms"),
        100.0 * at_a,
        1e-6 * at_a,
    );
    close("input", found.number("input_rms"), 2.0 * at_a, 1e-8 * at_a);
    let dbu = 20.0 * (100.0 * at_a / 0.6f64.sqrt()).log10();
    close("dBu", found.number("output_dbu"), dbu, 1e-7);
    let each = 100.0 * at_a / 2f64.sqrt();
    close("R1", found.part("R1", "thermal"), each, 1e-6 * each);
    let input = found.column("V1.v_per_rthz")[0];
    close(
        "input density",
        input,
        2.0 * (4.0 * K * T * 5e3f64).sqrt(),
        1e-15,
    );
    assert!(
        found.record["parts"].as_array().unwrap().len() == 2,
        "a source is stiff"
    );
}

/// White noise of 1 V over 20 Hz to 20 kHz, A-weighted: the integral of the standard's curve
/// (poles at 20.6, 107.7, 737.9, 12194 Hz, IEC 61672-1), summed here on a linear grid.
#[test]
fn the_weighting_is_applied_to_power() {
    let found = heard(
        "R\nR1 out 0 2k\nR2 out 0 2k\n.end\n",
        &["--probe", "v(out)"],
    );
    let curve = |f: f64| {
        let s = f * f;
        let low = s + 20.598997f64.powi(2);
        let middle = ((s + 107.65265f64.powi(2)) * (s + 737.86223f64.powi(2))).sqrt();
        12194.217f64.powi(2) * s * s / (low * middle * (s + 12194.217f64.powi(2)))
    };
    let (steps, width) = (2_000_000, 19_980.0 / 2e6);
    let at = |n: usize| 20.0 + (n as f64 + 0.5) * width;
    let sum: f64 = (0..steps)
        .map(|n| (curve(at(n)) / curve(1e3)).powi(2))
        .sum();
    let expected = (4.0 * K * T * 1e3 * sum * width).sqrt();
    let weighted = found.number("a_weighted_v_rms");
    close("A-weighted", weighted, expected, 1e-6 * expected);
}

/// A stage by hand: the plate's noise is that of Req = 2.5/gm at 290 K (Harris, RCA Review 5,
/// 1941, from memory) times the gain, beside the plate resistor's own; Steck's stage has
/// gm 1877 uS, gain 61.7 and 32.9 k at its plate (notes, COMPUTED).
#[test]
fn a_stage_has_the_noise_of_its_equivalent_resistance() {
    let text = "Stage\nVB b 0 330\nVIN g 0 AC 1\nRA b p 100k\nRK k 0 1.5k\nCK k 0 1\n\
                XV p g k V\n.model V triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300 fcorner=500)\n.end\n";
    let found = heard(text, &["--probe", "v(p)", "--from", "100", "--to", "10100"]);
    let valve = (4.0 * K * 290.0 * 2.5 / 1877e-6 * 1e4f64).sqrt() * 61.73;
    close("valve", found.part("XV", "shot"), valve, 2e-3 * valve);
    // 1/f from 100 to 10 100 Hz: corner ln(101) for a bandwidth of 10 kHz.
    let flicker = valve * (500.0 * 101f64.ln() / 1e4).sqrt();
    close(
        "flicker",
        found.part("XV", "flicker"),
        flicker,
        2e-3 * flicker,
    );
    let plate = (4.0 * K * T / 100e3 * 1e4f64).sqrt() * 32.88e3;
    close("RA", found.part("RA", "thermal"), plate, 2e-3 * plate);
}

/// A junction with 1 mA: 2 q I through its own slope of 25.86 ohm and 10 k beside it.
#[test]
fn a_diode_has_shot_noise() {
    let found = heard(
        "Diode\nI1 0 a 1m\nR1 a 0 1meg\nD1 a 0 D\n.model D d(kf=1e-15)\n.end\n",
        &["--probe", "v(a)", "--frequencies", "10,1g"],
    );
    let slope = 0.0258649 / 1e-3;
    let white = 2.0 * Q * 1e-3 * slope * slope;
    let v = found.column("v(a).v_per_rthz");
    close("white", v[1], white.sqrt(), 1e-3 * white.sqrt());
    // kf I^af/f with af = 1.
    let both = (white + 1e-15 * 1e-3 / 10.0 * slope * slope).sqrt();
    close("with flicker", v[0], both, 2e-3 * both);
}

#[test]
fn mistakes_are_told() {
    let netlist = Netlist::new("t\nV1 in 0 AC 1\nR1 in out 1k\nR2 out 0 1k\n.end\n");
    for (options, words) in [
        (&[][..], "takes one `--probe`"),
        (&["--probe", "i(R1)"], "heard as a voltage"),
        (
            &["--probe", "v(out)", "--probe", "v(in)"],
            "takes one `--probe`",
        ),
        (&["--probe", "v(out)", "--source", "V9"], "no source"),
    ] {
        let run = Gridleak::command("noise").path(netlist.path());
        let ran = options.iter().fold(run, |run, o| run.arg(o)).run();
        assert_eq!(ran.status, 2, "{options:?}: {}", ran.stderr);
        assert!(ran.stderr.contains(words), "{options:?}: {}", ran.stderr);
    }
}

/// Copper and iron: a choke's 4kTR alone at its open end, and of an output transformer the loss of
/// its iron, which is a resistance across the primary: both by Nyquist's theorem, the noise of
/// any two passive poles is 4 kT times the real part of their impedance.
#[test]
fn windings_and_iron_have_their_thermal_noise() {
    let choke = "Choke\nXL out 0 CH\nC1 out 0 1u\n.model CH choke(l=5 idc=0.1 r=400)\n.end\n";
    let iron = "Iron\nXT p c q 0 s4 s8 out OT\nRP p 0 4k\nRQ q 0 4k\nRC c 0 1\n\
                .model OT pushpull(raa=8k power=20)\n.end\n";
    for (text, part) in [(choke, "XL"), (iron, "XT")] {
        let band = ["--probe", "v(out)", "--from", "999", "--to", "1001"];
        let found = heard(text, &band);
        assert!(found.part(part, "thermal") > 0.0);
        // A source for the response, out of the way.
        let with = Netlist::new(&text.replacen('\n', "\nVZ z 0 0\nRZ z 0 1k\n", 1));
        let table = Gridleak::command("response")
            .path(with.path())
            .option("--impedance", "out")
            .option("--from", "1000")
            .option("--to", "1001")
            .option("--source", "VZ")
            .table()
            .unwrap_or_else(|why| panic!("{why}"));
        let ohms = table.column("z(out).ohm").unwrap()[0];
        let angle = table.column("z(out).deg").unwrap()[0].to_radians();
        let expected = (4.0 * K * T * ohms * angle.cos() * 2.0).sqrt();
        close(
            part,
            found.number("output_v_rms"),
            expected,
            0.01 * expected,
        );
    }
}
