//! A render of the Lapwing's power amplifier against the transient of the same circuit.

#[path = "common/fidelity.rs"]
mod fidelity;

use fidelity::{Burst, alias_db, circuit, driven, error_db, reference_at, render_at, sine};
use gridleak::measure::distortion::Tester;
use gridleak::system::probe::Observable;

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

/// 5 kHz at 20 dB above the level where the amplifier has 3 % of distortion: at most -80 dB of
/// what is no harmonic must remain, as for the cascade (`render_accuracy.rs`). That takes 16 times
/// 48 kHz (which `--oversample auto` then chooses): times 8 it is -69 dB, because a wave with
/// corners still has a five thousandth of itself at 365 kHz.
#[test]
fn little_is_folded_back_from_a_tone_far_into_clipping() {
    let circuit = circuit(POWER_AMP, None);
    let probe = Observable::voltage(&circuit, circuit.node("tap8").expect("a node"));
    let mut tester = Tester::new(&circuit, driven(&circuit), probe).expect("a circuit");
    let mut poll = || Ok::<(), ()>(());
    let found = tester.onsets(5e3, &[0.03], 0.5, &mut poll);
    let onset = found.expect("a steady state")[0]
        .as_ref()
        .expect("3 %")
        .level;
    let (out, played) = render_at(&circuit, "tap8", &sine(5e3, 0.45), 10.0 * onset, 16);
    let folded = alias_db(&out[out.len() - 960..out.len() - 480], 5e3);
    println!(
        "{:.1} V: {folded:.1} dBc, {} of {} steps divided",
        10.0 * onset,
        played.divided,
        played.steps
    );
    assert!(folded <= -80.0, "{folded:.1} dBc");
}
