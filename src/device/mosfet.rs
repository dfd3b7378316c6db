//! Insulated-gate field-effect transistor, level 1.
//!
//! Source: Shichman and Hodges, "Modeling and simulation of insulated-gate field-effect
//! transistor switching circuits", IEEE J. Solid-State Circuits SC-3, 1968; Vladimirescu and
//! Liu, "The simulation of MOS integrated circuits using SPICE2", UCB/ERL M80/7, 1980; gate
//! charge: Ward and Dutton, IEEE J. Solid-State Circuits SC-13, 1978 (all from memory).
//!
//! Terminals drain, gate, source, bulk; currents flow in at drain, gate and bulk and out at
//! the source; volts, amperes, n-channel (for p-channel every voltage and current is
//! reversed). Voltages are those behind rd and rs. For vds >= 0, with leff = l - 2 ld,
//! b = kp w/leff and vo = vgs - von(vbs):
//!
//! ```text
//! von(vb) = vto + gamma (s(vb) - sqrt phi)
//! s(vb)   = sqrt(phi - vb) for vb <= 0, sqrt(phi)/(1 + vb/(2 phi)) above
//! ids = 0                                          vo <= 0
//! ids = b/2 vo^2 (1 + lambda vds)                  0 < vo <= vds
//! ids = b vds (vo - vds/2) (1 + lambda vds)        vds < vo
//! ```
//!
//! For vds < 0 drain and source change places (vgd and vbd rule). Bulk to source and bulk
//! to drain are junctions: is or js times the area, cbs/cbd or cj as and cjsw ps.
//!
//! Where the model gives process data instead: kp = uo cox; gamma = sqrt(2 eps q nsub)/cox;
//! phi = 2 Vt ln(nsub/ni); vto from phi, gamma, the gate material tpg and nss. `rsh nrd` and
//! `rsh nrs` stand in for rd and rs.
//!
//! Gate charge, if tox is given: the inversion charge of the square law with
//! C = cox w leff, a = vgs - von(vbs), d = vgd - von(vbd), each rounded off at zero over
//! [`ROUND`] volts, shared between drain and source as Ward and Dutton do:
//!
//! ```text
//! qg = 2/3 C (a^2 + a d + d^2)/(a + d)
//! qd = -2/15 C (2 a^3 + 4 a^2 d + 6 a d^2 + 3 d^3)/(a + d)^2     qs = -qg - qd
//! ```
//!
//! The published level 1 has Meyer's capacitances there, which do not conserve charge.
//! Overlap (cgso, cgdo per metre of width, cgbo per metre of length) is linear.
//!
//! Derivatives: to vgs, vds, vbs; current and slopes are continuous where pieces meet.
//! Overflow: junctions as in `junction`; beyond `damping::REACH` the law stands still.
//! Temperature: kp as (T/Tnom)^-1.5, is, pb.
//!
//! Valid for: long channels, power parts' bias points. Left out: gate-bulk charge below
//! threshold, subthreshold current, mobility reduction, breakdown, temperature of phi and
//! vto, levels other than 1. Noise: channel as 4 k T (2/3) gm and kf id^af/(f cox leff^2),
//! which says too little where the channel is resistive; shot noise of the bulk (`noise`).

mod parameters;

use super::kind::{Device, Given, Kind, Part, Pin, Readout};
use super::law::{Answer, Law, thermal_voltage};
use super::role::{DeviceRole, Polarity};
use crate::device::damping;
use crate::device::junction::{Depletion, Junction, heat, saturation_factor};
use crate::device::noise::{Noise, Rest};
use crate::math::fun;
use parameters::{INSTANCE, PARAMS};

/// The n-channel insulated-gate transistor.
pub const N_CHANNEL: Kind = Kind {
    name: "nmos",
    letter: 'M',
    title: "n-channel insulated-gate transistor, level 1",
    terminals: &["drain", "gate", "source", "bulk"],
    role: DeviceRole::Transistor(Polarity::N),
    dc_paths: &[(0, 2), (3, 0), (3, 2)],
    optional: 0,
    model_params: PARAMS,
    instance_params: INSTANCE,
    build: |given| build(given, false),
};

/// The p-channel insulated-gate transistor.
pub const P_CHANNEL: Kind = Kind {
    name: "pmos",
    role: DeviceRole::Transistor(Polarity::P),
    title: "p-channel insulated-gate transistor, level 1",
    build: |given| build(given, true),
    ..N_CHANNEL
};

/// Over how many volts the gate charge sets in.
const ROUND: f64 = 0.05;

/// Electron charge, C (exact since 2019).
const CHARGE: f64 = 1.602176634e-19;
/// Permittivity of vacuum, F/m (CODATA 2018).
const VACUUM: f64 = 8.8541878128e-12;
/// Relative permittivities of silicon dioxide and silicon, and the intrinsic carrier
/// density of silicon in 1/cm^3, as SPICE2 has them (from memory).
const OXIDE: f64 = 3.9;
const SILICON: f64 = 11.7;
const INTRINSIC: f64 = 1.45e10;

/// What level 1 computes with, from the model or from the process.
#[derive(Debug, Clone, Copy)]
struct Electrical {
    vto: f64,
    kp: f64,
    gamma: f64,
    phi: f64,
}

fn electrical(given: &Given<'_>, p_channel: bool) -> Electrical {
    let p = |name: &str| given.model(name);
    let or = |name: &str, other: f64| if p(name).is_nan() { other } else { p(name) };
    let vt = thermal_voltage(crate::device::junction::NOMINAL_C);
    // F/m^2; NaN without tox, and what depends on it falls back to the plain default.
    let cox = OXIDE * VACUUM / p("tox");
    let kp = or(
        "kp",
        if cox.is_nan() {
            2e-5
        } else {
            p("uo") * 1e-4 * cox
        },
    );
    if cox.is_nan() || p("nsub").is_nan() {
        return Electrical {
            vto: or("vto", 0.0),
            kp,
            gamma: or("gamma", 0.0),
            phi: or("phi", 0.6),
        };
    }
    let phi = or("phi", (2.0 * vt * fun::ln(p("nsub") / INTRINSIC)).max(0.1));
    let bulk = 2.0 * SILICON * VACUUM * CHARGE * p("nsub") * 1e6;
    let gamma = or("gamma", bulk.sqrt() / cox);
    // Work-function difference of gate and bulk, seen by an n-channel part; eg = 1.11 eV.
    let (eg, sign) = (1.11, if p_channel { -1.0 } else { 1.0 });
    let gate = if p("tpg") == 0.0 {
        3.2
    } else {
        3.25 + 0.5 * eg - sign * p("tpg") * 0.5 * eg
    };
    let work = gate - (3.25 + 0.5 * eg + sign * 0.5 * phi);
    let flat = work - p("nss") * 1e4 * CHARGE / cox;
    let vto = or("vto", flat + sign * (gamma * phi.sqrt() + phi));
    Electrical {
        vto,
        kp,
        gamma,
        phi,
    }
}

fn build(given: &Given<'_>, p_channel: bool) -> Device {
    let p = |name: &str| given.model(name);
    let n = |name: &str| given.instance(name);
    let sign = if p_channel { -1.0 } else { 1.0 };
    let e = electrical(given, p_channel);
    // A length that diffusion has eaten up would turn the channel round.
    let leff = (n("l") - 2.0 * p("ld")).max(0.01 * n("l"));
    let bulk = |area: &str, edge: &str, given_c: f64| {
        let hot = saturation_factor(1.0, 1.11, 3.0, given.celsius);
        let by_area = p("js") * n(area);
        let is = if by_area > 0.0 { by_area } else { p("is") };
        let (flat, side) = if given_c.is_nan() {
            (p("cj") * n(area), p("cjsw") * n(edge))
        } else {
            (given_c, 0.0)
        };
        Bulk {
            junction: Junction::new(is * hot, given.vt()),
            area: Depletion::new(flat, p("pb"), p("mj"), p("fc"), given.celsius),
            edge: Depletion::new(side, p("pb"), p("mjsw"), p("fc"), given.celsius),
        }
    };
    // SPICE 2 takes an oxide of 0.1 um where the model gives none (from memory).
    let thickness = if p("tox").is_nan() { 1e-7 } else { p("tox") };
    let oxide = OXIDE * VACUUM / thickness;
    let law = Mosfet {
        // The model's vto is negative for a p-channel part that is off at rest.
        vto: sign * e.vto,
        beta: e.kp * fun::pow(heat(given.celsius), -1.5) * n("w") / leff,
        gamma: e.gamma,
        phi: e.phi,
        lambda: p("lambda"),
        flicker: (p("kf") / (oxide * leff * leff), p("af")),
        gate: if p("tox").is_nan() {
            0.0
        } else {
            OXIDE * VACUUM / p("tox") * n("w") * leff
        },
        source: bulk("as", "ps", p("cbs")),
        drain: bulk("ad", "pd", p("cbd")),
    };

    let mut device = Device::default();
    let mut resistances = Vec::new();
    let mut behind = |terminal: usize, ohms: f64, squares: f64| {
        let ohms = if ohms.is_nan() {
            p("rsh") * squares
        } else {
            ohms
        };
        if ohms == 0.0 {
            return Pin::T(terminal);
        }
        let pin = Pin::Inner(device.inner);
        device.inner += 1;
        resistances.push(Part::Resistance(Pin::T(terminal), pin, ohms));
        pin
    };
    let drain = behind(0, p("rd"), n("nrd"));
    let source = behind(2, p("rs"), n("nrs"));
    let (gate, body) = (Pin::T(1), Pin::T(3));
    let turn = |(a, b)| if p_channel { (b, a) } else { (a, b) };
    device.parts = vec![Part::Law {
        controls: vec![
            turn((gate, source)),
            turn((drain, source)),
            turn((body, source)),
        ],
        outputs: vec![
            turn((drain, source)),
            turn((gate, source)),
            turn((body, source)),
        ],
        law: Box::new(law),
    }];
    device.parts.extend(resistances);
    for (farads, a, b) in [
        (p("cgso") * n("w"), gate, source),
        (p("cgdo") * n("w"), gate, drain),
        (p("cgbo") * leff, gate, body),
    ] {
        if farads > 0.0 {
            device.parts.push(Part::Capacitance(a, b, farads));
        }
    }
    device.limits = given.limits(&[
        ("vdsmax", "vds"),
        ("vgsmax", "vgs"),
        ("idmax", "drain current"),
        ("pmax", "dissipation"),
    ]);
    device.readings = vec![Readout {
        name: "drain current",
        output: (0, 0),
    }];
    device
}

/// Controls vgs, vds, vbs; outputs drain, gate and bulk current, all to the source.
#[derive(Debug)]
struct Mosfet {
    vto: f64,
    beta: f64,
    gamma: f64,
    phi: f64,
    lambda: f64,
    flicker: (f64, f64),
    gate: f64,
    source: Bulk,
    drain: Bulk,
}

/// The junction between the bulk and one end.
#[derive(Debug)]
struct Bulk {
    junction: Junction,
    area: Depletion,
    edge: Depletion,
}

impl Bulk {
    fn charge(&self, v: f64) -> (f64, f64) {
        let (a, e) = (self.area.charge(v), self.edge.charge(v));
        (a.0 + e.0, a.1 + e.1)
    }

    fn stores(&self) -> bool {
        self.area.is_some() || self.edge.is_some()
    }
}

impl Law for Mosfet {
    fn controls(&self) -> usize {
        3
    }

    fn outputs(&self) -> usize {
        3
    }

    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let (vgs, vds, vbs) = (u[0], u[1], u[2]);
            let vbd = vbs - vds;
            // Slopes to vgs, vds, vbs.
            let (ids, g) = if vds >= 0.0 {
                self.channel(vgs, vds, vbs)
            } else {
                // i(vgs, vds, vbs) = -channel(vgs - vds, -vds, vbs - vds).
                let (i, g) = self.channel(vgs - vds, -vds, vbd);
                (-i, [-g[0], g[0] + g[1] + g[2], -g[2]])
            };
            let (ibs, gbs) = self.source.junction.current(vbs);
            let (ibd, gbd) = self.drain.junction.current(vbd);
            out.i[0] = ids - ibd;
            out.i[2] = ibs + ibd;
            out.g[..3].copy_from_slice(&[g[0], g[1] + gbd, g[2] - gbd]);
            out.g[6..].copy_from_slice(&[0.0, -gbd, gbs + gbd]);

            let (qbs, cbs) = self.source.charge(vbs);
            let (qbd, cbd) = self.drain.charge(vbd);
            out.q[0] = -qbd;
            out.q[2] = qbs + qbd;
            out.c[..3].copy_from_slice(&[0.0, cbd, -cbd]);
            out.c[6..].copy_from_slice(&[0.0, -cbd, cbs + cbd]);
            if self.gate > 0.0 {
                self.gate_charge(vgs, vds, vbs, out);
            }
        });
    }

    fn damp(&self, u: &mut [f64], last: &[f64], _memory: f64) {
        u[0] = damping::fet_step(u[0], last[0], self.von(last[2]).0);
        u[2] = self.source.junction.step(u[2], last[2]);
        let (new, old) = (u[2] - u[1], last[2] - last[1]);
        let held = self.drain.junction.step(new, old);
        if held != new {
            u[1] = u[2] - held;
        }
    }

    fn stores_charge(&self) -> bool {
        self.gate > 0.0 || self.source.stores() || self.drain.stores()
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        let (kf, af) = self.flicker;
        let channel = Noise::thermal(0, 2.0 / 3.0 * rest.g[0], rest.celsius);
        vec![
            channel.with_flicker(kf, af, rest.i[0]),
            Noise::shot("bulk", 2, rest.i[2]),
        ]
    }
}

impl Mosfet {
    /// Threshold at a bulk voltage and its derivative.
    fn von(&self, vb: f64) -> (f64, f64) {
        let root = self.phi.sqrt();
        let (s, ds) = if vb <= 0.0 {
            let s = (self.phi - vb).sqrt();
            (s, -0.5 / s)
        } else {
            let d = 1.0 + 0.5 * vb / self.phi;
            (root / d, -0.5 * root / (self.phi * d * d))
        };
        (self.vto + self.gamma * (s - root), self.gamma * ds)
    }

    /// The channel for vds >= 0: current and its slopes to vgs, vds, vbs.
    fn channel(&self, vgs: f64, vds: f64, vbs: f64) -> (f64, [f64; 3]) {
        let (von, dvon) = self.von(vbs);
        let vo = vgs - von;
        if vo <= 0.0 {
            return (0.0, [0.0; 3]);
        }
        let (i, to_vo, to_vds) = if vo <= vds {
            (0.5 * self.beta * vo * vo, self.beta * vo, 0.0)
        } else {
            (
                self.beta * vds * (vo - 0.5 * vds),
                self.beta * vds,
                self.beta * (vo - vds),
            )
        };
        let m = 1.0 + self.lambda * vds;
        let gm = to_vo * m;
        (i * m, [gm, to_vds * m + i * self.lambda, -gm * dvon])
    }

    /// Adds the inversion charge to gate and drain.
    fn gate_charge(&self, vgs: f64, vds: f64, vbs: f64, out: &mut Answer<'_>) {
        let round = |over: f64| {
            let (y, d) = fun::softplus(over / ROUND);
            (ROUND * y, d)
        };
        let (von_s, dvon_s) = self.von(vbs);
        let (von_d, dvon_d) = self.von(vbs - vds);
        let (a, da) = round(vgs - von_s);
        let (d, dd) = round(vgs - vds - von_d);
        let sum = a + d;
        // Squares of anything smaller vanish below the smallest number.
        if sum < 1e-100 {
            return;
        }
        // The charges are homogeneous: in fractions x + y = 1 nothing overflows.
        let (x, y) = (a / sum, d / sum);
        let third = 2.0 / 3.0 * self.gate;
        let fifteenth = 2.0 / 15.0 * self.gate;
        let qg = third * sum * (x * x + x * y + y * y);
        let cubic = 2.0 * x * x * x + 4.0 * x * x * y + 6.0 * x * y * y + 3.0 * y * y * y;
        let qd = -fifteenth * sum * cubic;
        let square = x * x + x * y + y * y;
        let qg_a = third * (2.0 * x + y - square);
        let qg_d = third * (2.0 * y + x - square);
        let qd_a = -fifteenth * (6.0 * x * x + 8.0 * x * y + 6.0 * y * y - 2.0 * cubic);
        let qd_d = -fifteenth * (4.0 * x * x + 12.0 * x * y + 9.0 * y * y - 2.0 * cubic);
        // a and d as functions of vgs, vds, vbs.
        let to_a = [da, 0.0, -da * dvon_s];
        let to_d = [dd, -dd * (1.0 - dvon_d), -dd * dvon_d];
        out.q[0] += qd;
        out.q[1] += qg;
        for k in 0..3 {
            out.c[k] += qd_a * to_a[k] + qd_d * to_d[k];
            out.c[3 + k] += qg_a * to_a[k] + qg_d * to_d[k];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::{Bench, Sample, answer};

    fn wide() -> Sample {
        Sample::of("nmos")
            .model("vto", 1.0)
            .model("kp", 1e-4)
            .instance("w", 1e-3)
    }

    /// Shichman-Hodges by hand, kp w/l = 1 mA/V^2, vto 1 V: at vgs 3 V the saturated current is
    /// 2 mA; at vds 0.5 V it is 1e-3 0.5 (2 - 0.25) = 0.875 mA.
    #[test]
    fn square_law_values() {
        let law = wide().law(0);
        let near = |u: [f64; 3], i: f64| {
            let got = answer(law.as_ref(), &u, 0.0).i[0];
            assert!((got - i).abs() < 1e-9, "{u:?} {got}");
        };
        near([3.0, 10.0, 0.0], 2e-3);
        near([3.0, 0.5, 0.0], 0.875e-3);
        near([0.9, 10.0, 0.0], 0.0);
        let law = wide().model("lambda", 0.05).law(0);
        let got = answer(law.as_ref(), &[3.0, 10.0, 0.0], 0.0).i[0];
        assert!((got - 3e-3).abs() < 1e-9);
    }

    /// Body effect by hand: gamma 0.5, phi 0.64, vbs -1.61: sqrt 2.25 - sqrt 0.64 = 0.7, so
    /// the threshold rises by 0.35 V.
    #[test]
    fn bulk_bias_raises_the_threshold() {
        let law = wide().model("gamma", 0.5).model("phi", 0.64).law(0);
        let got = answer(law.as_ref(), &[3.35, 10.0, -1.61], 0.0).i[0];
        assert!((got - 2e-3).abs() < 1e-9, "{got}");
    }

    /// Ward and Dutton (from memory): a saturated channel holds 2/3 of the gate capacitance
    /// and 40 % of that charge belongs to the drain; at vds = 0 both hold half of all.
    #[test]
    fn gate_charge_is_conserved_and_shared() {
        let law = wide().model("tox", 100e-9).law(0);
        let c = OXIDE * VACUUM / 100e-9 * 1e-3 * 100e-6;
        let a = answer(law.as_ref(), &[11.0, 30.0, 0.0], 0.0);
        assert!((a.c[3] / (2.0 / 3.0 * c) - 1.0).abs() < 1e-6);
        assert!((a.q[0] / a.q[1] + 0.4).abs() < 1e-6);
        let a = answer(law.as_ref(), &[11.0, 0.0, 0.0], 0.0);
        assert!((a.c[3] / c - 1.0).abs() < 1e-6);
        assert!((a.q[0] / a.q[1] + 0.5).abs() < 1e-6);
    }

    /// Textbook process (Vladimirescu and Liu, from memory): 1e15/cm^3 and 100 nm oxide give
    /// phi 0.58 V, gamma 0.53 V^0.5, kp = 600 cm^2/Vs x 34.5 nF/cm^2 = 20.7 uA/V^2.
    #[test]
    fn process_data_give_the_electrical_parameters() {
        let of = |name: &str| {
            let s = Sample::of(name).model("tox", 100e-9).model("nsub", 1e15);
            let given = Given {
                kind: s.kind,
                model: &s.model,
                instance: &s.instance,
                celsius: 27.0,
            };
            electrical(&given, name == "pmos")
        };
        let e = of("nmos");
        assert!((e.phi - 0.576).abs() < 2e-3, "{e:?}");
        assert!((e.gamma - 0.528).abs() < 5e-3, "{e:?}");
        assert!((e.kp - 20.7e-6).abs() < 0.1e-6, "{e:?}");
        // Flat band -0.843 V (n gate on p bulk) + 0.576 + 0.528 sqrt 0.576, by hand.
        assert!((e.vto - 0.134).abs() < 5e-3, "{e:?}");
        assert!((of("pmos").vto + e.vto).abs() < 1e-12, "the mirror image");
    }

    /// By hand: 1 mA/V^2, vto 1 V, 4 V at the gate, 1 k at the source:
    /// 0.5 (3 - I)^2 = I in mA gives I = 4 - sqrt 7 = 1.3542 mA.
    #[test]
    fn a_source_follower_settles_in_both_polarities() {
        for (name, sign) in [("nmos", 1.0), ("pmos", -1.0)] {
            let mut bench = Bench::new(3);
            bench.source(0, sign * 20.0, 1.0);
            bench.source(1, sign * 4.0, 1e3);
            bench.resistor(Some(2), None, 1e3);
            let m = Sample::of(name)
                .model("vto", sign)
                .model("kp", 1e-4)
                .instance("w", 1e-3);
            bench.device(m.device(), &[Some(0), Some(1), Some(2), Some(2)]);
            let (v, steps) = bench.solve();
            assert!((v[2] - sign * (4.0 - 7f64.sqrt())).abs() < 1e-5, "{v:?}");
            assert!(steps <= 15, "{steps} steps");
        }
    }
}
