//! Mains sources that are written as a plain value: nothing comes out of their transformer.

use super::network::{BranchKind, Circuit, Element, Node, Piece};
use super::problem::CircuitProblem;
use crate::device::role::DeviceRole;
use crate::device::source::Drive;
use crate::diag::Diagnostic;
use std::f64::consts::SQRT_2;

/// A warning for every source without a waveform that feeds the primary of a mains transformer.
pub fn without_sine(circuit: &Circuit) -> Vec<Diagnostic> {
    let is_mains = |e: &&Element| e.role() == Some(DeviceRole::MainsTransformer);
    let mut warnings = Vec::new();
    for transformer in circuit.elements.iter().filter(is_mains) {
        let line = behind(circuit, &transformer.terminals[..2]);
        let feeding: Vec<(&Element, &Drive)> = circuit
            .elements
            .iter()
            .filter(|e| e.terminals.iter().any(|n| line.contains(n)))
            .filter_map(|e| Some((e, drive(circuit, e)?)))
            .collect();
        if feeding.iter().any(|(_, drive)| drive.wave.is_some()) {
            continue;
        }
        for (source, _) in feeding {
            let [vpri, hz] = ["vpri", "hz"].map(|name| parameter(transformer, name));
            let ends: Vec<&str> = source
                .terminals
                .iter()
                .map(|n| circuit.nodes[n.0].name.as_str())
                .collect();
            let problem = CircuitProblem::MainsWithoutSine {
                name: source.name.clone(),
                transformer: transformer.name.clone(),
                line: format!(
                    "{} {} SIN(0 {} {})",
                    source.name,
                    ends.join(" "),
                    crate::num::full((vpri * SQRT_2).round()),
                    crate::num::full(hz)
                ),
                peak: crate::num::full((vpri * SQRT_2).round()),
                rms: crate::num::full(vpri),
            };
            warnings.push(problem.warn_at(source.span));
        }
    }
    warnings
}

/// A transformer's parameter.
fn parameter(element: &Element, name: &str) -> f64 {
    let params = element.kind.map_or(&[][..], |kind| kind.model_params);
    let place = params.iter().position(|p| p.name == name);
    place.map_or(f64::NAN, |k| element.made.model[k])
}

/// What a voltage source does by itself.
fn drive<'c>(circuit: &'c Circuit, element: &Element) -> Option<&'c Drive> {
    let Piece::Branch(k) = element.ports.first()?.piece else {
        return None;
    };
    match &circuit.branches[k].kind {
        BranchKind::Source(drive) => Some(drive),
        _ => None,
    }
}

/// These nodes but ground, and those behind a fuse or a switch.
fn behind(circuit: &Circuit, from: &[Node]) -> Vec<Node> {
    let passes = |e: &&Element| {
        let role = e.role();
        role == Some(DeviceRole::Resistor) || role == Some(DeviceRole::Toggle)
    };
    let mut found: Vec<Node> = from
        .iter()
        .copied()
        .filter(|n| *n != Node::GROUND)
        .collect();
    let mut next = 0;
    while let Some(&node) = found.get(next) {
        next += 1;
        for element in circuit.elements.iter().filter(passes) {
            if element.terminals.contains(&node) {
                let others = element.terminals.iter();
                let new = others.filter(|n| **n != Node::GROUND && !found.contains(n));
                let new: Vec<Node> = new.copied().collect();
                found.extend(new);
            }
        }
    }
    found
}
