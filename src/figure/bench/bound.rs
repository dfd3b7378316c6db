//! A figure looked up in a circuit.

use super::super::Figure;
use super::super::driven_source;
use super::super::problem::FigureProblem;
use super::super::registry::{About, OfSound, OfWave, Way};
use super::super::timing;
use super::named::{driving, element, probe};
use super::played::Playing;
use super::sine;
use super::small::Small;
use super::value::MOST_POINTS;
use crate::analysis::transient::Run;
use crate::circuit::Circuit;
use crate::diag::Diagnostic;
use crate::measure::stress::{self, Sine};
use crate::netlist::statement::Netlist;
use crate::num;
use crate::system::probe::Observable;

/// What it takes to measure a figure.
#[derive(Debug)]
pub enum Bound {
    /// A probe at the operating point.
    Direct(Observable),
    /// A row of the chart: of this element or node.
    Chart(String),
    /// A figure of small signals.
    Small(Small),
    /// A figure of the steady state of a sine.
    Sine(sine::Sine),
    /// A figure of a waveform.
    Wave(Observable, Run, OfWave),
    /// A figure of a render.
    Played(Playing, OfSound),
    /// What an element must stand, at rest or while a sine plays.
    Stress(String, Option<Sine>),
}

/// Looks up what a figure names.
pub fn bind(figure: &Figure, circuit: &Circuit, netlist: &Netlist) -> Result<Bound, Diagnostic> {
    Ok(match figure.quantity.way {
        Way::Direct => Bound::Direct(probe(figure, circuit)?),
        Way::Chart if figure.quantity.about == About::Node => {
            Bound::Chart(probe(figure, circuit)?.label)
        }
        Way::Chart => Bound::Chart(element(figure, circuit)?.name.clone()),
        Way::Stress => {
            let name = element(figure, circuit)?.name.clone();
            Bound::Stress(name, stressing(figure, circuit)?)
        }
        Way::Small(of) => Bound::Small(Small::new(figure, circuit, of)?),
        Way::Sine(of) => Bound::Sine(sine::Sine::new(figure, circuit, of)?),
        Way::Wave(of) => Bound::Wave(probe(figure, circuit)?, run(figure, netlist)?, of),
        Way::Played(of) => {
            let driving = driving(figure, circuit)?;
            Bound::Played(Playing::new(figure, probe(figure, circuit)?, driving), of)
        }
    })
}

/// The diagnostic for a quantity that the chart does not have for an element.
pub fn not_charted(figure: &Figure, element: &str, has: &[&str]) -> Diagnostic {
    FigureProblem::NotCharted {
        element: element.to_string(),
        quantity: figure.quantity.name,
        has: has.join(", "),
    }
    .at(figure.subject_span)
}

fn run(figure: &Figure, netlist: &Netlist) -> Result<Run, Diagnostic> {
    let times = ["stop", "step", "from"].map(|key| figure.number(key));
    let run = timing::run(netlist, times[0], times[1], times[2]).map_err(|wrong| {
        let quantity = figure.quantity;
        match wrong {
            timing::BadTimes::Missing(key) => FigureProblem::MissingCondition {
                quantity: quantity.name,
                key,
                example: quantity.example,
            },
            timing::BadTimes::NotPositive => FigureProblem::MissingCondition {
                quantity: quantity.name,
                key: "step",
                example: quantity.example,
            },
            timing::BadTimes::From(from, stop) => FigureProblem::FromAfterStop {
                from: num::full(from),
                stop: num::full(stop),
            },
        }
        .at(figure.span)
    })?;
    let points = (run.stop_s - run.from_s) / run.step_s;
    if points > MOST_POINTS {
        return Err(FigureProblem::TooLong {
            points: format!("{points:.1e}"),
            most: format!("{MOST_POINTS:.0e}"),
        }
        .at(figure.span));
    }
    Ok(run)
}

/// What plays while a stress is measured; nothing without a level.
fn stressing(figure: &Figure, circuit: &Circuit) -> Result<Option<Sine>, Diagnostic> {
    let Some(level) = figure.number("level") else {
        return Ok(None);
    };
    let driving = driving(figure, circuit)?;
    let freq_hz = figure.number("frequency").unwrap_or_else(|| {
        stress::frequency(
            circuit,
            driven_source::own_sine(&driving.drive).map(|s| s.0),
        )
    });
    Ok(Some(Sine {
        driven: driving.driven,
        freq_hz,
        level,
    }))
}
