//! Elementary functions through one portable library, so that results agree
//! to the last bit on every machine.

/// e^x.
#[inline]
pub fn exp(x: f64) -> f64 {
    libm::exp(x)
}

/// Natural logarithm.
#[inline]
pub fn ln(x: f64) -> f64 {
    libm::log(x)
}

/// ln(1 + x).
#[inline]
pub fn ln_1p(x: f64) -> f64 {
    libm::log1p(x)
}

/// x^y.
#[inline]
pub fn pow(x: f64, y: f64) -> f64 {
    libm::pow(x, y)
}

/// Sine of x radians.
#[inline]
pub fn sin(x: f64) -> f64 {
    libm::sin(x)
}

/// Cosine of x radians.
#[inline]
pub fn cos(x: f64) -> f64 {
    libm::cos(x)
}

/// Logarithm to base ten.
#[inline]
pub fn log10(x: f64) -> f64 {
    libm::log10(x)
}

/// ln(1 + e^x) without overflow, and its derivative 1/(1 + e^-x).
#[inline]
pub fn softplus(x: f64) -> (f64, f64) {
    if x > 0.0 {
        let e = exp(-x);
        (x + ln_1p(e), 1.0 / (1.0 + e))
    } else {
        let e = exp(x);
        (ln_1p(e), e / (1.0 + e))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn softplus_is_finite_and_smooth_everywhere() {
        for x in [-1e308, -745.0, -1.0, 0.0, 1.0, 745.0, 1e308] {
            let (y, d) = softplus(x);
            assert!(y.is_finite() && y >= 0.0 && (0.0..=1.0).contains(&d), "{x}");
        }
        let (y, d) = softplus(0.0);
        assert!((y - std::f64::consts::LN_2).abs() < 1e-16 && d == 0.5);
    }
}
