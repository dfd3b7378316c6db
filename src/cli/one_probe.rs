//! The single probe of the commands that look at one place only.

use super::common::Session;
use super::failure::Failure;
use crate::circuit::{Circuit, Node};
use crate::device::role::DeviceRole;
use crate::system::probe::Observable;

/// The probe of the command line, or of the netlist's `.print` lines for the first of these
/// analyses that has any. `what` takes it: `a sound`, `noise`.
///
/// # Errors
/// If there is not just one, or one cannot be read.
pub fn one_probe(
    session: &mut Session<'_>,
    circuit: &Circuit,
    analyses: &[&[&str]],
    what: &str,
) -> Result<Observable, Failure> {
    let mut probes = Vec::new();
    for analysis in analyses {
        probes = session.probes(circuit, analysis)?;
        if !probes.is_empty() {
            break;
        }
    }
    let count = probes.len();
    <[Observable; 1]>::try_from(probes)
        .map(|[probe]| probe)
        .map_err(|_| {
            Failure::usage(format!("{what} takes one `--probe`, found {count}"))
                .hint(example(circuit))
        })
}

/// A probe of this netlist, in quotes: a shell takes brackets for its own.
fn example(circuit: &Circuit) -> String {
    match likely_output(circuit) {
        Some(node) => format!("for example `--probe 'v({})'`", circuit.nodes[node.0].name),
        None => "name a node, in quotes because of the brackets: `--probe 'v(NODE)'`".to_string(),
    }
}

/// Where a builder would look first: at the loudspeaker, at a node called out, or at the last
/// plate.
fn likely_output(circuit: &Circuit) -> Option<Node> {
    let is_live = |node: &Node| *node != Node::GROUND && !circuit.nodes[node.0].inner;
    let speakers = circuit
        .elements
        .iter()
        .filter(|e| e.role() == Some(DeviceRole::Loudspeaker));
    let at_speaker = speakers.flat_map(|e| &e.terminals).copied().find(is_live);
    let called = |name: &str| circuit.node(name).filter(is_live);
    let valves = circuit.elements.iter().rev().filter(|e| e.is_valve());
    let plate = || {
        valves
            .filter_map(|e| e.terminals.first())
            .copied()
            .find(is_live)
    };
    at_speaker
        .or_else(|| called("out"))
        .or_else(|| called("output"))
        .or_else(plate)
        .or_else(|| (0..circuit.nodes.len()).rev().map(Node).find(is_live))
}
