//! A block's matrix 1 + S K, as it is now, for the outputs that count, and behind each of its lines the right side
//! S missing.
//!
//! It is formed and solved in the processor's best instruction set but by itself: as a part of what calls it, it
//! would be there once for each kind of block.

use super::block::{Block, is_significant};
use crate::math::aligned::Aligned;
use crate::math::dense::{self, lines};
use crate::math::panels::HEIGHT;
use pulp::{Arch, Simd, WithSimd};

/// An output that moves its block's controls by less than this part of their own step is left
/// out of the Jacobian (a valve without current, a grid without): the next iteration sees it.
pub(super) const MIN_INFLUENCE: f64 = 1e-6;

/// The matrix and its solution.
#[derive(Debug, Clone, Default)]
pub(super) struct Matrix {
    /// Numbers of the outputs that count.
    pub outputs: Vec<usize>,
    /// What each of these takes from a control, control by control, and behind that what the control misses:
    /// `[height][panels]`.
    takes: Aligned<[f64; HEIGHT]>,
    solved: Aligned<[f64; HEIGHT]>,
    /// Room for the outputs that count now, and for the matrix column by column.
    chosen: Vec<usize>,
    columns: Vec<f64>,
}

impl Matrix {
    /// Sees which outputs count at slopes `[rows * widest]`, of which there are W to an output if that is not 0, and
    /// takes what the controls miss.
    #[inline(always)]
    pub fn choose<const W: usize>(&mut self, block: &Block, slopes: &[f64], missing: &[f64]) {
        let width = if W > 0 { W } else { block.widest };
        self.chosen.clear();
        for (number, row) in block.rows.iter().enumerate() {
            let slopes = &slopes[number * width..][..width];
            let most = slopes.iter().fold(0.0f64, |m, s| m.max(s.abs()));
            if is_significant(most * row.influence, MIN_INFLUENCE) {
                self.chosen.push(number);
            }
        }
        if self.chosen != self.outputs || self.takes.is_empty() {
            std::mem::swap(&mut self.chosen, &mut self.outputs);
            self.take_in(block);
        }
        let n = self.outputs.len();
        let panels = self.takes.chunks_exact_mut(lines::panels(n));
        for (takes, missing) in panels.zip(missing) {
            takes[n / HEIGHT][n % HEIGHT] = *missing;
        }
    }

    /// Takes in what the chosen outputs take from the controls.
    fn take_in(&mut self, block: &Block) {
        let panels = lines::panels(self.outputs.len());
        let zeros = [0.0; HEIGHT];
        self.solved.resize(panels, zeros);
        self.takes.clear();
        self.takes.resize(block.height * panels, zeros);
        for (k, &output) in self.outputs.iter().enumerate() {
            let column = &block.k[output * block.height..][..block.height];
            for (takes, entry) in self.takes.chunks_exact_mut(panels).zip(column) {
                takes[k / HEIGHT][k % HEIGHT] = *entry;
            }
        }
    }

    /// Solves it: what each output that counts adds. False if it is singular. `room` is for its lines.
    pub fn solve(
        &mut self,
        block: &Block,
        slopes: &[f64],
        room: &mut Aligned<[f64; HEIGHT]>,
    ) -> bool {
        if self.form(block, slopes, room, true) {
            return true;
        }
        // With exchange of lines.
        self.form(block, slopes, room, false);
        let n = self.outputs.len();
        lines::columns(room, n, &mut self.columns);
        let side = &mut self.solved.as_flattened_mut()[..n];
        lines::side(room, side);
        dense::solve_columns(&mut self.columns, side)
    }

    /// Forms it: its columns go to `columns`, its right side to `side`.
    pub fn write(
        &mut self,
        block: &Block,
        slopes: &[f64],
        columns: &mut Vec<f64>,
        side: &mut [f64],
        room: &mut Aligned<[f64; HEIGHT]>,
    ) {
        self.form(block, slopes, room, false);
        lines::columns(room, self.outputs.len(), columns);
        lines::side(room, side);
    }

    /// What each output that counts adds, once it was solved.
    pub fn solved(&self) -> &[f64] {
        &self.solved.as_flattened()[..self.outputs.len()]
    }

    fn form(
        &mut self,
        block: &Block,
        slopes: &[f64],
        room: &mut Aligned<[f64; HEIGHT]>,
        solves: bool,
    ) -> bool {
        let n = self.outputs.len();
        room.resize(n * lines::panels(n), [0.0; HEIGHT]);
        Arch::new().dispatch(Forming {
            matrix: self,
            lines: room,
            block,
            slopes,
            solves,
        })
    }
}

/// Forming a matrix, and solving it if that is asked for.
struct Forming<'a> {
    matrix: &'a mut Matrix,
    /// `[outputs][panels]`
    lines: &'a mut [[f64; HEIGHT]],
    block: &'a Block,
    slopes: &'a [f64],
    solves: bool,
}

impl WithSimd for Forming<'_> {
    /// Whether it was solved.
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) -> bool {
        match lines::panels(self.matrix.outputs.len()) {
            1 => self.of::<1>(),
            2 => self.of::<2>(),
            3 => self.of::<3>(),
            4 => self.of::<4>(),
            5 => self.of::<5>(),
            6 => self.of::<6>(),
            _ => self.of_many(),
        }
    }
}

impl Forming<'_> {
    /// Lines of P panels.
    #[inline(always)]
    fn of<const P: usize>(self) -> bool {
        let Forming {
            matrix,
            lines,
            block,
            ..
        } = self;
        let (lines, _) = lines.as_chunks_mut::<P>();
        let (takes, _) = matrix.takes.as_chunks::<P>();
        for (k, (line, &number)) in lines.iter_mut().zip(&matrix.outputs).enumerate() {
            let slopes = &self.slopes[number * block.widest..][..block.widest];
            let takes = &takes[block.rows[number].first..];
            let mut sum = [[0.0; HEIGHT]; P];
            for (slope, takes) in slopes.iter().zip(takes) {
                for (sum, k) in sum.iter_mut().zip(takes) {
                    for (sum, k) in sum.iter_mut().zip(k) {
                        *sum += slope * k;
                    }
                }
            }
            // Into the sum itself it would keep that from registers.
            *line = sum;
            line[k / HEIGHT][k % HEIGHT] += 1.0;
        }
        let (solved, _) = matrix.solved.as_chunks_mut::<P>();
        self.solves && lines::solve_here(lines, &mut solved[0])
    }

    /// Longer lines, which are never solved here.
    fn of_many(self) -> bool {
        let Forming {
            matrix,
            lines,
            block,
            ..
        } = self;
        let panels = lines::panels(matrix.outputs.len());
        let lines = lines.chunks_exact_mut(panels);
        for (k, (line, &number)) in lines.zip(&matrix.outputs).enumerate() {
            let slopes = &self.slopes[number * block.widest..][..block.widest];
            line.fill([0.0; HEIGHT]);
            let takes = matrix.takes.chunks_exact(panels);
            for (slope, takes) in slopes.iter().zip(takes.skip(block.rows[number].first)) {
                let takes = takes.as_flattened().iter();
                for (sum, k) in line.as_flattened_mut().iter_mut().zip(takes) {
                    *sum += slope * k;
                }
            }
            line[k / HEIGHT][k % HEIGHT] += 1.0;
        }
        false
    }
}
