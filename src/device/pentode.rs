//! Pentode and beam tetrode, Koren's equations.
//!
//! Source: Koren, "Improved vacuum tube models for SPICE simulations", Glass Audio 8(5),
//! 1996 (from memory); grid current: see `grid`. The defaults are Koren's 6L6GC (memory).
//!
//! Terminals plate, screen, grid, cathode; currents flow in at plate, screen and grid and
//! out at the cathode; volts, amperes.
//!
//! ```text
//! z   = kp (1/mu + vgk/w)          E1 = vg2k/kp ln(1 + exp(z))
//! ip  = 2 E1^ex/kg1 atan(vpk/kvb)  for vpk > 0, else 0
//! ig2 = b^ex/kg2, b = vg2k/mu + vgk where positive, else 0
//! ```
//!
//! w = vg2k from 1 V upward: Koren's law. Below, his law divides by zero and has two
//! limits; no valve works there, so it is led to zero smoothly: w = (1 + vg2k^2)/2 for
//! 0 < vg2k < 1 V, and ig2 is multiplied by vg2k^2 (3 - 2 vg2k); at vg2k <= 0 no current.
//!
//! Derivatives, with f = 1/(1 + exp(-z)):
//!
//! ```text
//! dE1/dvgk  = vg2k f/w
//! dE1/dvg2k = ln(1 + exp(z))/kp - vg2k f vgk w'/w^2
//! dip/dvpk  = 2 E1^ex/kg1 kvb/(kvb^2 + vpk^2)
//! ```
//!
//! Overflow: `fun::softplus`; beyond `damping::REACH` the law stands still. One kink is the
//! law's own: the slope to vpk jumps at vpk = 0 (and to both controls of b at b = 0 if ex = 1).
//!
//! Valid for: bias points; `output_valve` has the law for output stages. Left out: the rise of plate current above the knee (the law's
//! plate resistance is 2 to 8 times too high), the screen current that grows as the plate
//! falls, suppressor control, transit time, heater. Noise: cathode current smoothed by space
//! charge, partition between plate and screen, grid current as shot noise, flicker below
//! fcorner (`noise`).

use super::kind::{Device, Given, Kind, Param, Part, Pin, Readout};
use super::law::{Answer, Law};
use super::role::DeviceRole;
use crate::device::damping;
use crate::device::grid::{self, Grid};
use crate::device::noise::{self, Noise, Rest};
use crate::device::{base, production, valve};
use crate::math::fun;

const PARAMS: &[Param] = &[
    Param::new(
        "mu",
        "amplification factor, grid to screen",
        "1",
        8.7,
        0.1..=1000.0,
    ),
    Param::new("ex", "exponent", "1", 1.35, 1.0..=3.0),
    Param::new(
        "kg1",
        "inverse of the plate perveance",
        "1",
        1460.0,
        1e-3..=1e9,
    ),
    Param::new(
        "kg2",
        "inverse of the screen perveance",
        "1",
        4500.0,
        1e-3..=1e9,
    ),
    Param::new("kp", "sharpness of cut-off", "1", 48.0, 1e-3..=1e5),
    Param::new("kvb", "knee", "V", 12.0, 1e-6..=1e6),
    valve::VCT,
    valve::GG,
    valve::CG,
    valve::XI,
    valve::FCORNER,
    valve::CGP,
    valve::CGK,
    valve::CPK,
    valve::PAMAX,
    valve::PG2MAX,
    valve::VAMAX,
    valve::VG2MAX,
    valve::IKMAX,
    valve::VHKMAX,
    valve::RGMAXFIXED,
    valve::RGMAXSELF,
    base::BASE,
    base::VH,
    base::IH,
    production::TOLIP,
    production::TOLMU,
    production::TOLVCT,
    production::TOLHALF,
    production::VTEST,
];

/// The pentode.
pub const KIND: Kind = Kind {
    name: "pentode",
    letter: 'X',
    title: "pentode or beam tetrode valve (Koren)",
    terminals: &["plate", "screen", "grid", "cathode"],
    role: DeviceRole::Valve,
    dc_paths: &[(0, 3), (1, 3)],
    optional: 0,
    model_params: PARAMS,
    instance_params: &[],
    build,
};

const PLATE: Pin = Pin::T(0);
const SCREEN: Pin = Pin::T(1);
const GRID: Pin = Pin::T(2);
const CATHODE: Pin = Pin::T(3);

fn build(given: &Given<'_>) -> Device {
    around(
        given,
        Box::new(Pentode {
            per_mu: 1.0 / given.model("mu"),
            ex: given.model("ex"),
            two_per_kg1: 2.0 / given.model("kg1"),
            per_kg2: 1.0 / given.model("kg2"),
            kp: given.model("kp"),
            kvb: given.model("kvb"),
            vct: given.model("vct"),
            grid: Grid::new(given),
            fcorner: given.model("fcorner"),
        }),
    )
}

/// What any valve of these four terminals has around its law: ports, capacitances, readings
/// and ratings.
pub(super) fn around(given: &Given<'_>, law: Box<dyn Law>) -> Device {
    let ports = vec![(PLATE, CATHODE), (SCREEN, CATHODE), (GRID, CATHODE)];
    let mut parts = vec![Part::Law {
        controls: ports.clone(),
        outputs: ports,
        law,
    }];
    parts.extend(given.capacitances(&[
        ("cgp", GRID, PLATE),
        ("cgk", GRID, CATHODE),
        ("cpk", PLATE, CATHODE),
    ]));
    Device {
        parts,
        readings: vec![
            Readout {
                name: "plate current",
                output: (0, 0),
            },
            Readout {
                name: "screen current",
                output: (0, 1),
            },
            Readout {
                name: "grid current",
                output: (0, 2),
            },
        ],
        limits: given.limits(&[
            ("pamax", "plate dissipation"),
            ("pg2max", "screen dissipation"),
            ("vamax", "plate voltage"),
            ("vg2max", "screen voltage"),
            ("ikmax", "cathode current"),
            ("vhkmax", "heater-cathode voltage"),
            ("rgmaxfixed", "grid circuit resistance (fixed bias)"),
            ("rgmaxself", "grid circuit resistance (cathode bias)"),
        ]),
        ..Device::default()
    }
}

/// Controls vpk, vg2k, vgk; outputs plate, screen and grid current.
#[derive(Debug)]
struct Pentode {
    per_mu: f64,
    ex: f64,
    two_per_kg1: f64,
    per_kg2: f64,
    kp: f64,
    kvb: f64,
    vct: f64,
    grid: Grid,
    fcorner: f64,
}

impl Law for Pentode {
    fn controls(&self) -> usize {
        3
    }

    fn outputs(&self) -> usize {
        3
    }

    #[inline]
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let (vpk, vg2k, vgk) = (u[0], u[1], u[2]);
            (out.i[2], out.g[8]) = self.grid.current(vgk);
            let vgk = vgk + self.vct;
            if vg2k > 0.0 {
                if vpk > 0.0 {
                    self.plate(vpk, vg2k, vgk, out);
                }
                self.screen(vg2k, vgk, out);
            }
        });
    }

    fn damp(&self, u: &mut [f64], last: &[f64], _memory: f64) {
        u[0] = damping::plate_step(u[0], last[0]);
        u[1] = damping::plate_step(u[1], last[1]);
        u[2] = grid::step(u[2], last[2]);
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        let electrodes = [(0, rest.i[0]), (1, rest.i[1])];
        let mut found = noise::space_charge(&electrodes, rest.g[2] + rest.g[5], self.fcorner);
        found.push(Noise::shot("grid", 2, rest.i[2]));
        found
    }
}

impl Pentode {
    #[inline]
    fn plate(&self, vpk: f64, vg2k: f64, vgk: f64, out: &mut Answer<'_>) {
        let (w, dw) = if vg2k >= 1.0 {
            (vg2k, 1.0)
        } else {
            (0.5 * (1.0 + vg2k * vg2k), vg2k)
        };
        let (soft, f) = fun::softplus(self.kp * (self.per_mu + vgk / w));
        let e1 = vg2k / self.kp * soft;
        if e1 <= 0.0 {
            return;
        }
        let space = self.two_per_kg1 * fun::power(e1, self.ex);
        let knee = fun::atan(vpk / self.kvb);
        let dip = self.ex * space / e1 * knee;
        let run = vg2k * f / w;
        out.i[0] = space * knee;
        out.g[0] = space * self.kvb / (self.kvb * self.kvb + vpk * vpk);
        out.g[1] = dip * (soft / self.kp - run * vgk / w * dw);
        out.g[2] = dip * run;
    }

    #[inline]
    fn screen(&self, vg2k: f64, vgk: f64, out: &mut Answer<'_>) {
        let b = vg2k * self.per_mu + vgk;
        if b <= 0.0 {
            return;
        }
        let (ramp, dramp) = if vg2k >= 1.0 {
            (1.0, 0.0)
        } else {
            (vg2k * vg2k * (3.0 - 2.0 * vg2k), 6.0 * vg2k * (1.0 - vg2k))
        };
        let full = self.per_kg2 * fun::power(b, self.ex);
        let slope = self.ex * full / b * ramp;
        out.i[1] = full * ramp;
        out.g[4] = slope * self.per_mu + full * dramp;
        out.g[5] = slope;
    }
}

#[cfg(test)]
mod tests {
    use crate::device::trial::{Bench, Sample, answer};

    /// Data sheet 6L6GC, RCA/GE (from memory): 250 V, 250 V, -14 V: 72 mA, 5 mA, 6000 uS.
    /// Koren's printed set is a fit, so only the neighbourhood can be asked for: the spread
    /// of real valves, 30 %. It gives 81.0 mA and 6.87 mS; its screen current of 8.4 mA is
    /// 68 % off, as the law's known weakness has it, and is not asserted.
    #[test]
    fn the_6l6gc_set_is_near_its_data_sheet() {
        let a = answer(
            Sample::of("pentode").law(0).as_ref(),
            &[250.0, 250.0, -14.0],
            0.0,
        );
        assert!((a.i[0] / 72e-3 - 1.0).abs() < 0.3, "{} A", a.i[0]);
        assert!((a.g[2] / 6e-3 - 1.0).abs() < 0.3, "{} S", a.g[2]);
    }

    /// The contract's formula (Koren 1996) written out again with plain library calls.
    #[test]
    fn currents_are_the_written_out_law_from_one_volt_of_screen_upward() {
        let law = Sample::of("pentode").law(0);
        for (vp, v2, vg) in [(250.0, 250.0, -14.0), (20.0, 300.0, 5.0), (400.0, 1.0, 0.5)] {
            let a = answer(law.as_ref(), &[vp, v2, vg], 0.0);
            let (mu, ex, kg1, kg2, kp, kvb): (f64, f64, f64, f64, f64, f64) =
                (8.7, 1.35, 1460.0, 4500.0, 48.0, 12.0);
            let e1 = v2 / kp * (1.0 + (kp * (1.0 / mu + vg / v2)).exp()).ln();
            let ip = 2.0 * e1.powf(ex) / kg1 * (vp / kvb).atan();
            let ig2 = (v2 / mu + vg).powf(ex) / kg2;
            assert!((a.i[0] / ip - 1.0).abs() < 1e-12, "{} {ip}", a.i[0]);
            assert!((a.i[1] / ig2 - 1.0).abs() < 1e-12, "{} {ig2}", a.i[1]);
        }
    }

    #[test]
    fn nothing_flows_without_screen_without_plate_or_at_cut_off() {
        let law = Sample::of("pentode").law(0);
        for u in [
            [300.0, -5.0, 20.0],
            [300.0, 0.0, 20.0],
            [300.0, 250.0, -200.0],
        ] {
            let a = answer(law.as_ref(), &u, 0.0);
            assert!(a.i[0] < 1e-9 && a.i[1] == 0.0, "{u:?} {a:?}");
        }
        assert_eq!(answer(law.as_ref(), &[-1.0, 250.0, 0.0], 0.0).i[0], 0.0);
    }

    #[test]
    fn the_way_to_zero_screen_volts_is_continuous() {
        let law = Sample::of("pentode").law(0);
        let near = |v2: f64| answer(law.as_ref(), &[200.0, v2, 3.0], 0.0);
        for (edge, i, g) in [(0.0, 1e-10, 5e-5), (1.0, 1e-10, 1e-9)] {
            let (a, b) = (near(edge - 1e-9), near(edge + 1e-9));
            assert!(a.i.iter().zip(&b.i).all(|(x, y)| (x - y).abs() < i));
            assert!(
                a.g.iter().zip(&b.g).all(|(x, y)| (x - y).abs() < g),
                "{a:?} {b:?}"
            );
        }
    }

    #[test]
    fn a_cathode_biased_output_stage_starts_from_nothing() {
        let mut bench = Bench::new(3);
        bench.source(0, 260.0, 200.0);
        bench.source(1, 250.0, 100.0);
        bench.resistor(Some(2), None, 170.0);
        bench.device(
            Sample::of("pentode").model("gg", 1e-3).device(),
            &[Some(0), Some(1), None, Some(2)],
        );
        let (v, steps) = bench.solve();
        assert!((8.0..20.0).contains(&v[2]), "{v:?}");
        assert!(steps <= 12, "{steps} steps");
    }

    /// 0 V at the grid and 100 k at the plate: the valve rests far below its knee, where a
    /// tangent from above the knee points at a negative plate.
    #[test]
    fn a_plate_below_the_knee_is_found() {
        let mut bench = Bench::new(2);
        bench.source(0, 300.0, 100e3);
        bench.source(1, 250.0, 1e3);
        bench.device(
            Sample::of("pentode").device(),
            &[Some(0), Some(1), None, None],
        );
        let (v, steps) = bench.solve();
        assert!((0.05..5.0).contains(&v[0]), "{v:?}");
        assert!(steps <= 15, "{steps} steps");
    }
}
