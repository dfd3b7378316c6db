//! Long rows of laws: (1 + K S) x = missing for the controls, law after law.
//!
//! Where each stage loads the one before, all stages act on each other and are one block, but each
//! acts on a few neighbours alone. So the block's matrix is one of cells, a law's controls at both
//! stages by another's, of which only those count that lie near the diagonal; which these are is
//! settled once, those that elimination fills in with them, and the work grows with the row rather
//! than with its cube. What is left out is left out of Newton's matrix, never of the equations.

use super::block::Block;
use crate::math::dense;
use pulp::{Arch, Simd, WithSimd};
use std::collections::BTreeSet;

/// Controls of a law at both stages: laws of more are not solved so.
pub(super) const EACH: usize = 4;
/// A cell, column by column.
pub(super) type Cell = [[f64; EACH]; EACH];
/// A cell counts where an output moves another law's control by more than this part of what it
/// moves its own law's. With a hundredth of it Newton's iterations are as many, and 40 triode stages
/// driven far into clipping take 1.17 of the time.
const COUNTS: f64 = 1e-2;
/// Up to this many outputs an inverse that is kept costs less.
const SHORT: usize = 32;
/// Cells must take this many times fewer products than a dense elimination, which is done less often.
const GAIN: usize = 4;
/// A pivot that much smaller than what it eliminates calls for an exchange of rows.
const PIVOT: f64 = 1e-3;

/// Where the cells of a block stand and how they are eliminated.
#[derive(Debug)]
pub(super) struct Row {
    arch: Arch,
    /// Where each law's cells begin, `[laws + 1]`, and which is on the diagonal.
    starts: Vec<usize>,
    diagonal: Vec<usize>,
    /// The law that acts, of each cell.
    columns: Vec<usize>,
    /// Where each law's first control and outputs stand in the block, `[laws + 1]`.
    controls: Vec<usize>,
    outputs: Vec<usize>,
    /// The first control of each output among those of its law.
    within: Vec<usize>,
    /// Where each cell's columns of K begin, one for each output of the law that acts.
    first: Vec<usize>,
    k: Vec<[f64; EACH]>,
    /// For each cell before the diagonal, for each cell of the law it names after that one's: the
    /// cell that it changes.
    targets: Vec<usize>,
}

impl Row {
    /// For a block of more than a few laws, none of them with many controls; none if the laws act
    /// on too many others.
    pub(super) fn of(block: &Block) -> Option<Self> {
        let outputs = block.rows.len();
        if outputs <= SHORT {
            return None;
        }
        let row = Self::plan(block)?;
        let cost = EACH.pow(3) * (row.targets.len() + 2 * row.columns.len());
        (3 * GAIN * cost < outputs.pow(3)).then_some(row)
    }

    fn plan(block: &Block) -> Option<Self> {
        let spans = &block.spans;
        let n = spans.len();
        let (mut controls, mut outputs) = (vec![0], vec![0]);
        for &[own, out] in spans {
            if own > EACH {
                return None;
            }
            controls.push(controls.last()? + own);
            outputs.push(outputs.last()? + out);
        }
        let entry = |law: usize, output: usize, r: usize| {
            let at = controls[law] + r;
            if at < controls[law + 1] {
                block.k[output * block.height + at]
            } else {
                0.0
            }
        };
        let most = |law: usize, output: usize| {
            (0..EACH).fold(0.0f64, |m, r| m.max(entry(law, output, r).abs()))
        };
        let acts = |to: usize, from: usize| {
            let mut own = outputs[from]..outputs[from + 1];
            own.any(|o| most(to, o) > COUNTS * most(from, o))
        };
        let mut rows: Vec<BTreeSet<usize>> = (0..n)
            .map(|to| {
                (0..n)
                    .filter(|&from| from == to || acts(to, from))
                    .collect()
            })
            .collect();
        for law in 0..n {
            // What elimination fills in.
            let mut next = rows[law].first().copied().filter(|&k| k < law);
            while let Some(k) = next {
                let more: Vec<usize> = rows[k].range(k + 1..).copied().collect();
                rows[law].extend(more);
                next = rows[law].range(k + 1..law).next().copied();
            }
        }
        let (mut starts, mut columns) = (vec![0], vec![]);
        for row in &rows {
            columns.extend(row);
            starts.push(columns.len());
        }
        let find = |law: usize, column: usize| {
            let own = &columns[starts[law]..starts[law + 1]];
            own.binary_search(&column).ok().map(|at| starts[law] + at)
        };
        let diagonal: Vec<usize> = (0..n).map(|law| find(law, law)).collect::<Option<_>>()?;
        let (mut targets, mut first, mut k) = (vec![], vec![], vec![]);
        for law in 0..n {
            for &from in &columns[starts[law]..starts[law + 1]] {
                first.push(k.len());
                for o in outputs[from]..outputs[from + 1] {
                    k.push(std::array::from_fn(|r| entry(law, o, r)));
                }
                if from < law {
                    for &column in &columns[diagonal[from] + 1..starts[from + 1]] {
                        targets.push(find(law, column)?);
                    }
                }
            }
        }
        let within = (0..n).flat_map(|law| {
            let (rows, first) = (&block.rows, controls[law]);
            (outputs[law]..outputs[law + 1]).map(move |o| rows[o].first - first)
        });
        Some(Row {
            arch: Arch::new(),
            within: within.collect(),
            starts,
            diagonal,
            columns,
            controls,
            outputs,
            first,
            k,
            targets,
        })
    }

    /// The step of the controls in place of what they miss, `x`; false if a cell is singular.
    /// `slopes` are the outputs', `width` each.
    #[inline(always)]
    pub(super) fn solve(
        &self,
        slopes: &[f64],
        width: usize,
        x: &mut [f64],
        cells: &mut Vec<Cell>,
    ) -> bool {
        cells.resize(self.columns.len(), [[0.0; EACH]; EACH]);
        self.arch.dispatch(Eliminate {
            row: self,
            slopes,
            width,
            x,
            cells,
        })
    }
}

struct Eliminate<'a> {
    row: &'a Row,
    slopes: &'a [f64],
    width: usize,
    x: &'a mut [f64],
    cells: &'a mut [Cell],
}

impl WithSimd for Eliminate<'_> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) -> bool {
        let row = self.row;
        let (cells, x) = (self.cells, self.x);
        let n = row.diagonal.len();
        let mut target = 0;
        for law in 0..n {
            let own = row.starts[law]..row.starts[law + 1];
            for cell in own.clone() {
                cells[cell] = form(row, cell, self.slopes, self.width);
            }
            let diagonal = row.diagonal[law];
            for (r, column) in cells[diagonal].iter_mut().enumerate() {
                column[r] += 1.0;
            }
            let mut side = read(row, x, law);
            for cell in own.start..diagonal {
                let k = row.columns[cell];
                let factor = product(&cells[cell], &cells[row.diagonal[k]]);
                for upper in row.diagonal[k] + 1..row.starts[k + 1] {
                    let taken = product(&factor, &cells[upper]);
                    let to = &mut cells[row.targets[target]];
                    for c in 0..EACH {
                        for r in 0..EACH {
                            to[c][r] -= taken[c][r];
                        }
                    }
                    target += 1;
                }
                take(&factor, &read(row, x, k), &mut side);
            }
            if !invert(&mut cells[diagonal]) {
                return false;
            }
            write(row, x, law, &side);
        }
        for law in (0..n).rev() {
            let mut side = read(row, x, law);
            let diagonal = row.diagonal[law];
            let later = diagonal + 1..row.starts[law + 1];
            for (cell, &k) in cells[later.clone()].iter().zip(&row.columns[later]) {
                take(cell, &read(row, x, k), &mut side);
            }
            let mut found = [0.0; EACH];
            for c in 0..EACH {
                for r in 0..EACH {
                    found[r] += cells[diagonal][c][r] * side[c];
                }
            }
            write(row, x, law, &found);
        }
        true
    }
}

/// A law's part of the controls.
#[inline(always)]
fn read(row: &Row, x: &[f64], law: usize) -> [f64; EACH] {
    let mut to = [0.0; EACH];
    let own = &x[row.controls[law]..row.controls[law + 1]];
    for (to, x) in to.iter_mut().zip(own) {
        *to = *x;
    }
    to
}

#[inline(always)]
fn write(row: &Row, x: &mut [f64], law: usize, from: &[f64; EACH]) {
    let own = &mut x[row.controls[law]..row.controls[law + 1]];
    for (x, from) in own.iter_mut().zip(from) {
        *x = *from;
    }
}

/// K S of a cell.
#[inline(always)]
fn form(row: &Row, cell: usize, slopes: &[f64], width: usize) -> Cell {
    let from = row.columns[cell];
    let (first, last) = (row.outputs[from], row.outputs[from + 1]);
    let own = row.controls[from + 1] - row.controls[from];
    let mut made = [[0.0; EACH]; EACH];
    for (k, o) in row.k[row.first[cell]..].iter().zip(first..last) {
        let within = row.within[o];
        let slopes = &slopes[o * width..][..width];
        for (made, slope) in made[..own].iter_mut().skip(within).zip(slopes) {
            for r in 0..EACH {
                made[r] += k[r] * slope;
            }
        }
    }
    made
}

#[inline(always)]
fn product(a: &Cell, b: &Cell) -> Cell {
    let mut product = [[0.0; EACH]; EACH];
    for c in 0..EACH {
        for m in 0..EACH {
            for r in 0..EACH {
                product[c][r] += a[m][r] * b[c][m];
            }
        }
    }
    product
}

#[inline(always)]
fn take(a: &Cell, x: &[f64; EACH], from: &mut [f64; EACH]) {
    for c in 0..EACH {
        for r in 0..EACH {
            from[r] -= a[c][r] * x[c];
        }
    }
}

/// Inverts a cell in place; false if it is singular.
#[inline(always)]
fn invert(cell: &mut Cell) -> bool {
    let mut a = *cell;
    for k in 0..EACH {
        let mut largest = 0.0f64;
        for below in &a[k][k + 1..] {
            let size = below.abs();
            largest = if size > largest { size } else { largest };
        }
        // Written so that NaN fails too.
        let safe = a[k][k].abs() > PIVOT * largest;
        if !safe {
            return with_exchange(cell);
        }
        let per = 1.0 / a[k][k];
        let mut column = a[k];
        column[k] = 0.0;
        for x in &mut column {
            *x *= -per;
        }
        column[k] = per;
        a[k] = column;
        for (c, other) in a.iter_mut().enumerate() {
            if c != k {
                let factor = std::mem::take(&mut other[k]);
                for (x, m) in other.iter_mut().zip(&column) {
                    *x += factor * m;
                }
            }
        }
    }
    *cell = a;
    true
}

/// The same with exchange of rows.
#[cold]
fn with_exchange(cell: &mut Cell) -> bool {
    let mut inverse = [[0.0; EACH]; EACH];
    for (k, side) in inverse.iter_mut().enumerate() {
        side[k] = 1.0;
        if !dense::solve_columns(cell.clone().as_flattened_mut(), side) {
            return false;
        }
    }
    *cell = inverse;
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::stepper::blocks::block::{GroupRow, Slopes};

    /// Laws of two controls and two outputs at both stages, each acting on its neighbours.
    fn block(laws: usize) -> Block {
        let height = EACH * laws;
        let k = |control: usize, output: usize| match (control / EACH).abs_diff(output / EACH) {
            0 => 3.0 - (control % 3) as f64,
            1 => 0.4 + 0.1 * (output % 3) as f64,
            _ => 0.0,
        };
        let row = |output: usize| GroupRow {
            slopes: Slopes::Single(0),
            first: output / 2 * 2,
            controls: 2,
            influence: 1.0,
        };
        Block {
            is_ports: false,
            triodes: Vec::new(),
            grids_see: false,
            laws: (0..laws).collect(),
            controls: (0..height).collect(),
            outputs: (0..height).collect(),
            widest: 2,
            height,
            k: (0..height * height)
                .map(|e| k(e % height, e / height))
                .collect(),
            rows: (0..height).map(row).collect(),
            spans: vec![[EACH; 2]; laws],
            later: Vec::new(),
        }
    }

    #[test]
    fn a_row_is_solved_as_elimination_of_the_whole_has_it() {
        let block = block(30);
        let row = Row::of(&block).expect("neighbours alone");
        let n = block.height;
        let slopes: Vec<f64> = (0..2 * n).map(|e| 0.1 * (e % 7) as f64 - 0.25).collect();
        let mut whole = vec![0.0; n * n];
        for control in 0..n {
            whole[control * n + control] = 1.0;
        }
        for output in 0..n {
            for c in 0..2 {
                for r in 0..n {
                    let to = (block.rows[output].first + c) * n + r;
                    whole[to] += block.k[output * n + r] * slopes[2 * output + c];
                }
            }
        }
        let mut expected: Vec<f64> = (0..n).map(|c| 1.0 + (c % 5) as f64).collect();
        let mut found = expected.clone();
        assert!(dense::solve_columns(&mut whole, &mut expected));
        assert!(row.solve(&slopes, 2, &mut found, &mut Vec::new()));
        for (found, expected) in found.iter().zip(&expected) {
            assert!((found - expected).abs() < 1e-9 * (1.0 + expected.abs()));
        }
    }

    #[test]
    fn laws_that_all_act_on_each_other_are_no_row() {
        let mut block = block(30);
        block.k.fill(1.0);
        assert!(Row::of(&block).is_none());
    }
}
