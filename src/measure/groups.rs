//! Groups of nodes that parts join, ground apart.

use crate::circuit::{Circuit, Node};

/// Things by number in sets, each named by its lowest one.
#[derive(Debug)]
pub(crate) struct Sets(Vec<usize>);

impl Sets {
    /// Each of N by itself.
    pub fn apart(count: usize) -> Self {
        Sets((0..count).collect())
    }

    /// Makes one set of the two that hold these.
    pub fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.lowest(a), self.lowest(b));
        self.0[a.max(b)] = a.min(b);
    }

    /// The lowest of the set that holds one, found by way of what is known so far.
    pub fn lowest(&mut self, mut one: usize) -> usize {
        while self.0[one] != one {
            self.0[one] = self.0[self.0[one]];
            one = self.0[one];
        }
        one
    }
}

/// Of each node, the lowest node of its group.
#[derive(Debug)]
pub(crate) struct Groups(Vec<usize>);

impl Groups {
    /// Joins both nodes of each pair; ground joins nothing.
    pub fn new(circuit: &Circuit, pairs: impl Iterator<Item = (Node, Node)>) -> Self {
        let count = circuit.nodes.len();
        let mut sets = Sets::apart(count);
        for (a, b) in pairs.filter(|(a, b)| *a != Node::GROUND && *b != Node::GROUND) {
            sets.join(a.0, b.0);
        }
        Groups((0..count).map(|node| sets.lowest(node)).collect())
    }

    /// The group of a node, named by its lowest one.
    pub fn of(&self, node: Node) -> usize {
        self.0[node.0]
    }
}
