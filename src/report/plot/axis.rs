//! An axis: its range, where its lines are, and what is written beside them.

use crate::math::fun;

/// A lettered axis over values in base units.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// Quantity and unit, the unit with its prefix.
    pub title: String,
    /// Value and label of each main line.
    pub ticks: Vec<(f64, String)>,
    /// Values of the lines between.
    pub fine: Vec<f64>,
    low: f64,
    high: f64,
    logarithmic: bool,
}

/// Least and greatest of the finite values; something to draw on if there are
/// none or they are all alike.
pub fn extent(values: impl Iterator<Item = f64>) -> (f64, f64) {
    // What is larger than this would have infinite differences.
    let finite = values.filter(|x| x.abs() < 1e300);
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
        (low.min(x), high.max(x))
    });
    if low > high {
        return (0.0, 1.0);
    }
    // Closer than this they cannot be told from rounding.
    let least = 1e-9 * low.abs().max(high.abs());
    if high - low > least {
        return (low, high);
    }
    let around = if low == 0.0 { 1.0 } else { 0.1 * low.abs() };
    (low - around, high + around)
}

impl Axis {
    /// A uniform axis from `low` to `high` with about N lines.
    pub fn exact(quantity: &str, unit: &str, low: f64, high: f64, lines: f64) -> Axis {
        let (factor, prefix) = prefix(unit, low.abs().max(high.abs()));
        let ticks = match unit {
            "deg" => parts_of_a_turn(low, high, lines),
            _ => steps(low / factor, high / factor, lines),
        };
        let ticks = ticks
            .into_iter()
            .map(|(value, label)| (value * factor, label))
            .collect();
        let unit = shown_unit(unit);
        let title = match (quantity, unit) {
            ("", "") => String::new(),
            ("", unit) => format!("{prefix}{unit}"),
            (quantity, "") => quantity.to_owned(),
            _ => format!("{quantity} ({prefix}{unit})"),
        };
        Axis {
            title,
            ticks,
            fine: Vec::new(),
            low,
            high,
            logarithmic: false,
        }
    }

    /// An axis in decades over values more than zero.
    pub fn decades(quantity: &str, unit: &str, low: f64, high: f64) -> Axis {
        let letter = |value| lettered(value, unit);
        let low = if low > 0.0 { low } else { high.abs() * 0.1 };
        let (mut ticks, mut fine) = (Vec::new(), Vec::new());
        let wide = fun::log10(high / low);
        // A little wider, so that ends that are rounded values are not lost.
        let inside = |value: f64| value >= low * (1.0 - 1e-9) && value <= high * (1.0 + 1e-9);
        let decades = fun::log10(low).floor() as i32..=fun::log10(high).ceil() as i32;
        for decade in decades {
            let whole = ten_to(decade);
            for digit in 1..10 {
                let value = f64::from(digit) * whole;
                if !inside(value) {
                    continue;
                }
                // The wider the range, the fewer digits can be lettered without crowding.
                let lettered = match digit {
                    1 => true,
                    2 | 5 => wide < 4.5,
                    3 | 4 | 6 | 8 => wide < 1.2,
                    _ => false,
                };
                if lettered {
                    ticks.push((value, letter(value)));
                } else {
                    fine.push(value);
                }
            }
        }
        if ticks.len() < 3 {
            ticks = steps(low, high, 8.0)
                .into_iter()
                .map(|(value, _)| (value, letter(value)))
                .collect();
            fine.clear();
        }
        Axis {
            title: match shown_unit(unit) {
                "" => quantity.to_owned(),
                unit => format!("{quantity} ({unit})"),
            },
            ticks,
            fine,
            low,
            high,
            logarithmic: true,
        }
    }

    /// How far along the axis a value lies, 0 to 1; not finite if it is nowhere.
    pub fn part(&self, value: f64) -> f64 {
        if self.logarithmic {
            if value <= 0.0 {
                return f64::NAN;
            }
            return fun::ln(value / self.low) / fun::ln(self.high / self.low);
        }
        (value - self.low) / (self.high - self.low)
    }

    /// What is written beside the lines.
    pub fn labels(&self) -> impl Iterator<Item = &str> {
        self.ticks.iter().map(|(_, label)| label.as_str())
    }
}

/// Round values, a step of 1, 2 or 5 times a power of ten apart, with labels
/// that have as many decimals as the step.
fn steps(low: f64, high: f64, lines: f64) -> Vec<(f64, String)> {
    let wanted = (high - low) / lines.max(2.0);
    if !(1e-300..1e300).contains(&wanted) {
        return Vec::new();
    }
    let mut power = fun::log10(wanted).floor() as i32;
    let mut digit = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|d| d * ten_to(power) >= wanted * (1.0 - 1e-9));
    if digit.is_none() {
        power += 1;
        digit = Some(1.0);
    }
    let step = digit.unwrap_or(1.0) * ten_to(power);
    let decimals = usize::try_from(-power).unwrap_or(0);
    multiples(step, decimals, low, high)
}

/// The same for angles in degrees, which are read in parts of a right angle;
/// finer than 15 degrees they are numbers like others.
fn parts_of_a_turn(low: f64, high: f64, lines: f64) -> Vec<(f64, String)> {
    let wanted = (high - low) / lines.max(2.0);
    let parts = [15.0, 30.0, 45.0, 90.0, 180.0, 360.0];
    match parts.into_iter().find(|&step| step >= wanted) {
        Some(step) if wanted > 5.0 => multiples(step, 0, low, high),
        _ => steps(low, high, lines),
    }
}

/// Multiples of a step from `low` to `high`, labelled.
fn multiples(step: f64, decimals: usize, low: f64, high: f64) -> Vec<(f64, String)> {
    let first = (low / step - 1e-9).ceil();
    let last = (high / step + 1e-9).floor();
    // An axis whose values lie closer than numbers do has no lines.
    let count = if last - first < 1e3 {
        (last - first) as usize + 1
    } else {
        0
    };
    (0..count)
        .map(|n| {
            let value = (first + n as f64) * step;
            // Zero has no sign, and the sign of the others is a true minus.
            let label = format!("{:.decimals$}", value + 0.0).replace('-', "\u{2212}");
            (value + 0.0, label)
        })
        .collect()
}

fn ten_to(power: i32) -> f64 {
    fun::pow(10.0, f64::from(power))
}

/// Volts above which an axis is in kilovolts.
const KILOVOLTS: f64 = 2200.0;

/// The prefix in which the greatest value of an axis is easy to read.
fn prefix(unit: &str, greatest: f64) -> (f64, &'static str) {
    if !matches!(unit, "V" | "A" | "W" | "s" | "Hz" | "ohm" | "F" | "H") {
        return (1.0, "");
    }
    const PREFIXES: [(f64, &str); 9] = [
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
        (1e-15, "f"),
    ];
    // Half a volt reads better than five hundred millivolts, a twentieth does not.
    // Builders read plates and supplies in volts: kilovolts begin where meters end.
    let least = |factor: f64| {
        if unit == "V" && factor == 1e3 {
            KILOVOLTS
        } else {
            0.5 * factor
        }
    };
    let fits = |&&(factor, _): &&(f64, &str)| greatest > least(factor) * (1.0 - 1e-9);
    let found = PREFIXES.iter().find(fits);
    *found.unwrap_or(&(1.0, ""))
}

/// A unit as people write it.
fn shown_unit(unit: &str) -> &str {
    match unit {
        "deg" => "degrees",
        "ohm" => "Ω",
        unit => unit,
    }
}

/// A value as it stands on a panel: 50, 1k, 2.5k, 1M; other units than Hz also 20m, 5n.
fn lettered(value: f64, unit: &str) -> String {
    const PREFIXES: [(f64, &str); 8] = [
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
    ];
    let found = PREFIXES.iter().find(|p| value >= 0.999_999 * p.0);
    let (factor, prefix) = match found {
        // Tenths of a hertz or of a per cent are read as such.
        Some(&(factor, _)) if matches!(unit, "Hz" | "%") && factor < 1.0 => (1.0, ""),
        Some(&found) => found,
        None => (1.0, ""),
    };
    let digits = format!("{:.4}", value / factor);
    let digits = digits.trim_end_matches('0').trim_end_matches('.');
    format!("{digits}{prefix}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fixed bug: plates and supplies of 300 V were lettered 0.3 kV.
    #[test]
    fn volts_stay_volts_up_to_two_thousand() {
        for (high, title) in [
            (340.0, "(V)"),
            (600.0, "(V)"),
            (2000.0, "(V)"),
            (5e3, "(kV)"),
        ] {
            let axis = Axis::exact("voltage", "V", 0.0, high, 6.0);
            assert!(axis.title.ends_with(title), "{high}: {}", axis.title);
        }
    }

    #[test]
    fn numbers_in_decades_have_prefixes() {
        for (value, text) in [(4700.0, "4.7k"), (1e6, "1M"), (1e-10, "100p"), (20.0, "20")] {
            assert_eq!(lettered(value, ""), text);
        }
    }

    fn labels(axis: &Axis) -> Vec<&str> {
        axis.labels().collect()
    }

    #[test]
    fn lines_fall_on_round_values() {
        let axis = Axis::exact("voltage", "V", -1.1, 1.1, 6.0);
        assert_eq!(labels(&axis), ["−1.0", "−0.5", "0.0", "0.5", "1.0"]);
        assert_eq!(axis.title, "voltage (V)");
        let axis = Axis::exact("time", "s", 0.0, 0.02, 10.0);
        assert_eq!(labels(&axis)[..3], ["0", "2", "4"]);
        assert_eq!(axis.title, "time (ms)");
        let axis = Axis::exact("current", "A", 0.0, 3e-6, 6.0);
        assert_eq!(axis.title, "current (µA)");
        assert_eq!(labels(&axis).last(), Some(&"3.0"));
    }

    #[test]
    fn decades_are_lettered_as_on_a_panel() {
        let axis = Axis::decades("frequency", "Hz", 20.0, 20_000.0);
        assert_eq!(
            labels(&axis),
            [
                "20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"
            ]
        );
        assert!((axis.part(20.0 * 10f64.sqrt() * 10.0) - 0.5).abs() < 1e-12);
        let phase = Axis::exact("phase", "deg", -95.0, 95.0, 6.0);
        assert_eq!(labels(&phase), ["−90", "−45", "0", "45", "90"]);
        let ohms = Axis::decades("impedance", "ohm", 20.0, 3e6);
        assert_eq!(labels(&ohms), ["100", "1k", "10k", "100k", "1M"]);
        assert_eq!(ohms.title, "impedance (Ω)");
        let noise = Axis::decades("density", "V/√Hz", 3e-9, 2e-6);
        assert_eq!(labels(&noise)[..3], ["5n", "10n", "20n"]);
        let narrow = Axis::decades("frequency", "Hz", 900.0, 1100.0);
        assert!(narrow.ticks.len() > 3, "{narrow:?}");
        let broad = Axis::decades("frequency", "Hz", 1e-3, 1e9);
        assert_eq!(broad.ticks.len(), 13);
    }

    #[test]
    fn odd_ranges_neither_hang_nor_crowd() {
        for values in [
            vec![],
            vec![0.0],
            vec![250.0, 250.0],
            vec![f64::NAN, f64::INFINITY],
            vec![1e-300, 2e-300],
            vec![-1e300, 1e300],
            vec![1.0, 1.0 + 1e-15],
            vec![5e-324, 1e-323],
            vec![f64::MIN, f64::MAX],
        ] {
            let (low, high) = extent(values.iter().copied());
            assert!(low < high, "{values:?}");
            let axis = Axis::exact("voltage", "V", low, high, 8.0);
            assert!(axis.ticks.len() < 30, "{values:?}");
            let axis = Axis::decades("frequency", "Hz", low.abs(), high.abs().max(low.abs()));
            assert!(axis.ticks.len() < 6000, "{values:?}");
        }
    }
}
