//! Netlists of any size for solver tests and benches, and the matrices that they give.

// The battery and the benches each use their own part of this.
#![allow(dead_code)]

use gridleak::analysis::operating_point;
use gridleak::circuit::Circuit;
use gridleak::math::tr_bdf2;
use gridleak::system::assemble::{Assembly, SourceState};
use std::fmt::Write;

/// A preamplifier of `stages` triodes in a row, 8 unknowns for one and 5 for each further:
/// supply droppers, stoppers, coupling capacitors, a divider after each valve so that
/// the last is driven no harder than the first.
pub fn preamp(stages: usize) -> String {
    let mut text = String::from(
        "Triode stages in a row\nVIN in 0 DC 0 AC 1 SIN(0 0.5 1k)\nVB s0 0 300\nRIN in a1 1k\n",
    );
    for k in 1..=stages {
        let _ = write!(
            text,
            "RS{k} s{} s{k} 1k\nCS{k} s{k} 0 22u\n\
             RG{k} a{k} 0 1meg\nRT{k} a{k} g{k} 68k\n\
             RA{k} s{k} p{k} 100k\nRK{k} k{k} 0 1.5k\nCK{k} k{k} 0 25u\n\
             XV{k} p{k} g{k} k{k} 12AX7\n\
             CO{k} p{k} a{} 22n\n",
            k - 1,
            k + 1
        );
        // Each stage gives some thirty times what it gets; the divider takes that away.
        let _ = writeln!(text, "RD{k} a{} 0 4.7k", k + 1);
    }
    let _ = writeln!(text, ".print tran v(a{})\n.end", stages + 1);
    text
}

/// The circuit of a netlist that is known to be good.
pub fn built(text: &str) -> Circuit {
    Circuit::from_text(text).unwrap()
}

/// The Jacobian a C + G at the operating point and at `more` points around it, up to a
/// volt away: what Newton's method asks a solver to factor. `step_s` None: DC.
pub fn jacobians(circuit: &Circuit, step_s: Option<f64>, more: usize) -> Vec<Matrix> {
    let (point, mut assembly) =
        operating_point::dc(circuit).unwrap_or_else(|none| panic!("{none}"));
    let a = step_s.map_or(0.0, tr_bdf2::factor);
    let mut random = Random(7);
    let mut x = point.x.clone();
    let mut found = vec![];
    for _ in 0..=more {
        found.push(jacobian(&mut assembly, &x, a));
        for (x, rest) in x.iter_mut().zip(&point.x) {
            *x = rest + random.symmetric();
        }
    }
    found
}

fn jacobian(assembly: &mut Assembly<'_>, x: &[f64], a: f64) -> Matrix {
    assembly.evaluate(x, SourceState::DC, a, false);
    let (indptr, indices) = assembly.pattern();
    Matrix {
        n: assembly.len(),
        indptr: indptr.to_vec(),
        indices: indices.to_vec(),
        values: assembly.jacobian.clone(),
    }
}

/// A small deterministic generator (multiplier: D. E. Knuth, TAOCP vol. 2, 3.3.4, line 26).
pub struct Random(pub u64);

impl Random {
    /// From 0 to 1.
    pub fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// From -1 to 1.
    pub fn symmetric(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    /// From 0 to `n` - 1.
    pub fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }
}

/// A square matrix in compressed rows.
#[derive(Debug, Clone)]
pub struct Matrix {
    /// Rows.
    pub n: usize,
    /// Row starts, `[n + 1]`.
    pub indptr: Vec<usize>,
    /// Columns.
    pub indices: Vec<usize>,
    /// Values.
    pub values: Vec<f64>,
}

impl Matrix {
    /// All that is not zero.
    pub fn dense(rows: &[Vec<f64>]) -> Self {
        let (mut indptr, mut indices, mut values) = (vec![0], vec![], vec![]);
        for row in rows {
            for (column, &value) in row.iter().enumerate().filter(|(_, v)| **v != 0.0) {
                indices.push(column);
                values.push(value);
            }
            indptr.push(indices.len());
        }
        Matrix {
            n: rows.len(),
            indptr,
            indices,
            values,
        }
    }

    /// Columns and values of a row.
    pub fn row(&self, row: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let places = self.indptr[row]..self.indptr[row + 1];
        places.map(|e| (self.indices[e], self.values[e]))
    }

    /// How far each row would have to be changed, as a part of its own size, for `x` to
    /// be exact: the largest of |b - Ax|_i / (sum_j |a_ij x_j| + |b_i|) (W. Oettli and
    /// W. Prager, Numer. Math. 6, 1964, p. 405). A node in microsiemens weighs as much
    /// in it as a source's row of ones.
    pub fn backward_error(&self, x: &[f64], b: &[f64]) -> f64 {
        (0..self.n)
            .map(|row| {
                let (mut rest, mut size) = (b[row], b[row].abs());
                for (column, value) in self.row(row) {
                    rest -= value * x[column];
                    size += (value * x[column]).abs();
                }
                let part = if rest == 0.0 { 0.0 } else { rest.abs() / size };
                if part.is_nan() { f64::INFINITY } else { part }
            })
            .fold(0.0, f64::max)
    }
}
