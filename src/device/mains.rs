//! Mains transformer, described by what a catalogue prints.
//!
//! Source: turns and the division of losses are those of any textbook (an ideal transformer with
//! resistances); the iron is that of `core.rs`. The defaults stand for a middling part
//! (common practice, no published source).
//!
//! Terminals line, neutral; ht1, centre, ht2 (a high-tension winding with centre tap; ht1 is in
//! phase with line); bias1, bias2 (a winding for the bias; where the part has none, `vbias` is
//! left away and both are connected to 0). The heaters have a winding of their own, which is
//! only the power it takes.
//!
//! With all windings loaded as rated, S the power drawn then, c the copper's part of it (`reg`):
//!
//! ```text
//! S = 2 vht iht + vbias ibias + heater
//! rpri = c/2 vpri^2/S        rht = c/2 vht/iht a side      rbias = c/2 vbias/ibias
//! e = vpri - rpri P/e        P = S with the secondaries' copper and the iron's loss
//! n = (vht + iht rht)/e      turns of each side in whole primaries; bias likewise
//! L = vpri/(2 pi hz imag)    F = sqrt(2) vpri/(2 pi hz)    F the flux at vpri: bmax
//! ```
//!
//! so that the volts loaded are those of the model whatever else it says. Half of the copper's
//! heat in the primary is what makes a winding space best used. `reg` is nearly the part by which
//! volts rise when the load goes. Resistances can be given as measured in its place; they are those
//! of the warm wire (copper at 60 degrees has 16 % more than at 20).
//!
//! Valid for: mains frequency. Left out: the transformer's own capacitances, switch-on inrush
//! beyond the curve of the core, and rectifiers on the heater winding.

use super::core::{Core, K1, K2, K3};
use super::kind::{Device, Given, Kind, Param, Part, Pin, Rating, Winding};
use super::output::or;
use super::role::DeviceRole;
use std::f64::consts::{SQRT_2, TAU};

const PARAMS: &[Param] = &[
    Param::required("vpri", "mains it is wound for, rms", "V", 1.0..=1e4),
    Param::required(
        "vht",
        "high tension each side of the centre tap, rms, loaded with iht",
        "V",
        1e-1..=1e4,
    ),
    Param::required(
        "iht",
        "current of the whole high-tension winding at which vht is meant, rms",
        "A",
        1e-6..=100.0,
    ),
    Param::new(
        "vbias",
        "bias winding, rms, loaded with ibias; 0: none",
        "V",
        0.0,
        0.0..=1e4,
    ),
    Param::new(
        "ibias",
        "current of the bias winding, rms",
        "A",
        0.05,
        1e-6..=100.0,
    ),
    Param::new("heater", "power that the heaters take", "W", 0.0, 0.0..=1e5),
    Param::new("hz", "frequency it is wound for", "Hz", 50.0, 10.0..=1e3),
    Param::new(
        "reg",
        "regulation: heat of all copper over the rated power",
        "1",
        0.08,
        1e-6..=0.5,
    ),
    Param::new(
        "rpri",
        "resistance of the primary; from reg unless given",
        "ohm",
        f64::NAN,
        1e-6..=1e6,
    ),
    Param::new(
        "rht",
        "resistance of each side of the high tension; from reg unless given",
        "ohm",
        f64::NAN,
        1e-6..=1e6,
    ),
    Param::new(
        "rbias",
        "resistance of the bias winding; from reg unless given",
        "ohm",
        f64::NAN,
        1e-6..=1e6,
    ),
    Param::new(
        "imag",
        "magnetising current at vpri, rms; 5 % of the rated primary current unless given",
        "A",
        f64::NAN,
        1e-9..=1e3,
    ),
    Param::new(
        "loss",
        "loss in the iron at vpri; 3 % of the rated power unless given",
        "W",
        f64::NAN,
        1e-9..=1e5,
    ),
    Param::new(
        "leak",
        "leakage inductance seen at the primary, the high tension shorted",
        "H",
        0.0,
        0.0..=1e3,
    ),
    Param::new(
        "bmax",
        "peak flux density at vpri and hz",
        "T",
        1.3,
        0.01..=3.0,
    ),
    Param::new(
        "iron",
        "part of the iron in the magnetising current; 0 keeps it straight",
        "1",
        0.0,
        0.0..=1.0,
    ),
    K1,
    K2,
    K3,
];

/// The mains transformer.
pub const KIND: Kind = Kind {
    name: "mains",
    letter: 'X',
    title: "mains transformer",
    terminals: &["line", "neutral", "ht1", "centre", "ht2", "bias1", "bias2"],
    role: DeviceRole::MainsTransformer,
    dc_paths: &[(0, 1), (2, 3), (3, 4), (5, 6)],
    optional: 0,
    model_params: PARAMS,
    instance_params: &[],
    build,
};

/// What a terminal without a winding leaks to ground, ohm: as much as nothing.
const LEAKS: f64 = 1e12;

fn build(given: &Given<'_>) -> Device {
    let model = |name: &str| given.model(name);
    let (vpri, vht, iht) = (model("vpri"), model("vht"), model("iht"));
    let (vbias, ibias, heater) = (model("vbias"), model("ibias"), model("heater"));
    let rated = 2.0 * vht * iht + vbias * ibias + heater;
    let [rpri, rht, rbias] = copper(model);
    let iron_w = or(model("loss"), 0.03 * rated);
    let imag = or(model("imag"), 0.05 * rated / vpri);
    let taken = rated + 2.0 * rht * iht * iht + rbias * ibias * ibias + iron_w;
    // A primary that can never give that power is as weak as it may be.
    let inner = 0.5 * (vpri + (vpri * vpri - 4.0 * rpri * taken).max(0.0).sqrt());
    let turns = (vht + iht * rht) / inner;
    let (core, flux) = (Pin::Inner(0), Pin::Inner(1));
    let iron = Core {
        henries: vpri / (TAU * model("hz") * imag),
        flux: SQRT_2 * vpri / (TAU * model("hz")),
        tesla: model("bmax"),
        share: model("iron"),
        k: [model("k1"), model("k2"), model("k3")],
        loss_ohms: inner * inner / iron_w,
    };
    let mut parts: Vec<Part> = iron.parts(core, flux).into();
    let mut wind = |from: usize, to: usize, turns: f64, ohms: f64, henries: f64| {
        parts.push(Part::Winding(Winding {
            from: Pin::T(from),
            to: Pin::T(to),
            ohms,
            henries,
            core: Some((core, turns)),
        }));
    };
    // Half of the leakage before the core, half behind it, shared by both sides.
    let leak = model("leak");
    wind(0, 1, 1.0, rpri, 0.5 * leak);
    wind(2, 3, turns, rht, leak * turns * turns);
    wind(3, 4, turns, rht, leak * turns * turns);
    if vbias > 0.0 {
        wind(5, 6, (vbias + ibias * rbias) / inner, rbias, 0.0);
    } else {
        parts.extend([5, 6].map(|end| Part::Resistance(Pin::T(end), Pin::Ground, LEAKS)));
    }
    if heater > 0.0 {
        parts.push(Part::Resistance(core, Pin::Ground, inner * inner / heater));
    }
    // The windings as rated: what heats them by more than `reg` allows is too much.
    let most = |quantity: &'static str, max: f64| Rating { quantity, max };
    let mut limits = vec![
        most("primary rms current", taken / inner),
        most("ht1 rms current", iht),
        most("ht2 rms current", iht),
    ];
    if vbias > 0.0 {
        limits.push(most("bias winding rms current", ibias));
    }
    if heater > 0.0 {
        limits.push(most("heater power", heater));
    }
    Device {
        inner: 2,
        parts,
        limits,
        needs: vec![
            most("primary voltage", vpri),
            most("mains frequency", model("hz")),
        ],
        ..Device::default()
    }
}

/// What the model may leave to the regulation: rpri, rht and rbias.
fn copper(model: impl Fn(&str) -> f64) -> [f64; 3] {
    let (vpri, vht, iht) = (model("vpri"), model("vht"), model("iht"));
    let (vbias, ibias) = (model("vbias"), model("ibias"));
    let rated = 2.0 * vht * iht + vbias * ibias + model("heater");
    let copper = 0.5 * model("reg");
    [
        or(model("rpri"), copper * vpri * vpri / rated),
        or(model("rht"), copper * vht / iht),
        or(model("rbias"), copper * vbias / ibias),
    ]
}

/// Puts the resistances that the regulation gives into a model's parameters, so that each can
/// be moved alone.
pub fn settle(model: &mut [f64]) {
    let place = |name: &str| KIND.model_params.iter().position(|p| p.name == name);
    let values = copper(|name| place(name).map_or(f64::NAN, |k| model[k]));
    for (name, value) in ["rpri", "rht", "rbias"].into_iter().zip(values) {
        if let Some(k) = place(name) {
            model[k] = value;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::Sample;

    fn windings(sample: &Sample) -> Vec<(f64, f64)> {
        let parts = sample.device().parts.into_iter();
        parts
            .filter_map(|part| match part {
                Part::Winding(w) => Some((w.core?.1, w.ohms)),
                _ => None,
            })
            .collect()
    }

    /// By hand: 230 V, 300-0-300 V at 0.2 A, no heaters, 10 % of copper: 120 VA, so the primary has
    /// 0.05 x 230^2/120 = 22.04 ohm and each side 0.05 x 300/0.2 = 75 ohm.
    #[test]
    fn copper_is_shared_by_primary_and_secondary() {
        let part = Sample::of("mains")
            .model("vpri", 230.0)
            .model("vht", 300.0)
            .model("iht", 0.2)
            .model("reg", 0.1)
            .model("loss", 1e-9);
        let all = windings(&part);
        assert_eq!(all.len(), 3, "no bias winding");
        assert!((all[0].1 - 22.0417).abs() < 1e-4 && (all[1].1 - 75.0).abs() < 1e-9);
        // Loaded as rated the primary takes both sides' ampere-turns, and a side gives its volts.
        let turns = all[1].0;
        let core = 230.0 - 22.0417 * 2.0 * turns * 0.2;
        assert!((turns * core - 0.2 * 75.0 - 300.0).abs() < 1e-3, "{core}");
    }
}
