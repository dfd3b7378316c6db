//! One amplifier's settings, for any other command.

use super::super::check;
use super::super::failure::Failure;
use super::asked::Asked;
use crate::cli::outcome::Outcome;
use crate::num;
use crate::tolerance::measure::{Around, Setting};

/// The settings of a run, an option a line.
pub fn options(asked: &Asked<'_>, run: u64) -> Vec<String> {
    let never = || false;
    let around = Around {
        sources: &asked.sources,
        clips: &asked.beside,
        stopped: &never,
    };
    let variables = &asked.plan.variables;
    let mut numbers = vec![0.0; variables.draws.len()];
    let mut values = variables.nominal();
    asked
        .sampler("")
        .values(variables, run, &mut numbers, &mut values);
    let mut worker = asked.plan.worker(around);
    let option = |s: Setting| match s {
        Setting::Value(name, value) => format!("--set {name}={}", num::full(value)),
        Setting::Knob(name, value) => format!("--knob {name}={}", num::full(value)),
    };
    worker.settings(&values).into_iter().map(option).collect()
}

/// Prints them.
///
/// # Errors
/// If standard output cannot be written.
pub fn show(asked: &Asked<'_>, run: u64) -> Result<Outcome, Failure> {
    let mut text = options(asked, run).join("\n");
    text.push('\n');
    check::print(&text)
}
