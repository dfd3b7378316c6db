//! Statements that name a model: D, Q, J, M and the switches S and W.

use nom::Parser;
use nom::combinator::opt;

use crate::netlist::grammar::{
    as_number, node, number, numbers, once, pair, positional, quantity, required, setting_name,
    unknown_parameter,
};
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::{Assign, ElementKind, Name, Value};
use crate::netlist::text::{Parsed, Text, Trouble, wrong};
use crate::num::{self, Role};

const MOS_PARAMETERS: &[&str] = &["l", "w", "ad", "as", "pd", "ps", "nrd", "nrs"];

/// D, J: `nodes model [area] [off] [ic=a,b]`
pub(crate) fn semiconductor<'a>(
    i: Text<'a>,
    name: &Name,
    terminals: usize,
) -> Parsed<'a, ElementKind> {
    let (i, nodes) = nodes(i, name, terminals)?;
    let (i, model) = model(i)?;
    instance(i, name, nodes, model, None, &[])
}

/// `M d g s b model [l= w= ...] [off] [ic=a,b,c]`
pub(crate) fn mosfet<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, nodes) = nodes(i, name, 4)?;
    let (i, model) = model(i)?;
    instance(i, name, nodes, model, None, MOS_PARAMETERS)
}

/// `Q c b e [s] model [area] ...`: what the fourth and fifth words are follows from their
/// number and from whether the last is a plain decimal, which an area is and a model is not
/// (`2N3904` has a letter).
pub(crate) fn bipolar<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, mut nodes) = nodes(i, name, 3)?;
    let (i, fourth) = model(i)?;
    let (after_fifth, fifth) = opt(bare).parse(i)?;
    let Some(fifth) = fifth else {
        return instance(i, name, nodes, fourth, None, &[]);
    };
    let (_, sixth) = opt(bare).parse(after_fifth)?;
    if sixth.is_none() && decimal(&fifth.text) {
        let area = as_number(i, fifth, "an area", Role::Plain)?;
        return instance(after_fifth, name, nodes, fourth, Some(area), &[]);
    }
    nodes.push(fourth);
    instance(after_fifth, name, nodes, fifth, None, &[])
}

/// The words behind the model of D, Q, J and M, in any order. Where parameters are `known`
/// there is no area.
fn instance<'a>(
    mut i: Text<'a>,
    name: &Name,
    nodes: Vec<Name>,
    model: Name,
    mut area: Option<Value>,
    known: &'static [&'static str],
) -> Parsed<'a, ElementKind> {
    let mut off = None;
    let mut ic = None;
    let mut params: Vec<Assign> = Vec::new();
    loop {
        if let (rest, Some(setting)) = opt(setting_name).parse(i)? {
            let key = setting.key();
            if key == "ic" {
                let (rest, first) = quantity(rest, "an initial value", Role::Voltage)?;
                let (rest, more) = numbers(rest, Role::Voltage)?;
                let all = std::iter::once(first).chain(more).collect::<Vec<_>>();
                once(&mut ic, all, "ic", setting.span)?;
                let name = quoted(&name.text);
                i.remark(NetlistProblem::IgnoredGuess { name }, setting.span);
                i = rest;
            } else if known.contains(&key.as_str()) {
                let what = format!("a value of `{}`", setting.text);
                let (rest, value) = quantity(rest, &what, Role::Plain)?;
                if params.iter().any(|p| p.name.key() == key) {
                    return Err(wrong(
                        NetlistProblem::GivenTwice { what: key },
                        setting.span,
                    ));
                }
                params.push(Assign {
                    name: setting,
                    value,
                });
                i = rest;
            } else if key == "area" && known.is_empty() {
                let (rest, value) = quantity(rest, "an area", Role::Plain)?;
                once(&mut area, value, "area", setting.span)?;
                i = rest;
            } else {
                let known = if known.is_empty() {
                    &["area", "ic"]
                } else {
                    known
                };
                return Err(unknown_parameter(&setting, name, known));
            }
        } else if let (rest, Some(word)) = opt(off_word).parse(i)? {
            once(&mut off, (), "off", word.span)?;
            let name = quoted(&name.text);
            i.remark(NetlistProblem::IgnoredGuess { name }, word.span);
            i = rest;
        } else if let (true, (rest, Some(value))) = (
            known.is_empty() && area.is_none(),
            opt(|i| number(i, Role::Plain)).parse(i)?,
        ) {
            area = Some(value);
            i = rest;
        } else {
            break;
        }
    }
    let kind = ElementKind::Semiconductor {
        nodes,
        model,
        area,
        off: off.is_some(),
        ic: ic.unwrap_or_default(),
        params,
    };
    Ok((i, kind))
}

/// `S a b c+ c- model [ON|OFF]`
pub(crate) fn voltage_switch<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, nodes) = pair(i, &name.text)?;
    let (i, control) = pair(i, &name.text)?;
    let (i, model) = model(i)?;
    let (i, on) = opt(on_or_off).parse(i)?;
    let kind = ElementKind::VoltageSwitch {
        nodes,
        control,
        model,
        on,
    };
    Ok((i, kind))
}

/// `W a b Vname model [ON|OFF]`
pub(crate) fn current_switch<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, nodes) = pair(i, &name.text)?;
    let (i, control) = required(i, || "a controlling voltage source".to_string())?;
    let (i, model) = model(i)?;
    let (i, on) = opt(on_or_off).parse(i)?;
    let kind = ElementKind::CurrentSwitch {
        nodes,
        control,
        model,
        on,
    };
    Ok((i, kind))
}

fn nodes<'a>(mut i: Text<'a>, name: &Name, terminals: usize) -> Parsed<'a, Vec<Name>> {
    let mut nodes = Vec::with_capacity(terminals);
    for _ in 0..terminals {
        let (rest, node) = node(i, &name.text)?;
        nodes.push(node);
        i = rest;
    }
    Ok((i, nodes))
}

fn model(i: Text<'_>) -> Parsed<'_, Name> {
    required(i, || "a model name".to_string())
}

fn on_or_off(i: Text<'_>) -> Parsed<'_, bool> {
    let (rest, word) = positional(i)?;
    match word.key().as_str() {
        "on" => Ok((rest, true)),
        "off" => Ok((rest, false)),
        _ => {
            let problem = NetlistProblem::NotOneOf {
                expected: "ON or OFF",
                found: quoted(&word.text),
                nearest: None,
                before: String::new(),
            };
            Err(wrong(problem, word.span))
        }
    }
}

fn off_word(i: Text<'_>) -> Parsed<'_, Name> {
    let (rest, word) = positional(i)?;
    if word.text.eq_ignore_ascii_case("off") {
        Ok((rest, word))
    } else {
        Err(nom::Err::Error(Trouble::NotHere))
    }
}

/// A word that is neither a setting nor OFF.
fn bare(i: Text<'_>) -> Parsed<'_, Name> {
    let (rest, word) = positional(i)?;
    if word.text.eq_ignore_ascii_case("off") {
        Err(nom::Err::Error(Trouble::NotHere))
    } else {
        Ok((rest, word))
    }
}

fn decimal(text: &str) -> bool {
    text.chars()
        .all(|c| c.is_ascii_digit() || "+-.eE".contains(c))
        && num::parse(text).is_some()
}
