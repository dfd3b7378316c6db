//! What `bias` and `parts` play into the circuit to see what its parts must stand.

use super::common::{Session, number_option};
use super::driven_source as source;
use super::failure::Failure;
use super::{interrupt, parallel};
use crate::circuit::Circuit;
use crate::figure::driven_source::own_sine;
use crate::measure::findings::{Finding, UNSOLVED};
use crate::measure::stress::{self, Sine, State, Survey};
use crate::num::{self, Role};
use crate::report::progress::Progress;
use std::cell::RefCell;

/// Adds the options that say how the circuit is driven; `--drive` is the command's own.
pub fn options(command: clap::Command) -> clap::Command {
    command
        .arg(source::option("The source that --drive plays at"))
        .arg(number_option(
            "frequency",
            "F",
            "Of the sine that --drive plays, Hz",
        ))
}

/// What is played.
#[derive(Debug, Clone)]
pub struct Drive {
    /// The sine.
    pub sine: Sine,
    /// In words: `4 V at 1 kHz at VIN`.
    pub words: String,
}

/// What `--drive` asks for, if it does.
///
/// # Errors
/// If there is no such source, or no level that clips.
pub fn asked(session: &Session<'_>, circuit: &Circuit) -> Result<Option<Drive>, Failure> {
    let Some(text) = session.text("drive") else {
        return Ok(None);
    };
    let (name, driven, drive) = source::named(session, circuit, "which source drives?")?;
    let given = session.positive("frequency", Role::Frequency)?;
    let freq_hz =
        given.unwrap_or_else(|| stress::frequency(circuit, own_sine(&drive).map(|s| s.0)));
    let level = if text.eq_ignore_ascii_case("full") {
        stress::full_level(circuit, driven, freq_hz)?.ok_or_else(|| {
            Failure::usage(format!("no level at `{name}` drives a valve to clipping"))
                .hint("give the level in V, or another --source")
        })?
    } else {
        session
            .positive("drive", Role::Voltage)?
            .expect("the option was given")
    };
    let words = format!(
        "{} peak at {} from `{name}`",
        num::engineering(level, "V", 3),
        num::engineering(freq_hz, "Hz", 3)
    );
    Ok(Some(Drive {
        sine: Sine {
            driven,
            freq_hz,
            level,
        },
        words,
    }))
}

thread_local! {
    /// The survey that is shared, if one is.
    static SHARED: RefCell<Option<Option<Survey>>> = const { RefCell::new(None) };
}

/// Does work in which several commands look at one and the same circuit: what the first has
/// surveyed the others need not take it through again.
pub fn sharing<R>(work: impl FnOnce() -> R) -> R {
    SHARED.set(Some(None));
    let done = work();
    SHARED.set(None);
    done
}

/// Takes the circuit through states and reads all its parts; `what` is the command, for its
/// progress, and whether it is quiet.
///
/// # Errors
/// If the user breaks off.
pub fn survey(
    circuit: &Circuit,
    states: Vec<State>,
    (what, quiet): (&'static str, bool),
) -> Result<Survey, Failure> {
    let known = SHARED.with_borrow(|shared| shared.as_ref()?.as_ref()?.only(&states));
    if let Some(known) = known {
        return Ok(known);
    }
    let progress = Progress::new(what, states.len() as f64, quiet);
    // Each state is solved by itself, and on circuits with mains a driven one takes seconds.
    let parts = parallel::map(&states, parallel::processors(), |state| {
        let mut own = Circuit::clone(circuit);
        stress::survey(&mut own, vec![state.clone()], interrupt::check, || {
            progress.one_more();
        })
    });
    drop(progress);
    let parts: Vec<Survey> = parts.into_iter().collect::<Result<_, _>>()?;
    let survey = Survey::joined(parts).expect("one state at least, that at rest");
    SHARED.with_borrow_mut(|shared| {
        if let Some(shared) = shared {
            *shared = Some(survey.clone());
        }
    });
    Ok(survey)
}

/// The states that have no solution: what parts stand in them is not known.
///
/// # Errors
/// If the state at rest, or a driven one, is among them: it is what was asked for.
pub fn unsolved(survey: &Survey) -> Result<Vec<Finding>, Failure> {
    let mut unsolved = Vec::new();
    for (state, failed) in survey.states.iter().zip(&survey.failed) {
        let Some(trouble) = failed else { continue };
        if state.sine.is_some() || state.name == "at rest" {
            return Err(trouble.clone().into());
        }
        unsolved.push(Finding {
            subject: state.name.clone(),
            quantity: UNSOLVED,
            text: format!("{trouble}; what parts stand in it is not known"),
            grave: true,
        });
    }
    Ok(unsolved)
}
