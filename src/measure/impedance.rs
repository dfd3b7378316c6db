//! Resistances seen at a node.

use crate::circuit::{BranchKind, Circuit, Node};
use crate::math::lu::{LinearSolver, Singular, StaticLu};
use crate::system::assemble::{Assembly, SourceState};

/// The circuit's Jacobian at an operating point, factored: small changes of direct current.
#[derive(Debug)]
pub struct SmallDirect {
    lu: StaticLu<f64>,
    size: usize,
}

impl SmallDirect {
    /// At the point `x`, with these laws' devices pulled from their sockets.
    pub fn without(
        assembly: &mut Assembly<'_>,
        x: &[f64],
        pulled: &[usize],
    ) -> Result<Self, Singular> {
        assembly.evaluate(x, SourceState::DC, 0.0, false);
        for &law in pulled {
            assembly.unplug_from_jacobian(law, x);
        }
        let (indptr, indices) = assembly.pattern();
        let mut lu = StaticLu::new(assembly.len(), indptr, indices);
        lu.factor(&assembly.jacobian)?;
        Ok(SmallDirect {
            lu,
            size: assembly.len(),
        })
    }

    /// How far the voltage between two nodes moves for each ampere put into the first and
    /// taken out of the second, ohms.
    pub fn resistance(&mut self, a: Node, b: Node) -> f64 {
        let mut x = vec![0.0; self.size];
        if a.0 > 0 {
            x[a.0 - 1] += 1.0;
        }
        if b.0 > 0 {
            x[b.0 - 1] -= 1.0;
        }
        self.lu.solve(&mut x);
        let at = |n: Node| if n.0 == 0 { 0.0 } else { x[n.0 - 1] };
        at(a) - at(b)
    }
}

/// A switch, or a resistor that a cathode's current is measured across, leaves a bias fixed
/// (common practice, no published source), ohm.
const AS_WIRE: f64 = 10.0;

/// Whether a node's voltage is fixed: it is ground, or a voltage source stands on it, or it is
/// joined to such a node by next to nothing.
pub fn is_fixed(circuit: &Circuit, node: Node) -> bool {
    let stands = |node: Node| {
        node == Node::GROUND
            || circuit
                .branches
                .iter()
                .any(|b| matches!(b.kind, BranchKind::Source(_)) && (b.a == node || b.b == node))
    };
    let mut seen = vec![node];
    let mut next = 0;
    while let Some(&at) = seen.get(next) {
        if stands(at) {
            return true;
        }
        next += 1;
        let wires = circuit.resistances.iter();
        for r in wires.filter(|r| (0.0..=AS_WIRE).contains(&r.ohms)) {
            let ends = [(r.a, r.b), (r.b, r.a)];
            let far = ends.iter().find(|e| e.0 == at).map(|e| e.1);
            seen.extend(far.filter(|n| !seen.contains(n)));
        }
    }
    false
}
