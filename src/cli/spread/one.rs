//! One amplifier's settings, for any other command.

use super::super::failure::Failure;
use super::super::tell::print;
use super::asked::Asked;
use crate::cli::outcome::Outcome;
use crate::figure::bench::Trouble;
use crate::num;
use crate::tolerance::measure::{Around, Setting};

/// The settings of a run, an option a line.
///
/// # Errors
/// If a trimmer cannot be set in that amplifier.
pub fn options(asked: &Asked<'_>, run: u64) -> Result<Vec<String>, Trouble> {
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
    Ok(worker.settings(&values)?.into_iter().map(option).collect())
}

/// Prints them.
///
/// # Errors
/// If a trimmer cannot be set in that amplifier, or standard output cannot be written.
pub fn show(asked: &Asked<'_>, run: u64) -> Result<Outcome, Failure> {
    let options = options(asked, run).map_err(|trouble| match trouble {
        Trouble::Input(problem) => Failure::Input(Box::new(asked.sources.clone()), vec![problem]),
        Trouble::NoSolution(none) => Failure::NoSolution(none),
        Trouble::Unsolved(why) | Trouble::Absent(why) => Failure::Unreached(why),
        Trouble::Stopped => Failure::Interrupted,
    })?;
    let mut text = options.join("\n");
    text.push('\n');
    print(&text)
}
