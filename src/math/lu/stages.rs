//! Elimination over blocks: a method with three stages solves for all three moments of an unknown
//! together, so that the matrix of one moment is ordered, and each of its entries is a block.
//!
//! Beside an order of all `3 n` unknowns (the whole Lapwing, 132 unknowns: 31 000 updates, one place
//! each) a block is fetched by one place and updated in lanes: 911 updates of a block.

// Lanes are written by their numbers: iterators stay calls inside a function for a wider processor.
#![allow(clippy::needless_range_loop)]

use super::plan::Plan;
use super::scalar::{Scalar, Vector};
use super::{LinearSolver, Singular, StaticLu, WORN_OUT};
use pulp::{Arch, Simd, WithSimd};
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

/// Moments solved together.
const STAGES: usize = 3;
/// A column of a block, filled up to whole lanes.
pub const ROWS: usize = 4;

/// Parts of their rows that the pivots of a new order are to reach, the first that one does: as long as
/// they keep up the next, the order is kept, rather than that each step seeks another one in vain.
const WEAKER: [f64; 5] = [WORN_OUT, 1e-8, 1e-11, 1e-14, 0.0];

/// Where none reaches any of them, another is sought after N factorisations.
const WEAK_LASTS: usize = 32;

/// What the stages of one unknown do to those of one equation, column by column.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Block([[f64; ROWS]; STAGES]);

impl Block {
    /// From its entries: `at(row stage, column stage)`.
    #[inline(always)]
    fn of(at: impl Fn(usize, usize) -> f64) -> Self {
        let mut block = Block::default();
        for column in 0..STAGES {
            for row in 0..STAGES {
                block.0[column][row] = at(row, column);
            }
        }
        block
    }

    /// What each stage of an unknown does to its own equation alone.
    #[inline(always)]
    pub fn diagonal([a, b, c]: [f64; STAGES]) -> Self {
        Block([[a, 0.0, 0.0, 0.0], [0.0, b, 0.0, 0.0], [0.0, 0.0, c, 0.0]])
    }

    /// Adds what the rates of stored charges do: `weights`, by the stages they come from, times what
    /// each of these stores.
    #[inline(always)]
    pub fn add_rates(&mut self, weights: &[[f64; ROWS]; STAGES], stored: [f64; STAGES]) {
        for column in 0..STAGES {
            for row in 0..ROWS {
                self.0[column][row] += weights[column][row] * stored[column];
            }
        }
    }

    #[inline(always)]
    fn times(self, other: Self) -> Self {
        let [a, b, c] = self.0;
        let mut product = Block::default();
        for column in 0..STAGES {
            let [x, y, z, _] = other.0[column];
            for row in 0..ROWS {
                product.0[column][row] = a[row] * x + b[row] * y + c[row] * z;
            }
        }
        product
    }

    /// By cofactors: those of the method's own matrix, of conductances alone and of sums of both are
    /// sums without cancellation.
    #[inline(always)]
    fn inverse(self) -> Self {
        let m = &self.0;
        let minor = |c0: usize, c1: usize, r0: usize, r1: usize| {
            m[c0][r0] * m[c1][r1] - m[c0][r1] * m[c1][r0]
        };
        // adjoint[column][row]
        let adjoint = [
            [minor(1, 2, 1, 2), minor(0, 2, 2, 1), minor(0, 1, 1, 2)],
            [minor(1, 2, 2, 0), minor(0, 2, 0, 2), minor(0, 1, 2, 0)],
            [minor(1, 2, 0, 1), minor(0, 2, 1, 0), minor(0, 1, 0, 1)],
        ];
        let determinant =
            m[0][0] * adjoint[0][0] + m[0][1] * adjoint[1][0] + m[0][2] * adjoint[2][0];
        let over = 1.0 / determinant;
        Block::of(|row, column| adjoint[column][row] * over)
    }
}

impl Add for Block {
    type Output = Self;
    #[inline(always)]
    fn add(mut self, other: Self) -> Self {
        for column in 0..STAGES {
            for row in 0..ROWS {
                self.0[column][row] += other.0[column][row];
            }
        }
        self
    }
}

impl Sub for Block {
    type Output = Self;
    #[inline(always)]
    fn sub(mut self, other: Self) -> Self {
        for column in 0..STAGES {
            for row in 0..ROWS {
                self.0[column][row] -= other.0[column][row];
            }
        }
        self
    }
}

impl Mul for Block {
    type Output = Self;
    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        self.times(other)
    }
}

impl Div for Block {
    type Output = Self;
    #[inline(always)]
    fn div(self, other: Self) -> Self {
        self.times(other.inverse())
    }
}

impl Neg for Block {
    type Output = Self;
    #[inline(always)]
    fn neg(self) -> Self {
        Block::default() - self
    }
}

impl AddAssign for Block {
    #[inline(always)]
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl SubAssign for Block {
    #[inline(always)]
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

impl Scalar for Block {
    const ONE: Self = Block([
        [1.0, 0.0, 0.0, 0.0],
        [0.0, 1.0, 0.0, 0.0],
        [0.0, 0.0, 1.0, 0.0],
    ]);

    /// The sum of all sizes, so that NaN stays.
    #[inline(always)]
    fn magnitude(self) -> f64 {
        let column = |c: &[f64; ROWS]| c[0].abs() + c[1].abs() + c[2].abs();
        column(&self.0[0]) + column(&self.0[1]) + column(&self.0[2])
    }

    type Sizes = [f64; ROWS];

    #[inline(always)]
    fn sizes(self) -> [f64; ROWS] {
        let [a, b, c] = self.0;
        let mut sizes = [0.0; ROWS];
        for row in 0..ROWS {
            sizes[row] = a[row].abs() + b[row].abs() + c[row].abs();
        }
        sizes
    }

    #[inline(always)]
    fn largest(mut a: [f64; ROWS], b: [f64; ROWS]) -> [f64; ROWS] {
        for row in 0..ROWS {
            a[row] = if a[row] > b[row] { a[row] } else { b[row] };
        }
        a
    }

    /// What the inverse says of it, each moment beside its own row: a block may be large and yet
    /// leave a direction out, and a diode that conducts in one moment is off in the next.
    #[inline(always)]
    fn is_sound(self, inverse: Self, row: [f64; ROWS], worn_out: f64) -> bool {
        let mut sum = [0.0; ROWS];
        for column in 0..STAGES {
            for stage in 0..ROWS {
                sum[stage] += inverse.0[column][stage].abs() * row[column];
            }
        }
        worn_out * (sum[0] + sum[1] + sum[2]) < 1.0
    }

    fn real(x: f64) -> Self {
        Block::of(|row, column| if row == column { x } else { 0.0 })
    }

    #[inline(always)]
    fn reciprocal(self) -> Self {
        self.inverse()
    }
}

/// The stages of one unknown, for `L` right sides.
#[derive(Debug, Clone, Copy)]
pub struct Moments<const L: usize>(pub [[f64; L]; STAGES]);

impl<const L: usize> Default for Moments<L> {
    fn default() -> Self {
        Moments([[0.0; L]; STAGES])
    }
}

impl<const L: usize> Vector<Block> for Moments<L> {
    #[inline(always)]
    fn take(&mut self, x: Block, other: &Self) {
        for row in 0..STAGES {
            let (a, b, c) = (x.0[0][row], x.0[1][row], x.0[2][row]);
            for lane in 0..L {
                self.0[row][lane] -=
                    a * other.0[0][lane] + b * other.0[1][lane] + c * other.0[2][lane];
            }
        }
    }

    #[inline(always)]
    fn times(self, x: Block) -> Self {
        let mut product = Moments::default();
        product.take(-x, &self);
        product
    }
}

/// The stages of one unknown in lanes, for one right side.
#[derive(Debug, Clone, Copy, Default)]
struct Column([f64; ROWS]);

impl Vector<Block> for Column {
    #[inline(always)]
    fn take(&mut self, x: Block, other: &Self) {
        let [a, b, c] = x.0;
        let [x, y, z, _] = other.0;
        for row in 0..ROWS {
            self.0[row] -= a[row] * x + b[row] * y + c[row] * z;
        }
    }

    #[inline(always)]
    fn times(self, x: Block) -> Self {
        let mut product = Column::default();
        product.take(-x, &self);
        product
    }
}

/// Our static elimination over blocks.
#[derive(Debug, Clone)]
pub struct StageLu {
    /// Chooses the order from the matrix of one moment.
    one: StaticLu<f64>,
    all: Option<StaticLu<Block>>,
    /// The part of its row below which a kept pivot is worn out.
    worn_out: f64,
    /// Factorisations until a better order is sought.
    lasts: usize,
    columns: Vec<Column>,
    work: Vec<Column>,
}

impl StageLu {
    /// For square matrices of `n` rows of blocks with the pattern of compressed rows given.
    pub fn new(n: usize, indptr: &[usize], indices: &[usize]) -> Self {
        StageLu {
            one: StaticLu::new(n, indptr, indices),
            all: None,
            worn_out: WORN_OUT,
            lasts: 0,
            columns: vec![Column::default(); n],
            work: vec![Column::default(); n],
        }
    }

    /// Takes new values, in the order of the pattern.
    ///
    /// # Errors
    /// If there is no order with pivots that can be inverted.
    pub fn factor(&mut self, values: &[Block]) -> Result<(), Singular> {
        self.lasts = self.lasts.saturating_sub(1);
        if let Some(all) = self.all.as_mut().filter(|_| self.lasts > 0)
            && all.refactored(values, self.worn_out)
        {
            return Ok(());
        }
        // The matrix of one moment has the order of all, unless laws stand differently in them.
        let mut best: Option<(usize, StaticLu<Block>)> = None;
        let mut singular = Singular { row: 0, column: 0 };
        for stage in (0..STAGES).rev() {
            let own: Vec<f64> = values.iter().map(|b| b.0[stage][stage]).collect();
            self.one.forget_order();
            if let Err(found) = self.one.factor(&own) {
                singular = found;
                continue;
            }
            let mut all = self.one.recast().expect("just factored");
            let level = WEAKER.iter().position(|&part| all.refactored(values, part));
            if let Some(level) = level.filter(|&l| best.as_ref().is_none_or(|b| l < b.0)) {
                best = Some((level, all));
            }
            if level == Some(0) {
                break;
            }
        }
        let (level, mut all) = best.ok_or(singular)?;
        self.worn_out = WEAKER[(level + 1).min(WEAKER.len() - 1)].min(WORN_OUT);
        self.lasts = if level + 1 < WEAKER.len() {
            usize::MAX
        } else {
            WEAK_LASTS
        };
        let is_factored = all.refactored(values, WEAKER[level]);
        debug_assert!(is_factored);
        self.all = Some(all);
        Ok(())
    }

    /// Replaces the right side, `[STAGES][n]`, by the solution.
    pub fn solve(&mut self, b: &mut [f64]) {
        let n = self.columns.len();
        for (k, column) in self.columns.iter_mut().enumerate() {
            column.0 = [b[k], b[n + k], b[2 * n + k], 0.0];
        }
        let plan = self.all.as_ref().and_then(|lu| lu.plan.as_ref());
        Arch::new().dispatch(Solve {
            plan: plan.expect("factored"),
            b: &mut self.columns,
            work: &mut self.work,
        });
        for (k, column) in self.columns.iter().enumerate() {
            (b[k], b[n + k], b[2 * n + k]) = (column.0[0], column.0[1], column.0[2]);
        }
    }

    /// Carries `L` small changes of each equation's charge, `[n]`, through the step that was factored:
    /// they act on its stages by `weights`, and what the last stage stores of what they make of the
    /// unknowns takes their place: `stores` has equations, unknowns and places in `storage`. `work` is a
    /// buffer.
    pub fn carry<const L: usize>(
        &self,
        weights: [f64; STAGES],
        (stores, storage): (&[(usize, usize, usize)], &[f64]),
        changes: &mut [[f64; L]],
        work: &mut [Vec<Moments<L>>; 2],
    ) {
        let plan = self.all.as_ref().and_then(|lu| lu.plan.as_ref());
        let plan = plan.expect("factored");
        Arch::new().dispatch(Carry {
            plan,
            weights,
            stores,
            storage,
            changes,
            work,
        });
    }
}

impl StaticLu<Block> {
    fn refactored(&mut self, values: &[Block], worn_out: f64) -> bool {
        let plan = self.plan.as_mut().expect("ordered");
        Arch::new().dispatch(Refactor {
            plan,
            values,
            worn_out,
        })
    }
}

/// A factorisation with the lanes that the processor has; the bits are the same for all.
struct Refactor<'a> {
    plan: &'a mut Plan<Block>,
    values: &'a [Block],
    worn_out: f64,
}

impl WithSimd for Refactor<'_> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) -> bool {
        self.plan.refactor(self.values, self.worn_out)
    }
}

struct Carry<'a, const L: usize> {
    plan: &'a Plan<Block>,
    weights: [f64; STAGES],
    stores: &'a [(usize, usize, usize)],
    storage: &'a [f64],
    changes: &'a mut [[f64; L]],
    work: &'a mut [Vec<Moments<L>>; 2],
}

impl<const L: usize> WithSimd for Carry<'_, L> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) {
        let [right, work] = self.work;
        let changes = self.changes;
        let n = changes.len();
        right.resize(n, Moments::default());
        work.resize(n, Moments::default());
        for k in 0..n {
            for stage in 0..STAGES {
                for lane in 0..L {
                    right[k].0[stage][lane] = self.weights[stage] * changes[k][lane];
                }
            }
            changes[k] = [0.0; L];
        }
        self.plan.solve(right, work);
        for &(equation, unknown, place) in self.stores {
            let stored = self.storage[place];
            let x = &right[unknown].0[STAGES - 1];
            let to = &mut changes[equation];
            for lane in 0..L {
                to[lane] += stored * x[lane];
            }
        }
    }
}

struct Solve<'a, V> {
    plan: &'a Plan<Block>,
    b: &'a mut [V],
    work: &'a mut [V],
}

impl<V: Vector<Block>> WithSimd for Solve<'_, V> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) {
        self.plan.solve(self.b, self.work);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A chain whose blocks mix stages, checked by what it leaves.
    #[test]
    fn blocks_are_solved_as_their_entries_would_be() {
        let n = 30;
        let (mut p, mut idx, mut values) = (vec![0], vec![], vec![]);
        for i in 0..n {
            for j in [i, (i + 1) % n, (i * 7 + 3) % n] {
                if !idx[p[i]..].contains(&j) {
                    idx.push(j);
                    values.push(Block::of(|row, column| {
                        1.0 + ((i * 13 + j * 5 + row * 7 + column * 3 + row * column) % 11) as f64
                    }));
                }
            }
            p.push(idx.len());
        }
        let mut lu = StageLu::new(n, &p, &idx);
        lu.factor(&values).unwrap();
        let b: Vec<f64> = (0..STAGES * n).map(|k| (k % 5) as f64 - 1.5).collect();
        let mut x = b.clone();
        lu.solve(&mut x);
        for row in 0..n {
            for stage in 0..STAGES {
                let at = |e: usize, s: usize| values[e].0[s][stage] * x[s * n + idx[e]];
                let ax: f64 = (p[row]..p[row + 1])
                    .map(|e| (0..STAGES).map(|s| at(e, s)).sum::<f64>())
                    .sum();
                assert!((ax - b[stage * n + row]).abs() < 1e-9, "{row} {stage} {ax}");
            }
        }
    }

    #[test]
    fn changes_are_carried_as_solving_for_each_would() {
        let values = [3.0, 1.0, -1.0, 2.0].map(|x| {
            let mut block = Block::diagonal([x, 2.0 * x, 3.0 * x]);
            block.add_rates(&[[1.0, 0.5, 0.25, 0.0]; STAGES], [0.1, 0.2, 0.3]);
            block
        });
        let mut lu = StageLu::new(2, &[0, 2, 4], &[0, 1, 0, 1]);
        lu.factor(&values).unwrap();
        let weights = [1.0, -2.0, 4.0];
        let (stores, storage) = ([(0, 0, 0), (1, 0, 1), (1, 1, 2)], [2.0, 3.0, 5.0]);
        let starts = [[1.0, 0.5], [-2.0, 4.0]];
        let (mut changes, mut work) = (starts, [vec![], vec![]]);
        lu.carry(weights, (&stores, &storage), &mut changes, &mut work);
        for lane in 0..2 {
            let right = |stage: usize, k: usize| weights[stage] * starts[k][lane];
            let mut x: Vec<f64> = (0..STAGES)
                .flat_map(|stage| [right(stage, 0), right(stage, 1)])
                .collect();
            lu.solve(&mut x);
            let end = &x[4..];
            let expected = [2.0 * end[0], 3.0 * end[0] + 5.0 * end[1]];
            assert_eq!([changes[0][lane], changes[1][lane]], expected);
        }
    }

    #[test]
    fn an_inverse_undoes_its_block() {
        let block = Block::of(|row, column| {
            [3.2, 1.2, -0.3, -3.6, 0.8, 1.1, 5.5, -7.5, 5.0][row * 3 + column]
        });
        let product = block * block.inverse() - Block::ONE;
        assert!(product.magnitude() < 1e-14, "{product:?}");
        assert!(!Block::default().inverse().magnitude().is_finite());
    }

    #[test]
    fn a_matrix_without_a_pivot_is_named_as_such() {
        let mut lu = StageLu::new(2, &[0, 2, 4], &[0, 1, 0, 1]);
        let values = [1.0, 2.0, 2.0, 4.0].map(Block::real);
        assert!(lu.factor(&values).is_err());
    }
}
