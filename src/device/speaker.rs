//! Loudspeaker: what the amplifier sees of it.
//!
//! Source: R. H. Small, "Direct-radiator loudspeaker system analysis", J. Audio Eng. Soc.
//! 20(5), 1972, and "Closed-box loudspeaker systems, part I", 20(10), 1972; the voice coil's
//! lossy inductance is W. M. Leach's K (jw)^n, J. Audio Eng. Soc. 50(6), 2002, which has
//! J. Vanderkooy's sqrt(jw), 37(3), 1989, as its case n = 0.5 (all from memory).
//!
//! Terminals plus, minus. In series: the wire `re`; the moving parts as the voice coil
//! feels them, R || L || C; the lossy inductance.
//!
//! ```text
//! R = re qms/qes      C = qes/(ws re)      L = re/(ws qes)/(1 + vas/vb)      ws = 2 pi fs
//! Z = K (jw)^n        K = 2 pi 1000 le / ((2 pi 1000)^n sin(n pi/2))
//! ```
//!
//! so that `le` is the inductance at 1 kHz, as catalogues state it. A closed box of `vb`
//! adds its stiffness; the impedance peak re (1 + qms/qes) then lies at
//! fs sqrt(1 + vas/vb). An open back is a large `vb`.
//!
//! K (jw)^n is made of five R || L in series, from (0 < n < 1)
//!
//! ```text
//! s^n = sin(n pi)/pi  integral over x > 0 of x^(n-1) s/(s + x) dx
//! ```
//!
//! cut into three even parts of log x from 2 pi 100 to 2 pi 20 k/s and the two tails, each
//! with the two first moments of its own. From 200 Hz to 20 kHz that is within 5 % of the
//! law; below, where it no longer matters beside `re`, within 2 % of the whole impedance with n near
//! 0.7, and 5 % at n = 0.5.
//!
//! The default driver is our own, 12 inches, of the size common for guitars; the built-in
//! cabinet of `render` is the same one. Left out: everything that changes with level
//! (suspension, flux, heat), break-up of the cone.

use super::kind::{Device, Given, Kind, Param, Part, Pin, Winding};
use super::output::or;
use super::role::DeviceRole;
use crate::math::fun;
use std::f64::consts::{PI, TAU};

/// The default driver's resonance in free air, Hz.
pub const FREE_AIR_HZ: f64 = 75.0;
/// Its Q by the voice coil's braking alone, driven by a voltage.
pub const ELECTRICAL_Q: f64 = 0.75;
/// Its Q by its suspension alone.
pub const MECHANICAL_Q: f64 = 7.0;
/// The air as springy as its suspension, litres.
pub const COMPLIANCE_L: f64 = 80.0;
/// The air in its box, litres.
pub const BOX_L: f64 = 80.0;

const PARAMS: &[Param] = &[
    Param::new("ohms", "nominal impedance", "ohm", 8.0, 0.1..=1e4),
    Param::new(
        "re",
        "resistance of the voice coil; 0.82 of the nominal impedance unless given",
        "ohm",
        f64::NAN,
        0.01..=1e4,
    ),
    Param::new("fs", "resonance in free air", "Hz", FREE_AIR_HZ, 1.0..=1e4),
    Param::new(
        "qes",
        "Q by the voice coil",
        "1",
        ELECTRICAL_Q,
        0.01..=100.0,
    ),
    Param::new("qms", "Q by the suspension", "1", MECHANICAL_Q, 0.01..=1e3),
    Param::new(
        "vas",
        "air as springy as the suspension",
        "l",
        COMPLIANCE_L,
        0.0..=1e5,
    ),
    Param::new("vb", "air in the closed box", "l", BOX_L, 0.1..=1e9),
    Param::new(
        "le",
        "inductance at 1 kHz; 75 uH for each ohm of the nominal impedance unless given",
        "H",
        f64::NAN,
        0.0..=1.0,
    ),
    Param::new(
        "n",
        "exponent of the lossy inductance; 1 is a plain coil",
        "1",
        0.7,
        0.3..=1.0,
    ),
];

/// The loudspeaker.
pub const KIND: Kind = Kind {
    name: "speaker",
    letter: 'X',
    title: "loudspeaker as a load",
    terminals: &["plus", "minus"],
    role: DeviceRole::Loudspeaker,
    dc_paths: &[(0, 1)],
    optional: 0,
    model_params: PARAMS,
    instance_params: &[],
    build,
};

/// Where the even parts of the lossy inductance lie, Hz, and how many there are.
const EVEN_HZ: (f64, f64) = (100.0, 20e3);
const EVEN: usize = 3;

fn build(given: &Given<'_>) -> Device {
    let model = |name: &str| given.model(name);
    let re = or(model("re"), 0.82 * model("ohms"));
    let le = or(model("le"), 75e-6 * model("ohms"));
    let (qes, qms) = (model("qes"), model("qms"));
    let ws = TAU * model("fs");
    let sections = sections(le, model("n"));
    // One behind the other: the wire, the moving parts, the sections.
    let behind = |stage: usize| {
        if stage <= sections.len() {
            Pin::Inner(stage)
        } else {
            Pin::T(1)
        }
    };
    let coil = |from: Pin, to: Pin, henries: f64| {
        Part::Winding(Winding {
            from,
            to,
            ohms: 0.0,
            henries,
            core: None,
        })
    };
    let stiffer = 1.0 + model("vas") / model("vb");
    let (top, bottom) = (behind(0), behind(1));
    let mut parts = vec![
        Part::Resistance(Pin::T(0), top, re),
        Part::Resistance(top, bottom, re * qms / qes),
        coil(top, bottom, re / (ws * qes) / stiffer),
        Part::Capacitance(top, bottom, qes / (ws * re)),
    ];
    for (k, &(henries, ohms)) in sections.iter().enumerate() {
        let (from, to) = (behind(k + 1), behind(k + 2));
        parts.push(coil(from, to, henries));
        if ohms.is_finite() {
            parts.push(Part::Resistance(from, to, ohms));
        }
    }
    Device {
        inner: 1 + sections.len(),
        parts,
        ..Device::default()
    }
}

/// The lossy inductance as coils, each with a resistance in parallel (infinite: none).
fn sections(le: f64, n: f64) -> Vec<(f64, f64)> {
    if le == 0.0 {
        return vec![];
    }
    if n > 0.999 {
        return vec![(le, f64::INFINITY)];
    }
    let w = TAU * 1e3;
    let k = w * le / (fun::pow(w, n) * fun::sin(0.5 * PI * n));
    let weight = k * fun::sin(n * PI) / PI;
    let (low, high) = (TAU * EVEN_HZ.0, TAU * EVEN_HZ.1);
    let part = fun::ln(high / low) / EVEN as f64;
    // Each is s R/(s + x): R at high frequencies, the coil R/x at low ones.
    let mut all = vec![(weight * fun::pow(low, n) / n, low * n / (n + 1.0))];
    all.extend((0..EVEN).map(|j| {
        let x = low * fun::exp(part * (j as f64 + 0.5));
        (weight * fun::pow(x, n) * part, x)
    }));
    let (coil, x) = (
        weight * fun::pow(high, n - 1.0) / (1.0 - n),
        high * (2.0 - n) / (1.0 - n),
    );
    all.push((coil * x, x));
    all.into_iter().map(|(ohms, x)| (ohms / x, ohms)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::Sample;

    /// Size and angle of the sections at a frequency.
    fn impedance(all: &[(f64, f64)], freq_hz: f64) -> (f64, f64) {
        let w = TAU * freq_hz;
        let (mut re, mut im) = (0.0, 0.0);
        for &(henries, ohms) in all {
            let x = w * henries;
            re += ohms * x * x / (ohms * ohms + x * x);
            im += ohms * ohms * x / (ohms * ohms + x * x);
        }
        (re, im)
    }

    /// Leach's law: |Z| = K w^n at the angle n 90 degrees.
    #[test]
    fn the_sections_follow_the_law_within_a_twentieth() {
        for n in [0.5, 0.6, 0.7, 0.8, 0.9] {
            let w1 = TAU * 1e3;
            let k = w1 * 0.6e-3 / (w1.powf(n) * (0.5 * PI * n).sin());
            let all = sections(0.6e-3, n);
            for step in 0..=100 {
                let f = 200.0 * 10f64.powf(0.02 * f64::from(step));
                let size = k * (TAU * f).powf(n);
                let (re, im) = impedance(&all, f);
                let (law_re, law_im) = (size * (0.5 * PI * n).cos(), size * (0.5 * PI * n).sin());
                let off = (re - law_re).hypot(im - law_im) / size;
                assert!(off < 0.05, "n {n}, {f} Hz: {off}");
            }
            let (_, im) = impedance(&all, 1e3);
            assert!((im / (w1 * 0.6e-3) - 1.0).abs() < 0.05, "le at 1 kHz");
        }
    }

    #[test]
    fn a_plain_coil_and_none_at_all() {
        assert_eq!(sections(1e-3, 1.0), [(1e-3, f64::INFINITY)]);
        assert!(sections(0.0, 0.7).is_empty());
        let inner = |le: f64| Sample::of("speaker").model("le", le).device().inner;
        assert_eq!((inner(0.0), inner(1e-3)), (1, 6));
    }
}
