//! Entries of the inverse where the factors have entries.
//!
//! Above the diagonal U Z = L^-1 is nothing and below it Z L = U^-1 is, so that each entry of the
//! inverse Z follows from later ones in rows of U and columns of L alone (K. Takahashi, J. Fagan and
//! M.-S. Chin, 8th PICA conference, 1973; A. M. Erisman and W. F. Tinney, Communications of the ACM
//! 18, 1975, p. 177; from memory). All of them together cost as much as a factorisation.

use super::StaticLu;
use super::plan::Plan;

/// The inverse of a factored matrix, where its factors have entries: everywhere where the matrix itself
/// has one, rows and columns exchanged.
#[derive(Debug)]
pub struct Inverse<'a> {
    plan: &'a Plan<f64>,
    /// Pivot steps of rows and columns.
    step_of_row: Vec<u32>,
    step_of_column: Vec<u32>,
    /// By the places of the factors: where these have row `i`, column `j`, the inverse's row `j`,
    /// column `i`.
    values: Vec<f64>,
}

impl StaticLu<f64> {
    /// Entries of the inverse.
    ///
    /// # Panics
    /// If it is not factored.
    pub fn inverse(&self) -> Inverse<'_> {
        let plan = self.plan.as_ref().expect("factored");
        let steps = |at: &[u32]| {
            let mut steps = vec![0; at.len()];
            for (step, &k) in at.iter().enumerate() {
                steps[k as usize] = step as u32;
            }
            steps
        };
        Inverse {
            step_of_row: steps(&plan.row_at),
            step_of_column: steps(&plan.column_at),
            values: values(plan),
            plan,
        }
    }
}

impl Inverse<'_> {
    /// How far an unknown moves for each unit on the right side of an equation; none where the factors
    /// have no entry of this equation for this unknown.
    pub fn entry(&self, unknown: usize, equation: usize) -> Option<f64> {
        let plan = self.plan;
        let (nl, nu) = (plan.lower.len(), plan.upper.len());
        let (row, column) = (self.step_of_row[equation], self.step_of_column[unknown]);
        let find = |start: &[u32], of: &[u32]| {
            let (from, upto) = (start[row as usize], start[row as usize + 1]);
            let found = of[from as usize..upto as usize].binary_search(&column);
            found.ok().map(|k| from as usize + k)
        };
        let place = if column == row {
            nl + nu + row as usize
        } else if column < row {
            find(&plan.l_start, &plan.lower)?
        } else {
            nl + find(&plan.u_start, &plan.upper)?
        };
        Some(self.values[place])
    }
}

fn values(plan: &Plan<f64>) -> Vec<f64> {
    let n = plan.row_at.len();
    let (nl, nu) = (plan.lower.len(), plan.upper.len());
    let row_of_u = |k: usize| plan.u_start[k] as usize..plan.u_start[k + 1] as usize;
    // Columns of L: each entry with the first of its targets.
    let mut columns: Vec<Vec<(usize, usize)>> = vec![Vec::new(); n];
    let mut target = 0;
    for (e, &k) in plan.lower.iter().enumerate() {
        columns[k as usize].push((e, target));
        target += row_of_u(k as usize).len();
    }
    let mut z = vec![0.0; plan.values.len()];
    for i in (0..n).rev() {
        let inverse = plan.values[nl + nu + i];
        let upper = row_of_u(i);
        let mut across = vec![0.0; upper.len()];
        for &(e, target) in &columns[i] {
            let factor = plan.values[e];
            let mut down = 0.0;
            let places = &plan.targets[target..target + upper.len()];
            for ((&place, u), across) in places.iter().zip(upper.clone()).zip(&mut across) {
                let later = z[place as usize];
                down += plan.values[nl + u] * later;
                *across += factor * later;
            }
            z[e] = -inverse * down;
        }
        let mut own = 1.0;
        for (u, across) in upper.zip(across) {
            z[nl + u] = -across;
            own += plan.values[nl + u] * across;
        }
        z[nl + nu + i] = inverse * own;
    }
    z
}

#[cfg(test)]
mod tests {
    use crate::math::lu::{LinearSolver, StaticLu};

    #[test]
    fn entries_of_the_inverse_are_those_that_solving_gives() {
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
        for equation in 0..n {
            let mut x = vec![0.0; n];
            x[equation] = 1.0;
            lu.solve(&mut x);
            let inverse = lu.inverse();
            let known = |unknown: usize| inverse.entry(unknown, equation);
            for &unknown in &idx[p[equation]..p[equation + 1]] {
                assert!(known(unknown).is_some());
            }
            for (unknown, x) in x.iter().enumerate() {
                let found = known(unknown).unwrap_or(*x);
                assert!((found - x).abs() < 1e-12, "{found} {x}");
            }
        }
    }
}
