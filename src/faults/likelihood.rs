//! How well a fault explains the readings.
//!
//! With d the readings less those expected, C their covariance (tolerances of all parts about the
//! faulty circuit, the meter's accuracy and its last digit) and m = d' C^-1 d, the density is
//! Student's multivariate t: near the normal one where all is well, with tails that forgive what a
//! straight line leaves out. A reading that slipped (a wrong range, a digit, a point next door)
//! has any value; the density is the mixture of all readings good and any one of them slipped.

use crate::math::fun;

/// Degrees of freedom of the tails.
const TAILS: usize = 10;
/// How often a reading slips (common practice, no published source).
const SLIP: f64 = 0.004;

/// A symmetric positive matrix, factored.
#[derive(Debug)]
pub struct Factored {
    n: usize,
    /// Lower triangle, row by row.
    low: Vec<f64>,
    /// The logarithm of its determinant.
    log_det: f64,
}

impl Factored {
    /// Cholesky's factors of a full matrix, `[n * n]`; none if it is not positive.
    pub fn new(mut a: Vec<f64>, n: usize) -> Option<Self> {
        let mut log_det = 0.0;
        for j in 0..n {
            for k in 0..j {
                let factor = a[j * n + k];
                for i in j..n {
                    a[i * n + j] -= factor * a[i * n + k];
                }
            }
            let pivot = a[j * n + j];
            if pivot.is_nan() || pivot <= 0.0 {
                return None;
            }
            let root = pivot.sqrt();
            log_det += 2.0 * fun::ln(root);
            for i in j..n {
                a[i * n + j] /= root;
            }
        }
        Some(Factored { n, low: a, log_det })
    }

    /// Solves C x = b in place.
    pub fn solve(&self, b: &mut [f64]) {
        let n = self.n;
        for i in 0..n {
            let mut sum = b[i];
            for (k, b) in b[..i].iter().enumerate() {
                sum -= self.low[i * n + k] * b;
            }
            b[i] = sum / self.low[i * n + i];
        }
        for i in (0..n).rev() {
            let mut sum = b[i];
            for (k, b) in b.iter().enumerate().skip(i + 1) {
                sum -= self.low[k * n + i] * b;
            }
            b[i] = sum / self.low[i * n + i];
        }
    }

    /// The diagonal of the inverse.
    fn inverse_diagonal(&self) -> Vec<f64> {
        let n = self.n;
        let mut column = vec![0.0; n];
        (0..n)
            .map(|k| {
                column.fill(0.0);
                column[k] = 1.0;
                self.solve(&mut column);
                column[k]
            })
            .collect()
    }
}

/// How well readings are explained.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Natural logarithm of the density.
    pub log_density: f64,
    /// Root of the mean square of the deviations, in standard deviations; the slipped reading is
    /// left out.
    pub misfit: f64,
    /// The reading that would have slipped, if that explains much better.
    pub slipped: Option<usize>,
}

/// Compares readings with a covariance. `off` is read less expected, `spans` how widely each may
/// lie if it slipped.
pub fn fit(off: &[f64], covariance: &Factored, spans: &[f64]) -> Fit {
    let n = off.len();
    let mut weighted = off.to_vec();
    covariance.solve(&mut weighted);
    let m: f64 = off.iter().zip(&weighted).map(|(a, b)| a * b).sum();
    let all = student(n, m, covariance.log_det) + n as f64 * fun::ln_1p(-SLIP);
    let (mut best, mut slipped, mut misfit) = (all, None, (m / n as f64).max(0.0).sqrt());
    let mut terms = vec![all];
    if n > 1 {
        let good = (n - 1) as f64 * fun::ln_1p(-SLIP);
        for (k, p) in covariance.inverse_diagonal().into_iter().enumerate() {
            let rest = (m - weighted[k] * weighted[k] / p).max(0.0);
            let lost = fun::ln(SLIP / spans[k]) + good;
            let term = lost + student(n - 1, rest, covariance.log_det + fun::ln(p));
            terms.push(term);
            if term > best {
                best = term;
                slipped = Some(k);
                misfit = (rest / (n - 1) as f64).sqrt();
            }
        }
    }
    Fit {
        log_density: log_sum(&terms),
        misfit,
        slipped,
    }
}

/// Student's multivariate density, as a logarithm.
fn student(n: usize, m: f64, log_det: f64) -> f64 {
    let (tails, size) = (TAILS as f64, n as f64);
    // Scaled so that the covariance is C.
    let scale = tails - 2.0;
    log_gamma_half(TAILS + n)
        - log_gamma_half(TAILS)
        - 0.5 * size * fun::ln(std::f64::consts::PI * scale)
        - 0.5 * log_det
        - 0.5 * (tails + size) * fun::ln_1p(m / scale)
}

/// ln of the gamma function at n/2.
fn log_gamma_half(n: usize) -> f64 {
    let mut sum = if n.is_multiple_of(2) {
        0.0
    } else {
        0.5 * fun::ln(std::f64::consts::PI)
    };
    let mut at = if n.is_multiple_of(2) { 1.0 } else { 0.5 };
    while at + 0.5 < 0.5 * n as f64 {
        sum += fun::ln(at);
        at += 1.0;
    }
    sum
}

/// The logarithm of a sum of exponentials.
pub fn log_sum(terms: &[f64]) -> f64 {
    let most = terms.iter().fold(f64::NEG_INFINITY, |m, t| m.max(*t));
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + fun::ln(terms.iter().map(|t| fun::exp(t - most)).sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gamma_at_halves_is_that_of_the_tables() {
        // Gamma(5) = 24, Gamma(3.5) = 15/8 sqrt(pi).
        assert!((log_gamma_half(10) - 24f64.ln()).abs() < 1e-12);
        let expected = (15.0 / 8.0 * std::f64::consts::PI.sqrt()).ln();
        assert!((log_gamma_half(7) - expected).abs() < 1e-12);
    }

    /// The density of two readings sums to one over the plane.
    #[test]
    fn a_density_sums_to_one() {
        let covariance = Factored::new(vec![2.0, 0.6, 0.6, 1.0], 2).expect("positive");
        let (step, mut sum) = (0.25, 0.0);
        for i in -160..160 {
            for k in -160..160 {
                let off = [f64::from(i) * step, f64::from(k) * step];
                let mut w = off.to_vec();
                covariance.solve(&mut w);
                let m = off[0] * w[0] + off[1] * w[1];
                sum += step * step * student(2, m, covariance.log_det).exp();
            }
        }
        assert!((sum - 1.0).abs() < 1e-3, "{sum}");
    }

    #[test]
    fn one_slipped_reading_costs_a_bounded_amount() {
        let unit = Factored::new(vec![1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0], 3).unwrap();
        let good = fit(&[0.1, 0.2, -0.3], &unit, &[100.0; 3]);
        let bad = fit(&[0.1, 0.2, 80.0], &unit, &[100.0; 3]);
        assert_eq!((good.slipped, bad.slipped), (None, Some(2)));
        assert!(good.log_density - bad.log_density < 12.0);
        assert!(bad.misfit < 0.5);
    }
}
