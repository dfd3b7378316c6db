//! Junction diode.
//!
//! Source: Nagel, "SPICE2: A computer program to simulate semiconductor circuits",
//! UCB/ERL M520, 1975; Antognetti and Massobrio, "Semiconductor Device Modeling with
//! SPICE", 1988, chapter 1 (both from memory).
//!
//! Terminals anode, cathode; current flows in at the anode; volts, amperes. v is the
//! voltage behind the series resistance rs:
//!
//! ```text
//! i = is (exp(v/(n Vt)) - 1) + gmin v - ibv (exp(-(v + bv)/Vt) - exp(-bv/Vt))
//! q = tt is (exp(v/(n Vt)) - 1) + depletion charge (`junction`)
//! ```
//!
//! The second term of i is breakdown, there only if bv is given; the published model
//! switches it on at -bv, here it is added everywhere, so that the law stays smooth; at
//! -bv the current is -(is + ibv).
//!
//! gmin is the published 1e-12 S across every junction: without it a winding between blocked diodes
//! would have no voltage.
//!
//! Derivatives: each exponential over its own divisor. Overflow: `damping::exp_limited`,
//! and beyond `damping::REACH` the law stands still. Temperature: is, vj and cjo as in
//! `junction`; bv does not move. `area` multiplies is, ibv and cjo and divides rs.
//!
//! Valid for: silicon, germanium, Schottky (eg 0.69, xti 2), LED and Zener diodes. Left
//! out: high-level injection, recovery
//! beyond the transit time, temperature of bv and rs. Noise: shot, kf i^af/f (`noise`).

use super::kind::{Device, Given, Kind, Param, Part, Pin, Readout};
use super::law::{Answer, Law};
use super::role::DeviceRole;
use crate::device::damping::{self, exp_limited};
use crate::device::junction::{self, Depletion, Junction, saturation_factor};
use crate::device::noise::{Noise, Rest};
use crate::device::ratings;

const PARAMS: &[Param] = &[
    Param::new("is", "saturation current", "A", 1e-14, 1e-60..=1.0),
    Param::new("rs", "series resistance", "ohm", 0.0, 0.0..=1e9),
    Param::new("n", "emission coefficient", "1", 1.0, 1e-3..=1e3),
    Param::new("tt", "transit time", "s", 0.0, 0.0..=1.0),
    Param::new("cjo", "junction capacitance at 0 V", "F", 0.0, 0.0..=1.0),
    Param::new("vj", "junction potential", "V", 1.0, 0.01..=100.0),
    Param::new("m", "grading coefficient", "1", 0.5, 0.0..=0.95),
    junction::EG,
    junction::XTI,
    Param::new(
        "fc",
        "fraction of vj where the capacitance turns straight",
        "1",
        0.5,
        0.0..=0.95,
    ),
    Param::new("bv", "breakdown voltage", "V", f64::NAN, 1e-3..=1e6),
    Param::new("ibv", "current at breakdown", "A", 1e-3, 1e-30..=1e3),
    junction::KF,
    junction::AF,
    ratings::IFMAX,
];

const INSTANCE: &[Param] = &[junction::AREA];

/// The diode.
pub const KIND: Kind = Kind {
    name: "d",
    letter: 'D',
    title: "junction diode",
    terminals: &["anode", "cathode"],
    role: DeviceRole::Diode,
    dc_paths: &[(0, 1)],
    optional: 0,
    model_params: PARAMS,
    instance_params: INSTANCE,
    build,
};

fn build(given: &Given<'_>) -> Device {
    let p = |name: &str| given.model(name);
    let area = given.instance("area");
    let vt = given.vt();
    let is = area * p("is") * saturation_factor(p("n"), p("eg"), p("xti"), given.celsius);
    let law = Diode {
        junction: Junction::new(is, p("n") * vt),
        depletion: Depletion::new(area * p("cjo"), p("vj"), p("m"), p("fc"), given.celsius),
        tt: p("tt"),
        flicker: (p("kf"), p("af")),
        breakdown: (!p("bv").is_nan()).then(|| Breakdown {
            bv: p("bv"),
            back: Junction::new(area * p("ibv"), vt),
        }),
    };
    let behind = p("rs") > 0.0;
    let anode = if behind { Pin::Inner(0) } else { Pin::T(0) };
    let port = vec![(anode, Pin::T(1))];
    let mut parts = vec![Part::Law {
        controls: port.clone(),
        outputs: port,
        law: Box::new(law),
    }];
    if behind {
        parts.push(Part::Resistance(Pin::T(0), anode, p("rs") / area));
    }
    Device {
        inner: behind as usize,
        parts,
        readings: vec![Readout {
            name: "diode current",
            output: (0, 0),
        }],
        limits: ratings::limits(given, &[], &[("ifmax", "direct current")], area),
        ..Device::default()
    }
}

/// The published leakage across a junction, S.
const GMIN_S: f64 = 1e-12;

/// Control v anode to cathode; output the current.
#[derive(Debug)]
struct Diode {
    junction: Junction,
    depletion: Depletion,
    tt: f64,
    flicker: (f64, f64),
    breakdown: Option<Breakdown>,
}

/// The junction turned round and moved to -bv.
#[derive(Debug)]
struct Breakdown {
    bv: f64,
    back: Junction,
}

impl Law for Diode {
    fn controls(&self) -> usize {
        1
    }

    fn outputs(&self) -> usize {
        1
    }

    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let v = u[0];
            let (i, g) = self.junction.current(v);
            let (q, c) = self.depletion.charge(v);
            out.q[0] = self.tt * i + q;
            out.c[0] = self.tt * g + c;
            (out.i[0], out.g[0]) = (i + GMIN_S * v, g + GMIN_S);
            if let Some(Breakdown { bv, back }) = &self.breakdown {
                let (e, slope) = exp_limited(-(v + bv) / back.vte);
                let (rest, _) = exp_limited(-bv / back.vte);
                out.i[0] -= back.is * (e - rest);
                out.g[0] += back.is * slope / back.vte;
            }
        });
    }

    fn damp(&self, u: &mut [f64], last: &[f64], _memory: f64) {
        match &self.breakdown {
            // Past half way to breakdown the mirrored junction is the one that can run away.
            Some(Breakdown { bv, back }) if u[0] < -0.5 * bv => {
                // Only what is drawn back is touched: rounding there and back again would look
                // like a proposal drawn back for ever.
                let (new, old) = (-(u[0] + bv), -(last[0] + bv));
                let held = back.step(new, old);
                if held != new {
                    u[0] = -bv - held;
                }
            }
            _ => u[0] = self.junction.step(u[0], last[0]),
        }
    }

    fn stores_charge(&self) -> bool {
        self.tt > 0.0 || self.depletion.is_some()
    }

    fn start(&self, u: &mut [f64]) {
        u[0] = self.junction.start();
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        let (kf, af) = self.flicker;
        vec![Noise::shot("shot", 0, rest.i[0]).with_flicker(kf, af, rest.i[0])]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::{Bench, Sample, answer};

    /// CODATA 2018: kT/q at 27 C is 0.0258649 V; 60 mV a decade follows (59.556 mV).
    #[test]
    fn a_decade_of_current_takes_vt_ln_ten() {
        let law = Sample::of("d").law(0);
        let i = |v: f64| answer(law.as_ref(), &[v], 0.0).i[0];
        assert!((i(0.6) / (1e-14 * (0.6f64 / 0.0258649).exp()) - 1.0).abs() < 1e-4);
        assert!((i(0.6 + 0.0258649 * 10f64.ln()) / i(0.6) - 10.0).abs() < 1e-4);
        // Saturation current, and a volt across the published leakage.
        assert!((i(-1.0) + 1e-14 + 1e-12).abs() < 1e-20);
        assert_eq!(i(0.0), 0.0);
    }

    /// 5 V behind 1 k and a default diode: V + R is exp(V/Vt) = 5, solved by bisection here.
    #[test]
    fn a_diode_behind_a_resistor_settles_at_once() {
        let (mut low, mut high) = (0.0f64, 1.0f64);
        for _ in 0..100 {
            let v = 0.5 * (low + high);
            let i = 1e-14 * ((v / crate::device::thermal_voltage(27.0)).exp() - 1.0);
            if v + 1e3 * i < 5.0 { low = v } else { high = v }
        }
        let mut bench = Bench::new(1);
        bench.source(0, 5.0, 1e3);
        bench.device(Sample::of("d").device(), &[Some(0), None]);
        let (v, steps) = bench.solve();
        assert!((v[0] - low).abs() < 1e-9, "{v:?} {low}");
        assert!(steps <= 10, "{steps} steps");
    }

    #[test]
    fn a_zener_holds_its_voltage() {
        let zener = Sample::of("d").model("bv", 12.0).model("rs", 1.0);
        let mut bench = Bench::new(1);
        bench.source(0, 40.0, 28e3);
        bench.device(zener.device(), &[None, Some(0)]);
        let (v, steps) = bench.solve();
        // 1 mA is ibv: exactly bv then, and 1 mV over rs.
        assert!((v[0] - 12.001).abs() < 1e-4, "{v:?}");
        assert!(steps <= 25, "{steps} steps");
    }

    /// The relation between depletion and diffusion charge: q = tt i + cj(v), by hand.
    #[test]
    fn charge_is_transit_time_times_current_plus_depletion() {
        let law = Sample::of("d").model("tt", 5e-9).model("cjo", 4e-12).law(0);
        let a = answer(law.as_ref(), &[-3.0], 0.0);
        assert!((a.c[0] - 4e-12 / 2.0).abs() < 1e-18);
        let a = answer(law.as_ref(), &[0.7], 0.0);
        assert!(a.c[0] > 5e-9 * a.g[0] && a.c[0] < 5e-9 * a.g[0] + 10e-12);
    }

    #[test]
    fn area_is_diodes_in_parallel() {
        let one = Sample::of("d").model("rs", 10.0).instance("area", 4.0);
        assert!(matches!(one.device().parts[1], Part::Resistance(_, _, r) if r == 2.5));
        // What every junction leaks does not grow with its area.
        let leak = GMIN_S * 0.6;
        let plain = answer(Sample::of("d").law(0).as_ref(), &[0.6], 0.0).i[0] - leak;
        let four = answer(one.law(0).as_ref(), &[0.6], 0.0).i[0] - leak;
        assert!((four / plain - 4.0).abs() < 1e-12);
    }

    /// Common practice: at constant current a silicon diode loses about 2 mV/K.
    #[test]
    fn forward_voltage_falls_two_millivolts_a_kelvin() {
        let volts = |celsius| {
            let mut bench = Bench::new(1);
            bench.current(0, 1e-3);
            bench.device(Sample::of("d").celsius(celsius).device(), &[Some(0), None]);
            bench.solve().0[0]
        };
        let slope = (volts(37.0) - volts(27.0)) / 10.0;
        assert!((-2.2e-3..-1.5e-3).contains(&slope), "{slope}");
    }
}
