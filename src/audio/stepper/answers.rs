//! What the laws answer at the controls of both stages.

use super::lengths::STAGES;
use super::recipe::{self, Place, Recipe};
use super::work::Work;
use crate::device::{Answer, WIDTH};

/// All laws at `work.u`: what they give beyond their slopes at rest (`y`) and the slopes
/// beyond those. `WIDE` where the processor has room for both stages in a register.
#[inline(always)]
pub(super) fn evaluate<const WIDE: bool>(recipe: &Recipe<'_>, work: &mut Work) {
    triodes::<WIDE>(recipe, work);
    output_valves::<WIDE>(recipe, work);
    if !recipe.singles.is_empty() {
        singles(recipe, work);
    }
}

/// Triodes, pack by pack.
#[inline(always)]
fn triodes<const WIDE: bool>(recipe: &Recipe<'_>, work: &mut Work) {
    let packs = recipe.rest.len();
    let (nc, no) = (recipe.controls.len(), recipe.outputs.len());
    let (rest_u, _) = recipe.u.as_chunks::<WIDTH>();
    let (rest_u, _) = rest_u.as_chunks::<2>();
    for stage in 0..STAGES {
        let (u, _) = work.u[stage * nc..][..nc].as_chunks::<WIDTH>();
        let (u, _) = u.as_chunks::<2>();
        let at = &mut work.at[stage * packs..][..packs];
        for ((at, u), rest) in at.iter_mut().zip(u).zip(rest_u) {
            for lane in 0..WIDTH {
                at[0][lane] = u[0][lane] + rest[0][lane];
                at[1][lane] = u[1][lane] + rest[1][lane];
            }
        }
    }
    let (at, bank) = (work.at.split_at(packs), work.bank.split_at_mut(packs));
    let triodes = &recipe.banks.triodes;
    if WIDE {
        triodes.answer_twice([at.0, at.1], [bank.0, bank.1]);
    } else {
        triodes.answer(at.0, bank.0);
        triodes.answer(at.1, bank.1);
    }
    for stage in 0..STAGES {
        let (u, _) = work.u[stage * nc..][..nc].as_chunks::<WIDTH>();
        let (u, _) = u.as_chunks::<2>();
        let bank = &mut work.bank[stage * packs..][..packs];
        let (y, _) = work.y[stage * no..][..no].as_chunks_mut::<WIDTH>();
        let (y, _) = y.as_chunks_mut::<2>();
        for (((y, u), answer), rest) in y.iter_mut().zip(u).zip(bank).zip(&recipe.rest) {
            for lane in 0..WIDTH {
                let moved = rest[2][lane] * u[0][lane] + rest[3][lane] * u[1][lane];
                y[0][lane] = answer[0][lane] - rest[0][lane] - moved;
                let moved = rest[4][lane] * u[0][lane] + rest[5][lane] * u[1][lane];
                y[1][lane] = answer[1][lane] - rest[1][lane] - moved;
            }
            for (slope, rest) in answer[2..].iter_mut().zip(&rest[2..]) {
                for lane in 0..WIDTH {
                    slope[lane] -= rest[lane];
                }
            }
        }
    }
}

/// Output valves, whose controls and slopes stand among those of single laws.
#[inline(always)]
fn output_valves<const WIDE: bool>(recipe: &Recipe<'_>, work: &mut Work) {
    let (controls, outputs) = (recipe.controls.len(), recipe.outputs.len());
    for (pack, laws) in recipe.output_valves.chunks(WIDTH).enumerate() {
        let mut at = [[[0.0; WIDTH]; 3]; STAGES];
        for (stage, at) in at.iter_mut().enumerate() {
            let u = &work.u[stage * controls..][..controls];
            for (lane, &law) in laws.iter().enumerate() {
                let place = &recipe.laws[law];
                for (at, &c) in at.iter_mut().zip(&place.controls) {
                    at[lane] = u[c] + recipe.u[c];
                }
            }
        }
        let valves = &recipe.banks.output_valves;
        let answers = if WIDE {
            valves.answer_twice(pack, &at)
        } else {
            [valves.answer(pack, &at[0]), valves.answer(pack, &at[1])]
        };
        for (stage, answer) in answers.iter().enumerate() {
            let u = &work.u[stage * controls..][..controls];
            let y = &mut work.y[stage * outputs..][..outputs];
            let own = &mut work.slopes[stage * recipe.slopes.len()..][..recipe.slopes.len()];
            for (lane, &law) in laws.iter().enumerate() {
                let place = &recipe.laws[law];
                let c = &place.controls;
                let (vpk, vg2k, vgk) = (u[c[0]], u[c[1]], u[c[2]]);
                let rest = &recipe.slopes[place.first_slope..][..9];
                let own = &mut own[place.first_slope..][..9];
                for k in 0..6 {
                    own[k] = answer[3 + k][lane] - rest[k];
                }
                own[6] = 0.0 - rest[6];
                own[7] = 0.0 - rest[7];
                own[8] = answer[9][lane] - rest[8];
                for (o, &output) in place.outputs.iter().enumerate() {
                    let rest = &rest[3 * o..][..3];
                    let moved = rest[0] * vpk + rest[1] * vg2k + rest[2] * vgk;
                    y[output] = answer[o][lane] - recipe.y[output] - moved;
                }
            }
        }
    }
}

/// The laws that are answered one by one.
fn singles(recipe: &Recipe<'_>, work: &mut Work) {
    let (controls, outputs) = (recipe.controls.len(), recipe.outputs.len());
    let [at, answers, slopes] = &mut work.single;
    for stage in 0..STAGES {
        let u = &work.u[stage * controls..];
        let y = &mut work.y[stage * outputs..];
        let own = &mut work.slopes[stage * recipe.slopes.len()..];
        for &law in &recipe.singles {
            let place = &recipe.laws[law];
            if place.is_port {
                port(recipe, place, u[place.controls[0]], y, own);
                continue;
            }
            at.clear();
            at.extend(place.controls.iter().map(|&c| u[c] + recipe.u[c]));
            recipe::answer_all(place, at, answers, slopes);
            let mut e = place.first_slope;
            for ((&o, answer), slopes) in place
                .outputs
                .iter()
                .zip(answers.iter())
                .zip(slopes.chunks(at.len().max(1)))
            {
                let mut beyond = answer - recipe.y[o];
                for (&c, slope) in place.controls.iter().zip(slopes) {
                    beyond -= recipe.slopes[e] * u[c];
                    own[e] = slope - recipe.slopes[e];
                    e += 1;
                }
                y[o] = beyond;
            }
        }
    }
}

/// A law of one control (a diode): its current, then its charge if it has one.
#[inline(always)]
fn port(recipe: &Recipe<'_>, place: &Place<'_>, u: f64, y: &mut [f64], own: &mut [f64]) {
    let [mut i, mut q, mut g, mut c] = [[0.0]; 4];
    let at = [u + recipe.u[place.controls[0]]];
    let mut answer = Answer {
        i: &mut i,
        q: &mut q,
        g: &mut g,
        c: &mut c,
    };
    place.law.answer(&at, place.memory, &mut answer);
    for (k, &o) in place.outputs.iter().enumerate() {
        let (answer, slope) = if k == 0 { (i[0], g[0]) } else { (q[0], c[0]) };
        let rest = recipe.slopes[place.first_slope + k];
        y[o] = answer - recipe.y[o] - rest * u;
        own[place.first_slope + k] = slope - rest;
    }
}
