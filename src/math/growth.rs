//! How fast a matrix grows what it is applied to again and again.

use super::fun;

/// The power of the matrix that its growth is taken from: two to this.
const DOUBLINGS: usize = 12;

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
    for doubling in 0..=DOUBLINGS {
        let size = norm(&power);
        if size == 0.0 {
            return 0.0;
        }
        if !size.is_finite() {
            return f64::INFINITY;
        }
        power.iter_mut().for_each(|x| *x /= size);
        log += fun::ln(size);
        if doubling == DOUBLINGS {
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
}
