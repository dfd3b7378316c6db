//! The source that a command drives (`--source`, or the only one with an AC value) and the load
//! that it measures (`--load`).

use super::common::{Session, word_option};
use super::failure::Failure;
use crate::circuit::{Circuit, Element};
use crate::device::role::DeviceRole;
use crate::device::source::Drive;
use crate::figure::driven_source::{self, Driving};
use crate::measure::distortion::Load;
use crate::system::assemble::Driven;
use clap::Arg;

/// `--source`, of the commands that drive a circuit; read by [`named`].
pub fn option(help: &'static str) -> Arg {
    word_option("source", "NAME", help)
}

/// Its name as in the netlist, its place and what it gives by itself.
///
/// # Errors
/// If there is no source of that name, or none is named and not just one has an AC value:
/// then `question` is put.
pub fn named(
    session: &Session<'_>,
    circuit: &Circuit,
    question: &str,
) -> Result<(String, Driven, Drive), Failure> {
    let candidates = driven_source::sources(circuit);
    let names = || {
        candidates
            .iter()
            .map(|c| format!("`{}`", c.name))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let asked = session.text("source");
    if let Some(found) = driven_source::find(circuit, asked) {
        return Ok((found.name, found.driven, found.drive));
    }
    let Some(name) = asked else {
        return Err(unnamed(&candidates, question));
    };
    let failure = Failure::usage(format!("no source `{name}`"));
    Err(
        match crate::diag::nearest(name, candidates.iter().map(|c| c.name.as_str())) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None => failure.hint(format!("the netlist has {}", names())),
        },
    )
}

/// That the input is not known, and how to say which source it is.
fn unnamed(all: &[Driving], question: &str) -> Failure {
    let list = |sources: &[&Driving]| {
        let names: Vec<String> = sources.iter().map(|s| format!("`{}`", s.name)).collect();
        names.join(", ")
    };
    let marked: Vec<&Driving> = all.iter().filter(|s| s.drive.ac.is_some()).collect();
    if !marked.is_empty() {
        return Failure::usage(question).hint(format!(
            "give --source; `AC` stands on the lines of {}",
            list(&marked)
        ));
    }
    let is_supply = |s: &&Driving| {
        s.drive.mains_hz().is_some() || (s.drive.wave.is_none() && s.drive.dc.abs() >= SUPPLY_V)
    };
    let inputs: Vec<&Driving> = all.iter().filter(|s| !is_supply(s)).collect();
    match &inputs[..] {
        [] if all.is_empty() => Failure::usage("the netlist has no source")
            .hint("add an input, such as `VIN in 0 AC 1`"),
        [] => Failure::usage(format!(
            "the netlist has no input, only supplies: {}",
            list(&all.iter().collect::<Vec<_>>())
        ))
        .hint("add an input, such as `VIN in 0 AC 1`"),
        [one, ..] => Failure::usage(question).hint(format!(
            "write `AC 1` on the line of the input, or give `--source {}`; the netlist has {}",
            one.name,
            list(&all.iter().collect::<Vec<_>>())
        )),
    }
}

/// Volts at rest from which a source is a supply and no input.
const SUPPLY_V: f64 = 1.0;

/// The resistor or loudspeaker that `--load` names, if it is given.
///
/// # Errors
/// If there is none of that name, or it is something else.
pub fn load<'c>(
    session: &Session<'_>,
    circuit: &'c Circuit,
) -> Result<Option<(&'c Element, Load)>, Failure> {
    let Some(name) = session.text("load") else {
        return Ok(None);
    };
    let loads = circuit.elements.iter().filter(|e| {
        matches!(
            e.role(),
            Some(DeviceRole::Resistor | DeviceRole::Loudspeaker)
        )
    });
    let element = circuit.element(name).ok_or_else(|| {
        let failure = Failure::usage(format!("`--load {name}`: there is no such element"));
        let names = loads.map(|e| e.name.as_str());
        match crate::diag::nearest(name, names) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None => failure.hint("expected the name of a resistor or loudspeaker"),
        }
    })?;
    let load = Load::new(circuit, element).ok_or_else(|| {
        Failure::usage(format!(
            "`--load {name}` is neither a loudspeaker nor a resistor of more than zero ohms"
        ))
        .hint("expected the resistor or loudspeaker at the output, for example `--load RLOAD`")
    })?;
    Ok(Some((element, load)))
}
