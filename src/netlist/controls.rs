//! Control statements, as SPICE2G6 and SPICE3 publish them, and `.model`.

use nom::Parser;
use nom::combinator::opt;
use nom::multi::many0;

use crate::diag::nearest;
use crate::netlist::formula::name_in_parentheses;
use crate::netlist::grammar::{number, positional, quantity, required, setting, setting_value};
use crate::netlist::probe::{probe, probes};
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::{Assign, ControlKind, ControlLine, Model, Name, Print, Value};
use crate::netlist::text::{Parsed, Text, Trouble, blank, end, gap, symbol, word, wrong};
use crate::num::Role;

/// Statements that the reader itself acts on; the rest is in [`control`].
pub(crate) const STRUCTURE: &[&str] = &[".model", ".subckt", ".ends", ".include", ".end"];

/// Statements that are read past with a warning.
pub(crate) const IGNORED: &[&str] = &[".title", ".plot", ".width"];

const CONTROLS: &[&str] = &[
    ".op", ".tran", ".ac", ".dc", ".four", ".tf", ".noise", ".print", ".nodeset", ".ic",
    ".options", ".option", ".temp",
];

/// The options of both manuals (SPICE 2G6 and SPICE3F5, section `.OPTIONS`; from memory). Most
/// are about how the equations are solved and printed and change nothing here.
const OPTIONS: &[&str] = &[
    "temp",
    "tnom",
    "reltol",
    "defl",
    "defw",
    "defad",
    "defas",
    "gmin",
    "abstol",
    "vntol",
    "trtol",
    "chgtol",
    "pivtol",
    "pivrel",
    "itl1",
    "itl2",
    "itl3",
    "itl4",
    "itl5",
    "itl6",
    "method",
    "maxord",
    "acct",
    "list",
    "nomod",
    "nopage",
    "node",
    "opts",
    "numdgt",
    "cptime",
    "limtim",
    "limpts",
    "lvlcod",
    "lvltim",
    "bypass",
    "minbreak",
    "trytocompact",
    "badmos3",
    "keepopinfo",
];

/// Whether a word (lower case) begins a statement that is known.
pub(crate) fn known(key: &str) -> bool {
    [STRUCTURE, IGNORED, CONTROLS]
        .iter()
        .any(|names| names.contains(&key))
}

/// A whole control statement.
pub(crate) fn control(statement: Text<'_>) -> Parsed<'_, ControlLine> {
    let (i, name) = word(statement)?;
    let (i, kind) = match name.key().as_str() {
        ".op" => (i, ControlKind::Op),
        ".tran" => tran(i)?,
        ".ac" => ac(i)?,
        ".dc" => dc(i)?,
        ".four" => {
            let (i, freq) = quantity(i, "a frequency", Role::Frequency)?;
            let (i, probes) = probes(i)?;
            (i, ControlKind::Four { freq, probes })
        }
        ".tf" => {
            let (i, output) = probe(i)?;
            let (i, source) = source(i)?;
            (i, ControlKind::Tf { output, source })
        }
        ".noise" => {
            let (i, output) = probe(i)?;
            let (i, source) = source(i)?;
            let (i, rest) = many0(word).parse(i)?;
            (
                i,
                ControlKind::Noise {
                    output,
                    source,
                    rest,
                },
            )
        }
        ".print" => print(i)?,
        ".nodeset" => node_values(i).map(|(i, values)| (i, ControlKind::Nodeset(values)))?,
        ".ic" => node_values(i).map(|(i, values)| (i, ControlKind::Ic(values)))?,
        ".options" | ".option" => options(i)?,
        ".temp" => {
            let (i, first) = quantity(i, "a temperature", Role::Plain)?;
            let (i, more) = many0(|i| number(i, Role::Plain)).parse(i)?;
            if let Some(second) = more.first() {
                let used = quoted(&first.text);
                i.remark(NetlistProblem::OneTemperature { used }, second.span);
            }
            let all = std::iter::once(first).chain(more).collect();
            (i, ControlKind::Temp(all))
        }
        key => {
            let names = [STRUCTURE, CONTROLS].concat();
            // A statement cut short (`.opt`) is nearer to the whole than to others of its length.
            let begins = |name: &&&str| key.len() > 3 && name.starts_with(key);
            let nearest = match names.iter().find(begins) {
                Some(whole) => Some(*whole),
                None => nearest(key, names),
            };
            let problem = NetlistProblem::UnknownStatement {
                name: quoted(&name.text),
                nearest,
            };
            return Err(wrong(problem, name.span));
        }
    };
    let (i, ()) = end(i)?;
    let span = statement.span_to(i);
    Ok((i, ControlLine { kind, span }))
}

/// `.model NAME KIND[(]name=value ...[)]`
pub(crate) fn model(statement: Text<'_>) -> Parsed<'_, Model> {
    let (i, _) = word(statement)?;
    let (i, name) = required(i, || "a model name".to_string())?;
    let (mut i, kind) = required(i, || "a kind of model".to_string())?;
    let mut params: Vec<Assign> = Vec::new();
    while let (rest, Some(param)) = opt(setting).parse(i)? {
        if params.iter().any(|p| p.name.key() == param.name.key()) {
            let Name { text, span } = param.name;
            return Err(wrong(NetlistProblem::GivenTwice { what: text }, span));
        }
        params.push(param);
        i = rest;
    }
    let (i, ()) = end(i)?;
    Ok((i, Model { name, kind, params }))
}

/// `.subckt NAME nodes ...`
pub(crate) fn subckt(statement: Text<'_>) -> Parsed<'_, (Name, Vec<Name>)> {
    let (i, _) = word(statement)?;
    let (i, name) = required(i, || "a subcircuit name".to_string())?;
    let (i, ports) = many0(positional).parse(i)?;
    let (i, ()) = end(i)?;
    let again = |(k, port): &(usize, &Name)| ports[..*k].iter().any(|p| p.key() == port.key());
    if let Some((_, port)) = ports.iter().enumerate().find(again) {
        let what = quoted(&port.text);
        return Err(wrong(NetlistProblem::GivenTwice { what }, port.span));
    }
    Ok((i, (name, ports)))
}

/// `.ends [NAME]`
pub(crate) fn ends(statement: Text<'_>) -> Parsed<'_, Option<Name>> {
    let (i, _) = word(statement)?;
    let (i, name) = opt(word).parse(i)?;
    let (i, ()) = end(i)?;
    Ok((i, name))
}

/// `.include path`, with or without quotes; a path with blanks needs them.
pub(crate) fn include(statement: Text<'_>) -> Parsed<'_, Name> {
    let (i, _) = word(statement)?;
    let (i, ()) = blank(i)?;
    let quote = i
        .as_str()
        .chars()
        .next()
        .filter(|c| matches!(c, '"' | '\''));
    let inner = match quote {
        Some(_) => &i.as_str()[1..],
        None => i.as_str(),
    };
    let length = inner
        .find(|c: char| match quote {
            Some(quote) => c == quote || c == '\n',
            None => c.is_whitespace() || c == ';',
        })
        .unwrap_or(inner.len());
    if length == 0 {
        let what = "a file name".to_string();
        return Err(wrong(NetlistProblem::Missing { what }, i.head()));
    }
    let before = usize::from(quote.is_some());
    let after = &inner[length..];
    let i_at = |n| nom::Input::take_from(&i, n);
    let path = Name {
        text: inner[..length].to_string(),
        span: i_at(before).span_to(i_at(before + length)),
    };
    let rest = match quote {
        Some(quote) if after.starts_with(quote) => i_at(before + length + 1),
        Some(quote) => {
            let symbol = if quote == '"' { "\"" } else { "'" };
            let found = "the end of the line".to_string();
            return Err(wrong(NetlistProblem::Symbol { symbol, found }, path.span));
        }
        None => i_at(length),
    };
    let (rest, ()) = end(rest)?;
    Ok((rest, path))
}

/// `.tran step stop [start [max]] [UIC]`
fn tran(i: Text<'_>) -> Parsed<'_, ControlKind> {
    let (i, step) = quantity(i, "a time step", Role::Time)?;
    let (i, stop) = quantity(i, "a stop time", Role::Time)?;
    let (i, start) = opt(|i| number(i, Role::Time)).parse(i)?;
    let (i, max_step) = opt(|i| number(i, Role::Time)).parse(i)?;
    let (i, flag) = opt(positional).parse(i)?;
    if let Some(flag) = &flag {
        one_of(flag, "a number or UIC", &["uic"])?;
    }
    let uic = flag.is_some();
    let statement = ControlKind::Tran {
        step,
        stop,
        start,
        max_step,
        uic,
    };
    Ok((i, statement))
}

/// `.ac dec|oct|lin n from to`
fn ac(i: Text<'_>) -> Parsed<'_, ControlKind> {
    let (i, spacing) = required(i, || "DEC, OCT or LIN".to_string())?;
    one_of(&spacing, "DEC, OCT or LIN", &["dec", "oct", "lin"])?;
    let (i, points) = quantity(i, "a number of points", Role::Plain)?;
    let (i, from) = quantity(i, "a first frequency", Role::Frequency)?;
    let (i, to) = quantity(i, "a last frequency", Role::Frequency)?;
    let makes_sense = points.number > 0.0 && from.number > 0.0 && to.number >= from.number;
    if !makes_sense {
        let problem = NetlistProblem::NoFrequencies {
            points: quoted(&points.text),
            from: quoted(&from.text),
            to: quoted(&to.text),
        };
        return Err(wrong(problem, to.span));
    }
    let statement = ControlKind::Ac {
        spacing,
        points,
        from,
        to,
    };
    Ok((i, statement))
}

/// `.dc source start stop step [source start stop step]`
fn dc(i: Text<'_>) -> Parsed<'_, ControlKind> {
    let sweep = |i| {
        let (i, source) = source(i)?;
        let (i, start) = quantity(i, "a start value", Role::Plain)?;
        let (i, stop) = quantity(i, "a stop value", Role::Plain)?;
        let (i, step) = quantity(i, "a step", Role::Plain)?;
        Ok((i, (source, start, stop, step)))
    };
    let (i, first) = sweep(i)?;
    let (rest, ()) = gap(i)?;
    if rest.as_str().is_empty() {
        return Ok((
            rest,
            ControlKind::Dc {
                sweeps: vec![first],
            },
        ));
    }
    let (i, second) = sweep(rest)?;
    Ok((
        i,
        ControlKind::Dc {
            sweeps: vec![first, second],
        },
    ))
}

const ANALYSES: &[&str] = &["tran", "ac", "dc", "op", "noise", "four", "tf"];

/// `.print analysis probes ...`
fn print(i: Text<'_>) -> Parsed<'_, ControlKind> {
    let (i, analysis) = required(i, || "an analysis".to_string())?;
    one_of(&analysis, "an analysis", ANALYSES)?;
    let (mut i, noise) = many0(noise_output).parse(i)?;
    let mut all = Vec::new();
    if noise.is_empty() || !gap(i)?.0.as_str().is_empty() {
        (i, all) = probes(i)?;
    }
    for name in noise {
        i.remark(NetlistProblem::IgnoredProbe { name: name.text }, name.span);
    }
    let probes = all;
    Ok((i, ControlKind::Print(Print { analysis, probes })))
}

/// `inoise`, `onoise` and their forms, `onoise(db)`.
fn noise_output(i: Text<'_>) -> Parsed<'_, Name> {
    let (rest, word) = positional(i)?;
    if !matches!(word.key().as_str(), "inoise" | "onoise") {
        return Err(nom::Err::Error(Trouble::NotHere));
    }
    match opt(symbol('(')).parse(rest)? {
        (_, Some(_)) => name_in_parentheses(rest, "a form").map(|(rest, _)| (rest, word)),
        (rest, None) => Ok((rest, word)),
    }
}

/// `v(node)=value ...`, at least one.
fn node_values(mut i: Text<'_>) -> Parsed<'_, Vec<(Name, Value)>> {
    let mut all = Vec::new();
    loop {
        let (rest, ()) = gap(i)?;
        if rest.as_str().is_empty() && !all.is_empty() {
            return Ok((rest, all));
        }
        let (rest, v) = required(rest, || "v(node)=value".to_string())?;
        one_of(&v, "v(node)=value", &["v"])?;
        let (rest, node) = name_in_parentheses(rest, "a node")?;
        let (rest, _) = opt(symbol('=')).parse(rest)?;
        let (rest, value) = quantity(rest, "a voltage", Role::Voltage)?;
        all.push((node, value));
        i = rest;
    }
}

/// `name`, `name=value` ...
fn options(i: Text<'_>) -> Parsed<'_, ControlKind> {
    let option = |i| {
        let (i, name) = word(i)?;
        match opt(symbol('=')).parse(i)? {
            (i, Some(_)) => {
                let (i, value) = setting_value(i, &name)?;
                Ok((i, (name, Some(value))))
            }
            (i, None) => Ok((i, (name, None))),
        }
    };
    let (i, all) = many0(option).parse(i)?;
    for (name, _) in &all {
        let key = name.key();
        if !OPTIONS.contains(&key.as_str()) {
            let problem = NetlistProblem::UnknownOption {
                name: quoted(&name.text),
                nearest: nearest(&key, OPTIONS.iter().copied()),
            };
            i.remark(problem, name.span);
        }
    }
    Ok((i, ControlKind::Options(all)))
}

fn source(i: Text<'_>) -> Parsed<'_, Name> {
    required(i, || "a source".to_string())
}

/// Checks that a word is one of a few.
fn one_of(
    word: &Name,
    expected: &'static str,
    allowed: &'static [&'static str],
) -> Result<(), nom::Err<Trouble>> {
    if allowed.contains(&word.key().as_str()) {
        return Ok(());
    }
    let problem = NetlistProblem::NotOneOf {
        expected,
        found: quoted(&word.text),
        nearest: nearest(&word.text, allowed.iter().copied()),
        before: String::new(),
    };
    Err(wrong(problem, word.span))
}
