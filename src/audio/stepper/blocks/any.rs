//! Blocks of any laws: (1 + S K) dy = S missing for the outputs that matter, S being the
//! slopes, then the controls by missing - K dy.
//!
//! The matrix changes little from step to step, so its inverse is kept and used again. What it
//! leaves over is checked exactly, with the slopes as they are now, and made good by going round
//! once or twice more; where that does not do, the matrix is inverted anew. Single triodes have
//! ways of their own (`triodes`), for which this is slower.

use super::{Block, BlockStep, is_significant};
use crate::math::dense;

/// An output that moves its block's controls by less than this part of their own step is left
/// out of the Jacobian (a valve without current, a grid without): the next iteration sees it.
const MIN_INFLUENCE: f64 = 1e-6;
/// A kept inverse will do where it leaves less than this part of the step.
const LEFT: f64 = 1e-3;
/// Or less than this, V.
const LEFT_V: f64 = 1e-8;
/// It is made good at most as often, and only while each time leaves less than a fifth.
const ROUNDS: usize = 2;
const SHRINKS: f64 = 0.2;
/// A pivot may be this much smaller than the largest below it.
const PIVOT: f64 = 1e-3;

/// The inverse of a block's matrix at slopes met before.
#[derive(Debug, Clone, Default)]
pub(in super::super) struct Kept {
    /// Numbers of the outputs that it takes in.
    outputs: Vec<usize>,
    /// Column by column.
    inverse: Vec<f64>,
    made: bool,
    /// Room for a solution and what is added to it.
    solved: Vec<f64>,
    more: Vec<f64>,
}

/// The block's step; false if the equations are singular.
#[inline(always)]
pub(super) fn solve(number: usize, block: &Block, step: &mut BlockStep<'_>) -> bool {
    match block.widest {
        2 => solve_of::<2>(number, block, step),
        3 => solve_of::<3>(number, block, step),
        _ => solve_of::<0>(number, block, step),
    }
}

/// The same for laws of at most W controls; 0 for as many as there are.
#[inline(always)]
fn solve_of<const W: usize>(number: usize, block: &Block, step: &mut BlockStep<'_>) -> bool {
    let width = if W > 0 { W } else { block.widest };
    step.rows.resize(block.rows.len() * width, 0.0);
    for (number, row) in block.rows.iter().enumerate() {
        let slopes = &mut step.rows[number * width..][..width];
        row.slopes(step.bank, step.slopes, slopes);
    }
    let mut kept = std::mem::take(&mut step.kept[number]);
    let mut fine = kept.made && by_kept::<W>(block, step, &mut kept);
    if !fine {
        fine = anew::<W>(block, step, &mut kept);
    }
    step.kept[number] = kept;
    if !fine {
        return false;
    }
    let part = &step.part[..block.height];
    for (x, &c) in part.iter().zip(&block.controls) {
        step.delta[c] = *x;
    }
    for (number, &output) in block.outputs.iter().enumerate() {
        step.dy[output] = dot::<W>(block, step.rows, number, part);
    }
    true
}

/// What the block's controls miss.
#[inline(always)]
fn load(block: &Block, step: &mut BlockStep<'_>) {
    let part = &mut step.part[..block.height];
    let missing = step.missing.as_flattened();
    part.fill(0.0);
    for (x, &c) in part.iter_mut().zip(&block.controls) {
        *x = missing[c];
    }
}

/// Takes what outputs do to the controls from these.
#[inline(always)]
fn take(block: &Block, outputs: &[usize], dy: &[f64], part: &mut [f64]) {
    for (dy, &output) in dy.iter().zip(outputs) {
        let k = &block.k[output * block.height..][..block.height];
        for (x, k) in part.iter_mut().zip(k) {
            *x -= dy * k;
        }
    }
}

/// Adds the inverse times a vector.
#[inline(always)]
fn add_inverse(inverse: &[f64], of: &[f64], to: &mut [f64]) {
    for (column, x) in inverse.chunks_exact(to.len().max(1)).zip(of) {
        for (to, a) in to.iter_mut().zip(column) {
            *to += a * x;
        }
    }
}

/// By the inverse that is there; false if that leaves too much.
#[inline(always)]
fn by_kept<const W: usize>(block: &Block, step: &mut BlockStep<'_>, kept: &mut Kept) -> bool {
    load(block, step);
    let n = kept.outputs.len();
    let (part, slopes) = (&mut step.part[..block.height], &step.rows[..]);
    let side = &mut step.side[..n];
    for (side, &number) in side.iter_mut().zip(&kept.outputs) {
        *side = dot::<W>(block, slopes, number, part);
    }
    kept.solved.fill(0.0);
    add_inverse(&kept.inverse, side, &mut kept.solved);
    take(block, &kept.outputs, &kept.solved, part);
    for round in 0..=ROUNDS {
        let larger = |most: f64, x: &f64| if x.abs() > most { x.abs() } else { most };
        let size = part.iter().fold(0.0f64, larger);
        // What the outputs give beyond what was taken of them.
        let (mut left, mut next, mut sum) = (0.0f64, 0, 0.0);
        for (number, row) in block.rows.iter().enumerate() {
            let mut beyond = dot::<W>(block, slopes, number, part);
            if kept.outputs.get(next) == Some(&number) {
                beyond -= kept.solved[next];
                side[next] = beyond;
                next += 1;
            }
            let volts = beyond.abs() * row.influence;
            left = if volts > left { volts } else { left };
            sum += volts;
        }
        if left <= LEFT * size + LEFT_V {
            // A comparison passes a NaN over, a sum does not.
            return !sum.is_nan();
        }
        if round == ROUNDS || left > SHRINKS * size {
            break;
        }
        kept.more.fill(0.0);
        add_inverse(&kept.inverse, side, &mut kept.more);
        for (solved, more) in kept.solved.iter_mut().zip(&kept.more) {
            *solved += more;
        }
        take(block, &kept.outputs, &kept.more, part);
    }
    false
}

/// With the matrix as it is now, whose inverse is kept.
#[inline(always)]
fn anew<const W: usize>(block: &Block, step: &mut BlockStep<'_>, kept: &mut Kept) -> bool {
    let width = if W > 0 { W } else { block.widest };
    load(block, step);
    kept.outputs.clear();
    for (number, row) in block.rows.iter().enumerate() {
        let slopes = &step.rows[number * width..][..width];
        let most = slopes.iter().fold(0.0f64, |m, s| m.max(s.abs()));
        if is_significant(most * row.influence, MIN_INFLUENCE) {
            kept.outputs.push(number);
        }
    }
    let (part, slopes) = (&mut step.part[..block.height], &step.rows[..]);
    let (outputs, n) = (&kept.outputs[..], kept.outputs.len());
    let (matrix, side) = (&mut step.matrix[..n * n], &mut step.side[..n]);
    let columns = matrix.chunks_exact_mut(n.max(1));
    for (c, (column, &output)) in columns.zip(outputs).enumerate() {
        let k = &block.k[output * block.height..][..block.height];
        for (entry, &number) in column.iter_mut().zip(outputs) {
            *entry = dot::<W>(block, slopes, number, k);
        }
        column[c] += 1.0;
    }
    for (side, &number) in side.iter_mut().zip(outputs) {
        *side = dot::<W>(block, slopes, number, part);
    }
    kept.solved.clear();
    kept.solved.resize(n, 0.0);
    kept.more.resize(n, 0.0);
    kept.inverse.clear();
    kept.inverse.extend_from_slice(matrix);
    kept.made = invert(&mut kept.inverse, n);
    if kept.made {
        add_inverse(&kept.inverse, side, &mut kept.solved);
    } else {
        // With exchange of rows.
        if !dense::solve_columns_here(matrix, side) {
            return false;
        }
        kept.solved.copy_from_slice(side);
    }
    take(block, outputs, &kept.solved, part);
    true
}

/// Inverts a matrix in place, column by column, without exchange of rows; false if that would
/// not be safe.
#[inline(always)]
fn invert(a: &mut [f64], n: usize) -> bool {
    for k in 0..n {
        let (before, rest) = a.split_at_mut(k * n);
        let (column, after) = rest.split_at_mut(n);
        let pivot = column[k];
        let largest = column[k + 1..].iter().fold(0.0f64, |m, v| m.max(v.abs()));
        // Written so that NaN fails too.
        let safe = pivot.abs() > PIVOT * largest && pivot.abs() > 1e-300;
        if !safe {
            return false;
        }
        let per = 1.0 / pivot;
        column[k] = 0.0;
        for x in column.iter_mut() {
            *x *= -per;
        }
        column[k] = per;
        for other in before.chunks_exact_mut(n).chain(after.chunks_exact_mut(n)) {
            let factor = std::mem::take(&mut other[k]);
            for (x, m) in other.iter_mut().zip(column.iter()) {
                *x += factor * m;
            }
        }
    }
    true
}

/// An output's slopes times values of the block's controls.
#[inline(always)]
fn dot<const W: usize>(block: &Block, slopes: &[f64], number: usize, values: &[f64]) -> f64 {
    let first = block.rows[number].first;
    if W == 0 {
        let slopes = &slopes[number * block.widest..][..block.widest];
        return slopes
            .iter()
            .zip(&values[first..])
            .map(|(s, v)| s * v)
            .sum();
    }
    let slopes: &[f64; W] = &slopes.as_chunks().0[number];
    let values: &[f64; W] = values[first..].first_chunk().expect("as wide");
    let mut sum = slopes[0] * values[0];
    for k in 1..W {
        sum += slopes[k] * values[k];
    }
    sum
}
