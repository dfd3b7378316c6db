//! Nodes whose numbers are the same and are written differently. The SPICE 2G6 manual has `1` and
//! `01` for one node; in that of SPICE3 nodes are names, so that `0` and `00` are two (both
//! Berkeley; from memory). They are two here, and whoever wrote both can have meant one.

use super::network::{Circuit, Node};
use super::problem::CircuitProblem;
use crate::diag::Diagnostic;
use std::collections::HashMap;

/// The warnings of a circuit.
pub fn twice_written(circuit: &Circuit) -> Vec<Diagnostic> {
    let mut first: HashMap<(String, &str), &str> = HashMap::new();
    let mut problems = Vec::new();
    let names = circuit.nodes.iter().enumerate().filter(|(_, n)| !n.inner);
    for (k, node) in names {
        let Some(number) = number(&node.name) else {
            continue;
        };
        let Some(other) = first.insert(number, &node.name) else {
            continue;
        };
        let touches = |e: &&super::Element| e.terminals.contains(&Node(k));
        let span = circuit.elements.iter().find(touches).and_then(|e| e.span);
        let problem = CircuitProblem::TwoNodes {
            node: node.name.clone(),
            other: other.to_string(),
        };
        problems.push(problem.warn_at(span));
        if problems.len() > super::problem::MOST {
            break;
        }
    }
    problems
}

/// The subcircuit that a numbered node is in, and its number; ground is in none.
fn number(name: &str) -> Option<(String, &str)> {
    let (within, own) = match name.rsplit_once('.') {
        Some((within, own)) if name.starts_with(['X', 'x']) => (within, own),
        _ => ("", name),
    };
    if own.is_empty() || !own.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    match own.trim_start_matches('0') {
        "" => Some((String::new(), "")),
        number => Some((within.to_lowercase(), number)),
    }
}
