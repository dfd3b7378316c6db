//! The source that a command drives: `--source`, or the only one with an AC value.

use super::common::Session;
use super::failure::Failure;
use crate::circuit::Circuit;
use crate::device::source::Drive;
use crate::figure::driven_source;
use crate::system::assemble::Driven;

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
        return Err(
            Failure::usage(question).hint(format!("give --source; the netlist has {}", names()))
        );
    };
    let failure = Failure::usage(format!("no source `{name}`"));
    Err(
        match crate::diag::nearest(name, candidates.iter().map(|c| c.name.as_str())) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None => failure.hint(format!("the netlist has {}", names())),
        },
    )
}
