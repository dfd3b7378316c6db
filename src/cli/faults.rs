//! `faults`: from meter readings to the part that is at fault.

mod picture;
mod record;
mod words;

use super::command::Command;
use super::common::{Session, number_option, word_option};
use super::failure::Failure;
use super::interrupt;
use super::outcome::Outcome;
use crate::analysis::mains;
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::faults::diagnosis::Case;
use crate::faults::evidence::Meter;
use crate::faults::point::Quantity;
use crate::faults::readings::{self, Reading};
use crate::inputs::cannot_read;
use crate::netlist::Loader;
use crate::num::Role;
use crate::report::progress::Progress;
use crate::tolerance::list::{Rule, Variables};
use clap::{ArgAction, ArgMatches};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "faults",
    about: "Why does it measure wrong? From meter readings to the part to replace",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(
            word_option(
                "readings",
                "READINGS.csv",
                "What the meter showed: a CSV of probe,value (DC volts); with a column `state` also \
                 volts with valves pulled or a switch open, r(node) with the mains off; `gain \
                 v(node)` at 1 kHz; `ripple v(node)` of a supply on the mains",
            )
            .required(true),
        )
        .arg(number_option(
            "meter",
            "OHM",
            "The meter's resistance (10meg unless said)",
        ))
        .arg(word_option(
            "accuracy",
            "PERCENT",
            "The meter's accuracy (1% unless said)",
        ))
        .arg(
            word_option(
                "tol",
                "NAME=TOLERANCE",
                "How far a part may be off, as in spread: `RK1=1%`, `R=10%`, `XV1A.mu=5%`",
            )
            .action(ArgAction::Append)
            .allow_hyphen_values(true),
        )
        .arg(word_option(
            "plot",
            "FILE.svg",
            "Draw read, sound and explained volts, point by point",
        ))
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    if !session.texts("probe").is_empty() {
        return Err(Failure::usage("faults takes no `--probe`")
            .hint("the points are those of the readings"));
    }
    let meter = meter(&session)?;
    let circuit = session.circuit(Timing::default())?;
    session.warn_of_supply(&circuit);
    fed(&circuit)?;
    let path = session.text("readings").expect("required");
    let readings = read(&session, path, &circuit)?;
    let mut rules = Vec::new();
    let mut problems = Vec::new();
    for text in session.texts("tol") {
        let line = format!("--tol {text}");
        let file = session.draft.files.add("command line", line.as_str());
        match Rule::parse(text, crate::diag::Span::new(file, 6, line.len())) {
            Ok(rule) => rules.push(rule),
            Err(problem) => problems.push(problem),
        }
    }
    if !problems.is_empty() {
        return Err(session.failed(problems));
    }
    let variables = Variables::of(&circuit, &rules).map_err(|p| session.failed(p))?;
    let mut outputs = session.guards.outputs();
    let mut case = Case::new(circuit, variables, meter).map_err(Failure::NoSolution)?;
    beyond(&case, &readings, path)?;
    let progress = Progress::new("faults", 1.0, session.quiet);
    let diagnosis = case.diagnose(&readings, &mut |done, all| {
        progress.at(done as f64 / all as f64);
        interrupt::check()
    })?;
    drop(progress);
    if let Some((message, hint)) = words::unanswered(&diagnosis, &readings) {
        return Err(Failure::Unsolved { message, hint });
    }
    if let Some(path) = session.csv() {
        outputs.text(&path, &record::csv(&diagnosis))?;
    }
    if let Some(path) = session.text("plot") {
        let title = session.draft.netlist.title.trim().to_string();
        outputs.text(
            Path::new(path),
            &picture::drawn(&title, &diagnosis, &readings),
        )?;
    }
    let title = session.draft.netlist.title.trim().to_string();
    session.finish(
        outputs,
        || record::json(&title, &diagnosis, &readings),
        || words::printed(&title, &diagnosis, &readings),
    )?;
    Ok(if diagnosis.is_sound() {
        Outcome::Done
    } else {
        Outcome::FellShort
    })
}

/// Refuses a supply whose mains are left out: an amplifier without any volts would be the sound one.
fn fed(circuit: &Circuit) -> Result<(), Failure> {
    let mains = mains::find(circuit);
    match mains::unfed(circuit, mains.as_ref()).first() {
        None => Ok(()),
        Some(source) => Err(Failure::usage(format!(
            "`{}` feeds a supply and is not taken as the mains: readings would be judged without it",
            source.name
        ))
        .hint("the mains are a SIN of 40 to 70 Hz without a DC or AC value on the line")),
    }
}

/// The meter that was used.
fn meter(session: &Session<'_>) -> Result<Meter, Failure> {
    let ohms = session.positive("meter", Role::Resistance)?.unwrap_or(10e6);
    let accuracy = session.percent("accuracy", 0.0..=50.0)?.unwrap_or(0.01);
    Ok(Meter { ohms, accuracy })
}

fn read(session: &Session<'_>, path: &str, circuit: &Circuit) -> Result<Vec<Reading>, Failure> {
    let text = match session.guards.loader().load(path, None) {
        Ok((_, text)) => text,
        Err(why) if why.is_not_found() => {
            return Err(Failure::usage(cannot_read(Path::new(path), &why))
                .hint("write what the meter showed into it, one `v(node),volts` a line"));
        }
        Err(why) => return Err(Failure::unread(path, &why)),
    };
    readings::read(&text, circuit).map_err(|wrong| {
        Failure::usage(format!(
            "{path}, line {}, column `{}`: {}",
            wrong.line, wrong.column, wrong.why
        ))
        .hint(wrong.hint)
    })
}

/// Refuses readings that no fault could make: a wrong range or sign.
fn beyond(case: &Case, readings: &[Reading], path: &str) -> Result<(), Failure> {
    let (least, most) = case.reach();
    for reading in readings {
        if reading.point.quantity != Quantity::Volts {
            continue;
        }
        if reading.value > most || reading.value < least {
            return Err(Failure::usage(format!(
                "{path}, line {}, column `value`: `{}` cannot be {}: this supply gives {} to {} at \
                 most, and the sound circuit has {} there",
                reading.line,
                reading.point.label,
                words::volts(reading.value),
                words::volts(least),
                words::volts(most),
                words::volts(case.sound(reading)),
            ))
            .hint("check the meter's range and sign, and the point"));
        }
    }
    Ok(())
}
