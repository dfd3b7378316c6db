//! A small dense system line by line, its right side behind the matrix, for being solved several times a sample.
//!
//! Lines stand in whole panels, so that none of their ends is left to be worked out number by number.

use crate::math::panels::HEIGHT;

/// A pivot may be this much smaller than the largest that is left in its line.
const PIVOT: f64 = 1e-3;

/// Panels of a line of n equations.
pub const fn panels(n: usize) -> usize {
    n / HEIGHT + 1
}

/// Solves A x = b without exchange of lines. Each line of `a` has its right side behind its last coefficient and
/// zeros behind that, and is spoilt; `x` has as many panels. False if that would not be safe.
#[inline(always)]
pub fn solve_here<const P: usize>(
    a: &mut [[[f64; HEIGHT]; P]],
    x: &mut [[f64; HEIGHT]; P],
) -> bool {
    let n = a.len();
    for k in 0..n {
        let (done, open) = a.split_at_mut(k + 1);
        let line = &mut done[k];
        let pivot = line[k / HEIGHT][k % HEIGHT];
        let mut coefficients = *line;
        coefficients[n / HEIGHT][n % HEIGHT] = 0.0;
        let mut most = [0.0f64; HEIGHT];
        for panel in &coefficients {
            for (most, v) in most.iter_mut().zip(panel) {
                let size = v.abs();
                *most = if size > *most { size } else { *most };
            }
        }
        let largest = most.iter().fold(0.0, |a, &b| if b > a { b } else { a });
        // Written so that NaN fails too.
        let safe = pivot.abs() > PIVOT * largest && pivot.abs() > 1e-300;
        if !safe {
            return false;
        }
        // By values: of places the compiler would not know that they are apart.
        let mut own = *line;
        let per = 1.0 / pivot;
        for panel in &mut own {
            for v in panel {
                *v *= per;
            }
        }
        *line = own;
        for other in open {
            let factor = other[k / HEIGHT][k % HEIGHT];
            let mut left = *other;
            for (left, own) in left.iter_mut().zip(&own) {
                for (left, own) in left.iter_mut().zip(own) {
                    *left -= factor * own;
                }
            }
            *other = left;
        }
    }
    *x = [[0.0; HEIGHT]; P];
    for (k, line) in a.iter().enumerate().rev() {
        let mut sum = [0.0; HEIGHT];
        for (line, x) in line.iter().zip(&*x) {
            for ((sum, a), x) in sum.iter_mut().zip(line).zip(x) {
                *sum += a * x;
            }
        }
        let known: f64 = sum.iter().sum();
        x[k / HEIGHT][k % HEIGHT] = line[n / HEIGHT][n % HEIGHT] - known;
    }
    true
}

/// Copies the matrix column by column, `[n * n]`.
pub fn columns(a: &[[f64; HEIGHT]], n: usize, to: &mut Vec<f64>) {
    to.clear();
    to.resize(n * n, 0.0);
    for (row, line) in a.chunks_exact(panels(n)).enumerate() {
        for (to, v) in to[row..].iter_mut().step_by(n).zip(line.as_flattened()) {
            *to = *v;
        }
    }
}

/// Copies the right side, `[n]`.
pub fn side(a: &[[f64; HEIGHT]], to: &mut [f64]) {
    let n = to.len();
    for (line, to) in a.chunks_exact(panels(n)).zip(to) {
        *to = line[n / HEIGHT][n % HEIGHT];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nine equations whose solution is k - 4, line by line.
    fn system() -> (Vec<[[f64; HEIGHT]; 2]>, impl Fn(usize, usize) -> f64) {
        let entry = |row: usize, column: usize| {
            if row == column {
                3.0
            } else {
                ((7 * row + 5 * column) % 11) as f64 / 11.0 - 0.5
            }
        };
        let lines = (0..9).map(|row| {
            let mut line = [[0.0; HEIGHT]; 2];
            let side = (0..9).map(|column| entry(row, column) * (column as f64 - 4.0));
            line.as_flattened_mut()[9] = side.sum();
            for column in 0..9 {
                line.as_flattened_mut()[column] = entry(row, column);
            }
            line
        });
        (lines.collect(), entry)
    }

    #[test]
    fn nine_equations_in_two_panels_are_solved() {
        assert_eq!(panels(9), 2);
        let mut x = [[0.0; HEIGHT]; 2];
        assert!(solve_here(&mut system().0, &mut x));
        for (k, x) in x.as_flattened().iter().enumerate() {
            let expected = if k < 9 { k as f64 - 4.0 } else { 0.0 };
            assert!((x - expected).abs() < 1e-14, "{k}: {x}");
        }
    }

    #[test]
    fn what_needs_an_exchange_of_lines_is_left_to_others() {
        let line = |numbers: [f64; 3]| {
            let mut line = [[0.0; HEIGHT]; 1];
            line[0][..3].copy_from_slice(&numbers);
            line
        };
        let mut x = [[0.0; HEIGHT]; 1];
        let mut swapped = [line([0.0, 2.0, 4.0]), line([1.0, 1.0, 3.0])];
        assert!(!solve_here(&mut swapped, &mut x));
        let mut unknown = [line([f64::NAN, 2.0, 4.0]), line([1.0, 1.0, 3.0])];
        assert!(!solve_here(&mut unknown, &mut x));
    }

    #[test]
    fn matrix_and_side_are_copied_in_their_order() {
        let (lines, entry) = system();
        let (mut matrix, mut right) = (vec![], [0.0; 9]);
        columns(lines.as_flattened(), 9, &mut matrix);
        side(lines.as_flattened(), &mut right);
        for k in 0..9 {
            assert_eq!(right[k], lines[k][1][1]);
            for column in 0..9 {
                assert_eq!(matrix[9 * column + k], entry(k, column));
            }
        }
    }
}
