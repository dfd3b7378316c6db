//! What controls E, F, G and H, and the law of B.

use nom::Parser;
use nom::combinator::opt;

use crate::netlist::commas::{self, Grouping};
use crate::netlist::formula;
use crate::netlist::grammar::{
    numbers, pair, poly, quantity, required, setting_name, unknown_parameter,
};
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::{Control, ElementKind, Name, Output, Value};
use crate::netlist::text::{Parsed, Text, Trouble, need, wrong};
use crate::num::Role;

/// What follows the nodes of E, F, G and H.
pub(crate) fn control<'a>(i: Text<'a>, name: &Name, nodes: &[Name; 2]) -> Parsed<'a, Control> {
    let by_voltage = name.text.starts_with(['E', 'e', 'G', 'g']);
    if let (_, Some(setting)) = opt(setting_name).parse(i)? {
        return Err(expression_of_gain(name, nodes, &setting));
    }
    let source = |i| required(i, || "a controlling voltage source".to_string());
    let (i, control) = match opt(poly).parse(i)? {
        (i, Some(())) => {
            let (mut i, n) = dimensions(i)?;
            let mut pairs = Vec::new();
            let mut sources = Vec::new();
            for _ in 0..n {
                if by_voltage {
                    let (rest, both) = pair(i, &name.text)?;
                    pairs.push(both);
                    i = rest;
                } else {
                    let (rest, one) = source(i)?;
                    sources.push(one);
                    i = rest;
                }
            }
            let (i, coefficients) = coefficients(i, n)?;
            let control = if by_voltage {
                Control::VoltagePoly {
                    pairs,
                    coefficients,
                }
            } else {
                Control::CurrentPoly {
                    sources,
                    coefficients,
                }
            };
            (i, control)
        }
        (i, None) if by_voltage => {
            let (i, nodes) = pair(i, &name.text)?;
            let (i, gain) = quantity(i, "a gain", Role::Plain)?;
            (i, Control::Voltage { nodes, gain })
        }
        (i, None) => {
            let (i, source) = source(i)?;
            let (i, gain) = quantity(i, "a gain", Role::Plain)?;
            (i, Control::Current { source, gain })
        }
    };
    let (i, guess) = opt(setting_name).parse(i)?;
    let Some(guess) = guess else {
        return Ok((i, control));
    };
    if !guess.text.eq_ignore_ascii_case("ic") {
        return Err(unknown_parameter(&guess, name, &["ic"]));
    }
    let (i, _) = numbers(i, Role::Plain)?;
    i.remark(
        NetlistProblem::IgnoredGuess {
            name: quoted(&name.text),
        },
        guess.span,
    );
    Ok((i, control))
}

/// The mistake of `E1 a b name={expression}`, with the line of a B source to write instead.
fn expression_of_gain(name: &Name, nodes: &[Name; 2], setting: &Name) -> nom::Err<Trouble> {
    let is_voltage = name.text.starts_with(['E', 'e', 'H', 'h']);
    let output = if is_voltage { 'V' } else { 'I' };
    let [a, b] = nodes;
    let problem = NetlistProblem::ExpressionOfGain {
        name: quoted(&name.text),
        write: quoted(&format!(
            "B{} {} {} {output}=...",
            name.text, a.text, b.text
        )),
    };
    wrong(problem, setting.span)
}

/// The n of `POLY(n)`.
fn dimensions(i: Text<'_>) -> Parsed<'_, usize> {
    let (rest, word) = required(i, || "the number of dimensions".to_string())?;
    match word.text.parse::<usize>() {
        Ok(n @ 1..=100) => Ok((rest, n)),
        _ => {
            let found = quoted(&word.text);
            Err(wrong(NetlistProblem::Dimensions { found }, word.span))
        }
    }
}

/// p0 p1 ...; a single one of a single dimension is p1, as published.
fn coefficients(i: Text<'_>, dimensions: usize) -> Parsed<'_, Vec<Value>> {
    let (rest, first) = quantity(i, "a coefficient", Role::Plain)?;
    let (rest, more) = numbers(rest, Role::Plain)?;
    let mut all = vec![first];
    all.extend(more);
    commas::doubt(i, &all, Grouping::Single);
    if dimensions == 1 && all.len() == 1 {
        let zero = Value {
            number: 0.0,
            text: "0".to_string(),
            span: all[0].span,
        };
        all.insert(0, zero);
    }
    Ok((rest, all))
}

/// `B a b I=expr` or `V=expr`
pub(crate) fn behavioural<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, nodes) = pair(i, &name.text)?;
    let (i, which) = required(i, || "I= or V=".to_string())?;
    let output = match which.key().as_str() {
        "i" => Output::Current,
        "v" => Output::Voltage,
        _ => {
            let problem = NetlistProblem::NotOneOf {
                expected: "I= or V=",
                found: quoted(&which.text),
                nearest: None,
                before: String::new(),
            };
            return Err(wrong(problem, which.span));
        }
    };
    let (i, ()) = need(i, "=")?;
    let (i, expr) = formula::expression(i)?;
    Ok((
        i,
        ElementKind::Behavioural {
            nodes,
            output,
            expr,
        },
    ))
}
