//! What the command line sets on a circuit: `--set`, `--knob`, `--switch` and `--mains`.

use crate::circuit::params::{self, Setting, What};
use crate::circuit::problem::CircuitProblem;
use crate::diag::{Diagnostic, FileId, Files, Span};
use crate::figure::choice::TEMPERATURE;
use crate::netlist::statement::{ControlKind, ControlLine, Value};
use crate::num;
use clap::ArgMatches;

/// What `--mains` may be in a command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mains {
    /// One percentage.
    Value,
    /// One percentage, or a range such as 90..110 that the command goes through by itself.
    ValueOrRange,
}

/// The settings of a command line, in the order in which they are made.
#[derive(Debug, Default)]
pub struct Settings {
    /// Those of the circuit's parts and of the mains.
    pub all: Vec<Setting>,
    /// The temperature is not set on a part: it is a line of the netlist. The last one counts.
    pub temperatures: Vec<ControlLine>,
}

/// Reads them; what is not a setting is reported with its place on the command line.
///
/// # Errors
/// All texts that are not of the form NAME=VALUE.
pub fn read(
    matches: &ArgMatches,
    mains: Mains,
    files: &mut Files,
) -> Result<Settings, Vec<Diagnostic>> {
    let mut found = Settings::default();
    let mut problems = Vec::new();
    for (option, what) in [
        ("set", What::Value),
        ("knob", What::Knob),
        ("switch", What::Switch),
    ] {
        for text in matches.get_many::<String>(option).into_iter().flatten() {
            match setting(files, option, what, text) {
                Ok(setting) if setting.target.eq_ignore_ascii_case(TEMPERATURE) => {
                    found.temperatures.push(ControlLine {
                        span: setting.value.span,
                        kind: ControlKind::Temp(vec![setting.value]),
                    });
                }
                Ok(setting) => found.all.push(setting),
                Err(diagnostic) => problems.push(diagnostic),
            }
        }
    }
    if let Some(text) = matches.get_one::<String>("mains")
        && !(mains == Mains::ValueOrRange && text.contains(".."))
    {
        found.all.push(of_mains(files, text));
    }
    if problems.is_empty() {
        Ok(found)
    } else {
        Err(problems)
    }
}

/// `NAME=VALUE` with its place on the command line.
pub fn setting(
    files: &mut Files,
    option: &str,
    what: What,
    text: &str,
) -> Result<Setting, Diagnostic> {
    let line = format!("--{option} {text}");
    let file = files.add("command line", line.as_str());
    let start = option.len() + 3;
    let bad = || {
        CircuitProblem::SettingSyntax {
            text: text.to_string(),
            option: option.to_string(),
        }
        .at(Span::new(file, start, line.len()))
    };
    let (name, value) = text.split_once('=').ok_or_else(bad)?;
    let (name, value) = (name.trim(), value.trim());
    if name.is_empty() || value.is_empty() {
        return Err(bad());
    }
    let equals = start + text.find('=').expect("split there");
    Ok(Setting::new(
        what,
        name,
        number(value, file, equals + 1, line.len()),
        Some(Span::new(file, start, line.len())),
    ))
}

/// The mains in per cent, with or without the sign.
fn of_mains(files: &mut Files, text: &str) -> Setting {
    let line = format!("--mains {text}");
    let file = files.add("command line", line.as_str());
    let start = line.len() - text.len();
    let value = number(num::before_percent_sign(text), file, start, line.len());
    Setting::new(
        What::Value,
        params::MAINS,
        value,
        Some(Span::new(file, start, line.len())),
    )
}

/// The place of a name in `line`, which ends in the option's `text`; that begins with the name.
pub fn name_span(file: FileId, line: &str, text: &str, name: &str) -> Span {
    let start = line.len() - text.trim_start().len();
    Span::new(file, start, start + name.len())
}

/// A value as typed, with its place.
pub fn number(text: &str, file: FileId, start: usize, end: usize) -> Value {
    Value {
        number: num::parse(text).unwrap_or(f64::NAN),
        text: text.to_string(),
        span: Span::new(file, start, end),
    }
}
