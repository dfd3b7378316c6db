//! The frequencies that a command looks at: in decades, in equal steps or as listed.

use super::common::{Session, number_option};
use super::failure::Failure;
use crate::limits::Bound;
use crate::math::fun;
use crate::measure::gain;
use crate::netlist::statement::ControlKind;
use crate::num::{self, Role};

/// Adds the options.
pub fn options(command: clap::Command) -> clap::Command {
    command
        .arg(number_option("from", "F", "First frequency, Hz (20)"))
        .arg(number_option("to", "F", "Last frequency, Hz (20k)"))
        .arg(number_option(
            "points-per-decade",
            "N",
            "Rows at F1*10^(k/N) up to and including F2 (50)",
        ))
        .arg(number_option(
            "step",
            "F",
            "Rows in equal steps instead, Hz apart",
        ))
        .arg(number_option(
            "frequencies",
            "F1,F2,...",
            "These frequencies instead, Hz, rising",
        ))
}

/// Where neither options nor the netlist say: what is heard, finely enough for a plot.
const FROM_HZ: f64 = 20.0;
const TO_HZ: f64 = 20e3;
const PER_DECADE: f64 = 50.0;

/// What was asked for.
pub struct Asked {
    /// The frequencies, Hz, rising.
    pub rows_hz: Vec<f64>,
    /// Both ends, whether or not a row falls there, Hz.
    pub band_hz: (f64, f64),
}

enum Spacing {
    /// Rows in each decade.
    Decades(f64),
    /// Hz apart.
    Even(f64),
}

/// The frequencies by options or by the netlist's `.ac` line.
pub fn asked(session: &Session<'_>) -> Result<Asked, Failure> {
    let given = |name| session.text(name).is_some();
    let rivals = ["points-per-decade", "step", "frequencies"];
    let named: Vec<_> = rivals.into_iter().filter(|name| given(name)).collect();
    if let [first, second, ..] = named[..] {
        return Err(Failure::usage(format!(
            "`--{first}` and `--{second}` both choose the frequencies: expected one of them"
        ))
        .into());
    }
    if let Some(text) = session.text("frequencies") {
        if given("from") || given("to") {
            return Err(Failure::usage(
                "`--frequencies` lists all of them: expected no `--from` or `--to` beside it",
            )
            .into());
        }
        return listed(text);
    }
    let statement = by_statement(session);
    let from = session.positive("from", Role::Frequency)?;
    let to = session.positive("to", Role::Frequency)?;
    let statement_from = statement.as_ref().map_or(FROM_HZ, |c| c.0);
    let statement_to = statement.as_ref().map_or(TO_HZ, |c| c.1);
    let (from, to) = (from.unwrap_or(statement_from), to.unwrap_or(statement_to));
    if from > to {
        return Err(Failure::usage(format!(
            "the frequencies run from {} Hz to {} Hz, expected upwards",
            num::full(from),
            num::full(to)
        ))
        .into());
    }
    let spacing = match (
        session.positive("points-per-decade", Role::Plain)?,
        session.positive("step", Role::Frequency)?,
        statement,
    ) {
        (Some(n), ..) => Spacing::Decades(n),
        (_, Some(step), _) => Spacing::Even(step),
        (_, _, Some((.., spacing))) => spacing,
        _ => Spacing::Decades(PER_DECADE),
    };
    let rows = match spacing {
        Spacing::Decades(n) => n * fun::log10(to / from),
        Spacing::Even(step) => (to - from) / step,
    };
    session
        .guards
        .within(Bound::Frequencies, rows, |rows, most| {
            format!("{rows} frequencies are asked for, at most {most} are worked out")
        })?;
    let found = match spacing {
        Spacing::Decades(n) => gain::decades(from, to, n),
        Spacing::Even(step) => gain::up_to(to, |k| from + k * step),
    };
    Ok(Asked {
        rows_hz: found,
        band_hz: (from, to),
    })
}

/// First, last and spacing of the netlist's `.ac` line, if it has one.
fn by_statement(session: &Session<'_>) -> Option<(f64, f64, Spacing)> {
    session.draft.netlist.controls.iter().find_map(|c| {
        let ControlKind::Ac {
            spacing,
            points,
            from,
            to,
        } = &c.kind
        else {
            return None;
        };
        let (n, from, to) = (points.number, from.number, to.number);
        let spacing = match spacing.key().as_str() {
            "lin" => Spacing::Even(((to - from) / (n - 1.0).max(1.0)).max(to * 1e-9)),
            "oct" => Spacing::Decades(n / fun::log10(2.0)),
            _ => Spacing::Decades(n),
        };
        Some((from, to, spacing))
    })
}

fn listed(text: &str) -> Result<Asked, Failure> {
    let mut found: Vec<f64> = Vec::new();
    for word in text.split(',').map(str::trim) {
        let bad = |why: &str| {
            Failure::usage(format!("`--frequencies {text}`: `{word}` {why}"))
                .hint("expected rising frequencies with commas between, as in 100,1k,10k")
        };
        let (f, _) =
            num::parse_value(word, Role::Frequency).map_err(|why| bad(&format!("is {why}")))?;
        if !(f > 0.0 && f.is_finite()) {
            return Err(bad("is not more than zero"));
        }
        if found.last().is_some_and(|&last| f <= last) {
            return Err(bad("does not rise"));
        }
        found.push(f);
    }
    let (first, last) = (found[0], found[found.len() - 1]);
    Ok(Asked {
        band_hz: (first, last),
        rows_hz: found,
    })
}
