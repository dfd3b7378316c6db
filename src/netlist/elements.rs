//! Element cards, as SPICE2G6 and SPICE3 publish them.
//!
//! Commas and parentheses separate words as blanks do, except around the
//! numbers of a time function and in expressions.

use nom::Parser;
use nom::combinator::opt;

use crate::netlist::card::{Assign, Control, Element, ElementKind, Name, Output, Reactive, Value};
use crate::netlist::drive::drive;
use crate::netlist::expr;
use crate::netlist::grammar::{
    as_number, node, number, numbers, once, pair, positional, quantity, required, setting_name,
    setting_value,
};
use crate::netlist::problem::{Problem, quoted};
use crate::netlist::text::{Parsed, Text, Trouble, end, need, next_span, wrong};
use crate::num::{self, Role};

/// A whole element card.
pub(crate) fn element(card: Text<'_>) -> Parsed<'_, Element> {
    let (i, name) = required(card, || "an element".to_string())?;
    let (i, kind) = kind(i, &name)?;
    let (i, ()) = end(i)?;
    let span = card.span_to(i);
    Ok((i, Element { name, kind, span }))
}

fn kind<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let letter = name.text.chars().next().unwrap_or(' ');
    match letter.to_ascii_uppercase() {
        'R' => resistor(i, name),
        'C' => reactive(i, name, Role::Capacitance),
        'L' => reactive(i, name, Role::Inductance),
        'K' => coupling(i),
        'V' => {
            let (i, nodes) = pair(i, &name.text)?;
            let (i, drive) = drive(i, Role::Voltage)?;
            Ok((i, ElementKind::VoltageSource { nodes, drive }))
        }
        'I' => {
            let (i, nodes) = pair(i, &name.text)?;
            let (i, drive) = drive(i, Role::Current)?;
            Ok((i, ElementKind::CurrentSource { nodes, drive }))
        }
        'E' | 'H' => {
            let (i, nodes) = pair(i, &name.text)?;
            let (i, control) = control(i, name)?;
            Ok((i, ElementKind::ControlledVoltage { nodes, control }))
        }
        'F' | 'G' => {
            let (i, nodes) = pair(i, &name.text)?;
            let (i, control) = control(i, name)?;
            Ok((i, ElementKind::ControlledCurrent { nodes, control }))
        }
        'B' => behavioural(i, name),
        'D' => semiconductor(i, name, 2, &[]),
        'J' => semiconductor(i, name, 3, &[]),
        'M' => semiconductor(i, name, 4, MOS_PARAMETERS),
        'Q' => bipolar(i, name),
        'S' => voltage_switch(i, name),
        'W' => current_switch(i, name),
        'X' => call(i),
        _ => {
            let name_text = quoted(&name.text);
            let problem = Problem::UnknownElement {
                letter,
                name: name_text,
            };
            Err(wrong(problem, name.span))
        }
    }
}

const MOS_PARAMETERS: &[&str] = &["l", "w", "ad", "as", "pd", "ps", "nrd", "nrs"];

/// `R a b value [tc1=] [tc2=] [tc=tc1,tc2]`
fn resistor<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, nodes) = pair(i, &name.text)?;
    let (mut i, value) = quantity(i, "a resistance", Role::Resistance)?;
    if value.number == 0.0 {
        let name = quoted(&name.text);
        return Err(wrong(Problem::ZeroResistance { name }, value.span));
    }
    let mut coefficients = [None, None];
    while let (rest, Some(setting)) = opt(setting_name).parse(i)? {
        let what = format!("a value of `{}`", setting.text);
        let (rest, first) = quantity(rest, &what, Role::Plain)?;
        let key = setting.key();
        let place = match key.as_str() {
            "tc" | "tc1" => 0,
            "tc2" => 1,
            _ => return Err(unknown_parameter(&setting, name, &["tc", "tc1", "tc2"])),
        };
        once(&mut coefficients[place], first, &key, setting.span)?;
        i = rest;
        if key == "tc" {
            let (rest, second) = opt(|i| number(i, Role::Plain)).parse(i)?;
            if let Some(second) = second {
                once(&mut coefficients[1], second, "tc2", setting.span)?;
            }
            i = rest;
        }
    }
    let named = |(value, text): (Option<Value>, &str)| {
        let value: Value = value?;
        let (text, span) = (text.to_string(), value.span);
        let name = Name { text, span };
        Some(Assign { name, value })
    };
    let params = coefficients
        .into_iter()
        .zip(["tc1", "tc2"])
        .filter_map(named)
        .collect();
    Ok((
        i,
        ElementKind::Resistor {
            nodes,
            value,
            params,
        },
    ))
}

/// `C a b value [ic=]`, `C a b POLY c0 c1 ... [ic=]`, L likewise.
fn reactive<'a>(i: Text<'a>, name: &Name, role: Role) -> Parsed<'a, ElementKind> {
    let (i, nodes) = pair(i, &name.text)?;
    let (what, initial) = match role {
        Role::Capacitance => ("a capacitance", Role::Voltage),
        _ => ("an inductance", Role::Current),
    };
    let (i, value) = match opt(poly).parse(i)? {
        (i, Some(())) => {
            let (i, first) = quantity(i, what, role)?;
            // The higher coefficients are per volt or ampere: no doubts about their size.
            let (i, more) = numbers(i, Role::Plain)?;
            let all = std::iter::once(first).chain(more).collect();
            (i, Reactive::Poly(all))
        }
        (i, None) => {
            let (i, value) = quantity(i, what, role)?;
            (i, Reactive::Linear(value))
        }
    };
    let mut ic = None;
    let mut i = i;
    while let (rest, Some(setting)) = opt(setting_name).parse(i)? {
        if !setting.text.eq_ignore_ascii_case("ic") {
            return Err(unknown_parameter(&setting, name, &["ic"]));
        }
        let (rest, given) = quantity(rest, "an initial value", initial)?;
        once(&mut ic, given, "ic", setting.span)?;
        i = rest;
    }
    let kind = match role {
        Role::Capacitance => ElementKind::Capacitor { nodes, value, ic },
        _ => ElementKind::Inductor { nodes, value, ic },
    };
    Ok((i, kind))
}

/// `K La Lb k`
fn coupling(i: Text<'_>) -> Parsed<'_, ElementKind> {
    let inductor = |i| required(i, || "an inductor".to_string());
    let (i, first) = inductor(i)?;
    let (i, second) = inductor(i)?;
    let (i, k) = quantity(i, "a coupling coefficient", Role::Plain)?;
    let inductors = [first, second];
    Ok((i, ElementKind::Coupling { inductors, k }))
}

/// What follows the nodes of E, F, G and H.
fn control<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, Control> {
    let by_voltage = name.text.starts_with(['E', 'e', 'G', 'g']);
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
            let control = match by_voltage {
                true => Control::VoltagePoly {
                    pairs,
                    coefficients,
                },
                false => Control::CurrentPoly {
                    sources,
                    coefficients,
                },
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
        Problem::IgnoredGuess {
            name: quoted(&name.text),
        },
        guess.span,
    );
    Ok((i, control))
}

/// The word POLY.
fn poly(i: Text<'_>) -> Parsed<'_, ()> {
    let (rest, word) = positional(i)?;
    match word.text.eq_ignore_ascii_case("poly") {
        true => Ok((rest, ())),
        false => Err(nom::Err::Error(Trouble::NotHere)),
    }
}

/// The n of `POLY(n)`.
fn dimensions(i: Text<'_>) -> Parsed<'_, usize> {
    let (rest, word) = required(i, || "the number of dimensions".to_string())?;
    match word.text.parse::<usize>() {
        Ok(n @ 1..=100) => Ok((rest, n)),
        _ => {
            let found = quoted(&word.text);
            Err(wrong(Problem::Dimensions { found }, word.span))
        }
    }
}

/// p0 p1 ...; a single one of a single dimension is p1, as published.
fn coefficients(i: Text<'_>, dimensions: usize) -> Parsed<'_, Vec<Value>> {
    let (i, first) = quantity(i, "a coefficient", Role::Plain)?;
    let (i, more) = numbers(i, Role::Plain)?;
    let mut all = vec![first];
    all.extend(more);
    if dimensions == 1 && all.len() == 1 {
        let zero = Value {
            number: 0.0,
            text: "0".to_string(),
            span: all[0].span,
        };
        all.insert(0, zero);
    }
    Ok((i, all))
}

/// `B a b I=expr` or `V=expr`
fn behavioural<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, nodes) = pair(i, &name.text)?;
    let (i, which) = required(i, || "I= or V=".to_string())?;
    let output = match which.key().as_str() {
        "i" => Output::Current,
        "v" => Output::Voltage,
        _ => {
            let problem = Problem::NotOneOf {
                expected: "I= or V=",
                found: quoted(&which.text),
                nearest: None,
            };
            return Err(wrong(problem, which.span));
        }
    };
    let (i, ()) = need(i, "=")?;
    let (i, expr) = expr::expression(i)?;
    Ok((
        i,
        ElementKind::Behavioural {
            nodes,
            output,
            expr,
        },
    ))
}

/// `nodes model [area] [off] [ic=a,b,c] [l= w= ...]`
fn semiconductor<'a>(
    mut i: Text<'a>,
    name: &Name,
    terminals: usize,
    known: &'static [&'static str],
) -> Parsed<'a, ElementKind> {
    let mut nodes = Vec::with_capacity(terminals);
    for _ in 0..terminals {
        let (rest, node) = node(i, &name.text)?;
        nodes.push(node);
        i = rest;
    }
    let (i, model) = model(i)?;
    instance(i, name, nodes, model, None, known)
}

/// `Q c b e [s] model [area] ...`: what the fourth and fifth words are follows from their
/// number and from whether the last is a plain decimal, which an area is and a model is not
/// (`2N3904` has a letter).
fn bipolar<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, [collector, base]) = pair(i, &name.text)?;
    let (i, emitter) = node(i, &name.text)?;
    let mut nodes = vec![collector, base, emitter];
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

/// The words behind the model of D, Q, J and M, in any order.
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
                i = rest;
            } else if known.contains(&key.as_str()) {
                let what = format!("a value of `{}`", setting.text);
                let (rest, value) = quantity(rest, &what, Role::Plain)?;
                if params.iter().any(|p| p.name.key() == key) {
                    return Err(wrong(Problem::GivenTwice { what: key }, setting.span));
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
fn voltage_switch<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
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
fn current_switch<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
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

/// `X nodes ... target [name=value ...]`
fn call(mut i: Text<'_>) -> Parsed<'_, ElementKind> {
    let mut nodes = Vec::new();
    while let (rest, Some(word)) = opt(positional).parse(i)? {
        nodes.push(word);
        i = rest;
    }
    let Some(target) = nodes.pop() else {
        let what = "nodes and a subcircuit, valve or control".to_string();
        return Err(wrong(Problem::Missing { what }, next_span(i)));
    };
    let mut params: Vec<Assign> = Vec::new();
    while let (rest, Some(name)) = opt(setting_name).parse(i)? {
        let (rest, value) = setting_value(rest, &name)?;
        if params.iter().any(|p| p.name.key() == name.key()) {
            return Err(wrong(Problem::GivenTwice { what: name.text }, name.span));
        }
        params.push(Assign { name, value });
        i = rest;
    }
    Ok((
        i,
        ElementKind::Call {
            nodes,
            target,
            params,
        },
    ))
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
            let problem = Problem::NotOneOf {
                expected: "ON or OFF",
                found: quoted(&word.text),
                nearest: None,
            };
            Err(wrong(problem, word.span))
        }
    }
}

fn off_word(i: Text<'_>) -> Parsed<'_, Name> {
    let (rest, word) = positional(i)?;
    match word.text.eq_ignore_ascii_case("off") {
        true => Ok((rest, word)),
        false => Err(nom::Err::Error(Trouble::NotHere)),
    }
}

/// A word that is neither a setting nor OFF.
fn bare(i: Text<'_>) -> Parsed<'_, Name> {
    let (rest, word) = positional(i)?;
    match word.text.eq_ignore_ascii_case("off") {
        true => Err(nom::Err::Error(Trouble::NotHere)),
        false => Ok((rest, word)),
    }
}

fn decimal(text: &str) -> bool {
    text.chars()
        .all(|c| c.is_ascii_digit() || "+-.eE".contains(c))
        && num::parse(text).is_some()
}

fn unknown_parameter(
    setting: &Name,
    owner: &Name,
    known: &'static [&'static str],
) -> nom::Err<Trouble> {
    let problem = Problem::UnknownParameter {
        name: quoted(&setting.text),
        owner: quoted(&owner.text),
        known,
    };
    wrong(problem, setting.span)
}
