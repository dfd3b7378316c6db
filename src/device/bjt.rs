//! Bipolar transistor, Gummel and Poon.
//!
//! Source: Gummel and Poon, "An integral charge control model of bipolar transistors",
//! Bell Syst. Tech. J. 49, 1970; Getreu, "Modeling the Bipolar Transistor", 1976; Nagel,
//! "SPICE2", UCB/ERL M520, 1975 (all from memory).
//!
//! Terminals collector, base, emitter, substrate (ground where the line leaves it out).
//! Currents flow in at collector and base and out at the emitter; volts, amperes, npn (for
//! pnp every voltage and current is reversed). Voltages are those behind rc, rb and re;
//! E(x) = exp(x) - 1:
//!
//! ```text
//! if = is E(vbe/(nf Vt))        ir = is E(vbc/(nr Vt))
//! ie2 = ise E(vbe/(ne Vt))      ic2 = isc E(vbc/(nc Vt))
//! q1 = 1/(1 - vbc/vaf - vbe/var)          q2 = if/ikf + ir/ikr
//! qb = q1 (1 + sqrt(1 + 4 q2))/2
//! ib = if/bf + ie2 + ir/br + ic2          ic = (if - ir)/qb - ir/br - ic2
//! rbb = rbm + (rb - rbm)/qb                            irb infinite
//! rbb = rbm + 3 (rb - rbm) (tan z - z)/(z tan^2 z)     irb given, with x = ib/irb and
//!       z = 6 sqrt x/(1 + sqrt(1 + 144 x/pi^2))
//! qbe = tff if/qb + depletion(cje)
//! tff = tf (1 + xtf w^2 exp(vbc/(1.44 vtf))),  w = if/(if + itf)
//! qbc = tr ir + xcjc depletion(cjc); (1 - xcjc) depletion(cjc) from the outer base;
//! substrate to collector: depletion(cjs)
//! ```
//!
//! vaf, var, ikf, ikr, irb, vtf: 0 or silence stands for infinite; itf = 0 makes w = 1.
//! Derivatives: product and chain rule on the lines above, in `answer`.
//!
//! Kept finite: E as `damping::exp_limited`; below 0.05 the bracket of q1 is replaced by the
//! tangent of its inverse; 1 + 4 q2 is held above 1e-3; rbm is held above rb/1000, else a
//! transistor driven hard would have no base resistance at all; beyond `damping::REACH` the
//! law stands still. The published charge drops 1/qb for vbe < 0, here it stays: no kink.
//!
//! Temperature: is with eg and xti; bf and br grow with xtb; ise and isc as
//! (is(T)/is)^(1/ne) (T/Tnom)^-xtb; potentials and capacitances as in `junction`.
//! `area` multiplies currents and capacitances and divides resistances.
//!
//! Valid for: small-signal and power transistors in forward and reverse operation, high and
//! low injection. Left out: excess phase (ptf is accepted and unused), quasi-saturation,
//! breakdown, substrate current. Noise: shot of collector and base, kf ib^af/f at the base,
//! thermal of the base resistance (`noise`).

mod parameters;

use super::kind::{Device, Given, Kind, Part, Pin, Readout};
use super::law::{Answer, Law};
use super::role::{DeviceRole, Polarity};
use crate::device::damping::{self, exp_limited};
use crate::device::junction::{Depletion, DepletionLaw, Junction, heat, saturation_factor};
use crate::device::noise::{Noise, Rest};
use crate::device::ratings;
use crate::math::fun;
use parameters::{INSTANCE, PARAMS};
use std::f64::consts::PI;

/// The npn transistor.
pub const NPN: Kind = Kind {
    name: "npn",
    letter: 'Q',
    title: "npn bipolar transistor (Gummel-Poon)",
    terminals: &["collector", "base", "emitter", "substrate"],
    role: DeviceRole::Transistor(Polarity::N),
    dc_paths: &[(0, 2), (1, 2), (0, 1)],
    optional: 1,
    model_params: PARAMS,
    instance_params: INSTANCE,
    build: |given| build(given, false),
};

/// The pnp transistor.
pub const PNP: Kind = Kind {
    name: "pnp",
    role: DeviceRole::Transistor(Polarity::P),
    title: "pnp bipolar transistor (Gummel-Poon)",
    build: |given| build(given, true),
    ..NPN
};

/// 1/x, where 0 stands for infinite.
fn inverse(x: f64) -> f64 {
    if x == 0.0 { 0.0 } else { 1.0 / x }
}

fn build(given: &Given<'_>, pnp: bool) -> Device {
    let p = |name: &str| given.model(name);
    let area = given.instance("area");
    let (vt, r) = (given.vt(), heat(given.celsius));
    let warm = |n: f64| saturation_factor(n, p("eg"), p("xti"), given.celsius);
    let gain = fun::pow(r, p("xtb"));
    let junction = |is: f64, n: f64| Junction::new(is, n * vt);
    let is = area * p("is") * warm(1.0);
    let depletion = |c: f64, vj: &str, m: &str, fc: f64| {
        Depletion::new(area * c, p(vj), p(m), fc, given.celsius)
    };

    let mut device = Device::default();
    let mut resistances = Vec::new();
    let mut behind = |terminal: usize, ohms: f64, fixed: bool| {
        if ohms == 0.0 {
            return Pin::T(terminal);
        }
        let pin = Pin::Inner(device.inner);
        device.inner += 1;
        if fixed {
            resistances.push(Part::Resistance(Pin::T(terminal), pin, ohms / area));
        }
        pin
    };
    let rb = p("rb");
    let rbm = if p("rbm").is_nan() {
        rb
    } else {
        p("rbm").max(1e-3 * rb)
    };
    let varies = rb > 0.0 && rbm != rb;
    let collector = behind(0, p("rc"), true);
    let base = behind(1, rb, !varies);
    let emitter = behind(2, p("re"), true);

    let law = Bjt {
        forward: junction(is, p("nf")),
        reverse: junction(is, p("nr")),
        emitter_leak: junction(area * p("ise") * warm(p("ne")) / gain, p("ne")),
        collector_leak: junction(area * p("isc") * warm(p("nc")) / gain, p("nc")),
        per_bf: 1.0 / (p("bf") * gain),
        per_br: 1.0 / (p("br") * gain),
        per_vaf: inverse(p("vaf")),
        per_var: inverse(p("var")),
        per_ikf: inverse(p("ikf") * area),
        per_ikr: inverse(p("ikr") * area),
        tf: p("tf"),
        xtf: p("xtf"),
        itf: p("itf") * area,
        per_vtf: inverse(p("vtf")) / 1.44,
        tr: p("tr"),
        cje: depletion(p("cje"), "vje", "mje", p("fc")),
        cjc: depletion(p("xcjc") * p("cjc"), "vjc", "mjc", p("fc")),
        flicker: (p("kf"), p("af")),
        base: varies.then(|| Base {
            rbm: rbm / area,
            span: (rb - rbm) / area,
            per_irb: inverse(p("irb") * area),
        }),
    };

    let turn = |(a, b)| if pnp { (b, a) } else { (a, b) };
    let mut controls = vec![turn((base, emitter)), turn((base, collector))];
    let mut outputs = vec![turn((collector, emitter)), turn((base, emitter))];
    if varies {
        controls.push(turn((Pin::T(1), base)));
        outputs.push(turn((Pin::T(1), base)));
    }
    device.parts = vec![Part::Law {
        controls,
        outputs,
        law: Box::new(law),
    }];
    device.parts.extend(resistances);
    let outer = depletion((1.0 - p("xcjc")) * p("cjc"), "vjc", "mjc", p("fc"));
    let substrate = depletion(p("cjs"), "vjs", "mjs", 0.0);
    for (depletion, port) in [
        (outer, (Pin::T(1), collector)),
        (substrate, (Pin::T(3), collector)),
    ] {
        if depletion.is_some() {
            device.parts.push(Part::Law {
                controls: vec![turn(port)],
                outputs: vec![turn(port)],
                law: Box::new(DepletionLaw(depletion)),
            });
        }
    }
    device.limits = ratings::limits(
        given,
        &[("vcemax", "vce"), ("vebmax", "vbe")],
        &[("icmax", "collector current"), ("pmax", "dissipation")],
        area,
    );
    device.readings = vec![
        Readout {
            name: "collector current",
            output: (0, 0),
        },
        Readout {
            name: "base current",
            output: (0, 1),
        },
    ];
    device
}

/// Controls vbe, vbc and, with a varying base resistance, the voltage over it; outputs
/// collector and base current, both to the emitter, and the current through that resistance.
#[derive(Debug)]
struct Bjt {
    forward: Junction,
    reverse: Junction,
    emitter_leak: Junction,
    collector_leak: Junction,
    per_bf: f64,
    per_br: f64,
    per_vaf: f64,
    per_var: f64,
    per_ikf: f64,
    per_ikr: f64,
    tf: f64,
    xtf: f64,
    itf: f64,
    per_vtf: f64,
    tr: f64,
    cje: Depletion,
    cjc: Depletion,
    flicker: (f64, f64),
    base: Option<Base>,
}

/// The base resistance that falls with current.
#[derive(Debug)]
struct Base {
    rbm: f64,
    span: f64,
    per_irb: f64,
}

/// A value with its slopes to vbe and vbc.
#[derive(Debug, Clone, Copy)]
struct Slope {
    at: f64,
    be: f64,
    bc: f64,
}

/// Below this the bracket of q1 gives way to a tangent.
const LEAST_BRACKET: f64 = 0.05;

impl Law for Bjt {
    fn controls(&self) -> usize {
        2 + self.base.is_some() as usize
    }

    fn outputs(&self) -> usize {
        2 + self.base.is_some() as usize
    }

    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let (vbe, vbc) = (u[0], u[1]);
            let (i_f, g_f) = self.forward.current(vbe);
            let (i_r, g_r) = self.reverse.current(vbc);
            let (i_e2, g_e2) = self.emitter_leak.current(vbe);
            let (i_c2, g_c2) = self.collector_leak.current(vbc);
            let qb = self.base_charge(vbe, vbc, (i_f, g_f), (i_r, g_r));

            let transport = (i_f - i_r) / qb.at;
            let from_c = i_r * self.per_br + i_c2;
            let g_from_c = g_r * self.per_br + g_c2;
            let ib = Slope {
                at: i_f * self.per_bf + i_e2 + from_c,
                be: g_f * self.per_bf + g_e2,
                bc: g_from_c,
            };
            let n = u.len();
            out.i[0] = transport - from_c;
            out.g[0] = (g_f - transport * qb.be) / qb.at;
            out.g[1] = (-g_r - transport * qb.bc) / qb.at - g_from_c;
            out.i[1] = ib.at;
            out.g[n] = ib.be;
            out.g[n + 1] = ib.bc;

            let diffusion = self.diffusion((i_f, g_f), vbc, qb);
            let (q_e, c_e) = self.cje.charge(vbe);
            let (q_c, c_c) = self.cjc.charge(vbc);
            let (q_c, c_c) = (q_c + self.tr * i_r, c_c + self.tr * g_r);
            out.q[0] = -q_c;
            out.c[1] = -c_c;
            out.q[1] = diffusion.at + q_e + q_c;
            out.c[n] = diffusion.be + c_e;
            out.c[n + 1] = diffusion.bc + c_c;

            if let Some(base) = &self.base {
                let r = base.resistance(ib, qb);
                let i = u[2] / r.at;
                out.i[2] = i;
                out.g[6] = -i / r.at * r.be;
                out.g[7] = -i / r.at * r.bc;
                out.g[8] = 1.0 / r.at;
            }
        });
    }

    fn damp(&self, u: &mut [f64], last: &[f64], _memory: f64) {
        u[0] = self.forward.step(u[0], last[0]);
        u[1] = self.reverse.step(u[1], last[1]);
    }

    fn stores_charge(&self) -> bool {
        self.tf > 0.0 || self.tr > 0.0 || self.cje.is_some() || self.cjc.is_some()
    }

    fn start(&self, u: &mut [f64]) {
        u[0] = self.forward.start();
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        let (kf, af) = self.flicker;
        let mut found = vec![
            Noise::shot("shot", 0, rest.i[0]),
            Noise::shot("base", 1, rest.i[1]).with_flicker(kf, af, rest.i[1]),
        ];
        if self.base.is_some() {
            found.push(Noise::thermal(2, rest.g[8], rest.celsius));
        }
        found
    }
}

impl Bjt {
    #[inline]
    fn base_charge(
        &self,
        vbe: f64,
        vbc: f64,
        (i_f, g_f): (f64, f64),
        (i_r, g_r): (f64, f64),
    ) -> Slope {
        let bracket = 1.0 - vbc * self.per_vaf - vbe * self.per_var;
        let (q1, dq1) = if bracket >= LEAST_BRACKET {
            (1.0 / bracket, -1.0 / (bracket * bracket))
        } else {
            let slope = -1.0 / (LEAST_BRACKET * LEAST_BRACKET);
            (
                1.0 / LEAST_BRACKET + slope * (bracket - LEAST_BRACKET),
                slope,
            )
        };
        let under = 1.0 + 4.0 * (i_f * self.per_ikf + i_r * self.per_ikr);
        let (root, droot) = if under >= 1e-3 {
            let root = under.sqrt();
            (root, 2.0 / root)
        } else {
            (1e-3f64.sqrt(), 0.0)
        };
        let half = 0.5 * (1.0 + root);
        let at = |dbracket: f64, dq2: f64| dq1 * dbracket * half + q1 * 0.5 * droot * dq2;
        Slope {
            at: q1 * half,
            be: at(-self.per_var, g_f * self.per_ikf),
            bc: at(-self.per_vaf, g_r * self.per_ikr),
        }
    }

    /// The charge of the carriers in the base, tff if/qb.
    #[inline]
    fn diffusion(&self, (i_f, g_f): (f64, f64), vbc: f64, qb: Slope) -> Slope {
        let (mut tff, mut tff_be, mut tff_bc) = (self.tf, 0.0, 0.0);
        if self.xtf > 0.0 && self.tf > 0.0 {
            let (w, dw) = if self.itf == 0.0 {
                (1.0, 0.0)
            } else if i_f > 0.0 {
                let sum = i_f + self.itf;
                (i_f / sum, g_f / sum * (self.itf / sum))
            } else {
                (0.0, 0.0)
            };
            let (e, slope) = exp_limited(vbc * self.per_vtf);
            let most = self.tf * self.xtf;
            tff += most * w * w * e;
            tff_be = most * 2.0 * w * dw * e;
            tff_bc = most * w * w * slope * self.per_vtf;
        }
        let run = i_f / qb.at;
        Slope {
            at: tff * run,
            be: tff_be * run + tff * (g_f - run * qb.be) / qb.at,
            bc: tff_bc * run - tff * run * qb.bc / qb.at,
        }
    }
}

impl Base {
    #[inline]
    fn resistance(&self, ib: Slope, qb: Slope) -> Slope {
        if self.per_irb == 0.0 {
            let part = self.span / qb.at;
            return Slope {
                at: self.rbm + part,
                be: -part * qb.be / qb.at,
                bc: -part * qb.bc / qb.at,
            };
        }
        let x = ib.at * self.per_irb;
        let (f, df) = crowding(x);
        Slope {
            at: self.rbm + self.span * f,
            be: self.span * df * self.per_irb * ib.be,
            bc: self.span * df * self.per_irb * ib.bc,
        }
    }
}

/// 3 (tan z - z)/(z tan^2 z) at x = ib/irb, and its derivative to x. It falls from 1 at no
/// current; z runs from 0 to pi/2.
fn crowding(x: f64) -> (f64, f64) {
    if x <= 0.0 {
        // Only leakage of a transistor in cut-off; the tangent keeps the slope continuous.
        return (1.0 - 2.4 * x, -2.4);
    }
    let s = x.sqrt();
    let root = (1.0 + 144.0 / (PI * PI) * x).sqrt();
    let z = 6.0 * s / (1.0 + root);
    let dz = 3.0 / (s * root * (1.0 + root));
    let (f, df) = if z < 0.05 {
        // tan z - z cancels; its series is exact to the last digits here.
        let zz = z * z;
        (
            1.0 - zz * (4.0 / 15.0 + zz * (4.0 / 105.0 + zz * 8.0 / 1575.0)),
            -z * (8.0 / 15.0 + zz * (16.0 / 105.0 + zz * 48.0 / 1575.0)),
        )
    } else {
        // Written in y = 1/tan z, which stays finite as z nears pi/2.
        let y = 1.0 / fun::tan(z);
        let dy = -(1.0 + y * y);
        let top = y - z * y * y;
        let dtop = dy - y * y - 2.0 * z * y * dy;
        (3.0 * top / z, 3.0 * (dtop - top / z) / z)
    };
    (f, df * dz)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::{Bench, Sample, answer};

    fn currents(sample: &Sample, vbe: f64, vce: f64) -> (f64, f64) {
        let a = answer(sample.law(0).as_ref(), &[vbe, vbe - vce], 0.0);
        (a.i[0], a.i[1])
    }

    #[test]
    fn gain_at_low_current_is_bf() {
        let (ic, ib) = currents(&Sample::of("npn").model("bf", 250.0), 0.6, 5.0);
        assert!((ic / ib - 250.0).abs() < 1e-4, "{}", ic / ib);
        let leaky = Sample::of("npn").model("bf", 250.0).model("ise", 1e-13);
        let (ic, ib) = currents(&leaky, 0.5, 5.0);
        assert!(ic / ib < 100.0);
    }

    /// Textbook (Getreu 1976, from memory): the output curves meet the axis at -vaf, that is
    /// dIc/dVce = Ic/(vaf + Vce - Vbe).
    #[test]
    fn the_early_voltage_is_where_the_output_curves_meet() {
        let q = Sample::of("npn").model("vaf", 74.0);
        let a = answer(q.law(0).as_ref(), &[0.65, 0.65 - 5.0], 0.0);
        let slope = -a.g[1];
        assert!((a.i[0] / slope - (74.0 + 4.35)).abs() < 1e-6);
    }

    /// Textbook (Gummel-Poon): where the ideal current would be 2 ikf, qb is
    /// (1 + sqrt 9)/2 = 2 and the current is half of the ideal one: ikf. Far above, the slope
    /// of ln Ic against Vbe halves.
    #[test]
    fn high_injection_rolls_off_at_ikf() {
        let q = Sample::of("npn").model("ikf", 0.1);
        let vt = crate::device::thermal_voltage(27.0);
        let (ic, ib) = currents(&q, vt * (0.2f64 / 1e-16).ln(), 20.0);
        assert!((ic / 0.1 - 1.0).abs() < 1e-9, "{ic}");
        assert!((ic / ib - 50.0).abs() < 1e-6);
        let (one, _) = currents(&q, 1.2, 20.0);
        let (two, _) = currents(&q, 1.2 + vt, 20.0);
        assert!(((two / one).ln() - 0.5).abs() < 1e-3);
    }

    /// From memory of the base resistance in the SPICE 2G6 documents: rb at no current, half
    /// way to rbm at ib = irb (the approximation gives 0.51), rbm far above.
    #[test]
    fn base_resistance_falls_half_way_at_irb() {
        assert_eq!(crowding(0.0).0, 1.0);
        assert!((crowding(1.0).0 - 0.5).abs() < 0.02, "{:?}", crowding(1.0));
        assert!(crowding(1e8).0 < 1e-3);
        for x in [
            1e-9, 0.99e-8, 1.01e-8, 1e-6, 1e-5, 1e-4, 0.1, 1.0, 30.0, 1e4,
        ] {
            let h = 1e-4 * x;
            let slope = (crowding(x + h).0 - crowding(x - h).0) / (2.0 * h);
            assert!(
                (slope / crowding(x).1 - 1.0).abs() < 1e-3,
                "{x}: {slope} {:?}",
                crowding(x)
            );
        }
    }

    #[test]
    fn base_resistance_follows_the_base_charge() {
        let q = Sample::of("npn")
            .model("rb", 200.0)
            .model("rbm", 20.0)
            .model("ikf", 0.1);
        let vt = crate::device::thermal_voltage(27.0);
        let vbe = vt * (0.2f64 / 1e-16).ln();
        let a = answer(q.law(0).as_ref(), &[vbe, vbe - 20.0, 0.1], 0.0);
        // qb = 2 there: 20 + 180/2 = 110 ohm.
        assert!((0.1 / a.i[2] - 110.0).abs() < 1e-6);
    }

    /// A divider-biased stage by hand: 12 V, 47 k / 10 k, 2.2 k, 470: the figures follow from
    /// Vbb = 2.1053 V, Rb = 8.2456 k and Vbe = Vt ln(Ic/is).
    #[test]
    fn a_divider_biased_stage_settles_in_both_polarities() {
        let vt = crate::device::thermal_voltage(27.0);
        let mut ic = 1e-3f64;
        for _ in 0..100 {
            let vbe = vt * (ic / 1e-16).ln();
            let (vbb, rb) = (12.0 * 10.0 / 57.0, 47e3 * 10e3 / 57e3);
            ic = (vbb - vbe) / (rb / 100.0 + 470.0 * 1.01);
        }
        for (name, sign) in [("npn", 1.0), ("pnp", -1.0)] {
            let mut bench = Bench::new(3);
            bench.source(0, sign * 12.0, 2.2e3);
            bench.source(1, sign * 12.0, 47e3);
            bench.resistor(Some(1), None, 10e3);
            bench.resistor(Some(2), None, 470.0);
            bench.device(
                Sample::of(name).device(),
                &[Some(0), Some(1), Some(2), None],
            );
            let (v, steps) = bench.solve();
            assert!(
                (v[0] - sign * (12.0 - 2.2e3 * ic)).abs() < 1e-4,
                "{v:?} {ic}"
            );
            assert!(steps <= 15, "{steps} steps");
        }
    }

    /// Getreu (from memory): in deep saturation the collector falls to tens of millivolts.
    #[test]
    fn a_saturated_switch_settles() {
        let mut bench = Bench::new(2);
        bench.source(0, 9.0, 1e3);
        bench.source(1, 9.0, 10e3);
        bench.device(Sample::of("npn").device(), &[Some(0), Some(1), None, None]);
        let (v, steps) = bench.solve();
        assert!((0.01..0.2).contains(&v[0]), "{v:?}");
        assert!(steps <= 25, "{steps} steps");
    }

    /// The transit time at low injection is tf: C = tf gm.
    #[test]
    fn diffusion_capacitance_is_transit_time_times_transconductance() {
        let law = Sample::of("npn").model("tf", 4e-10).law(0);
        let a = answer(law.as_ref(), &[0.65, -5.0], 0.0);
        assert!((a.c[2] / (4e-10 * a.g[0]) - 1.0).abs() < 1e-9);
    }
}
