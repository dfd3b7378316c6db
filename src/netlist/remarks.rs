//! What a comment on an element's line says of the part: other readers of netlists skip it.

use nom::Input;

use crate::diag::Span;
use crate::netlist::name::Name;
use crate::netlist::notes::Notes;
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::{Tolerance, Value};
use crate::netlist::text::Text;
use crate::num::{Role, parse_value};

/// What may stand about a word.
const BRACKETS: [char; 6] = ['(', ')', '[', ']', '.', ':'];

/// What remarks begin with, and what is written in its place.
const REMARKS: [(&str, &[&str]); 6] = [
    ("rated", &["rating", "rate", "raetd", "ratd", "reted"]),
    ("tol", &["tolerance", "toll"]),
    ("ripple", &["riple", "rippel"]),
    ("fuse", &["fused"]),
    ("bottle", &["botle", "bottel"]),
    ("heater", &[]),
];

/// Units that may be written apart from their number, as in `rated=250 mW` and `tol=5 %`: all those that
/// a remark is read in, so that a wrong one is seen too. A small `a` is an article.
const UNITS: [&str; 12] = [
    "%", "W", "w", "mW", "kW", "V", "v", "mV", "kV", "A", "mA", "uA",
];

/// The unit that stands by itself after a number, with its place in what follows the word.
fn unit_apart(rest: &str) -> Option<(usize, &str)> {
    let unit = rest.trim_start_matches([' ', '\t']);
    let start = rest.len() - unit.len();
    let end = unit.find(|c: char| c.is_whitespace() || ",;)]".contains(c));
    let unit = &unit[..end.unwrap_or(unit.len())];
    UNITS.contains(&unit).then_some((start, unit))
}

/// Whether a text begins as a number does.
fn begins_a_number(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_digit() || ".+-\u{b1}".contains(c))
}

/// Whether `rated 0.25W` in a sentence is meant as a remark: a number with the unit of it.
fn is_amount(remark: &str, text: &str, rest: &str) -> bool {
    let units: &[char] = match remark {
        "rated" => &['W', 'w', 'V', 'v'],
        "tol" => &['%'],
        "bottle" | "heater" => return false,
        _ => &['A', 'a'],
    };
    let apart = || unit_apart(rest).is_some_and(|(_, unit)| unit.ends_with(units));
    begins_a_number(text) && (text.ends_with(units) || apart())
}

/// What looks like a remark but is not written as one, and how it is written: `rated = 1W`,
/// `rating=1W`, `rated:1W`, `rated 1W`. `rest` is what follows the word.
fn misspelt(word: &str, rest: &str) -> Option<(String, String)> {
    let (key, value) = match word.split_once(['=', ':']) {
        Some((key, value)) => (key, Some(value)),
        None => (word, None),
    };
    let is = |known: &str| key.eq_ignore_ascii_case(known);
    let (remark, _) = REMARKS
        .iter()
        .find(|(remark, others)| is(remark) || others.iter().any(|other| is(other)))?;
    let next = rest.trim_start();
    let cut = |text: &str| -> String {
        let end = |c: char| c.is_whitespace() || ",;()[]".contains(c);
        text.split(end).next().unwrap_or("").to_string()
    };
    // A unit that stands apart belongs to what is to be written.
    let with_unit = |found: String, rest: &str| {
        let unit = unit_apart(rest).map_or("", |(_, unit)| unit);
        if found.ends_with(|c: char| c.is_ascii_digit()) {
            found + unit
        } else {
            found
        }
    };
    let first = |text: &str| {
        let text = text.trim_start_matches(['=', ':', ' ', '\t']);
        let found = cut(text);
        let rest = &text[found.len()..];
        with_unit(found, rest)
    };
    let by_equals = word[key.len()..].starts_with('=');
    let shown = match value {
        Some("") => first(next),
        Some(_) if by_equals && is(remark) => return None,
        Some(value) => value.to_string(),
        None if next.starts_with('=') => first(next),
        None if next.starts_with(':') && *remark != "heater" => first(next),
        None => {
            let found = cut(next);
            let rest = &next[found.len()..];
            if !is_amount(remark, &found, rest) {
                return None;
            }
            with_unit(found, rest)
        }
    };
    let is_value = match *remark {
        // `heater = 6.3V` and `heater: 6.3V` name no node.
        "heater" => {
            let is_node = !shown.is_empty() && !begins_a_number(&shown);
            is_node && (by_equals || value.is_none())
        }
        "bottle" => !shown.is_empty(),
        _ => begins_a_number(&shown),
    };
    is_value.then(|| (quoted(word), format!("{remark}={shown}")))
}

/// The words of a comment with what parts them. A comma between two digits is a slip for a point
/// and parts nothing: the whole of `0,5W` is to be seen in the message.
fn comment_words(comment: &str) -> impl Iterator<Item = &str> {
    let is_digit = |b: Option<&u8>| b.is_some_and(u8::is_ascii_digit);
    let bytes = comment.as_bytes();
    let mut start = 0;
    std::iter::from_fn(move || {
        let rest = &comment[start..];
        let parts = |(at, c): (usize, char)| {
            let k = start + at;
            let is_decimal = k > 0 && is_digit(bytes.get(k - 1)) && is_digit(bytes.get(k + 1));
            match c {
                ' ' | '\t' | ';' => true,
                ',' => !is_decimal,
                _ => false,
            }
        };
        let end = rest.char_indices().find(|&found| parts(found));
        let word = &rest[..end.map_or(rest.len(), |(at, _)| at + 1)];
        start += word.len();
        (!word.is_empty()).then_some(word)
    })
}

/// All that the comments of an element's statement say of the part.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Remarks {
    /// `rated=450V`: what it stands.
    pub rated: Option<Value>,
    /// `tol=5%`: how far it may be off.
    pub tolerance: Option<Tolerance>,
    /// The rest.
    pub notes: Notes,
}

/// What the part on a line is rated in, and units that it is not rated in.
fn rated_in(line: &str) -> (&'static str, &'static [char]) {
    let letter = line.trim_start().chars().next();
    match letter.map(|c| c.to_ascii_uppercase()) {
        Some('R' | 'Q' | 'J' | 'M') => ("watts", &['V', 'A', '%']),
        Some('C') => ("volts", &['W', 'A', '%']),
        Some('D') => ("volts, or the watts of a zener,", &['A', '%']),
        _ => ("watts or volts", &['A', '%']),
    }
}

/// Keeps what a remark says, unless another said it before: then which one counts is reported.
fn once<T>(to: &mut Option<T>, value: T, statement: Text<'_>, remark: Remark<'_>) {
    if to.is_none() {
        *to = Some(value);
    } else {
        let found = quoted(&format!("{}={}", remark.key, remark.value));
        let problem = NetlistProblem::RemarkTwice { found };
        statement.remark(problem, remark.whole);
    }
}

/// `key=value` and where it stands.
#[derive(Clone, Copy)]
struct Remark<'t> {
    key: &'t str,
    value: &'t str,
    whole: Span,
    /// Where the value stands.
    span: Span,
}

impl Remarks {
    /// Takes in what one `key=value` says.
    fn take(&mut self, statement: Text<'_>, remark: Remark<'_>) {
        let (value, span) = (remark.value, remark.span);
        let amount = |role| match parse_value(value, role) {
            Ok((number, _)) if number > 0.0 && number.is_finite() => Some(number),
            _ => None,
        };
        let amperes = |to: &mut Option<f64>, key| match amount(Role::Current) {
            Some(number) => once(to, number, statement, remark),
            None => {
                let found = quoted(value);
                statement.remark(NetlistProblem::Amperes { key, found }, span);
            }
        };
        match remark.key.to_ascii_lowercase().as_str() {
            "rated" => {
                let (expected, others) = rated_in(statement.as_str());
                let unit = value.chars().next_back().map(|c| c.to_ascii_uppercase());
                let is_other = unit.is_some_and(|unit| others.contains(&unit));
                match amount(Role::Plain).filter(|_| !is_other) {
                    Some(number) => {
                        let text = value.to_string();
                        let value = Value { number, text, span };
                        once(&mut self.rated, value, statement, remark);
                    }
                    None => {
                        let found = quoted(value);
                        statement.remark(NetlistProblem::Rated { expected, found }, span);
                    }
                }
            }
            "tol" => match Tolerance::parse(value) {
                Some(read) => once(&mut self.tolerance, read, statement, remark),
                None => statement.remark(NetlistProblem::Tolerance(quoted(value)), span),
            },
            "ripple" => amperes(&mut self.notes.ripple, "ripple"),
            "fuse" => amperes(&mut self.notes.fuse, "fuse"),
            "bottle" if !value.is_empty() => {
                once(&mut self.notes.bottle, value.to_string(), statement, remark);
            }
            "heater" if !value.is_empty() => {
                let text = value.to_string();
                once(
                    &mut self.notes.heater,
                    Name { text, span },
                    statement,
                    remark,
                );
            }
            _ => {}
        }
    }

    /// Takes in a word of a comment, which begins at `at`; `rest` follows it.
    fn word(&mut self, statement: Text<'_>, at: usize, word: &str, rest: &str) {
        let end = |c: char| c.is_whitespace() || c == ',' || c == ';';
        let bare = word.trim_end_matches(end);
        let is_polar = |w: &&str| bare.trim_matches(BRACKETS).eq_ignore_ascii_case(w);
        self.notes.polar |= ["electrolytic", "polar"].iter().any(is_polar);
        // A remark may stand in brackets.
        let inner = bare.trim_start_matches(['(', '[']);
        let at = at + bare.len() - inner.len();
        let inner = if inner.contains(['(', '[']) {
            inner
        } else {
            inner.trim_end_matches([')', ']'])
        };
        let place = |from: usize, to: usize| {
            let from_here = statement.take_from(from);
            from_here.span_to(from_here.take_from(to - from))
        };
        if let Some((found, write)) = misspelt(inner, rest) {
            let span = place(at, at + inner.len());
            statement.remark(NetlistProblem::UnreadRemark { found, write }, span);
            return;
        }
        let Some((key, value)) = inner.split_once('=') else {
            return;
        };
        let start = at + key.len() + 1;
        // `5 %`: the unit stands apart from a number that has none.
        let blanks = &word[bare.len()..];
        let lacks_unit = value.ends_with(|c: char| c.is_ascii_digit() || c == '.');
        let is_apart = bare.ends_with(value) && !blanks.contains([',', ';']);
        let unit = unit_apart(rest).filter(|_| lacks_unit && is_apart);
        let joined = unit.map(|(_, unit)| format!("{value}{unit}"));
        let stop = match unit {
            Some((skip, unit)) => start + value.len() + blanks.len() + skip + unit.len(),
            None => start + value.len(),
        };
        let remark = Remark {
            key,
            value: joined.as_deref().unwrap_or(value),
            whole: place(at, stop),
            span: place(start, stop),
        };
        self.take(statement, remark);
    }
}

/// What the comments on an element's statement say: other readers of netlists ignore them.
pub(crate) fn remarks(statement: Text<'_>) -> Remarks {
    let mut remarks = Remarks::default();
    let text = statement.as_str();
    // Most statements have no comment.
    if !text.contains(';') {
        return remarks;
    }
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        if let Some(comment) = line.find(';') {
            let mut at = comment;
            for word in comment_words(&line[comment..]) {
                let rest = &line[at + word.len()..];
                remarks.word(statement, start + at, word, rest);
                at += word.len();
            }
        }
        start += line.len();
    }
    remarks
}

#[cfg(test)]
mod tests {
    use crate::circuit::Circuit;
    use crate::netlist::statement::Tolerance;

    fn tolerance(comment: &str) -> Option<Tolerance> {
        let text = format!("t\nV1 a 0 1\nR1 a 0 1k ; {comment}\n");
        let circuit = Circuit::from_text(&text).expect("a circuit");
        circuit.element("R1").expect("a resistor").tolerance
    }

    /// A fixed bug: `0.5 %` was read as a half, for the sign stood apart.
    #[test]
    fn a_percentage_may_stand_apart() {
        for (written, part) in [
            ("tol=50 %", 0.5),
            ("tol=0.5 %", 0.005),
            ("tol=+-5%", 0.05),
            ("tol=+-5 %, carbon", 0.05),
            ("(tol=5 %)", 0.05),
            ("(tol=5%)", 0.05),
            ("tol=0.05", 0.05),
            ("tol=0.05, % unknown", 0.05),
        ] {
            assert_eq!(tolerance(written), Some(Tolerance::both(part)), "{written}");
        }
        let (low, high) = (-0.2, 0.5);
        let uneven = Some(Tolerance { low, high });
        assert_eq!(tolerance("tol=-20..+50 %"), uneven);
        assert_eq!(tolerance("tolerant of heat"), None);
    }
}
