//! Blocks of any laws: (1 + S K) dy = S missing for the outputs that matter, S being the
//! slopes, then the controls by missing - K dy.
//!
//! The matrix changes little from step to step, so its inverse is kept and used again. What it
//! leaves over is checked exactly, with the slopes as they are now, and made good by going round
//! once or twice more; where that does not do, the matrix is inverted anew. Single triodes have
//! ways of their own (`triodes`), for which this is slower, and so have long rows (`row`).

use super::block::{Block, BlockStep};
use super::matrix::Matrix;
use super::row::{Cell, Row};
use crate::device::WIDTH;
use crate::math::aligned::Aligned;
use crate::math::panels::HEIGHT;

/// A kept inverse will do where it leaves less than this part of the step, or of this step, V, of a longer one. (A
/// plate's last step may be one of volts, and a valve in cut-off at its other end is held as below: there what
/// 2e-4 of 50 mV left was 3 times what the audit accepts.)
const LEFT: f64 = 2e-4;
const LEFT_OF_V: f64 = 4e-3;
/// Or less than this, V. (A valve in cut-off is held by its slopes at rest and by its law, which take them off
/// again: what 10 uV made of them was a thousandth of what flows there.)
const LEFT_V: f64 = 3e-8;
/// It is made good at most as often, and only while each time leaves less than a fifth.
const ROUNDS: usize = 2;
const SHRINKS: f64 = 0.2;
/// Up to this many outputs an inverse costs less than the check of an old one.
const SMALL: usize = 4;
/// Beyond this many an inverse costs more than it saves: three times as much as solving once, and
/// of a large block something always moves. (100 triode stages in one block took minutes for what
/// takes seconds.)
const MANY: usize = 64;
/// An inverse that is used less often costs more than it saves: then none is made for a while, twice as long
/// each time, up to a limit. (Solving once costs a third of what it did when these were 3 and 63, which made two
/// inverses for each use where four output valves are driven far into clipping.)
const WORTH: u32 = 8;
const LONGEST_PAUSE: u32 = 255;
/// A pivot may be this much smaller than the largest below it.
const PIVOT: f64 = 1e-3;

/// The inverse of a block's matrix at slopes met before.
#[derive(Debug, Clone, Default)]
pub(in super::super) struct Kept {
    /// The matrix and the outputs that it takes in.
    matrix: Matrix,
    /// The inverse, column by column.
    inverse: Vec<f64>,
    made: bool,
    /// How often it was used, for how many solutions none is made yet, and for how many at first.
    uses: u32,
    wait: u32,
    pause: u32,
    /// The inverse in panels and below it what the outputs so found take from the controls:
    /// `[panels of outputs and of controls][outputs]`.
    panels: Aligned<[f64; HEIGHT]>,
    /// What comes of it: the outputs, then the controls' step, each in whole panels.
    found: Aligned<[f64; HEIGHT]>,
    /// Room for a solution, and for what each output of the block gives beyond it, V.
    solved: Vec<f64>,
    beyond: Vec<f64>,
    /// Room for what one output takes from the controls.
    taken: Vec<f64>,
    /// Room for the cells of a row.
    cells: Vec<Cell>,
}

/// The block's step; false if the equations are singular.
#[inline(always)]
pub(super) fn solve(
    block: &Block,
    row: Option<&Row>,
    step: &mut BlockStep<'_>,
    kept: &mut Kept,
) -> bool {
    match block.widest {
        2 => solve_of::<2>(block, row, step, kept),
        3 => solve_of::<3>(block, row, step, kept),
        _ => solve_of::<0>(block, row, step, kept),
    }
}

/// The same for laws of at most W controls; 0 for as many as there are.
#[inline(always)]
fn solve_of<const W: usize>(
    block: &Block,
    row: Option<&Row>,
    step: &mut BlockStep<'_>,
    kept: &mut Kept,
) -> bool {
    let width = if W > 0 { W } else { block.widest };
    step.rows.resize(block.rows.len() * width, 0.0);
    for (number, row) in block.rows.iter().enumerate() {
        let slopes = &mut step.rows[number * width..][..width];
        row.slopes(step.bank, step.slopes, slopes);
    }
    if let Some(row) = row {
        load(block, step);
        if row.solve(step.rows, width, step.part, &mut kept.cells) {
            done::<W>(block, step);
            return true;
        }
    }
    if kept.made {
        if by_kept::<W>(block, step, kept) {
            kept.uses = kept.uses.saturating_add(1);
            return true;
        }
        kept.missed();
    }
    anew::<W>(block, step, kept)
}

/// The step of the block's controls, and what it adds to the outputs.
#[inline(always)]
fn done<const W: usize>(block: &Block, step: &mut BlockStep<'_>) {
    let part = &step.part[..block.height];
    for (x, &c) in part.iter().zip(&block.controls) {
        step.delta[c] = *x;
    }
    for (number, &output) in block.outputs.iter().enumerate() {
        step.dy[output] = dot::<W>(block, step.rows, number, part);
    }
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
        let (panels, _) = part.as_chunks_mut::<HEIGHT>();
        for (to, k) in panels.iter_mut().zip(k.as_chunks::<HEIGHT>().0) {
            let (mut left, k) = (*to, *k);
            for (left, k) in left.iter_mut().zip(k) {
                *left -= dy * k;
            }
            *to = left;
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
    let (n, rows) = (kept.matrix.outputs.len(), block.rows.len());
    let Kept {
        matrix,
        panels,
        found,
        beyond,
        ..
    } = kept;
    let first = n.div_ceil(HEIGHT);
    let missing = step.missing.as_flattened();
    found.fill([0.0; HEIGHT]);
    let part = found[first..].as_flattened_mut();
    for (x, &c) in part.iter_mut().zip(&block.controls) {
        *x = missing[c];
    }
    let slopes = &step.rows[..];
    let side = &mut step.side[..n];
    for (side, &number) in side.iter_mut().zip(&matrix.outputs) {
        *side = dot::<W>(block, slopes, number, part);
    }
    for round in 0..=ROUNDS {
        for (found, panel) in found.iter_mut().zip(panels.chunks_exact(n.max(1))) {
            let mut sum = *found;
            for (column, x) in panel.iter().zip(&*side) {
                for (sum, a) in sum.iter_mut().zip(column) {
                    *sum += a * x;
                }
            }
            *found = sum;
        }
        let (solved, part) = found.split_at(first);
        let (solved, part) = (solved.as_flattened(), part.as_flattened());
        let [size, _] = largest(part);
        // What the outputs give beyond what was taken of them.
        for (number, beyond) in beyond[..rows].iter_mut().enumerate() {
            *beyond = dot::<W>(block, slopes, number, part);
            step.dy[block.outputs[number]] = *beyond;
        }
        for ((side, &number), solved) in side.iter_mut().zip(&matrix.outputs).zip(solved) {
            *side = beyond[number] - solved;
            beyond[number] = *side;
        }
        for (beyond, row) in beyond.iter_mut().zip(&block.rows) {
            *beyond *= row.influence;
        }
        let [left, sum] = largest(beyond);
        if left <= LEFT * size.min(LEFT_OF_V) + LEFT_V {
            for (x, &c) in part.iter().zip(&block.controls) {
                step.delta[c] = *x;
            }
            // A comparison passes a NaN over, a sum does not.
            return !sum.is_nan();
        }
        if round == ROUNDS || left > SHRINKS * size {
            break;
        }
    }
    false
}

/// The size of the largest of some values, four at a time (one after the other each would wait for
/// the one before), and their sum; both ends must be whole fours.
#[inline(always)]
fn largest(values: &[f64]) -> [f64; 2] {
    let (mut most, mut sum) = ([0.0f64; WIDTH], [0.0f64; WIDTH]);
    for values in values.as_chunks::<WIDTH>().0 {
        for k in 0..WIDTH {
            let size = values[k].abs();
            most[k] = if size > most[k] { size } else { most[k] };
            sum[k] += size;
        }
    }
    let most = most.iter().fold(0.0, |a, &b| if b > a { b } else { a });
    [most, sum.iter().sum()]
}

/// With the matrix as it is now, whose inverse is kept.
#[inline(always)]
fn anew<const W: usize>(block: &Block, step: &mut BlockStep<'_>, kept: &mut Kept) -> bool {
    load(block, step);
    let (part, slopes) = (&mut step.part[..block.height], &step.rows[..]);
    kept.matrix.choose::<W>(block, slopes, part);
    let keeps = (SMALL + 1..=MANY).contains(&block.rows.len()) && kept.wait == 0;
    kept.wait = kept.wait.saturating_sub(1);
    let n = kept.matrix.outputs.len();
    let side = &mut step.side[..n];
    kept.made = keeps && {
        kept.uses = 0;
        kept.matrix
            .write(block, slopes, &mut kept.inverse, side, step.matrix);
        invert(&mut kept.inverse, n)
    };
    if kept.made {
        kept.solved.clear();
        kept.solved.resize(n, 0.0);
        add_inverse(&kept.inverse, side, &mut kept.solved);
        take(block, &kept.matrix.outputs, &kept.solved, part);
        kept.pack(block);
    } else if kept.matrix.solve(block, slopes, step.matrix) {
        take(block, &kept.matrix.outputs, kept.matrix.solved(), part);
    } else {
        return false;
    }
    done::<W>(block, step);
    true
}

impl Kept {
    /// The inverse does no longer: whether the next one is made at once.
    fn missed(&mut self) {
        self.pause = if self.uses < WORTH {
            (2 * self.pause + 1).min(LONGEST_PAUSE)
        } else {
            0
        };
        self.wait = self.pause;
    }

    /// Brings the inverse, and the controls by way of it, into panels.
    #[inline(always)]
    fn pack(&mut self, block: &Block) {
        let n = self.matrix.outputs.len();
        let (first, height) = (n.div_ceil(HEIGHT), block.height.div_ceil(HEIGHT));
        let count = (first + height) * n;
        self.panels.clear();
        self.panels.resize(count, [0.0; HEIGHT]);
        self.taken.resize(block.height, 0.0);
        let taken = &mut self.taken[..];
        for (c, column) in self.inverse.chunks_exact(n.max(1)).enumerate() {
            taken.fill(0.0);
            for (&output, a) in self.matrix.outputs.iter().zip(column) {
                let k = &block.k[output * block.height..][..block.height];
                for (taken, k) in taken.iter_mut().zip(k) {
                    *taken -= a * k;
                }
            }
            let (outputs, controls) = self.panels.split_at_mut(first * n);
            for (panels, values) in [(outputs, column), (controls, &*taken)] {
                for (panel, values) in panels.chunks_exact_mut(n).zip(values.chunks(HEIGHT)) {
                    panel[c][..values.len()].copy_from_slice(values);
                }
            }
        }
        self.found.resize(first + height, [0.0; HEIGHT]);
        let rows = block.rows.len().next_multiple_of(WIDTH);
        self.beyond.resize(rows, 0.0);
    }
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
