//! A relay's contact in a render: one that rests is a resistor, one that is worked is not.

#[path = "common/fidelity.rs"]
mod fidelity;

use fidelity::{Burst, circuit, error_db, reference_at, render_at};

const BURST: Burst = Burst {
    volts: 0.3,
    freq_hz: 440.0,
    seconds: 0.01,
};

/// A triode stage behind a contact between `in` and `mid`.
fn rendered(contact: &str) -> (Vec<f64>, Vec<f64>) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("relay.cir");
    let text = format!(
        "A contact\nVIN in 0 DC 0 AC 1\nVB top 0 300\nVR coil 0 12\nRR coil 0 960\n{contact}\nRM mid 0 1meg\n\
         RG mid g 68k\nRL out 0 1meg\nCO p out 22n\nRA top p 100k\nRK k 0 1.5k\nX1 p g k 12AX7\n\
         .model RELAY sw(vt=6 vh=1 ron=100 roff=1g)\n.model LIGHT sw(vt=0.1 ron=100k roff=1meg)\n.end\n"
    );
    std::fs::write(&path, text).expect("a netlist");
    let path = path.to_str().expect("UTF-8");
    let (found, _) = render_at(&circuit(path, None), "out", &BURST.clip(), BURST.volts, 8);
    (found, reference_at(path, "out", &BURST, 1e-7))
}

#[test]
fn a_contact_that_rests_is_a_resistor() {
    let (resistor, _) = rendered("R1 in mid 100");
    let (contact, expected) = rendered("S1 in mid coil 0 RELAY");
    let [same, error] = [&resistor, &expected].map(|right| error_db(&contact, right));
    assert!(same <= -150.0, "{same:.1} dB");
    assert!(error <= -90.0, "{error:.1} dB");
}

#[test]
fn a_contact_that_the_signal_works_is_followed() {
    let (resistor, _) = rendered("R1 in mid 1meg");
    let (contact, expected) = rendered("S1 in mid in 0 LIGHT");
    let error = error_db(&contact, &expected);
    assert!(error <= -50.0, "{error:.1} dB");
    assert!(error_db(&resistor, &expected) > -10.0);
}
