//! TR-BDF2: one step of a trapezoid and one of the second-order backward difference,
//! in one second-order, L-stable method that starts itself.
//!
//! Source: R. E. Bank, W. M. Coughran, W. Fichtner, E. H. Grosse, D. J. Rose and
//! R. K. Smith, IEEE Trans. Electron Devices ED-32, 1985, p. 1992; M. E. Hosea and
//! L. F. Shampine, Appl. Numer. Math. 20, 1996, p. 21.
//!
//! For d/dt q + f = 0 with a step h from t, the inner point lies at t + GAMMA h:
//!   trapezoid  q' (inner) = a (q(inner) - q0) - q0'
//!   backward   q' (end)   = a (q(end) - q(inner) - W0 (q(inner) - q0))
//! with the same a = 2/(GAMMA h) for both, so that one matrix a C + G serves both.
//! The rates q' are kept from step to step and never worked out from f, so that
//! equations without charge (q = 0) hold exactly at every point.

/// 2 - sqrt 2
pub const GAMMA: f64 = 0.585_786_437_626_904_9;
/// (1 - GAMMA)^2/(GAMMA (2 - GAMMA))
const W0: f64 = 0.207_106_781_186_547_52;
/// Error constant: (-3 GAMMA^2 + 4 GAMMA - 2)/(12 (2 - GAMMA))
const ERROR: f64 = -0.040_440_114_519_880_3;

/// The factor a of a step, 1/s.
pub fn factor(step_s: f64) -> f64 {
    2.0 / (GAMMA * step_s)
}

/// The rate at the inner point, from value and rate at the start.
#[inline]
pub fn inner_rate(a: f64, inner: f64, start: f64, start_rate: f64) -> f64 {
    a * (inner - start) - start_rate
}

/// The rate at the end, from the values at start and inner point.
#[inline]
pub fn end_rate(a: f64, end: f64, inner: f64, start: f64) -> f64 {
    // Differences first: the values may be large and nearly equal.
    a * ((end - inner) - W0 * (inner - start))
}

/// The local error of the step in q, from the rates at its three points.
#[inline]
pub fn local_error(step_s: f64, start: f64, inner: f64, end: f64) -> f64 {
    2.0 * ERROR * step_s * (start / GAMMA - inner / (GAMMA * (1.0 - GAMMA)) + end / (1.0 - GAMMA))
}

/// Weights of start, inner point and end for the value at fraction `s` of the step:
/// the parabola through the three.
pub fn interpolate(s: f64) -> [f64; 3] {
    [
        (s - GAMMA) * (s - 1.0) / GAMMA,
        s * (s - 1.0) / (GAMMA * (GAMMA - 1.0)),
        s * (s - GAMMA) / (1.0 - GAMMA),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// q' = -q in n steps from 1 to t = 1; the error against e^-1.
    fn decay(n: usize) -> f64 {
        let h = 1.0 / n as f64;
        let a = factor(h);
        let (mut q, mut rate) = (1.0, -1.0);
        for _ in 0..n {
            // inner rate = -inner; end rate = -end, solved for the unknown.
            let inner = (a * q + rate) / (a + 1.0);
            let end = (a * (inner + W0 * (inner - q))) / (a + 1.0);
            rate = end_rate(a, end, inner, q);
            q = end;
        }
        (q - (-1f64).exp()).abs()
    }

    #[test]
    fn constants_are_those_of_the_paper() {
        let g = 2.0 - 2f64.sqrt();
        assert!((GAMMA - g).abs() < 1e-15);
        assert!((W0 - (1.0 - g).powi(2) / (g * (2.0 - g))).abs() < 1e-14);
        // 1/(GAMMA (2 - GAMMA)), the other weight, is one more.
        assert!((1.0 / (g * (2.0 - g)) - W0 - 1.0).abs() < 1e-14);
        assert!((ERROR - (-3.0 * g * g + 4.0 * g - 2.0) / (12.0 * (2.0 - g))).abs() < 1e-14);
    }

    #[test]
    fn the_method_is_of_second_order() {
        let ratio = decay(50) / decay(100);
        assert!((ratio - 4.0).abs() < 0.1, "{ratio}");
    }

    #[test]
    fn the_error_estimate_is_the_error_of_a_step() {
        // q = t^3: q' = 3 t^2. One step of h from 0: the method gives its own answer.
        let h = 0.1;
        let a = factor(h);
        let rate = |t: f64| 3.0 * t * t;
        let inner = rate(GAMMA * h) / a;
        let end = inner + W0 * inner + rate(h) / a;
        let estimate = local_error(h, 0.0, rate(GAMMA * h), rate(h));
        assert!(
            ((h * h * h - end) - estimate).abs() < 1e-12,
            "{} {estimate}",
            h * h * h - end
        );
    }

    #[test]
    fn a_parabola_is_interpolated_exactly() {
        let f = |s: f64| 3.0 - 2.0 * s + 5.0 * s * s;
        for s in [0.0, 0.3, 0.9, 1.0] {
            let w = interpolate(s);
            let y = w[0] * f(0.0) + w[1] * f(GAMMA) + w[2] * f(1.0);
            assert!((y - f(s)).abs() < 1e-13);
        }
    }
}
