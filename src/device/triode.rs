//! Triode, Koren's equations.
//!
//! Source: Koren, "Improved vacuum tube models for SPICE simulations", Glass Audio 8(5),
//! 1996 (seen as a quotation); contact potential vct: Cohen and Helie, "Real-time
//! simulation of a guitar power amplifier", AES 129th convention, 2010 (from memory);
//! grid current: see `grid`; what it gains as the plate falls: below.
//!
//! Terminals plate, grid, cathode; currents flow in at plate and grid and out at the
//! cathode; volts, amperes. With vg = vgk + vct, s = sqrt(kvb + vpk^2), q = vg/s:
//!
//! ```text
//! b  = (vg + turn)/s      y = isl mu b      h = sqrt(y^2 + m^2)      r = q + m y b/(h + m)
//! z  = kp (1/mu + r)      E1 = vpk/kp ln(1 + exp(z))      J = 2 E1^ex/kg1 for E1 > 0, else 0
//! D  = knee + take d      d = ln(1 + exp(cg vgk))/cg      ip = J vpk/(vpk + D)
//! ig = gg d^xi (1 + alphag d B/(d B + lamg A))      B = v + 1 V      A = v B + 1 V^2
//! ```
//!
//! With `wide`, the scale of the grid's volts is that of the drive too:
//!
//! ```text
//! s = sqrt(kvb + wide vpk + vpk^2)   z = kp (vpk/(mu s) + r)   E1 = s/kp ln(1 + exp(z))
//! ip = J vpk^2/(vpk^2 + D (vpk + 1 V) + 0.01 V^2)
//! ```
//!
//! with v = vpk, 0 for a negative plate. m is `most`, 0.8 unless given; isl, turn, knee, take, wide and
//! alphag are 0: then r = q, D = 0 and these are the published laws. They are this project's own
//! terms, each for what a printed chart shows:
//!
//! - `isl`: a grid's mesh is not even, so that parts of it ("islands", Inselbildung; Reich,
//!   "Theory and Applications of Electron Tubes", 1944, from memory) let current pass where
//!   the rest is cut off: mu falls towards cut-off. Here the grid's control r bends round vg =
//!   -turn, its slope falling to 1 - m far below and rising to 1 + m far above. Without it the fit
//!   takes an exponent of 1.8 for the 12AX7's 3/2 and is 17 % low near cut-off.
//! - `most` is m, how far that goes. The 12AU7 asks for less of it: with 0.28 in place of
//!   0.8 the 12AU7's chart to -25 V comes from 4.2 to 3.9 % rms, up to +30 V with the plate below
//!   50 V from 4.5 to 3.6, above it from 5.1 to 3.7. The 12AX7's has no use for it.
//! - `turn`: the 12AT7's curves of -1 and -2 V are 70 V of plate apart, those above and below 60 and
//!   50 V: its mu falls within 2 V of grid, and not round vg = 0. With a bend 2.5 V below, its
//!   chart comes from 5.1 to 4.2 % rms and its points from within 8.2 to 3.9 %; a family of
//!   readings (`gridleak fit`) is met to 0.9 reading errors for 1.1. The 12AU7's charts come from 3.4,
//!   3.6 and 2.8 to 3.2, 3.3 and 2.4 %. The 12AX7's and E88CC's have no use for it.
//! - `knee`: what starts at the cathode with the grid near zero does not all reach a plate of
//!   a few volts; the 12AX7's zero-bias curve is nearly straight from 5 V up, Koren's goes
//!   with vpk^1.4.
//! - `take`: a positive grid takes current that the plate loses, the more the lower the plate
//!   stands (Spangenberg, "Vacuum Tubes", 1948, ch. 9, from memory; there by a root).
//! - `wide`: the drive above cut-off is the text-books' vg + vpk/mu, and s/kp the volts over which
//!   the current fades out below it. Koren's law has those in proportion to the plate's volts, so
//!   that the 12AX7's curves near 50 V, where stages from 90 V work, end too bluntly where those from
//!   200 V end right. Here they grow with the root of the plate's volts below `wide`. Fitted to
//!   chart, points and stages together, without and with it: the 12AX7's chart 5.0 and 5.0 % rms,
//!   stage gains within 6 % 27 and 36 of 42, distortions within 1.3 10 and 14 of 15; the 12AU7's
//!   charts 3.9, 3.6, 3.7 and 3.4, 3.6, 2.7, gains 21 and 27 of 27, those of a maker who was held
//!   back 13 and 18 of 18. The 12AT7's and E88CC's charts have no use for it.
//!
//! - `alphag`: a positive grid takes more the lower the plate stands, because the less the plate draws
//!   through the meshes, the more turns back. The law above has the form that `output_valve` gives the
//!   screen (Reefman's): with the plate at zero the grid takes 1 + alphag times what it takes with the
//!   plate far above, and `lamg` says over which ratio of plate to grid volts that goes; the ratio is
//!   what such a division depends on (Spangenberg, ch. 9, there by its root, which misses by 32 %
//!   and more). A/B is v, rounded below 1 V so that slopes have no corner at 0 V. The 12AT7's printed grid
//!   currents come from 13.6 to 2.9 % rms, the 12AU7's from 41 to 7.5 (scripts/valve_fit/README.md).
//!
//! Fitted to the curves alone, rms errors without and with the first four: 12AX7 6.7 and 4.6 %, at zero
//! bias below 50 V 8.3 and 2.0 %; 12AT7 8.7 and 6.9 %, from +1 to +8 V 6.2 and 3.2 %; 12AU7 up
//! to +30 V with the plate below 50 V 8.8 and 3.3 %.
//!
//! Derivatives, with g = 1/(1 + exp(-z)), f = g (1 + m y/h), F = f vg + g turn m y/h, S = vpk + D:
//!
//! ```text
//! dE1/dvg  = vpk f/s              dE1/dvpk = ln(1 + exp(z))/kp - F vpk^2/s^3
//! dip/dvpk = ex ip/E1 dE1/dvpk + J D/S^2
//! dip/dvgk = ex ip/E1 dE1/dvg - ip take/(1 + exp(-cg vgk))/S
//! ```
//!
//! and with `wide`, t = (wide/2 + vpk)/s^2, S = vpk^2 + D (vpk + 1 V) + 0.01 V^2:
//!
//! ```text
//! dE1/dvg  = f      dE1/dvpk = t s ln(1 + exp(z))/kp + g (1 - t vpk)/mu - F t
//! dip/dvpk = ex ip/E1 dE1/dvpk + J vpk (D (vpk + 2 V) + 0.02 V^2)/S^2
//! dip/dvgk = ex ip/E1 dE1/dvg - ip take (vpk + 1 V)/(1 + exp(-cg vgk))/S
//! ```
//!
//! Those of the grid, with T = d B + lamg A, i0 = gg d^xi and l = 1/(1 + exp(-cg vgk)):
//!
//! ```text
//! dig/dvgk = l (xi ig/d + i0 alphag B lamg A/T^2)
//! dig/dvpk = -i0 alphag d lamg v (v + 2 V)/T^2
//! ```
//!
//! Overflow: `lanes::softplus`; E1 that underflows means no current;
//! beyond `damping::REACH` the law stands still. With ex > 1 the current and its slopes are
//! continuous everywhere; with ex = 1 the slope jumps at vpk = 0.
//!
//! Valid for: positive plate, grid from cut-off to as far above zero as its chart goes, within
//! the spread of real valves. Left out: transit time, heater, hum, microphony. Noise: plate current
//! smoothed by space charge, grid current as shot noise, flicker below fcorner (`noise`).

use super::kind::{Device, Given, Kind, Param, Part, Pin, Readout};
use super::law::{Answer, Enlisted, Law};
use super::packs::{self, Packs, WIDTH};
use super::role::DeviceRole;
use crate::device::damping;
use crate::device::grid;
use crate::device::noise::{self, Noise, Rest};
use crate::device::{base, production, valve};
use crate::math::{fun, lanes};

const PARAMS: &[Param] = &[
    Param::new("mu", "amplification factor", "1", 100.0, 1.0..=1000.0),
    Param::new("ex", "exponent", "1", 1.4, 1.0..=3.0),
    Param::new("kg1", "inverse of the perveance", "1", 1060.0, 1e-3..=1e9),
    Param::new("kp", "sharpness of cut-off", "1", 600.0, 1e-3..=1e5),
    Param::new("kvb", "knee, squared volts", "V^2", 300.0, 1e-6..=1e8),
    valve::VCT,
    Param::new(
        "isl",
        "how much mu falls towards cut-off and rises above zero",
        "1",
        0.0,
        0.0..=10.0,
    ),
    Param::new(
        "most",
        "by what part mu falls or rises at most",
        "1",
        0.8,
        0.01..=0.95,
    ),
    Param::new(
        "turn",
        "volts below vgk = -vct at which mu turns",
        "V",
        0.0,
        -10.0..=10.0,
    ),
    Param::new(
        "knee",
        "plate volts at which the plate gets half of the current",
        "V",
        0.0,
        0.0..=1e3,
    ),
    Param::new(
        "take",
        "further knee for each volt of positive grid",
        "1",
        0.0,
        0.0..=1e3,
    ),
    Param::new(
        "wide",
        "plate volts up to which cut-off widens with their root; 0: Koren's law",
        "V",
        0.0,
        0.0..=1e6,
    ),
    valve::GG,
    valve::CG,
    valve::XI,
    Param::new(
        "alphag",
        "further grid current at zero plate volts",
        "1",
        0.0,
        0.0..=1e6,
    ),
    Param::new(
        "lamg",
        "how soon the plate takes that current over",
        "1",
        1.0,
        1e-6..=1e6,
    ),
    valve::FCORNER,
    valve::CGP,
    valve::CGK,
    valve::CPK,
    valve::PAMAX,
    valve::VAMAX,
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

/// The triode.
pub const KIND: Kind = Kind {
    name: "triode",
    letter: 'X',
    title: "triode valve (Koren)",
    terminals: &["plate", "grid", "cathode"],
    role: DeviceRole::Valve,
    dc_paths: &[(0, 2)],
    optional: 0,
    model_params: PARAMS,
    instance_params: &[],
    build,
};

const PLATE: Pin = Pin::T(0);
const GRID: Pin = Pin::T(1);
const CATHODE: Pin = Pin::T(2);

fn build(given: &Given<'_>) -> Device {
    let ports = vec![(PLATE, CATHODE), (GRID, CATHODE)];
    let cg = given.model("cg");
    let kp = given.model("kp");
    let mut parts = vec![Part::Law {
        controls: ports.clone(),
        outputs: ports,
        law: Box::new(Triode {
            constants: [
                1.0 / given.model("mu"),
                given.model("ex"),
                2.0 / given.model("kg1"),
                kp,
                1.0 / kp,
                given.model("kvb"),
                given.model("vct"),
                given.model("isl") * given.model("mu"),
                given.model("most"),
                given.model("turn"),
                given.model("knee"),
                given.model("take"),
                given.model("wide"),
                given.model("gg"),
                cg,
                1.0 / cg,
                given.model("xi"),
                given.model("alphag"),
                given.model("lamg"),
                sees_from(cg, given.model("alphag"), given.model("lamg")),
            ],
            fcorner: given.model("fcorner"),
        }),
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
                name: "grid current",
                output: (0, 1),
            },
        ],
        limits: given.limits(&[
            ("pamax", "plate dissipation"),
            ("vamax", "plate voltage"),
            ("ikmax", "cathode current"),
            ("vhkmax", "heater-cathode voltage"),
            ("rgmaxfixed", "grid circuit resistance (fixed bias)"),
            ("rgmaxself", "grid circuit resistance (cathode bias)"),
        ]),
        ..Device::default()
    }
}

/// Controls vpk, vgk; outputs plate and grid current.
#[derive(Debug)]
struct Triode {
    constants: [f64; CONSTANTS],
    fcorner: f64,
}

/// 1/mu, ex, 2/kg1, kp, 1/kp, kvb, vct, isl mu, most, turn, knee, take, wide, then the grid's gg, cg,
/// 1/cg, xi, alphag, lamg and the grid volts above which these count.
const CONSTANTS: usize = 20;
const FROM: usize = 19;
/// Plate and grid current, then the slopes of the first and of the second to vpk and vgk.
pub const ANSWERS: usize = 6;
/// V and V^2: what rounds curves at the plate's zero, that of the plate current with `wide` alone.
const CLOSE: f64 = 1.0;
const LEAST: f64 = 0.01;

/// The grid volts from which on the grid sees its plate; below, 1 and what `alphag` adds is 1 to the last
/// bit. None are where nothing is added.
fn sees_from(cg: f64, alphag: f64, lamg: f64) -> f64 {
    const LOST: f64 = f64::EPSILON / 4.0;
    if alphag > 0.0 {
        fun::ln(LOST * lamg * cg / alphag) / cg
    } else {
        f64::INFINITY
    }
}

/// Currents and slopes at vpk and vgk. Without a branch, so that [`Bank`] has several triodes
/// answered at a time by the same instructions. Where the grid does not see its plate the
/// answer is the same to the last bit with SEES or without.
#[inline(always)]
fn answer<const SEES: bool>(constants: [f64; CONSTANTS], vpk: f64, vgk: f64) -> [f64; ANSWERS] {
    let [
        per_mu,
        ex,
        two_per_kg1,
        kp,
        per_kp,
        kvb,
        vct,
        bend,
        most,
        turn,
        knee,
        take,
        wide,
        gg,
        cg,
        per_cg,
        xi,
        alphag,
        lamg,
        from,
    ] = constants;
    let vg = vgk + vct;
    let widened = wide > 0.0;
    let v = if vpk > 0.0 { vpk } else { 0.0 };
    let s = (kvb + wide * v + vpk * vpk).sqrt();
    let per_s = 1.0 / s;
    let q = vg * per_s;
    let b = (vg + turn) * per_s;
    let y = bend * b;
    let hyperbola = (y * y + most * most).sqrt();
    let per_both = 1.0 / (hyperbola * (hyperbola + most));
    let run = vpk * per_s;
    let from_plate = if widened { per_mu * run } else { per_mu };
    let (soft, open) = lanes::softplus(kp * (from_plate + q + most * y * b * hyperbola * per_both));
    let bent = most * y * (hyperbola + most) * per_both;
    let f = open * (1.0 + bent);
    let pulled = f * vg + open * bent * turn;
    let scale = if widened { s } else { vpk };
    let e1 = scale * per_kp * soft;
    let on = (e1 > f64::MIN_POSITIVE) & (vpk > 0.0);
    let e1 = if on { e1 } else { 1.0 };
    let space = two_per_kg1 * lanes::power(e1, ex);
    let grid = grid::law(gg, cg, per_cg, xi, vgk);
    let taken = knee + take * grid.drive;
    let reach = if widened { vpk * vpk } else { vpk };
    // Not of `v`, which would take the law a twentieth longer.
    let far = if widened { vpk + CLOSE } else { 1.0 };
    let least = if widened { LEAST } else { 0.0 };
    let per_all = 1.0 / (reach + (taken * far + least));
    let share = reach * per_all;
    let ip = space * share;
    let dip = ex * ip / e1;
    let steep = (0.5 * wide + vpk) * per_s * per_s;
    let (of_drive, to_plate, more) = if widened {
        let alone = steep * s * soft * per_kp + open * per_mu * (1.0 - steep * vpk);
        let more = vpk * (taken * (vpk + 2.0 * CLOSE) + 2.0 * LEAST);
        (1.0, alone - pulled * steep, more)
    } else {
        (run, soft * per_kp - pulled * per_s * run * run, taken)
    };
    let dip_dvpk = dip * to_plate + space * more * per_all * per_all;
    let dip_dvgk = dip * f * of_drive - ip * take * grid.drive_slope * far * per_all;
    let (mut ig, mut dig_dvpk, mut dig_dvgk) = (grid.current, 0.0, grid.slope);
    if SEES {
        let beside = v + CLOSE;
        let away = lamg * (v * beside + CLOSE);
        let per_field = 1.0 / (grid.drive * beside + away);
        let near = alphag * per_field;
        let more = 1.0 + near * grid.drive * beside;
        let turned = grid.current * near * per_field;
        ig *= more;
        let falls = turned * grid.drive * lamg * v * (v + 2.0 * CLOSE);
        dig_dvpk = if vgk > from { -falls } else { 0.0 };
        dig_dvgk = grid.slope * more + turned * grid.drive_slope * beside * away;
    }
    let plate = |x: f64| if on { x } else { 0.0 };
    [
        plate(ip),
        ig,
        plate(dip_dvpk),
        plate(dip_dvgk),
        dig_dvpk,
        dig_dvgk,
    ]
}

impl Law for Triode {
    fn controls(&self) -> usize {
        2
    }

    fn outputs(&self) -> usize {
        2
    }

    #[inline]
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let found = answer::<true>(self.constants, u[0], u[1]);
            out.i[..2].copy_from_slice(&found[..2]);
            out.g[..4].copy_from_slice(&found[2..]);
        });
    }

    fn damp(&self, u: &mut [f64], last: &[f64], _memory: f64) {
        u[0] = damping::plate_step(u[0], last[0]);
        u[1] = grid::step(u[1], last[1]);
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        let mut found = noise::space_charge(&[(0, rest.i[0])], rest.g[1], self.fcorner);
        found.push(Noise::shot("grid", 1, rest.i[1]));
        found
    }

    fn enlisted(&self) -> Option<(Enlisted, &[f64])> {
        Some((Enlisted::Triode, &self.constants))
    }
}

/// Triodes answered together, [`WIDTH`] at a time.
#[derive(Debug, Default)]
pub struct Bank {
    packs: Packs<CONSTANTS>,
}

impl Bank {
    /// Takes one more triode's constants.
    pub(super) fn push(&mut self, constants: &[f64]) {
        self.packs.push(constants.try_into().expect("a triode's"));
    }

    /// How many packs of [`WIDTH`] the triodes fill.
    pub fn packs(&self) -> usize {
        self.packs.packs.len()
    }

    /// Whether the grid current of the triode in a lane of a pack depends on its plate.
    pub fn grid_sees(&self, pack: usize, lane: usize) -> bool {
        self.packs.packs[pack][FROM][lane] < f64::INFINITY
    }

    /// All answers. `u` holds vpk and vgk of each pack; `out` gets plate and grid current
    /// and the slopes of the first and of the second to vpk and vgk.
    #[inline(always)]
    pub fn answer(&self, u: &[[[f64; WIDTH]; 2]], out: &mut [[[f64; WIDTH]; ANSWERS]]) {
        for ((constants, u), out) in self.packs.packs.iter().zip(u).zip(out) {
            // What costs 7 % is left out where it changes nothing: in most stages, most of the time.
            *out = if sees(constants, u) {
                side_by_side::<WIDTH, true>(constants, u)
            } else {
                side_by_side::<WIDTH, false>(constants, u)
            };
        }
    }

    /// The same at two points each, twice [`WIDTH`] lanes at a time: for processors whose registers are as wide.
    #[inline(always)]
    pub fn answer_twice(
        &self,
        u: [&[[[f64; WIDTH]; 2]]; 2],
        [first, second]: [&mut [[[f64; WIDTH]; ANSWERS]]; 2],
    ) {
        let points = u[0].iter().zip(u[1]);
        let out = first.iter_mut().zip(second);
        for ((constants, (a, b)), out) in self.packs.packs.iter().zip(points).zip(out) {
            if sees(constants, a) | sees(constants, b) {
                answer_both::<true>(constants, [a, b], out.0, out.1);
            } else {
                answer_both::<false>(constants, [a, b], out.0, out.1);
            }
        }
    }
}

/// Whether a grid sees its plate.
#[inline(always)]
fn sees(constants: &[[f64; WIDTH]; CONSTANTS], u: &[[f64; WIDTH]; 2]) -> bool {
    let mut sees = false;
    for lane in 0..WIDTH {
        sees |= u[1][lane] > constants[FROM][lane];
    }
    sees
}

/// A pack's answers at two points.
#[inline(always)]
fn answer_both<const SEES: bool>(
    constants: &[[f64; WIDTH]; CONSTANTS],
    [a, b]: [&[[f64; WIDTH]; 2]; 2],
    first: &mut [[f64; WIDTH]; ANSWERS],
    second: &mut [[f64; WIDTH]; ANSWERS],
) {
    let twice = packs::twice(constants, constants);
    let answers = side_by_side::<{ packs::TWICE }, SEES>(&twice, &packs::twice(a, b));
    packs::apart(&answers, first, second);
}

/// L triodes' answers.
///
/// Rows are taken apart first and put together last: only so does the compiler see that
/// lanes are alike. Four triodes took 143 ns then in place of 800 one by one (AVX2).
#[inline(always)]
fn side_by_side<const L: usize, const SEES: bool>(
    constants: &[[f64; L]; CONSTANTS],
    [vpk, vgk]: &[[f64; L]; 2],
) -> [[f64; L]; ANSWERS] {
    let [
        c0,
        c1,
        c2,
        c3,
        c4,
        c5,
        c6,
        c7,
        c8,
        c9,
        c10,
        c11,
        c12,
        c13,
        c14,
        c15,
        c16,
        c17,
        c18,
        c19,
    ] = constants;
    let [mut o0, mut o1, mut o2, mut o3, mut o4, mut o5] = [[0.0; L]; ANSWERS];
    for lane in 0..L {
        let constants = [
            c0[lane], c1[lane], c2[lane], c3[lane], c4[lane], c5[lane], c6[lane], c7[lane],
            c8[lane], c9[lane], c10[lane], c11[lane], c12[lane], c13[lane], c14[lane], c15[lane],
            c16[lane], c17[lane], c18[lane], c19[lane],
        ];
        let a = answer::<SEES>(constants, vpk[lane], vgk[lane]);
        o0[lane] = a[0];
        o1[lane] = a[1];
        o2[lane] = a[2];
        o3[lane] = a[3];
        o4[lane] = a[4];
        o5[lane] = a[5];
    }
    [o0, o1, o2, o3, o4, o5]
}

#[cfg(test)]
mod tests;
