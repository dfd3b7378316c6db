//! The normal distribution: shares below a deviation and back.

use super::fun;

/// The share of a normal distribution below `z` deviations from its mean.
pub fn below(z: f64) -> f64 {
    0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// The deviations below which a share `p` lies, 0 < p < 1. M. J. Wichura, "Algorithm AS 241: the
/// percentage points of the normal distribution", Applied Statistics 37, 1988, p. 477, PPND16
/// (coefficients from memory, held against [`below`] in the tests).
pub fn quantile(p: f64) -> f64 {
    let q = p - 0.5;
    if q.abs() <= 0.425 {
        let r = 0.180625 - q * q;
        return q * ratio(r, &A, &B);
    }
    let tail = if q < 0.0 { p } else { 1.0 - p };
    let r = (-fun::ln(tail)).sqrt();
    let z = if r <= 5.0 {
        ratio(r - 1.6, &C, &D)
    } else {
        ratio(r - 5.0, &E, &F)
    };
    if q < 0.0 { -z } else { z }
}

fn ratio(r: f64, top: &[f64; 8], bottom: &[f64; 8]) -> f64 {
    let sum = |c: &[f64; 8]| c.iter().rev().fold(0.0, |s, c| s * r + c);
    sum(top) / sum(bottom)
}

const A: [f64; 8] = [
    3.387_132_872_796_366_6,
    1.331_416_678_917_843_8e2,
    1.971_590_950_306_551_4e3,
    1.373_169_376_550_946e4,
    4.592_195_393_154_987e4,
    6.726_577_092_700_87e4,
    3.343_057_558_358_813e4,
    2.509_080_928_730_122_7e3,
];
const B: [f64; 8] = [
    1.0,
    4.231_333_070_160_091e1,
    6.871_870_074_920_579e2,
    5.394_196_021_424_751e3,
    2.121_379_430_158_659_7e4,
    3.930_789_580_009_271e4,
    2.872_908_573_572_194_3e4,
    5.226_495_278_852_854e3,
];
const C: [f64; 8] = [
    1.423_437_110_749_683_5,
    4.630_337_846_156_546,
    5.769_497_221_460_691,
    3.647_848_324_763_204_5,
    1.270_458_252_452_368_4,
    2.417_807_251_774_506e-1,
    2.272_384_498_926_918_4e-2,
    7.745_450_142_783_414e-4,
];
const D: [f64; 8] = [
    1.0,
    2.053_191_626_637_759,
    1.676_384_830_183_803_8,
    6.897_673_349_851e-1,
    1.481_039_764_274_800_8e-1,
    1.519_866_656_361_645_7e-2,
    5.475_938_084_995_345e-4,
    1.050_750_071_644_416_9e-9,
];
const E: [f64; 8] = [
    6.657_904_643_501_103,
    5.463_784_911_164_114,
    1.784_826_539_917_291_3,
    2.965_605_718_285_048_7e-1,
    2.653_218_952_657_612_4e-2,
    1.242_660_947_388_078_4e-3,
    2.711_555_568_743_487_6e-5,
    2.010_334_399_292_288_1e-7,
];
const F: [f64; 8] = [
    1.0,
    5.998_322_065_558_879e-1,
    1.369_298_809_227_358e-1,
    1.487_536_129_085_061_5e-2,
    7.868_691_311_456_133e-4,
    1.846_318_317_510_054_7e-5,
    1.421_511_758_316_446e-7,
    2.044_263_103_389_939_8e-15,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_go_there_and_back() {
        // Abramowitz and Stegun, table 26.1 and 26.5: 1 and 1.959964 deviations.
        assert!((below(1.0) - 0.841_344_746_068_543).abs() < 1e-15);
        assert!((quantile(0.975) - 1.959_963_984_540_054).abs() < 1e-14);
        for k in 1..2000 {
            let p = f64::from(k) / 2000.0;
            assert!((below(quantile(p)) - p).abs() < 4e-16 + 4e-16 * p, "{p}");
        }
        for e in 4..250 {
            let p = 10f64.powi(-e);
            assert!((below(quantile(p)) / p - 1.0).abs() < 1e-11, "1e-{e}");
        }
    }
}
