//! The elimination as a straight run through precomputed places.

use super::scalar::{Scalar, Vector};

/// The elimination as a list of places.
#[derive(Debug, Clone)]
pub(super) struct Plan<T> {
    /// Row of the matrix at each pivot step.
    pub(super) row_at: Vec<u32>,
    /// Column of the matrix at each pivot step.
    pub(super) column_at: Vec<u32>,
    /// Where each matrix value goes in `values`.
    pub(super) scatter: Vec<u32>,
    /// L part of each row: `lower[l_start[i]..l_start[i + 1]]` are pivot steps, rising.
    pub(super) l_start: Vec<u32>,
    pub(super) lower: Vec<u32>,
    /// U part likewise, the diagonal left out.
    pub(super) u_start: Vec<u32>,
    pub(super) upper: Vec<u32>,
    /// L values, then U values, then inverse diagonal.
    pub(super) values: Vec<T>,
    /// For each L entry, for each U entry of its pivot row: the place to update.
    pub(super) targets: Vec<u32>,
}

impl<T: Scalar> Plan<T> {
    /// Factors new values in the known order; false if a pivot has become smaller than
    /// `worn_out` times the largest entry beside it.
    #[inline(always)]
    pub(super) fn refactor(&mut self, values: &[T], worn_out: f64) -> bool {
        let n = self.row_at.len();
        let nl = self.lower.len();
        let nu = self.upper.len();
        let lu = &mut self.values[..];
        lu.fill(T::default());
        for (&place, &v) in self.scatter.iter().zip(values) {
            lu[place as usize] += v;
        }
        let mut target = 0;
        for i in 0..n {
            for e in self.l_start[i] as usize..self.l_start[i + 1] as usize {
                let k = self.lower[e] as usize;
                let factor = lu[e] * lu[nl + nu + k];
                lu[e] = factor;
                let (from, upto) = (self.u_start[k] as usize, self.u_start[k + 1] as usize);
                let places = &self.targets[target..target + upto - from];
                for (&place, u) in places.iter().zip(nl + from..nl + upto) {
                    let update = factor * lu[u];
                    lu[place as usize] -= update;
                }
                target += upto - from;
            }
            let pivot = lu[nl + nu + i];
            let inverse = pivot.reciprocal();
            let mut largest = pivot.sizes();
            for e in self.u_start[i] as usize..self.u_start[i + 1] as usize {
                largest = T::largest(largest, lu[nl + e].sizes());
            }
            if !pivot.is_sound(inverse, largest, worn_out) {
                return false;
            }
            lu[nl + nu + i] = inverse;
        }
        true
    }

    /// Replaces the right side by the solution; `y` is a buffer of its size.
    #[inline(always)]
    pub(super) fn solve<V: Vector<T>>(&self, b: &mut [V], y: &mut [V]) {
        let n = self.row_at.len();
        let nl = self.lower.len();
        let (l, ud) = self.values.split_at(nl);
        let (u, per_pivot) = ud.split_at(self.upper.len());
        let span = |starts: &[u32], i: usize| starts[i] as usize..starts[i + 1] as usize;
        for i in 0..n {
            let at = span(&self.l_start, i);
            let mut v = b[self.row_at[i] as usize];
            for (&k, &x) in self.lower[at.clone()].iter().zip(&l[at]) {
                v.take(x, &y[k as usize]);
            }
            y[i] = v;
        }
        for i in (0..n).rev() {
            let at = span(&self.u_start, i);
            let mut v = y[i];
            for (&k, &x) in self.upper[at.clone()].iter().zip(&u[at]) {
                v.take(x, &y[k as usize]);
            }
            y[i] = v.times(per_pivot[i]);
        }
        for (&column, &v) in self.column_at.iter().zip(y.iter()) {
            b[column as usize] = v;
        }
    }
}
