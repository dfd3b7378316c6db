//! The tables of the guide that are made from the code: every device with its pins and
//! parameters, every valve type with the pins of its base.

use crate::circuit::library::{self, Shipped};
use crate::device::{Kind, Param, REGISTRY};
use crate::num;
use std::fmt::Write;

/// A topic's text with its tables in place.
pub fn filled(text: &str) -> String {
    text.replace("<!-- pins -->\n", &bases())
        .replace("<!-- devices -->\n", &devices())
}

/// A section for each kind of device.
fn devices() -> String {
    let sections: Vec<String> = REGISTRY.iter().map(|kind| section(kind)).collect();
    sections.join("\n")
}

fn section(kind: &Kind) -> String {
    let needed = kind.terminals.len() - kind.optional;
    let mut pins = kind.terminals[..needed].join(" ");
    for pin in &kind.terminals[needed..] {
        let _ = write!(pins, " [{pin}]");
    }
    let mut text = format!(
        "## {} `{}`: {}\n\npins: {pins}\n",
        kind.letter, kind.name, kind.title
    );
    if kind.model_params.is_empty() {
        text += "\nIt has no `.model` line.\n";
    }
    for (place, params) in [("model", kind.model_params), ("part", kind.instance_params)] {
        if !params.is_empty() {
            let _ = write!(
                text,
                "\n| of the {place} | meaning | unit | default | range |\n| --- | --- | --- | --- | --- |\n"
            );
            text.extend(params.iter().map(row));
        }
    }
    text
}

fn row(param: &Param) -> String {
    let unit = if param.unit == "1" { "" } else { param.unit };
    let (default, range) = if param.words.is_empty() {
        let default = match param {
            Param { required: true, .. } => "must be given".to_string(),
            Param { default, .. } if default.is_nan() => "by rule".to_string(),
            Param { default, .. } => num::full(*default),
        };
        let (least, most) = (*param.range.start(), *param.range.end());
        (
            default,
            format!("{} to {}", num::full(least), num::full(most)),
        )
    } else {
        let default = param.words.get(param.default as usize);
        (default.unwrap_or(&"").to_string(), param.words.join(", "))
    };
    let meaning = param.meaning.replace('|', "\\|");
    format!(
        "| `{}` | {meaning} | {unit} | {default} | {range} |\n",
        param.name
    )
}

/// A row for each built-in valve whose base is known.
fn bases() -> String {
    let mut text = String::from(
        "| valve | base | terminals and their pins | heater |\n| --- | --- | --- | --- |\n",
    );
    for valve in library::shipped() {
        let is_older = ["_1996", "_PLAIN"].iter().any(|e| valve.name.ends_with(e));
        if valve.alias_of.is_none() && !is_older {
            text.extend(base(&valve));
        }
    }
    text
}

fn base(valve: &Shipped) -> Option<String> {
    let base = valve.base()?;
    let numbers = |pins: Vec<u8>| {
        let pins = pins.iter().map(u8::to_string);
        pins.collect::<Vec<_>>().join("+")
    };
    let sections = base.sections(valve.kind.terminals);
    let pins = sections.iter().map(|&section| {
        let own = valve.kind.terminals.iter().map(|terminal| {
            let pins = numbers(base.of(section, terminal));
            format!("{terminal} {pins}")
        });
        own.collect::<Vec<_>>().join(", ")
    });
    let pins: Vec<String> = pins.collect();
    Some(format!(
        "| {} | {} {} | {} | {} |\n",
        valve.name,
        base.name,
        base.socket.name(),
        pins.join("; "),
        numbers(base.heater())
    ))
}
