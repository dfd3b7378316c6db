//! A render of an amplifier that is fed from the mains: its supply is charged when the clip begins.

#[path = "common/fidelity.rs"]
mod fidelity;

use fidelity::{Burst, RATE_HZ, circuit, error_db, render_at};
use gridleak::analysis::transient::{self, Run};
use gridleak::circuit::Circuit;
use gridleak::system::probe::Observable;

const AMP: &str = "netlists/lapwing/amp.cir";
/// Samples of a cycle of 50 Hz.
const CYCLE: usize = RATE_HZ as usize / 50;

fn silence(circuit: &Circuit, node: &str, cycles: usize) -> Vec<f64> {
    let burst = Burst {
        volts: 0.0,
        freq_hz: 1e3,
        seconds: cycles as f64 / 50.0,
    };
    render_at(circuit, node, &burst.clip(), 0.0, 1).0
}

fn mean(samples: &[f64]) -> f64 {
    samples.iter().sum::<f64>() / samples.len() as f64
}

/// Silence at the loudspeaker is hum and nothing else: microvolts that repeat themselves at the
/// mains, without DC. From an empty supply it would be volts.
#[test]
fn silence_through_an_amplifier_is_hum_alone() {
    let found = silence(&circuit(AMP, None), "tap8", 12);
    let most = found.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    assert!((1e-7..100e-6).contains(&most), "{most} V");
    let (before, last) = found[10 * CYCLE..].split_at(CYCLE);
    assert!(mean(last).abs() < 0.03 * most, "{} V", mean(last));
    for (a, b) in before.iter().zip(last) {
        assert!((a - b).abs() < 0.03 * most, "{a} {b}");
    }
}

/// The ripple of the reservoir is that of `scope --warm`, and in step with it: the clip begins
/// with a mains cycle, whatever silence goes before it for the filters.
#[test]
fn ripple_is_that_of_the_transient() {
    let circuit = circuit(AMP, Some("VIN in 0 DC 0 AC 1\n"));
    let found = silence(&circuit, "reservoir", 2);
    let probe = Observable::voltage(&circuit, circuit.node("reservoir").expect("a node"));
    let run = Run {
        warm: true,
        ..Run::new(0.0, 1.0 / f64::from(RATE_HZ), 2.0 / 50.0)
    };
    let mut expected = vec![];
    let keep = |_: f64, values: &[f64]| -> Result<(), ()> {
        expected.push(values[0]);
        Ok(())
    };
    transient::run(&circuit, &run, &[probe], keep, |_| Ok(()))
        .unwrap_or_else(|none| panic!("{none}"))
        .expect("kept");
    let centred = |samples: &[f64]| -> Vec<f64> {
        let average = mean(&samples[..2 * CYCLE]);
        samples.iter().map(|v| v - average).collect()
    };
    let error = error_db(&centred(&found), &centred(&expected));
    println!("{error:.1} dB, {} V of DC", mean(&found));
    // What the rest is counted from is the average of 400 points of a cycle.
    assert!(mean(&found).abs() < 0.05, "{} V", mean(&found));
    assert!(error < -50.0, "{error} dB");
}
