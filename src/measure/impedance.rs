//! Resistances seen at a node.

use crate::circuit::{BranchKind, Circuit, Node};
use crate::math::dense;
use crate::math::lu::{Inverse, LinearSolver, Singular, StaticLu};
use crate::system::assemble::{Assembly, LawCurrents};

/// Resistances seen at nodes at an operating point, by small changes of direct current.
///
/// The circuit is factored once. A device that is pulled from its socket is taken out by a
/// correction of the rank of its currents (Sherman, Morrison and Woodbury; G. H. Golub and C. F.
/// Van Loan, "Matrix Computations", section 2.1.4, from memory), whose terms are single entries
/// of the inverse, near the diagonal where the device itself has entries.
#[derive(Debug)]
pub struct Resistances<'a, 'c> {
    assembly: &'a Assembly<'c>,
    laws: Vec<LawCurrents>,
    lu: &'a StaticLu<f64>,
    inverse: Inverse<'a>,
    /// Whole columns of the inverse for entries that its factors lack: equations, and what all
    /// unknowns do. Kept while the same devices are pulled.
    pulled: Vec<usize>,
    columns: Vec<(usize, Vec<f64>)>,
}

/// The circuit's Jacobian at an operating point, factored; none if it is singular there.
pub fn factored(assembly: &mut Assembly<'_>, x: &[f64]) -> Option<StaticLu<f64>> {
    assembly.evaluate_small(x);
    let (indptr, indices) = assembly.pattern();
    let mut lu = StaticLu::new(assembly.len(), indptr, indices);
    lu.factor(&assembly.jacobian).ok()?;
    Some(lu)
}

impl<'a, 'c> Resistances<'a, 'c> {
    /// Of a circuit at the point `x`, from its [`factored`] Jacobian there.
    pub fn new(assembly: &'a Assembly<'c>, laws: Vec<LawCurrents>, lu: &'a StaticLu<f64>) -> Self {
        Resistances {
            assembly,
            laws,
            inverse: lu.inverse(),
            lu,
            pulled: Vec::new(),
            columns: Vec::new(),
        }
    }

    /// What an output of a law draws at that point, A.
    pub fn drawn(&self, law: usize, output: usize) -> f64 {
        self.laws[law].i[output]
    }

    /// How far a sum of unknowns moves for each unit of current into a sum of equations.
    fn entry(&mut self, row: &[(usize, f64)], column: &[(usize, f64)]) -> f64 {
        let mut sum = 0.0;
        for &(unknown, row_sign) in row {
            for &(equation, sign) in column {
                let near = self.inverse.entry(unknown, equation);
                sum += row_sign * sign * near.unwrap_or_else(|| self.far(unknown, equation));
            }
        }
        sum
    }

    /// An entry of the inverse that its factors lack.
    fn far(&mut self, unknown: usize, equation: usize) -> f64 {
        if let Some((_, column)) = self.columns.iter().find(|c| c.0 == equation) {
            return column[unknown];
        }
        let mut column = vec![0.0; self.assembly.len()];
        column[equation] = 1.0;
        self.lu
            .solve_with(&mut column, &mut vec![0.0; self.assembly.len()]);
        let entry = column[unknown];
        self.columns.push((equation, column));
        entry
    }

    /// How far a node's voltage moves for each ampere put into it, ohms, with these laws'
    /// devices pulled from their sockets; none if nothing is left that fixes it.
    pub fn without(&mut self, node: Node, pulled: &[usize]) -> Option<f64> {
        let ohms = self.between(node, node, pulled)?;
        // Where the device was all that fixed the node, the difference is rounding.
        (ohms > 0.0 && ohms < 1e15).then_some(ohms)
    }

    /// How far a node's voltage moves for each ampere put into another, ohms, with these laws'
    /// devices pulled; none if nothing is left that fixes them.
    pub fn between(&mut self, node: Node, fed: Node, pulled: &[usize]) -> Option<f64> {
        let own = [(node.0.checked_sub(1)?, 1.0)];
        let fed = [(fed.0.checked_sub(1)?, 1.0)];
        // Columns: the current put in, then the laws' outputs. Rows: the node's voltage, then
        // their controls.
        let assembly = self.assembly;
        let (mut columns, mut rows) = (vec![&fed[..]], vec![&own[..]]);
        let mut slopes = Vec::new();
        for &law in pulled {
            let (controls, outputs) = assembly.wires(law);
            let (first_row, first_column) = (rows.len() - 1, columns.len() - 1);
            columns.extend(outputs.iter().map(|wires| &wires[..]));
            rows.extend(controls.iter().map(|wires| &wires[..]));
            for (o, slopes_of) in self.laws[law].g.chunks(controls.len().max(1)).enumerate() {
                for (c, slope) in slopes_of.iter().enumerate() {
                    slopes.push((first_column + o, first_row + c, *slope));
                }
            }
        }
        if self.pulled != pulled {
            self.pulled = pulled.to_vec();
            self.columns.clear();
        }
        let (no, nc) = (columns.len() - 1, rows.len() - 1);
        let seen = self.entry(rows[0], columns[0]);
        // (1 - M S) u = m, with M the controls moved by each output and S the slopes.
        let mut matrix = vec![0.0; nc * nc];
        for c in 0..nc {
            matrix[c * nc + c] = 1.0;
        }
        let mut through = vec![0.0; nc];
        for &(o, c, slope) in &slopes {
            if slope == 0.0 {
                continue;
            }
            for (row, side) in rows[1..].iter().enumerate() {
                matrix[c * nc + row] -= slope * self.entry(side, columns[1 + o]);
            }
            through[c] += slope * self.entry(rows[0], columns[1 + o]);
        }
        let mut moved: Vec<f64> = rows[1..]
            .iter()
            .map(|r| self.entry(r, columns[0]))
            .collect();
        debug_assert!(no > 0 || slopes.is_empty());
        if !dense::solve_columns(&mut matrix, &mut moved) {
            return None;
        }
        let more: f64 = through.iter().zip(&moved).map(|(t, u)| t * u).sum();
        Some(seen + more).filter(|ohms| ohms.is_finite())
    }
}

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
        assembly.evaluate_small(x);
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
