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

/// e^x - 1, exact for small x.
#[inline]
pub fn exp_m1(x: f64) -> f64 {
    libm::expm1(x)
}

/// Tangent of an angle in radians.
#[inline]
pub fn tan(x: f64) -> f64 {
    libm::tan(x)
}

/// Angle in radians whose tangent is x.
#[inline]
pub fn atan(x: f64) -> f64 {
    libm::atan(x)
}

/// Angle in radians of the point (x, y), -pi to pi.
#[inline]
pub fn atan2(y: f64, x: f64) -> f64 {
    libm::atan2(y, x)
}

/// x^y.
#[inline]
pub fn pow(x: f64, y: f64) -> f64 {
    libm::pow(x, y)
}

/// Sine of an angle in radians.
#[inline]
pub fn sin(x: f64) -> f64 {
    libm::sin(x)
}

/// Cosine of an angle in radians.
#[inline]
pub fn cos(x: f64) -> f64 {
    libm::cos(x)
}

/// Arc sine, radians.
#[inline]
pub fn asin(x: f64) -> f64 {
    libm::asin(x)
}

/// Arc cosine, radians.
#[inline]
pub fn acos(x: f64) -> f64 {
    libm::acos(x)
}

/// Hyperbolic sine.
#[inline]
pub fn sinh(x: f64) -> f64 {
    libm::sinh(x)
}

/// Hyperbolic cosine.
#[inline]
pub fn cosh(x: f64) -> f64 {
    libm::cosh(x)
}

/// Hyperbolic tangent.
#[inline]
pub fn tanh(x: f64) -> f64 {
    libm::tanh(x)
}

/// Inverse hyperbolic sine.
#[inline]
pub fn asinh(x: f64) -> f64 {
    libm::asinh(x)
}

/// Inverse hyperbolic cosine.
#[inline]
pub fn acosh(x: f64) -> f64 {
    libm::acosh(x)
}

/// Inverse hyperbolic tangent.
#[inline]
pub fn atanh(x: f64) -> f64 {
    libm::atanh(x)
}

/// sqrt(x^2 + y^2) without overflow.
#[inline]
pub fn hypot(x: f64, y: f64) -> f64 {
    libm::hypot(x, y)
}

/// Cube root.
#[inline]
pub fn cbrt(x: f64) -> f64 {
    libm::cbrt(x)
}

/// Base-ten logarithm.
#[inline]
pub fn log10(x: f64) -> f64 {
    libm::log10(x)
}

/// x^y for x > 0, as e^(y ln x): less than half the time of [`pow`], which pays for the last
/// digit of large powers. The relative error is some |y ln x| roundings, 1e-14 for currents.
#[inline]
pub fn power(x: f64, y: f64) -> f64 {
    exp(y * ln(x))
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
    fn the_quick_power_agrees_with_the_exact_one() {
        for x in [1e-12, 1e-3, 0.7, 1.0, 12.5, 400.0, 1e9] {
            for y in [1.0, 1.35, 1.5, 3.0] {
                assert!((power(x, y) / pow(x, y) - 1.0).abs() < 3e-14, "{x}^{y}");
            }
        }
        assert_eq!(power(f64::MIN_POSITIVE, 1.4), 0.0);
    }

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
