//! Statements and devices joined: what is connected to what.

pub mod bind;
pub mod check;
pub mod designation;
pub mod flatten;
pub mod hanging;
pub mod held;
pub mod ledger;
pub mod library;
pub mod loosen;
mod mains_written;
mod names;
mod network;
mod options;
pub mod params;
pub mod problem;
pub mod read;
pub mod remake;
mod same_number;

use crate::diag::{Diagnostic, Files};
use crate::netlist::statement::{ControlKind, Name, Netlist, Value};
use bind::{Binder, Timing};
use ledger::Ledger;
pub use network::{
    Branch, BranchKind, BranchPart, Capacitance, Circuit, CurrentPart, Element, Gain, LawPart,
    Node, NodeName, Piece, Port, Resistance, Sense, Sink,
};
use params::Overrides;
use problem::{CircuitProblem, cut};

/// A circuit and what was doubtful about it.
#[derive(Debug)]
pub struct Built {
    /// The circuit.
    pub circuit: Circuit,
    /// Warnings.
    pub warnings: Vec<Diagnostic>,
}

/// Builds a circuit from a netlist: subcircuits expanded, models found, settings applied,
/// wiring checked. On failure all errors are returned, and the warnings with them.
pub fn build(
    netlist: &Netlist,
    settings: &Overrides,
    timing: Timing,
    sources: &mut Files,
) -> Result<Built, Vec<Diagnostic>> {
    build_as(netlist, settings, timing, sources, true)
}

/// As [`build`], with no rule of wiring applied: a circuit that hangs in the air and has no
/// solution can still be drawn and compared.
///
/// # Errors
/// Everything that is wrong with its lines.
pub fn build_unwired(
    netlist: &Netlist,
    settings: &Overrides,
    timing: Timing,
    sources: &mut Files,
) -> Result<Built, Vec<Diagnostic>> {
    build_as(netlist, settings, timing, sources, false)
}

fn build_as(
    netlist: &Netlist,
    settings: &Overrides,
    timing: Timing,
    sources: &mut Files,
    wired: bool,
) -> Result<Built, Vec<Diagnostic>> {
    let (library, mut problems) = library::load(sources);
    let expansion = flatten::expand(
        &netlist.body,
        &library,
        settings,
        &netlist.limits,
        &mut problems,
    );
    if expansion.broken_off {
        return Err(cut(problems));
    }
    let celsius = options::celsius(netlist, &mut problems);
    let mut binder = Binder::new(&expansion, settings, timing, &netlist.title, celsius);
    binder.transistor_sizes = options::transistor_sizes(netlist);
    binder.bind();
    problems.append(&mut binder.problems);
    let mut circuit = binder.circuit;
    problems.extend(options::nominal_temperature(netlist, &circuit));
    // Where the tool itself is tested, every solution is audited and a wrong one is our bug.
    let strict = cfg!(any(test, debug_assertions)).then(Ledger::strict);
    circuit.ledger = settings.ledger.clone().or(strict);
    for statement in &netlist.controls {
        match &statement.kind {
            ControlKind::Nodeset(list) => {
                circuit
                    .nodesets
                    .extend(voltages(&circuit, list, &mut problems));
            }
            ControlKind::Ic(list) => {
                let held = voltages(&circuit, list, &mut problems);
                // Where one has no node nothing is held, as there is an error.
                let places = list.iter().map(|(_, value)| value.span);
                circuit.held_at.extend(places.take(held.len()));
                circuit.held.extend(held);
            }
            _ => {}
        }
    }
    if wired && !problems.iter().any(Diagnostic::is_error) {
        if circuit.elements.is_empty() {
            problems.push(CircuitProblem::Empty.at(netlist.title_span));
        }
        problems.extend(check::topology(&circuit));
        problems.extend(mains_written::without_sine(&circuit));
        problems.extend(same_number::twice_written(&circuit));
    }
    let problems = cut(problems);
    if problems.iter().any(Diagnostic::is_error) {
        return Err(problems);
    }
    Ok(Built {
        circuit,
        warnings: problems,
    })
}

/// `v(n)=x` lists with their nodes.
fn voltages(
    circuit: &Circuit,
    list: &[(Name, Value)],
    problems: &mut Vec<Diagnostic>,
) -> Vec<(Node, f64)> {
    let mut found = Vec::new();
    for (name, value) in list {
        if problems.len() > problem::MOST {
            break;
        }
        match circuit.node(&name.text) {
            Some(node) => found.push((node, value.number)),
            None => problems.push(unknown_node(circuit, &name.text).at(name.span)),
        }
    }
    found
}

/// The problem of a node that does not exist, with what may have been meant.
pub fn unknown_node(circuit: &Circuit, name: &str) -> CircuitProblem {
    CircuitProblem::UnknownNode {
        name: name.to_string(),
        near: crate::diag::nearest(name, circuit.node_names()).map(str::to_string),
    }
}
