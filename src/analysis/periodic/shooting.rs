//! Newton's search for the charges that come back to themselves.
//!
//! One solver serves a signal and the mains: what differs is in [`Tactics`]. Where a correction
//! leads astray, beside the mains the next period is left to run by itself: a supply that was
//! thrown far from its charge comes back a good way in one cycle.

use super::mesh::{self, Lengths};
use super::monodromy::Monodromy;
use super::orbit::{Orbit, Pass};
use super::outcome::{Accuracy, Effort, MOST_STEPS, Method, PeriodicState};
use super::signal::{Clock, Driving};
use super::step::Stepper;
use super::trouble::Trouble;
use crate::analysis::natural::{self, Stability};
use crate::analysis::periodic::Signal;
use crate::analysis::small_signal::SmallSignal;
use crate::math::growth::growth;
use crate::system::audit::{Allowance, Auditor};

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
const FAR: (f64, f64) = (1e5, 100.0);
const FAR_PLAIN: f64 = 10.0;
/// While the last correction was more than this, a mains cycle's steps are taken in passing: what
/// they leave over is far less than what the next correction changes.
const IN_PASSING: f64 = 300.0;
/// From this correction on a mains cycle's mesh is only refined, up to so many steps: one laid out
/// anew moves every flank a little, and the charges with it by more than what counts as closed.
const REFINED: (f64, usize) = (1e3, 2000);
/// A mains cycle's inductors are closed to this part of the largest of their currents: where a
/// push-pull pair is in balance the loudspeaker's is a microampere.
const NO_CURRENT: f64 = 1e-3;
/// A cycle that comes back to itself on so many meshes in a row does so whatever its flanks look
/// like: a winding between blocked diodes leaps from one potential to another.
const CLOSED_AGAIN: usize = 3;

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
    /// next one is halved) and a monodromy's growth is not asked for.
    pub mains: bool,
    /// Whether a mains cycle's steps are taken in passing, a monodromy serves for several passes,
    /// errors count by their time and a mesh is only refined at last. Where that fails the search
    /// is begun anew without.
    pub quick: bool,
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
        quick: false,
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
        quick: true,
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
    /// Where a neighbour's search may begin with it.
    pub monodromy: Option<Monodromy>,
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

/// Passes after which a quick search is given up, beside a neighbour and without one, and steps of
/// one: the whole Lapwing takes 14 passes. One of 20 amplifiers of `spread` never ended without.
const QUICK_PASSES: (usize, usize) = (10, 20);
const QUICK_STEPS: usize = 2000;
/// A search beside a neighbour that is so far off after so many passes leads nowhere: of ten, all
/// five that came to an end were nearer by then.
const LOST: (usize, f64) = (3, 1e5);

impl<'c> Search<'c> {
    /// Whether anything grows about unknowns near the point where the search begins.
    pub fn stability(&mut self, about: &[f64]) -> Stability {
        let Search { stepper, rest, .. } = self;
        let kept = stepper.assembly.memory.clone();
        stepper.assembly.memory.clone_from(&rest.memory);
        let mut small = SmallSignal::new(&mut stepper.assembly, about);
        stepper.assembly.memory = kept;
        natural::stability(&mut small)
    }

    /// The swing, Hz, zero if it runs away, of a circuit that leaves its bias point faster than a
    /// cycle lasts, with its supply as the search began with it: no cycle comes to repeat itself,
    /// which took minutes to see.
    pub fn leaves(&mut self, mains_hz: f64) -> Option<f64> {
        let (swing_hz, growth_per_s) = match self.stability(&self.rest.x.clone()) {
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
        let mut lengths = Lengths::new(cycle / tactics.least, !self.stepper.state.is_empty());
        lengths.by_time = tactics.quick;
        let (mut charge, mut mesh, mut old, near) = match known {
            Some(last) => {
                let mesh = last.orbit.times.clone();
                (last.charge, mesh, Some(last.orbit), last.monodromy)
            }
            None => {
                self.stepper.assembly.memory.clone_from(&self.rest.memory);
                let steps = (period_s / cycle * tactics.first).round() as usize;
                if steps > MOST_STEPS {
                    return Err(Trouble::TooLong { steps });
                }
                let mesh = mesh::even(period_s, steps);
                (self.rest.charge.clone(), mesh, None, None)
            }
        };
        let mut trust = Trust {
            moved: f64::INFINITY,
            part: 1.0,
        };
        // What the last pass was corrected by, and whether this one has its mesh.
        let (mut last_off, mut kept) = (f64::INFINITY, false);
        let mut closed_before = 0;
        let mut known = old.is_some();
        let state = self.stepper.state.len();
        let mut monodromy = near;
        let beside = known;
        let passes = match (tactics.quick, known) {
            (true, true) => QUICK_PASSES.0,
            (true, false) => QUICK_PASSES.1,
            (false, _) => tactics.passes,
        };
        for made in 0..passes {
            if let Err(e) = poll() {
                return Ok(Err(e));
            }
            let lost = beside && made >= LOST.0 && last_off > LOST.1;
            if tactics.quick && (lost || mesh.len() > QUICK_STEPS) {
                break;
            }
            let memory = self.stepper.assembly.memory.clone();
            let far = tactics.mains && last_off > FAR.0 && !known;
            known = false;
            let looser = match far {
                true if tactics.quick => FAR.1,
                true => FAR_PLAIN,
                false => 1.0,
            };
            let mut tolerance = self.tolerance(old.as_ref());
            tolerance.iter_mut().for_each(|t| *t *= looser);
            let columns = match &monodromy {
                Some(known) => known.due(state),
                None => (0..state).collect(),
            };
            let in_passing = tactics.quick && old.is_some() && last_off > IN_PASSING;
            let mut pass = self.pass(
                &driving,
                (&mesh, &charge),
                old.as_ref(),
                (&tolerance, in_passing),
                &columns,
                effort,
            )?;
            let mut tolerance = self.tolerance(Some(&pass.orbit));
            tolerance.iter_mut().for_each(|t| *t *= looser);
            let errors = mesh::errors(&pass.orbit, &tolerance, &self.stepper.differential, lengths);
            let error = errors.iter().copied().fold(0.0, f64::max);
            let scale = self.scale(&pass);
            let carried = std::mem::take(&mut pass.monodromy);
            let m = match monodromy.take() {
                Some(mut known) => {
                    known.renew(&columns, carried, &pass.moved, &scale);
                    monodromy.insert(known)
                }
                None => monodromy.insert(Monodromy::whole(carried, &scale)),
            };
            let Some(step) = m.correction(&pass.moved, tactics.mains) else {
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
            let moved = worst(&pass.moved, &scale);
            let closed = (off <= 1.0 || rounding) && fine && same_memory && !in_passing;
            if closed {
                let largest = (!tactics.mains).then(|| growth(m.matrix(), pass.moved.len()));
                let m = monodromy.filter(|_| tactics.mains);
                return Ok(Ok(Some(PeriodicState {
                    growth: largest,
                    error,
                    ..self.keep(&driving, charge, pass.orbit, m)
                })));
            }
            let applied = if tactics.mains && moved > ASTRAY * trust.moved {
                charge.clone_from(&pass.end);
                trust.moved = moved;
                pass.moved.clone()
            } else {
                let part = trust.part(moved, tactics.mains);
                for ((&k, s), w) in self.stepper.state.iter().zip(&step).zip(&pass.weights) {
                    charge[k] += part * w * s;
                }
                step
            };
            if tactics.quick {
                m.applied(applied, &pass.moved);
                m.decide(off, last_off, !columns.is_empty(), same_memory);
            } else {
                m.renew_all();
            }
            last_off = off;
            kept = error <= KEPT;
            if !kept {
                mesh = if lengths.by_time && off <= REFINED.0 && pass.orbit.steps() < REFINED.1 {
                    mesh::refined(&pass.orbit, &errors, lengths)
                } else {
                    mesh::adapted(&pass.orbit, &errors, lengths, MOST_STEPS)
                };
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
        monodromy: Option<Monodromy>,
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
            monodromy,
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
        let currents = match self.tactics.mains {
            true => swings[nodes..].iter().copied().fold(0.0, f64::max),
            false => 0.0,
        };
        let reach = self.stepper.reach(&swings, &pass.weights);
        let closed = self.tactics.closed;
        let own = self.stepper.state.iter().zip(reach);
        own.map(|(&k, reach)| {
            if k < nodes {
                // A bias that is off by a millionth of the signal is not heard in it.
                closed * reach.max(1e-2 * largest) + self.accuracy.volts
            } else {
                closed * reach.max(NO_CURRENT * currents) + self.accuracy.amperes
            }
        })
        .collect()
    }
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
