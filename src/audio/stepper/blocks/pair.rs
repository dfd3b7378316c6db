//! Two triodes that act on each other.
//!
//! Four controls each, so the matrix is four blocks of four by four, [a b; c d]. Eliminating control
//! by control waits for eight divisions one after the other; by blocks, themselves inverted by halves,
//! it is four.

use super::super::lengths::STAGES;
use super::block::{Block, BlockStep, TriodeSlopes};
use super::triodes::{self, Two};
use crate::math::four::Four;

/// Controls of one triode at both stages.
const OWN: usize = 2 * STAGES;

/// Four rows, column by column.
type Matrix = [Four; OWN];

/// The step of two triodes; false if it would not be safe without an exchange of rows.
#[inline(always)]
pub(super) fn solve<const SEES: bool>(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let ([k], _) = block.k.as_chunks::<{ 2 * OWN * 2 * OWN }>() else {
        return false;
    };
    let &[first, second] = &block.triodes[..] else {
        return false;
    };
    let (left, right) = (
        step.triode_slopes::<SEES>(first),
        step.triode_slopes::<SEES>(second),
    );
    let (mut a, c) = (part::<SEES>(k, 0, 0, left), part::<SEES>(k, 0, OWN, left));
    let (b, mut d) = (
        part::<SEES>(k, OWN, 0, right),
        part::<SEES>(k, OWN, OWN, right),
    );
    for n in 0..OWN {
        a[n].0[n] += 1.0;
        d[n].0[n] += 1.0;
    }
    let Some(a) = inverse(&a) else {
        return false;
    };
    let ca = [
        times(&c, a[0]),
        times(&c, a[1]),
        times(&c, a[2]),
        times(&c, a[3]),
    ];
    let mut rest = d;
    for (rest, column) in rest.iter_mut().zip(b) {
        *rest -= times(&ca, column);
    }
    let Some(rest) = inverse(&rest) else {
        return false;
    };
    let f = Four(step.missing_of_triode(first));
    let g = Four(step.missing_of_triode(second));
    let y = times(&rest, g - times(&ca, f));
    let x = times(&a, f - times(&b, y));
    step.write_triode::<SEES>(first, left, x.0);
    step.write_triode::<SEES>(second, right, y.0);
    true
}

/// What a triode's controls, from output `column` of K on, do to those from `row` on. Written out, like what
/// follows: closures are not always taken into the processor's best instructions.
#[inline(always)]
fn part<const SEES: bool>(
    k: &[f64; 2 * OWN * 2 * OWN],
    column: usize,
    row: usize,
    slopes: TriodeSlopes,
) -> Matrix {
    let mut part = Matrix::default();
    for (stage, [plate, grid, back, own]) in slopes.into_iter().enumerate() {
        let (of_plate, of_grid) = (
            rows(k, column + 2 * stage, row),
            rows(k, column + 2 * stage + 1, row),
        );
        part[2 * stage] = of_plate * Four::all(plate);
        if SEES {
            part[2 * stage] += of_grid * Four::all(back);
        }
        part[2 * stage + 1] = of_plate * Four::all(grid) + of_grid * Four::all(own);
    }
    part
}

/// Four rows of a column of K.
#[inline(always)]
fn rows(k: &[f64; 2 * OWN * 2 * OWN], column: usize, row: usize) -> Four {
    let at = column * 2 * OWN + row;
    Four([k[at], k[at + 1], k[at + 2], k[at + 3]])
}

#[inline(always)]
fn times(m: &Matrix, x: Four) -> Four {
    (m[0] * Four::all(x.0[0]) + m[1] * Four::all(x.0[1]))
        + (m[2] * Four::all(x.0[2]) + m[3] * Four::all(x.0[3]))
}

/// The inverse by halves of two rows; none if that would not be safe.
#[inline(always)]
fn inverse(m: &Matrix) -> Option<Matrix> {
    let (a, safe) = triodes::inverse([[m[0].0[0], m[1].0[0]], [m[0].0[1], m[1].0[1]]]);
    // The left half times the inverse of its top: below, what top rows are taken from the bottom with.
    let first = sum(m[0], a[0][0], m[1], a[1][0]);
    let second = sum(m[0], a[0][1], m[1], a[1][1]);
    let (third, fourth) = (
        m[2] - below(sum(first, m[2].0[0], second, m[2].0[1])),
        m[3] - below(sum(first, m[3].0[0], second, m[3].0[1])),
    );
    let (s, sound) = triodes::inverse([[third.0[2], fourth.0[2]], [third.0[3], fourth.0[3]]]);
    if !(safe && sound) {
        return None;
    }
    let (third, fourth) = (below_one(a, m[2], 2), below_one(a, m[3], 3));
    let (third, fourth) = (
        sum(third, s[0][0], fourth, s[1][0]),
        sum(third, s[0][1], fourth, s[1][1]),
    );
    let left = [
        top([a[0][0], a[1][0]]) - sum(third, first.0[2], fourth, first.0[3]),
        top([a[0][1], a[1][1]]) - sum(third, second.0[2], fourth, second.0[3]),
    ];
    Some([left[0], left[1], third, fourth])
}

/// x a + y b.
#[inline(always)]
fn sum(x: Four, a: f64, y: Four, b: f64) -> Four {
    x * Four::all(a) + y * Four::all(b)
}

#[inline(always)]
fn top([first, second]: [f64; 2]) -> Four {
    Four([first, second, 0.0, 0.0])
}

#[inline(always)]
fn below(column: Four) -> Four {
    Four([0.0, 0.0, column.0[2], column.0[3]])
}

/// One in a row, and above it what the top half makes of a column, taken away.
#[inline(always)]
fn below_one(a: Two, column: Four, row: usize) -> Four {
    let [x, y, ..] = column.0;
    let mut made = top([-(a[0][0] * x + a[0][1] * y), -(a[1][0] * x + a[1][1] * y)]);
    made.0[row] = 1.0;
    made
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_inverse_by_halves_is_one() {
        // Any numbers; plates move much further than grids.
        let m: Matrix = [
            Four([70.0, 0.2, 11.0, -0.1]),
            Four([-3000.0, 5.0, 400.0, 2.0]),
            Four([9.0, -0.02, 55.0, 0.3]),
            Four([250.0, 1.0, -2000.0, 7.0]),
        ];
        let inverse = inverse(&m).expect("safe");
        for (k, column) in m.into_iter().enumerate() {
            for (row, value) in times(&inverse, column).0.into_iter().enumerate() {
                let one = if row == k { 1.0 } else { 0.0 };
                assert!((value - one).abs() < 1e-12, "{row} {k}: {value}");
            }
        }
        let mut singular = m;
        singular[1] = singular[0];
        assert!(super::inverse(&singular).is_none());
        singular[1] = Four::all(f64::NAN);
        assert!(super::inverse(&singular).is_none());
    }
}
