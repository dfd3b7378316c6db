//! `--only`: a piece of the circuit.

use super::super::failure::Failure;
use crate::circuit::{self, Circuit, Node};
use crate::drawing::recognise::Recognised;
use crate::drawing::scheme::Scheme;

/// The elements that `X1` or `a..b` means.
///
/// # Errors
/// If there are none.
pub fn chosen(circuit: &Circuit, text: &str) -> Result<Vec<usize>, Failure> {
    let chosen = match text.split_once("..") {
        Some((a, b)) => between(circuit, node(circuit, a.trim())?, node(circuit, b.trim())?),
        None => inside(circuit, text.trim()),
    };
    if chosen.is_empty() {
        let hint = "name a subcircuit, such as XBOARD1, or two nodes on the signal's way, such as \
                    grid4..plate5";
        return Err(Failure::usage(format!("`--only {text}` leaves nothing to draw")).hint(hint));
    }
    Ok(chosen)
}

fn node(circuit: &Circuit, name: &str) -> Result<Node, Failure> {
    circuit.node(name).ok_or_else(|| {
        let near = circuit::unknown_node(circuit, name);
        Failure::usage(format!("`--only`: {near}"))
            .hint("names of nodes inside a subcircuit are dotted, as in x1.grid")
    })
}

/// The elements of a subcircuit, or one element.
fn inside(circuit: &Circuit, name: &str) -> Vec<usize> {
    let own = name.to_lowercase();
    let prefix = format!("{own}.");
    let all = circuit.elements.iter().enumerate();
    all.filter(|(_, e)| {
        let name = e.name.to_lowercase();
        name == own || name.starts_with(&prefix)
    })
    .map(|(k, _)| k)
    .collect()
}

/// What signal passes on its way from one node to the other, and what hangs there.
fn between(circuit: &Circuit, a: Node, b: Node) -> Vec<usize> {
    let all: Vec<usize> = (0..circuit.elements.len()).collect();
    let scheme = Scheme::new(circuit, &all, |_| String::new());
    let reading = Recognised::new(circuit, &scheme);
    let place = |node: Node| {
        let net = scheme.nets.iter().position(|n| n.node == node)?;
        reading.depth[net]
    };
    let (Some(a), Some(b)) = (place(a), place(b)) else {
        return vec![];
    };
    let (from, to) = (a.min(b), a.max(b));
    let parts = scheme.parts.iter().enumerate();
    parts
        .filter(|(k, part)| {
            let own = |n: &&usize| !scheme.nets[**n].is_ground() && reading.rails[**n].is_none();
            let mut nets = part.nets.iter().filter(own).peekable();
            let within = |&n: &usize| reading.depth[n].is_some_and(|d| (from..=to).contains(&d));
            !reading.supply[*k] && nets.peek().is_some() && nets.all(within)
        })
        .map(|(_, part)| part.element)
        .collect()
}
