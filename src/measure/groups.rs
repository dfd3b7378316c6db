//! Groups of nodes that parts join, ground apart.

use crate::circuit::{Circuit, Node};

/// Of each node, the lowest node of its group.
#[derive(Debug)]
pub(crate) struct Groups(Vec<usize>);

impl Groups {
    /// Joins both nodes of each pair; ground joins nothing.
    pub fn new(circuit: &Circuit, pairs: impl Iterator<Item = (Node, Node)>) -> Self {
        let mut group: Vec<usize> = (0..circuit.nodes.len()).collect();
        for (a, b) in pairs.filter(|(a, b)| *a != Node::GROUND && *b != Node::GROUND) {
            let (a, b) = (lowest(&mut group, a.0), lowest(&mut group, b.0));
            group[a.max(b)] = a.min(b);
        }
        for node in 0..group.len() {
            group[node] = lowest(&mut group, node);
        }
        Groups(group)
    }

    /// The group of a node, named by its lowest one.
    pub fn of(&self, node: Node) -> usize {
        self.0[node.0]
    }
}

/// The lowest node of a group, found by way of what is known so far.
fn lowest(group: &mut [usize], mut node: usize) -> usize {
    while group[node] != node {
        group[node] = group[group[node]];
        node = group[node];
    }
    node
}
