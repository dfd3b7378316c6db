//! Numbers out: fixed digits for tables, all digits for CSV.

/// A value as a table shows it: `digits` significant digits (at least one), a prefix from femto
/// to tera and the unit, e.g. `engineering(0.0011, "A", 3)` is `1.10 mA`. Units without prefixes
/// (none, `%`, `dB`, degrees) and values outside the prefixes keep their own power of ten.
/// Farads have no milli: `47 mF` was written for microfarads for decades. What is not a number reads
/// `undefined`.
pub fn engineering(value: f64, unit: &str, digits: usize) -> String {
    let digits = digits.clamp(1, 17);
    let space = if unit.is_empty() || unit == "%" {
        ""
    } else {
        " "
    };
    if value.is_nan() {
        return "undefined".to_string();
    }
    if value.is_infinite() {
        let sign = if value < 0.0 { "-" } else { "" };
        return format!("{sign}infinite{space}{unit}");
    }
    // Rounding first and choosing the prefix from what is left turns 999.96 into 1.00 k.
    let rounded = format!("{:.*e}", digits - 1, if value == 0.0 { 0.0 } else { value });
    let (mantissa, exponent) = rounded.split_once('e').unwrap_or((&rounded, "0"));
    let exponent: i32 = exponent.parse().unwrap_or(0);
    let bare = matches!(unit, "" | "1" | "%" | "dB" | "deg" | "°" | "C" | "°C");
    let group = if bare { 0 } else { exponent.div_euclid(3) * 3 };
    let group = if unit == "F" && group == -3 {
        -6
    } else {
        group
    };
    let prefix = match group {
        12 => "T",
        9 => "G",
        6 => "M",
        3 => "k",
        0 => "",
        -3 => "m",
        -6 => "µ",
        -9 => "n",
        -12 => "p",
        -15 => "f",
        _ => return format!("{rounded}{space}{unit}"),
    };
    if bare && !(-7..=15).contains(&exponent) {
        return format!("{rounded}{space}{unit}");
    }
    let shifted = shift_point(mantissa, exponent - group);
    format!("{shifted}{space}{prefix}{unit}")
}

/// A value as CSV and JSON carry it: the fewest digits that read back as the same number, plain
/// between 1e-5 and 1e16 and with an exponent outside. Zero has no sign. What is not finite is
/// an empty cell, the usual mark of a missing value.
pub fn full(value: f64) -> String {
    let size = value.abs();
    if !value.is_finite() {
        String::new()
    } else if value == 0.0 {
        "0".to_string()
    } else if (1e-5..1e16).contains(&size) {
        value.to_string()
    } else {
        format!("{value:e}")
    }
}

/// `from + k step` to the digits that `from` and `step` were given with: 0.0003, not
/// 0.00030000000000000003. Where so many digits do not fit it is the plain sum.
pub fn on_grid(from: f64, step: f64, k: usize) -> f64 {
    let plain = from + k as f64 * step;
    let exact = || {
        let ((a, ea), (b, eb)) = (decimal(from)?, decimal(step)?);
        let e = ea.min(eb);
        let raised = |m: i128, by: i32| m.checked_mul(10i128.checked_pow(by.try_into().ok()?)?);
        let steps = raised(b, eb - e)?.checked_mul(i128::try_from(k).ok()?)?;
        let sum = raised(a, ea - e)?.checked_add(steps)?;
        format!("{sum}e{e}").parse().ok()
    };
    exact().unwrap_or(plain)
}

/// A number as its shortest digits and their power of ten; nobody writes more than fifteen.
fn decimal(value: f64) -> Option<(i128, i32)> {
    let text = format!("{value:e}");
    let (mantissa, exponent) = text.split_once('e')?;
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let exponent: i32 = exponent.parse().ok()?;
    let digits: i128 = format!("{whole}{fraction}").parse().ok()?;
    (digits.abs() < 1_000_000_000_000_000).then_some(())?;
    Some((digits, exponent - i32::try_from(fraction.len()).ok()?))
}

/// Moves the decimal point of `d.ddd` by `places` to the right (left where negative).
fn shift_point(mantissa: &str, places: i32) -> String {
    let (sign, mantissa) = match mantissa.strip_prefix('-') {
        Some(rest) => ("-", rest),
        None => ("", mantissa),
    };
    let mut digits: String = mantissa.chars().filter(|c| *c != '.').collect();
    let mut point = 1 + places;
    while point < 1 {
        digits.insert(0, '0');
        point += 1;
    }
    while digits.len() < point as usize {
        digits.push('0');
    }
    let (whole, fraction) = digits.split_at(point as usize);
    if fraction.is_empty() {
        format!("{sign}{whole}")
    } else {
        format!("{sign}{whole}.{fraction}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_show_prefix_and_fixed_digits() {
        for (value, unit, digits, shown) in [
            (0.0011, "A", 3, "1.10 mA"),
            (4700.0, "Ω", 3, "4.70 kΩ"),
            (999.96, "V", 4, "1.000 kV"),
            (999.94, "V", 4, "999.9 V"),
            (0.0, "V", 3, "0.00 V"),
            (-0.0, "V", 3, "0.00 V"),
            (-172.34, "V", 4, "-172.3 V"),
            (470.0, "Ω", 1, "500 Ω"),
            (22e-9, "F", 3, "22.0 nF"),
            (0.047, "F", 3, "47000 µF"),
            (2.2e-3, "F", 4, "2200 µF"),
            (1.0, "F", 1, "1 F"),
            (1e-5, "A", 3, "10.0 µA"),
            (12345.6, "", 3, "12300"),
            (-3.0125, "dB", 3, "-3.01 dB"),
            (0.05, "%", 2, "0.050%"),
            (1e-18, "A", 3, "1.00e-18 A"),
            (1e30, "V", 2, "1.0e30 V"),
            (f64::NAN, "V", 3, "undefined"),
            (f64::NEG_INFINITY, "V", 3, "-infinite V"),
            (1e-300, "dB", 3, "1.00e-300 dB"),
            (f64::MAX, "dB", 3, "1.80e308 dB"),
        ] {
            assert_eq!(engineering(value, unit, digits), shown);
        }
    }

    #[test]
    fn times_have_the_digits_of_their_step() {
        for (from, step, k, shown) in [
            (0.0, 1e-4, 3, "0.0003"),
            (0.1, 1e-5, 7, "0.10007"),
            (0.0, 0.1, 3, "0.3"),
            (1e-3, 2e-8, 12_345, "0.0012469"),
            (0.0, 1e-5, 0, "0"),
            (-0.3, 0.1, 3, "0"),
            (0.0, 1.0 / 3.0, 3, "1"),
        ] {
            assert_eq!(full(on_grid(from, step, k)), shown);
        }
        // What fits nowhere is no worse than it was.
        assert_eq!(on_grid(1e300, 1e-300, 2), 1e300);
        assert!(on_grid(f64::NAN, 1.0, 2).is_nan());
    }

    #[test]
    fn csv_numbers_read_back_as_they_were() {
        for (value, shown) in [
            (172.3, "172.3"),
            (1.1e-7, "1.1e-7"),
            (0.0, "0"),
            (-0.0, "0"),
            (1.0, "1"),
            (1e16, "1e16"),
            (0.1 + 0.2, "0.30000000000000004"),
            (f64::NAN, ""),
            (f64::INFINITY, ""),
            (5e-324, "5e-324"),
            (-250.0, "-250"),
            (0.0011, "0.0011"),
        ] {
            assert_eq!(full(value), shown);
            if value.is_finite() {
                assert_eq!(full(value).parse::<f64>().ok(), Some(value));
            }
        }
    }
}
