//! A small dense elimination, for systems that are solved at every sample.

pub mod lines;

/// Solves A x = b in place by elimination with row pivoting. `a` is n x n, column by
/// column, and is spoilt; `b` becomes x. False if a pivot vanishes.
pub fn solve_columns(a: &mut [f64], b: &mut [f64]) -> bool {
    let n = b.len();
    debug_assert_eq!(a.len(), n * n);
    if let ([a, c, b_, d], [x, y]) = (&a[..], &mut b[..]) {
        let determinant = a * d - b_ * c;
        // Where it is no difference of near equals, the textbook formula is exact enough.
        if determinant.abs() > 1e-6 * ((a * d).abs() + (b_ * c).abs()) {
            let per = 1.0 / determinant;
            (*x, *y) = ((d * *x - b_ * *y) * per, (a * *y - c * *x) * per);
            return true;
        }
    }
    for k in 0..n {
        let (done, open) = a.split_at_mut((k + 1) * n);
        let column = &mut done[k * n..];
        let mut pivot_row = k;
        let mut largest = column[k].abs();
        for (i, x) in column.iter().enumerate().skip(k + 1) {
            if x.abs() > largest {
                largest = x.abs();
                pivot_row = i;
            }
        }
        // Written so that NaN fails too.
        let sound = largest > 1e-300;
        if !sound {
            return false;
        }
        column.swap(k, pivot_row);
        b.swap(k, pivot_row);
        let per_pivot = 1.0 / column[k];
        let below = &mut column[k + 1..];
        for x in below.iter_mut() {
            *x *= per_pivot;
        }
        for other in open.chunks_exact_mut(n) {
            other.swap(k, pivot_row);
            subtract(other, k, below);
        }
        subtract(b, k, below);
    }
    for k in (0..n).rev() {
        let column = &a[k * n..k * n + k + 1];
        let x = b[k] / column[k];
        b[k] = x;
        for (y, c) in b.iter_mut().zip(&column[..k]) {
            *y -= x * c;
        }
    }
    true
}

/// Takes the k-th entry times the multipliers from the entries below it.
fn subtract(to: &mut [f64], k: usize, multipliers: &[f64]) {
    let (head, tail) = to.split_at_mut(k + 1);
    let factor = head[k];
    if factor != 0.0 {
        for (x, m) in tail.iter_mut().zip(multipliers) {
            *x -= factor * m;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_system_that_needs_pivoting_is_solved() {
        let a = [0.0, 2.0, 1.0, 1.0, 0.0, 3.0, 4.0, 5.0, 0.0];
        let x = [1.0, -2.0, 3.0];
        let mut b: Vec<f64> = (0..3)
            .map(|row| (0..3).map(|column| a[column * 3 + row] * x[column]).sum())
            .collect();
        assert!(solve_columns(&mut a.clone(), &mut b));
        for (found, expected) in b.iter().zip(x) {
            assert!((found - expected).abs() < 1e-14);
        }
    }

    #[test]
    fn two_equations_take_the_short_way() {
        // 2 x + y = 4, x + 3 y = 7
        let mut b = [4.0, 7.0];
        assert!(solve_columns(&mut [2.0, 1.0, 1.0, 3.0], &mut b));
        assert_eq!(b, [1.0, 2.0]);
    }

    #[test]
    fn a_singular_system_is_refused() {
        assert!(!solve_columns(&mut [1.0, 2.0, 2.0, 4.0], &mut [1.0, 2.0]));
    }
}
