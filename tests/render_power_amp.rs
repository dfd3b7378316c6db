//! A render of the Lapwing's power amplifier against the transient of the same circuit.

#[path = "common/fidelity.rs"]
mod fidelity;

use fidelity::{Burst, circuit, error_db, reference_at, render_at};

const POWER_AMP: &str = "netlists/lapwing/power_amp.cir";

/// Clean, at the edge of clipping, and into it (the 6V6GT give all they have at 3.5 V): -80 dB
/// must be reached at 8 times 48 kHz.
#[test]
fn a_render_of_the_power_amplifier_keeps_to_the_equations() {
    let circuit = circuit(POWER_AMP, None);
    for (volts, relative, most_db) in [
        (0.5, 1e-9, -120.0),
        (3.5, 1e-8, -120.0),
        (4.0, 1e-8, -80.0),
        (5.0, 1e-8, -80.0),
        (7.0, 1e-8, -80.0),
    ] {
        let burst = Burst {
            volts,
            freq_hz: 1e3,
            seconds: 0.02,
        };
        let expected = reference_at(POWER_AMP, "tap8", &burst, relative);
        let peak = expected.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let (found, played) = render_at(&circuit, "tap8", &burst.clip(), volts, 8);
        let error = error_db(&found, &expected);
        println!(
            "{volts} V: {peak:.1} V peak, {error:.1} dB; {} of {} steps divided",
            played.divided, played.steps
        );
        assert!(error <= most_db, "{volts} V: {error:.1} dB");
    }
}
