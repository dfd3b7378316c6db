//! Output pentode and beam tetrode: a law that holds below the knee.
//!
//! Sources, all from memory: space current by Koren, "Improved vacuum tube models for SPICE
//! simulations", Glass Audio 8(5), 1996, in the rounded form of his triode; the division of
//! that current between plate and screen has the form of Reefman, "Spice models for vacuum
//! tubes using the uTracer", 2016: plate (1 + A vpk)(1 - s), screen 1 + alphas times a tail,
//! with a scale s that falls from 1 at the plate's zero. His s = exp(-(beta vpk)^1.5) knows
//! one knee voltage; here s is Child's law for the space between screen and plate, whose
//! virtual cathode makes the knee (Salzberg and Haeff, RCA Review 2, 1938; Schade, "Beam
//! power tubes", Proc. IRE 26, 1938), so that the knee moves out with the current as the
//! plate curves of the data sheets show. That choice of s is this project's own. Grid
//! current: see `grid`.
//!
//! Terminals plate, screen, grid, cathode; currents flow in at plate, screen and grid and
//! out at the cathode; volts, amperes.
//!
//! ```text
//! v   = vpk^2/(vpk + 5 V + fade vpk^2), 0 for vpk < 0      w = sqrt(10 + vg2k^2)
//! z   = kp (1/mu + (vgk + vct + v/mup)/w)
//! E1  = vg2k/kp ln(1 + exp(z))  J  = 2 E1^ex, 0 for vg2k <= 0
//! Q   = vpk^1.5, 0 for vpk < 0  K  = knee^1.5 + J/(kg1 perv)      s = K/(K + Q)
//! b   = back/(1 + E1/eback)      X  = (vpk/vback)^4      p = (1 - b) (1 - s) + b X/(1 + X)
//! ip  = J/kg1 (1 + vpk/vrise) p
//! h   = 1/(1 + (shade w/E1)^3)
//! ig2 = J/kg2 (1 + alphas vg2k/(vg2k + lams v)) h
//! ```
//!
//! The plate's own amplification factor `mup` lets it pull through the screen, as in any
//! drive vgk + vg2k/mu + vpk/mup of the text-books (Spangenberg, "Vacuum Tubes", 1948, ch. 10;
//! from memory). Without it the curves of an EL84 rise by one part of themselves in every grid
//! voltage; the printed ones rise by the same milliamperes, so that near cut-off the law was 40 %
//! high below 100 V and 20 % low at 550 V. With it 15 charts' curves above the knee come from
//! 7.7 to 4.3 % rms, below it from 17 to 10 %, the 6V6GT's triode connection from 17 to 5 %
//! (fits to the curves alone). `v` in place of vpk keeps the slopes continuous at 0 V.
//!
//! `fade`, 0 unless given, is this project's own: above the knee the printed curves rise steeply
//! up to some 150 V and hardly at all beyond. The 6V6GT's chart has 96 k at -15 V from 285 to
//! 400 V and its sheet prints 80 k at 315 V; a pull in proportion to the plate's volts, which has
//! to give what they do at 60 V, had 46 k there. With it the pull levels off towards 1/fade, as it
//! must where the field that comes through the meshes is shared by more and more of the cathode.
//! Fitted to curves and points alone, without and with it: the 6V6GT's curves at 225 V of screen
//! come from 3.1 to 2.1 % rms, its plate resistance at 315 V from 38 to 10 % low; the EL84's
//! curves above the knee from 5.5 to 4.5 % rms, below it from 7.9 to 7.0, its triode connection
//! from 9.3 to 7.6.
//!
//! `back`, 0 unless given, is the part of the current that turns back before a plate below `vback`, the
//! less of it the larger the drive: a pentode's suppressor is wires, behind each of which the field
//! differs, so that besides Child's soft knee its curves have a second one at the same plate volts for
//! every grid (the EL84's -10 V curve has 45 % of its current at 20 V and 92 % only at 100 V). This
//! form is the project's own. Fitted to curves and points alone, without and with it: the EL84 above
//! the knee 3.4 and 2.6 % rms, below it 7.3 and 4.8 %; the 6V6GT, which has no such wires, has no use
//! for it.
//!
//! Screen current follows the ratio of screen and plate volts, as the division of current between
//! two grids of like pitch does (Spangenberg, ch. 9; there it goes with the root): a tail in
//! knee/vpk alone gave the 6V6GT the same share at 100 and at 250 V of screen, where the sheet
//! has 4 and 10 %.
//!
//! `shade`, 0 unless given, is this project's own: in a beam valve the screen's wires stand behind the
//! grid's, and the more negative the grid, the narrower the sheets of current that pass between both.
//! Where charge hardly bends the paths, these are the same for all volts in the same proportion
//! (Spangenberg, ch. 9), so that the screen's share is a matter of E1/vg2k and not of E1: the 6V6GT's
//! sheet has shares of 10.3, 10, 7.1 and 5.7 % at 180 V, -8.5 V; 250 V, -12.5 V; 250 V, -15 V and
//! 285 V, -19 V, which fall in step with vg1/vg2, while E1 is 10, 13, 10.4 and 9.8 V. At full drive
//! the share is what it was. scripts/valve_fit/README.md has what it gains.
//!
//! Far above the knee ip is J/kg1 with a plate resistance near mup/gm; far below it is
//! kg1^-1 J (vpk/knee)^1.5. Screen current is (1 + alphas) J/kg2 at the plate's zero. The
//! triode connection and any tap of the ultralinear one are this law at other screen volts.
//!
//! Derivatives, with f = 1/(1 + exp(-z)), n = 3 (1 - h), T = K + Q, V = vg2k + lams v, D = vpk + 5 V + fade vpk^2,
//! d = dv/dvpk = vpk (vpk + 10 V)/D^2:
//!
//! ```text
//! dE1/dvgk = vg2k f/w            dE1/dvg2k = ln(1 + exp(z))/kp - f (z/kp - 1/mu) vg2k^2/w^2
//! dE1/dvpk = dE1/dvgk d/mup      ds/dK = (1 - s)/T    ds/dvpk = -1.5 s sqrt(vpk)/T
//! dip/dJ   = (1 + vpk/vrise)/kg1 ((1 - b) (1 - s) (1 - J/(kg1 perv T)) + b X/(1 + X)
//!            + b (1 - s - X/(1 + X)) E1/(ex (E1 + eback)))
//! dp/dvpk  = (1 - b) 1.5 s sqrt(vpk)/T + b 4 X/(vpk (1 + X)^2)
//! dip/dvpk = J/kg1 (p/vrise + (1 + vpk/vrise) dp/dvpk) + dip/dJ dJ/dvpk
//! dig2/dJ  = (1 + alphas vg2k/V)/kg2 h (1 + n/ex)
//! dig2/dvpk = -J/kg2 alphas lams vg2k d/V^2 h + ..
//! dig2/dvg2k = J/kg2 alphas lams v/V^2 h - ig2 n vg2k/w^2 + ..
//! ```
//!
//! All of it is finite and the slopes are continuous everywhere if ex > 1. Overflow:
//! `lanes::softplus`; beyond `damping::REACH` the law stands still.
//!
//! Valid for: plate from zero to its rating, grid from cut-off to some 20 V positive; the
//! positive grid is extrapolated. Left out: secondary emission (the dent of a tetrode), grid
//! current that grows as the plate falls, screens that are cooler at low grids, heater, noise.

use super::kind::{Device, Given, Kind, Param};
use super::law::{Answer, Enlisted, Law};
use super::packs::{self, Packs, WIDTH};
use super::role::DeviceRole;
use crate::device::damping;
use crate::device::grid;
use crate::device::noise::{self, Noise, Rest};
use crate::device::pentode::around;
use crate::device::{base, production, valve};
use crate::math::lanes;

/// Rounds the foot of the screen's own curve, V^2: no valve works at 3 V of screen.
const FOOT: f64 = 10.0;
/// Volts below which a plate hardly reaches through the screen.
const NEAR: f64 = 5.0;

const PARAMS: &[Param] = &[
    Param::new(
        "mu",
        "amplification factor, grid to screen",
        "1",
        9.8,
        0.1..=1000.0,
    ),
    Param::new("ex", "exponent", "1", 1.33, 1.0..=3.0),
    Param::new(
        "kg1",
        "inverse of the plate perveance",
        "1",
        963.0,
        1e-3..=1e9,
    ),
    Param::new(
        "kg2",
        "inverse of the screen perveance",
        "1",
        22e3,
        1e-3..=1e9,
    ),
    Param::new("kp", "sharpness of cut-off", "1", 34.5, 1e-3..=1e5),
    Param::new("knee", "knee at small current", "V", 7.0, 1e-6..=1e6),
    Param::new(
        "perv",
        "perveance of the space before the plate",
        "A/V^1.5",
        5e-3,
        1e-9..=1e3,
    ),
    Param::new(
        "vrise",
        "plate volts over which the plate current doubles",
        "V",
        1500.0,
        1.0..=1e9,
    ),
    Param::new(
        "mup",
        "amplification factor, grid to plate",
        "1",
        1e9,
        1.0..=1e12,
    ),
    Param::new(
        "fade",
        "how the plate's pull levels off with its volts",
        "1/V",
        0.0,
        0.0..=1.0,
    ),
    Param::new(
        "back",
        "part of a small current that turns back before a low plate",
        "1",
        0.0,
        0.0..=0.99,
    ),
    Param::new(
        "vback",
        "plate volts at which half of that part arrives",
        "V",
        60.0,
        1.0..=1e4,
    ),
    Param::new(
        "eback",
        "drive at which that part is halved",
        "V",
        10.0,
        1e-3..=1e6,
    ),
    Param::new(
        "alphas",
        "further screen current at zero plate volts",
        "1",
        8.0,
        0.0..=1e6,
    ),
    Param::new(
        "lams",
        "how soon the plate takes that current over",
        "1",
        10.0,
        0.0..=1e6,
    ),
    Param::new(
        "shade",
        "drive over screen volts at which the grid hides half of the screen",
        "1",
        0.0,
        0.0..=1.0,
    ),
    valve::VCT,
    valve::GG,
    valve::CG,
    valve::XI,
    valve::CGP,
    valve::CGK,
    valve::CPK,
    valve::FCORNER,
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

/// The output valve.
pub const KIND: Kind = Kind {
    name: "output",
    letter: 'X',
    title: "output pentode or beam tetrode valve, right below the knee",
    terminals: &["plate", "screen", "grid", "cathode"],
    role: DeviceRole::Valve,
    dc_paths: &[(0, 3), (1, 3)],
    optional: 0,
    model_params: PARAMS,
    instance_params: &[],
    build,
};

fn build(given: &Given<'_>) -> Device {
    let knee = given.model("knee");
    let per_kg1 = 1.0 / given.model("kg1");
    around(
        given,
        Box::new(OutputValve {
            constants: [
                1.0 / given.model("mu"),
                given.model("ex"),
                per_kg1,
                1.0 / given.model("kg2"),
                given.model("kp"),
                1.0 / given.model("kp"),
                knee * knee.sqrt(),
                per_kg1 / given.model("perv"),
                1.0 / given.model("vrise"),
                1.0 / given.model("mup"),
                given.model("fade"),
                given.model("back"),
                1.0 / (given.model("vback") * given.model("vback")),
                1.0 / given.model("eback"),
                1.0 / given.model("ex"),
                given.model("alphas"),
                given.model("lams"),
                given.model("shade"),
                given.model("vct"),
                given.model("gg"),
                given.model("cg"),
                1.0 / given.model("cg"),
                given.model("xi"),
            ],
            fcorner: given.model("fcorner"),
        }),
    )
}

/// Controls vpk, vg2k, vgk; outputs plate, screen and grid current.
#[derive(Debug)]
struct OutputValve {
    constants: [f64; CONSTANTS],
    fcorner: f64,
}

/// 1/mu, ex, 1/kg1, 1/kg2, kp, 1/kp, knee^1.5, 1/(kg1 perv), 1/vrise, 1/mup, fade, back, 1/vback^2,
/// 1/eback, 1/ex, alphas, lams, shade, vct, then the grid's gg, cg, 1/cg, xi.
const CONSTANTS: usize = 23;
/// Currents of plate, screen and grid, and all slopes that are not always zero.
const ANSWERS: usize = 10;

/// Plate, screen and grid current, then the slopes of the first and of the second to vpk, vg2k
/// and vgk, then dig/dvgk. Without a branch, as in `triode`.
#[inline(always)]
fn answer(constants: [f64; CONSTANTS], [vpk, vg2k, vgk]: [f64; 3]) -> [f64; ANSWERS] {
    let [
        per_mu,
        ex,
        per_kg1,
        per_kg2,
        kp,
        per_kp,
        knee,
        crowding,
        per_rise,
        per_mup,
        fade,
        back,
        per_vback2,
        per_eback,
        per_ex,
        alphas,
        lams,
        shade,
        vct,
        gg,
        cg,
        per_cg,
        xi,
    ] = constants;
    let drawing = vg2k > 0.0;
    let v2 = if drawing { vg2k } else { 1.0 };
    let forward = vpk > 0.0;
    let v = if forward { vpk } else { 0.0 };
    let per_reach = 1.0 / (v + NEAR + fade * v * v);
    let pull = v * v * per_reach;
    let rise_of_pull = v * (v + 2.0 * NEAR) * per_reach * per_reach;
    let w = (FOOT + v2 * v2).sqrt();
    let per_w = 1.0 / w;
    let vg = vgk + vct + per_mup * pull;
    let (soft, f) = lanes::softplus(kp * (per_mu + vg * per_w));
    let e1 = v2 * per_kp * soft;
    let on = drawing & (e1 > f64::MIN_POSITIVE);
    let e1 = if on { e1 } else { 1.0 };
    let space = 2.0 * lanes::power(e1, ex);
    let per_e1 = 1.0 / e1;
    let slope = ex * space * per_e1;
    let run = v2 * per_w;
    let to_screen = slope * (soft * per_kp - f * vg * per_w * run * run);
    let to_grid = slope * f * run;
    let to_plate = to_grid * per_mup * rise_of_pull;
    // How plate and screen divide it.
    let root = v.sqrt();
    let crowd = crowding * space;
    let k = knee + crowd;
    let per_total = 1.0 / (k + v * root);
    let s = k * per_total;
    let past = v * root * per_total;
    // What turns back before a low plate, and how much of it arrives.
    let x = v * v * per_vback2;
    let much = per_eback * e1;
    let per_two = 1.0 / ((1.0 + x * x) * (1.0 + much));
    let small = (1.0 + x * x) * per_two;
    let over = (1.0 + much) * per_two;
    let b = back * small;
    let arrives = x * x * over;
    let through = past + b * (arrives - past);
    let rise = 1.0 + v * per_rise;
    let full = per_kg1 * space;
    let less = b * (past - arrives) * much * small * per_ex;
    let plate =
        per_kg1 * rise * ((1.0 - b) * past * (1.0 - crowd * per_total) + b * arrives + less);
    let steeper = 4.0 * v * per_vback2 * x * over * over;
    let steep = (1.0 - b) * 1.5 * s * root * per_total + b * steeper;
    let dip = full * (through * per_rise + rise * steep) + plate * to_plate;
    let dip = if forward { dip } else { 0.0 };
    let per_field = 1.0 / (v2 + lams * pull);
    let near = alphas * v2 * per_field;
    // What the grid's shade leaves of the screen's share; far below cut-off `hidden` may be infinite.
    let hidden = shade * w * per_e1;
    let lit = 1.0 / (1.0 + hidden * hidden * hidden);
    let leans = 3.0 * (1.0 - lit);
    let per_kg2 = per_kg2 * lit;
    let screen = per_kg2 * (1.0 + near);
    let steeper_screen = screen * (1.0 + leans * per_ex);
    let per_kg2_space = per_kg2 * space;
    let turned = near * lams * per_field * per_kg2_space;
    let dig2 = steeper_screen * to_plate - turned * rise_of_pull;
    let to_screen_too = alphas * lams * pull * per_field * per_field * per_kg2_space
        - screen * space * leans * run * per_w;
    let grid = grid::law(gg, cg, per_cg, xi, vgk);
    let gate = |x: f64| if on { x } else { 0.0 };
    [
        gate(full * rise * through),
        gate(screen * space),
        grid.current,
        gate(dip),
        gate(plate * to_screen),
        gate(plate * to_grid),
        gate(dig2),
        gate(steeper_screen * to_screen + to_screen_too),
        gate(steeper_screen * to_grid),
        grid.slope,
    ]
}

impl Law for OutputValve {
    fn controls(&self) -> usize {
        3
    }

    fn outputs(&self) -> usize {
        3
    }

    #[inline]
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let found = answer(self.constants, [u[0], u[1], u[2]]);
            out.i[..3].copy_from_slice(&found[..3]);
            out.g[..6].copy_from_slice(&found[3..9]);
            out.g[8] = found[9];
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

    fn enlisted(&self) -> Option<(Enlisted, &[f64])> {
        Some((Enlisted::OutputValve, &self.constants))
    }
}

/// Output valves answered together, [`WIDTH`] at a time.
#[derive(Debug, Default)]
pub struct Bank {
    packs: Packs<CONSTANTS>,
}

impl Bank {
    /// Takes one more valve's constants.
    pub(super) fn push(&mut self, constants: &[f64]) {
        self.packs
            .push(constants.try_into().expect("an output valve's"));
    }

    /// How many packs of [`WIDTH`] the valves fill.
    pub fn packs(&self) -> usize {
        self.packs.packs.len()
    }

    /// The answers of one pack. `u` holds vpk, vg2k and vgk; back come the three currents, the
    /// slopes of plate and of screen current to the three, and dig/dvgk.
    #[inline(always)]
    pub fn answer(&self, pack: usize, u: &[[f64; WIDTH]; 3]) -> [[f64; WIDTH]; ANSWERS] {
        side_by_side(&self.packs.packs[pack], u)
    }

    /// The same at two points, twice [`WIDTH`] lanes at a time: for processors whose registers are as wide.
    #[inline(always)]
    pub fn answer_twice(
        &self,
        pack: usize,
        [first, second]: &[[[f64; WIDTH]; 3]; 2],
    ) -> [[[f64; WIDTH]; ANSWERS]; 2] {
        let constants = &self.packs.packs[pack];
        let constants = packs::twice(constants, constants);
        let answers = side_by_side(&constants, &packs::twice(first, second));
        let [mut first, mut second] = [[[0.0; WIDTH]; ANSWERS]; 2];
        packs::apart(&answers, &mut first, &mut second);
        [first, second]
    }
}

/// L valves' answers.
#[inline(always)]
fn side_by_side<const L: usize>(
    constants: &[[f64; L]; CONSTANTS],
    [vpk, vg2k, vgk]: &[[f64; L]; 3],
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
        c20,
        c21,
        c22,
    ] = constants;
    let mut out = [[0.0; L]; ANSWERS];
    let [o0, o1, o2, o3, o4, o5, o6, o7, o8, o9] = &mut out;
    for lane in 0..L {
        let constants = [
            c0[lane], c1[lane], c2[lane], c3[lane], c4[lane], c5[lane], c6[lane], c7[lane],
            c8[lane], c9[lane], c10[lane], c11[lane], c12[lane], c13[lane], c14[lane], c15[lane],
            c16[lane], c17[lane], c18[lane], c19[lane], c20[lane], c21[lane], c22[lane],
        ];
        let a = answer(constants, [vpk[lane], vg2k[lane], vgk[lane]]);
        o0[lane] = a[0];
        o1[lane] = a[1];
        o2[lane] = a[2];
        o3[lane] = a[3];
        o4[lane] = a[4];
        o5[lane] = a[5];
        o6[lane] = a[6];
        o7[lane] = a[7];
        o8[lane] = a[8];
        o9[lane] = a[9];
    }
    out
}

#[cfg(test)]
mod tests;
