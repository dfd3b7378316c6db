//! The pieces that the statements are made of: nodes, quantities, settings.

use nom::Parser;
use nom::branch::alt;
use nom::bytes::complete::tag;
use nom::combinator::{not, opt, peek};
use nom::multi::many0;
use nom::sequence::terminated;

use crate::diag::Span;
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::{Assign, Name, Value};
use crate::netlist::text::{
    Parsed, Text, Trouble, found, gap, need, next_span, symbol, word, wrong,
};
use crate::num::{self, NumberError, Role};

/// A name that must be there. `what` names it with its article.
pub(crate) fn required<'a>(i: Text<'a>, what: impl Fn() -> String) -> Parsed<'a, Name> {
    let (i, ()) = gap(i)?;
    match opt(word).parse(i)? {
        (rest, Some(word)) => Ok((rest, word)),
        (i, None) if i.as_str().is_empty() => {
            Err(wrong(NetlistProblem::Missing { what: what() }, i.span()))
        }
        (i, None) => Err(wrong(
            NetlistProblem::NotAName { found: found(i) },
            next_span(i),
        )),
    }
}

/// One node of an element.
pub(crate) fn node<'a>(i: Text<'a>, owner: &str) -> Parsed<'a, Name> {
    required(i, || format!("a node of `{}`", quoted(owner)))
}

/// Two nodes of an element.
pub(crate) fn pair<'a>(i: Text<'a>, owner: &str) -> Parsed<'a, [Name; 2]> {
    let (i, first) = node(i, owner)?;
    let (i, second) = node(i, owner)?;
    Ok((i, [first, second]))
}

/// A number that must be there. `what` names it with its article.
pub(crate) fn quantity<'a>(i: Text<'a>, what: &str, role: Role) -> Parsed<'a, Value> {
    let (rest, word) = required(i, || what.to_string())?;
    Ok((rest, as_number(i, word, what, role)?))
}

/// A number if the next word is one and names no setting.
pub(crate) fn number<'a>(i: Text<'a>, role: Role) -> Parsed<'a, Value> {
    let (rest, word) = positional(i)?;
    if num::parse_value(&word.text, role) == Err(NumberError::Malformed)
        && !begins_as_number(&word.text)
    {
        return Err(nom::Err::Error(Trouble::NotHere));
    }
    Ok((rest, as_number(i, word, "a number", role)?))
}

/// Numbers as long as they come.
pub(crate) fn numbers<'a>(i: Text<'a>, role: Role) -> Parsed<'a, Vec<Value>> {
    many0(|i| number(i, role)).parse(i)
}

/// A word that is not followed by `=`.
pub(crate) fn positional(i: Text<'_>) -> Parsed<'_, Name> {
    terminated(word, not(peek(symbol('=')))).parse(i)
}

/// `name=`, the part of a setting before its value.
pub(crate) fn setting_name(i: Text<'_>) -> Parsed<'_, Name> {
    terminated(word, symbol('=')).parse(i)
}

/// The value of a setting: a number, or a word (`taper=audio`), whose number is NaN.
pub(crate) fn setting_value<'a>(i: Text<'a>, setting: &Name) -> Parsed<'a, Value> {
    let what = || format!("a value of `{}`", quoted(&setting.text));
    let (rest, word) = required(i, what)?;
    // A parameter called r is a resistance wherever it stands: a pot of 1M is a slip.
    let role = match setting.text.as_str() {
        "r" | "R" => Role::Resistance,
        _ => Role::Plain,
    };
    if begins_as_number(&word.text) || num::parse_value(&word.text, role).is_ok() {
        return Ok((rest, as_number(i, word, &what(), role)?));
    }
    let value = Value {
        number: f64::NAN,
        text: word.text,
        span: word.span,
    };
    Ok((rest, value))
}

/// `name=value`, where every name and the `=` must be there.
pub(crate) fn setting(i: Text<'_>) -> Parsed<'_, Assign> {
    let (i, name) = word(i)?;
    let (i, ()) = need(i, "=")?;
    let (i, value) = setting_value(i, &name)?;
    Ok((i, Assign { name, value }))
}

/// A word as a number, with a remark if it looks like a slip.
pub(crate) fn as_number(
    i: Text<'_>,
    word: Name,
    what: &str,
    role: Role,
) -> Result<Value, nom::Err<Trouble>> {
    let Name { text, span } = word;
    match num::parse_value(&text, role) {
        Ok((number, doubt)) => {
            if let Some(doubt) = doubt {
                i.remark(
                    NetlistProblem::Doubtful {
                        text: text.clone(),
                        doubt,
                    },
                    span,
                );
            }
            Ok(Value { number, text, span })
        }
        Err(NumberError::TooLarge) => Err(wrong(
            NetlistProblem::TooLarge {
                text: quoted(&text),
            },
            span,
        )),
        Err(NumberError::Malformed) => {
            let (what, found) = (what.to_string(), quoted(&text));
            Err(wrong(NetlistProblem::NotANumber { what, found }, span))
        }
    }
}

/// Something that may be given once.
pub(crate) fn once<T>(
    place: &mut Option<T>,
    given: T,
    what: &str,
    span: Span,
) -> Result<(), nom::Err<Trouble>> {
    match place.replace(given) {
        None => Ok(()),
        Some(_) => Err(wrong(
            NetlistProblem::GivenTwice {
                what: what.to_string(),
            },
            span,
        )),
    }
}

/// Finds the first parenthesis without its partner. Comments do not count.
pub(crate) fn balanced(i: Text<'_>) -> Parsed<'_, ()> {
    if !i.as_str().contains(['(', ')']) {
        return Ok((i, ()));
    }
    let mut open = Vec::new();
    let mut rest = i;
    while !rest.as_str().is_empty() {
        (rest, ()) = crate::netlist::text::blank(rest)?;
        let (after, found) = alt((tag("("), tag(")"), plain)).parse(rest)?;
        match found.as_str() {
            "(" => open.push(found.span()),
            ")" if open.pop().is_none() => {
                return Err(wrong(NetlistProblem::Unopened, found.span()));
            }
            // A line end that nothing continues; statements do not have one.
            "" => break,
            _ => {}
        }
        rest = after;
    }
    match open.pop() {
        Some(span) => Err(wrong(NetlistProblem::Unclosed, span)),
        None => Ok((i, ())),
    }
}

/// What is neither blank nor parenthesis; nothing at the end.
fn plain(i: Text<'_>) -> Parsed<'_, Text<'_>> {
    nom::bytes::complete::take_while(|c: char| !c.is_whitespace() && !"();".contains(c)).parse(i)
}

fn begins_as_number(text: &str) -> bool {
    let digits = text.trim_start_matches(['+', '-']);
    digits.starts_with(|c: char| c.is_ascii_digit() || c == '.')
}

/// The word POLY.
pub(crate) fn poly(i: Text<'_>) -> Parsed<'_, ()> {
    let (rest, word) = positional(i)?;
    if word.text.eq_ignore_ascii_case("poly") {
        Ok((rest, ()))
    } else {
        Err(nom::Err::Error(Trouble::NotHere))
    }
}

/// A setting that the element does not have.
pub(crate) fn unknown_parameter(
    setting: &Name,
    owner: &Name,
    known: &'static [&'static str],
) -> nom::Err<Trouble> {
    let problem = NetlistProblem::UnknownParameter {
        name: quoted(&setting.text),
        owner: quoted(&owner.text),
        known,
    };
    wrong(problem, setting.span)
}
