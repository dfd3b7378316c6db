//! One step of Radau IIA: three moments of the circuit solved together.

use super::signal::Sources;
use crate::circuit::BranchKind;
use crate::math::lu::{Block, Moments, ROWS, Singular, StageLu};
use crate::math::newton::{self, Equations, Failure, NewtonSettings};
use crate::math::radau::{self, STAGES};
use crate::system::assemble::{Assembly, LimitHistory, SourceState};

/// A step is settled when another Newton iteration would move nothing by more than this part
/// of the error allowed.
const SETTLED: f64 = 1e-2;
/// Where iterations no longer shrink, rounding has been reached: a plate's hundreds of volts
/// are known to 3e-14 V, and two stages further on that is multiplied by thousands. What is
/// left is then accepted up to this multiple.
pub(super) const ROUNDED: f64 = 1e4;
/// In passing iterations end here: what they leave over is about its square.
const NEARLY: f64 = 1e3;
/// Elsewhere they are judged from here on, but from the second at most, V or A: what the judge evaluates
/// serves the next one, whose laws are not drawn back then. With 1 V a mains cycle takes 2 % fewer
/// evaluations.
const JUDGED: (f64, f64) = (1e6, 0.1);
/// An iteration that left the first part of the last one and is itself no more than the second, in
/// multiples of what counts as settled, leaves as much less in its turn: where that is less than the third
/// it was the last (E. Hairer and G. Wanner, "Solving Ordinary Differential Equations II", section IV.8;
/// from memory).
const LEAVES: (f64, f64, f64) = (0.1, 100.0, 0.01);
/// What is reported of an iteration that was not the last one, whatever it leaves.
const UNSETTLED: f64 = 1.1;
/// Where it left no more than this the matrix serves again.
const SERVES: f64 = 0.05;

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
    blocks: Vec<[f64; LANES]>,
    work: [Vec<Moments<LANES>>; 2],
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

/// How exactly steps are solved.
#[derive(Debug, Clone, Copy)]
pub struct Judged<'a> {
    /// By how much each unknown may be off, `[n]`.
    pub tolerance: &'a [f64],
    /// N times [`Stepper::coarsest`] is allowed.
    pub looser: f64,
    /// Leaves the last Newton step unjudged: the next pass makes good what it leaves over.
    pub in_passing: bool,
}

impl<'a> Judged<'a> {
    /// To the last Newton step.
    pub fn exactly(tolerance: &'a [f64]) -> Self {
        Judged {
            tolerance,
            looser: 1.0,
            in_passing: false,
        }
    }
}

/// Steps of a circuit, all of the same pattern.
#[derive(Debug)]
pub struct Stepper<'c> {
    /// Its equations; the driven source is `assembly.external`.
    pub assembly: Assembly<'c>,
    /// Equations that hold charge or flux: the circuit's state.
    pub state: Vec<usize>,
    /// Newton settles as if no unknown might be off by more than this, V or A: a rectifier's current
    /// is known to a part of its own few millivolts, however far its winding swings.
    pub coarsest: f64,
    /// See [`ROUNDED`].
    pub rounded: f64,
    /// Unknowns whose own error counts: voltages and currents of inductors.
    pub differential: Vec<bool>,
    n: usize,
    d: [[f64; STAGES]; STAGES],
    lu: StageLu,
    /// Entries that store charge: equation, unknown, place in the pattern.
    stores: Vec<(usize, usize, usize)>,
    values: Vec<Block>,
    histories: Vec<LimitHistory>,
    /// What each stage conducts and stores, in the order of the pattern.
    conduct: Vec<Vec<f64>>,
    storage: Vec<Vec<f64>>,
    f: Vec<f64>,
    q: Vec<f64>,
    /// The Newton step that would come next, once judged, and the last one taken.
    left: Vec<f64>,
    taken: Vec<f64>,
    /// Where the equations were evaluated last.
    x: Vec<f64>,
    /// What the judge found the equations to be off by.
    residual: Vec<f64>,
    /// What an unknown of a stage is settled to, `[STAGES][n]`: at least, and a part of its size.
    settles: Vec<(f64, f64)>,
}

impl<'c> Stepper<'c> {
    /// For the circuit's equations.
    pub fn new(assembly: Assembly<'c>) -> Self {
        let n = assembly.len();
        let stores = assembly.stores();
        let (indptr, indices) = assembly.pattern();
        let entries = |row: usize| (indptr[row]..indptr[row + 1]).map(move |e| (row, e));
        let stored = (0..n).flat_map(entries).filter(|&(_, e)| stores[e]);
        let stores: Vec<(usize, usize, usize)> =
            stored.map(|(row, e)| (row, indices[e], e)).collect();
        let mut state: Vec<usize> = stores.iter().map(|s| s.0).collect();
        state.dedup();
        let nodes = assembly.unknowns.nodes();
        let inductive = |k: usize| {
            let kind = &assembly.circuit.branches[k - nodes].kind;
            matches!(kind, BranchKind::Inductance(_))
        };
        Stepper {
            state,
            coarsest: f64::INFINITY,
            rounded: ROUNDED,
            differential: (0..n).map(|k| k < nodes || inductive(k)).collect(),
            n,
            d: radau::slopes(),
            lu: StageLu::new(n, indptr, indices),
            values: vec![Block::default(); indices.len()],
            conduct: vec![vec![0.0; indices.len()]; STAGES],
            histories: vec![assembly.fresh_history(); STAGES],
            storage: vec![vec![0.0; indices.len()]; STAGES],
            stores,
            f: vec![0.0; STAGES * n],
            q: vec![0.0; STAGES * n],
            left: vec![0.0; STAGES * n],
            taken: vec![0.0; STAGES * n],
            x: vec![0.0; STAGES * n],
            residual: vec![0.0; STAGES * n],
            settles: vec![(0.0, 0.0); STAGES * n],
            assembly,
        }
    }

    /// Lets the laws stand where they were in the last pass, `[STAGES][n]`: they are drawn back only
    /// from what leads away from there.
    pub fn stand_at(&mut self, x: &[f64]) {
        for (history, x) in self.histories.iter_mut().zip(x.chunks_exact(self.n)) {
            self.assembly.stand_at(x, history);
        }
    }

    /// Forgets where the laws were: the next step may lie anywhere.
    pub fn forget(&mut self) {
        self.histories.fill(self.assembly.fresh_history());
    }

    /// Solves the step of `h` from `t` (s into the period) with the charges `charge` at its
    /// start. `x` is the guess and becomes the three stages. `carries` if small changes are to be
    /// carried through it.
    ///
    /// # Errors
    /// If Newton does not settle.
    pub fn solve(
        &mut self,
        sources: &dyn Sources,
        (t, h): (f64, f64),
        charge: &[f64],
        judged: Judged<'_>,
        carries: bool,
        x: &mut [f64],
    ) -> Result<(), Failure> {
        let coarsest = judged.looser * self.coarsest;
        for stage in self.settles.chunks_exact_mut(self.n) {
            let unknowns = stage.iter_mut().zip(judged.tolerance).enumerate();
            for (k, (settles, tolerance)) in unknowns {
                *settles = if self.differential[k] {
                    (SETTLED * tolerance.min(coarsest), 64.0 * f64::EPSILON)
                } else {
                    (1e-6, 1e-3)
                };
            }
        }
        let mut step = RadauStep {
            sources,
            t,
            h,
            charge,
            carries,
            in_passing: judged.in_passing,
            before: f64::INFINITY,
            ahead: Ahead::Nothing,
            factored: false,
            limited: false,
            serves: false,
            at: self,
        };
        let settings = NewtonSettings {
            max_iterations: 25,
            ..NewtonSettings::default()
        };
        newton::solve(&mut step, x, &settings)?;
        let in_passing = step.in_passing;
        // The iteration that would come next is known already: it is taken, which leaves
        // rounding only, and the charges follow it. In passing it was the last one.
        if !in_passing {
            for (x, left) in x.iter_mut().zip(&self.left) {
                *x -= left;
            }
        }
        for (stage, storage) in self.storage.iter().enumerate() {
            let at = stage * self.n;
            for &(row, column, e) in &self.stores {
                self.q[at + row] -= storage[e] * self.left[at + column];
            }
        }
        Ok(())
    }

    /// Charges at the end of the step just solved, `[n]`.
    pub fn charge_at_end(&self) -> &[f64] {
        &self.q[(STAGES - 1) * self.n..]
    }

    /// What the step just solved makes of small changes of the charges at its start: each column of
    /// `spread` becomes the change at its end.
    pub fn carry(&mut self, h: f64, spread: &mut Spread) {
        let weights = self.d.map(|row| row.iter().sum::<f64>() / h);
        let stores = (&self.stores[..], &self.storage[STAGES - 1][..]);
        for changes in spread.blocks.chunks_exact_mut(self.n) {
            self.lu.carry(weights, stores, changes, &mut spread.work);
        }
    }

    /// The same for a change of its own, `[n]`.
    pub fn carry_one(&mut self, h: f64, charge: &mut [f64]) {
        let n = self.n;
        let mut right = vec![0.0; STAGES * n];
        for (part, row) in right.chunks_exact_mut(n).zip(&self.d) {
            let weight = row.iter().sum::<f64>() / h;
            part.iter_mut()
                .zip(charge.iter())
                .for_each(|(r, c)| *r = weight * c);
        }
        self.lu.solve(&mut right);
        charge.fill(0.0);
        let end = &right[(STAGES - 1) * n..];
        for &(row, column, e) in &self.stores {
            charge[row] += self.storage[STAGES - 1][e] * end[column];
        }
    }

    /// What a stage conducts and stores where it was evaluated last, in the order of the pattern.
    pub fn slopes(&self, stage: usize) -> (&[f64], &[f64]) {
        (&self.conduct[stage], &self.storage[stage])
    }

    /// Evaluates the stages of the step of `h` from `t` at `x`, `[STAGES][n]`.
    pub fn linearise(&mut self, sources: &dyn Sources, (t, h): (f64, f64), x: &[f64]) {
        let n = self.n;
        for (stage, x) in x.chunks_exact(n).enumerate() {
            self.evaluate_stage(sources, t + radau::C[stage] * h, (stage, x), false);
        }
    }

    /// Evaluates a stage at a time, s into the period; whether laws were drawn back.
    fn evaluate_stage(
        &mut self,
        sources: &dyn Sources,
        t: f64,
        (stage, x): (usize, &[f64]),
        limit: bool,
    ) -> bool {
        if let Some(external) = &mut self.assembly.external {
            external.1 = sources.value(t);
        }
        let ask = SourceState::at(sources.clock(t));
        self.assembly.exchange_history(&mut self.histories[stage]);
        let storage = &mut self.storage[stage];
        let limited = self.assembly.evaluate_apart(x, ask, limit, storage);
        self.assembly.exchange_history(&mut self.histories[stage]);
        std::mem::swap(&mut self.conduct[stage], &mut self.assembly.jacobian);
        limited
    }

    /// Factors the matrix of a step of `h` at what was evaluated last.
    ///
    /// # Errors
    /// If it has no inverse.
    pub fn factor(&mut self, h: f64) -> Result<(), Singular> {
        let [g0, g1, g2] = [0, 1, 2].map(|stage| &self.conduct[stage]);
        for (value, ((&a, &b), &c)) in self.values.iter_mut().zip(g0.iter().zip(g1).zip(g2)) {
            *value = Block::diagonal([a, b, c]);
        }
        let mut weights = [[0.0; ROWS]; STAGES];
        for (row, of_row) in self.d.iter().enumerate() {
            for (column, d) in of_row.iter().enumerate() {
                weights[column][row] = d / h;
            }
        }
        let [c0, c1, c2] = [0, 1, 2].map(|stage| &self.storage[stage]);
        for &(_, _, e) in &self.stores {
            self.values[e].add_rates(&weights, [c0[e], c1[e], c2[e]]);
        }
        self.lu.factor(&self.values)
    }

    /// How far each charge of the state moves if all unknowns move by `swings`, `[state]`, in
    /// volts or amperes of its own.
    pub fn reach(&self, swings: &[f64], weights: &[f64]) -> Vec<f64> {
        let mut sums = vec![0.0; self.n];
        for &(row, column, e) in &self.stores {
            sums[row] += self.storage[STAGES - 1][e].abs() * swings[column];
        }
        let own = self.state.iter().zip(weights);
        own.map(|(&row, weight)| sums[row] / weight).collect()
    }

    /// How much charge a volt (or flux an ampere) is for each equation of the state, `[state]`;
    /// from the last evaluation.
    pub fn weights(&self) -> Vec<f64> {
        let mut largest = vec![0.0f64; self.n];
        for &(row, _, e) in &self.stores {
            largest[row] = largest[row].max(self.storage[STAGES - 1][e].abs());
        }
        let weight = |&row: &usize| {
            if largest[row] > 0.0 {
                largest[row]
            } else {
                1.0
            }
        };
        self.state.iter().map(weight).collect()
    }
}

/// What the judge of an iteration has done of the next one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ahead {
    Nothing,
    /// The equations are evaluated.
    Evaluated,
    /// The step is known too.
    Solved,
}

/// The equations of one step.
struct RadauStep<'a, 'c> {
    sources: &'a dyn Sources,
    t: f64,
    h: f64,
    charge: &'a [f64],
    carries: bool,
    in_passing: bool,
    /// What the judge found last.
    before: f64,
    ahead: Ahead,
    /// Whether there is a matrix of this step, and laws were drawn back when it was made.
    factored: bool,
    limited: bool,
    /// Whether it may serve for the next iteration.
    serves: bool,
    at: &'a mut Stepper<'c>,
}

impl RadauStep<'_, '_> {
    /// Evaluates all stages.
    fn evaluate(&mut self, x: &[f64], residual: &mut [f64], limit: bool) -> bool {
        let at = &mut *self.at;
        let n = at.n;
        let mut limited = false;
        for stage in 0..STAGES {
            let t = self.t + radau::C[stage] * self.h;
            let part = stage * n..(stage + 1) * n;
            limited |= at.evaluate_stage(self.sources, t, (stage, &x[part.clone()]), limit);
            at.f[part.clone()].copy_from_slice(&at.assembly.f);
            at.q[part].copy_from_slice(&at.assembly.q);
        }
        residual.copy_from_slice(&at.f);
        for (row, residual) in at.d.iter().zip(residual.chunks_exact_mut(n)) {
            for (d, q) in row.iter().zip(at.q.chunks_exact(n)) {
                let weight = d / self.h;
                for &k in &at.state {
                    residual[k] += weight * (q[k] - self.charge[k]);
                }
            }
        }
        limited
    }

    /// The largest of a Newton step at `x`, in multiples of what is allowed, and its unknown.
    fn worst(&self, step: &[f64], x: &[f64]) -> (f64, usize) {
        let mut worst = (0.0, 0);
        for (i, (step, &x)) in step.iter().zip(x).enumerate() {
            let ratio = step.abs() / self.allowed(i, x);
            // Written so that NaN counts as the worst.
            let better = ratio <= worst.0;
            if !better {
                worst = (ratio, i % self.at.n);
            }
        }
        worst
    }

    /// What `left` is of the step before.
    fn shrinks(&self) -> f64 {
        let worst = |step: &[f64]| self.worst(step, &self.at.x).0;
        worst(&self.at.left) / worst(&self.at.taken)
    }

    fn allowed(&self, i: usize, x: f64) -> f64 {
        let (floor, part) = self.at.settles[i];
        floor + part * x.abs()
    }
}

impl Equations for RadauStep<'_, '_> {
    fn size(&self) -> usize {
        STAGES * self.at.n
    }

    fn linearise(&mut self, x: &[f64], residual: &mut [f64]) -> bool {
        if self.ahead == Ahead::Nothing {
            self.at.x.copy_from_slice(x);
            let limited = self.evaluate(x, residual, true);
            self.serves = self.factored && !self.limited && !limited && !self.carries;
            self.limited = limited;
            return limited;
        }
        residual.copy_from_slice(&self.at.residual);
        (self.serves, self.limited) = (false, false);
        false
    }

    fn solve(&mut self, residual: &mut [f64]) -> Result<(), Singular> {
        let at = &mut *self.at;
        if self.ahead == Ahead::Solved {
            residual.copy_from_slice(&at.left);
        } else {
            at.left.copy_from_slice(residual);
            if self.serves {
                at.lu.solve(&mut at.left);
                self.serves = self.shrinks() <= SERVES;
            }
            let at = &mut *self.at;
            if self.serves {
                residual.copy_from_slice(&at.left);
            } else {
                at.factor(self.h)?;
                at.lu.solve(residual);
                self.factored = true;
            }
        }
        self.ahead = Ahead::Nothing;
        self.at.taken.copy_from_slice(residual);
        Ok(())
    }

    fn step_tolerance(&self, i: usize, x: f64) -> f64 {
        let allowed = self.allowed(i, x);
        if self.in_passing {
            NEARLY * allowed
        } else {
            (JUDGED.0 * allowed).min(JUDGED.1).max(NEARLY * allowed)
        }
    }

    /// The judge is the Newton step that would come next. Where small changes are carried through the
    /// step the matrix at the solution is needed anyway; elsewhere the last one is as good.
    fn residual_ratio(&mut self, x: &[f64]) -> (f64, usize) {
        let taken = self.worst(&self.at.taken, x);
        if self.in_passing {
            if taken.0 <= 1.1 * NEARLY {
                self.at.left.copy_from_slice(&self.at.taken);
                return (0.0, 0);
            }
            // The steps no longer shrink: the judge has the last word.
            self.in_passing = false;
        }
        let mut left = std::mem::take(&mut self.at.left);
        self.evaluate(x, &mut left, false);
        self.at.residual.copy_from_slice(&left);
        if self.carries && self.at.factor(self.h).is_err() {
            self.at.left = left;
            return (f64::INFINITY, 0);
        }
        self.at.lu.solve(&mut left);
        let next = self.worst(&left, x);
        self.at.left = left;
        let shrinks = next.0 / taken.0;
        let leaves = shrinks <= LEAVES.0 && next.0 <= LEAVES.1 && shrinks * next.0 <= LEAVES.2;
        // Only after a step as short as this has it been rounding that is left over.
        let near = taken.0 <= NEARLY;
        let settled = leaves || near && next.0 <= 1.0;
        let stuck = near && next.0 >= 0.3 * self.before && next.0 < self.at.rounded;
        if near {
            self.before = next.0;
        }
        if settled || stuck {
            return (next.0.min(1.0), next.1);
        }
        self.ahead = if self.carries || shrinks <= SERVES {
            Ahead::Solved
        } else {
            Ahead::Evaluated
        };
        (next.0.max(UNSETTLED), next.1)
    }
}
