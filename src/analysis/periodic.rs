//! The steady state under a periodic drive, found directly.
//!
//! A period is integrated with Radau IIA of order five (`math::radau`), and with it the
//! monodromy matrix: what the circuit makes, in one period, of a small change of the charges
//! at its start. Newton then seeks the charges that come back to themselves (shooting:
//! T. J. Aprille and T. N. Trick, Proc. IEEE 60, 1972, p. 108; from memory). So a coupling
//! capacitor of any size costs nothing: what would take seconds of simulation is one linear
//! system. The steps of the period are laid out anew from pass to pass until the cubic
//! through each lies within the error allowed (as in collocation codes: U. Ascher,
//! J. Christiansen and R. D. Russell, Math. Comp. 33, 1979, p. 659; from memory).
//!
//! A supply fed from the mains takes part like any other source that moves: where its period and
//! the signal's have a common multiple, that is the period, and sag and hum are in the orbit. The
//! search starts from the cycle of `mains`, the supply charged.
//!
//! Where Newton does not lead there, plain periods are integrated until the circuit is at
//! rest, and the answer says so.

mod common_period;
mod mesh;
mod orbit;
mod step;

pub use common_period::Incommensurate;
pub use orbit::{Orbit, Wave};

use super::{NoSolution, mains, operating_point};
use crate::circuit::Circuit;
use crate::math::dense;
use crate::math::fun;
use crate::math::newton::Failure;
use crate::math::radau::STAGES;
use crate::system::assemble::{Assembly, Driven, SourceState};
use crate::system::audit::{Allowance, Auditor};
use crate::system::probe::Observable;
use mesh::Lengths;
use std::f64::consts::TAU;
use step::{Sources, Stepper};

/// How accurate an orbit is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Part of an unknown's amplitude by which it may be off at a time.
    pub relative: f64,
    /// The same in V, for nodes that hardly move.
    pub volts: f64,
    /// The same in A, for currents of inductors.
    pub amperes: f64,
}

impl Default for Accuracy {
    fn default() -> Self {
        Accuracy {
            relative: 1e-6,
            volts: 1e-9,
            amperes: 1e-12,
        }
    }
}

/// A signal of one or more sines that starts at zero and repeats.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// How often it repeats, Hz.
    pub base_hz: f64,
    /// Whole multiples of that frequency, and their peaks in V or A.
    pub parts: Vec<(u64, f64)>,
}

impl Signal {
    /// One sine.
    pub fn sine(freq_hz: f64, peak: f64) -> Self {
        Signal {
            base_hz: freq_hz,
            parts: vec![(1, peak)],
        }
    }

    /// Its value at a part of its period.
    fn value(&self, part: f64) -> f64 {
        let sine = |&(multiple, peak): &(u64, f64)| {
            let turns = part * multiple as f64;
            peak * fun::sin(TAU * (turns - turns.floor()))
        };
        self.parts.iter().map(sine).sum()
    }

    /// The same signal, so much larger.
    fn times(&self, factor: f64) -> Signal {
        let parts = self.parts.iter();
        Signal {
            base_hz: self.base_hz,
            parts: parts.map(|&(k, peak)| (k, factor * peak)).collect(),
        }
    }

    fn highest(&self) -> u64 {
        self.parts.iter().map(|p| p.0).max().unwrap_or(1)
    }
}

/// How a steady state was reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// By shooting.
    Direct,
    /// By integrating so many periods until nothing moved any more.
    Settled {
        /// Periods.
        periods: usize,
    },
}

/// What a steady state cost.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Effort {
    /// Evaluations of all laws, each at one moment; those of the operating point included
    /// where it was sought.
    pub evaluations: usize,
    /// Passes through the period.
    pub passes: usize,
    /// Steps in all passes.
    pub steps: usize,
    /// Steps that had to be divided because Newton did not settle.
    pub divided: usize,
}

/// The steady state, as far as it is known to whoever asked for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodicState {
    /// How it was reached.
    pub method: Method,
    /// What it cost.
    pub effort: Effort,
    /// Steps of the period.
    pub steps: usize,
    /// Cycles of the signal in the period: more than one where another source of the circuit
    /// moves with a frequency of its own.
    pub cycles: u64,
    /// By how much a small disturbance grows in one period, in the long run: the size of the
    /// largest multiplier. Above one the steady state is there but unstable: the circuit
    /// would leave it, to oscillate by itself. None where the periods were integrated.
    pub growth: Option<f64>,
    /// The largest distance between a cubic and its wave, in multiples of what is allowed.
    pub error: f64,
}

/// Why there is no steady state to tell.
#[derive(Debug, Clone, PartialEq)]
pub enum Trouble {
    /// A source of the circuit shares no period with the signal.
    Incommensurate(Incommensurate),
    /// No operating point, or a step that could not be solved.
    NoSolution(Box<NoSolution>),
    /// The common period of all sources is too long to be computed.
    TooLong {
        /// Steps that it would take.
        steps: usize,
    },
    /// Neither Newton nor so many periods led to rest.
    NotPeriodic {
        /// Periods integrated.
        periods: usize,
        /// Where the circuit still moves most from period to period.
        place: String,
        /// By how much, in `unit`.
        moves: f64,
        /// `V` or `A`.
        unit: &'static str,
    },
}

impl std::fmt::Display for Trouble {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Trouble::Incommensurate(i) => write!(f, "{i}"),
            Trouble::NoSolution(no) => write!(f, "{no}"),
            Trouble::TooLong { steps } => write!(
                f,
                "no steady state: its period would take {steps} steps, at most {MOST_STEPS} are made"
            ),
            Trouble::NotPeriodic {
                periods,
                place,
                moves,
                unit,
            } if !place.is_empty() => write!(
                f,
                "no steady state found: Newton does not settle, and after {periods} periods \
                 {place} worst moves by {} a period",
                crate::num::engineering(*moves, unit, 2)
            ),
            // Without any charge there is nothing that could move from period to period.
            Trouble::NotPeriodic { .. } => write!(
                f,
                "no steady state found: its flanks are too steep to be followed"
            ),
        }
    }
}

impl Trouble {
    /// What the user may try.
    pub fn hint(&self) -> &'static str {
        match self {
            Trouble::Incommensurate(_) | Trouble::TooLong { .. } => {
                "choose a frequency that shares a short period with it (beside the mains 400 Hz or 1 kHz), or set that source to a fixed value"
            }
            Trouble::NoSolution(no) => no.hint(),
            Trouble::NotPeriodic { .. } => {
                "look with `scope` whether the circuit oscillates by itself, or motorboats; try a lower level"
            }
        }
    }
}

impl From<Box<NoSolution>> for Trouble {
    fn from(no: Box<NoSolution>) -> Self {
        Trouble::NoSolution(no)
    }
}

/// Steps of the first pass in a cycle of the highest sine.
const FIRST: f64 = 48.0;
/// Steps in such a cycle at the least: a sine's cubics then stray by 4e-7 of its amplitude.
const LEAST: f64 = 36.0;
/// How far unknowns may be off in that pass, V or A.
const FIRST_V: f64 = 1e-5;
/// Steps of a period at the most.
const MOST_STEPS: usize = 200_000;
/// A step is divided so often by two before it is given up.
const DIVISIONS: usize = 24;
/// Passes of Newton before the periods are integrated instead.
const PASSES: usize = 30;
/// Periods that are integrated at the most.
const PERIODS: usize = 400;
/// Beside the mains unknowns may be off by so many times more: hum hides the rest, and a period
/// holds many cycles ...
const BESIDE_MAINS: f64 = 10.0;
/// ... and on the way there by so many times more again, at these parts of the signal: a supply
/// that sags takes Newton far from its start.
const APPROACH: (f64, [f64; 2]) = (10.0, [0.5, 1.0]);
/// Newton's corrections are believed down to this part of an amplitude, V or A besides.
const CLOSED: f64 = 1e-7;
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
const KEPT: f64 = 1.0;

/// A circuit whose steady states are sought, one after the other: each starts from the last.
#[derive(Debug)]
pub struct Periodic<'c> {
    stepper: Stepper<'c>,
    accuracy: Accuracy,
    /// Whether the mains feed a supply of the circuit.
    has_mains: bool,
    rest: f64,
    /// Unknowns at rest.
    rest_state: Vec<f64>,
    /// Charges there.
    rest_charge: Vec<f64>,
    rest_memory: Vec<f64>,
    /// Evaluations of the operating point, until they are told.
    unreported_evaluations: usize,
    last: Option<Last>,
}

/// The steady state found last.
#[derive(Debug, Clone)]
struct Last {
    signal: Signal,
    clock: Clock,
    charge: Vec<f64>,
    orbit: Orbit,
}

/// What the sources do in a period.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Clock {
    period_s: f64,
    cycles: u64,
    start_s: f64,
    rest: f64,
}

struct Driving<'a> {
    signal: &'a Signal,
    clock: Clock,
}

impl Sources for Driving<'_> {
    fn value(&self, time_s: f64) -> f64 {
        let cycles = time_s / self.clock.period_s * self.clock.cycles as f64;
        self.clock.rest + self.signal.value(cycles)
    }

    fn clock(&self, time_s: f64) -> f64 {
        self.clock.start_s + time_s
    }
}

/// One pass through the period.
struct Pass {
    orbit: Orbit,
    /// Charges at the end less those at the start, `[state]`, in V or A.
    moved: Vec<f64>,
    /// Charges at the end, `[n]`.
    end: Vec<f64>,
    /// The monodromy matrix, `[state * state]`, column by column, in V or A.
    monodromy: Vec<f64>,
    /// Charge of a volt or flux of an ampere, `[state]`.
    weights: Vec<f64>,
}

impl<'c> Periodic<'c> {
    /// For a circuit whose source `driven` is to move about its DC value. The operating point
    /// is sought here, or the mains cycle where the mains feed its supply; errors may then be ten
    /// times `accuracy`.
    ///
    /// # Errors
    /// If there is none.
    pub fn new(
        circuit: &'c Circuit,
        driven: Driven,
        mut accuracy: Accuracy,
    ) -> Result<Self, Box<NoSolution>> {
        let rest = common_period::dc_value(circuit, driven);
        let mut assembly = Assembly::new(circuit);
        assembly.external = Some((driven, rest));
        // A supply fed from the mains is charged: at t = 0 alone it would stand empty.
        let supply = mains::find(circuit).filter(|m| !m.sources.contains(&driven));
        let rest_state = match &supply {
            Some(mains) => mains::cycle(&mut assembly, mains)?.start().x.clone(),
            None => operating_point::solve(&mut assembly, SourceState::at(0.0), &[])?.x,
        };
        assembly.evaluate(&rest_state, SourceState::at(0.0), 0.0, false);
        if supply.is_some() {
            accuracy.relative *= BESIDE_MAINS;
        }
        Ok(Periodic {
            has_mains: supply.is_some(),
            rest,
            rest_state,
            rest_charge: assembly.q.clone(),
            rest_memory: assembly.memory.clone(),
            unreported_evaluations: assembly.evaluations,
            stepper: Stepper::new(assembly),
            accuracy,
            last: None,
        })
    }

    /// The circuit.
    pub fn circuit(&self) -> &'c Circuit {
        self.stepper.assembly.circuit
    }

    /// Unknowns at the operating point.
    pub fn rest_state(&self) -> &[f64] {
        &self.rest_state
    }

    /// Forgets the last steady state: the next one starts from the operating point.
    pub fn forget(&mut self) {
        self.last = None;
    }

    /// Seeks the steady state under a signal. `poll` is asked now and then whether to go on.
    ///
    /// # Errors
    /// See [`Trouble`]; the inner result is the poll's own.
    pub fn solve<E>(
        &mut self,
        signal: &Signal,
        mut poll: impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let driven = self.stepper.assembly.external.expect("driven").0;
        let common = common_period::common(self.circuit(), driven, signal.base_hz)
            .map_err(Trouble::Incommensurate)?;
        let clock = Clock {
            period_s: common.cycles as f64 / signal.base_hz,
            cycles: common.cycles,
            start_s: common.start_s,
            rest: self.rest,
        };
        let before = self.stepper.assembly.evaluations;
        let mut effort = Effort::default();
        let mut known = self.last.take().filter(|l| l.clock == clock);
        if self.has_mains && known.is_none() {
            let accuracy = self.accuracy;
            self.accuracy.relative *= APPROACH.0;
            for part in APPROACH.1 {
                let nearer = signal.times(part);
                // What fails here is told where the signal itself fails.
                if let Ok(Err(stopped)) =
                    self.newton(&nearer, clock, known.clone(), &mut effort, &mut poll)
                {
                    self.accuracy = accuracy;
                    return Ok(Err(stopped));
                }
                known = self.last.take().or(known);
            }
            self.accuracy = accuracy;
        }
        let mut done = self.newton(signal, clock, known.clone(), &mut effort, &mut poll);
        if done.is_err() && known.is_some() {
            // The start was to blame, perhaps, and not the circuit: once more from rest.
            done = self.newton(signal, clock, None, &mut effort, &mut poll);
        }
        let found = match done? {
            Ok(found) => found,
            Err(stopped) => return Ok(Err(stopped)),
        };
        effort.evaluations =
            self.stepper.assembly.evaluations - before + self.unreported_evaluations;
        self.unreported_evaluations = 0;
        Ok(Ok(PeriodicState { effort, ..found }))
    }

    /// The wave of a probe in the steady state found last.
    ///
    /// # Panics
    /// If none was found.
    pub fn wave(&mut self, probe: &Observable) -> Wave {
        let last = self.last.as_ref().expect("a steady state was found");
        let driving = Driving {
            signal: &last.signal,
            clock: last.clock,
        };
        last.orbit.wave(
            probe,
            &mut self.stepper.assembly,
            |t| driving.clock(t),
            |t| driving.value(t),
        )
    }

    fn newton<E>(
        &mut self,
        signal: &Signal,
        clock: Clock,
        known: Option<Last>,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let driving = Driving { signal, clock };
        let cycle = clock.period_s / (clock.cycles * signal.highest()) as f64;
        let lengths = Lengths::new(cycle / LEAST, !self.stepper.state.is_empty());
        let (mut charge, mut mesh, mut old) = match known {
            Some(last) => (last.charge, last.orbit.times.clone(), Some(last.orbit)),
            None => {
                self.stepper.assembly.memory.clone_from(&self.rest_memory);
                let steps = (clock.period_s / cycle * FIRST).round() as usize;
                if steps > MOST_STEPS {
                    return Err(Trouble::TooLong { steps });
                }
                (
                    self.rest_charge.clone(),
                    mesh::even(clock.period_s, steps),
                    None,
                )
            }
        };
        let mut trust = Trust {
            moved: f64::INFINITY,
            part: 1.0,
        };
        // What the last pass was corrected by, and whether this one has its mesh.
        let (mut last_off, mut kept) = (f64::INFINITY, false);
        for _ in 0..PASSES {
            if let Err(e) = poll() {
                return Ok(Err(e));
            }
            let memory = self.stepper.assembly.memory.clone();
            let tolerance = self.tolerance(old.as_ref());
            let pass = self.pass(&driving, &mesh, &charge, old.as_ref(), &tolerance, effort)?;
            let tolerance = self.tolerance(Some(&pass.orbit));
            let errors = mesh::errors(&pass.orbit, &tolerance, &self.stepper.differential, lengths);
            let error = errors.iter().copied().fold(0.0, f64::max);
            let scale = self.scale(&pass);
            let Some(step) = correction(&pass) else {
                break;
            };
            let off = worst(&step, &scale);
            let same_memory = memory == self.stepper.assembly.memory;
            let fine = error <= 2.0 * KEPT || mesh.len() > MOST_STEPS;
            // Seconds of settling in a millisecond's period: rounding comes back a thousandfold.
            let rounding = kept && off <= ROUNDED && off > 0.3 * last_off;
            if (off <= 1.0 || rounding) && fine && same_memory {
                return Ok(Ok(PeriodicState {
                    growth: Some(growth(&pass.monodromy, pass.moved.len())),
                    error,
                    ..self.keep(&driving, charge, pass.orbit)
                }));
            }
            let part = trust.part(worst(&pass.moved, &scale));
            for ((&k, s), w) in self.stepper.state.iter().zip(&step).zip(&pass.weights) {
                charge[k] += part * w * s;
            }
            last_off = off;
            kept = error <= KEPT;
            if !kept {
                mesh = mesh::adapted(&pass.orbit, &errors, lengths, MOST_STEPS);
            }
            old = Some(pass.orbit);
        }
        self.settle(signal, clock, effort, poll)
    }

    /// Integrates period after period from rest until nothing moves any more.
    fn settle<E>(
        &mut self,
        signal: &Signal,
        clock: Clock,
        effort: &mut Effort,
        poll: &mut impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let driving = Driving { signal, clock };
        let cycle = clock.period_s / (clock.cycles * signal.highest()) as f64;
        let lengths = Lengths::new(cycle / LEAST, !self.stepper.state.is_empty());
        let steps = (clock.period_s / cycle * FIRST).round() as usize;
        self.stepper.assembly.memory.clone_from(&self.rest_memory);
        let mut mesh = mesh::even(clock.period_s, steps);
        let mut charge = self.rest_charge.clone();
        let mut old: Option<Orbit> = None;
        let mut restless = (String::new(), f64::INFINITY, "V");
        for period in 1..=PERIODS {
            if let Err(e) = poll() {
                return Ok(Err(e));
            }
            let tolerance = self.tolerance(old.as_ref());
            let pass = self.pass(&driving, &mesh, &charge, old.as_ref(), &tolerance, effort)?;
            let tolerance = self.tolerance(Some(&pass.orbit));
            let errors = mesh::errors(&pass.orbit, &tolerance, &self.stepper.differential, lengths);
            let error = errors.iter().copied().fold(0.0, f64::max);
            let scale = self.scale(&pass);
            charge.clone_from(&pass.end);
            if worst(&pass.moved, &scale) <= 10.0 && error <= 2.0 * KEPT {
                return Ok(Ok(PeriodicState {
                    method: Method::Settled { periods: period },
                    error,
                    ..self.keep(&driving, charge, pass.orbit)
                }));
            }
            let size = |k: &usize| pass.moved[*k].abs() / scale[*k];
            let most = (0..scale.len()).max_by(|a, b| size(a).total_cmp(&size(b)));
            if let Some(k) = most {
                let assembly = &self.stepper.assembly;
                let row = self.stepper.state[k];
                let name = assembly.unknowns.name(assembly.circuit, row);
                let unit = match row < assembly.unknowns.nodes() {
                    true => "V",
                    false => "A",
                };
                restless = (name, pass.moved[k].abs(), unit);
            }
            if error > KEPT {
                mesh = mesh::adapted(&pass.orbit, &errors, lengths, MOST_STEPS);
            }
            old = Some(pass.orbit);
        }
        Err(Trouble::NotPeriodic {
            periods: PERIODS,
            place: restless.0,
            moves: restless.1,
            unit: restless.2,
        })
    }

    /// Keeps the steady state found.
    fn keep(&mut self, driving: &Driving<'_>, charge: Vec<f64>, orbit: Orbit) -> PeriodicState {
        let allowed = Allowance {
            part: self.accuracy.relative,
            ..ALLOWED
        };
        if let Some(mut auditor) = Auditor::new(self.circuit(), "steady state", allowed) {
            orbit.audit(
                &mut auditor,
                &mut self.stepper.assembly,
                |t| driving.clock(t),
                |t| driving.value(t),
            );
        }
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
    fn tolerance(&self, orbit: Option<&Orbit>) -> Vec<f64> {
        let nodes = self.stepper.assembly.unknowns.nodes();
        let n = self.rest_state.len();
        // Nothing is known yet of how far anything moves, and nothing of this pass is kept.
        let swings = orbit.map_or_else(|| vec![FIRST_V / self.accuracy.relative; n], Orbit::swings);
        (0..n)
            .map(|k| {
                let floor = match k < nodes {
                    true => self.accuracy.volts,
                    false => self.accuracy.amperes,
                };
                floor + self.accuracy.relative * swings[k]
            })
            .collect()
    }

    /// What counts as closed for each equation of the state, `[state]`, V or A: a part of the
    /// amplitude of the charge there, which its neighbours move too.
    fn scale(&self, pass: &Pass) -> Vec<f64> {
        let swings = pass.orbit.swings();
        let nodes = self.stepper.assembly.unknowns.nodes();
        let largest = swings[..nodes].iter().copied().fold(0.0, f64::max);
        let reach = self.stepper.reach(&swings, &pass.weights);
        let own = self.stepper.state.iter().zip(reach);
        own.map(|(&k, reach)| match k < nodes {
            // A bias that is off by a millionth of the signal is not heard in it.
            true => CLOSED * reach.max(1e-2 * largest) + self.accuracy.volts,
            false => CLOSED * reach + self.accuracy.amperes,
        })
        .collect()
    }

    /// Integrates the period from the charges at its start.
    fn pass(
        &mut self,
        driving: &Driving<'_>,
        mesh: &[f64],
        start: &[f64],
        old: Option<&Orbit>,
        tolerance: &[f64],
        effort: &mut Effort,
    ) -> Result<Pass, Trouble> {
        let stepper = &mut self.stepper;
        let n = start.len();
        let m = stepper.state.len();
        let mut orbit =
            Orbit::from(old.map_or_else(|| self.rest_state.clone(), |o| o.end().to_vec()));
        let mut charge = start.to_vec();
        let mut columns = vec![0.0; m * n];
        for (c, &k) in stepper.state.iter().enumerate() {
            columns[c * n + k] = 1.0;
        }
        let mut x = vec![0.0; STAGES * n];
        // Ends of steps still to be taken, the next one last.
        let mut ends: Vec<f64> = mesh[1..].iter().rev().copied().collect();
        let mut t = 0.0;
        let least = mesh[mesh.len() - 1] * 0.5f64.powi(DIVISIONS as i32) * 1e-3;
        while let Some(&end) = ends.last() {
            let h = end - t;
            let mut solved = Err(Failure::Singular(crate::math::lu::Singular {
                row: 0,
                column: 0,
            }));
            for retry in [false, true] {
                guess(&orbit, old.filter(|_| !retry), t, h, &mut x);
                if retry {
                    stepper.forget();
                }
                solved = stepper.solve(driving, (t, h), &charge, tolerance, &mut x);
                if solved.is_ok() {
                    break;
                }
            }
            if let Err(failure) = solved {
                effort.divided += 1;
                if h < least {
                    return Err(Trouble::NoSolution(Box::new(no_solution(
                        self.stepper.assembly.circuit,
                        failure,
                        n,
                        driving.clock(t),
                    ))));
                }
                ends.push(t + 0.5 * h);
                continue;
            }
            effort.steps += 1;
            stepper.carry(h, &mut columns);
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
        let mut monodromy = vec![0.0; m * m];
        for column in 0..m {
            for row in 0..m {
                monodromy[column * m + row] =
                    columns[column * n + state[row]] * weights[column] / weights[row];
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
/// start itself.
fn guess(orbit: &Orbit, old: Option<&Orbit>, t: f64, h: f64, x: &mut [f64]) {
    let n = orbit.start.len();
    let now = orbit.before(orbit.steps());
    let Some(old) = old else {
        for stage in x.chunks_exact_mut(n) {
            stage.copy_from_slice(now);
        }
        return;
    };
    let weights = |t: f64| {
        let (step, s) = old.find(t);
        (step, crate::math::radau::interpolate(s))
    };
    let (step, w) = weights(t);
    let moved: Vec<f64> = (0..n).map(|k| now[k] - old.weighed(step, w, k)).collect();
    for (stage, c) in x.chunks_exact_mut(n).zip(crate::math::radau::C) {
        let (step, w) = weights(t + c * h);
        for (k, x) in stage.iter_mut().enumerate() {
            *x = old.weighed(step, w, k) + moved[k];
        }
    }
}

/// Newton's correction of the charges at the start, (1 - M)^-1 moved, V or A; none if there is
/// no single answer.
fn correction(pass: &Pass) -> Option<Vec<f64>> {
    let m = pass.moved.len();
    let mut matrix: Vec<f64> = pass.monodromy.iter().map(|x| -x).collect();
    for k in 0..m {
        matrix[k * m + k] += 1.0;
    }
    let mut step = pass.moved.clone();
    let solved = dense::solve_columns(&mut matrix, &mut step);
    (solved && step.iter().all(|s| s.is_finite())).then_some(step)
}

/// The largest entry in multiples of its scale.
fn worst(values: &[f64], scale: &[f64]) -> f64 {
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
    fn part(&mut self, moved: f64) -> f64 {
        self.part = match moved > 4.0 * self.moved {
            true => (0.5 * self.part).max(0.1),
            false => (2.0 * self.part).min(1.0),
        };
        self.moved = moved;
        self.part
    }
}

/// The power of the matrix that its growth is taken from: two to this.
const DOUBLINGS: usize = 12;

/// The size of the largest eigenvalue of a matrix, from its powers (I. M. Gelfand's formula).
fn growth(matrix: &[f64], m: usize) -> f64 {
    if m == 0 {
        return 0.0;
    }
    let norm = |a: &[f64]| {
        let column = |c: &[f64]| c.iter().map(|x| x.abs()).sum::<f64>();
        a.chunks_exact(m).map(column).fold(0.0, f64::max)
    };
    // The logarithm of the norm of the power, and that of half of it.
    let mut power = matrix.to_vec();
    let (mut log, mut half) = (0.0, 0.0);
    let mut exponent = 1.0;
    for doubling in 0..=DOUBLINGS {
        let size = norm(&power);
        if size == 0.0 {
            return 0.0;
        }
        if !size.is_finite() {
            return f64::INFINITY;
        }
        power.iter_mut().for_each(|x| *x /= size);
        log += fun::ln(size);
        if doubling == DOUBLINGS {
            break;
        }
        half = log;
        log *= 2.0;
        exponent *= 2.0;
        let mut square = vec![0.0; m * m];
        for (column, to) in power.chunks_exact(m).zip(square.chunks_exact_mut(m)) {
            for (&factor, from) in column.iter().zip(power.chunks_exact(m)) {
                if factor != 0.0 {
                    for (t, f) in to.iter_mut().zip(from) {
                        *t += factor * f;
                    }
                }
            }
        }
        power = square;
    }
    // What the second half of the power added: constants of the norm have gone.
    fun::exp((log - half) / (0.5 * exponent))
}

fn no_solution(circuit: &Circuit, failure: Failure, n: usize, time_s: f64) -> NoSolution {
    let failure = match failure {
        Failure::Unsettled {
            unknown,
            equation,
            residual_ratio,
            iterations,
        } => Failure::Unsettled {
            unknown: unknown % n,
            equation,
            residual_ratio,
            iterations,
        },
        singular => singular,
    };
    let tried = vec!["shooting", "ever shorter steps"];
    NoSolution::new("steady state", circuit, &failure, tried, Some(time_s))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::bind::Timing;
    use crate::circuit::params::Overrides;
    use crate::circuit::{self, Piece};
    use crate::diag::Files;
    use crate::netlist::{self, loader::LoadProblem, loader::Loader};

    struct Text(&'static str);

    impl Loader for Text {
        fn load(&self, path: &str, _: Option<&str>) -> Result<(String, String), LoadProblem> {
            Ok((path.to_string(), self.0.to_string()))
        }
    }

    fn built(text: &'static str) -> Circuit {
        let mut sources = Files::default();
        let reading = netlist::read("test.cir", &Text(text), &mut sources);
        let settings = Overrides::default();
        circuit::build(&reading.netlist, &settings, Timing::default(), &mut sources)
            .unwrap_or_else(|problems| panic!("{problems:?}"))
            .circuit
    }

    /// The steady state with `V1` driven, found, and the wave at `out`.
    fn solved(circuit: &Circuit, signal: &Signal) -> Result<(PeriodicState, Wave), Trouble> {
        let driven = match circuit.element("V1").expect("there").ports[0].piece {
            Piece::Branch(k) => Driven::Voltage(k),
            _ => panic!("no source"),
        };
        let mut search = Periodic::new(circuit, driven, Accuracy::default())?;
        let found = search.solve(signal, || Ok::<(), ()>(()))?;
        let out = Observable::voltage(circuit, circuit.node("out").expect("there"));
        Ok((found.expect("nobody stops it"), search.wave(&out)))
    }

    /// 1 k and 1 u at 1 kHz behind a coupling capacitor that takes days to settle.
    #[test]
    fn a_huge_coupling_capacitor_costs_nothing() {
        let circuit = built("t\nV1 a 0 DC 5\nC1 a b 100\nRB b 0 10k\nR1 b out 1k\nC2 out 0 1u\n");
        let (found, wave) = solved(&circuit, &Signal::sine(1e3, 2.0)).unwrap();
        assert_eq!(found.method, Method::Direct);
        assert!(found.effort.passes <= 4, "{found:?}");
        let wrc = TAU * 1e3 * 1e-3;
        let (a, b) = wave.harmonic(1);
        // 2 sin through 1/(1 + j w R C); C1, of 1.6 u ohm, changes 2e-9 of it.
        let exact = (-2.0 * wrc / (1.0 + wrc * wrc), 2.0 / (1.0 + wrc * wrc));
        let peak = exact.0.hypot(exact.1);
        assert!(
            (a - exact.0).hypot(b - exact.1) < 1e-6 * peak,
            "{a} {b} {exact:?}"
        );
        assert!(wave.mean().abs() < 1e-6 * peak, "{}", wave.mean());
        for k in 2..=20 {
            assert!(wave.harmonic_rms(k) < 1e-7 * peak, "{k}");
        }
        // The slowest multiplier is that of 100 F into 10 k: e^-1e-9.
        assert!((found.growth.unwrap() - 1.0).abs() < 1e-8, "{found:?}");
    }

    /// R C R with a bias: q = 1e-6 v + 1e-8 v^2 is not there in SPICE, so a B source squares.
    #[test]
    fn the_parts_of_a_square_are_those_of_the_binomial() {
        let circuit = built("t\nV1 a 0 DC 1\nB1 out 0 V=v(a)*v(a)\nR1 out 0 1k\n");
        let (_, wave) = solved(&circuit, &Signal::sine(50.0, 3.0)).unwrap();
        // (1 + 3 sin)^2 = 1 + 4.5 + 6 sin - 4.5 cos 2x
        assert!((wave.mean() - 5.5).abs() < 1e-7);
        assert!((wave.harmonic(1).1 - 6.0).abs() < 1e-7);
        assert!((wave.harmonic(2).0 + 4.5).abs() < 1e-7);
        assert!(wave.harmonic_rms(3) < 1e-7);
    }

    #[test]
    fn another_source_with_a_common_period_moves_on() {
        let circuit =
            built("t\nV1 a 0 0\nV2 b 0 SIN(3 1 50 7m)\nR1 a out 1k\nR2 b out 1k\nC1 out 0 1u\n");
        let (found, wave) = solved(&circuit, &Signal::sine(1e3, 2.0)).unwrap();
        assert_eq!(found.cycles, 20);
        let half = |hz: f64| 0.5 / (1.0 + (TAU * hz * 5e-4).powi(2)).sqrt();
        let peak = |k| wave.harmonic_rms(k) * 2f64.sqrt();
        assert!((peak(1) - half(50.0)).abs() < 1e-6, "{}", peak(1));
        assert!((peak(20) - 2.0 * half(1e3)).abs() < 1e-6, "{}", peak(20));
        assert!((wave.mean() - 1.5).abs() < 1e-6);
    }

    #[test]
    fn a_source_without_a_common_period_is_named() {
        let circuit = built("t\nV1 a 0 0\nVHUM b 0 SIN(0 1 50)\nR1 a out 1k\nR2 b out 1k\n");
        let trouble = solved(&circuit, &Signal::sine(997.3, 1.0)).unwrap_err();
        assert!(matches!(trouble, Trouble::Incommensurate(_)));
        let text = trouble.to_string();
        assert!(text.contains("`VHUM`") && text.contains("50"), "{text}");
        // At rest it does not matter.
        let circuit = built("t\nV1 a 0 0\nVHUM b 0 SIN(3 0 50)\nR1 a out 1k\nR2 b out 1k\n");
        assert!(solved(&circuit, &Signal::sine(997.3, 1.0)).is_ok());
    }

    /// 2 k against -1 k leaves -2 k over 1 u: a disturbance grows by e^(T/2 ms).
    #[test]
    fn an_unstable_steady_state_is_told() {
        let circuit = built("t\nV1 a 0 0\nR1 a out 2k\nR2 out 0 -1k\nC1 out 0 1u\n");
        let (found, wave) = solved(&circuit, &Signal::sine(1e3, 1.0)).unwrap();
        assert!(
            (found.growth.unwrap() - 0.5f64.exp()).abs() < 1e-4,
            "{found:?}"
        );
        // The orbit is the linear answer all the same: 1/(2k (jwC - 1/2k)).
        let wrc = TAU * 1e3 * 2e-3;
        let peak = 1.0 / (1.0 + wrc * wrc).sqrt();
        assert!((wave.harmonic_rms(1) * 2f64.sqrt() - peak).abs() < 1e-6);
    }

    /// A switch with hysteresis turns on above 1.5 V and off below 0.5 V: asin gives the times.
    #[test]
    fn a_switch_that_remembers_comes_back_to_where_it_was() {
        let circuit = built(
            "t\nV1 a 0 0\nVS s 0 1\nS1 s out a 0 sw1\nR1 out 0 1k\n.model sw1 sw(vt=1 vh=0.5 ron=1m roff=1g)\n",
        );
        let (found, wave) = solved(&circuit, &Signal::sine(100.0, 2.0)).unwrap();
        assert_eq!(found.method, Method::Direct);
        // On from asin(0.75) to pi - asin(0.25), but for the width of the switch's band.
        let on = (std::f64::consts::PI - 0.25f64.asin() - 0.75f64.asin()) / TAU;
        assert!((wave.mean() - on).abs() < 2e-3, "{} {on}", wave.mean());
    }

    /// What plain periods settle to is what Newton finds.
    #[test]
    fn the_fallback_settles_to_the_same_state() {
        let circuit = built(
            "t\nV1 a 0 0\nR1 a b 1k\nC1 b 0 1u\nD1 b out dx\nR2 out 0 1k\nC2 out 0 1u\n.model dx d(is=1n)\n",
        );
        let signal = Signal::sine(1e3, 5.0);
        let (dc_value, wave) = solved(&circuit, &signal).unwrap();
        let Piece::Branch(k) = circuit.element("V1").unwrap().ports[0].piece else {
            panic!("no source");
        };
        let driven = Driven::Voltage(k);
        let mut search = Periodic::new(&circuit, driven, Accuracy::default()).unwrap();
        let clock = Clock {
            period_s: 1e-3,
            cycles: 1,
            start_s: 0.0,
            rest: 0.0,
        };
        let mut effort = Effort::default();
        let settled = search
            .settle(&signal, clock, &mut effort, &mut || Ok::<(), ()>(()))
            .unwrap()
            .unwrap();
        assert!(
            matches!(settled.method, Method::Settled { periods } if periods > dc_value.effort.passes)
        );
        let out = Observable::voltage(&circuit, circuit.node("out").unwrap());
        let other = search.wave(&out);
        let h1 = wave.harmonic_rms(1);
        for k in 1..=10 {
            let off = (wave.harmonic_rms(k) - other.harmonic_rms(k)).abs() / h1;
            assert!(off < 1e-6, "{k}: {off:e}");
        }
        assert!((wave.mean() - other.mean()).abs() < 1e-5);
    }

    /// Two waves in one signal.
    #[test]
    fn two_tones_meet_in_one_period() {
        let circuit = built("t\nV1 a 0 0\nB1 out 0 V=v(a)*v(a)\nR1 out 0 1k\n");
        let signal = Signal {
            base_hz: 1e3,
            parts: vec![(19, 1.0), (20, 1.0)],
        };
        let (_, wave) = solved(&circuit, &signal).unwrap();
        // 2 sin 19x sin 20x = cos x - cos 39x
        assert!((wave.harmonic(1).0 - 1.0).abs() < 1e-6);
        assert!((wave.harmonic(39).0 + 1.0).abs() < 1e-6);
    }
}
