//! Choke: an inductance wound on iron with a gap.
//!
//! Source: the core is that of [`core`](super::core), Brauer 1975.
//!
//! Terminals a, b. `l` is its inductance at low level; at the standing current `idc` the iron
//! is taken to stand at `bmax`, where with the defaults it has lost a seventh of it. Twice
//! that current saturates it. Left out: hysteresis, skin effect.

use super::core::{Core, K1, K2, K3};
use super::kind::{Device, Given, Kind, Param, Part, Pin, Winding};
use super::output::or;
use super::role::DeviceRole;

const PARAMS: &[Param] = &[
    Param::required("l", "inductance at low level", "H", 1e-6..=1e6),
    Param::required("idc", "rated direct current", "A", 1e-6..=1e3),
    Param::new("r", "resistance of the wire", "ohm", 100.0, 1e-6..=1e6),
    Param::new("bmax", "flux density at idc", "T", 1.2, 0.01..=3.0),
    Param::new(
        "iron",
        "part of the iron in the magnetising current at low level, the rest the gap's",
        "1",
        0.1,
        0.0..=1.0,
    ),
    Param::new(
        "loss",
        "what the iron's loss amounts to across it; 30 k for each henry unless given",
        "ohm",
        f64::NAN,
        1.0..=1e12,
    ),
    Param::new("c", "capacitance across it", "F", 0.0, 0.0..=1e-3),
    K1,
    K2,
    K3,
];

/// The choke.
pub const KIND: Kind = Kind {
    name: "choke",
    letter: 'X',
    title: "choke with iron",
    terminals: &["a", "b"],
    role: DeviceRole::Choke,
    dc_paths: &[(0, 1)],
    optional: 0,
    model_params: PARAMS,
    instance_params: &[],
    build,
};

fn build(given: &Given<'_>) -> Device {
    let model = |name: &str| given.model(name);
    let (core, flux) = (Pin::Inner(0), Pin::Inner(1));
    let iron = Core {
        henries: model("l"),
        flux: model("l") * model("idc"),
        tesla: model("bmax"),
        share: model("iron"),
        k: [model("k1"), model("k2"), model("k3")],
        loss_ohms: or(model("loss"), 30e3 * model("l")),
    };
    let mut parts: Vec<Part> = iron.parts(core, flux).into();
    parts.push(Part::Winding(Winding {
        from: Pin::T(0),
        to: Pin::T(1),
        ohms: model("r"),
        henries: 0.0,
        core: Some((core, 1.0)),
    }));
    parts.extend(given.capacitances(&[("c", Pin::T(0), Pin::T(1))]));
    Device {
        inner: 2,
        parts,
        limits: given.limits(&[("idc", "direct current")]),
        ..Device::default()
    }
}

#[cfg(test)]
mod tests {
    use crate::device::trial::{Sample, answer};

    /// From the curve by hand: 1 + 0.1 x 3.8/400 ((1 + 2 x 3.125) e^3.125 - 1) = 1.155 with
    /// k2 B^2 = 2.17 x 1.44 = 3.125.
    #[test]
    fn at_its_rated_current_it_keeps_six_sevenths() {
        let law = Sample::of("choke")
            .model("l", 10.0)
            .model("idc", 0.1)
            .law(3);
        let slope = answer(law.as_ref(), &[1.0], 0.0).g[0] * 10.0;
        assert!((slope - 1.155).abs() < 0.002, "{slope}");
        let i = answer(law.as_ref(), &[1.0], 0.0).i[0];
        assert!((0.1..0.104).contains(&i), "{i}");
    }
}
