//! Blocks of nothing but triodes.

use super::super::lengths::STAGES;
use super::block::{Block, BlockStep};
use crate::device::WIDTH;
use crate::math::panels::HEIGHT;

/// A pivot this much smaller than what it eliminates calls for an exchange of rows. Plates move
/// a hundred times as far as grids, so that a grid's pivot is small by nature; what is lost by it
/// are digits of a Newton step, which the next one makes good.
const PIVOT: f64 = 1e-3;

/// One triode, its two stages as blocks of two by two: two divisions in place of four, and all but
/// the last few products do not wait for the triodes before. False if a determinant is a
/// difference of near equals.
#[inline(always)]
pub(super) fn one(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let ([k], _) = block.k.as_chunks::<{ 4 * 2 * STAGES }>() else {
        return false;
    };
    let (packs, panels) = (step.bank.len() / STAGES, step.missing.len() / STAGES);
    let (pack, lane) = block.triodes[0];
    let mut slopes = [[0.0; 3]; STAGES];
    for (stage, slopes) in slopes.iter_mut().enumerate() {
        let [.., plate, grid, own] = &step.bank[stage * packs + pack];
        *slopes = [plate[lane], grid[lane], own[lane]];
    }
    let [first, last] = slopes;
    let (a, b) = (part(k, first, 0, 0), part(k, last, 0, 1));
    let (c, d) = (part(k, first, 1, 0), part(k, last, 1, 1));
    let (a, safe) = inverse(a);
    let ca = product(c, a);
    let cab = product(ca, b);
    let (s, sound) = inverse([
        [d[0][0] - cab[0][0], d[0][1] - cab[0][1]],
        [d[1][0] - cab[1][0], d[1][1] - cab[1][1]],
    ]);
    if !(safe && sound) {
        return false;
    }
    let (first, last) = (&step.missing[pack], &step.missing[panels + pack]);
    let (f, g) = (
        [first[lane], first[WIDTH + lane]],
        [last[lane], last[WIDTH + lane]],
    );
    let x2 = times(s, minus(g, times(ca, f)));
    let x1 = times(a, minus(f, times(b, x2)));
    let outputs = step.dy.len() / STAGES;
    for (stage, x) in [x1, x2].into_iter().enumerate() {
        let [plate, grid, own] = slopes[stage];
        let at = (stage * panels + pack) * HEIGHT + lane;
        step.delta[at] = x[0];
        step.delta[at + WIDTH] = x[1];
        let to = stage * outputs + pack * HEIGHT + lane;
        step.dy[to] = plate * x[0] + grid * x[1];
        step.dy[to + WIDTH] = own * x[1];
    }
    true
}

/// Row `to`, column `from` of 1 + K slopes, a block row by row. Written out, like what follows:
/// closures are not always taken into the processor's best instructions.
#[inline(always)]
fn part(k: &[f64; 4 * 2 * STAGES], [plate, grid, own]: [f64; 3], to: usize, from: usize) -> Two {
    let one = if to == from { 1.0 } else { 0.0 };
    let (plate_k, grid_k) = (8 * from + 2 * to, 8 * from + 4 + 2 * to);
    [
        [
            one + k[plate_k] * plate,
            k[plate_k] * grid + k[grid_k] * own,
        ],
        [
            k[plate_k + 1] * plate,
            one + k[plate_k + 1] * grid + k[grid_k + 1] * own,
        ],
    ]
}

/// A matrix of two rows.
type Two = [[f64; 2]; 2];

/// The inverse, and whether it can be trusted.
#[inline(always)]
fn inverse(m: Two) -> (Two, bool) {
    let (one, other) = (m[0][0] * m[1][1], m[0][1] * m[1][0]);
    let determinant = one - other;
    // Written so that NaN fails too.
    let safe = determinant.abs() > 1e-6 * (one.abs() + other.abs());
    let per = 1.0 / determinant;
    let inverse = [
        [m[1][1] * per, -m[0][1] * per],
        [-m[1][0] * per, m[0][0] * per],
    ];
    (inverse, safe)
}

#[inline(always)]
fn product(a: Two, b: Two) -> Two {
    [
        [
            a[0][0] * b[0][0] + a[0][1] * b[1][0],
            a[0][0] * b[0][1] + a[0][1] * b[1][1],
        ],
        [
            a[1][0] * b[0][0] + a[1][1] * b[1][0],
            a[1][0] * b[0][1] + a[1][1] * b[1][1],
        ],
    ]
}

#[inline(always)]
fn times(m: Two, x: [f64; 2]) -> [f64; 2] {
    [
        m[0][0] * x[0] + m[0][1] * x[1],
        m[1][0] * x[0] + m[1][1] * x[1],
    ]
}

#[inline(always)]
fn minus(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] - b[0], a[1] - b[1]]
}

/// N/4 triodes without exchange of rows; false if that would not be safe.
#[inline(always)]
pub(super) fn several<const N: usize>(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let (k, _) = block.k.as_chunks::<N>();
    let (k, _) = k.as_chunks::<{ 2 * STAGES }>();
    let (packs, panels) = (step.bank.len() / STAGES, step.missing.len() / STAGES);
    let mut a = [[0.0f64; N]; N];
    let mut x = [0.0f64; N];
    for (t, (k, &(pack, lane))) in k.iter().zip(&block.triodes).enumerate() {
        for stage in 0..STAGES {
            let [.., plate, grid, own] = &step.bank[stage * packs + pack];
            let (plate, grid, own) = (plate[lane], grid[lane], own[lane]);
            let (kp, kg) = (&k[2 * stage], &k[2 * stage + 1]);
            let at = 2 * (STAGES * t + stage);
            for row in 0..N {
                a[at][row] = kp[row] * plate;
                a[at + 1][row] = kp[row] * grid + kg[row] * own;
            }
            a[at][at] += 1.0;
            a[at + 1][at + 1] += 1.0;
            let missing = &step.missing[stage * panels + pack];
            x[at] = missing[lane];
            x[at + 1] = missing[WIDTH + lane];
        }
    }
    for k in 0..N {
        let pivot = a[k][k];
        let largest = a[k][k + 1..].iter().fold(0.0f64, |m, v| m.max(v.abs()));
        // Written so that NaN fails too.
        let safe = pivot.abs() > PIVOT * largest;
        if !safe {
            return false;
        }
        let per = 1.0 / pivot;
        for row in k + 1..N {
            let factor = a[k][row] * per;
            for column in a.iter_mut().skip(k + 1) {
                column[row] -= factor * column[k];
            }
            x[row] -= factor * x[k];
        }
        a[k][k] = per;
    }
    for k in (0..N).rev() {
        x[k] *= a[k][k];
        for row in 0..k {
            x[row] -= a[k][row] * x[k];
        }
    }
    let outputs = step.dy.len() / STAGES;
    for (x, &(pack, lane)) in x.as_chunks::<{ 2 * STAGES }>().0.iter().zip(&block.triodes) {
        for stage in 0..STAGES {
            let [.., plate, grid, own] = &step.bank[stage * packs + pack];
            let (vpk, vgk) = (x[2 * stage], x[2 * stage + 1]);
            let at = (stage * panels + pack) * HEIGHT + lane;
            step.delta[at] = vpk;
            step.delta[at + WIDTH] = vgk;
            let to = stage * outputs + pack * HEIGHT + lane;
            step.dy[to] = plate[lane] * vpk + grid[lane] * vgk;
            step.dy[to + WIDTH] = own[lane] * vgk;
        }
    }
    true
}
