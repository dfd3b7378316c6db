//! What a period makes of small changes, without its matrix.
//!
//! The matrix of a circuit with thousands of charges is dense: ten thousand take 0.8 GB, and every
//! column is a period of its own. But Newton's correction asks only what becomes of a few changes.
//! Each is carried through the steps of the period found, made linear again one by one, and GMRES puts
//! the correction together from them (Y. Saad and M. H. Schultz, SIAM J. Sci. Stat. Comput. 7, 1986,
//! p. 856; from memory). It is preconditioned with what the correction would be if the circuit were the
//! average of its period and decayed as one implicit Euler step of it does: (1 - M)^-1 = 1 + C G^-1/T.
//! That is exact for what decays at once and for what hardly does, and off by a quarter at most between
//! (for real decays), so that slow charges cost no iterations: a ladder of 10 000 sections whose
//! slowest change lasts minutes takes as many as one of ten.
//!
//! What grows is found by Arnoldi's method (W. E. Arnoldi, Quart. Appl. Math. 9, 1951, p. 17; from memory).

use super::orbit::Orbit;
use super::signal::Driving;
use super::step::Stepper;
use crate::math::eigen::eigenvalues;
use crate::math::lu::{LinearSolver, Singular, StaticLu};
use crate::math::radau::{self, STAGES};
use num_complex::Complex;

/// A correction is known to this part, after N changes at most; it is not believed if it leaves
/// more than the second.
const LEFT: (f64, f64) = (1e-5, 0.1);
const CHANGES: usize = 100;
/// What decays by less than this part in a period is kept where it is.
const KEPT: f64 = 1e-9;
/// The largest multiplier is known if N more changes move it by no more than this part.
const SURE: (usize, f64) = (5, 1e-7);
/// Changes that are asked for it at most.
const ASKED: usize = 80;

/// A period that was integrated, made linear.
pub struct Linear<'a, 'c> {
    stepper: &'a mut Stepper<'c>,
    driving: Driving<'a>,
    orbit: &'a Orbit,
    /// Discrete states of the laws at its start.
    memory: Vec<f64>,
    /// How much charge a volt is, `[state]`.
    weights: Vec<f64>,
    /// The average circuit: factored conductances, and what it stores in the order of the pattern.
    average: Option<(StaticLu<f64>, Vec<f64>)>,
}

impl<'a, 'c> Linear<'a, 'c> {
    /// Of an orbit with the laws' discrete states at its start.
    pub fn new(
        stepper: &'a mut Stepper<'c>,
        driving: Driving<'a>,
        orbit: &'a Orbit,
        memory: Vec<f64>,
    ) -> Self {
        let weights = stepper.weights();
        Linear {
            stepper,
            driving,
            orbit,
            memory,
            weights,
            average: None,
        }
    }

    /// Newton's correction of the charges at the start, (1 - M)^-1 `moved`, V or A; none if it is not
    /// found. `scale` is what counts as closed. What does not move by itself is kept where it is.
    /// `poll` is asked before each change whether to go on.
    ///
    /// # Errors
    /// The poll's own.
    pub fn correction<E>(
        &mut self,
        moved: &[f64],
        scale: &[f64],
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Option<Vec<f64>>, E> {
        let m = moved.len();
        self.average = self.averaged();
        let mut first: Vec<f64> = moved.iter().zip(scale).map(|(v, s)| v / s).collect();
        let whole = norm(&first);
        if whole == 0.0 {
            return Ok(Some(vec![0.0; m]));
        }
        scaled(&mut first, 1.0 / whole);
        let mut basis = vec![first];
        let mut least = Least::new(whole);
        while basis.len() <= CHANGES.min(m) && least.left() > LEFT.0 * whole {
            poll()?;
            let last = basis.last().expect("begun");
            let mut next: Vec<f64> = last.iter().zip(scale).map(|(v, s)| v * s).collect();
            next = self.expected(&next);
            let Ok(carried) = self.carried(&next) else {
                return Ok(None);
            };
            for ((v, c), s) in next.iter_mut().zip(&carried).zip(scale) {
                *v = (*v * (1.0 + KEPT) - c) / s;
            }
            let column = orthogonal(&mut next, &basis);
            if !column.iter().all(|h| h.is_finite()) {
                return Ok(None);
            }
            let ends = column[basis.len()] == 0.0;
            least.add(column);
            if ends {
                break;
            }
            basis.push(next);
        }
        let believed = least.left() <= LEFT.1 * whole;
        let mut sum = vec![0.0; m];
        for (part, v) in least.solve().iter().zip(&basis) {
            sum.iter_mut().zip(v).for_each(|(to, v)| *to += part * v);
        }
        let volts: Vec<f64> = sum.iter().zip(scale).map(|(v, s)| v * s).collect();
        let step = self.expected(&volts);
        let is_sound = believed && step.iter().all(|s| s.is_finite());
        Ok(is_sound.then_some(step))
    }

    /// The largest of the multipliers; none if it does not settle. `poll` as above.
    ///
    /// # Errors
    /// The poll's own.
    pub fn largest<E>(
        &mut self,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Option<Complex<f64>>, E> {
        let m = self.weights.len();
        // Volts by the root of their capacitance: in these a circuit of passive parts only shrinks.
        let roots: Vec<f64> = self.weights.iter().map(|w| w.sqrt()).collect();
        let mut first: Vec<f64> = (0..m).map(|k| 1.0 + ((k * 7919) % 101) as f64).collect();
        let size = norm(&first);
        scaled(&mut first, 1.0 / size);
        let mut basis = vec![first];
        let mut columns: Vec<Vec<f64>> = Vec::new();
        let mut sizes: Vec<f64> = Vec::new();
        while columns.len() < ASKED.min(m) {
            poll()?;
            let last = basis.last().expect("begun");
            let volts: Vec<f64> = last.iter().zip(&roots).map(|(v, r)| v / r).collect();
            let Ok(mut next) = self.carried(&volts) else {
                return Ok(None);
            };
            next.iter_mut().zip(&roots).for_each(|(v, r)| *v *= r);
            let column = orthogonal(&mut next, &basis);
            let ends = column[basis.len()] <= 1e-14 || basis.len() == m;
            columns.push(column);
            let Some(largest) = largest_value(&columns) else {
                return Ok(None);
            };
            let n = columns.len();
            let before = n.checked_sub(1 + SURE.0).map(|k| sizes[k]);
            let size = largest.norm_sqr().sqrt();
            let is_sure = before.is_some_and(|before| (size - before).abs() <= SURE.1 * size);
            if ends || is_sure {
                return Ok(Some(largest));
            }
            sizes.push(size);
            basis.push(next);
        }
        Ok(None)
    }

    /// What the period makes of a change at its start, V or A of each charge.
    fn carried(&mut self, volts: &[f64]) -> Result<Vec<f64>, Singular> {
        let mut change = vec![0.0; self.orbit.start.len()];
        let at = self.stepper.state.iter().zip(volts).zip(&self.weights);
        at.for_each(|((&k, v), w)| change[k] = v * w);
        let kept = self.enter();
        let mut found = Ok(());
        for step in 0..self.orbit.steps() {
            found = self.linearised(step).and_then(|h| {
                self.stepper.factor(h)?;
                self.stepper.carry_one(h, &mut change);
                Ok(())
            });
            if found.is_err() {
                break;
            }
        }
        self.leave(kept);
        let at = self.stepper.state.iter().zip(&self.weights);
        found.map(|()| at.map(|(&k, w)| change[k] / w).collect())
    }

    fn enter(&mut self) -> Vec<f64> {
        let assembly = &mut self.stepper.assembly;
        std::mem::replace(&mut assembly.memory, self.memory.clone())
    }

    fn leave(&mut self, memory: Vec<f64>) {
        self.stepper.assembly.memory = memory;
    }

    /// Evaluates the stages of a step where they were found; its length, s.
    fn linearised(&mut self, step: usize) -> Result<f64, Singular> {
        let orbit = self.orbit;
        if step > 0 {
            self.stepper
                .assembly
                .memory
                .clone_from(&orbit.memory[step - 1]);
        }
        let t = orbit.times[step];
        let h = orbit.times[step + 1] - t;
        let n = orbit.start.len();
        let x = &orbit.stages[step * STAGES * n..(step + 1) * STAGES * n];
        self.stepper.linearise(&self.driving, (t, h), x);
        Ok(h)
    }

    /// The circuit's average over the period.
    fn averaged(&mut self) -> Option<(StaticLu<f64>, Vec<f64>)> {
        let kept = self.enter();
        let mut mean: Option<(Vec<f64>, Vec<f64>)> = None;
        let period_s = self.orbit.period_s();
        let parts = radau::weights();
        for step in 0..self.orbit.steps() {
            let Ok(h) = self.linearised(step) else {
                continue;
            };
            for (stage, part) in parts.iter().enumerate() {
                let (g, c) = self.stepper.slopes(stage);
                let (mean_g, mean_c) =
                    mean.get_or_insert_with(|| (vec![0.0; g.len()], vec![0.0; g.len()]));
                let part = part * h / period_s;
                mean_g.iter_mut().zip(g).for_each(|(m, g)| *m += part * g);
                mean_c
                    .iter_mut()
                    .zip(c)
                    .for_each(|(m, c)| *m += part * c / period_s);
            }
        }
        self.leave(kept);
        let (mean_g, mean_c) = mean?;
        let (indptr, indices) = self.stepper.assembly.pattern();
        let mut lu = StaticLu::new(self.orbit.start.len(), indptr, indices);
        // What nothing discharges leaves the conductances without an inverse.
        for leak in [0.0, KEPT, 1e-6] {
            let sum = mean_g.iter().zip(&mean_c).map(|(g, c)| g + leak * c);
            if lu.factor(&sum.collect::<Vec<f64>>()).is_ok() {
                return Some((lu, mean_c));
            }
        }
        None
    }

    /// The correction of a movement as the average circuit would have it, V or A.
    fn expected(&mut self, moved: &[f64]) -> Vec<f64> {
        let Some((lu, stored)) = &mut self.average else {
            return moved.to_vec();
        };
        let n = self.orbit.start.len();
        let mut x = vec![0.0; n];
        let at = self.stepper.state.iter().zip(moved).zip(&self.weights);
        at.for_each(|((&k, v), w)| x[k] = v * w);
        lu.solve(&mut x);
        if x.iter().any(|x| !x.is_finite()) {
            return moved.to_vec();
        }
        let (indptr, indices) = self.stepper.assembly.pattern();
        let own = self.stepper.state.iter().zip(moved).zip(&self.weights);
        own.map(|((&row, v), w)| {
            let entries = indptr[row]..indptr[row + 1];
            let charge: f64 = entries.map(|e| stored[e] * x[indices[e]]).sum();
            v + charge / w
        })
        .collect()
    }
}

/// The largest eigenvalue of Arnoldi's matrix.
fn largest_value(columns: &[Vec<f64>]) -> Option<Complex<f64>> {
    let n = columns.len();
    let mut matrix = vec![0.0; n * n];
    for (c, column) in columns.iter().enumerate() {
        for (r, h) in column.iter().enumerate().take(n) {
            matrix[r * n + c] = *h;
        }
    }
    let values = eigenvalues(n, &matrix)?.into_iter();
    values.max_by(|a, b| a.norm_sqr().total_cmp(&b.norm_sqr()))
}

/// Makes a vector orthogonal to others of length one and brings it to length one: its parts along
/// them and its length.
fn orthogonal(next: &mut [f64], basis: &[Vec<f64>]) -> Vec<f64> {
    let mut parts = vec![0.0; basis.len() + 1];
    // Twice: once leaves what rounding made of it.
    for _ in 0..2 {
        for (part, v) in parts.iter_mut().zip(basis) {
            let along: f64 = next.iter().zip(v).map(|(a, b)| a * b).sum();
            next.iter_mut().zip(v).for_each(|(to, v)| *to -= along * v);
            *part += along;
        }
    }
    let length = norm(next);
    parts[basis.len()] = length;
    if length > 0.0 {
        scaled(next, 1.0 / length);
    }
    parts
}

fn norm(v: &[f64]) -> f64 {
    v.iter().map(|x| x * x).sum::<f64>().sqrt()
}

fn scaled(v: &mut [f64], by: f64) {
    v.iter_mut().for_each(|x| *x *= by);
}

/// The least squares of GMRES, column by column, by turns in planes (Givens).
struct Least {
    columns: Vec<Vec<f64>>,
    turns: Vec<(f64, f64)>,
    right: Vec<f64>,
}

impl Least {
    fn new(whole: f64) -> Self {
        Least {
            columns: Vec::new(),
            turns: Vec::new(),
            right: vec![whole],
        }
    }

    /// What the best sum of the vectors so far leaves.
    fn left(&self) -> f64 {
        self.right[self.columns.len()].abs()
    }

    fn add(&mut self, mut column: Vec<f64>) {
        for (k, &(c, s)) in self.turns.iter().enumerate() {
            let (a, b) = (column[k], column[k + 1]);
            (column[k], column[k + 1]) = (c * a + s * b, c * b - s * a);
        }
        let k = self.columns.len();
        let (a, b) = (column[k], column[k + 1]);
        let r = (a * a + b * b).sqrt();
        let (c, s) = if r > 0.0 { (a / r, b / r) } else { (1.0, 0.0) };
        column[k] = r;
        column.truncate(k + 1);
        self.turns.push((c, s));
        let last = self.right[k];
        self.right[k] = c * last;
        self.right.push(-s * last);
        self.columns.push(column);
    }

    /// The parts of the best sum.
    fn solve(&self) -> Vec<f64> {
        let n = self.columns.len();
        let mut parts = self.right[..n].to_vec();
        for k in (0..n).rev() {
            for (column, part) in self.columns[k + 1..]
                .iter()
                .zip(parts.clone()[k + 1..].iter())
            {
                parts[k] -= column[k] * part;
            }
            parts[k] /= self.columns[k][k];
        }
        parts
    }
}

#[cfg(test)]
mod tests {
    use super::super::monodromy::Monodromy;
    use super::super::signal::{Clock, Signal};
    use super::super::spread::Changes;
    use super::super::step::Judged;
    use super::super::{Accuracy, Periodic, outcome::Effort};
    use super::*;
    use crate::circuit::{Circuit, Piece};
    use crate::system::assemble::Driven;
    use std::convert::Infallible;

    /// What the whole matrix says of a circuit, and what is said without it.
    fn both(text: &str) {
        let circuit = Circuit::from_text(text).unwrap();
        let Piece::Branch(k) = circuit.element("V1").unwrap().ports[0].piece else {
            panic!("no source");
        };
        let mut periodic =
            Periodic::new(&circuit, Driven::Voltage(k), Accuracy::default()).unwrap();
        let signal = Signal::sine(1e3, 2.0);
        let found = periodic
            .solve(&signal, || Ok::<(), ()>(()))
            .unwrap()
            .unwrap();
        let search = &mut periodic.search;
        let last = search.last.take().expect("found");
        let clock = Clock {
            period_s: 1e-3,
            cycles: 1,
            start_s: 0.0,
            rest: 0.0,
        };
        let driving = Driving {
            signal: &signal,
            clock,
        };
        let tolerance = search.tolerance(Some(&last.orbit));
        let columns = Changes::Columns((0..search.stepper.state.len()).collect());
        let memory = search.stepper.assembly.memory.clone();
        let pass = search.pass(
            &driving,
            (&last.orbit.times, &last.charge),
            Some(&last.orbit),
            Judged::exactly(&tolerance),
            &columns,
            &mut Effort::default(),
        );
        let pass = pass.unwrap();
        let scale = search.scale(&pass.orbit, &pass.weights);
        let whole = Monodromy::whole(pass.monodromy, &scale, 0.0);
        let moved: Vec<f64> = (0..scale.len()).map(|k| 1e-3 * (1.0 + k as f64)).collect();
        let expected = whole.correction(&moved, 1e-9).unwrap();
        let mut poll = || Ok::<(), Infallible>(());
        let mut linear = Linear::new(&mut search.stepper, driving, &pass.orbit, memory);
        let Ok(step) = linear.correction(&moved, &scale, &mut poll);
        let step = step.unwrap();
        let size = |v: &f64, s: &f64| (v / s).abs();
        let most = expected.iter().zip(&scale).map(|(v, s)| size(v, s));
        let most = most.fold(0.0, f64::max);
        for ((a, b), s) in step.iter().zip(&expected).zip(&scale) {
            assert!(size(&(a - b), s) < 1e-3 * most, "{step:?} {expected:?}");
        }
        let Ok(largest) = linear.largest(&mut poll);
        let largest = largest.unwrap().norm_sqr().sqrt();
        let growth = found.growth.unwrap();
        assert!(
            (largest - growth).abs() < 1e-4 * growth,
            "{largest} {growth}"
        );
    }

    #[test]
    fn corrections_and_growth_are_those_of_the_whole_matrix() {
        // Slow and fast, driven into conduction; a diode that conducts in a part of the period.
        both(
            "t\nV1 a 0 0\nR1 a b 1k\nC1 b c 1u\nR2 c 0 100k\nD1 c d dx\nR3 d 0 10k\nC2 d 0 10u\n\
             C3 d e 1n\nR4 e 0 10k\n.model dx d(is=1n)\n",
        );
        // Growing by e^(T/2 ms), and swinging: 1 mH with 100 nF.
        both("t\nV1 a 0 0\nR1 a out 2k\nR2 out 0 -1k\nC1 out 0 1u\nL1 out b 1m\nC2 b 0 100n\n");
        let mut ladder = String::from("t\nV1 n0 0 0\n");
        for k in 0..60 {
            ladder += &format!("R{k} n{k} n{} 1k\nC{k} n{} 0 100n\n", k + 1, k + 1);
        }
        both(&(ladder + "RL n60 0 10k\n"));
    }
}
