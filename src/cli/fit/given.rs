//! What the command line gives: the valve, readings, the meter.

use crate::circuit::designation;
use crate::circuit::library::Shipped;
use crate::cli::common::Session;
use crate::cli::failure::Failure;
use crate::diag::nearest;
use crate::fit::bottle;
use crate::fit::estimate::Estimate;
use crate::fit::problem::{FitProblem, Located};
use crate::fit::readings::{self, Reading};
use crate::netlist::Loader;

/// All that is shown.
pub(super) struct Findings<'a> {
    pub(super) name: &'a str,
    pub(super) from: &'a str,
    /// The set that was fitted.
    pub(super) valve: &'a Shipped,
    pub(super) found: Estimate,
}

/// The built-in type of a name, if it can be fitted.
pub(super) fn named<'s>(shipped: &'s [Shipped], name: &str) -> Result<&'s Shipped, Failure> {
    let fits = |v: &&Shipped| bottle::fits(v.kind);
    let found = shipped.iter().find(|v| v.name.eq_ignore_ascii_case(name));
    match found {
        Some(valve) if fits(&valve) => Ok(valve),
        Some(valve) => Err(plain(FitProblem::NoGrid {
            name: valve.name.clone(),
        })),
        None => {
            let names = || shipped.iter().filter(fits).map(|v| v.name.as_str());
            let near = designation::meant(name, names()).or_else(|| nearest(name, names()));
            let near = near.map(str::to_string);
            let name = name.to_string();
            Err(plain(FitProblem::NoType { name, near }))
        }
    }
}

/// Readings of a valve of some type.
pub(super) fn load(
    session: &Session<'_>,
    path: &str,
    valve: &Shipped,
) -> Result<Vec<Reading>, Failure> {
    let text = load_text(session, path)?;
    readings::read(&text, bottle::has_screen(valve.kind)).map_err(|wrong| at(path, wrong))
}

/// A table as text.
pub(super) fn load_text(session: &Session<'_>, path: &str) -> Result<String, Failure> {
    match session.guards.loader().load(path, None) {
        Ok((_, text)) => Ok(text),
        Err(why) => Err(Failure::unread(path, &why)),
    }
}

/// `--accuracy`, as a part.
pub(super) fn accuracy(session: &Session<'_>) -> Result<f64, Failure> {
    Ok(session.percent("accuracy", 0.01..=30.0)?.unwrap_or(0.01))
}

/// A problem without a place.
pub(super) fn plain(problem: FitProblem) -> Failure {
    Failure::usage(problem.to_string()).hint_if_any(problem.hint())
}

/// A problem at a line of a file.
pub(super) fn at(path: &str, wrong: Located) -> Failure {
    let message = format!("{path}, line {}: {}", wrong.line, wrong.problem);
    Failure::usage(message).hint_if_any(wrong.problem.hint())
}
