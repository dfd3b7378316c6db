//! Element statements, as SPICE2G6 and SPICE3 publish them.
//!
//! Commas and parentheses separate words as blanks do, except around the
//! numbers of a time function and in expressions.

use nom::Parser;
use nom::combinator::opt;

use crate::netlist::controlled::{behavioural, control};
use crate::netlist::drive::drive;
use crate::netlist::grammar::{
    number, numbers, once, pair, poly, positional, quantity, required, setting_name, setting_value,
    unknown_parameter,
};
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::remarks::{Remarks, remarks};
use crate::netlist::semiconductors::{
    bipolar, current_switch, mosfet, semiconductor, voltage_switch,
};
use crate::netlist::statement::{Assign, Element, ElementKind, Name, Reactive, Tolerance, Value};
use crate::netlist::text::{Parsed, Text, end, next_span, wrong};
use crate::num::Role;

/// A whole element statement.
pub(crate) fn element(statement: Text<'_>) -> Parsed<'_, Element> {
    let (i, name) = required(statement, || "an element".to_string())?;
    let (i, kind) = kind(i, &name)?;
    let (i, ()) = end(i)?;
    let span = statement.span_to(i);
    let Remarks {
        rated,
        tolerance,
        notes,
    } = remarks(statement);
    let element = Element {
        name,
        kind,
        rated,
        notes,
        tolerance,
        span,
    };
    Ok((i, element))
}

impl Tolerance {
    /// The same to both sides.
    pub const fn both(part: f64) -> Self {
        Tolerance {
            low: -part,
            high: part,
        }
    }

    /// `5%`, `+-5%` or `-20..+50%`; none if it is not one, or would turn a value about.
    pub fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let number = text.strip_suffix('%').unwrap_or(text).trim_end();
        // Without the sign of a percentage a part is meant, as in 0.05.
        let unit = if number.len() < text.len() { 0.01 } else { 1.0 };
        let read = |t: &str| {
            let t = t.trim().trim_end_matches('%').trim_end();
            let plain =
                !t.is_empty() && t.chars().all(|c| c.is_ascii_digit() || "+-.eE".contains(c));
            plain.then(|| t.parse::<f64>().ok()).flatten()
        };
        let (low, high) = match number.split_once("..") {
            Some((low, high)) => (read(low)?, read(high)?),
            None => {
                let bare = number.trim_start_matches("+/-").trim_start_matches("+-");
                let part = read(bare.trim_start_matches('\u{b1}'))?;
                (-part, part)
            }
        };
        let (low, high) = (low * unit, high * unit);
        let sound = low > -1.0 && low <= 0.0 && (0.0..=100.0).contains(&high);
        sound.then_some(Tolerance { low, high })
    }

    /// Whether the value may be off at all.
    pub fn is_exact(self) -> bool {
        self.low == 0.0 && self.high == 0.0
    }
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
            let (i, control) = control(i, name, &nodes)?;
            Ok((i, ElementKind::ControlledVoltage { nodes, control }))
        }
        'F' | 'G' => {
            let (i, nodes) = pair(i, &name.text)?;
            let (i, control) = control(i, name, &nodes)?;
            Ok((i, ElementKind::ControlledCurrent { nodes, control }))
        }
        'B' => behavioural(i, name),
        'D' => semiconductor(i, name, 2),
        'J' => semiconductor(i, name, 3),
        'M' => mosfet(i, name),
        'Q' => bipolar(i, name),
        'S' => voltage_switch(i, name),
        'W' => current_switch(i, name),
        'X' => call(i),
        _ => {
            let name_text = quoted(&name.text);
            let problem = NetlistProblem::UnknownElement {
                letter,
                name: name_text,
            };
            Err(wrong(problem, name.span))
        }
    }
}

/// `R a b value [tc1=] [tc2=] [tc=tc1,tc2]`
fn resistor<'a>(i: Text<'a>, name: &Name) -> Parsed<'a, ElementKind> {
    let (i, nodes) = pair(i, &name.text)?;
    let (mut i, value) = quantity(i, "a resistance", Role::Resistance)?;
    if value.number == 0.0 {
        let name = quoted(&name.text);
        return Err(wrong(NetlistProblem::ZeroResistance { name }, value.span));
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

/// `X nodes ... target [name=value ...]`
fn call(mut i: Text<'_>) -> Parsed<'_, ElementKind> {
    let mut nodes = Vec::new();
    while let (rest, Some(word)) = opt(positional).parse(i)? {
        nodes.push(word);
        i = rest;
    }
    let Some(target) = nodes.pop() else {
        let what = "nodes and a subcircuit, valve or control".to_string();
        return Err(wrong(NetlistProblem::Missing { what }, next_span(i)));
    };
    let mut params: Vec<Assign> = Vec::new();
    while let (rest, Some(name)) = opt(setting_name).parse(i)? {
        let (rest, value) = setting_value(rest, &name)?;
        if params.iter().any(|p| p.name.key() == name.key()) {
            return Err(wrong(
                NetlistProblem::GivenTwice { what: name.text },
                name.span,
            ));
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
