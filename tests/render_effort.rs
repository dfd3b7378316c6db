//! A render takes every sample in one step where the circuit is gentle.
mod common;

use common::{Gridleak, Netlist};

/// Enough diodes that the general solver plays, not the compiled one. Its clock once began
/// beside the circuit's own: the first guess was no number, and a step had to be divided.
#[test]
fn first_samples_of_a_large_circuit_need_no_division() {
    let mut text = String::from("Many diodes\nVIN in 0 DC 0 AC 1\nC1 out 0 10n\nR0 out 0 1meg\n");
    for k in 0..600 {
        text += &format!("R{n} in a{n} 100k\nD{n} a{n} out DX\n", n = k + 1);
    }
    text += ".model DX D(is=2.5n n=1.75)\n.end\n";
    let record = rendered(&text, "v(out)", 2);
    assert_eq!(record["effort"]["divided"], 0, "{record}");
    assert_eq!(record["effort"]["general"], true, "{record}");
}

/// A fixed bug: from 49 triodes on the general solver played, with three times as many law calls and
/// seven times the work, unless the laws acted on few of the others.
#[test]
fn a_valve_more_is_no_cliff() {
    for valves in [48, 49] {
        let mut text = String::from("Stages\nVIN g0 0 DC 0 AC 1\nVB b 0 300\n");
        for k in 0..valves {
            text += &format!(
                "XV{k} p{k} g{k} k{k} 12AX7\nRP{k} b p{k} 100k\nRK{k} k{k} 0 1.5k\nCK{k} k{k} 0 22u\n\
                 CC{k} p{k} o{k} 22n\nRA{k} o{k} g{n} 1meg\nRB{k} g{n} 0 15k\n",
                n = k + 1
            );
        }
        let probe = format!("v(g{valves})");
        let record = rendered(&(text + ".end\n"), &probe, 4);
        let count = |what: &str| record["effort"][what].as_f64().expect("a number");
        assert!(count("evaluations") <= 2.5 * count("steps"), "{record}");
        assert_eq!(record["effort"]["general"], false, "{record}");
    }
}

/// The record of a render of a millisecond.
fn rendered(text: &str, probe: &str, oversample: usize) -> serde_json::Value {
    let netlist = Netlist::new(text);
    let folder = tempfile::tempdir().expect("a folder");
    let clip = folder.path().join("in.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(&clip, spec).expect("a clip");
    for n in 0..48 {
        let v = (f64::from(n) * 0.05).sin();
        writer.write_sample(v as f32).expect("a sample");
    }
    writer.finalize().expect("a clip");
    let ran = Gridleak::command("render")
        .path(netlist.path())
        .option("--probe", probe)
        .option("--clip", clip.to_str().expect("UTF-8"))
        .option(
            "--out",
            folder.path().join("out.wav").to_str().expect("UTF-8"),
        )
        .option("--oversample", oversample.to_string())
        .option("--json", "-")
        .arg("--quiet")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    serde_json::from_str(&ran.stdout).expect("JSON")
}
