//! Newton's method on a problem that linearises itself.

use super::lu::Singular;

/// A set of equations F(x) = 0.
pub trait Equations {
    /// Number of unknowns and of equations.
    fn size(&self) -> usize;
    /// Puts F(x) into `residual` and keeps the Jacobian there. True if the problem drew
    /// `x` back before it linearised, so that the residual is a prediction and no fact.
    fn linearise(&mut self, x: &[f64], residual: &mut [f64]) -> bool;
    /// Replaces `residual` by J^-1 residual.
    fn solve(&mut self, residual: &mut [f64]) -> Result<(), Singular>;
    /// The largest step of unknown `i` at value `x` that counts as settled.
    fn step_tolerance(&self, i: usize, x: f64) -> f64;
    /// The true residual at x, in multiples of what is tolerated, and its worst equation.
    fn residual_ratio(&mut self, x: &[f64]) -> (f64, usize);
}

/// When to give up.
#[derive(Debug, Clone, Copy)]
pub struct NewtonSettings {
    /// Iterations.
    pub max_iterations: usize,
    /// Largest change of any one unknown in one iteration (a trust region); infinite for none.
    pub max_step: f64,
}

impl Default for NewtonSettings {
    fn default() -> Self {
        NewtonSettings {
            max_iterations: 100,
            max_step: f64::INFINITY,
        }
    }
}

/// How a solution was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Converged {
    /// Linear systems solved.
    pub iterations: usize,
}

/// Why none was found.
#[derive(Debug, Clone, PartialEq)]
pub enum Failure {
    /// The Jacobian could not be factored.
    Singular(Singular),
    /// The iterations ran out.
    Unsettled {
        /// The unknown that moved most, in multiples of its tolerance.
        unknown: usize,
        /// The equation with the worst residual.
        equation: usize,
        /// That residual in multiples of what is tolerated.
        residual_ratio: f64,
        /// Iterations done.
        iterations: usize,
    },
}

impl Failure {
    /// Iterations spent, as far as they were counted.
    pub fn iterations(&self) -> usize {
        match self {
            Failure::Singular(_) => 0,
            Failure::Unsettled { iterations, .. } => *iterations,
        }
    }
}

/// Iterations after which steps that do not shrink count as rounding noise.
const STUCK: usize = 5;

/// Iterations after which steps that do not shrink count as going in circles, and the least part
/// of a step that is then taken.
const CIRCLING: usize = 50;
const SHORTEST: f64 = 0.03;

/// Solves F(x) = 0 from the guess in `x`, which becomes the solution. On failure `x` is
/// the last iterate.
pub fn solve<P: Equations + ?Sized>(
    problem: &mut P,
    x: &mut [f64],
    settings: &NewtonSettings,
) -> Result<Converged, Failure> {
    let n = problem.size();
    let mut step = vec![0.0; n];
    let mut worst_unknown = 0;
    let mut before = f64::INFINITY;
    let mut last_ratio = (f64::INFINITY, 0);
    let mut damping = 1.0;
    let mut iterations = 0;
    for iteration in 1..=settings.max_iterations {
        let limited = problem.linearise(x, &mut step);
        problem.solve(&mut step).map_err(Failure::Singular)?;
        iterations = iteration;
        if step.iter().any(|s| !s.is_finite()) {
            break;
        }
        let longest = step.iter().fold(0.0f64, |m, s| m.max(s.abs()));
        let scale = if longest > settings.max_step {
            settings.max_step / longest
        } else {
            damping
        };
        let mut worst = 0.0;
        for i in 0..n {
            let ratio = step[i].abs() / problem.step_tolerance(i, x[i]);
            if ratio > worst {
                worst = ratio;
                worst_unknown = i;
            }
            x[i] -= scale * step[i];
        }
        // Where the steps no longer shrink, rounding has the last word: the residual decides.
        let stuck = iteration >= STUCK && worst >= 0.3 * before && worst < 1e6;
        // So late Newton goes to and fro: shorter steps lead out of a circle.
        if iteration >= CIRCLING && !limited {
            damping = if worst > 0.9 * before {
                (0.5 * damping).max(SHORTEST)
            } else {
                (1.25f64 * damping).min(1.0)
            };
        }
        before = worst;
        if (worst <= 1.0 || stuck) && !limited && longest <= settings.max_step {
            last_ratio = problem.residual_ratio(x);
            if last_ratio.0 <= 1.0 {
                return Ok(Converged {
                    iterations: iteration,
                });
            }
        }
    }
    if last_ratio.0.is_infinite() {
        last_ratio = problem.residual_ratio(x);
    }
    Err(Failure::Unsettled {
        unknown: worst_unknown,
        equation: last_ratio.1,
        residual_ratio: last_ratio.0,
        iterations,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// x^2 = a.
    struct Root {
        a: f64,
        slope: f64,
    }

    impl Equations for Root {
        fn size(&self) -> usize {
            1
        }
        fn linearise(&mut self, x: &[f64], residual: &mut [f64]) -> bool {
            residual[0] = x[0] * x[0] - self.a;
            self.slope = 2.0 * x[0];
            false
        }
        fn solve(&mut self, residual: &mut [f64]) -> Result<(), Singular> {
            residual[0] /= self.slope;
            Ok(())
        }
        fn step_tolerance(&self, _: usize, x: f64) -> f64 {
            1e-12 + 1e-9 * x.abs()
        }
        fn residual_ratio(&mut self, x: &[f64]) -> (f64, usize) {
            ((x[0] * x[0] - self.a).abs() / 1e-9, 0)
        }
    }

    #[test]
    fn a_square_root_is_found_quadratically() {
        let mut x = [1.0];
        let found = solve(
            &mut Root { a: 2.0, slope: 0.0 },
            &mut x,
            &NewtonSettings::default(),
        )
        .unwrap();
        assert!((x[0] - 2f64.sqrt()).abs() < 1e-15);
        assert!(found.iterations <= 6);
    }

    #[test]
    fn a_problem_without_solution_says_so() {
        let mut x = [1.0];
        let failure = solve(
            &mut Root {
                a: -2.0,
                slope: 0.0,
            },
            &mut x,
            &NewtonSettings::default(),
        );
        let Err(Failure::Unsettled { iterations, .. }) = failure else {
            panic!("{failure:?}");
        };
        assert_eq!(iterations, 100);
    }

    /// A fixed bug: a step without end was counted as a hundred.
    #[test]
    fn only_iterations_that_were_done_are_counted() {
        let mut x = [0.0];
        let mut flat = Root { a: 2.0, slope: 0.0 };
        let failure = solve(&mut flat, &mut x, &NewtonSettings::default());
        let Err(Failure::Unsettled { iterations, .. }) = failure else {
            panic!("{failure:?}");
        };
        assert_eq!(iterations, 1);
    }
}
