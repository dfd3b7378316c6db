//! Single entries of the inverse, and products with it, where both sides have few entries.
//!
//! c^T A^-1 b needs L^-1 b and U^-T c alone, and these are as sparse as what b and c reach on
//! the way of elimination: in a chain of stages a few dozen of thousands of entries. Each side
//! is worked out once and then serves any number of partners (J. R. Gilbert and T. Peierls, SIAM
//! J. Sci. Stat. Comput. 9, 1988, for sparse right sides; citation from memory, not checked).

use super::StaticLu;
use super::scalar::Scalar;

/// One side of a product, eliminated halfway: entries by pivot step, rising.
#[derive(Debug, Clone)]
pub struct Side<T>(Vec<(u32, T)>);

impl<T: Scalar> Side<T> {
    /// What this side (of the left or the right) and one of the other make together.
    pub fn times(&self, other: &Self) -> T {
        let (mut sum, mut k) = (T::default(), 0);
        for &(step, value) in &self.0 {
            while other.0.get(k).is_some_and(|o| o.0 < step) {
                k += 1;
            }
            if let Some(&(_, theirs)) = other.0.get(k).filter(|o| o.0 == step) {
                sum += value * theirs;
            }
        }
        sum
    }
}

/// Half-eliminates sparse sides by the factors of a matrix.
#[derive(Debug)]
pub struct Sides<'a, T> {
    lu: &'a StaticLu<T>,
    /// Pivot steps of rows and columns.
    step_of_row: Vec<u32>,
    step_of_column: Vec<u32>,
    /// L by its columns: where each begins, the rows and the places of the values.
    starts: Vec<u32>,
    rows: Vec<(u32, u32)>,
    work: Vec<T>,
    open: Open,
}

/// Steps that wait, each later than the one taken last: a bit for each, for they are few and close
/// together (a tree of numbers took ten times as long for 1000 stages in a row).
#[derive(Debug)]
struct Open {
    words: Vec<u64>,
    /// No word before this one has a bit.
    at: usize,
}

impl Open {
    fn insert(&mut self, step: u32) {
        let word = step as usize / 64;
        self.words[word] |= 1 << (step % 64);
        self.at = self.at.min(word);
    }

    fn pop_first(&mut self) -> Option<u32> {
        let waiting = self.words[self.at..].iter().position(|&word| word != 0);
        let Some(ahead) = waiting else {
            self.at = self.words.len();
            return None;
        };
        self.at += ahead;
        let word = &mut self.words[self.at];
        let bit = word.trailing_zeros();
        *word &= *word - 1;
        Some(self.at as u32 * 64 + bit)
    }
}

impl<T: Scalar> StaticLu<T> {
    /// For products with the inverse whose sides are sparse.
    ///
    /// # Panics
    /// If it is not factored.
    pub fn sides(&self) -> Sides<'_, T> {
        let plan = self.plan.as_ref().expect("factored");
        let n = self.n;
        let steps = |at: &[u32]| {
            let mut steps = vec![0; n];
            for (step, &k) in at.iter().enumerate() {
                steps[k as usize] = step as u32;
            }
            steps
        };
        let mut starts = vec![0u32; n + 1];
        for &column in &plan.lower {
            starts[column as usize + 1] += 1;
        }
        for k in 0..n {
            starts[k + 1] += starts[k];
        }
        let mut next = starts.clone();
        let mut rows = vec![(0, 0); plan.lower.len()];
        for row in 0..n {
            for e in plan.l_start[row]..plan.l_start[row + 1] {
                let at = &mut next[plan.lower[e as usize] as usize];
                rows[*at as usize] = (row as u32, e);
                *at += 1;
            }
        }
        Sides {
            lu: self,
            step_of_row: steps(&plan.row_at),
            step_of_column: steps(&plan.column_at),
            starts,
            rows,
            work: vec![T::default(); n],
            open: Open {
                words: vec![0; n.div_ceil(64)],
                at: n.div_ceil(64),
            },
        }
    }
}

impl<T: Scalar> Sides<'_, T> {
    /// A right side: entries by row.
    pub fn right(&mut self, entries: &[(usize, T)]) -> Side<T> {
        let plan = self.lu.plan.as_ref().expect("factored");
        let (starts, rows) = (&self.starts, &self.rows);
        let (work, open) = (&mut self.work, &mut self.open);
        let steps = entries.iter().map(|&(row, v)| (self.step_of_row[row], v));
        eliminate(steps, work, open, |step, value, work, open| {
            for &(row, e) in &rows[starts[step] as usize..starts[step + 1] as usize] {
                work[row as usize] -= plan.values[e as usize] * value;
                open.insert(row);
            }
            value
        })
    }

    /// A left side: entries by column.
    pub fn left(&mut self, entries: &[(usize, T)]) -> Side<T> {
        let plan = self.lu.plan.as_ref().expect("factored");
        let (nl, nu) = (plan.lower.len(), plan.upper.len());
        let steps = entries
            .iter()
            .map(|&(column, v)| (self.step_of_column[column], v));
        let (work, open) = (&mut self.work, &mut self.open);
        eliminate(steps, work, open, |step, value, work, open| {
            let value = value * plan.values[nl + nu + step];
            for e in plan.u_start[step] as usize..plan.u_start[step + 1] as usize {
                work[plan.upper[e] as usize] -= plan.values[nl + e] * value;
                open.insert(plan.upper[e]);
            }
            value
        })
    }
}

/// Goes through the steps that entries reach, from the first on.
fn eliminate<T: Scalar>(
    entries: impl Iterator<Item = (u32, T)>,
    work: &mut [T],
    open: &mut Open,
    mut spread: impl FnMut(usize, T, &mut [T], &mut Open) -> T,
) -> Side<T> {
    for (step, value) in entries {
        work[step as usize] += value;
        open.insert(step);
    }
    let mut side = Vec::new();
    while let Some(step) = open.pop_first() {
        let value = std::mem::take(&mut work[step as usize]);
        side.push((step, spread(step as usize, value, work, open)));
    }
    Side(side)
}

#[cfg(test)]
mod tests {
    use crate::math::lu::{LinearSolver, StaticLu};

    #[test]
    fn sparse_sides_give_the_entries_of_the_inverse() {
        let n = 60;
        let (mut p, mut idx, mut v) = (vec![0], vec![], vec![]);
        for i in 0..n {
            for j in [i, (i + 1) % n, (i * 7 + 3) % n] {
                if !idx[p[i]..].contains(&j) {
                    idx.push(j);
                    v.push(1.0 + ((i * 13 + j * 5) % 11) as f64);
                }
            }
            p.push(idx.len());
        }
        let mut lu = StaticLu::new(n, &p, &idx);
        lu.factor(&v).unwrap();
        for (row, column) in [(0, 0), (3, 41), (59, 2), (17, 18)] {
            let mut x = vec![0.0; n];
            x[row] = 1.0;
            x[5] -= 0.5;
            lu.solve(&mut x);
            let mut sides = lu.sides();
            let right = sides.right(&[(row, 1.0), (5, -0.5)]);
            let left = sides.left(&[(column, 1.0)]);
            let found = left.times(&right);
            assert!((found - x[column]).abs() < 1e-12, "{found} {}", x[column]);
        }
    }
}
