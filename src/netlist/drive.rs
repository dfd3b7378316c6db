//! What drives V and I: `[[DC] value] [AC [magnitude [phase]]] [time function]`
//! in any order.

use nom::Parser;
use nom::bytes::complete::tag;
use nom::combinator::opt;
use nom::sequence::preceded;

use crate::diag::nearest;
use crate::netlist::commas::{self, Grouping};
use crate::netlist::grammar::{as_number, number, once, quantity};
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::{Drive, Name, Shape, Value, Wave};
use crate::netlist::text::{Parsed, Text, Trouble, adjacent_word, blank, gap, symbol, wrong};
use crate::num::{self, Role};

/// All that follows the nodes of a source. Nothing at all is a source of zero, as published.
pub(crate) fn drive(i: Text<'_>, role: Role) -> Parsed<'_, Drive> {
    let mut drive = Drive::default();
    let (mut i, ()) = gap(i)?;
    let mut after_comma = false;
    while let (rest, Some(word)) = opt(adjacent_word).parse(i)? {
        let span = word.span;
        let rest = match word.key().as_str() {
            "dc" => {
                let (rest, _) = opt(symbol('=')).parse(rest)?;
                let (rest, value) = quantity(rest, "a value", role)?;
                once(&mut drive.dc, value, "DC", span)?;
                rest
            }
            "ac" => {
                let (rest, _) = opt(symbol('=')).parse(rest)?;
                let (rest, magnitude) = opt(|i| number(i, role)).parse(rest)?;
                let (rest, phase) = opt(|i| number(i, Role::Plain)).parse(rest)?;
                let or = |v: Option<Value>, left_out| v.map_or(left_out, |v| v.number);
                once(
                    &mut drive.ac,
                    (or(magnitude, 1.0), or(phase, 0.0)),
                    "AC",
                    span,
                )?;
                rest
            }
            key => match shape(key) {
                Some(shape) => {
                    let (rest, args) = arguments(rest, shape, role)?;
                    let span = i.span_to(rest);
                    let grouping = match shape {
                        Shape::Pwl => Grouping::Pairs,
                        _ => Grouping::Single,
                    };
                    commas::doubt(i, &args, grouping);
                    check(shape, &args, &word)?;
                    once(
                        &mut drive.wave,
                        Wave { shape, args, span },
                        "time function",
                        word.span,
                    )?;
                    rest
                }
                None => {
                    let found = quoted(&word.text);
                    let value = bare_value(i, word, role)?;
                    if after_comma && drive.dc.is_some() {
                        // `6,3` is no two values.
                        let before = String::new();
                        let problem = NetlistProblem::ExtraWords {
                            found,
                            after_comma,
                            before,
                        };
                        return Err(wrong(problem, span));
                    }
                    once(&mut drive.dc, value, "DC", span)?;
                    rest
                }
            },
        };
        after_comma = rest.as_str().starts_with(',');
        (i, ()) = gap(rest)?;
    }
    Ok((i, drive))
}

const WORDS: [&str; 7] = ["DC", "AC", "PULSE", "SIN", "EXP", "PWL", "SFFM"];

fn shape(key: &str) -> Option<Shape> {
    Some(match key {
        "pulse" => Shape::Pulse,
        "sin" => Shape::Sin,
        "exp" => Shape::Exp,
        "pwl" => Shape::Pwl,
        "sffm" => Shape::Sffm,
        _ => return None,
    })
}

/// A value without DC before it.
fn bare_value(i: Text<'_>, word: Name, role: Role) -> Result<Value, nom::Err<Trouble>> {
    if word.text.starts_with(char::is_alphabetic) && num::parse_value(&word.text, role).is_err() {
        let problem = NetlistProblem::NotOneOf {
            expected: "a value, DC, AC or a time function",
            nearest: nearest(&word.text, WORDS).and_then(|n| WORDS.into_iter().find(|w| *w == n)),
            found: quoted(&word.text),
            before: String::new(),
        };
        return Err(wrong(problem, word.span));
    }
    as_number(i, word, "a value", role)
}

/// The numbers of a time function. Where it has parentheses they end it, so that what follows
/// is no longer read as its.
fn arguments(i: Text<'_>, shape: Shape, role: Role) -> Parsed<'_, Vec<Value>> {
    let (mut i, open) = opt(symbol('(')).parse(i)?;
    let mut args = Vec::new();
    loop {
        while let (rest, Some(_)) = opt(symbol(',')).parse(i)? {
            i = rest;
        }
        if let (rest, Some(_)) = opt(symbol(')')).parse(i)? {
            i = rest;
            break;
        }
        if let (_, Some(inner)) = opt(preceded(blank, tag("("))).parse(i)? {
            let (what, found) = ("a number or `)`".to_string(), "(".to_string());
            return Err(wrong(
                NetlistProblem::NotANumber { what, found },
                inner.span(),
            ));
        }
        let next = argument_role(shape, args.len(), role);
        match open {
            Some(_) => {
                let (rest, value) = quantity(i, "a number or `)`", next)?;
                args.push(value);
                i = rest;
            }
            None => match opt(|i| number(i, next)).parse(i)? {
                (rest, Some(value)) => {
                    args.push(value);
                    i = rest;
                }
                (_, None) => break,
            },
        }
    }
    let (i, ()) = blank(i)?;
    Ok((i, args))
}

/// What the n-th number of a time function stands for.
fn argument_role(shape: Shape, n: usize, level: Role) -> Role {
    match (shape, n) {
        (Shape::Pwl, n) if n % 2 == 0 => Role::Time,
        (Shape::Pwl, _) | (_, 0 | 1) => level,
        (Shape::Pulse | Shape::Exp, _) => Role::Time,
        (Shape::Sin, 3) => Role::Time,
        (Shape::Sin | Shape::Sffm, 2 | 4) => Role::Frequency,
        _ => Role::Plain,
    }
}

/// Numbers of each time function, least and most, as published.
fn check(shape: Shape, args: &[Value], word: &Name) -> Result<(), nom::Err<Trouble>> {
    let (shape, least, most) = match shape {
        Shape::Pulse => ("PULSE", 2, 7),
        Shape::Sin => ("SIN", 2, 5),
        Shape::Exp => ("EXP", 2, 6),
        Shape::Sffm => ("SFFM", 2, 5),
        Shape::Pwl => return check_pairs(args, word),
    };
    if (least..=most).contains(&args.len()) {
        return Ok(());
    }
    let found = args.len();
    let span = args.get(most).map_or(word.span, |extra| extra.span);
    let problem = NetlistProblem::WaveNumbers {
        shape,
        least,
        most,
        found,
    };
    Err(wrong(problem, span))
}

fn check_pairs(args: &[Value], word: &Name) -> Result<(), nom::Err<Trouble>> {
    if args.is_empty() || args.len() % 2 == 1 {
        let span = args.last().map_or(word.span, |last| last.span);
        return Err(wrong(NetlistProblem::WavePairs { found: args.len() }, span));
    }
    let times: Vec<&Value> = args.iter().step_by(2).collect();
    match times.windows(2).find(|t| t[1].number <= t[0].number) {
        None => Ok(()),
        Some(pair) => {
            let (earlier, later) = (pair[0].text.clone(), pair[1].text.clone());
            Err(wrong(
                NetlistProblem::WaveOrder { earlier, later },
                pair[1].span,
            ))
        }
    }
}
