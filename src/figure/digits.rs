//! Figures as people read them, with the digits that they are good for.

use crate::math::fun;
use crate::num;

/// Digits of figures that people read.
const DIGITS: usize = 5;

/// A figure as people read it.
pub fn shown(value: f64, unit: &str) -> String {
    match unit {
        "ohm" => num::engineering(value, "Ω", DIGITS),
        // No prefixes: a thousandth of a ratio is no unit.
        "x" => format!("{} x", num::engineering(value, "", DIGITS)),
        unit => num::engineering(value, unit, DIGITS),
    }
}

/// A difference with the prefix and the decimals of the figure that it stands beside, so that both
/// can be added up: 0.836 W beside 12.836 W.
pub fn shown_beside(apart: f64, figure: f64, unit: &str) -> String {
    let text = shown(figure, unit);
    let plain = shown(apart, unit);
    let Some((number, behind)) = text.split_once(' ') else {
        return plain;
    };
    let decimals = number.split_once('.').map_or(0, |(_, d)| d.len());
    // What is one of the figure's own prefix.
    let scale = match number.parse::<f64>() {
        Ok(shown) if shown != 0.0 => fun::pow(10.0, fun::log10(figure / shown).round()),
        _ => return plain,
    };
    let scaled = format!("{:.decimals$}", apart / scale);
    let is_lost = scaled.bytes().filter(|b| (b'1'..=b'9').contains(b)).count() == 0;
    if is_lost || apart.abs() >= 1e3 * scale {
        plain
    } else {
        format!("{scaled} {behind}")
    }
}

/// A number with its unit and no more digits than a tenth of what is allowed asks for.
pub fn rounded(value: f64, unit: &str, allowed: f64) -> String {
    let order = |v: f64| fun::log10(v.abs()).floor();
    if !value.is_finite() || value == 0.0 || value.abs() < 0.05 * allowed {
        return format!("0 {unit}").trim_end().to_string();
    }
    let digits = order(value) - order(0.1 * allowed) + 1.0;
    let (own, behind) = match unit {
        "x" => ("", " x"),
        "%" => ("", " %"),
        unit => (unit, ""),
    };
    let text = num::engineering(value, own, digits.clamp(1.0, 15.0) as usize);
    let (number, unit) = text.split_once(' ').unwrap_or((&text, ""));
    let number = if number.contains('.') {
        number.trim_end_matches('0').trim_end_matches('.')
    } else {
        number
    };
    format!("{number} {unit}").trim_end().to_string() + behind
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fixed bug: 836.40 mW too high stood beside 12.836 W.
    #[test]
    fn a_difference_has_the_prefix_of_its_figure() {
        assert_eq!(shown_beside(0.8364, 12.8364, "W"), "0.836 W");
        assert_eq!(shown_beside(0.0364, 0.8364, "W"), "36.40 mW");
        assert_eq!(shown_beside(1e-6, 12.8364, "W"), "1.0000 µW");
        assert_eq!(shown_beside(20e3, 12.8364, "ohm"), "20.000 kΩ");
    }

    #[test]
    fn stored_values_have_the_digits_that_the_tolerance_asks_for() {
        for (value, unit, allowed, text) in [
            (196.1712345, "V", 1.9617, "196.2 V"),
            (196.1712345, "V", 0.019617, "196.171 V"),
            (0.00095412, "A", 9.5e-6, "954.1 uA"),
            (100.0, "V", 1.0, "100 V"),
            (-17.0312, "dB", 0.1, "-17.03 dB"),
            (1234.6, "Hz", 12.0, "1.235 kHz"),
            (1e-9, "V", 1e-6, "0 V"),
            (0.5, "x", 0.1, "0.5 x"),
            (5.0312, "%", 0.5, "5.03 %"),
            (47123.0, "ohm", 471.0, "47.12 kohm"),
        ] {
            let written = rounded(value, unit, allowed).replace('µ', "u");
            assert_eq!(written, text);
            // And they are read back as what they are.
            let amount = super::super::amount::read(&written).expect("an amount");
            assert!((amount.number - value).abs() <= 0.06 * allowed, "{text}");
        }
    }
}
