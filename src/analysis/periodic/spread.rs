//! Small changes at a period's start, and what becomes of them.

use crate::math::lu::Moments;

/// Small changes that are carried at a time: each number of a factorisation is fetched once
/// for all of them.
pub(super) const LANES: usize = 8;

/// The small changes at a period's start that are carried through it.
#[derive(Debug, Clone)]
pub enum Changes {
    /// A unit of each of these charges by itself, by the matrix of each step's solution.
    Columns(Vec<usize>),
    /// Of all charges together, each `[state]` in V or A, by the matrix that a step ended with.
    Along(Vec<Vec<f64>>),
}

impl Changes {
    /// How many.
    pub fn count(&self) -> usize {
        match self {
            Changes::Columns(columns) => columns.len(),
            Changes::Along(changes) => changes.len(),
        }
    }

    /// How many charges are changed by themselves.
    pub fn columns(&self) -> usize {
        match self {
            Changes::Columns(columns) => columns.len(),
            Changes::Along(_) => 0,
        }
    }

    /// Their charges and fluxes; `weights` are what a volt or an ampere of each of the state is, `[state]`.
    pub fn spread(&self, n: usize, state: &[usize], weights: &[f64]) -> Spread {
        match self {
            Changes::Columns(columns) => Spread::new(n, columns.iter().map(|&c| [(state[c], 1.0)])),
            Changes::Along(changes) => {
                let weighed = || state.iter().zip(weights);
                let charges = changes.iter().map(|change| {
                    let parts = weighed().zip(change);
                    parts.map(|((&k, weight), volts)| (k, weight * volts))
                });
                Spread::new(n, charges)
            }
        }
    }
}

/// What small changes of each charge at the start of a period have become.
#[derive(Debug)]
pub struct Spread {
    n: usize,
    /// `[changes/LANES][n]` charges, side by side.
    pub(super) blocks: Vec<[f64; LANES]>,
    pub(super) work: [Vec<Moments<LANES>>; 2],
}

impl Spread {
    /// Changes of some of `n` charges each: which, and by how much.
    fn new<C>(n: usize, changes: impl ExactSizeIterator<Item = C>) -> Self
    where
        C: IntoIterator<Item = (usize, f64)>,
    {
        let mut blocks = vec![[0.0; LANES]; changes.len().div_ceil(LANES) * n];
        for (c, change) in changes.enumerate() {
            for (k, charge) in change {
                blocks[c / LANES * n + k][c % LANES] = charge;
            }
        }
        let work = [Vec::new(), Vec::new()];
        Spread { n, blocks, work }
    }

    /// What a change has made of an equation's charge.
    pub fn of(&self, change: usize, equation: usize) -> f64 {
        self.blocks[change / LANES * self.n + equation][change % LANES]
    }
}
