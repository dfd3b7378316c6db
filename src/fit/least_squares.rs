//! Least squares with Gaussian priors and bounds: Levenberg and Marquardt (D. W. Marquardt, "An
//! algorithm for least-squares estimation of nonlinear parameters", J. SIAM 11, 1963, from
//! memory) on unknowns that are counted in standard deviations of their prior.
//!
//! What is made least is the sum of squares of the residuals, each in its own standard deviation,
//! and of the unknowns themselves. The priors keep the matrix positive definite however few
//! residuals there are: its least eigenvalue is 1.

use crate::math::dense;

/// Unknowns, where they may go, and which of them move.
#[derive(Debug, Clone)]
pub struct Unknowns {
    /// Where to start.
    pub start: Vec<f64>,
    /// The least that each may be; the most is the same with the other sign, or more.
    pub least: Vec<f64>,
    /// Those that move.
    pub free: Vec<bool>,
}

/// Where the sum is least.
#[derive(Debug, Clone)]
pub struct Minimum {
    /// The unknowns.
    pub z: Vec<f64>,
    /// The residuals there.
    pub residuals: Vec<f64>,
    /// The residuals' slopes by each unknown, held ones too: `slopes[j][k]` of residual k.
    pub slopes: Vec<Vec<f64>>,
}

/// Step of the central difference, in standard deviations of the prior.
const NUDGE: f64 = 1e-4;
/// Iterations at most. Fits of the tests take 4 to 25.
const MOST: usize = 80;
/// What no unknown goes beyond, in deviations: further out it is no valve of the type.
const FAR: f64 = 12.0;

/// The slopes of the residuals at z, by central differences.
pub fn slopes(residuals: &mut dyn FnMut(&[f64]) -> Vec<f64>, z: &[f64]) -> Vec<Vec<f64>> {
    let mut at = z.to_vec();
    (0..z.len())
        .map(|j| {
            at[j] = z[j] + NUDGE;
            let up = residuals(&at);
            at[j] = z[j] - NUDGE;
            let down = residuals(&at);
            at[j] = z[j];
            let pairs = up.iter().zip(&down);
            pairs.map(|(u, d)| (u - d) / (2.0 * NUDGE)).collect()
        })
        .collect()
}

/// The matrix of the normal equations, the priors' part included, of the unknowns chosen.
pub fn normal(slopes: &[Vec<f64>], chosen: &[usize]) -> Vec<f64> {
    let n = chosen.len();
    let mut a = vec![0.0; n * n];
    for (i, &p) in chosen.iter().enumerate() {
        for (k, &q) in chosen.iter().enumerate() {
            let dot: f64 = slopes[p].iter().zip(&slopes[q]).map(|(x, y)| x * y).sum();
            a[i * n + k] = dot + if i == k { 1.0 } else { 0.0 };
        }
    }
    a
}

/// The inverse of a symmetric positive definite matrix, row by row.
pub fn inverse(matrix: &[f64], n: usize) -> Vec<f64> {
    let mut all = Vec::with_capacity(n * n);
    for k in 0..n {
        let mut unit = vec![0.0; n];
        unit[k] = 1.0;
        dense::solve_columns(&mut matrix.to_vec(), &mut unit);
        all.extend(unit);
    }
    all
}

/// Makes the sum least. `residuals` gives as many numbers at any unknowns.
pub fn least(residuals: &mut dyn FnMut(&[f64]) -> Vec<f64>, unknowns: &Unknowns) -> Minimum {
    let free: Vec<usize> = (0..unknowns.free.len())
        .filter(|&j| unknowns.free[j])
        .collect();
    let sum = |r: &[f64]| r.iter().map(|r| r * r).sum::<f64>();
    let whole = |r: &[f64], z: &[f64]| sum(r) + sum(z);
    let mut z = unknowns.start.clone();
    let mut r = residuals(&z);
    let mut damping = 1e-3;
    for _ in 0..MOST {
        let j = slopes(residuals, &z);
        let a = normal(&j, &free);
        let n = free.len();
        let downhill: Vec<f64> = free
            .iter()
            .map(|&p| -(j[p].iter().zip(&r).map(|(s, r)| s * r).sum::<f64>() + z[p]))
            .collect();
        let before = whole(&r, &z);
        let mut gained = false;
        while damping < 1e12 {
            let mut damped = a.clone();
            (0..n).for_each(|k| damped[k * n + k] *= 1.0 + damping);
            let mut step = downhill.clone();
            let solved = dense::solve_columns(&mut damped, &mut step);
            let mut next = z.clone();
            for (&p, s) in free.iter().zip(&step) {
                next[p] = (z[p] + s).clamp(unknowns.least[p].max(-FAR), FAR);
            }
            let found = residuals(&next);
            // Written so that a sum that is not a number is refused too.
            if solved && whole(&found, &next) < before {
                gained = before - whole(&found, &next) > 1e-10 * (1.0 + before);
                (z, r) = (next, found);
                damping = (damping * 0.2).max(1e-9);
                break;
            }
            damping *= 5.0;
        }
        if !gained {
            break;
        }
    }
    let slopes = slopes(residuals, &z);
    Minimum {
        residuals: r,
        z,
        slopes,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A straight line through points, against the closed form of a regression with priors:
    /// (X'X + 1) z = X'y.
    #[test]
    fn a_line_comes_out_as_the_closed_form_has_it() {
        let points = [(0.0, 1.0), (1.0, 2.5), (2.0, 4.5), (3.0, 5.5)];
        let mut residuals = |z: &[f64]| {
            let error = |&(x, y): &(f64, f64)| (z[0] + z[1] * x - y) / 0.5;
            points.iter().map(error).collect()
        };
        let unknowns = Unknowns {
            start: vec![0.0; 2],
            least: vec![-10.0; 2],
            free: vec![true; 2],
        };
        let found = least(&mut residuals, &unknowns);
        // By hand: X'X = [[16, 24], [24, 56]], X'y = [54, 112]; (17, 24; 24, 57) z = (54, 112).
        let d = 17.0 * 57.0 - 24.0 * 24.0;
        let z = [
            (54.0 * 57.0 - 24.0 * 112.0) / d,
            (17.0 * 112.0 - 24.0 * 54.0) / d,
        ];
        assert!((found.z[0] - z[0]).abs() < 1e-6 && (found.z[1] - z[1]).abs() < 1e-6);
        let covariance = inverse(&normal(&found.slopes, &[0, 1]), 2);
        assert!((covariance[0] - 57.0 / d).abs() < 1e-8);
        assert!((covariance[1] + 24.0 / d).abs() < 1e-8);
        // An unknown that is held stays; one at its bound goes no further.
        let held = Unknowns {
            free: vec![false, true],
            least: vec![-10.0, 2.0],
            start: vec![0.0, 2.0],
        };
        let found = least(&mut residuals, &held);
        assert_eq!(found.z[0], 0.0);
        assert!((found.z[1] - 2.0).abs() < 0.05, "{:?}", found.z);
    }
}
