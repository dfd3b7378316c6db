//! Renders of triode stages in a row: many of them, and such as clip one after the other.

#[path = "common/fidelity.rs"]
mod fidelity;

use fidelity::{Burst, circuit, error_db, reference_at, render_at};

/// Stages, each with a filtered supply; `between` leads from a plate to the next stage.
fn row(stages: usize, between: &str) -> String {
    let mut text =
        String::from("Stages in a row\nVIN in 0 DC 0 AC 1\nRIN in a1 1k\nVB top 0 300\n");
    for k in 1..=stages {
        let next = k + 1;
        text += &format!(
            "RS{k} top s{k} 1k\nCS{k} s{k} 0 22u\nRT{k} a{k} g{k} 68k\nRA{k} s{k} p{k} 100k\n\
             RK{k} k{k} 0 1.5k\nCK{k} k{k} 0 25u\nXV{k} p{k} g{k} k{k} 12AX7\nCO{k} p{k} b{k} 22n\n"
        );
        for line in between.split('/') {
            text += &line
                .replace('#', &k.to_string())
                .replace('+', &next.to_string());
            text.push('\n');
        }
    }
    text + ".end\n"
}

/// The circuit of a text, and the path of a file that holds it.
fn written(netlist: &str) -> (tempfile::TempDir, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("row.cir");
    std::fs::write(&path, netlist).expect("a netlist");
    let path = path.to_str().expect("UTF-8").to_owned();
    (folder, path)
}

/// A render of a burst at a factor: its sound, law calls a step, the part of the steps divided.
fn played(path: &str, node: &str, burst: &Burst, factor: usize) -> (Vec<f64>, [f64; 2]) {
    let row = circuit(path, None);
    let (found, played) = render_at(&row, node, &burst.clip(), burst.volts, factor);
    let effort = [played.evaluations, played.divided].map(|n| n as f64 / played.steps as f64);
    println!("law calls {:.3}, divided {:.4}", effort[0], effort[1]);
    (found, effort)
}

/// More stages than are compiled where every law acts on every other. As each acts on its
/// neighbours alone, a step takes one answer of the laws at both of its points, as one stage does.
#[test]
fn a_long_row_is_played_step_by_step() {
    let burst = Burst {
        volts: 0.3,
        freq_hz: 1e3,
        seconds: 0.008,
    };
    let (_folder, path) = written(&row(60, "RD# b# a+ 1meg/RE# a+ 0 18k"));
    let expected = reference_at(&path, "a61", &burst, 1e-7);
    let (found, effort) = played(&path, "a61", &burst, 4);
    let error = error_db(&found, &expected);
    assert!(error <= -80.0, "{error:.1} dB");
    assert_eq!(effort, [2.0, 0.0]);
}

const CLIPPING: &str = "RG# b# 0 1meg/RH# b# a+ 1/RL# a+ 0 10meg";

/// Where each stage clips, all but the first few rest far from where they play.
#[test]
fn a_row_that_clips_keeps_to_the_equations() {
    let burst = Burst {
        volts: 0.3,
        freq_hz: 220.0,
        seconds: 0.02,
    };
    let (_folder, path) = written(&row(5, CLIPPING));
    let expected = reference_at(&path, "a6", &burst, 1e-7);
    let (found, _) = played(&path, "a6", &burst, 16);
    let error = error_db(&found, &expected);
    assert!(error <= -55.0, "{error:.1} dB");
}

/// With their slopes at rest in the linear part every step was divided, at 20 law calls a step.
#[test]
fn a_row_that_clips_divides_few_steps() {
    let burst = Burst {
        volts: 0.3,
        freq_hz: 220.0,
        seconds: 0.02,
    };
    let (_folder, path) = written(&row(10, CLIPPING));
    let (_, [calls, divided]) = played(&path, "a11", &burst, 4);
    assert!(calls < 8.0, "{calls}");
    assert!(divided < 0.2, "{divided}");
}
