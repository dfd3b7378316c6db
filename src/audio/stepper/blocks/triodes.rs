//! Blocks of nothing but triodes.

use super::super::lengths::STAGES;
use super::block::{Block, BlockStep};

/// A pivot this much smaller than what it eliminates calls for an exchange of rows. Plates move
/// a hundred times as far as grids, so that a grid's pivot is small by nature; what is lost by it
/// are digits of a Newton step, which the next one makes good.
const PIVOT: f64 = 1e-3;

/// One triode, its two stages as blocks of two by two: two divisions in place of four, and all but
/// the last few products do not wait for the triodes before. False if a determinant is a
/// difference of near equals.
#[inline(always)]
pub(super) fn one<const SEES: bool>(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let ([k], _) = block.k.as_chunks::<{ 4 * 2 * STAGES }>() else {
        return false;
    };
    let place = block.triodes[0];
    let slopes = step.triode_slopes::<SEES>(place);
    let [first, last] = slopes;
    let (a, b) = (part::<SEES>(k, first, 0, 0), part::<SEES>(k, last, 0, 1));
    let (c, d) = (part::<SEES>(k, first, 1, 0), part::<SEES>(k, last, 1, 1));
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
    let [f0, f1, g0, g1] = step.missing_of_triode(place);
    let (f, g) = ([f0, f1], [g0, g1]);
    let x2 = times(s, minus(g, times(ca, f)));
    let x1 = times(a, minus(f, times(b, x2)));
    step.write_triode::<SEES>(place, slopes, [x1[0], x1[1], x2[0], x2[1]]);
    true
}

/// Row `to`, column `from` of 1 + K slopes, a block row by row. Written out, like what follows:
/// closures are not always taken into the processor's best instructions.
#[inline(always)]
fn part<const SEES: bool>(
    k: &[f64; 4 * 2 * STAGES],
    [plate, grid, back, own]: [f64; 4],
    to: usize,
    from: usize,
) -> Two {
    let one = if to == from { 1.0 } else { 0.0 };
    let (plate_k, grid_k) = (8 * from + 2 * to, 8 * from + 4 + 2 * to);
    let mut part = [
        [
            one + k[plate_k] * plate,
            k[plate_k] * grid + k[grid_k] * own,
        ],
        [
            k[plate_k + 1] * plate,
            one + k[plate_k + 1] * grid + k[grid_k + 1] * own,
        ],
    ];
    if SEES {
        part[0][0] += k[grid_k] * back;
        part[1][0] += k[grid_k + 1] * back;
    }
    part
}

/// A matrix of two rows.
pub(super) type Two = [[f64; 2]; 2];

/// The inverse, and whether it can be trusted.
#[inline(always)]
pub(super) fn inverse(m: Two) -> (Two, bool) {
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
    let mut a = [[0.0f64; N]; N];
    let mut x = [0.0f64; N];
    for (t, (k, &place)) in k.iter().zip(&block.triodes).enumerate() {
        let first = 2 * STAGES * t;
        for (stage, [plate, grid, back, own]) in
            step.triode_slopes::<true>(place).into_iter().enumerate()
        {
            let (kp, kg) = (&k[2 * stage], &k[2 * stage + 1]);
            let at = first + 2 * stage;
            for row in 0..N {
                a[at][row] = kp[row] * plate + kg[row] * back;
                a[at + 1][row] = kp[row] * grid + kg[row] * own;
            }
            a[at][at] += 1.0;
            a[at + 1][at + 1] += 1.0;
        }
        x[first..][..2 * STAGES].copy_from_slice(&step.missing_of_triode(place));
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
    for (x, &place) in x.as_chunks::<{ 2 * STAGES }>().0.iter().zip(&block.triodes) {
        let slopes = step.triode_slopes::<true>(place);
        step.write_triode::<true>(place, slopes, *x);
    }
    true
}
