//! Where a gain is greatest, and where it has fallen to 1/sqrt 2 of a reference (3 dB).

use crate::math::fun;

/// Steps of the search in each decade: a dip narrower than this may be stepped over.
const PER_DECADE: f64 = 40.0;
/// The search ends here, Hz.
const LOWEST_HZ: f64 = 1e-3;
const HIGHEST_HZ: f64 = 1e9;

/// The frequency nearest to `from_hz` in one direction where the gain falls to `level`;
/// none between 1 mHz and 1 GHz. `from_hz` is taken to be above the level.
pub fn corner<E>(
    gain: &mut impl FnMut(f64) -> Result<f64, E>,
    from_hz: f64,
    upwards: bool,
    level: f64,
) -> Result<Option<f64>, E> {
    let step = fun::pow(10.0, if upwards { 1.0 } else { -1.0 } / PER_DECADE);
    let mut inside = from_hz;
    loop {
        let next = inside * step;
        if !(LOWEST_HZ..=HIGHEST_HZ).contains(&next) {
            return Ok(None);
        }
        if gain(next)? < level {
            return Ok(Some(bisect(gain, inside, next, level)?));
        }
        inside = next;
    }
}

/// Halves the interval by its geometric mean until it is as good as nothing.
fn bisect<E>(
    gain: &mut impl FnMut(f64) -> Result<f64, E>,
    mut inside: f64,
    mut outside: f64,
    level: f64,
) -> Result<f64, E> {
    for _ in 0..50 {
        let middle = (inside * outside).sqrt();
        if middle == inside || middle == outside {
            break;
        }
        if gain(middle)? < level {
            outside = middle
        } else {
            inside = middle
        }
    }
    Ok((inside * outside).sqrt())
}

/// A gain's greatest value near the middle one of three frequencies, by the golden section.
pub fn peak<E>(
    gain: &mut impl FnMut(f64) -> Result<f64, E>,
    (low_hz, middle_hz, high_hz): (f64, f64, f64),
) -> Result<(f64, f64), E> {
    let (mut low, mut high) = (fun::ln(low_hz), fun::ln(high_hz));
    let mut best = (middle_hz, gain(middle_hz)?);
    // (sqrt 5 - 1)/2
    let section = 0.618_033_988_749_894_9;
    for _ in 0..40 {
        let width = section * (high - low);
        let (left, right) = (high - width, low + width);
        let (at_left, at_right) = (gain(fun::exp(left))?, gain(fun::exp(right))?);
        for (f, value) in [(left, at_left), (right, at_right)] {
            if value > best.1 {
                best = (fun::exp(f), value);
            }
        }
        if at_left < at_right {
            low = left
        } else {
            high = right
        }
    }
    Ok(best)
}

/// A pass band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Where the gain is greatest, Hz.
    pub peak_hz: f64,
    /// The gain there.
    pub peak: f64,
    /// Where it has fallen by 3 dB, Hz; none if it does not above 1 mHz.
    pub low_hz: Option<f64>,
    /// Likewise upwards; none if it does not below 1 GHz.
    pub high_hz: Option<f64>,
}

impl Band {
    /// The band round the highest of some points. None without points or without any gain.
    pub fn find<E>(
        gain: &mut impl FnMut(f64) -> Result<f64, E>,
        frequencies_hz: &[f64],
        gains: &[f64],
    ) -> Result<Option<Band>, E> {
        let highest = (0..gains.len()).max_by(|&a, &b| gains[a].total_cmp(&gains[b]));
        let Some(k) = highest.filter(|&k| gains[k] > 0.0 && frequencies_hz[k] > 0.0) else {
            return Ok(None);
        };
        let (mut peak_hz, mut peak) = (frequencies_hz[k], gains[k]);
        if k > 0 && k + 1 < gains.len() && frequencies_hz[k - 1] > 0.0 {
            let around = (frequencies_hz[k - 1], peak_hz, frequencies_hz[k + 1]);
            (peak_hz, peak) = self::peak(gain, around)?;
        }
        let level = peak * std::f64::consts::FRAC_1_SQRT_2;
        Ok(Some(Band {
            peak_hz,
            peak,
            low_hz: corner(gain, peak_hz, false, level)?,
            high_hz: corner(gain, peak_hz, true, level)?,
        }))
    }

    /// The middle of the band by the geometric mean of its corners, Hz, if it has two.
    pub fn middle_hz(&self) -> Option<f64> {
        Some((self.low_hz? * self.high_hz?).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::convert::Infallible;

    /// A second-order band pass of quality q about 1 kHz: corners at
    /// f0 (sqrt(1 + 1/4q^2) -/+ 1/2q).
    #[test]
    fn a_resonance_has_its_peak_and_corners() {
        for q in [0.1f64, 1.0, 30.0] {
            let mut gain = |f: f64| {
                let off = q * (f / 1e3 - 1e3 / f);
                Ok::<_, Infallible>(5.0 / (1.0 + off * off).sqrt())
            };
            let points: Vec<f64> = (0..61).map(|k| 10f64.powf(k as f64 / 20.0 + 1.3)).collect();
            let gains: Vec<f64> = points.iter().map(|&f| gain(f).unwrap()).collect();
            let band = Band::find(&mut gain, &points, &gains).unwrap().unwrap();
            let half = 0.5 / q;
            let middle = (1.0 + half * half).sqrt();
            // A maximum is flat: its place is known to half the digits.
            assert!((band.peak_hz / 1e3 - 1.0).abs() < 1e-6, "{band:?}");
            assert!((band.peak - 5.0).abs() < 1e-12);
            let (low, high) = (band.low_hz.unwrap(), band.high_hz.unwrap());
            assert!(
                (low / (1e3 * (middle - half)) - 1.0).abs() < 1e-9,
                "{band:?}"
            );
            assert!(
                (high / (1e3 * (middle + half)) - 1.0).abs() < 1e-9,
                "{band:?}"
            );
            assert!((band.middle_hz().unwrap() / 1e3 - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn what_never_falls_has_no_corner() {
        let mut flat = |_| Ok::<_, Infallible>(1.0);
        let band = Band::find(&mut flat, &[10.0, 100.0], &[1.0, 1.0]).unwrap();
        assert_eq!(band.map(|b| (b.low_hz, b.high_hz)), Some((None, None)));
        assert_eq!(Band::find(&mut flat, &[], &[]), Ok(None));
        assert_eq!(Band::find(&mut flat, &[1.0], &[0.0]), Ok(None));
    }
}
