//! What a period makes of small changes at its start, kept from pass to pass.
//!
//! Carrying the changes of all charges through a period costs twice as much as the period itself
//! (the whole Lapwing: 89 charges, 65 % of the time). But the matrix changes little from one pass
//! to the next, and what it is used for, Newton's correction, need not be exact: the charges have
//! come back to themselves or they have not. So it is kept while corrections shrink and
//! made exact along the last ones (by C. G. Broyden's least change, Math. Comp. 19, 1965, p. 577; from
//! memory): what becomes of eight changes costs a tenth of what a step does. And where it is
//! worked out anew, only the columns are that count: changes of a valve's picofarads have died
//! away long before the period ends.
//!
//! Measured on the whole Lapwing, evaluations for its cycle: 20 106 with a matrix in nearly every
//! pass, 18 889 with one kept while corrections fell to 0.4 of the last, 6334 with 0.03, steps taken
//! in passing, laws drawn back from where they stood in the last pass and a mesh that is only refined
//! near the answer. Where the matrix is exact along the last corrections it need not be worked out
//! again while they fall to 0.5; when it followed from movements alone they had to fall to 0.1.
//!
//! The same beside the mains, 1.3 V at 400 Hz into the whole Lapwing (far into clipping): 238 000
//! evaluations with all columns in every pass, 106 000 with these means, a quarter of the time, and
//! figures that agree to 2e-7. There all columns count. Without those below 1e-5 a multiplier of
//! 0.999999 became one of 1.008 at 1.1 V, 440 Hz, and the next correction went the wrong way: 17 passes
//! in place of 9.

use super::spread::{Changes, LANES};
use crate::math::dense;
use crate::math::growth::growth;

/// While corrections fall to this part of the last one, the matrix serves again; where they do not
/// even fall to the second after the columns that count were worked out, others count.
const SHRINKS: (f64, f64) = (0.5, 0.8);
/// So it does where they are no more than this, in multiples of what counts as closed, and do not
/// grow to twice as much: what is left there comes from the mesh.
pub const NEAR: f64 = 100.0;
const GROWS: f64 = 2.0;
/// On the same mesh they must fall to this part of the last one, unless rounding is all that is left.
pub const ROUNDS: f64 = 0.3;
/// How many of the last corrections are carried through a period with a kept matrix: as many as are
/// carried at once.
const ALONG: usize = LANES;
/// One counts that has more than this of its own, squared.
const OWN: f64 = 1e-4;

/// The matrix, and what becomes of it next.
#[derive(Debug, Clone)]
pub struct Monodromy {
    /// `[state * state]`, column by column, V or A.
    matrix: Vec<f64>,
    /// Columns that count.
    columns: Vec<usize>,
    /// Corrections that were applied, the last one first.
    applied: Vec<Vec<f64>>,
    /// What counts as closed, `[state]`.
    scale: Vec<f64>,
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
    /// For a search of `state` charges that begins with a neighbour's: `same` if its circuit has
    /// the same parts. None if it has other charges.
    pub fn of_neighbour(self, state: usize, same: bool) -> Option<Self> {
        let fits = self.matrix.len() == state * state;
        fits.then_some(Monodromy {
            applied: Vec::new(),
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
            applied: Vec::new(),
            scale: scale.to_vec(),
            renewal: Renewal::No,
            partial: None,
        }
    }

    /// The changes that the next pass is to carry.
    pub fn due(&self, state: usize) -> Changes {
        match self.renewal {
            Renewal::No => Changes::Along(self.along()),
            Renewal::Counting => Changes::Columns(self.columns.clone()),
            Renewal::All => Changes::Columns((0..state).collect()),
        }
    }

    /// The last corrections, each without what it has of the later ones, `[state]`.
    fn along(&self) -> Vec<Vec<f64>> {
        let mut along: Vec<Vec<f64>> = Vec::new();
        for applied in &self.applied {
            let mut own = applied.clone();
            for other in &along {
                let part = self.product(&own, other) / self.product(other, other);
                own.iter_mut().zip(other).for_each(|(x, o)| *x -= part * o);
            }
            // Written so that NaN is nothing of its own.
            if self.product(&own, &own) > OWN * self.product(applied, applied) {
                along.push(own);
            }
        }
        along
    }

    /// In units of what counts as closed.
    fn product(&self, a: &[f64], b: &[f64]) -> f64 {
        let parts = a.iter().zip(b).zip(&self.scale);
        parts.map(|((a, b), s)| a / s * (b / s)).sum()
    }

    /// After a pass: what became of the changes that it carried, each `[state]`.
    pub fn renew(&mut self, changes: &Changes, carried: Vec<f64>, (scale, counts): (&[f64], f64)) {
        let m = scale.len();
        match changes {
            Changes::Columns(columns) if columns.len() == m => {
                let applied = std::mem::take(&mut self.applied);
                *self = Monodromy::whole(carried, scale, counts);
                self.applied = applied;
            }
            Changes::Columns(columns) => {
                for (&column, own) in columns.iter().zip(carried.chunks_exact(m.max(1))) {
                    self.matrix[column * m..(column + 1) * m].copy_from_slice(own);
                }
                self.partial = Some(0);
            }
            Changes::Along(along) => {
                for (change, end) in along.iter().zip(carried.chunks_exact(m.max(1))) {
                    self.learn(change, end);
                }
                self.partial = self.partial.map(|passes| passes + 1);
            }
        }
        self.renewal = Renewal::No;
    }

    /// The smallest change of the matrix that makes of a change at the start what became of it.
    fn learn(&mut self, change: &[f64], end: &[f64]) {
        let m = change.len();
        let square = self.product(change, change);
        let mut unexplained = end.to_vec();
        for (column, &a) in self.matrix.chunks_exact(m.max(1)).zip(change) {
            for (u, x) in unexplained.iter_mut().zip(column) {
                *u -= a * x;
            }
        }
        let learns = square > 0.0 && unexplained.iter().all(|u| u.is_finite());
        if !learns {
            return;
        }
        let parts = change.iter().zip(&self.scale);
        let parts = parts.map(|(a, s)| a / (s * s * square));
        for (column, part) in self.matrix.chunks_exact_mut(m.max(1)).zip(parts) {
            for (x, u) in column.iter_mut().zip(&unexplained) {
                *x += part * u;
            }
        }
    }

    /// Newton's correction of the charges at the start, (1 - M)^-1 moved, V or A; none if there is
    /// no single answer. What a period moves by a smaller part than `keeps` of what it is off (a
    /// capacitor that nothing discharges) is kept where it is, or nearly so.
    pub fn correction(&self, moved: &[f64], keeps: f64) -> Option<Vec<f64>> {
        let m = moved.len();
        let mut matrix: Vec<f64> = self.matrix.iter().map(|x| -x).collect();
        for k in 0..m {
            matrix[k * m + k] += 1.0 + keeps;
        }
        let mut step = moved.to_vec();
        let solved = dense::solve_columns(&mut matrix, &mut step);
        (solved && step.iter().all(|s| s.is_finite())).then_some(step)
    }

    /// The charges at the start were changed by `applied`, `[state]`, V or A; `scale` is what counts as
    /// closed.
    pub fn applied(&mut self, applied: Vec<f64>, scale: Vec<f64>) {
        self.applied.insert(0, applied);
        self.applied.truncate(ALONG);
        self.scale = scale;
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
