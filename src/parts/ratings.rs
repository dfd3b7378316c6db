//! The ratings that parts are sold in, and which of them a stress asks for.
//!
//! Watts at twice the dissipation, in a body that withstands the volts (common practice, no
//! published source: a film resistor keeps its rating up to 70 C, IEC 60115-1, and inside a
//! chassis it is warmer); capacitors at the volts that they stand.

use crate::math::fun;
use crate::measure::chart::DERATING;
use crate::measure::preferred::Series;
use crate::measure::stress::body_volts;
use crate::num;

/// Watts of resistors.
const WATTS: [f64; 11] = [0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 25.0, 50.0];
/// Volts of capacitors.
const VOLTS: [f64; 14] = [
    16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0, 250.0, 350.0, 400.0, 450.0, 500.0, 630.0, 1000.0,
];
/// Amperes of fuses (IEC 60127-2, from memory).
const AMPERES: [f64; 22] = [
    0.05, 0.063, 0.08, 0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6,
    2.0, 2.5, 3.15, 4.0, 5.0, 6.3,
];

/// A figure lies within a rating up to this part of it: what is computed has no more digits.
const ROUNDING: f64 = 1.0 + 1e-9;

fn at_least(table: &[f64], wanted: f64) -> Option<f64> {
    table.iter().copied().find(|&r| wanted <= r * ROUNDING)
}

/// Watts for a resistor that turns `watts` into heat with `volts` across it, and no fewer than the
/// netlist says it is rated for (`rated=`); none if no single part will do. What is rated for more
/// than the table has is bought as rated.
pub fn resistor(watts: f64, volts: f64, rated: Option<f64>) -> Option<f64> {
    let least = f64::max(DERATING * watts, rated.unwrap_or(0.0));
    let stands = |w: &f64| least <= *w * ROUNDING && volts <= body_volts(*w) * ROUNDING;
    WATTS.iter().copied().chain(rated).find(stands)
}

/// Volts for a capacitor, and no fewer than the netlist says it is rated for (`rated=`); none if no
/// single part will do. What is rated for more than the table has is bought as rated.
pub fn capacitor(volts: f64, rated: Option<f64>) -> Option<f64> {
    let least = f64::max(volts, rated.unwrap_or(0.0));
    at_least(&VOLTS, least).or(rated.filter(|rated| volts <= rated * ROUNDING))
}

/// Amperes for a fuse that carries `amperes`: half as much again, so that it does not age (common
/// practice, no published source).
pub fn fuse(amperes: f64) -> Option<f64> {
    at_least(&AMPERES, 1.5 * amperes)
}

/// What is said of a value that no series has; none for a preferred value. Sources: IEC 60063,
/// E24, E48, E96 and E192.
pub fn unpreferred(value: f64, unit: &str) -> Option<String> {
    if value <= 0.0 || !value.is_finite() || is_preferred(value) {
        return None;
    }
    let near = Series::E24.nearest(value);
    let off = 100.0 * (near / value - 1.0);
    let mut text = format!(
        "in no E series: nearest {} ({off:+.1} %)",
        num::engineering(near, unit, 3)
    );
    if let Some((a, b, together)) = pair(value) {
        // Resistances add in series, capacitances side by side.
        let way = if unit == "F" {
            "in parallel"
        } else {
            "in series"
        };
        let error = 100.0 * (together / value - 1.0);
        if error.abs() + 0.05 < off.abs() {
            text += &format!(
                ", or {} and {} {way} ({error:+.1} %)",
                num::engineering(a, unit, 3),
                num::engineering(b, unit, 3)
            );
        }
    }
    Some(text)
}

/// Electrolytics in microfarads as they are sold beside E6: those of valve amplifiers (common
/// practice, no published source).
const ELECTROLYTICS: [f64; 8] = [8.0, 16.0, 20.0, 25.0, 32.0, 40.0, 50.0, 500.0];

/// What is said of an electrolytic of a value in which none is sold; none for a usual one. They
/// come in E6 (IEC 60063) and in a few older steps, 20 % or wider: two in parallel are no remedy.
pub fn unusual_electrolytic(farads: f64) -> Option<String> {
    if farads <= 0.0 || !farads.is_finite() {
        return None;
    }
    let decade = fun::pow(10.0, fun::log10(farads).floor());
    let e6 = [1.0, 1.5, 2.2, 3.3, 4.7, 6.8, 10.0].map(|x| x * decade);
    let usual = e6.into_iter().chain(ELECTROLYTICS.map(|x| x * 1e-6));
    let off = |x: f64| (x / farads - 1.0).abs();
    let near = usual.min_by(|a, b| off(*a).total_cmp(&off(*b)))?;
    (off(near) > 1e-6).then(|| {
        format!(
            "no usual value of an electrolytic: nearest {} ({:+.1} %)",
            num::engineering(near, "F", 3),
            100.0 * (near / farads - 1.0)
        )
    })
}

/// Whether a value stands in a series, to the three digits that the finest of them has.
fn is_preferred(value: f64) -> bool {
    let decade = fun::pow(10.0, fun::log10(value).floor());
    let digits = value / decade;
    let close = |x: f64| (digits / x - 1.0).abs() < 1e-6;
    if close(10.0) || close(Series::E24.nearest(digits)) {
        return true;
    }
    (0..192).any(|k| {
        let exact = fun::pow(10.0, f64::from(k) / 192.0);
        let rounded = (100.0 * exact).round() / 100.0;
        // The one value that the standard rounds otherwise.
        close(if rounded == 9.19 { 9.20 } else { rounded })
    })
}

/// The two values of E24 whose sum comes nearest.
fn pair(value: f64) -> Option<(f64, f64, f64)> {
    let mut best: Option<(f64, f64, f64)> = None;
    let mut larger = Series::E24.nearest(value);
    for _ in 0..30 {
        if larger < value {
            let rest = value - larger;
            if rest < 0.01 * value {
                larger = Series::E24.nearest(larger / 1.1);
                continue;
            }
            let smaller = Series::E24.nearest(rest);
            let sum = larger + smaller;
            let nearer = best.is_none_or(|b| (sum - value).abs() < (b.2 - value).abs() * 0.999_999);
            if nearer {
                best = Some((larger, smaller, sum));
            }
        }
        larger = Series::E24.nearest(larger / 1.1);
        if larger < 0.45 * value {
            break;
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The table of the trade: twice the watts, and the body's volts.
    #[test]
    fn resistors_are_chosen_by_watts_and_by_volts() {
        for (watts, volts, expected) in [
            (0.0, 0.0, Some(0.25)),
            (0.125, 100.0, Some(0.25)),
            (0.126, 100.0, Some(0.5)),
            (0.05, 251.0, Some(0.5)),
            (0.05, 351.0, Some(1.0)),
            (0.4, 300.0, Some(1.0)),
            (2.4, 300.0, Some(5.0)),
            (0.1, 501.0, None),
            (26.0, 10.0, None),
        ] {
            assert_eq!(
                resistor(watts, volts, None),
                expected,
                "{watts} W {volts} V"
            );
        }
    }

    #[test]
    fn nothing_is_bought_smaller_than_it_is_rated() {
        for (watts, volts, rated, expected) in [
            (0.014, 5.0, 7.0, Some(7.0)),
            (0.014, 5.0, 4.0, Some(5.0)),
            (5.0, 5.0, 7.0, Some(10.0)),
            (26.0, 10.0, 100.0, Some(100.0)),
            (0.3, 510.0, 3.0, None),
        ] {
            assert_eq!(resistor(watts, volts, Some(rated)), expected, "{rated} W");
        }
        assert_eq!(capacitor(48.0, Some(630.0)), Some(630.0));
        assert_eq!(capacitor(512.0, Some(500.0)), Some(630.0));
        assert_eq!(capacitor(1200.0, Some(1600.0)), Some(1600.0));
        assert_eq!(capacitor(1700.0, Some(1600.0)), None);
    }

    #[test]
    fn capacitors_and_fuses_take_the_next_rating() {
        assert_eq!(capacitor(1.6, None), Some(16.0));
        assert_eq!(capacitor(450.0, None), Some(450.0));
        assert_eq!(capacitor(451.0, None), Some(500.0));
        assert_eq!(capacitor(1001.0, None), None);
        assert_eq!(fuse(0.5), Some(0.8));
    }

    /// 25 uF, 8 and 50 uF are sold; 24 uF is E24 and still no electrolytic: 25 is 4.2 % more, 22
    /// 8.3 % less. Of 60 uF 68 is 13.3 % more, 50 is 16.7 % less. 0.3 uF: 0.33 is 10 % more.
    #[test]
    fn electrolytics_come_in_usual_values() {
        for usual in [
            25e-6, 8e-6, 50e-6, 32e-6, 22e-6, 47e-6, 1e-6, 2200e-6, 0.1e-6,
        ] {
            assert_eq!(unusual_electrolytic(usual), None, "{usual}");
        }
        for (value, expected) in [
            (24e-6, "nearest 25.0 µF (+4.2 %)"),
            (60e-6, "nearest 68.0 µF (+13.3 %)"),
            (0.3e-6, "nearest 330 nF (+10.0 %)"),
        ] {
            let text = unusual_electrolytic(value).unwrap();
            assert!(text.ends_with(expected), "{text}");
            assert!(!text.contains("parallel"), "{text}");
        }
    }

    /// IEC 60063: 4.7 k is E24, 1.47 k E96, 1.49 k E192; 8 uF and 50 k are not.
    #[test]
    fn values_that_no_series_has_are_named_with_what_comes_near() {
        for good in [4.7e3, 1.47e3, 1.49e3, 22e-9, 1e6, 9.1, 0.47] {
            assert_eq!(unpreferred(good, "Ω"), None, "{good}");
        }
        let text = unpreferred(8e-6, "F").unwrap();
        assert!(text.contains("nearest 8.20 µF (+2.5 %)"), "{text}");
        assert!(
            text.contains("6.80 µF and 1.20 µF in parallel (+0.0 %)"),
            "{text}"
        );
        let text = unpreferred(50e3, "Ω").unwrap();
        assert!(
            text.contains("51.0 kΩ (+2.0 %)") && text.contains("in series"),
            "{text}"
        );
    }
}
