//! How fine a reading of a meter is.

/// What the last digit of a reading is worth: 0.01 for `1.75`, 0.001 for `25m`. `value` is what the
/// text says.
pub fn last_digit(text: &str, value: f64) -> f64 {
    let is_digit = |c: &char| c.is_ascii_digit() || matches!(c, '.' | '-' | '+');
    let digits: String = text.chars().take_while(is_digit).collect();
    let places = digits.split_once('.').map_or(0, |(_, d)| d.len());
    let scale = match digits.parse::<f64>() {
        Ok(d) if d != 0.0 => (value / d).abs(),
        _ => 1.0,
    };
    // Beyond five places it is a computer's number and no meter's.
    scale * tenth(places.min(5) as i32)
}

/// The finer of a last digit as written, and what the last of three digits is worth: `2` is 2.00 on any
/// meter of today, and `0` is 0.00; but not finer than a thousandth.
pub fn of_three_digits(value: f64, digit: f64) -> f64 {
    let last = match value.abs() {
        v if v > 1e-3 => {
            let written = format!("{v:e}");
            let exponent = written.rsplit('e').next().and_then(|e| e.parse().ok());
            tenth(2 - exponent.unwrap_or(0))
        }
        _ => 0.01,
    };
    digit.min(last.max(1e-3))
}

/// 10 to the power of `-places`.
fn tenth(places: i32) -> f64 {
    format!("1e{}", -places).parse().expect("a number")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_digit_is_worth_what_its_place_says() {
        for (text, value, digit) in [
            ("1.75", 1.75, 0.01),
            ("-0.3", -0.3, 0.1),
            ("188", 188.0, 1.0),
            ("25m", 0.025, 0.001),
            ("0.00", 0.0, 0.01),
            ("286.20364952469566", 286.20364952469566, 1e-5),
        ] {
            let found = last_digit(text, value);
            assert!((found / digit - 1.0).abs() < 1e-12, "{text}: {found}");
        }
    }

    #[test]
    fn a_meter_has_three_digits() {
        for (value, digit, expected) in [
            (2.0, 1.0, 0.01),
            (-38.0, 1.0, 0.1),
            (188.0, 1.0, 1.0),
            (0.0, 1.0, 0.01),
            (0.0, 1e-3, 1e-3),
            (0.025, 1e-3, 1e-3),
            (99.6, 0.1, 0.1),
        ] {
            assert_eq!(of_three_digits(value, digit), expected, "{value}");
        }
    }
}
