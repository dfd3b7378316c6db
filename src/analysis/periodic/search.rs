//! A circuit whose steady states are sought: where a search begins, what it may be off by, and what
//! it found.

use super::monodromy::Monodromy;
use super::orbit::Orbit;
use super::outcome::{Accuracy, Effort, Method, PeriodicState};
use super::signal::{Clock, Driving, Signal, Sources};
use super::step::Stepper;
use super::tactics::Tactics;
use crate::analysis::natural::{self, Stability};
use crate::analysis::small_signal::SmallSignal;
use crate::system::audit::{Allowance, Auditor};

/// How far unknowns may be off in the first pass, V or A.
const FIRST_V: f64 = 1e-5;
/// What the audit accepts besides the part of an amplitude that [`Accuracy`] leaves: a step is
/// settled by the Newton step that would come next, so currents are as uncertain as voltages.
const ALLOWED: Allowance = Allowance {
    part: 0.0,
    known: 1e-11,
    volts: 1e-9,
};
/// A mains cycle's inductors are closed to this part of the largest of their currents: where a
/// push-pull pair is in balance the loudspeaker's is a microampere.
const NO_CURRENT: f64 = 1e-3;

/// A state from which periods can be run.
#[derive(Debug, Clone)]
pub struct Rest {
    /// Unknowns, `[n]`.
    pub x: Vec<f64>,
    /// Charges, `[n]`.
    pub charge: Vec<f64>,
    /// Discrete states of the laws.
    pub memory: Vec<f64>,
}

/// The steady state found last.
#[derive(Debug, Clone)]
pub struct Last {
    pub signal: Signal,
    pub clock: Clock,
    pub charge: Vec<f64>,
    pub orbit: Orbit,
    /// Where a neighbour's search may begin with it.
    pub monodromy: Option<Monodromy>,
}

/// A circuit whose steady states are sought.
#[derive(Debug, Clone)]
pub struct Search<'c> {
    pub stepper: Stepper<'c>,
    pub accuracy: Accuracy,
    pub tactics: Tactics,
    /// Where a search without a known neighbour begins.
    pub rest: Rest,
    pub last: Option<Last>,
    /// See [`super::monodromy::Monodromy::correction`].
    pub keeps: f64,
}

impl Search<'_> {
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
    pub fn scale(&self, orbit: &Orbit, weights: &[f64]) -> Vec<f64> {
        let swings = orbit.swings();
        let nodes = self.stepper.assembly.unknowns.nodes();
        let largest = swings[..nodes].iter().copied().fold(0.0, f64::max);
        let currents = if self.tactics.mains {
            swings[nodes..].iter().copied().fold(0.0, f64::max)
        } else {
            0.0
        };
        let reach = self.stepper.reach(&swings, weights);
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
pub fn worst(values: &[f64], scale: &[f64]) -> f64 {
    let ratios = values.iter().zip(scale).map(|(v, s)| v.abs() / s);
    ratios.fold(0.0, f64::max)
}
