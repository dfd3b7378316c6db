//! What a comment on an element's line says of the part: other readers of netlists skip it.

use nom::Input;

use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::text::Text;
use crate::num::{Role, parse_value};

/// What the part is, as far as its value does not say so.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Notes {
    /// `electrolytic` or `polar`: it has a polarity; the first node is the plus.
    pub polar: bool,
    /// `ripple=0.6A`: ripple current that a capacitor stands, A rms.
    pub ripple: Option<f64>,
    /// `fuse=0.5A`: the part is a fuse, A rms.
    pub fuse: Option<f64>,
    /// `bottle=V1`: which bottle a valve's section is in.
    pub bottle: Option<String>,
}

/// What may stand about a word.
const BRACKETS: [char; 6] = ['(', ')', '[', ']', '.', ':'];

/// What remarks begin with, and what is written in its place.
const REMARKS: [(&str, &[&str]); 5] = [
    ("rated", &["rating", "rate", "raetd", "ratd", "reted"]),
    ("tol", &["tolerance", "toll"]),
    ("ripple", &["riple", "rippel"]),
    ("fuse", &["fused"]),
    ("bottle", &["botle", "bottel"]),
];

/// What looks like a remark but is not written as one, and how it is written: `rated = 1W`,
/// `rating=1W`. `rest` is what follows the word.
fn misspelt(word: &str, rest: &str) -> Option<(String, String)> {
    let by_colon = word.ends_with(':');
    let (key, value) = match word.split_once('=') {
        Some((key, value)) => (key, Some(value)),
        None => (word.trim_end_matches(':'), None),
    };
    let is = |known: &str| key.eq_ignore_ascii_case(known);
    let (remark, others) = REMARKS
        .iter()
        .find(|(remark, others)| is(remark) || others.iter().any(|other| is(other)))?;
    let next = rest.trim_start();
    let first = |text: &str| -> String {
        let text = text.trim_start_matches(['=', ':', ' ', '\t']);
        text.split([' ', '\t', ',', ';', '\n', '\r'])
            .next()
            .unwrap_or("")
            .to_string()
    };
    let shown = match value {
        Some("") => first(next),
        Some(value) if others.iter().any(|other| is(other)) => value.to_string(),
        None if by_colon || next.starts_with(['=', ':']) => first(next),
        _ => return None,
    };
    let starts = |c: char| c.is_ascii_digit() || c == '.' || c == '+' || c == '-';
    let is_value = shown.starts_with(starts) || *remark == "bottle" && !shown.is_empty();
    is_value.then(|| (quoted(word), format!("{remark}={shown}")))
}

/// The words of a comment with what parts them. A comma between two digits is a slip for a point
/// and parts nothing: the whole of `0,5W` is to be seen in the message.
pub(crate) fn comment_words(comment: &str) -> impl Iterator<Item = &str> {
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

/// The notes on an element's line.
pub(crate) fn notes(statement: Text<'_>) -> Notes {
    let mut notes = Notes::default();
    let text = statement.as_str();
    // Most lines have no comment.
    if !text.contains(';') {
        return notes;
    }
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        if let Some(comment) = line.find(';') {
            let mut at = start + comment;
            for word in comment_words(&line[comment..]) {
                let end = |c: char| c.is_whitespace() || c == ',' || c == ';';
                let bare = word.trim_end_matches(end);
                let rest = &line[at - start + word.len()..];
                if let Some((found, write)) = misspelt(bare, rest) {
                    let from = statement.take_from(at);
                    let span = from.span_to(from.take_from(bare.len()));
                    statement.remark(NetlistProblem::UnreadRemark { found, write }, span);
                }
                if let Some((key, value)) = bare.split_once('=') {
                    let amperes = |to: &mut Option<f64>, key: &'static str| match parse_value(
                        value,
                        Role::Current,
                    ) {
                        Ok((number, _)) if number > 0.0 && number.is_finite() => {
                            *to = to.or(Some(number));
                        }
                        _ => {
                            let from = statement.take_from(at + key.len() + 1);
                            let span = from.span_to(from.take_from(value.len()));
                            let found = quoted(value);
                            statement.remark(NetlistProblem::Amperes { key, found }, span);
                        }
                    };
                    match key.to_ascii_lowercase().as_str() {
                        "ripple" => amperes(&mut notes.ripple, "ripple"),
                        "fuse" => amperes(&mut notes.fuse, "fuse"),
                        "bottle" if !value.is_empty() => notes.bottle = Some(value.to_string()),
                        _ => {}
                    }
                } else if ["electrolytic", "polar"]
                    .iter()
                    .any(|w| bare.trim_matches(BRACKETS).eq_ignore_ascii_case(w))
                {
                    notes.polar = true;
                }
                at += word.len();
            }
        }
        start += line.len();
    }
    notes
}
