//! Numbers of unknowns and their names.

use crate::circuit::{Branch, Circuit, Node, Piece};

/// Which unknown is which: nodes without ground first, then branches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Unknowns {
    nodes: usize,
    branches: usize,
}

impl Unknowns {
    /// Of a circuit.
    pub fn of(circuit: &Circuit) -> Self {
        Unknowns {
            nodes: circuit.nodes.len() - 1,
            branches: circuit.branches.len(),
        }
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.nodes + self.branches
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// How many of them are node voltages; these come first.
    pub fn nodes(&self) -> usize {
        self.nodes
    }

    /// A node's number; none for ground.
    pub fn node(&self, node: Node) -> Option<usize> {
        node.0.checked_sub(1)
    }

    /// A branch's number.
    pub fn branch(&self, branch: Branch) -> usize {
        self.nodes + branch.0
    }

    /// A node's voltage in a solution.
    pub fn voltage(&self, x: &[f64], node: Node) -> f64 {
        if node.0 == 0 { 0.0 } else { x[node.0 - 1] }
    }

    /// What a person would call an unknown or its equation.
    pub fn name(&self, circuit: &Circuit, k: usize) -> String {
        if k < self.nodes {
            let node = &circuit.nodes[k + 1];
            return if node.inner {
                let device = node.name.split('#').next().unwrap_or("?");
                format!("inside device `{device}`")
            } else {
                format!("node `{}`", node.name)
            };
        }
        let branch = k - self.nodes;
        let owner = circuit
            .elements
            .iter()
            .find(|e| e.ports.iter().any(|p| p.piece == Piece::Branch(branch)));
        match owner {
            Some(element) => format!("current of `{}`", element.name),
            None => format!("branch {branch}"),
        }
    }
}
