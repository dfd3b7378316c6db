//! A render against the transient of the same circuit, to the error the project promises.

#[path = "common/fidelity.rs"]
mod fidelity;

use fidelity::{Burst, circuit, error_db, reference, render};

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
