//! Sparse LU for unsymmetric matrices with zero diagonals, by static elimination.
//!
//! A circuit's matrix keeps its pattern while its values change at every
//! Newton iteration. So the pivot order is chosen once, from the values, by
//! Markowitz cost with threshold pivoting (H. M. Markowitz, Management Science
//! 3, 1957; thresholds as in Duff, Erisman and Reid, "Direct Methods for Sparse
//! Matrices", 1986, ch. 7), fill included; afterwards each factorisation is a
//! straight run through precomputed places. `bench/lu.rs` holds the
//! measurement against the libraries that were candidates.

use num_complex::Complex;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

/// A field to factor over: f64, or complex numbers for small-signal work.
pub trait Scalar:
    Copy
    + PartialEq
    + Default
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + AddAssign
    + SubAssign
    + std::fmt::Debug
{
    /// The number one.
    const ONE: Self;
    /// Size for pivoting.
    fn magnitude(self) -> f64;
    /// From a real number.
    fn real(x: f64) -> Self;
}

impl Scalar for f64 {
    const ONE: f64 = 1.0;
    fn magnitude(self) -> f64 {
        self.abs()
    }
    fn real(x: f64) -> f64 {
        x
    }
}

impl Scalar for Complex<f64> {
    const ONE: Self = Complex { re: 1.0, im: 0.0 };
    /// The sum of both parts' sizes: within a factor of 1.4 of the modulus, without its root.
    fn magnitude(self) -> f64 {
        self.re.abs() + self.im.abs()
    }
    fn real(x: f64) -> Self {
        Complex { re: x, im: 0.0 }
    }
}

/// No usable pivot was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Singular {
    /// A row (equation) that depends on the others.
    pub row: usize,
    /// A column (unknown) that the equations do not fix.
    pub column: usize,
}

/// A sparse linear solver for matrices of one pattern in compressed rows.
pub trait LinearSolver<T> {
    /// Takes new values, in the order of the pattern.
    fn factor(&mut self, values: &[T]) -> Result<(), Singular>;
    /// Replaces the right-hand side by the solution.
    fn solve(&mut self, b: &mut [T]);
}

/// An entry may be a pivot if it is at least this fraction of its row's largest.
const THRESHOLD: f64 = 1e-2;
/// How many of the shortest rows are searched for the cheapest pivot.
const SEARCH: usize = 4;
/// A reused pivot this small beside its row means that the order no longer fits.
const WORN_OUT: f64 = 1e-5;

/// Our static elimination.
#[derive(Debug, Clone)]
pub struct StaticLu<T> {
    n: usize,
    indptr: Vec<usize>,
    indices: Vec<usize>,
    plan: Option<Plan<T>>,
    /// Factorisations that had to choose a new pivot order.
    pub orderings: usize,
    work: Vec<T>,
}

/// The elimination as a list of places.
#[derive(Debug, Clone)]
struct Plan<T> {
    /// Row of the matrix at each pivot step.
    row_at: Vec<u32>,
    /// Column of the matrix at each pivot step.
    column_at: Vec<u32>,
    /// Where each matrix value goes in `values`.
    scatter: Vec<u32>,
    /// L part of each row: `lower[l_start[i]..l_start[i + 1]]` are pivot steps, rising.
    l_start: Vec<u32>,
    lower: Vec<u32>,
    /// U part likewise, the diagonal left out.
    u_start: Vec<u32>,
    upper: Vec<u32>,
    /// L values, then U values, then inverse diagonal.
    values: Vec<T>,
    /// For each L entry, for each U entry of its pivot row: the place to update.
    targets: Vec<u32>,
}

impl<T: Scalar> StaticLu<T> {
    /// For square matrices of `n` rows with the pattern of compressed rows given.
    pub fn new(n: usize, indptr: &[usize], indices: &[usize]) -> Self {
        StaticLu {
            n,
            indptr: indptr.to_vec(),
            indices: indices.to_vec(),
            plan: None,
            orderings: 0,
            work: vec![T::default(); n],
        }
    }

    /// The same pattern and pivot order over another field, without values; none before the
    /// first factorisation.
    pub fn recast<U: Scalar>(&self) -> Option<StaticLu<U>> {
        let plan = self.plan.as_ref()?;
        Some(StaticLu {
            n: self.n,
            indptr: self.indptr.clone(),
            indices: self.indices.clone(),
            plan: Some(Plan {
                row_at: plan.row_at.clone(),
                column_at: plan.column_at.clone(),
                scatter: plan.scatter.clone(),
                l_start: plan.l_start.clone(),
                lower: plan.lower.clone(),
                u_start: plan.u_start.clone(),
                upper: plan.upper.clone(),
                values: vec![U::default(); plan.values.len()],
                targets: plan.targets.clone(),
            }),
            orderings: 0,
            work: vec![U::default(); self.n],
        })
    }

    /// Entries in L, U and the diagonal together; 0 before the first factorisation.
    pub fn entries(&self) -> usize {
        self.plan.as_ref().map_or(0, |p| p.values.len())
    }

    /// Solves with a buffer of the caller's, `[n]`, so that the factors may be shared.
    pub fn solve_with(&self, b: &mut [T], work: &mut [T]) {
        self.plan.as_ref().expect("factored").solve(b, work);
    }

    /// Solves for `L` right-hand sides at a time, `[n]` of them side by side, with a buffer of the
    /// same size. Each comes out as [`LinearSolver::solve`] would have it, to the bit.
    pub fn solve_lanes<const L: usize>(&self, b: &mut [[T; L]], work: &mut [[T; L]]) {
        let plan = self.plan.as_ref().expect("factored");
        plan.solve_lanes(b, work);
    }

    /// Solves with the transposed matrix (adjoint systems).
    pub fn solve_transposed(&mut self, b: &mut [T]) {
        let plan = self.plan.as_ref().expect("factored");
        let n = self.n;
        let nl = plan.lower.len();
        let nu = plan.upper.len();
        let y = &mut self.work;
        for i in 0..n {
            y[i] = b[plan.column_at[i] as usize];
        }
        for i in 0..n {
            let v = y[i] * plan.values[nl + nu + i];
            y[i] = v;
            for e in plan.u_start[i] as usize..plan.u_start[i + 1] as usize {
                y[plan.upper[e] as usize] -= plan.values[nl + e] * v;
            }
        }
        for i in (0..n).rev() {
            let v = y[i];
            for e in plan.l_start[i] as usize..plan.l_start[i + 1] as usize {
                y[plan.lower[e] as usize] -= plan.values[e] * v;
            }
        }
        for i in 0..n {
            b[plan.row_at[i] as usize] = y[i];
        }
    }
}

impl<T: Scalar> LinearSolver<T> for StaticLu<T> {
    fn factor(&mut self, values: &[T]) -> Result<(), Singular> {
        debug_assert_eq!(values.len(), self.indices.len());
        if let Some(plan) = &mut self.plan
            && plan.refactor(values, WORN_OUT)
        {
            return Ok(());
        }
        self.orderings += 1;
        self.plan = None;
        let mut plan = order(self.n, &self.indptr, &self.indices, values)?;
        // The order was chosen from these very values: its pivots stand, however small
        // beside their rows.
        if !plan.refactor(values, 0.0) {
            return Err(Singular {
                row: plan.row_at.last().map_or(0, |&r| r as usize),
                column: plan.column_at.last().map_or(0, |&c| c as usize),
            });
        }
        self.plan = Some(plan);
        Ok(())
    }

    fn solve(&mut self, b: &mut [T]) {
        let plan = self.plan.as_ref().expect("factored");
        plan.solve(b, &mut self.work);
    }
}

impl<T: Scalar> Plan<T> {
    /// Factors new values in the known order; false if a pivot has become smaller than
    /// `worn_out` times the largest entry beside it.
    fn refactor(&mut self, values: &[T], worn_out: f64) -> bool {
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
            let mut largest = pivot.magnitude();
            for e in self.u_start[i] as usize..self.u_start[i + 1] as usize {
                largest = largest.max(lu[nl + e].magnitude());
            }
            // Written so that NaN fails too.
            let sound = pivot.magnitude() > worn_out * largest;
            if !sound {
                return false;
            }
            lu[nl + nu + i] = T::ONE / pivot;
        }
        true
    }

    fn solve(&self, b: &mut [T], y: &mut [T]) {
        let n = self.row_at.len();
        let nl = self.lower.len();
        let (l, ud) = self.values.split_at(nl);
        let (u, per_pivot) = ud.split_at(self.upper.len());
        let span = |starts: &[u32], i: usize| starts[i] as usize..starts[i + 1] as usize;
        for i in 0..n {
            let at = span(&self.l_start, i);
            let mut v = b[self.row_at[i] as usize];
            for (&k, &x) in self.lower[at.clone()].iter().zip(&l[at]) {
                v -= x * y[k as usize];
            }
            y[i] = v;
        }
        for i in (0..n).rev() {
            let at = span(&self.u_start, i);
            let mut v = y[i];
            for (&k, &x) in self.upper[at.clone()].iter().zip(&u[at]) {
                v -= x * y[k as usize];
            }
            y[i] = v * per_pivot[i];
        }
        for (&column, &v) in self.column_at.iter().zip(y.iter()) {
            b[column as usize] = v;
        }
    }
}

impl<T: Scalar> Plan<T> {
    fn solve_lanes<const L: usize>(&self, b: &mut [[T; L]], y: &mut [[T; L]]) {
        let nl = self.lower.len();
        let (l, ud) = self.values.split_at(nl);
        let (u, per_pivot) = ud.split_at(self.upper.len());
        let span = |starts: &[u32], i: usize| starts[i] as usize..starts[i + 1] as usize;
        let take = |v: &mut [T; L], x: T, from: &[T; L]| {
            for (v, y) in v.iter_mut().zip(from) {
                *v -= x * *y;
            }
        };
        let n = self.row_at.len();
        for i in 0..n {
            let at = span(&self.l_start, i);
            let mut v = b[self.row_at[i] as usize];
            for (&k, &x) in self.lower[at.clone()].iter().zip(&l[at]) {
                take(&mut v, x, &y[k as usize]);
            }
            y[i] = v;
        }
        for i in (0..n).rev() {
            let at = span(&self.u_start, i);
            let mut v = y[i];
            for (&k, &x) in self.upper[at.clone()].iter().zip(&u[at]) {
                take(&mut v, x, &y[k as usize]);
            }
            v.iter_mut().for_each(|v| *v = *v * per_pivot[i]);
            y[i] = v;
        }
        for (&column, &v) in self.column_at.iter().zip(y.iter()) {
            b[column as usize] = v;
        }
    }
}

/// Chooses the pivot order from the values and lays out the elimination.
fn order<T: Scalar>(
    n: usize,
    indptr: &[usize],
    indices: &[usize],
    values: &[T],
) -> Result<Plan<T>, Singular> {
    let mut active = Active::new(n, indptr, indices, values);
    let mut row_at = Vec::with_capacity(n);
    let mut column_at = Vec::with_capacity(n);
    let mut step_of_column = vec![u32::MAX; n];
    let mut step_of_row = vec![u32::MAX; n];
    let mut l_rows: Vec<Vec<u32>> = vec![Vec::new(); n];
    let mut u_rows: Vec<Vec<usize>> = Vec::with_capacity(n);
    for step in 0..n {
        let (row, column) = active.choose()?;
        for touched in active.eliminate(row, column) {
            l_rows[touched].push(step as u32);
        }
        u_rows.push(
            active.rows[row]
                .iter()
                .map(|&(c, _)| c)
                .filter(|&c| c != column)
                .collect(),
        );
        row_at.push(row as u32);
        column_at.push(column as u32);
        step_of_column[column] = step as u32;
        step_of_row[row] = step as u32;
    }
    // From here on everything is counted in pivot steps.
    let mut l_start = vec![0u32];
    let mut lower = Vec::new();
    let mut u_start = vec![0u32];
    let mut upper = Vec::new();
    for i in 0..n {
        lower.extend_from_slice(&l_rows[row_at[i] as usize]);
        l_start.push(lower.len() as u32);
        let mut u: Vec<u32> = u_rows[i].iter().map(|&c| step_of_column[c]).collect();
        u.sort_unstable();
        upper.extend(u);
        u_start.push(upper.len() as u32);
    }
    let (nl, nu) = (lower.len(), upper.len());
    let mut place = vec![u32::MAX; n];
    let mut targets = Vec::new();
    let mut scatter = vec![0u32; indices.len()];
    for i in 0..n {
        let (ls, le) = (l_start[i] as usize, l_start[i + 1] as usize);
        let (us, ue) = (u_start[i] as usize, u_start[i + 1] as usize);
        for e in ls..le {
            place[lower[e] as usize] = e as u32;
        }
        for e in us..ue {
            place[upper[e] as usize] = (nl + e) as u32;
        }
        place[i] = (nl + nu + i) as u32;
        for &k in &lower[ls..le] {
            let (from, upto) = (
                u_start[k as usize] as usize,
                u_start[k as usize + 1] as usize,
            );
            targets.extend(upper[from..upto].iter().map(|&j| place[j as usize]));
        }
        let row = row_at[i] as usize;
        for e in indptr[row]..indptr[row + 1] {
            scatter[e] = place[step_of_column[indices[e]] as usize];
        }
    }
    Ok(Plan {
        row_at,
        column_at,
        scatter,
        l_start,
        lower,
        u_start,
        upper,
        values: vec![T::default(); nl + nu + n],
        targets,
    })
}

/// The part of the matrix that is not yet eliminated.
struct Active<T> {
    rows: Vec<Vec<(usize, T)>>,
    /// Rows with an entry in each column; may hold rows already used, never lacks one.
    columns: Vec<Vec<usize>>,
    column_count: Vec<usize>,
    /// Unused rows by length.
    by_length: std::collections::BTreeSet<(usize, usize)>,
    used: Vec<bool>,
    done: Vec<bool>,
}

impl<T: Scalar> Active<T> {
    fn new(n: usize, indptr: &[usize], indices: &[usize], values: &[T]) -> Self {
        // Rows and columns are scaled to a largest entry of one, so that siemens and
        // plain ratios can be compared when a pivot is chosen.
        let mut rows: Vec<Vec<(usize, T)>> = (0..n)
            .map(|r| {
                let mut row: Vec<(usize, T)> = (indptr[r]..indptr[r + 1])
                    .map(|e| (indices[e], values[e]))
                    .collect();
                row.sort_by_key(|&(c, _)| c);
                scale(&mut row);
                row
            })
            .collect();
        let mut largest = vec![0.0f64; n];
        for &(c, v) in rows.iter().flatten() {
            largest[c] = largest[c].max(v.magnitude());
        }
        for (c, v) in rows.iter_mut().flatten() {
            if largest[*c] > 0.0 {
                *v = *v * T::real(1.0 / largest[*c]);
            }
        }
        let mut columns = vec![Vec::new(); n];
        for (r, row) in rows.iter().enumerate() {
            for &(c, _) in row {
                columns[c].push(r);
            }
        }
        Active {
            column_count: columns.iter().map(Vec::len).collect(),
            by_length: rows
                .iter()
                .enumerate()
                .map(|(r, row)| (row.len(), r))
                .collect(),
            rows,
            columns,
            used: vec![false; n],
            done: vec![false; n],
        }
    }

    /// The cheapest pivot that is large enough, among the shortest rows.
    fn choose(&self) -> Result<(usize, usize), Singular> {
        let mut best: Option<(usize, f64, usize, usize)> = None;
        let mut searched = 0;
        for &(length, r) in &self.by_length {
            let open = |&&(c, _): &&(usize, T)| !self.done[c];
            let largest = self.rows[r]
                .iter()
                .filter(open)
                .map(|&(_, v)| v.magnitude())
                .fold(0.0, f64::max);
            // A row that is nothing but rounding dust cannot give a pivot.
            if largest < 1e-30 || !largest.is_finite() {
                continue;
            }
            for &(c, v) in self.rows[r].iter().filter(open) {
                // Judged by its row alone, a pivot may be a speck in its column, and the
                // smaller unknowns lose their digits.
                let tallest = self.columns[c]
                    .iter()
                    .filter(|&&r| !self.used[r])
                    .filter_map(|&r| {
                        let row = &self.rows[r];
                        let at = row.binary_search_by_key(&c, |e| e.0).ok()?;
                        Some(row[at].1.magnitude())
                    })
                    .fold(0.0, f64::max);
                let size = v.magnitude() / largest.max(tallest);
                if size < THRESHOLD {
                    continue;
                }
                let cost = (length - 1) * (self.column_count[c] - 1);
                if best.is_none_or(|(old, s, ..)| cost < old || (cost == old && size > s)) {
                    best = Some((cost, size, r, c));
                }
            }
            searched += 1;
            // The shortest rows may have none that is fit; the largest entry of all is always.
            if (searched >= SEARCH && best.is_some()) || matches!(best, Some((0, ..))) {
                break;
            }
        }
        match best {
            Some((_, _, r, c)) => Ok((r, c)),
            None => Err(Singular {
                row: self.by_length.iter().next().map_or(0, |&(_, r)| r),
                column: self.done.iter().position(|&d| !d).unwrap_or(0),
            }),
        }
    }

    /// Eliminates a column with a pivot row; the rows that were changed.
    fn eliminate(&mut self, pivot_row: usize, column: usize) -> Vec<usize> {
        self.by_length
            .remove(&(self.rows[pivot_row].len(), pivot_row));
        self.used[pivot_row] = true;
        let pivot_entries = std::mem::take(&mut self.rows[pivot_row]);
        let pivot = pivot_entries
            .iter()
            .find(|&&(c, _)| c == column)
            .map(|&(_, v)| v)
            .expect("the pivot is in its row");
        let mut touched: Vec<usize> = std::mem::take(&mut self.columns[column])
            .into_iter()
            .filter(|&r| !self.used[r])
            .collect();
        touched.sort_unstable();
        for &r in &touched {
            self.by_length.remove(&(self.rows[r].len(), r));
            let old = std::mem::take(&mut self.rows[r]);
            let factor = old
                .iter()
                .find(|&&(c, _)| c == column)
                .map(|&(_, v)| v / pivot)
                .expect("the column list is exact for unused rows");
            let mut merged = Vec::with_capacity(old.len() + pivot_entries.len());
            let (mut a, mut b) = (old.iter().peekable(), pivot_entries.iter().peekable());
            loop {
                match (a.peek(), b.peek()) {
                    (Some(&&(ca, va)), Some(&&(cb, vb))) if ca == cb => {
                        if ca != column {
                            merged.push((ca, va - factor * vb));
                        }
                        a.next();
                        b.next();
                    }
                    (Some(&&(ca, va)), other) if other.is_none_or(|&&(cb, _)| ca < cb) => {
                        merged.push((ca, va));
                        a.next();
                    }
                    (_, Some(&&(cb, vb))) => {
                        merged.push((cb, -(factor * vb)));
                        self.columns[cb].push(r);
                        self.column_count[cb] += 1;
                        b.next();
                    }
                    (_, None) => break,
                }
            }
            self.by_length.insert((merged.len(), r));
            self.rows[r] = merged;
        }
        for &(c, _) in &pivot_entries {
            self.column_count[c] -= 1;
        }
        self.done[column] = true;
        self.rows[pivot_row] = pivot_entries;
        touched
    }
}

fn scale<T: Scalar>(row: &mut [(usize, T)]) {
    let largest = row.iter().map(|&(_, v)| v.magnitude()).fold(0.0, f64::max);
    if largest > 0.0 && largest.is_finite() {
        for (_, v) in row {
            *v = *v * T::real(1.0 / largest);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A small deterministic generator (Knuth, TAOCP vol. 2, 3.3.4, line 26 multiplier).
    struct Lcg(u64);
    impl Lcg {
        fn next(&mut self) -> f64 {
            self.0 = self
                .0
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }
    }

    fn dense_to_csr(a: &[Vec<f64>]) -> (Vec<usize>, Vec<usize>, Vec<f64>) {
        let (mut indptr, mut indices, mut values) = (vec![0], vec![], vec![]);
        for row in a {
            for (c, &v) in row.iter().enumerate() {
                if v != 0.0 {
                    indices.push(c);
                    values.push(v);
                }
            }
            indptr.push(indices.len());
        }
        (indptr, indices, values)
    }

    fn residual(a: &[Vec<f64>], x: &[f64], b: &[f64], transposed: bool) -> f64 {
        let n = b.len();
        (0..n)
            .map(|i| {
                let ax: f64 = (0..n)
                    .map(|j| if transposed { a[j][i] } else { a[i][j] } * x[j])
                    .sum();
                (ax - b[i]).abs()
            })
            .fold(0.0, f64::max)
            / x.iter().fold(1.0, |m: f64, v| m.max(v.abs()))
    }

    #[test]
    fn random_matrices_with_zero_diagonals_are_solved() {
        let mut random = Lcg(1);
        for n in [1, 2, 3, 7, 20, 60] {
            for _ in 0..20 {
                let mut a = vec![vec![0.0; n]; n];
                for i in 0..n {
                    // A permutation keeps it regular while the diagonal is mostly empty.
                    a[i][(i + 1) % n] = 1.0 + random.next();
                    for _ in 0..3 {
                        let j = (random.next() * n as f64) as usize;
                        a[i][j] += random.next() - 0.5;
                    }
                }
                let (p, i, v) = dense_to_csr(&a);
                let mut lu = StaticLu::new(n, &p, &i);
                lu.factor(&v).unwrap();
                let b: Vec<f64> = (0..n).map(|_| random.next()).collect();
                let mut x = b.clone();
                lu.solve(&mut x);
                let r = residual(&a, &x, &b, false);
                assert!(r < 1e-9, "{n} {r}");
                let mut x = b.clone();
                lu.solve_transposed(&mut x);
                let r = residual(&a, &x, &b, true);
                assert!(r < 1e-9, "transposed {n} {r}");
            }
        }
    }

    #[test]
    fn new_values_reuse_the_order_until_a_pivot_dies() {
        let (p, i, v) = dense_to_csr(&[vec![2.0, 1.0], vec![1.0, 3.0]]);
        let mut lu = StaticLu::new(2, &p, &i);
        lu.factor(&v).unwrap();
        lu.factor(&[4.0, 1.0, 1.0, 5.0]).unwrap();
        assert_eq!(lu.orderings, 1);
        lu.factor(&[0.0, 1.0, 1.0, 0.0]).unwrap();
        assert_eq!(lu.orderings, 2);
        let mut x = [7.0, 9.0];
        lu.solve(&mut x);
        assert_eq!(x, [9.0, 7.0]);
    }

    #[test]
    fn complex_matrices_are_solved_both_ways_in_one_order() {
        let mut random = Lcg(2);
        for n in [1, 2, 5, 20, 60] {
            let mut a = vec![vec![Complex::default(); n]; n];
            for i in 0..n {
                a[i][(i + 1) % n] = Complex::new(1.0 + random.next(), random.next());
                for _ in 0..3 {
                    let j = (random.next() * n as f64) as usize;
                    a[i][j] += Complex::new(random.next() - 0.5, random.next() - 0.5);
                }
            }
            let entries = || a.iter().enumerate();
            let (mut p, mut idx) = (vec![0], vec![]);
            for (_, row) in entries() {
                idx.extend((0..n).filter(|&c| row[c] != Complex::default()));
                p.push(idx.len());
            }
            let mut lu = StaticLu::new(n, &p, &idx);
            for turn in [0.0, 0.1, 0.2] {
                // Every entry turned a little, as a change of frequency turns them.
                let with = |v: Complex<f64>| v + Complex::new(0.0, turn * v.re);
                let full: Vec<Vec<_>> = a
                    .iter()
                    .map(|row| row.iter().map(|&v| with(v)).collect())
                    .collect();
                let values: Vec<_> = (0..n)
                    .flat_map(|r| idx[p[r]..p[r + 1]].iter().map(move |&c| (r, c)))
                    .map(|(r, c)| full[r][c])
                    .collect();
                lu.factor(&values).unwrap();
                let b: Vec<_> = (0..n)
                    .map(|_| Complex::new(random.next(), random.next()))
                    .collect();
                for transposed in [false, true] {
                    let mut x = b.clone();
                    match transposed {
                        false => lu.solve(&mut x),
                        true => lu.solve_transposed(&mut x),
                    }
                    let largest = x.iter().fold(1.0, |m: f64, v| m.max(v.magnitude()));
                    for i in 0..n {
                        let ax: Complex<f64> = (0..n)
                            .map(|j| if transposed { full[j][i] } else { full[i][j] } * x[j])
                            .sum();
                        let off = (ax - b[i]).magnitude() / largest;
                        assert!(off < 1e-11, "{n} {transposed} {off}");
                    }
                }
            }
            assert_eq!(lu.orderings, 1, "{n}");
        }
    }

    #[test]
    fn a_singular_matrix_is_named_as_such() {
        let (p, i, v) = dense_to_csr(&[vec![1.0, 2.0], vec![2.0, 4.0]]);
        let mut lu = StaticLu::new(2, &p, &i);
        assert!(lu.factor(&v).is_err());
    }

    /// A fixed bug: four short rows, each with its only large entry in a column where it is a
    /// speck beside that of a long row, ended the search and the matrix counted as singular.
    #[test]
    fn a_pivot_is_found_beyond_the_shortest_rows() {
        let n = 7;
        let mut a = vec![vec![0.0; n]; n];
        for (i, row) in a.iter_mut().enumerate().take(5) {
            (row[i], row[5]) = (1.0, 1.0);
        }
        a[0][6] = 1.0;
        a[5] = vec![1.0, 2.0, 3.0, 4.0, 5.0, 1.0, 2.0];
        a[6] = vec![2.0, 1.7, 0.8, -0.7, -2.8, -1.0, 1.0];
        let (p, i, v) = dense_to_csr(&a);
        let mut active = Active::new(n, &p, &i, &v);
        // As elimination leaves them: the scaling is done once, at its start.
        for r in 0..5 {
            active.rows[r].iter_mut().for_each(|e| e.1 *= 1e-6);
        }
        let (row, _) = active.choose().unwrap();
        assert!(row >= 5, "{row}");
    }

    #[test]
    fn a_ladder_of_ten_thousand_nodes_stays_sparse() {
        let n = 10_000;
        let (mut p, mut idx, mut v) = (vec![0], vec![], vec![]);
        for i in 0..n {
            for (j, x) in [(usize::wrapping_sub(i, 1), -1.0), (i, 2.5), (i + 1, -1.0)] {
                if j < n {
                    idx.push(j);
                    v.push(x);
                }
            }
            p.push(idx.len());
        }
        let mut lu = StaticLu::new(n, &p, &idx);
        lu.factor(&v).unwrap();
        assert!(lu.entries() < 4 * n, "{}", lu.entries());
    }
}
