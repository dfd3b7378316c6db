//! Newton's search for the charges that come back to themselves.
//!
//! One solver serves a signal and the mains: what differs is in [`Tactics`]. Where a correction
//! leads astray, beside the mains the next period is left to run by itself: a supply that was
//! thrown far from its charge comes back a good way in one cycle.

use super::mesh::{self, Lengths};
use super::orbit::Orbit;
use super::pass::Pass;
use super::signal::{Clock, Driving};
use super::step::Stepper;
use super::trouble::Trouble;
use super::{Accuracy, Effort, Method, PeriodicState};
use crate::analysis::natural::{self, Stability};
use crate::analysis::periodic::Signal;
use crate::analysis::small_signal::SmallSignal;
use crate::math::dense;
use crate::math::growth::growth;
use crate::system::audit::{Allowance, Auditor};

/// Steps of a period at most.
pub(super) const MOST_STEPS: usize = 200_000;
/// How far unknowns may be off in the first pass, V or A.
const FIRST_V: f64 = 1e-5;
/// Corrections that no longer shrink on the same mesh are rounding; they are accepted up to
/// this multiple.
const ROUNDED: f64 = 100.0;
/// What the audit accepts besides the part of an amplitude that [`Accuracy`] leaves: a step is
/// settled by the Newton step that would come next, so currents are as uncertain as voltages.
const ALLOWED: Allowance = Allowance {
    part: 0.0,
    known: 1e-11,
    volts: 1e-9,
};
/// The mesh is kept while no step strays by more than this, in multiples of what is allowed.
pub(super) const KEPT: f64 = 1.0;
/// A movement so many times larger than the last period's says that the correction led astray.
const ASTRAY: f64 = 3.0;
/// Far from the answer, where the last correction was more than this in multiples of what counts as
/// closed, a mains cycle may stray by so many times more.
const FAR: (f64, f64) = (1e5, 10.0);
/// A cycle that comes back to itself on so many meshes in a row does so whatever its flanks look
/// like: a winding between blocked diodes leaps from one potential to another.
const CLOSED_AGAIN: usize = 3;
/// While corrections fall to this part of the last one, the last monodromy serves again.
const SHRINKS: f64 = 0.1;

/// How a steady state is sought.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tactics {
    /// Steps of the first pass in a cycle of the highest sine.
    pub first: f64,
    /// Steps in such a cycle at least: with 36 a sine's cubics stray by 4e-7 of its amplitude.
    pub least: f64,
    /// Newton's corrections are believed down to this part of an amplitude, V or A besides.
    pub closed: f64,
    /// Passes of Newton before the search is given up.
    pub passes: usize,
    /// Whether a period that closes on [`CLOSED_AGAIN`] meshes in a row is accepted whatever its
    /// flanks look like.
    pub leaps: bool,
    /// Whether a period is left to run by itself after a correction that led astray (or else the
    /// next one is halved), a monodromy serves for several passes and its growth is not asked for.
    pub mains: bool,
}

impl Tactics {
    /// Under a signal.
    pub const SIGNAL: Tactics = Tactics {
        first: 48.0,
        least: 36.0,
        closed: 1e-7,
        passes: 30,
        leaps: false,
        mains: false,
    };
    /// Under a signal, where the mains feed a supply.
    pub const BESIDE_MAINS: Tactics = Tactics {
        closed: 1e-6,
        leaps: true,
        ..Tactics::SIGNAL
    };
    /// In a mains cycle.
    pub const MAINS: Tactics = Tactics {
        first: 48.0,
        least: 36.0,
        closed: 1e-5,
        passes: 40,
        leaps: true,
        mains: true,
    };
}

/// A state from which periods can be run.
#[derive(Debug, Clone)]
pub(super) struct Rest {
    /// Unknowns, `[n]`.
    pub x: Vec<f64>,
    /// Charges, `[n]`.
    pub charge: Vec<f64>,
    /// Discrete states of the laws.
    pub memory: Vec<f64>,
}

/// The steady state found last.
#[derive(Debug, Clone)]
pub(super) struct Last {
    pub signal: Signal,
    pub clock: Clock,
    pub charge: Vec<f64>,
    pub orbit: Orbit,
}

/// A circuit whose steady states are sought.
#[derive(Debug)]
pub(super) struct Search<'c> {
    pub stepper: Stepper<'c>,
    pub accuracy: Accuracy,
    pub tactics: Tactics,
    /// Where a search without a known neighbour begins.
    pub rest: Rest,
    pub last: Option<Last>,
}

/// Passes, or steps of one, after which a mains cycle that is still sought may belong to an
/// amplifier that oscillates: the whole Lapwing takes 14 passes.
const LATE: (usize, usize) = (16, 2000);

impl<'c> Search<'c> {
    /// Whether anything grows about the point where the search begins.
    pub fn stability(&mut self) -> Stability {
        let Search { stepper, rest, .. } = self;
        let kept = stepper.assembly.memory.clone();
        stepper.assembly.memory.clone_from(&rest.memory);
        let mut small = SmallSignal::new(&mut stepper.assembly, &rest.x);
        stepper.assembly.memory = kept;
        natural::stability(&mut small)
    }

    /// The swing, Hz, zero if it runs away, of a circuit that leaves its bias point faster than a
    /// cycle lasts, with its supply as the search began with it: no cycle comes to repeat itself,
    /// which took minutes to see.
    pub fn leaves(&mut self, mains_hz: f64) -> Option<f64> {
        let (swing_hz, growth_per_s) = match self.stability() {
            Stability::Oscillates {
                freq_hz,
                growth_per_s,
            } => (freq_hz, growth_per_s),
            Stability::RunsAway { growth_per_s } => (0.0, growth_per_s),
            _ => return None,
        };
        (growth_per_s > mains_hz).then_some(swing_hz)
    }

    /// Seeks the steady state by Newton; none if that does not lead there.
    pub fn newton<E>(
        &mut self,
        driving: Driving<'_>,
        known: Option<Last>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<Option<PeriodicState>, E>, Trouble> {
        let Clock { period_s, .. } = driving.clock;
        let tactics = self.tactics;
        let cycle = driving.shortest_s();
        let lengths = Lengths::new(cycle / tactics.least, !self.stepper.state.is_empty());
        let (mut charge, mut mesh, mut old) = match known {
            Some(last) => (last.charge, last.orbit.times.clone(), Some(last.orbit)),
            None => {
                self.stepper.assembly.memory.clone_from(&self.rest.memory);
                let steps = (period_s / cycle * tactics.first).round() as usize;
                if steps > MOST_STEPS {
                    return Err(Trouble::TooLong { steps });
                }
                (self.rest.charge.clone(), mesh::even(period_s, steps), None)
            }
        };
        let mut trust = Trust {
            moved: f64::INFINITY,
            part: 1.0,
        };
        // What the last pass was corrected by, and whether this one has its mesh.
        let (mut last_off, mut kept) = (f64::INFINITY, false);
        let mut known_monodromy: Option<Vec<f64>> = None;
        let mut closed_before = 0;
        let mut known = old.is_some();
        let mut looked = false;
        for made in 0..tactics.passes {
            if let Err(e) = poll() {
                return Ok(Err(e));
            }
            if tactics.mains && !looked && (made >= LATE.0 || mesh.len() > LATE.1) {
                looked = true;
                if self.leaves(1.0 / period_s).is_some() {
                    break;
                }
            }
            let memory = self.stepper.assembly.memory.clone();
            let far = tactics.mains && last_off > FAR.0 && !known;
            known = false;
            let looser = if far { FAR.1 } else { 1.0 };
            let mut tolerance = self.tolerance(old.as_ref());
            tolerance.iter_mut().for_each(|t| *t *= looser);
            let carries = known_monodromy.is_none();
            let mut pass = self.pass(
                &driving,
                (&mesh, &charge),
                old.as_ref(),
                &tolerance,
                carries,
                effort,
            )?;
            if let Some(monodromy) = known_monodromy.take() {
                pass.monodromy = monodromy;
            }
            let mut tolerance = self.tolerance(Some(&pass.orbit));
            tolerance.iter_mut().for_each(|t| *t *= looser);
            let errors = mesh::errors(&pass.orbit, &tolerance, &self.stepper.differential, lengths);
            let error = errors.iter().copied().fold(0.0, f64::max);
            let scale = self.scale(&pass);
            let Some(step) = correction(&pass, tactics.mains) else {
                break;
            };
            let off = worst(&step, &scale);
            let same_memory = memory == self.stepper.assembly.memory;
            closed_before = if off <= 1.0 { closed_before + 1 } else { 0 };
            let fine = looser * error <= 2.0 * KEPT
                || mesh.len() > MOST_STEPS
                || tactics.leaps && closed_before >= CLOSED_AGAIN;
            // Seconds of settling in a millisecond's period: rounding comes back a thousandfold.
            let rounding = kept && off <= ROUNDED && off > 0.3 * last_off;
            if (off <= 1.0 || rounding) && fine && same_memory {
                let largest = (!tactics.mains).then(|| growth(&pass.monodromy, pass.moved.len()));
                return Ok(Ok(Some(PeriodicState {
                    growth: largest,
                    error,
                    ..self.keep(&driving, charge, pass.orbit)
                })));
            }
            let moved = worst(&pass.moved, &scale);
            if tactics.mains && moved > ASTRAY * trust.moved {
                charge.clone_from(&pass.end);
                trust.moved = moved;
            } else {
                let part = trust.part(moved, tactics.mains);
                for ((&k, s), w) in self.stepper.state.iter().zip(&step).zip(&pass.weights) {
                    charge[k] += part * w * s;
                }
                if tactics.mains && off <= SHRINKS * last_off && same_memory {
                    known_monodromy = Some(pass.monodromy);
                }
            }
            last_off = off;
            kept = error <= KEPT;
            if !kept {
                mesh = mesh::adapted(&pass.orbit, &errors, lengths, MOST_STEPS);
            }
            old = Some(pass.orbit);
        }
        Ok(Ok(None))
    }

    /// Keeps the steady state found.
    pub fn keep(
        &mut self,
        driving: &Driving<'_>,
        charge: Vec<f64>,
        mut orbit: Orbit,
    ) -> PeriodicState {
        let allowed = Allowance {
            part: self.accuracy.relative,
            ..ALLOWED
        };
        let circuit = self.stepper.assembly.circuit;
        let analysis = if self.tactics.mains {
            "mains cycle"
        } else {
            "steady state"
        };
        if let Some(mut auditor) = Auditor::new(circuit, analysis, allowed) {
            use super::step::Sources;
            orbit.audit(
                &mut auditor,
                &mut self.stepper.assembly,
                |t| driving.clock(t),
                |t| driving.value(t),
            );
        }
        // It began at the corrected charges, but its start is still the end of the pass before: what
        // capacitors take in the first step would be that correction.
        orbit.start = orbit.end().to_vec();
        let found = PeriodicState {
            method: Method::Direct,
            effort: Effort::default(),
            steps: orbit.steps(),
            cycles: driving.clock.cycles,
            growth: None,
            error: 0.0,
        };
        self.last = Some(Last {
            signal: driving.signal.clone(),
            clock: driving.clock,
            charge,
            orbit,
        });
        found
    }

    /// By how much each unknown may be off, `[n]`.
    pub fn tolerance(&self, orbit: Option<&Orbit>) -> Vec<f64> {
        let nodes = self.stepper.assembly.unknowns.nodes();
        let n = self.rest.x.len();
        // Nothing is known yet of how far anything moves, and nothing of this pass is kept.
        let swings = orbit.map_or_else(|| vec![FIRST_V / self.accuracy.relative; n], Orbit::swings);
        (0..n)
            .map(|k| {
                let floor = if k < nodes {
                    self.accuracy.volts
                } else {
                    self.accuracy.amperes
                };
                floor + self.accuracy.relative * swings[k]
            })
            .collect()
    }

    /// What counts as closed for each equation of the state, `[state]`, V or A: a part of the
    /// amplitude of the charge there, which its neighbours move too.
    pub fn scale(&self, pass: &Pass) -> Vec<f64> {
        let swings = pass.orbit.swings();
        let nodes = self.stepper.assembly.unknowns.nodes();
        let largest = swings[..nodes].iter().copied().fold(0.0, f64::max);
        let reach = self.stepper.reach(&swings, &pass.weights);
        let closed = self.tactics.closed;
        let own = self.stepper.state.iter().zip(reach);
        own.map(|(&k, reach)| {
            if k < nodes {
                // A bias that is off by a millionth of the signal is not heard in it.
                closed * reach.max(1e-2 * largest) + self.accuracy.volts
            } else {
                closed * reach + self.accuracy.amperes
            }
        })
        .collect()
    }
}

/// Newton's correction of the charges at the start, (1 - M)^-1 moved, V or A; none if there is
/// no single answer. With `keeps` what does not move by itself (a capacitor that nothing
/// discharges) is kept where it is.
fn correction(pass: &Pass, keeps: bool) -> Option<Vec<f64>> {
    let m = pass.moved.len();
    let mut matrix: Vec<f64> = pass.monodromy.iter().map(|x| -x).collect();
    let own = if keeps { 1.0 + 1e-9 } else { 1.0 };
    for k in 0..m {
        matrix[k * m + k] += own;
    }
    let mut step = pass.moved.clone();
    let solved = dense::solve_columns(&mut matrix, &mut step);
    (solved && step.iter().all(|s| s.is_finite())).then_some(step)
}

/// The largest entry in multiples of its scale.
pub(super) fn worst(values: &[f64], scale: &[f64]) -> f64 {
    let ratios = values.iter().zip(scale).map(|(v, s)| v.abs() / s);
    ratios.fold(0.0, f64::max)
}

/// How much of Newton's corrections is taken: less after one that led astray.
#[derive(Debug)]
struct Trust {
    /// The largest movement in the last period, in multiples of what counts as closed.
    moved: f64,
    part: f64,
}

impl Trust {
    fn part(&mut self, moved: f64, whole: bool) -> f64 {
        self.part = if whole {
            1.0
        } else if moved > 4.0 * self.moved {
            (0.5 * self.part).max(0.1)
        } else {
            (2.0 * self.part).min(1.0)
        };
        self.moved = moved;
        self.part
    }
}
