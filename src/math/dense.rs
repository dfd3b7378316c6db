//! A small dense elimination, for systems that are solved at every sample.

/// Solves A x = b in place by elimination with row pivoting. `a` is n x n, row by row, and
/// is spoilt; `b` becomes x. False if a pivot vanishes.
pub fn solve(a: &mut [f64], b: &mut [f64]) -> bool {
    let n = b.len();
    debug_assert_eq!(a.len(), n * n);
    for k in 0..n {
        let mut pivot_row = k;
        let mut largest = a[k * n + k].abs();
        for i in k + 1..n {
            let size = a[i * n + k].abs();
            if size > largest {
                largest = size;
                pivot_row = i;
            }
        }
        // Written so that NaN fails too.
        let sound = largest > 1e-300;
        if !sound {
            return false;
        }
        if pivot_row != k {
            let (upper, lower) = a.split_at_mut(pivot_row * n);
            upper[k * n + k..(k + 1) * n].swap_with_slice(&mut lower[k..n]);
            b.swap(k, pivot_row);
        }
        let (upper, lower) = a.split_at_mut((k + 1) * n);
        let pivot = &upper[k * n..];
        let per_pivot = 1.0 / pivot[k];
        let (done, rest) = b.split_at_mut(k + 1);
        for (row, y) in lower.chunks_exact_mut(n).zip(rest) {
            let factor = row[k] * per_pivot;
            if factor != 0.0 {
                for (x, p) in row[k + 1..].iter_mut().zip(&pivot[k + 1..n]) {
                    *x -= factor * p;
                }
                *y -= factor * done[k];
            }
        }
    }
    for k in (0..n).rev() {
        let row = &a[k * n..(k + 1) * n];
        let mut v = b[k];
        for (x, y) in row[k + 1..].iter().zip(&b[k + 1..]) {
            v -= x * y;
        }
        b[k] = v / row[k];
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_system_that_needs_pivoting_is_solved() {
        let a = [0.0, 2.0, 1.0, 1.0, 0.0, 3.0, 4.0, 5.0, 0.0];
        let x = [1.0, -2.0, 3.0];
        let mut b: Vec<f64> = a
            .chunks(3)
            .map(|r| r.iter().zip(x).map(|(p, q)| p * q).sum())
            .collect();
        assert!(solve(&mut a.clone(), &mut b));
        for (found, expected) in b.iter().zip(x) {
            assert!((found - expected).abs() < 1e-14);
        }
    }

    #[test]
    fn a_singular_system_is_refused() {
        assert!(!solve(&mut [1.0, 2.0, 2.0, 4.0], &mut [1.0, 2.0]));
    }
}
