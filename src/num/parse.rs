//! Numbers in: scale suffixes, value codes and doubts about them.

use nom::bytes::complete::take_while;
use nom::character::complete::{digit0, digit1, one_of, satisfy};
use nom::combinator::{all_consuming, fail, opt, recognize, rest};
use nom::sequence::preceded;
use nom::{IResult, Parser};
use thiserror::Error;

/// What a number stands for: it decides what the letter M means in a value code and which
/// values look like a slip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Nothing is known: an M between digits is mega.
    Plain,
    /// Ohms: an M between digits is mega.
    Resistance,
    /// Farads: an M between digits is milli.
    Capacitance,
    /// Henries: an M between digits is milli.
    Inductance,
    /// Volts: an M between digits is milli.
    Voltage,
    /// Amperes: an M between digits is milli.
    Current,
    /// Seconds: an M between digits is milli.
    Time,
    /// Hertz: an M between digits is mega.
    Frequency,
}

/// A number that was read as the rules say but that few builders would mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the remarks below say it
pub enum Doubt {
    MilliohmSuffix,
    MillihertzSuffix,
    LowerCaseMega,
    UpperCaseMilli,
    FemtofaradSuffix,
    OldMicrofarad,
    BareMicrofarad,
    MilForMilli,
    TinyResistance,
    HugeResistance,
    TinyCapacitance,
    HugeCapacitance,
    HugeInductance,
}

impl Doubt {
    /// What is odd about it and what to write instead.
    pub fn remark(self) -> (&'static str, &'static str) {
        match self {
            Doubt::MilliohmSuffix => (
                "is read as milliohms",
                "the suffix M is milli; for megohms write MEG",
            ),
            Doubt::MillihertzSuffix => (
                "is read as millihertz",
                "the suffix M is milli; for megahertz write MEG",
            ),
            Doubt::LowerCaseMega => (
                "is read as megohms",
                "write MEG for mega; for milliohms write 0.0022 and not 2m2",
            ),
            Doubt::UpperCaseMilli => (
                "is read as thousandths",
                "an M between digits is milli here; for millions write MEG",
            ),
            Doubt::FemtofaradSuffix => (
                "is read as femtofarads",
                "the suffix F is femto and not the unit; for farads leave it out",
            ),
            Doubt::OldMicrofarad => (
                "is read as millifarads",
                "the suffix M is milli; for microfarads write u, for picofarads p",
            ),
            Doubt::BareMicrofarad => (
                "is read as farads",
                "old drawings give capacitors in microfarads: write a u after the number",
            ),
            Doubt::MilForMilli => (
                "is read in thousandths of an inch",
                "the suffix MIL is 25.4e-6; for thousandths write m",
            ),
            Doubt::TinyResistance => ("is less than 10 milliohms", "was k or MEG left out?"),
            Doubt::HugeResistance => (
                "is more than 100 gigaohms",
                "was one of k and MEG meant? Leave the resistor out to open the circuit",
            ),
            Doubt::TinyCapacitance => (
                "is less than 0.01 picofarads",
                "values are in farads: write 100p, 22n or 10u",
            ),
            Doubt::HugeCapacitance => (
                "is more than one farad",
                "values are in farads: write 100p, 22n or 10u",
            ),
            Doubt::HugeInductance => (
                "is more than 100 kilohenries",
                "values are in henries: write 10 for 10 H, 5m for 5 mH",
            ),
        }
    }

    /// What to write instead of this text.
    pub fn advice(self, text: &str) -> String {
        match self {
            Doubt::BareMicrofarad => {
                format!("old drawings give capacitors in microfarads: write `{text}u`")
            }
            other => other.remark().1.into(),
        }
    }
}

/// Why a word is not a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum NumberError {
    /// `1.2.3`, `--4`, `k`.
    #[error("not a number")]
    Malformed,
    /// More than 1.8e308.
    #[error("too large")]
    TooLarge,
}

/// A number with suffix or value code whose use is not known, as on the command line.
pub fn parse(text: &str) -> Option<f64> {
    parse_value(text, Role::Plain)
        .ok()
        .map(|(number, _)| number)
}

/// A percentage with or without its sign, in per cent: 0.5 for `0.5` and `0.5 %` alike.
pub fn percent(text: &str) -> Option<f64> {
    parse(before_percent_sign(text))
}

/// What stands before the sign of a percentage, if there is one.
pub fn before_percent_sign(text: &str) -> &str {
    let text = text.trim();
    text.strip_suffix('%').unwrap_or(text).trim_end()
}

/// A number with suffix or value code, and a doubt if it looks like a slip. Always finite.
pub fn parse_value(text: &str, role: Role) -> Result<(f64, Option<Doubt>), NumberError> {
    let (_, written) = coded(text, role)
        .or_else(|_| scaled(text))
        .map_err(|_| NumberError::Malformed)?;
    if !written.unit.chars().all(char::is_alphabetic) {
        return Err(NumberError::Malformed);
    }
    let number = written.number()?;
    Ok((number, written.doubt(number, role)))
}

/// The parts of a number as written.
struct Written<'a> {
    sign: Option<char>,
    whole: &'a str,
    fraction: &'a str,
    exponent: i64,
    /// Multiplies besides the power of ten: 25.4 for MIL.
    factor: f64,
    /// The letters that scaled, as written.
    scale: &'a str,
    /// Whether the scale stood in place of the decimal mark.
    code: bool,
    /// The letters after it, which are ignored.
    unit: &'a str,
}

impl Written<'_> {
    fn number(&self) -> Result<f64, NumberError> {
        // One decimal text, so that 4.7n is the double nearest to 4.7e-9 and not a product.
        let sign = if self.sign == Some('-') { "-" } else { "" };
        let exponent = self.exponent.clamp(-100_000, 100_000);
        let text = format!("{sign}{}.{}e{exponent}", self.whole, self.fraction);
        let number: f64 = text.parse().map_err(|_| NumberError::Malformed)?;
        let number = number * self.factor;
        if number.is_finite() {
            Ok(number)
        } else {
            Err(NumberError::TooLarge)
        }
    }

    fn doubt(&self, number: f64, role: Role) -> Option<Doubt> {
        let size = number.abs();
        let letter = self.scale.chars().next();
        let milli = matches!(letter, Some('m' | 'M')) && self.scale.len() == 1;
        let unit = self.unit.to_ascii_lowercase();
        if self.scale.eq_ignore_ascii_case("mil") && unit.starts_with('l') {
            return Some(Doubt::MilForMilli);
        }
        if self.code && milli {
            let mega = code_power('m', role) == Some(6);
            match letter {
                Some('m') if mega => return Some(Doubt::LowerCaseMega),
                Some('M') if !mega && role != Role::Capacitance => {
                    return Some(Doubt::UpperCaseMilli);
                }
                _ => {}
            }
        }
        match role {
            Role::Resistance if !self.code && letter == Some('M') && milli => {
                Some(Doubt::MilliohmSuffix)
            }
            Role::Frequency if !self.code && letter == Some('M') && milli => {
                Some(Doubt::MillihertzSuffix)
            }
            Role::Resistance if size > 0.0 && size < 0.01 => Some(Doubt::TinyResistance),
            Role::Resistance if size > 1e11 => Some(Doubt::HugeResistance),
            Role::Capacitance if matches!(letter, Some('f' | 'F')) => Some(Doubt::FemtofaradSuffix),
            Role::Capacitance if milli && matches!(unit.as_str(), "fd" | "mf" | "mfd") => {
                Some(Doubt::OldMicrofarad)
            }
            // As old drawings have it: .022, 0.1.
            Role::Capacitance
                if self.scale.is_empty()
                    && self.unit.is_empty()
                    && self.exponent == 0
                    && !self.fraction.is_empty()
                    && (5e-4..1.0).contains(&size) =>
            {
                Some(Doubt::BareMicrofarad)
            }
            Role::Capacitance if size > 1.0 => Some(Doubt::HugeCapacitance),
            Role::Capacitance if size > 0.0 && size < 1e-14 => Some(Doubt::TinyCapacitance),
            Role::Inductance if size > 1e5 => Some(Doubt::HugeInductance),
            _ => None,
        }
    }
}

/// `12.5e-3k` and letters.
fn scaled(text: &str) -> IResult<&str, Written<'_>> {
    let (text, sign) = opt(one_of("+-")).parse(text)?;
    let (text, whole) = digit0(text)?;
    let (text, fraction) = opt(preceded(one_of("."), digit0)).parse(text)?;
    let fraction = fraction.unwrap_or("");
    if whole.is_empty() && fraction.is_empty() {
        return fail().parse(text);
    }
    let (text, power) = opt(preceded(
        one_of("eE"),
        recognize((opt(one_of("+-")), digit1)),
    ))
    .parse(text)?;
    let power = power.map_or(0, saturating);
    let (text, letters) = rest(text)?;
    let (length, shift, factor) = suffix(letters);
    Ok((
        text,
        Written {
            sign,
            whole,
            fraction,
            exponent: power + shift,
            factor,
            scale: &letters[..length],
            code: false,
            unit: &letters[length..],
        },
    ))
}

/// `4k7`: a scale letter in place of the decimal mark, digits after it.
fn coded(text: &str, role: Role) -> IResult<&str, Written<'_>> {
    let (text, sign) = opt(one_of("+-")).parse(text)?;
    let (text, whole) = digit0(text)?;
    let allowed = |c: char| {
        if whole.is_empty() {
            leads(c, role)
        } else {
            code_power(c, role).is_some()
        }
    };
    let (after, letter) = satisfy(allowed).parse(text)?;
    let scale = &text[..letter.len_utf8()];
    let (text, fraction) = digit1(after)?;
    let (text, unit) = all_consuming(take_while(char::is_alphabetic)).parse(text)?;
    Ok((
        text,
        Written {
            sign,
            whole,
            fraction,
            exponent: code_power(letter, role).unwrap_or(0),
            factor: 1.0,
            scale,
            code: true,
            unit,
        },
    ))
}

/// The power of ten of a letter between digits.
fn code_power(letter: char, role: Role) -> Option<i64> {
    let mega = matches!(role, Role::Plain | Role::Resistance | Role::Frequency);
    Some(match letter.to_ascii_lowercase() {
        't' => 12,
        'g' => 9,
        'm' if mega => 6,
        'k' => 3,
        'r' => 0,
        'm' => -3,
        'u' | 'µ' | 'μ' => -6,
        'n' => -9,
        'p' => -12,
        'f' => -15,
        _ => return None,
    })
}

/// Whether a value code may begin with a letter (`R47`, `p33`). Only where no name can stand
/// and where IEC 60062 uses the letter, so that `V1 a b n1` stays a mistake.
fn leads(letter: char, role: Role) -> bool {
    let letter = letter.to_ascii_lowercase();
    match role {
        Role::Plain => letter == 'r',
        Role::Resistance => matches!(letter, 'r' | 'k' | 'm' | 'g' | 't'),
        Role::Capacitance => matches!(letter, 'p' | 'n' | 'u' | 'µ' | 'μ' | 'm'),
        Role::Inductance => matches!(letter, 'n' | 'u' | 'µ' | 'μ' | 'm'),
        Role::Voltage | Role::Current | Role::Time | Role::Frequency => false,
    }
}

/// Length, power of ten and further factor of the scale suffix that letters begin with.
fn suffix(letters: &str) -> (usize, i64, f64) {
    let begins = |word: &str| {
        letters
            .get(..word.len())
            .is_some_and(|l| l.eq_ignore_ascii_case(word))
    };
    if begins("meg") {
        return (3, 6, 1.0);
    }
    if begins("mil") {
        return (3, -6, 25.4);
    }
    match letters.chars().next() {
        Some(c) if !matches!(c, 'r' | 'R') => match code_power(c, Role::Capacitance) {
            Some(power) => (c.len_utf8(), power, 1.0),
            None => (0, 0, 1.0),
        },
        _ => (0, 0, 1.0),
    }
}

/// An exponent; one beyond all doubles stays beyond.
fn saturating(digits: &str) -> i64 {
    let limit = if digits.starts_with('-') {
        -100_000
    } else {
        100_000
    };
    digits.parse().unwrap_or(limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, role: Role) -> f64 {
        parse_value(text, role)
            .unwrap_or_else(|e| panic!("{text}: {e}"))
            .0
    }

    // SPICE 2G6 user's guide (Vladimirescu, Zhang, Newton, Pederson, Sangiovanni-Vincentelli,
    // Berkeley 1981), section 3, scale factors; from memory.
    #[test]
    fn the_published_suffixes_scale() {
        for (text, number) in [
            ("1t", 1e12),
            ("1G", 1e9),
            ("1meg", 1e6),
            ("1MEG", 1e6),
            ("1K", 1e3),
            ("1M", 1e-3),
            ("1m", 1e-3),
            ("1u", 1e-6),
            ("1N", 1e-9),
            ("1p", 1e-12),
            ("1F", 1e-15),
            ("1", 1.0),
            ("-1.5", -1.5),
            ("+2", 2.0),
            (".5", 0.5),
            ("5.", 5.0),
            ("1e3k", 1e6),
            ("1e-3meg", 1e3),
            ("1E3", 1e3),
            ("2e", 2.0),
        ] {
            assert_eq!(parse(text), Some(number), "{text}");
        }
        assert!((read("1mil", Role::Plain) - 25.4e-6).abs() < 1e-20);
        assert_eq!(parse("10µF"), Some(10e-6));
    }

    #[test]
    fn letters_after_the_suffix_are_ignored() {
        for (text, number) in [
            ("10uF", 10e-6),
            ("4.7kohm", 4700.0),
            ("100meg", 1e8),
            ("100megohm", 1e8),
            ("1kfoo", 1e3),
            ("10volts", 10.0),
            ("3x", 3.0),
            ("250V", 250.0),
            ("330r", 330.0),
            ("60Hz", 60.0),
            ("10Ω", 10.0),
            ("2kΩ", 2e3),
        ] {
            assert_eq!(parse(text), Some(number), "{text}");
        }
    }

    // IEC 60062, resistance and capacitance codes; from memory.
    #[test]
    fn value_codes_put_the_letter_at_the_decimal_mark() {
        for (text, role, number) in [
            ("4k7", Role::Resistance, 4700.0),
            ("2M2", Role::Resistance, 2.2e6),
            ("2m2", Role::Resistance, 2.2e6),
            ("1R5", Role::Resistance, 1.5),
            ("R47", Role::Resistance, 0.47),
            ("0k33", Role::Resistance, 330.0),
            ("4K7J", Role::Resistance, 4700.0),
            ("1G0", Role::Resistance, 1e9),
            ("4n7", Role::Capacitance, 4.7e-9),
            ("2m2", Role::Capacitance, 2.2e-3),
            ("2M2", Role::Capacitance, 2.2e-3),
            ("p33", Role::Capacitance, 0.33e-12),
            ("6p8", Role::Capacitance, 6.8e-12),
            ("2m5", Role::Inductance, 2.5e-3),
            ("2M2", Role::Plain, 2.2e6),
            ("R47", Role::Plain, 0.47),
            ("-4k7", Role::Resistance, -4700.0),
        ] {
            assert_eq!(read(text, role), number, "{text}");
        }
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in [
            "", "-", "--4", "1.2.3", "k", ".", "1e400", "4meg7", "1.5k2", "1 2", "nan", "inf",
            "10%", "3V3", "0x10", "1e+", "n1", "é", "1_000", "+R", "4k7.1",
        ] {
            assert_eq!(parse(text), None, "{text}");
        }
        let huge = parse_value("1e99999999999999999999", Role::Plain);
        assert_eq!(huge, Err(NumberError::TooLarge));
        assert_eq!(parse("1e-99999999999999999999"), Some(0.0));
    }

    #[test]
    fn slips_raise_a_doubt_and_usual_values_do_not() {
        let doubt = |text, role| parse_value(text, role).ok().and_then(|(_, d)| d);
        for (text, role, expected) in [
            ("1M", Role::Resistance, Doubt::MilliohmSuffix),
            ("1Mohm", Role::Resistance, Doubt::MilliohmSuffix),
            ("1M", Role::Frequency, Doubt::MillihertzSuffix),
            ("1MHz", Role::Frequency, Doubt::MillihertzSuffix),
            ("2m2", Role::Resistance, Doubt::LowerCaseMega),
            ("2M2", Role::Voltage, Doubt::UpperCaseMilli),
            ("1m", Role::Resistance, Doubt::TinyResistance),
            ("1T", Role::Resistance, Doubt::HugeResistance),
            ("1F", Role::Capacitance, Doubt::FemtofaradSuffix),
            ("20mfd", Role::Capacitance, Doubt::OldMicrofarad),
            (".022", Role::Capacitance, Doubt::BareMicrofarad),
            ("0.1", Role::Capacitance, Doubt::BareMicrofarad),
            ("100", Role::Capacitance, Doubt::HugeCapacitance),
            ("0.001p", Role::Capacitance, Doubt::TinyCapacitance),
            ("1meg", Role::Inductance, Doubt::HugeInductance),
            ("5milliamp", Role::Current, Doubt::MilForMilli),
        ] {
            assert_eq!(doubt(text, role), Some(expected), "{text}");
        }
        for (text, role) in [
            ("1meg", Role::Resistance),
            ("2M2", Role::Resistance),
            ("4k7", Role::Resistance),
            ("100m", Role::Resistance),
            ("-1k", Role::Resistance),
            ("10G", Role::Resistance),
            ("10uF", Role::Capacitance),
            ("2m2", Role::Capacitance),
            ("1p", Role::Capacitance),
            ("10mF", Role::Capacitance),
            ("100H", Role::Inductance),
            ("1MEGHz", Role::Frequency),
            ("1m", Role::Frequency),
            ("1mHz", Role::Frequency),
            ("250m", Role::Voltage),
            ("10mils", Role::Plain),
            ("0", Role::Capacitance),
        ] {
            assert_eq!(doubt(text, role), None, "{text}");
        }
    }
}
