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
