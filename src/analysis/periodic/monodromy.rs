//! What a period makes of small changes at its start, kept from pass to pass.
//!
//! Carrying the changes of all charges through a period costs twice as much as the period itself
//! (the whole Lapwing: 89 charges, 65 % of the time). But the matrix changes little from one pass
//! to the next, and what it is used for, Newton's correction, need not be exact: the charges have
//! come back to themselves or they have not. So it is kept while corrections shrink, follows what
//! the passes show (C. G. Broyden, Math. Comp. 19, 1965, p. 577; from memory), and where it is
//! worked out anew, only the columns are that count: changes of a valve's picofarads have died
//! away long before the period ends.
//!
//! Measured on the whole Lapwing, evaluations for its cycle: 20 106 with a matrix in nearly every
//! pass, 18 889 with one kept while corrections fell to 0.4 of the last, 6334 with 0.03, steps taken
//! in passing, laws drawn back from where they stood in the last pass and a mesh that is only refined
//! near the answer.
//!
//! The same beside the mains, 1.3 V at 400 Hz into the whole Lapwing (far into clipping): 238 000
//! evaluations with all columns in every pass, 106 000 with these means, a quarter of the time, and
//! figures that agree to 2e-7. There a column counts from 1e-5 on: with 1e-2 the corrections went
//! astray (155 000 evaluations), as biases that take seconds to settle multiply what is left out.

use crate::math::dense;
use crate::math::growth::growth;

/// While corrections fall to this part of the last one, the matrix serves again; where they do not
/// even fall to the second after the columns that count were worked out, others count.
const SHRINKS: (f64, f64) = (0.03, 0.8);
/// So it does where they are no more than this, in multiples of what counts as closed, and do not
/// grow to twice as much: what is left there comes from the mesh.
pub const NEAR: f64 = 100.0;
const GROWS: f64 = 2.0;
/// On the same mesh they must fall to this part of the last one, unless rounding is all that is left.
pub const ROUNDS: f64 = 0.3;
/// Movements beyond this are more than what the mesh does, and can be learned from.
const LEARNS: f64 = 30.0;

/// The matrix, and what becomes of it next.
#[derive(Debug, Clone)]
pub struct Monodromy {
    /// `[state * state]`, column by column, V or A.
    matrix: Vec<f64>,
    /// Columns that count.
    columns: Vec<usize>,
    /// The last correction that was applied and the movement that it was to undo.
    last: Option<(Vec<f64>, Vec<f64>)>,
    renewal: Renewal,
    /// Passes since the columns that count were worked out; none since all were.
    partial: Option<usize>,
}

/// Which columns are carried through the next period.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Renewal {
    No,
    Counting,
    All,
}

impl Monodromy {
    /// For a search of so many charges that begins with a neighbour's: `same` if its circuit has
    /// the same parts. None if it has other charges.
    pub fn of_neighbour(self, state: usize, same: bool) -> Option<Self> {
        let fits = self.matrix.len() == state * state;
        fits.then_some(Monodromy {
            last: None,
            partial: None,
            renewal: if same { Renewal::No } else { Renewal::Counting },
            ..self
        })
    }

    /// All columns, as a pass gave them. One counts if a change there moves something else by the
    /// part `counts` of it, both in units of what counts as closed. What does not is kept as it was,
    /// not dropped.
    pub fn whole(matrix: Vec<f64>, scale: &[f64], counts: f64) -> Self {
        let m = scale.len();
        let does_count = |&column: &usize| {
            let own = &matrix[column * m..(column + 1) * m];
            let parts = own.iter().zip(scale);
            let most = parts.fold(0.0f64, |most, (x, s)| most.max(x.abs() / s));
            // Written so that NaN counts.
            let negligible = most * scale[column] < counts;
            !negligible
        };
        Monodromy {
            columns: (0..m).filter(does_count).collect(),
            matrix,
            last: None,
            renewal: Renewal::No,
            partial: None,
        }
    }

    /// The columns that the next pass is to carry.
    pub fn due(&self, state: usize) -> Vec<usize> {
        match self.renewal {
            Renewal::No => Vec::new(),
            Renewal::Counting => self.columns.clone(),
            Renewal::All => (0..state).collect(),
        }
    }

    /// After a pass: its columns, or what is to be learned from its movement, `[state]`.
    pub fn renew(
        &mut self,
        columns: &[usize],
        carried: Vec<f64>,
        moved: &[f64],
        (scale, counts): (&[f64], f64),
    ) {
        let m = moved.len();
        if columns.is_empty() {
            self.learn(moved, scale);
            self.partial = self.partial.map(|passes| passes + 1);
        } else if columns.len() == m {
            *self = Monodromy::whole(carried, scale, counts);
        } else {
            for (&column, own) in columns.iter().zip(carried.chunks_exact(m)) {
                self.matrix[column * m..(column + 1) * m].copy_from_slice(own);
            }
            self.partial = Some(0);
        }
        self.renewal = Renewal::No;
    }

    /// The smallest change of the matrix that explains the movement after the last correction.
    fn learn(&mut self, moved: &[f64], scale: &[f64]) {
        let Some((applied, before)) = self.last.take() else {
            return;
        };
        let m = moved.len();
        let sized: Vec<f64> = applied.iter().zip(scale).map(|(a, s)| a / s).collect();
        let largest = sized.iter().fold(0.0f64, |most, a| most.max(a.abs()));
        let square: f64 = sized.iter().map(|a| a * a).sum();
        // Written so that NaN is nothing to learn from.
        let learns = largest >= LEARNS && square.is_finite();
        if !learns {
            return;
        }
        // moved = before + (M - 1) applied.
        let mut unexplained: Vec<f64> = (0..m).map(|k| moved[k] - before[k] + applied[k]).collect();
        for (column, &a) in self.matrix.chunks_exact(m).zip(&applied) {
            for (u, x) in unexplained.iter_mut().zip(column) {
                *u -= a * x;
            }
        }
        for ((column, sized), s) in self.matrix.chunks_exact_mut(m).zip(&sized).zip(scale) {
            let part = sized / (s * square);
            for (x, u) in column.iter_mut().zip(&unexplained) {
                *x += part * u;
            }
        }
    }

    /// Newton's correction of the charges at the start, (1 - M)^-1 moved, V or A; none if there is
    /// no single answer. With `keeps` what does not move by itself (a capacitor that nothing
    /// discharges) is kept where it is.
    pub fn correction(&self, moved: &[f64], keeps: bool) -> Option<Vec<f64>> {
        let m = moved.len();
        let mut matrix: Vec<f64> = self.matrix.iter().map(|x| -x).collect();
        let own = if keeps { 1.0 + 1e-9 } else { 1.0 };
        for k in 0..m {
            matrix[k * m + k] += own;
        }
        let mut step = moved.to_vec();
        let solved = dense::solve_columns(&mut matrix, &mut step);
        (solved && step.iter().all(|s| s.is_finite())).then_some(step)
    }

    /// The charges at the start were changed by `applied`, `[state]`, V or A, to undo `moved`.
    pub fn applied(&mut self, applied: Vec<f64>, moved: &[f64]) {
        self.last = Some((applied, moved.to_vec()));
    }

    /// Decides what the next pass carries, after corrections of `off` and `last_off` in multiples of
    /// what counts as closed, the second by this matrix unless it is `fresh`.
    pub fn decide(
        &mut self,
        off: f64,
        last_off: f64,
        (fresh, kept): (bool, bool),
        same_memory: bool,
    ) {
        // On the same mesh it is the matrix that is to blame.
        let grows = if kept { ROUNDS } else { GROWS };
        let near = off <= NEAR && off <= grows * last_off;
        self.renewal = if !same_memory {
            Renewal::All
        } else if fresh || near || off <= SHRINKS.0 * last_off {
            Renewal::No
        } else if off > SHRINKS.1 * last_off && self.partial.is_some_and(|passes| passes <= 1) {
            Renewal::All
        } else {
            Renewal::Counting
        };
    }

    /// All columns next time.
    pub fn renew_all(&mut self) {
        self.renewal = Renewal::All;
    }

    /// By how much a small change grows in a period, in the long run.
    pub fn growth(&self) -> f64 {
        growth(&self.matrix, self.matrix.len().isqrt())
    }
}
