//! One step of Radau IIA: three moments of the circuit solved together.

use super::signal::Sources;
use super::spread::Spread;
use crate::circuit::BranchKind;
use crate::math::lu::{Block, ROWS, Singular, StageLu};
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
/// ... but only if the largest voltages of the two, multiplied, are no more than this, V^2: a junction's
/// slope is still that before the last iteration, and what the next one makes of the difference is missed
/// in its current. Of a junction with an emission coefficient of one it is 4e-6. The iteration's largest
/// step says nothing of it, where a winding moved by it that no junction holds.
const LAGS: f64 = 3e-9;
/// What is reported of an iteration that was not the last one, whatever it leaves.
const UNSETTLED: f64 = 1.1;
/// Where it left no more than this the matrix serves again.
const SERVES: f64 = 0.05;

/// The conductance at every node with which an eased step begins, and that below which it is none, S.
const EASED: (f64, f64) = (1e-3, 1e-14);
/// Newton's iterations for each conductance on the way.
const EASED_ITERATIONS: usize = 60;

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
#[derive(Debug, Clone)]
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
    /// Whether a step that Newton does not settle is led to its solution from one with a conductance at
    /// every node: see [`Stepper::ease`].
    pub eases: bool,
    /// That conductance, S; zero but on the way.
    shunt: f64,
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
            eases: false,
            shunt: 0.0,
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
        let asked = Asked {
            sources,
            t,
            h,
            charge,
            carries,
            in_passing: judged.in_passing,
        };
        let begun = self.eases.then(|| x.to_vec());
        let in_passing = match (self.attempt(asked, 25, x), begun) {
            (Err(failure), Some(begun)) => {
                x.copy_from_slice(&begun);
                self.ease(asked, x).map_err(|_| failure)?
            }
            (found, _) => found?,
        };
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

    /// Newton from the guess in `x`; whether the solution was taken in passing.
    fn attempt(
        &mut self,
        asked: Asked<'_>,
        max_iterations: usize,
        x: &mut [f64],
    ) -> Result<bool, Failure> {
        let mut step = RadauStep {
            in_passing: asked.in_passing,
            asked,
            before: f64::INFINITY,
            ahead: Ahead::Nothing,
            factored: false,
            limited: false,
            serves: false,
            at: self,
        };
        let settings = NewtonSettings {
            max_iterations,
            ..NewtonSettings::default()
        };
        newton::solve(&mut step, x, &settings)?;
        Ok(step.in_passing)
    }

    /// The same with a conductance from every node to ground, taken away bit by bit: a winding that only
    /// blocked diodes without capacitance hold leaps by hundreds of volts from one moment to the next,
    /// and a picoampere decides where it lands. Nothing of the conductance is left in the solution.
    fn ease(&mut self, asked: Asked<'_>, x: &mut [f64]) -> Result<bool, Failure> {
        let exact = Asked {
            in_passing: false,
            ..asked
        };
        let (mut shunt, mut factor) = (EASED.0, 0.1f64);
        let mut good = x.to_vec();
        self.forget();
        let found = loop {
            self.shunt = if shunt > EASED.1 { shunt } else { 0.0 };
            match self.attempt(exact, EASED_ITERATIONS, x) {
                Ok(passing) if self.shunt == 0.0 => break Ok(passing),
                Ok(_) => {
                    good.copy_from_slice(x);
                    factor = (factor * factor).max(0.03);
                    shunt *= factor;
                }
                Err(failure) => {
                    // Back a part of the way, and on in smaller steps.
                    x.copy_from_slice(&good);
                    shunt /= factor;
                    factor = factor.sqrt();
                    shunt *= factor;
                    if factor > 0.97 {
                        break Err(failure);
                    }
                }
            }
        };
        self.shunt = 0.0;
        found
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
        if self.shunt != 0.0 {
            for (k, x) in x.iter().take(self.assembly.unknowns.nodes()).enumerate() {
                let place = self.assembly.node_diagonal()[k];
                self.assembly.f[k] += self.shunt * x;
                self.assembly.jacobian[place] += self.shunt;
            }
        }
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

/// What is asked of a step.
#[derive(Clone, Copy)]
struct Asked<'a> {
    sources: &'a dyn Sources,
    t: f64,
    h: f64,
    charge: &'a [f64],
    carries: bool,
    in_passing: bool,
}

/// The equations of one step.
struct RadauStep<'a, 'c> {
    asked: Asked<'a>,
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
            let t = self.asked.t + radau::C[stage] * self.asked.h;
            let part = stage * n..(stage + 1) * n;
            limited |= at.evaluate_stage(self.asked.sources, t, (stage, &x[part.clone()]), limit);
            at.f[part.clone()].copy_from_slice(&at.assembly.f);
            at.q[part].copy_from_slice(&at.assembly.q);
        }
        residual.copy_from_slice(&at.f);
        for (row, residual) in at.d.iter().zip(residual.chunks_exact_mut(n)) {
            for (d, q) in row.iter().zip(at.q.chunks_exact(n)) {
                let weight = d / self.asked.h;
                for &k in &at.state {
                    residual[k] += weight * (q[k] - self.asked.charge[k]);
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

    /// The largest voltage of the last step multiplied by that of the next one, V^2.
    fn lags(&self) -> f64 {
        let nodes = self.at.assembly.unknowns.nodes();
        let largest = |step: &[f64]| {
            let volts = step.chunks_exact(self.at.n).flat_map(|s| &s[..nodes]);
            volts.fold(0.0f64, |most, v| most.max(v.abs()))
        };
        largest(&self.at.taken) * largest(&self.at.left)
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
            self.serves = self.factored && !self.limited && !limited && !self.asked.carries;
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
                at.factor(self.asked.h)?;
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
        if self.asked.carries && self.at.factor(self.asked.h).is_err() {
            self.at.left = left;
            return (f64::INFINITY, 0);
        }
        self.at.lu.solve(&mut left);
        let next = self.worst(&left, x);
        self.at.left = left;
        let shrinks = next.0 / taken.0;
        let shrunk = shrinks <= LEAVES.0 && next.0 <= LEAVES.1 && shrinks * next.0 <= LEAVES.2;
        let leaves = shrunk && self.lags() <= LAGS;
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
        self.ahead = if self.asked.carries || shrinks <= SERVES {
            Ahead::Solved
        } else {
            Ahead::Evaluated
        };
        (next.0.max(UNSETTLED), next.1)
    }
}
