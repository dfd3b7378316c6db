//! The times of a transient: given, or the netlist's own.

use crate::analysis::transient::Run;
use crate::netlist::statement::{ControlKind, Netlist};

/// What is wrong with the times.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BadTimes {
    /// This one is neither given nor on a .tran line.
    Missing(&'static str),
    /// Step or stop is not more than zero.
    NotPositive,
    /// The first time is before zero or after the last, both s.
    From(f64, f64),
}

/// The run that the times given and the netlist's `.tran` and `.options` lines ask for.
///
/// # Errors
/// If a time is missing or out of place.
pub fn run(
    netlist: &Netlist,
    stop_s: Option<f64>,
    step_s: Option<f64>,
    from_s: Option<f64>,
) -> Result<Run, BadTimes> {
    let statement = netlist.controls.iter().find_map(|c| match &c.kind {
        ControlKind::Tran {
            step,
            stop,
            start,
            max_step,
            uic,
        } => Some((
            step.number,
            stop.number,
            start.as_ref().map_or(0.0, |s| s.number),
            max_step.as_ref().map(|m| m.number),
            *uic,
        )),
        _ => None,
    });
    let stop = stop_s
        .or(statement.map(|c| c.1))
        .ok_or(BadTimes::Missing("stop"))?;
    let step = step_s
        .or(statement.map(|c| c.0))
        .ok_or(BadTimes::Missing("step"))?;
    let from = from_s.or(statement.map(|c| c.2)).unwrap_or(0.0);
    if !(step > 0.0 && stop > 0.0) {
        return Err(BadTimes::NotPositive);
    }
    if !(0.0..=stop).contains(&from) {
        return Err(BadTimes::From(from, stop));
    }
    let mut run = Run::new(from, step, stop);
    if let Some((.., max_step, uic)) = statement {
        run.from_initial_values = uic;
        if let Some(max) = max_step.filter(|&m| m > 0.0) {
            run.max_step_s = max;
        }
    }
    if let Some((_, value)) = netlist.option("reltol") {
        // The published meaning is a part of the value; ours is a local error.
        run.accuracy.relative = (value.number * 2e-3).clamp(1e-12, 1e-2);
    }
    Ok(run)
}
