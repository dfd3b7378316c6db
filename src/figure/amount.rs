//! A number with its unit as people write it: `1.07 mA`, `4k7`, `70 %`, `-3 dB`.

use crate::num::{self, Role};

/// What stands behind a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Behind {
    /// Nothing: the figure's own unit is meant.
    Nothing,
    /// One of [`UNITS`].
    Unit(&'static str),
}

/// A number in base units and what stood behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// In the base unit.
    pub number: f64,
    /// Its unit.
    pub unit: Behind,
}

/// Why a text is no amount.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum BadAmount {
    /// No number at all.
    Number,
    /// A unit that nothing is measured in.
    Unit(String),
    /// A capital M before V, A or W: mega on paper, milli in a netlist.
    Mega(String),
}

/// The units that figures come in, as result files have them.
pub const UNITS: &[&str] = &["V", "A", "W", "ohm", "Hz", "s", "dB", "deg", "%", "x", "C"];

/// Other ways to write them.
const ALIASES: &[(&str, &str)] = &[
    ("Ω", "ohm"),
    ("ohms", "ohm"),
    ("°", "deg"),
    ("°C", "C"),
    ("degrees", "deg"),
];

/// Prefixes and their powers of ten. `M` before Hz or ohm is mega; alone it is milli, as in
/// a netlist.
const PREFIXES: &[(&str, i32)] = &[
    ("meg", 6),
    ("t", 12),
    ("g", 9),
    ("k", 3),
    ("m", -3),
    ("u", -6),
    ("µ", -6),
    ("μ", -6),
    ("n", -9),
    ("p", -12),
    ("f", -15),
];

/// Reads an amount.
///
/// # Errors
/// [`BadAmount`], which says what was not understood.
pub fn read(text: &str) -> Result<Amount, BadAmount> {
    let text = text.trim();
    let (head, tail) = text.split_at(end_of_number(text));
    let tail = tail.trim();
    if head.is_empty() || tail.contains(|c: char| c.is_ascii_digit()) {
        // A value code such as 4k7, or no number.
        let (number, _) = num::parse_value(text, Role::Plain).map_err(|_| BadAmount::Number)?;
        return Ok(Amount {
            number,
            unit: Behind::Nothing,
        });
    }
    let (power, unit) = behind(tail)?;
    let number: f64 = if power == 0 {
        head.parse()
    } else if head.contains(['e', 'E']) {
        head.parse().map(|n: f64| n * 10f64.powi(power))
    } else {
        // As one text, so that the nearest number is found and not a product of two.
        format!("{head}e{power}").parse()
    }
    .map_err(|_| BadAmount::Number)?;
    if number.is_finite() {
        Ok(Amount { number, unit })
    } else {
        Err(BadAmount::Number)
    }
}

/// Where the digits end: sign, digits, point, exponent.
fn end_of_number(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |from: usize| {
        let rest = bytes[from..].iter();
        from + rest.take_while(|b| b.is_ascii_digit()).count()
    };
    let sign = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let mut end = digits(sign);
    let mut some = end > sign;
    if bytes.get(end) == Some(&b'.') {
        let after = digits(end + 1);
        some |= after > end + 1;
        end = after;
    }
    if !some {
        return 0;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let signed = end + 1 + usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let after = digits(signed);
        if after > signed {
            end = after;
        }
    }
    end
}

/// Power of ten and unit of what stands behind a number.
fn behind(tail: &str) -> Result<(i32, Behind), BadAmount> {
    if tail.is_empty() {
        return Ok((0, Behind::Nothing));
    }
    if let Some(unit) = unit(tail) {
        return Ok((0, Behind::Unit(unit)));
    }
    let lower = tail.to_lowercase();
    for &(prefix, power) in PREFIXES {
        if lower == prefix {
            return Ok((power, Behind::Nothing));
        }
        let Some(rest) = lower.strip_prefix(prefix) else {
            continue;
        };
        let Some(unit) = unit(rest).filter(|u| !matches!(*u, "dB" | "%" | "x" | "C" | "deg"))
        else {
            continue;
        };
        // An M is mega where milli would make no sense; elsewhere it could be either.
        if prefix == "m" && tail.starts_with('M') {
            return match unit {
                "Hz" | "ohm" => Ok((6, Behind::Unit(unit))),
                _ => Err(BadAmount::Mega(tail.to_string())),
            };
        }
        return Ok((power, Behind::Unit(unit)));
    }
    Err(BadAmount::Unit(tail.to_string()))
}

fn unit(word: &str) -> Option<&'static str> {
    let same = |known: &str| known.to_lowercase() == word.to_lowercase();
    let own = UNITS.iter().copied().find(|u| same(u));
    own.or_else(|| ALIASES.iter().find(|a| same(a.0)).map(|a| a.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> (f64, &'static str) {
        let amount = read(text).unwrap_or_else(|wrong| panic!("{text}: {wrong:?}"));
        let unit = match amount.unit {
            Behind::Nothing => "",
            Behind::Unit(unit) => unit,
        };
        (amount.number, unit)
    }

    #[test]
    fn numbers_are_read_with_prefix_and_unit() {
        for (text, number, unit) in [
            ("196.2 V", 196.2, "V"),
            ("1.07 mA", 1.07e-3, "A"),
            ("1.07mA", 1.07e-3, "A"),
            ("954 µA", 954e-6, "A"),
            ("4k7", 4700.0, ""),
            ("4.7k", 4700.0, ""),
            ("4.7 kΩ", 4700.0, "ohm"),
            ("1 Mohm", 1e6, "ohm"),
            ("2 MHz", 2e6, "Hz"),
            ("1meg", 1e6, ""),
            ("20m", 0.02, ""),
            ("-3 dB", -3.0, "dB"),
            ("70 %", 70.0, "%"),
            ("1e-3", 1e-3, ""),
            ("1e-3 kV", 1.0, "V"),
            (".5 s", 0.5, "s"),
            ("90 °", 90.0, "deg"),
        ] {
            assert_eq!(of(text), (number, unit), "{text}");
        }
    }

    #[test]
    fn what_is_no_amount_is_told_apart() {
        assert_eq!(read("volts"), Err(BadAmount::Number));
        assert_eq!(read(""), Err(BadAmount::Number));
        assert_eq!(read("1e999"), Err(BadAmount::Number));
        assert_eq!(read("5 furlong"), Err(BadAmount::Unit("furlong".into())));
        // A farad and not femto: nothing is measured in it.
        assert_eq!(read("10 pF"), Err(BadAmount::Unit("pF".into())));
        assert_eq!(read("1 MV"), Err(BadAmount::Mega("MV".into())));
    }
}
