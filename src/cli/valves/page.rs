//! The page of one type: what it is, its pins, its parameters, where they come from.

use crate::circuit::library::{Block, Shipped};
use crate::device::base::{Base, Role};
use crate::num::engineering;
use crate::report::table::{Side, Table};
use std::fmt::Write;

/// How well it fits, in a few words: the sentence after "Residuals:" in the model's comments,
/// up to its first comma; and whether few points carry it. A semiconductor's curve is met within
/// some millivolts, or there was none.
pub fn verdict(valve: &Shipped) -> String {
    let notes = valve.notes.join(" ");
    let few = notes.to_lowercase().contains("from few points");
    let Some(found) = notes.split("Residuals: ").nth(1) else {
        let curve = notes.split("fitted to ").nth(1);
        let within = curve.and_then(|c| c.split("within ").nth(1));
        let within = within.and_then(|w| w.split([';', '.']).next());
        return match within {
            Some(millivolts) => format!("voltage within {millivolts} of the curve"),
            None => "from few points".into(),
        };
    };
    let ends = [found.find(','), found.find(';'), found.find(". ")];
    let end = ends.into_iter().flatten().min().unwrap_or(found.len());
    let words = &found[..end];
    if few {
        format!("{words} (from few points)")
    } else {
        words.to_string()
    }
}

/// The whole page.
pub fn text(valve: &Shipped) -> String {
    let mut text = format!("{}: {}\n", valve.name, valve.kind.title);
    if let Some(other) = &valve.alias_of {
        let _ = writeln!(text, "the same model as {other}");
    }
    let line = valve.kind.terminals.join(" ");
    let _ = writeln!(
        text,
        "\nIts line: {}V1 {line} {}",
        valve.kind.letter, valve.name
    );
    if let Some(base) = valve.base() {
        text += &pins(base, valve.kind.terminals);
    }
    let mut table = Table::new(&[
        ("parameter", Side::Left),
        ("value", Side::Right),
        ("meaning", Side::Left),
    ]);
    for (param, &value) in valve.kind.model_params.iter().zip(&valve.values) {
        if value.is_nan() {
            continue;
        }
        let shown = match param.words.get(value as usize) {
            Some(word) => word.to_uppercase(),
            None if param.unit == "1" => format!("{value}"),
            // A prefix before a number would be read as its unit: m1/V.
            None if param.unit.starts_with("1/") => format!("{value} {}", param.unit),
            None => engineering(value, param.unit, 5),
        };
        let from = if valve.given.contains(&param.name) {
            ""
        } else {
            " (default)"
        };
        table.row([
            param.name.to_string(),
            shown,
            format!("{}{from}", param.meaning),
        ]);
    }
    let _ = write!(text, "\n{}", table.text());
    text += "\nSources and notes\n\n";
    for line in &valve.notes {
        let _ = writeln!(text, "  {line}");
    }
    text
}

/// The page of a subcircuit.
pub fn of_block(block: &Block) -> String {
    let mut text = format!("{}: a subcircuit\n\n", block.name);
    let ports = block.ports.join(" ");
    let _ = writeln!(text, "Its line: X1 {ports} {}", block.name);
    text += "\nSources and notes\n\n";
    for line in &block.notes {
        let _ = writeln!(text, "  {line}");
    }
    text
}

/// The base, a line a pin.
fn pins(base: &Base, terminals: &[&str]) -> String {
    let mut text = format!(
        "\nBase {}, {}, pins seen from below\n\n",
        base.name,
        base.socket.name()
    );
    let sections = base.sections(terminals);
    for use_of in base.pins {
        let number = match use_of.pin {
            0 => "cap".into(),
            n => n.to_string(),
        };
        let other = use_of.section != 0 && !sections.contains(&use_of.section);
        let owner = match use_of.section {
            _ if other => " (the other valve in the bottle)".to_string(),
            0 => String::new(),
            _ if sections.len() < 2 => String::new(),
            section => format!(" (section {section})"),
        };
        let _ = writeln!(text, "  {number:>3}  {}{owner}", name(use_of.role));
    }
    text
}

/// A role in words.
pub fn name(role: Role) -> &'static str {
    match role {
        Role::Terminal(name) => name,
        Role::Suppressor => "suppressor",
        Role::Heater => "heater",
        Role::Filament => "filament (cathode)",
        Role::HeaterCathode => "heater and cathode",
        Role::HeaterTap => "middle of the heater",
        Role::Shield => "shield",
        Role::Free => "not for use",
    }
}
