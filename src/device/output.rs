//! Output transformers: push-pull, ultralinear, single-ended; described by what a
//! catalogue prints.
//!
//! Source: turns and reflected impedance, Zp = a^2 Zs, are those of any textbook; the core
//! is that of `core.rs`. The defaults stand for a middling part (common practice,
//! no published source).
//!
//! Terminals plate1, (screen1,) centre, (screen2,) plate2, common and the taps for 4, 8 and
//! 16 ohm; single-ended: plate, supply, common and the taps. The taps swing with plate1. A
//! tap may be left free. Turns are counted in whole primaries, so a tap for Z ohm has
//! sqrt(Z/raa) of them.
//!
//! ```text
//! F = sqrt(2 power raa)/(2 pi fmin)     flux at full power and the lowest frequency: bmax
//! F = lp idc + sqrt(2 power ra)/(2 pi fmin)    the same with a standing current
//! lp = 2 raa/(2 pi fmin)                unless given: driven by pentodes, -3 dB at fmin/2
//! leak = lp/2500,  dcr = 3 % of raa,  dcrs = 3 % of s16,  loss = 25 raa   unless given
//! ```
//!
//! `leak` is what is measured across the whole primary with a tap shorted. Its part `halves`
//! lies between the halves of the primary (measured across one with the other shorted it
//! is as many henries), the rest in front of the taps. Push-pull stages that cut one valve off
//! see the former.
//!
//! Valid for: audio. Left out: hysteresis (see the core), capacitance from layer to layer,
//! which makes the resonances above 50 kHz, and any want of balance.

use super::core::{Core, K1, K2, K3};
use super::kind::{Device, Given, Kind, Param, Part, Pin, Rating, Winding};
use super::role::DeviceRole;
use std::f64::consts::{PI, TAU};

const RAA: Param = Param::required("raa", "primary impedance, plate to plate", "ohm", 1.0..=1e6);
const RA: Param = Param::required("ra", "primary impedance", "ohm", 1.0..=1e6);
const POWER: Param = Param::required("power", "rated power", "W", 1e-3..=1e5);
const FMIN: Param = Param::new(
    "fmin",
    "lowest frequency of full power",
    "Hz",
    60.0,
    0.1..=1e5,
);
const BMAX: Param = Param::new(
    "bmax",
    "peak flux density at full power and fmin",
    "T",
    1.5,
    0.01..=3.0,
);
const LP: Param = Param::new(
    "lp",
    "primary inductance at low level; 2 raa/(2 pi fmin) unless given",
    "H",
    f64::NAN,
    1e-6..=1e6,
);
const LEAK: Param = Param::new(
    "leak",
    "leakage inductance seen at the primary; lp/2500 unless given",
    "H",
    f64::NAN,
    0.0..=1e3,
);
const HALVES: Param = Param::new(
    "halves",
    "part of the leakage that lies between the primary's halves",
    "1",
    0.5,
    0.0..=1.0,
);
const DCR: Param = Param::new(
    "dcr",
    "resistance of the whole primary; 3 % of raa unless given",
    "ohm",
    f64::NAN,
    1e-6..=1e6,
);
const DCRS: Param = Param::new(
    "dcrs",
    "resistance of the secondary up to the 16 ohm tap; 3 % of s16 unless given",
    "ohm",
    f64::NAN,
    1e-6..=1e3,
);
const LOSS: Param = Param::new(
    "loss",
    "what the iron's loss amounts to across the primary; 25 raa unless given",
    "ohm",
    f64::NAN,
    1.0..=1e12,
);
const CP: Param = Param::new("cp", "capacitance across the primary", "F", 0.0, 0.0..=1e-6);
const CPS: Param = Param::new(
    "cps",
    "capacitance from primary to secondary",
    "F",
    0.0,
    0.0..=1e-6,
);
const S4: Param = Param::new("s4", "load of the first tap", "ohm", 4.0, 1e-3..=1e6);
const S8: Param = Param::new("s8", "load of the second tap", "ohm", 8.0, 1e-3..=1e6);
const S16: Param = Param::new("s16", "load of the third tap", "ohm", 16.0, 1e-3..=1e6);
const UL: Param = Param::new(
    "ul",
    "screen tap: part of each half's turns, from the centre",
    "1",
    0.43,
    0.01..=0.99,
);
const IDC: Param = Param::required("idc", "standing current it is gapped for", "A", 0.0..=100.0);
const GAP: Param = Param::new(
    "iron",
    "part of the iron in the magnetising current at low level, the rest the gap's",
    "1",
    0.1,
    0.0..=1.0,
);

/// Push-pull.
pub const PUSH_PULL: Kind = Kind {
    name: "pushpull",
    letter: 'X',
    title: "output transformer, push-pull",
    terminals: &[
        "plate1", "centre", "plate2", "common", "tap4", "tap8", "tap16",
    ],
    role: DeviceRole::OutputTransformer,
    dc_paths: &[(0, 1), (1, 2), (3, 4), (4, 5), (5, 6)],
    optional: 0,
    model_params: &[
        RAA, POWER, FMIN, BMAX, LP, LEAK, HALVES, DCR, DCRS, LOSS, CP, CPS, S4, S8, S16, K1, K2, K3,
    ],
    instance_params: &[],
    build: push_pull,
};

/// Push-pull with taps for the screens.
pub const ULTRALINEAR: Kind = Kind {
    name: "ultralinear",
    letter: 'X',
    title: "output transformer, push-pull with screen taps",
    terminals: &[
        "plate1", "screen1", "centre", "screen2", "plate2", "common", "tap4", "tap8", "tap16",
    ],
    role: DeviceRole::OutputTransformer,
    dc_paths: &[(0, 1), (1, 2), (2, 3), (3, 4), (5, 6), (6, 7), (7, 8)],
    optional: 0,
    model_params: &[
        RAA, POWER, UL, FMIN, BMAX, LP, LEAK, HALVES, DCR, DCRS, LOSS, CP, CPS, S4, S8, S16, K1,
        K2, K3,
    ],
    instance_params: &[],
    build: ultralinear,
};

/// Single-ended, with a gap.
pub const SINGLE_ENDED: Kind = Kind {
    name: "singleended",
    letter: 'X',
    title: "output transformer, single-ended with a gap",
    terminals: &["plate", "supply", "common", "tap4", "tap8", "tap16"],
    role: DeviceRole::OutputTransformer,
    dc_paths: &[(0, 1), (2, 3), (3, 4), (4, 5)],
    optional: 0,
    model_params: &[
        RA, POWER, IDC, FMIN, BMAX, LP, LEAK, GAP, DCR, DCRS, LOSS, CP, CPS, S4, S8, S16, K1, K2,
        K3,
    ],
    instance_params: &[],
    build: single_ended,
};

/// The core's pin and that of its flux.
const CORE: Pin = Pin::Inner(0);
const FLUX: Pin = Pin::Inner(1);

fn push_pull(given: &Given<'_>) -> Device {
    let share = given.model("halves");
    build(given, "raa", share, &[(0, 1, 0.5), (1, 2, 0.5)], 3)
}

fn ultralinear(given: &Given<'_>) -> Device {
    let (inner, share) = (0.5 * given.model("ul"), given.model("halves"));
    let outer = 0.5 - inner;
    let sections = [(0, 1, outer), (1, 2, inner), (2, 3, inner), (3, 4, outer)];
    build(given, "raa", share, &sections, 5)
}

fn single_ended(given: &Given<'_>) -> Device {
    build(given, "ra", 0.5, &[(0, 1, 1.0)], 2)
}

/// A value that the model may leave to a rule.
pub fn or(value: f64, rule: f64) -> f64 {
    if value.is_nan() { rule } else { value }
}

/// What the model may leave to rules: lp, leak, dcr and dcrs.
fn ruled(impedance: &str, model: impl Fn(&str) -> f64) -> [f64; 4] {
    let ohms = model(impedance);
    let lp = or(model("lp"), ohms / (PI * model("fmin")));
    let leak = or(model("leak"), lp / 2500.0);
    let dcr = or(model("dcr"), 0.03 * ohms);
    [lp, leak, dcr, or(model("dcrs"), 0.03 * model("s16"))]
}

/// Puts the values that the rules give into a model's parameters, so that each can be moved
/// alone.
pub fn settle(kind: &Kind, model: &mut [f64]) {
    let place = |name: &str| kind.model_params.iter().position(|p| p.name == name);
    let impedance = if place("ra").is_some() { "ra" } else { "raa" };
    let values = ruled(impedance, |name| place(name).map_or(f64::NAN, |k| model[k]));
    for (name, value) in ["lp", "leak", "dcr", "dcrs"].into_iter().zip(values) {
        if let Some(k) = place(name) {
            model[k] = value;
        }
    }
}

/// `primary`: sections by terminals and turns, `share` the leakage that is theirs;
/// `common`: the secondary's first terminal.
fn build(
    given: &Given<'_>,
    impedance: &str,
    share: f64,
    primary: &[(usize, usize, f64)],
    common: usize,
) -> Device {
    let model = |name: &str| given.model(name);
    let ohms = model(impedance);
    let [lp, leak, dcr, dcrs] = ruled(impedance, model);
    let single = impedance == "ra";
    let swing = (2.0 * model("power") * ohms).sqrt() / (TAU * model("fmin"));
    let core = Core {
        henries: lp,
        flux: if single {
            lp * model("idc") + swing
        } else {
            swing
        },
        tesla: model("bmax"),
        share: if single { model("iron") } else { 1.0 },
        k: [model("k1"), model("k2"), model("k3")],
        loss_ohms: or(model("loss"), 25.0 * ohms),
    };
    let mut parts: Vec<Part> = core.parts(CORE, FLUX).into();
    for &(from, to, turns) in primary {
        parts.push(Part::Winding(Winding {
            from: Pin::T(from),
            to: Pin::T(to),
            ohms: dcr * turns,
            henries: share * leak * turns,
            core: Some((CORE, turns)),
        }));
    }
    let taps = ["s4", "s8", "s16"].map(|name| (model(name) / ohms).sqrt());
    let mut below = 0.0;
    for (k, turns) in taps.into_iter().enumerate() {
        let more = turns - below;
        parts.push(Part::Winding(Winding {
            from: Pin::T(common + k + 1),
            to: Pin::T(common + k),
            ohms: dcrs * (more / taps[2]).abs(),
            // Seen from the primary every tap has the same leakage.
            henries: (1.0 - share) * leak * (turns * turns - below * below).abs(),
            core: Some((CORE, more)),
        }));
        below = turns;
    }
    let (plates, secondary) = ((Pin::T(0), Pin::T(common - 1)), Pin::T(common));
    parts.extend(given.capacitances(&[("cp", plates.0, plates.1)]));
    let ends: &[Pin] = if single {
        &[plates.0]
    } else {
        &[plates.0, plates.1]
    };
    let each = model("cps") / ends.len() as f64;
    if each > 0.0 {
        parts.extend(
            ends.iter()
                .map(|&end| Part::Capacitance(end, secondary, each)),
        );
    }
    let mut limits = given.limits(&[("power", "power delivered")]);
    if single {
        limits.extend(given.limits(&[("idc", "standing current")]));
    }
    Device {
        inner: 2,
        parts,
        limits,
        needs: vec![Rating {
            quantity: "primary impedance",
            max: ohms,
        }],
        ..Device::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::Sample;

    fn windings(sample: &Sample) -> Vec<(Pin, Pin, f64, f64, f64)> {
        let parts = sample.device().parts.into_iter();
        parts
            .filter_map(|part| match part {
                Part::Winding(w) => Some((w.from, w.to, w.core?.1, w.ohms, w.henries)),
                _ => None,
            })
            .collect()
    }

    /// a^2 = 8000/8: the 8 ohm tap has 1/31.6 of the primary's turns (any textbook).
    #[test]
    fn turns_follow_from_the_impedances() {
        let part = Sample::of("pushpull")
            .model("raa", 8e3)
            .model("power", 22.0);
        let all = windings(&part);
        let secondary: Vec<f64> = all[2..].iter().map(|w| w.2).collect();
        assert!((secondary[0] + secondary[1] - (8.0f64 / 8e3).sqrt()).abs() < 1e-15);
        assert!((secondary.iter().sum::<f64>() - (16.0f64 / 8e3).sqrt()).abs() < 1e-15);
        assert_eq!((all[0].2, all[1].2), (0.5, 0.5));
    }

    #[test]
    fn screen_taps_share_out_a_half() {
        let part = Sample::of("ultralinear")
            .model("raa", 6.6e3)
            .model("power", 50.0)
            .model("ul", 0.4)
            .model("dcr", 200.0);
        let all = windings(&part);
        let turns: Vec<f64> = all[..4].iter().map(|w| w.2).collect();
        assert_eq!(turns, [0.3, 0.2, 0.2, 0.3]);
        assert!((all[..4].iter().map(|w| w.3).sum::<f64>() - 200.0).abs() < 1e-9);
    }

    /// The leakage of the model, from the primary with a tap shorted: primary sections and
    /// the secondary's by a^2.
    #[test]
    fn the_leakage_adds_up_at_every_tap() {
        let part = Sample::of("pushpull")
            .model("raa", 8e3)
            .model("power", 22.0)
            .model("leak", 20e-3)
            .model("halves", 0.3);
        let all = windings(&part);
        let primary: f64 = all[..2].iter().map(|w| w.4).sum();
        let (mut henries, mut turns) = (0.0, 0.0);
        for w in &all[2..] {
            henries += w.4;
            turns += w.2;
            assert!((primary + henries / (turns * turns) - 20e-3).abs() < 1e-12);
        }
    }
}
