//! One pass through a period, and what it makes of small changes at its start.

use super::mesh::{self, Lengths};
use super::orbit::{Orbit, Pass};
use super::outcome::Effort;
use super::search::Search;
use super::signal::{Driving, Sources};
use super::spread::Changes;
use super::step::Judged;
use super::trouble::{self, Trouble};
use crate::math::lu::Singular;
use crate::math::newton::Failure;
use crate::math::radau::{self, STAGES};

/// How often a step is divided by two before it is given up.
const DIVISIONS: usize = 24;
/// Where steps that stray too far are divided, a pass has at most N times as many more as its mesh.
const MOST_MORE: usize = 3;

impl Search<'_> {
    /// Integrates the period over the mesh from the charges at its start; what becomes of `changes`
    /// comes with it.
    pub fn pass(
        &mut self,
        driving: &Driving<'_>,
        (mesh, start): (&[f64], &[f64]),
        old: Option<&Orbit>,
        judged: Judged<'_>,
        changes: &Changes,
        effort: &mut Effort,
    ) -> Result<Pass, Trouble> {
        let divides = self.tactics.divides && old.is_some();
        let lengths = Lengths::new(driving.shortest_s() / self.tactics.least, true);
        let mut allowance = if divides { MOST_MORE * mesh.len() } else { 0 };
        let stepper = &mut self.stepper;
        let n = start.len();
        let m = stepper.state.len();
        let mut orbit = Orbit::from(old.map_or_else(|| self.rest.x.clone(), |o| o.end().to_vec()));
        let mut charge = start.to_vec();
        let carries = changes.columns() > 0;
        let mut spread =
            (changes.count() > 0).then(|| changes.spread(n, &stepper.state, &stepper.weights()));
        let mut x = vec![0.0; STAGES * n];
        let mut stood = x.clone();
        let quick = self.tactics.quick;
        let mut moves = vec![!quick; n];
        stepper.state.iter().for_each(|&k| moves[k] = true);
        // Ends of steps still to be taken, the next one last.
        let mut ends: Vec<f64> = mesh[1..].iter().rev().copied().collect();
        let mut t = 0.0;
        let least = mesh[mesh.len() - 1] * 0.5f64.powi(DIVISIONS as i32) * 1e-3;
        while let Some(&end) = ends.last() {
            let h = end - t;
            let mut solved = Err(Failure::Singular(Singular { row: 0, column: 0 }));
            for retry in [false, true] {
                let old = old.filter(|_| !retry);
                let moved = guess(&orbit, old, &moves, (t, h), &mut x);
                if let Some(moved) = moved.filter(|_| quick) {
                    stood.copy_from_slice(&x);
                    for stage in stood.chunks_exact_mut(n) {
                        stage.iter_mut().zip(&moved).for_each(|(x, m)| *x -= m);
                    }
                    stepper.stand_at(&stood);
                }
                if retry {
                    stepper.forget();
                }
                let judged = Judged {
                    in_passing: judged.in_passing && !retry,
                    ..judged
                };
                solved = stepper.solve(driving, (t, h), &charge, judged, carries, &mut x);
                if solved.is_ok() {
                    break;
                }
            }
            if let Err(failure) = solved {
                effort.divided += 1;
                if h < least {
                    return Err(Trouble::NoSolution(Box::new(trouble::no_solution(
                        self.stepper.assembly.circuit,
                        failure,
                        n,
                        driving.clock(t),
                    ))));
                }
                ends.push(t + 0.5 * h);
                continue;
            }
            if divides && allowance > 0 {
                let counts = &stepper.differential;
                let to = (h, &x[(STAGES - 1) * n..]);
                let parts = mesh::parts(&orbit, to, judged.tolerance, counts, lengths);
                if parts > 1 {
                    effort.astray += 1;
                    allowance = allowance.saturating_sub(parts);
                    ends.extend((1..parts).rev().map(|p| t + h * p as f64 / parts as f64));
                    continue;
                }
            }
            effort.steps += 1;
            if let Some(spread) = &mut spread {
                stepper.carry(h, spread);
            }
            charge.copy_from_slice(stepper.charge_at_end());
            orbit.stages.extend_from_slice(&x);
            orbit.times.push(end);
            stepper.assembly.settle_memory(&x[(STAGES - 1) * n..]);
            orbit.memory.push(stepper.assembly.memory.clone());
            t = end;
            ends.pop();
        }
        effort.passes += 1;
        let weights = stepper.weights();
        let state = &stepper.state;
        let moved = (0..m)
            .map(|i| (charge[state[i]] - start[state[i]]) / weights[i])
            .collect();
        let mut monodromy = Vec::new();
        if let Some(spread) = &spread {
            monodromy.reserve(changes.count() * m);
            for change in 0..changes.count() {
                let size = match changes {
                    Changes::Columns(columns) => weights[columns[change]],
                    Changes::Along(_) => 1.0,
                };
                let own = (0..m).map(|row| spread.of(change, state[row]) * size / weights[row]);
                monodromy.extend(own);
            }
        }
        Ok(Pass {
            orbit,
            moved,
            end: charge,
            monodromy,
            weights,
        })
    }
}

/// A guess of a step's stages: the old orbit moved by what the start has moved, or else the
/// start itself. What was added to the old orbit comes back.
fn guess(
    orbit: &Orbit,
    old: Option<&Orbit>,
    moves: &[bool],
    (t, h): (f64, f64),
    x: &mut [f64],
) -> Option<Vec<f64>> {
    let n = orbit.start.len();
    let now = orbit.before(orbit.steps());
    let Some(old) = old else {
        for stage in x.chunks_exact_mut(n) {
            stage.copy_from_slice(now);
        }
        return None;
    };
    let weights = |t: f64| {
        let (step, s) = old.find(t);
        (step, radau::interpolate(s))
    };
    let (step, w) = weights(t);
    let moved: Vec<f64> = (0..n)
        .map(|k| {
            if moves[k] {
                now[k] - old.weighed(step, w, k)
            } else {
                0.0
            }
        })
        .collect();
    for (stage, c) in x.chunks_exact_mut(n).zip(radau::C) {
        let (step, w) = weights(t + c * h);
        for (k, x) in stage.iter_mut().enumerate() {
            *x = old.weighed(step, w, k) + moved[k];
        }
    }
    Some(moved)
}
