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
pub(super) fn solve(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let ([k], _) = block.k.as_chunks::<{ 2 * OWN * 2 * OWN }>() else {
        return false;
    };
    let &[first, second] = &block.triodes[..] else {
        return false;
    };
    let (left, right) = (step.triode_slopes(first), step.triode_slopes(second));
    let (mut a, c) = (part(k, 0, 0, left), part(k, 0, OWN, left));
    let (b, mut d) = (part(k, OWN, 0, right), part(k, OWN, OWN, right));
    for n in 0..OWN {
        a[n].0[n] += 1.0;
        d[n].0[n] += 1.0;
    }
    let Some(a) = inverse(&a) else {
        return false;
    };
    let ca = a.map(|column| times(&c, column));
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
    step.write_triode(first, left, x.0);
    step.write_triode(second, right, y.0);
    true
}

/// What a triode's controls, from output `column` of K on, do to those from `row` on.
#[inline(always)]
fn part(k: &[f64; 2 * OWN * 2 * OWN], column: usize, row: usize, slopes: TriodeSlopes) -> Matrix {
    let own = |output: usize| {
        let at = (column + output) * 2 * OWN + row;
        Four([k[at], k[at + 1], k[at + 2], k[at + 3]])
    };
    let mut part = Matrix::default();
    for (stage, [plate, grid, own_grid]) in slopes.into_iter().enumerate() {
        let (of_plate, of_grid) = (own(2 * stage), own(2 * stage + 1));
        part[2 * stage] = of_plate * Four::all(plate);
        part[2 * stage + 1] = of_plate * Four::all(grid) + of_grid * Four::all(own_grid);
    }
    part
}

#[inline(always)]
fn times(m: &Matrix, x: Four) -> Four {
    (m[0] * Four::all(x.0[0]) + m[1] * Four::all(x.0[1]))
        + (m[2] * Four::all(x.0[2]) + m[3] * Four::all(x.0[3]))
}

/// The inverse by halves of two rows; none if that would not be safe.
#[inline(always)]
fn inverse(m: &Matrix) -> Option<Matrix> {
    let at = |row: usize, column: usize| m[column].0[row];
    let a = half([[at(0, 0), at(0, 1)], [at(1, 0), at(1, 1)]])?;
    // The left half times the inverse of its top: below, what top rows are taken from the bottom with.
    let taken = |k: usize| m[0] * Four::all(a[0][k]) + m[1] * Four::all(a[1][k]);
    let (first, second) = (taken(0), taken(1));
    let below = |column: Four| Four([0.0, 0.0, column.0[2], column.0[3]]);
    let reduced = |column: usize| {
        let (x, y) = (at(0, column), at(1, column));
        let rest = m[column] - (below(first) * Four::all(x) + below(second) * Four::all(y));
        let top = [a[0][0] * x + a[0][1] * y, a[1][0] * x + a[1][1] * y];
        (top, rest)
    };
    let ((top, third), (other, fourth)) = (reduced(2), reduced(3));
    let s = half([[third.0[2], fourth.0[2]], [third.0[3], fourth.0[3]]])?;
    let (third, fourth) = (
        Four([-top[0], -top[1], 1.0, 0.0]),
        Four([-other[0], -other[1], 0.0, 1.0]),
    );
    let right = |k: usize| third * Four::all(s[0][k]) + fourth * Four::all(s[1][k]);
    let (third, fourth) = (right(0), right(1));
    let left = |k: usize, of: Four| {
        Four([a[0][k], a[1][k], 0.0, 0.0])
            - (third * Four::all(of.0[2]) + fourth * Four::all(of.0[3]))
    };
    Some([left(0, first), left(1, second), third, fourth])
}

#[inline(always)]
fn half(m: Two) -> Option<Two> {
    let (inverse, safe) = triodes::inverse(m);
    safe.then_some(inverse)
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
