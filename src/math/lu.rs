//! Sparse LU for unsymmetric matrices with zero diagonals, by static elimination.
//!
//! A circuit's matrix keeps its pattern while its values change at every
//! Newton iteration. So the pivot order is chosen once, from the values, by
//! Markowitz cost with threshold pivoting (H. M. Markowitz, Management Science
//! 3, 1957; thresholds as in Duff, Erisman and Reid, "Direct Methods for Sparse
//! Matrices", 1986, ch. 7), fill included; afterwards each factorisation is a
//! straight run through precomputed places. `bench/lu.rs` holds the
//! measurement against the libraries that were candidates.

mod inverse;
mod order;
mod plan;
mod scalar;
mod stages;
mod sweep;

pub use inverse::Inverse;
use plan::Plan;
pub(super) use scalar::of_one_size;
pub use scalar::{Scalar, Singular};
pub use stages::{Block, Moments, ROWS, StageLu};
pub use sweep::Sweep;

/// A sparse linear solver for matrices of one pattern in compressed rows.
pub trait LinearSolver<T> {
    /// Takes new values, in the order of the pattern.
    fn factor(&mut self, values: &[T]) -> Result<(), Singular>;
    /// Replaces the right-hand side by the solution.
    fn solve(&mut self, b: &mut [T]);
}

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

    /// Whether it is for matrices of this pattern.
    pub fn fits(&self, n: usize, indptr: &[usize], indices: &[usize]) -> bool {
        self.n == n && self.indptr == indptr && self.indices == indices
    }

    /// Lets the next factorisation choose a new pivot order.
    fn forget_order(&mut self) {
        self.plan = None;
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
    #[inline(always)]
    pub fn solve_with(&self, b: &mut [T], work: &mut [T]) {
        self.plan.as_ref().expect("factored").solve(b, work);
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
        let mut plan = order::order(self.n, &self.indptr, &self.indices, values)?;
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

#[cfg(test)]
mod tests {
    use super::order::Active;
    use super::*;
    use num_complex::Complex;

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
                    if transposed {
                        lu.solve_transposed(&mut x)
                    } else {
                        lu.solve(&mut x)
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
