//! A render against the transient of the same circuit, to the error the project promises.

#[path = "common/fidelity.rs"]
mod fidelity;

use fidelity::{Burst, alias_db, circuit, driven, error_db, reference, render, sine};
use gridleak::circuit::Circuit;
use gridleak::measure::distortion::Tester;
use gridleak::system::probe::Observable;
use std::f64::consts::TAU;

const CASCADE: &str = "netlists/lapwing/overdrive_cascade.cir";

/// The overdrive cascade from gentle to far into grid current, at 8 times 48 kHz: -80 dB must
/// be reached, -100 dB is aimed at. The transient finds no way at 3 V and 1e-9.
#[test]
fn a_render_keeps_to_the_equations() {
    let circuit = circuit(CASCADE, None);
    for (volts, freq_hz, relative, most_db) in [
        (0.01, 1e3, 1e-9, -120.0),
        (0.3, 1e3, 1e-9, -105.0),
        (3.0, 1e3, 1e-8, -80.0),
        (0.3, 5e3, 1e-8, -80.0),
    ] {
        let burst = Burst {
            volts,
            freq_hz,
            seconds: 0.02,
        };
        let expected = reference(CASCADE, &burst, relative);
        let (found, played) = render(&circuit, &burst.clip(), volts, 8);
        let error = error_db(&found, &expected);
        println!(
            "{volts} V, {freq_hz} Hz: {error:.1} dB; {} of {} steps divided",
            played.divided, played.steps
        );
        assert!(error <= most_db, "{volts} V, {freq_hz} Hz: {error:.1} dB");
    }
}

/// 5 kHz at 20 dB above the level where the cascade has 3 % of distortion (IEC 60268-3 speaks
/// of clipping there): all that is not a harmonic is folded. At most -80 dB must remain.
#[test]
fn little_is_folded_back_from_a_tone_far_into_clipping() {
    let circuit = circuit(CASCADE, None);
    let volts = 10.0 * onset(&circuit);
    // Until the coupling capacitors have settled, then 10 ms.
    let (out, played) = render(&circuit, &sine(5e3, 1.0), volts, 8);
    let folded = alias_db(&out[out.len() - 960..out.len() - 480], 5e3);
    println!(
        "{volts:.3} V: {folded:.1} dBc, {} of {} steps divided",
        played.divided, played.steps
    );
    assert!(folded <= -80.0, "{folded:.1} dBc at {volts:.3} V");
}

/// Peak volts at 5 kHz that bring 3 % of distortion.
fn onset(circuit: &Circuit) -> f64 {
    let probe = Observable::voltage(circuit, circuit.node("out").expect("a node"));
    let mut tester = Tester::new(circuit, driven(circuit), probe).expect("a circuit");
    let mut poll = || Ok::<(), ()>(());
    let found = tester.onsets(5e3, &[0.03], 0.01, &mut poll);
    found.expect("a steady state")[0]
        .as_ref()
        .expect("3 %")
        .level
}

/// The diode limiter of D. T. Yeh, J. Abel and J. O. Smith, DAFx-07 (values from memory): harmonics
/// of the sixth period at 4.5 V, 1 kHz, worked out with scipy's Radau at 1e-10.
#[test]
fn the_diode_limiter_has_the_harmonics_that_scipy_finds() {
    let circuit = circuit("tests/references/limiter_sinh_4v5/netlist.cir", None);
    let (found, _) = render(&circuit, &sine(1e3, 0.02), 4.5, 8);
    let period = &found[5 * 48..6 * 48];
    for (harmonic, expected) in [(1, 0.751362), (3, 0.210262), (5, 0.108943)] {
        let (mut re, mut im) = (0.0, 0.0);
        for (k, v) in period.iter().enumerate() {
            let (sin, cos) = (TAU * f64::from(harmonic) * k as f64 / 48.0).sin_cos();
            re += v * cos / 24.0;
            im += v * sin / 24.0;
        }
        let size = re.hypot(im);
        println!("h{harmonic} {size:.7} V, expected {expected}");
        // -97 dB of the fundamental.
        assert!((size - expected).abs() <= 1e-5, "h{harmonic}: {size} V");
    }
}
