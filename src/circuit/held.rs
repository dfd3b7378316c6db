//! What `.ic` holds before a transient: nodes that nothing else fixes, and what a source fixes
//! already.

use super::names::list;
use super::network::{Branch, BranchKind, Circuit, Node, Sense, Sink};
use super::problem::CircuitProblem;
use crate::diag::Diagnostic;

/// Volts by which an `.ic` and a source may differ and still say the same, and the part of them.
const SAME_V: f64 = 1e-6;
const SAME: f64 = 1e-6;

/// Whether two voltages are the same but for how they are written.
pub fn agree(one: f64, other: f64) -> bool {
    (one - other).abs() <= SAME_V + SAME * one.abs().max(other.abs())
}

/// What the `.ic` lines of a circuit come to.
#[derive(Debug, Default)]
pub struct Holding {
    /// Nodes to be held, V.
    pub nodes: Vec<(Node, f64)>,
    /// Inductors between held nodes: a short at DC. They carry no current meanwhile.
    pub open: Vec<Branch>,
    /// Nodes whose voltage sources set, with what `.ic` says of it, V, and what it is where
    /// independent sources alone set it.
    pub fixed: Vec<(Node, f64, Option<f64>)>,
}

impl Holding {
    /// Of a circuit, with its sources at their t = 0 values. Of a node that is given twice the last
    /// one counts.
    pub fn of(circuit: &Circuit) -> Self {
        let mut holding = Holding::default();
        let mut joined = Joined::new(circuit.nodes.len());
        // A winding has a resistance: whatever stands at its ends, its current suits it.
        let mut yields = vec![false; circuit.branches.len()];
        for gain in &circuit.gains {
            if let (Sense::Current(own), Sink::Branch(branch)) = (gain.sense, gain.sink) {
                yields[branch.0] |= own == branch && gain.gain != 0.0;
            }
        }
        let stiff = |k: &usize| !yields[*k];
        for k in (0..circuit.branches.len()).filter(stiff) {
            let branch = &circuit.branches[k];
            let volts = match &branch.kind {
                BranchKind::Source(drive) => Some(drive.value(0.0)),
                BranchKind::Controlled => None,
                BranchKind::Inductance(_) => continue,
            };
            joined.join(branch.a, branch.b, volts);
        }
        for (k, &(node, volts)) in circuit.held.iter().enumerate() {
            if circuit.held[k + 1..].iter().any(|later| later.0 == node) {
                continue;
            }
            match joined.join(node, Node::GROUND, Some(volts)) {
                None => holding.nodes.push((node, volts)),
                Some(set) => holding.fixed.push((node, volts, set)),
            }
        }
        for k in (0..circuit.branches.len()).filter(stiff) {
            let branch = &circuit.branches[k];
            if matches!(branch.kind, BranchKind::Inductance(_))
                && joined.join(branch.a, branch.b, Some(0.0)).is_some()
            {
                holding.open.push(Branch(k));
            }
        }
        holding
    }
}

/// The `.ic` values that independent sources contradict, each at its place.
pub fn contradictions(circuit: &Circuit) -> Vec<Diagnostic> {
    let holding = Holding::of(circuit);
    let wrong = holding.fixed.iter().filter_map(|&(node, volts, set)| {
        let set = set.filter(|&set| !agree(volts, set))?;
        let place = circuit.held.iter().rposition(|h| h.0 == node)?;
        let problem = CircuitProblem::HeldOtherwise {
            node: circuit.nodes[node.0].name.clone(),
            volts: format!("{} V", crate::num::full(volts)),
            set: format!("{} V", crate::num::full(set)),
        };
        Some(problem.at(circuit.held_at.get(place).copied()))
    });
    wrong.collect()
}

/// The warning of a transient that begins at the operating point that `IC=` on the lines of
/// capacitors and inductors is not read, as published: it belongs to `UIC`.
pub fn unread_initial_values(circuit: &Circuit) -> Option<Diagnostic> {
    let named = || circuit.elements.iter().filter(|e| e.initial.is_some());
    let span = named().next()?.span;
    let elements = list(named().map(|e| e.name.as_str()));
    Some(CircuitProblem::UnreadInitialValues { elements }.warn_at(span))
}

/// Sets of nodes joined by voltages, each node with its volts above its set's first.
struct Joined {
    parent: Vec<usize>,
    above: Vec<Option<f64>>,
    size: Vec<usize>,
}

impl Joined {
    fn new(n: usize) -> Self {
        Joined {
            parent: (0..n).collect(),
            above: vec![Some(0.0); n],
            size: vec![1; n],
        }
    }

    fn find(&self, node: Node) -> (usize, Option<f64>) {
        let (mut k, mut volts) = (node.0, Some(0.0));
        while self.parent[k] != k {
            volts = sum(volts, self.above[k]);
            k = self.parent[k];
        }
        (k, volts)
    }

    /// Puts `volts` from `b` up to `a`, where they were not joined; otherwise what is there, if
    /// that is known.
    fn join(&mut self, a: Node, b: Node, volts: Option<f64>) -> Option<Option<f64>> {
        let ((root_a, above_a), (root_b, above_b)) = (self.find(a), self.find(b));
        let minus = |v: Option<f64>| v.map(|v| -v);
        if root_a == root_b {
            return Some(sum(above_a, minus(above_b)));
        }
        // a - b = (root_a + above_a) - (root_b + above_b) = volts
        let root_a_over_b = sum(sum(volts, above_b), minus(above_a));
        let (child, parent, over) = if self.size[root_a] <= self.size[root_b] {
            (root_a, root_b, root_a_over_b)
        } else {
            (root_b, root_a, minus(root_a_over_b))
        };
        self.parent[child] = parent;
        self.above[child] = over;
        self.size[parent] += self.size[child];
        None
    }
}

fn sum(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    Some(a? + b?)
}
