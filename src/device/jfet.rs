//! Junction field-effect transistor, square law.
//!
//! Source: Shichman and Hodges, "Modeling and simulation of insulated-gate field-effect
//! transistor switching circuits", IEEE J. Solid-State Circuits SC-3, 1968, as used for the
//! JFET in Nagel, "SPICE2", UCB/ERL M520, 1975 (from memory).
//!
//! Terminals drain, gate, source; currents flow in at drain and gate and out at the source;
//! volts, amperes, n-channel (for p-channel every voltage and current is reversed). Voltages
//! are those behind rd and rs. For vds >= 0, with vo = vgs - vto:
//!
//! ```text
//! ids = 0                                           vo <= 0
//! ids = beta vo^2 (1 + lambda vds)                  0 < vo <= vds
//! ids = beta vds (2 vo - vds) (1 + lambda vds)      vds < vo
//! ```
//!
//! For vds < 0 drain and source change places: ids(vgs, vgd) = -ids(vgd, vgs). Gate to
//! source and gate to drain are junctions: is (exp(v/Vt) - 1) and depletion charges cgs,
//! cgd with potential pb, grading 1/2 and fc.
//!
//! Derivatives: to vgs and vgd, of which vds is the difference; current and slopes are
//! continuous where the pieces meet. Overflow: the junctions as in `junction`; beyond
//! `damping::REACH` the law stands still. Temperature: is and pb. `area` multiplies beta, is,
//! cgs, cgd and divides rd, rs.
//!
//! Valid for: bias points and audio stages of small-signal parts. Left out: breakdown,
//! temperature of beta and vto, subthreshold current. Noise: channel as
//! 4 k T (2/3) gm and kf id^af/f, which says too little where the channel is resistive; shot
//! noise of the gate (`noise`).

use super::kind::{Device, Given, Kind, Param, Part, Pin, Readout};
use super::law::{Answer, Law};
use super::role::{DeviceRole, Polarity};
use crate::device::damping;
use crate::device::junction::{self, Depletion, Junction, saturation_factor};
use crate::device::noise::{Noise, Rest};
use crate::device::ratings;

const PARAMS: &[Param] = &[
    Param::new("vto", "threshold", "V", -2.0, -1e3..=1e3),
    Param::new(
        "beta",
        "transconductance parameter",
        "A/V^2",
        1e-4,
        1e-12..=1e3,
    ),
    Param::new(
        "lambda",
        "channel-length modulation",
        "1/V",
        0.0,
        0.0..=10.0,
    ),
    Param::new("rd", "drain resistance", "ohm", 0.0, 0.0..=1e9),
    Param::new("rs", "source resistance", "ohm", 0.0, 0.0..=1e9),
    Param::new("cgs", "gate-source capacitance at 0 V", "F", 0.0, 0.0..=1.0),
    Param::new("cgd", "gate-drain capacitance at 0 V", "F", 0.0, 0.0..=1.0),
    Param::new("pb", "gate junction potential", "V", 1.0, 0.01..=100.0),
    Param::new("is", "gate saturation current", "A", 1e-14, 1e-60..=1.0),
    Param::new(
        "fc",
        "fraction of pb where the capacitance turns straight",
        "1",
        0.5,
        0.0..=0.95,
    ),
    junction::KF,
    junction::AF,
    ratings::VGDMAX,
    ratings::PMAX,
];

const INSTANCE: &[Param] = &[junction::AREA];

/// The n-channel junction transistor.
pub const N_CHANNEL: Kind = Kind {
    name: "njf",
    letter: 'J',
    title: "n-channel junction field-effect transistor",
    terminals: &["drain", "gate", "source"],
    role: DeviceRole::Transistor(Polarity::N),
    dc_paths: &[(0, 2), (1, 2), (0, 1)],
    optional: 0,
    model_params: PARAMS,
    instance_params: INSTANCE,
    build: |given| build(given, false),
};

/// The p-channel junction transistor.
pub const P_CHANNEL: Kind = Kind {
    name: "pjf",
    role: DeviceRole::Transistor(Polarity::P),
    title: "p-channel junction field-effect transistor",
    build: |given| build(given, true),
    ..N_CHANNEL
};

fn build(given: &Given<'_>, p_channel: bool) -> Device {
    let p = |name: &str| given.model(name);
    let area = given.instance("area");
    let mut device = Device::default();
    let mut resistances = Vec::new();
    let mut behind = |terminal: usize, ohms: f64| {
        if ohms == 0.0 {
            return Pin::T(terminal);
        }
        let pin = Pin::Inner(device.inner);
        device.inner += 1;
        resistances.push(Part::Resistance(Pin::T(terminal), pin, ohms / area));
        pin
    };
    let drain = behind(0, p("rd"));
    let source = behind(2, p("rs"));
    let gate = Pin::T(1);
    let is = area * p("is") * saturation_factor(1.0, 1.11, 3.0, given.celsius);
    let depletion = |c: f64| Depletion::new(area * c, p("pb"), 0.5, p("fc"), given.celsius);
    let law = Jfet {
        vto: p("vto"),
        beta: area * p("beta"),
        lambda: p("lambda"),
        flicker: (p("kf"), p("af")),
        gate: Junction::new(is, given.vt()),
        to_source: depletion(p("cgs")),
        to_drain: depletion(p("cgd")),
    };
    // A p-channel part is the same law between pins the other way round.
    let turn = |(a, b)| if p_channel { (b, a) } else { (a, b) };
    device.parts = vec![Part::Law {
        controls: vec![turn((gate, source)), turn((gate, drain))],
        outputs: vec![turn((drain, source)), turn((gate, source))],
        law: Box::new(law),
    }];
    device.parts.extend(resistances);
    // Both junctions of the gate are alike: makers print one figure for them.
    device.limits = ratings::limits(
        given,
        &[("vgdmax", "vgd"), ("vgdmax", "vgs")],
        &[("pmax", "dissipation")],
        area,
    );
    device.readings = vec![
        Readout {
            name: "drain current",
            output: (0, 0),
        },
        Readout {
            name: "gate current",
            output: (0, 1),
        },
    ];
    device
}

/// Controls vgs, vgd; outputs drain and gate current, both to the source.
#[derive(Debug)]
struct Jfet {
    vto: f64,
    beta: f64,
    lambda: f64,
    flicker: (f64, f64),
    gate: Junction,
    to_source: Depletion,
    to_drain: Depletion,
}

impl Law for Jfet {
    fn controls(&self) -> usize {
        2
    }

    fn outputs(&self) -> usize {
        2
    }

    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let (vgs, vgd) = (u[0], u[1]);
            let (ids, to_gs, to_gd) = if vgs >= vgd {
                self.channel(vgs, vgd)
            } else {
                let (i, near, far) = self.channel(vgd, vgs);
                (-i, -far, -near)
            };
            let (igs, ggs) = self.gate.current(vgs);
            let (igd, ggd) = self.gate.current(vgd);
            out.i[0] = ids - igd;
            out.i[1] = igs + igd;
            out.g.copy_from_slice(&[to_gs, to_gd - ggd, ggs, ggd]);
            let (qgs, cgs) = self.to_source.charge(vgs);
            let (qgd, cgd) = self.to_drain.charge(vgd);
            out.q[0] = -qgd;
            out.q[1] = qgs + qgd;
            out.c.copy_from_slice(&[0.0, -cgd, cgs, cgd]);
        });
    }

    fn damp(&self, u: &mut [f64], last: &[f64], _memory: f64) {
        for (new, &old) in u.iter_mut().zip(last) {
            *new = damping::fet_step(*new, old, self.vto);
            *new = self.gate.step(*new, old);
        }
    }

    fn stores_charge(&self) -> bool {
        self.to_source.is_some() || self.to_drain.is_some()
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        let (kf, af) = self.flicker;
        // The slope of the drain current where both controls move together: gm.
        let gm = rest.g[0] + rest.g[1];
        vec![
            Noise::thermal(0, 2.0 / 3.0 * gm, rest.celsius).with_flicker(kf, af, rest.i[0]),
            Noise::shot("gate", 1, rest.i[1]),
        ]
    }
}

impl Jfet {
    /// The channel for vgs >= vgd: current, slope to vgs, slope to vgd.
    fn channel(&self, vgs: f64, vgd: f64) -> (f64, f64, f64) {
        let vo = vgs - self.vto;
        if vo <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        let vds = vgs - vgd;
        // The part before the modulation, with its slopes to vo and vds.
        let (i, to_vo, to_vds) = if vo <= vds {
            (self.beta * vo * vo, 2.0 * self.beta * vo, 0.0)
        } else {
            (
                self.beta * vds * (2.0 * vo - vds),
                2.0 * self.beta * vds,
                2.0 * self.beta * (vo - vds),
            )
        };
        let m = 1.0 + self.lambda * vds;
        let far = -(to_vds * m + i * self.lambda);
        (i * m, to_vo * m - far, far)
    }
}

#[cfg(test)]
mod tests {
    use crate::device::trial::{Bench, Sample, answer};

    fn drain_current(sample: &Sample, vds: f64, vgs: f64) -> f64 {
        answer(sample.law(0).as_ref(), &[vgs, vgs - vds], 0.0).i[0]
    }

    /// The square law by hand: beta 1 mA/V^2, vto -2 V: Idss = 4 mA, at -1 V 1 mA;
    /// at vds 0.5 V and vgs 0: 1e-3 0.5 (4 - 0.5) = 1.75 mA.
    #[test]
    fn square_law_values() {
        let j = Sample::of("njf").model("beta", 1e-3);
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        assert!(near(drain_current(&j, 10.0, 0.0), 4e-3));
        assert!(near(drain_current(&j, 10.0, -1.0), 1e-3));
        assert!(near(drain_current(&j, 0.5, 0.0), 1.75e-3));
        assert!(near(drain_current(&j, 10.0, -2.5), 0.0));
        let j = j.model("lambda", 0.02);
        assert!(near(drain_current(&j, 10.0, 0.0), 4.8e-3));
    }

    #[test]
    fn drain_and_source_may_change_places() {
        let j = Sample::of("njf").model("beta", 1e-3).model("lambda", 0.01);
        for (vgs, vgd) in [(-0.5, -3.0), (-1.0, -1.2), (-0.1, -0.1)] {
            let law = j.law(0);
            let a = answer(law.as_ref(), &[vgs, vgd], 0.0);
            let b = answer(law.as_ref(), &[vgd, vgs], 0.0);
            // Drain current the other way is the source current: -(drain + gate).
            assert!((a.i[0] + b.i[0] + a.i[1]).abs() < 1e-18);
        }
    }

    /// Self-bias by hand: beta 1 mA/V^2, vto -2 V, 1 k at the source: 1e-3 (2 - 1e3 I)^2 = I
    /// gives I = 1 mA.
    #[test]
    fn a_self_biased_stage_settles_in_both_polarities() {
        for (name, sign) in [("njf", 1.0), ("pjf", -1.0)] {
            let mut bench = Bench::new(3);
            bench.source(0, sign * 20.0, 4.7e3);
            bench.resistor(Some(1), None, 1e3);
            bench.resistor(Some(2), None, 1e6);
            let j = Sample::of(name).model("beta", 1e-3);
            bench.device(j.device(), &[Some(0), Some(2), Some(1)]);
            let (v, steps) = bench.solve();
            assert!((v[1] - sign).abs() < 1e-6, "{v:?}");
            assert!((v[0] - sign * 15.3).abs() < 1e-5, "{v:?}");
            assert!(steps <= 12, "{steps} steps");
        }
    }
}
