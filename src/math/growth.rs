//! How fast a matrix grows what it is applied to again and again.

use super::fun;
use std::ops::RangeInclusive;

/// The powers of the matrix that its growth is taken from: two to these, the least and the most.
/// At the most, what a norm makes of a change on its way, a factor of 1e6 say, has become
/// ln(1e6) / 2^29, 3e-8 each time.
const DOUBLINGS: RangeInclusive<usize> = 12..=30;

/// Where the logarithm of a power is as far from zero as this, the growth is known: no change of a
/// circuit comes to e^60 on its way to nothing.
const KNOWN: f64 = 60.0;

/// The size of the largest eigenvalue of a matrix, from its powers (I. M. Gelfand's formula).
pub fn growth(matrix: &[f64], m: usize) -> f64 {
    if m == 0 {
        return 0.0;
    }
    let norm = |a: &[f64]| {
        let column = |c: &[f64]| c.iter().map(|x| x.abs()).sum::<f64>();
        a.chunks_exact(m).map(column).fold(0.0, f64::max)
    };
    // The logarithm of the norm of the power, and that of half of it.
    let mut power = matrix.to_vec();
    let (mut log, mut half) = (0.0, 0.0);
    let mut exponent = 1.0;
    for doubling in 0..=*DOUBLINGS.end() {
        let size = norm(&power);
        if size == 0.0 {
            return 0.0;
        }
        if !size.is_finite() {
            return f64::INFINITY;
        }
        power.iter_mut().for_each(|x| *x /= size);
        log += fun::ln(size);
        let is_known = *DOUBLINGS.start() <= doubling && log.abs() > KNOWN;
        if is_known || doubling == *DOUBLINGS.end() {
            break;
        }
        half = log;
        log *= 2.0;
        exponent *= 2.0;
        let mut square = vec![0.0; m * m];
        for (column, to) in power.chunks_exact(m).zip(square.chunks_exact_mut(m)) {
            for (&factor, from) in column.iter().zip(power.chunks_exact(m)) {
                if factor != 0.0 {
                    for (t, f) in to.iter_mut().zip(from) {
                        *t += factor * f;
                    }
                }
            }
        }
        power = square;
    }
    // What the second half of the power added: constants of the norm have gone.
    fun::exp((log - half) / (0.5 * exponent))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_eigenvalue_is_found_among_others_and_turning_ones() {
        assert_eq!(growth(&[], 0), 0.0);
        assert!((growth(&[0.5, 0.0, 100.0, 0.25], 2) - 0.5).abs() < 1e-3);
        // A turn by a right angle that grows by 1.1.
        assert!((growth(&[0.0, 1.1, -1.1, 0.0], 2) - 1.1).abs() < 1e-9);
    }

    /// A fixed bug: a change that grows for ten thousand periods before it decays was growth. A
    /// cathode's capacitor of 0.5 s that charges a coupling capacitor of 0.45 s, at 20 kHz: the
    /// matrix is triangular, so that its eigenvalues stand on its diagonal.
    #[test]
    fn what_grows_for_long_and_then_decays_does_not_grow() {
        let period_s = 50e-6;
        let slow = [0.5, 0.45].map(|tau: f64| fun::exp(-period_s / tau));
        let found = growth(&[slow[0], 100.0 * period_s, 0.0, slow[1]], 2);
        assert!((found - slow[0]).abs() < 1e-6, "{found}");
        // What really grows does, however slowly.
        let grows = growth(&[1.0 + 1e-5, 100.0 * period_s, 0.0, slow[1]], 2);
        assert!((grows - 1.0 - 1e-5).abs() < 1e-7, "{grows}");
    }
}
