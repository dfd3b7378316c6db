//! The source that a command drives: `--source`, or the only one with an AC value.

use super::common::Session;
use super::failure::Failure;
use crate::circuit::{BranchKind, Circuit, Piece};
use crate::device::source::Drive;
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
    let candidates: Vec<(&str, Driven, &Drive)> = circuit
        .elements
        .iter()
        .filter_map(|e| match e.ports.first()?.piece {
            Piece::Branch(k) => match &circuit.branches[k].kind {
                BranchKind::Source(drive) => Some((e.name.as_str(), Driven::Voltage(k), drive)),
                _ => None,
            },
            Piece::Current(k) => Some((
                e.name.as_str(),
                Driven::Current(k),
                &circuit.currents[k].drive,
            )),
            _ => None,
        })
        .collect();
    let names = || {
        candidates
            .iter()
            .map(|c| format!("`{}`", c.0))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let found = match session.text("source") {
        Some(name) => candidates
            .iter()
            .find(|c| c.0.eq_ignore_ascii_case(name))
            .ok_or_else(|| {
                let failure = Failure::usage(format!("no source `{name}`"));
                match crate::diag::nearest(name, candidates.iter().map(|c| c.0)) {
                    Some(near) => failure.hint(format!("did you mean `{near}`?")),
                    None => failure.hint(format!("the netlist has {}", names())),
                }
            })?,
        None => {
            let mut with_ac = candidates.iter().filter(|c| c.2.ac.is_some());
            match (with_ac.next(), with_ac.next()) {
                (Some(one), None) => one,
                _ => {
                    return Err(Failure::usage(question)
                        .hint(format!("give --source; the netlist has {}", names())));
                }
            }
        }
    };
    Ok((found.0.to_string(), found.1, found.2.clone()))
}
