//! Which unknowns and equations each part touches: the entries of the matrix.

use super::unknowns::Unknowns;
use crate::circuit::{BranchKind, Circuit, Node, Sense, Sink};

/// Unknowns or equations that one control or output touches, with +1 or -1.
pub type Wires = Vec<(usize, f64)>;

/// The unknowns that a control is read from.
pub fn sense(at: &Unknowns, sense: Sense) -> Wires {
    match sense {
        Sense::Voltage(a, b) => pair(at, a, b),
        Sense::Current(branch) => vec![(at.branch(branch), 1.0)],
    }
}

/// The equations that an output goes into.
pub fn sink(at: &Unknowns, sink: Sink) -> Wires {
    match sink {
        Sink::Current(a, b) => pair(at, a, b),
        Sink::Branch(branch) => vec![(at.branch(branch), -1.0)],
    }
}

fn pair(at: &Unknowns, a: Node, b: Node) -> Wires {
    if a == b {
        return vec![];
    }
    let plus = at.node(a).map(|k| (k, 1.0));
    let minus = at.node(b).map(|k| (k, -1.0));
    plus.into_iter().chain(minus).collect()
}

/// Row, column, G value and C value of every linear part.
pub fn linear_entries(circuit: &Circuit, at: &Unknowns, out: &mut Vec<(usize, usize, f64, f64)>) {
    let mut product = |rows: &[(usize, f64)], columns: &[(usize, f64)], g: f64, c: f64| {
        for &(r, row_sign) in rows {
            for &(col, column_sign) in columns {
                out.push((
                    r,
                    col,
                    row_sign * column_sign * g,
                    row_sign * column_sign * c,
                ));
            }
        }
    };
    for r in &circuit.resistances {
        let ends = pair(at, r.a, r.b);
        product(&ends, &ends, 1.0 / r.ohms, 0.0);
    }
    for c in &circuit.capacitances {
        let ends = pair(at, c.a, c.b);
        product(&ends, &ends, 0.0, c.farads);
    }
    for (k, branch) in circuit.branches.iter().enumerate() {
        let ends = pair(at, branch.a, branch.b);
        let own = [(at.nodes() + k, 1.0)];
        product(&ends, &own, 1.0, 0.0);
        product(&own, &ends, 1.0, 0.0);
        if let BranchKind::Inductance(henries) = branch.kind {
            product(&own, &own, 0.0, -henries);
        }
    }
    for &(a, b, mutual) in &circuit.mutuals {
        let (a, b) = ([(at.branch(a), 1.0)], [(at.branch(b), 1.0)]);
        product(&a, &b, 0.0, -mutual);
        product(&b, &a, 0.0, -mutual);
    }
    for gain in &circuit.gains {
        product(&sink(at, gain.sink), &sense(at, gain.sense), gain.gain, 0.0);
    }
}
