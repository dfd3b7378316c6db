//! The linear equations of a step, both stages at once.
//!
//! ```text
//! G x1 + (3/2 C x1 + 1/2 C x2)/h = r1     G x2 + (-9/2 C x1 + 5/2 C x2)/h = r2
//! ```
//!
//! In the direction of Radau's eigenvectors they fall apart into one complex system of the circuit's
//! own size and its conjugate (J. C. Butcher, BIT 16, 1976, p. 237; from memory):
//!
//! ```text
//! (G + lambda/h C) z = radau_pair::join([r1, r2])     [x1, x2] = radau_pair::part(z)
//! ```

use super::recipe::Recipe;
use crate::math::lu::{LinearSolver, Singular, StaticLu, Sweep};
use crate::math::radau_pair;
use num_complex::Complex;

/// The equations of a step size, factored.
#[derive(Debug)]
pub(super) struct Linear {
    lu: StaticLu<Complex<f64>>,
    /// What a charge that both stages hold, joined, adds to the right side, 1/s.
    pub rate: Complex<f64>,
    /// What the charge at the start adds to it, 1/s.
    pub start: Complex<f64>,
}

impl Linear {
    /// For steps of `step_s`.
    ///
    /// # Errors
    /// If the equations are singular.
    pub fn new(recipe: &Recipe<'_>, step_s: f64) -> Result<Self, Singular> {
        let rate = radau_pair::EIGENVALUE / step_s;
        let entries = recipe.g.iter().zip(&recipe.c);
        let values: Vec<_> = entries.map(|(g, c)| rate * c + g).collect();
        let mut lu = StaticLu::new(recipe.n, &recipe.indptr, &recipe.indices);
        lu.factor(&values)?;
        Ok(Linear {
            lu,
            rate,
            start: radau_pair::join(radau_pair::START) / step_s,
        })
    }

    /// Replaces right sides by the solution, both `[n]` and joined; `work` is a buffer of that size.
    #[inline(always)]
    pub fn solve(&self, right: &mut [Complex<f64>], work: &mut [Complex<f64>]) {
        self.lu.solve_with(right, work);
    }

    /// The factors for solutions of which some unknowns are wanted.
    pub fn sweep(&self, wanted: impl Iterator<Item = usize>) -> Sweep<Complex<f64>> {
        Sweep::new(&self.lu, wanted).expect("factored")
    }

    /// Entries of the factors: what a solution costs.
    pub fn entries(&self) -> usize {
        self.lu.entries()
    }
}
