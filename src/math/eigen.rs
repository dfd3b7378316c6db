//! Eigenvalues of a general real matrix, dense.
//!
//! Balancing by powers of two (B. N. Parlett and C. Reinsch, Numerische Mathematik 13, 1969),
//! reduction to Hessenberg form by elimination (R. S. Martin and J. H. Wilkinson, Numerische
//! Mathematik 12, 1968), then QR steps with a shift, in complex numbers for shortness (J. G. F.
//! Francis, Computer Journal 4, 1961; all from memory).

use super::fun;
use ndarray::Array2;
use num_complex::Complex;

type C = Complex<f64>;

/// QR steps for each eigenvalue at most.
const STEPS: usize = 60;

/// The eigenvalues of the `n` by `n` matrix in `a`, row by row, in no useful order; none if it
/// holds what is not finite, or if the steps do not settle.
pub fn eigenvalues(n: usize, a: &[f64]) -> Option<Vec<C>> {
    assert_eq!(a.len(), n * n);
    if !a.iter().all(|v| v.is_finite()) {
        return None;
    }
    let mut a = Array2::from_shape_vec((n, n), a.to_vec()).ok()?;
    balance(&mut a);
    hessenberg(&mut a);
    let mut h = a.mapv(|v| C::new(v, 0.0));
    let mut found = Vec::with_capacity(n);
    // Eigenvalues split off at the lower end of the part that is left, rows 0..end.
    let mut end = n;
    let mut steps = 0;
    while end > 0 {
        let start = (1..end)
            .rev()
            .find(|&k| {
                let beside = h[[k - 1, k - 1]].l1_norm() + h[[k, k]].l1_norm();
                let small = h[[k, k - 1]].l1_norm();
                small <= f64::EPSILON * beside || small < f64::MIN_POSITIVE
            })
            .unwrap_or(0);
        if start + 1 == end {
            found.push(h[[end - 1, end - 1]]);
            end -= 1;
            steps = 0;
            continue;
        }
        steps += 1;
        if steps > STEPS {
            return None;
        }
        // Now and then another shift, in case the usual one goes round in circles.
        let shift = match steps % 11 {
            10 => h[[end - 1, end - 1]] + h[[end - 1, end - 2]].l1_norm(),
            _ => nearer(&h, end),
        };
        qr_step(&mut h, start, end, shift);
    }
    Some(found)
}

/// Scales rows and columns by powers of two until they are of like size.
fn balance(a: &mut Array2<f64>) {
    let n = a.nrows();
    for _ in 0..100 {
        let mut settled = true;
        for i in 0..n {
            let (mut column, mut row) = (0.0, 0.0);
            for j in (0..n).filter(|&j| j != i) {
                column += a[[j, i]].abs();
                row += a[[i, j]].abs();
            }
            if column == 0.0 || row == 0.0 {
                continue;
            }
            let (mut factor, total) = (1.0f64, column + row);
            while column < row / 2.0 && factor < 1e100 {
                factor *= 2.0;
                column *= 4.0;
            }
            while column >= row * 2.0 && factor > 1e-100 {
                factor /= 2.0;
                column /= 4.0;
            }
            if (column + row) / factor < 0.95 * total {
                settled = false;
                for j in 0..n {
                    a[[i, j]] /= factor;
                    a[[j, i]] *= factor;
                }
            }
        }
        if settled {
            break;
        }
    }
}

/// Eliminates what lies below the first subdiagonal, by similarity.
fn hessenberg(a: &mut Array2<f64>) {
    let n = a.nrows();
    for k in 1..n.saturating_sub(1) {
        let largest = (k..n).max_by(|&i, &j| {
            let size = |r: usize| a[[r, k - 1]].abs();
            size(i).total_cmp(&size(j))
        });
        let Some(pivot) = largest.filter(|&r| a[[r, k - 1]] != 0.0) else {
            continue;
        };
        if pivot != k {
            for j in k - 1..n {
                a.swap([pivot, j], [k, j]);
            }
            for i in 0..n {
                a.swap([i, pivot], [i, k]);
            }
        }
        for i in k + 1..n {
            let factor = a[[i, k - 1]] / a[[k, k - 1]];
            if factor == 0.0 {
                continue;
            }
            a[[i, k - 1]] = 0.0;
            for j in k..n {
                a[[i, j]] -= factor * a[[k, j]];
            }
            for r in 0..n {
                a[[r, k]] += factor * a[[r, i]];
            }
        }
    }
}

/// Of the last two by two block the eigenvalue that is nearer to its last entry.
fn nearer(h: &Array2<C>, end: usize) -> C {
    let (i, j) = (end - 2, end - 1);
    let (a, b, c, d) = (h[[i, i]], h[[i, j]], h[[j, i]], h[[j, j]]);
    let half = (a - d) * 0.5;
    let root = square_root(half * half + b * c);
    // d - bc/(half +- root), the sign that does not cancel.
    let (plus, minus) = (half + root, half - root);
    let under = if plus.l1_norm() >= minus.l1_norm() {
        plus
    } else {
        minus
    };
    if under.l1_norm() > 0.0 {
        d - b * c / under
    } else {
        d
    }
}

fn square_root(z: C) -> C {
    let size = fun::hypot(z.re, z.im);
    if size == 0.0 {
        return C::default();
    }
    let re = (0.5 * (size + z.re.abs())).sqrt();
    let im = 0.5 * z.im.abs() / re;
    let (re, im) = if z.re >= 0.0 { (re, im) } else { (im, re) };
    C::new(re, if z.im < 0.0 { -im } else { im })
}

/// One QR step with a shift on the rows and columns `start..end`, by Givens rotations.
fn qr_step(h: &mut Array2<C>, start: usize, end: usize, shift: C) {
    for k in start..end {
        h[[k, k]] -= shift;
    }
    let mut turns = Vec::with_capacity(end - start);
    for k in start..end - 1 {
        let (x, y) = (h[[k, k]], h[[k + 1, k]]);
        let size = fun::hypot(fun::hypot(x.re, x.im), fun::hypot(y.re, y.im));
        let (c, s) = if size > 0.0 {
            (x / size, y / size)
        } else {
            (C::new(1.0, 0.0), C::default())
        };
        for j in k..end {
            let (u, v) = (h[[k, j]], h[[k + 1, j]]);
            h[[k, j]] = c.conj() * u + s.conj() * v;
            h[[k + 1, j]] = c * v - s * u;
        }
        turns.push((c, s));
    }
    for (k, (c, s)) in (start..end - 1).zip(turns) {
        for i in start..(k + 2).min(end) {
            let (u, v) = (h[[i, k]], h[[i, k + 1]]);
            h[[i, k]] = u * c + v * s;
            h[[i, k + 1]] = v * c.conj() - u * s.conj();
        }
    }
    for k in start..end {
        h[[k, k]] += shift;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sorted(mut values: Vec<C>) -> Vec<C> {
        values.sort_by(|a, b| a.re.total_cmp(&b.re).then(a.im.total_cmp(&b.im)));
        values
    }

    /// The companion matrix of a polynomial has its roots: here -1, -2, -1000, +-3i and
    /// 0.5 +- 20i.
    #[test]
    fn companion_matrices_have_the_roots() {
        let roots = [
            C::new(-1.0, 0.0),
            C::new(-2.0, 0.0),
            C::new(-1000.0, 0.0),
            C::new(0.0, 3.0),
            C::new(0.0, -3.0),
            C::new(0.5, 20.0),
            C::new(0.5, -20.0),
        ];
        let mut polynomial = vec![C::new(1.0, 0.0)];
        for root in roots {
            polynomial.push(C::default());
            for k in (1..polynomial.len()).rev() {
                let before = polynomial[k - 1];
                polynomial[k] -= root * before;
            }
        }
        let n = roots.len();
        let mut a = vec![0.0; n * n];
        for k in 0..n {
            a[k] = -polynomial[k + 1].re;
            if k + 1 < n {
                a[(k + 1) * n + k] = 1.0;
            }
        }
        let found = eigenvalues(n, &a).unwrap();
        for expected in roots {
            let off = |z: &&C| (**z - expected).l1_norm();
            let near = found.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
            let found = near.unwrap();
            assert!(
                (found - expected).l1_norm() < 1e-9 * expected.l1_norm().max(1.0),
                "{found}"
            );
        }
    }

    /// The second-difference matrix of order n has 2 - 2 cos(k pi/(n + 1)).
    #[test]
    fn a_chain_has_its_tones() {
        let n = 40;
        let mut a = vec![0.0; n * n];
        for i in 0..n {
            a[i * n + i] = 2.0;
            if i + 1 < n {
                // Badly scaled on purpose; the product of both is what counts.
                let scale = [1e6, 1e-3, 1e4, 1e-7][i % 4];
                a[i * n + i + 1] = -scale;
                a[(i + 1) * n + i] = -1.0 / scale;
            }
        }
        let found = sorted(eigenvalues(n, &a).unwrap());
        for (k, value) in found.iter().enumerate() {
            let angle = (k + 1) as f64 * std::f64::consts::PI / (n + 1) as f64;
            let expected = 2.0 - 2.0 * angle.cos();
            assert!(
                (value - expected).l1_norm() < 1e-12,
                "{k}: {value} {expected}"
            );
        }
    }

    #[test]
    fn odd_matrices_neither_hang_nor_panic() {
        assert_eq!(eigenvalues(0, &[]), Some(vec![]));
        assert_eq!(eigenvalues(1, &[f64::NAN]), None);
        assert_eq!(eigenvalues(2, &[0.0; 4]).unwrap(), [C::default(); 2]);
        let turn = eigenvalues(3, &[0., 0., 1., 1., 0., 0., 0., 1., 0.]).unwrap();
        assert!(turn.iter().all(|z| (z.norm_sqr() - 1.0).abs() < 1e-12));
    }
}
