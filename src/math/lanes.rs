//! exp, ln and what valve laws make of them, for loops over many values at once.
//!
//! No branch, no table and no call: a loop over a slice that uses these becomes vector
//! instructions of whatever width the processor has. Each value goes through the same
//! additions and multiplications in every width, so the bits never depend on it. Ranges are
//! those of the laws; beyond them a result saturates. Errors are a few roundings (tests). The
//! polynomials are those whose largest error over the range is least (Remez's exchange, with 60 digits).

/// 1.5 * 2^52: adding it rounds to an integer, which then stands in the lowest bits.
const ROUND: f64 = 6_755_399_441_055_744.0;
/// ln 2 in two parts; the first has 32 bits, so that its small multiples are exact.
const LN2_HIGH: f64 = 0.693_147_180_369_123_8;
const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// e^x is taken as nothing below this.
const LEAST: f64 = -708.0;
/// e^x stands still above this.
const MOST: f64 = 709.0;

/// e^x; 0 below -708, e^709 above 709.
#[inline(always)]
pub fn exp(x: f64) -> f64 {
    let near = if x > MOST { MOST } else { x };
    let near = if near < LEAST { LEAST } else { near };
    let rounded = near * std::f64::consts::LOG2_E + ROUND;
    let k = rounded - ROUND;
    let r = (near - k * LN2_HIGH) - k * LN2_LOW;
    // The least largest error there is, 4e-18 for |r| < 0.35 (Taylor's series needs two terms more for
    // that); in pairs, so that the processor works on several terms at a time.
    let (r2, r4) = (r * r, (r * r) * (r * r));
    let low = (0.500_000_000_000_000_9 + r * 0.166_666_666_666_664_24)
        + r2 * ((0.041_666_666_666_542_784 + r * 0.008_333_333_333_491_018)
            + r2 * (0.001_388_888_894_069_989_3 + r * 0.000_198_412_695_071_665_02));
    let high = (2.480_149_584_534_473e-5 + r * 2.755_759_030_578_753e-6)
        + r2 * (2.762_934_776_649_344e-7 + r * 2.499_774_632_527_501_7e-8);
    let series = 1.0 + (r + r2 * (low + r2 * (r4 * high)));
    let power = f64::from_bits(rounded.to_bits().wrapping_add(1023) << 52);
    if x < LEAST { 0.0 } else { series * power }
}

/// Natural logarithm of a positive number; that of the smallest normal one below it.
#[inline(always)]
pub fn ln(x: f64) -> f64 {
    let x = if x < f64::MIN_POSITIVE {
        f64::MIN_POSITIVE
    } else {
        x
    };
    /// Bits of sqrt(1/2), its last 32 cut off: where the mantissa's range begins.
    const FROM: u64 = 0x3FE6_A09E_0000_0000;
    const ONE: u64 = 1023 << 52;
    // x = 2^e m with m from 0.707 to 1.414; the exponent stands shifted by 1023.
    let shifted = x.to_bits().wrapping_add(ONE - FROM) >> 52;
    let m = f64::from_bits(x.to_bits().wrapping_sub(shifted << 52).wrapping_add(ONE));
    let e = f64::from_bits(shifted | 0x4330_0000_0000_0000) - (4_503_599_627_370_496.0 + 1023.0);
    let f = m - 1.0;
    let s = f / (2.0 + f);
    let z = s * s;
    let (z2, z4) = (z * z, (z * z) * (z * z));
    // 2 artanh s less 2 s, s below 0.172: seven terms of the least largest error leave 3e-18.
    let series = z
        * ((0.666_666_666_666_673_4 + z * 0.399_999_999_994_146_1)
            + z2 * (0.285_714_287_424_048_75 + z * 0.222_221_985_712_767_86)
            + z4 * ((0.181_835_644_319_415_6 + z * 0.153_140_476_813_580_26)
                + z2 * 0.147_959_800_055_716_5));
    let half = 0.5 * f * f;
    e * LN2_HIGH + (f - (half - (s * (half + series) + e * LN2_LOW)))
}

/// x^y for x > 0 as e^(y ln x), the relative error some |y ln x| roundings.
#[inline(always)]
pub fn power(x: f64, y: f64) -> f64 {
    exp(y * ln(x))
}

/// ln(1 + e^x) and its derivative 1/(1 + e^-x).
#[inline(always)]
pub fn softplus(x: f64) -> (f64, f64) {
    let e = exp(-x.abs());
    // One division for both 1/(1 + e) and 1/(2 + e).
    let both = 1.0 / ((1.0 + e) * (2.0 + e));
    let per = (2.0 + e) * both;
    // ln(1 + e) = 2 artanh(e/(2 + e)), which is at most 1/3: ten terms of the least largest error leave
    // 1e-18.
    let s = e * (1.0 + e) * both;
    let z = s * s;
    let (z2, z4) = (z * z, (z * z) * (z * z));
    let z8 = z4 * z4;
    let first = (0.333_333_333_333_331_54 + z * 0.200_000_000_000_786_35)
        + z2 * (0.142_857_142_739_255_95 + z * 0.111_111_119_849_375_65)
        + z4 * ((0.090_908_719_602_163_64 + z * 0.076_932_800_047_362_15)
            + z2 * (0.066_504_862_741_694_37 + z * 0.060_530_469_189_387_01));
    let second = 0.041_700_353_305_721_34 + z * 0.085_093_144_335_646_23;
    let soft = 2.0 * (s + s * z * (first + z8 * second));
    if x > 0.0 {
        (x + soft, per)
    } else {
        (soft, e * per)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::fun;

    /// Points over many decades, both signs.
    fn points() -> impl Iterator<Item = f64> {
        (-4000..=4000)
            .map(|k| f64::from(k) * 0.1771)
            .chain((-300..300).map(|k| {
                let x = 10f64.powi(k / 10) * (1.0 + f64::from(k.rem_euclid(10)) * 0.9);
                if k % 2 == 0 { x } else { -x }
            }))
    }

    #[test]
    fn exp_agrees_with_the_library_to_two_roundings() {
        let mut worst = 0.0f64;
        for x in points().filter(|x| (-707.9..708.9).contains(x)) {
            worst = worst.max((exp(x) / fun::exp(x) - 1.0).abs());
        }
        assert!(worst <= 2.5 * f64::EPSILON, "{worst:e}");
        assert_eq!((exp(0.0), exp(-709.0), exp(-1e300)), (1.0, 0.0, 0.0));
        assert!(exp(1e300).is_finite());
        assert!(exp(f64::NAN).is_nan());
    }

    #[test]
    fn ln_agrees_with_the_library_to_two_roundings() {
        let mut worst = 0.0f64;
        for x in points().map(f64::abs).filter(|&x| x > 0.0 && x != 1.0) {
            worst = worst.max((ln(x) / fun::ln(x) - 1.0).abs());
        }
        for k in -900..900 {
            // Near one, where the logarithm vanishes.
            let x = 1.0 + f64::from(k) * 0.3e-3;
            if k != 0 {
                worst = worst.max((ln(x) / fun::ln(x) - 1.0).abs());
            }
        }
        assert!(worst <= 2.5 * f64::EPSILON, "{worst:e}");
        assert_eq!(ln(1.0), 0.0);
        assert_eq!(ln(0.0), ln(f64::MIN_POSITIVE));
        assert!((ln(f64::MAX) / fun::ln(f64::MAX) - 1.0).abs() < f64::EPSILON);
    }

    #[test]
    fn softplus_and_its_slope_agree_with_the_library() {
        for x in points().filter(|x| *x > -700.0) {
            let (soft, slope) = softplus(x);
            let (expected, expected_slope) = fun::softplus(x);
            assert!((soft / expected - 1.0).abs() <= 4.0 * f64::EPSILON, "{x}");
            assert!(
                (slope / expected_slope - 1.0).abs() <= 4.0 * f64::EPSILON,
                "{x}"
            );
        }
        assert_eq!(softplus(-1e9), (0.0, 0.0));
        assert_eq!(softplus(1e9), (1e9, 1.0));
    }

    #[test]
    fn powers_agree_with_the_library() {
        for x in [1e-12, 1e-3, 0.7, 1.0, 12.5, 400.0, 1e9] {
            for y in [1.0, 1.35, 1.5, 3.0] {
                assert!(
                    (power(x, y) / fun::pow(x, y) - 1.0).abs() < 3e-14,
                    "{x}^{y}"
                );
            }
        }
        assert_eq!(power(f64::MIN_POSITIVE, 1.4), 0.0);
    }
}
