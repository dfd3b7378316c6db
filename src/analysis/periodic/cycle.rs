//! The mains cycle that repeats itself: a supply's steady state with nothing playing.
//!
//! It is found by the same shooting as any steady state, started from `mains`' own guess, all
//! other sources at their DC values. What it gives are the stages of its steps, each with the
//! weight that the method's quadrature has for it (order five), so that an average is one sum.

use super::krylov::Linear;
use super::orbit::Orbit;
use super::outcome::{Accuracy, Effort};
use super::search::{Last, Rest, Search};
use super::shooting::MOST_COLUMNS;
use super::signal::{Clock, Driving, Signal};
use super::spread::Changes;
use super::step::{self, Judged, Stepper};
use super::tactics::{KEEPS_IN_MAINS, Tactics};
use super::trouble::Trouble;
use crate::analysis::NoSolution;
use crate::analysis::mains::{self, Mains};
use crate::circuit::{Circuit, Element, Piece};
use crate::device::role::DeviceRole;
use crate::math::eigen::eigenvalues;
use crate::math::newton::Failure;
use crate::math::radau::{self, STAGES};
use crate::system::assemble::{Assembly, SourceState, Switching};
use crate::system::probe::Moment;
use num_complex::Complex;
use std::convert::Infallible;

/// A moment of the cycle.
#[derive(Debug, Clone)]
pub struct Instant {
    /// Since the start of the cycle, s.
    pub time_s: f64,
    /// Its part in an average; all of a cycle's add up to one.
    pub weight: f64,
    /// Unknowns.
    pub x: Vec<f64>,
    /// Their rates, 1/s.
    pub x_rate: Vec<f64>,
}

/// A moment as it is read in a round of the cycle.
#[derive(Debug, Clone, Copy)]
pub struct Reading<'c> {
    /// Since the start of the cycle, s; less than zero or more than the period for a moment of the
    /// cycle's neighbours.
    pub time_s: f64,
    /// As [`Instant::weight`].
    pub weight: f64,
    instant: &'c Instant,
}

impl<'c> Reading<'c> {
    fn of(instant: &'c Instant) -> Self {
        Reading {
            time_s: instant.time_s,
            weight: instant.weight,
            instant,
        }
    }

    /// The same a cycle earlier or later.
    fn again(instant: &'c Instant, by_s: f64) -> Self {
        Reading {
            time_s: instant.time_s + by_s,
            weight: 0.0,
            instant,
        }
    }

    /// What is there to read, at its own time in the cycle.
    pub fn moment(&self) -> Moment<'c> {
        Moment {
            time: Some(self.instant.time_s),
            x: &self.instant.x,
            rates: Some(&self.instant.x_rate),
        }
    }
}

/// All that a transient starts from.
#[derive(Debug, Clone)]
pub struct State {
    /// Unknowns.
    pub x: Vec<f64>,
    /// Their rates, 1/s.
    pub x_rate: Vec<f64>,
    /// Charges and fluxes.
    pub q: Vec<f64>,
    /// Their rates.
    pub q_rate: Vec<f64>,
}

/// A cycle that repeats itself.
#[derive(Debug, Clone)]
pub struct Cycle {
    /// How often.
    pub freq_hz: f64,
    /// In the order of time; the last at the end.
    pub instants: Vec<Instant>,
    /// The state at the cycle's start.
    pub start: State,
    /// Cycles integrated to find it.
    pub cycles: usize,
    /// What it cost.
    pub effort: Effort,
    /// Where a neighbour's search may begin.
    seed: Last,
    /// The unknowns that the search for it was to begin with, `[n]`.
    guess: Vec<f64>,
}

impl Cycle {
    /// The average of every unknown.
    pub fn mean(&self) -> Vec<f64> {
        let mut mean = vec![0.0; self.start.x.len()];
        for instant in &self.instants {
            for (m, x) in mean.iter_mut().zip(&instant.x) {
                *m += instant.weight * x;
            }
        }
        mean
    }

    /// What the cycle makes of small changes, but for the multiplier: see [`multiplier`].
    pub fn switching(&self, assembly: &Assembly<'_>) -> Switching {
        let rectifies = |e: &&Element| e.role().is_some_and(DeviceRole::rectifies);
        let rectifiers = assembly.circuit.elements.iter().filter(rectifies);
        let mut laws: Vec<usize> = rectifiers
            .flat_map(|e| &e.ports)
            .filter_map(|port| match port.piece {
                Piece::Law(law, _) => Some(law),
                _ => None,
            })
            .collect();
        laws.dedup();
        let mean = |law: usize| {
            let mut mean = Vec::new();
            for instant in &self.instants {
                let slopes = assembly.law_currents(law, &instant.x).g;
                mean.resize(slopes.len(), 0.0);
                for (mean, slope) in mean.iter_mut().zip(slopes) {
                    *mean += instant.weight * slope;
                }
            }
            (law, mean)
        };
        Switching {
            freq_hz: self.freq_hz,
            slopes: laws.into_iter().map(mean).collect(),
            multiplier: None,
        }
    }

    /// The moments in the order of time, the last before the first one and the first after the last
    /// one again, without a weight: a crest at the cycle's ends has neighbours on both sides.
    pub fn round(&self) -> impl Iterator<Item = Reading<'_>> {
        let period_s = 1.0 / self.freq_hz;
        let ahead = self.instants.last().map(|i| Reading::again(i, -period_s));
        let behind = self.instants.first().map(|i| Reading::again(i, period_s));
        let own = self.instants.iter().map(Reading::of);
        ahead.into_iter().chain(own).chain(behind)
    }

    /// The average of what is read at each moment.
    pub fn average(&self, mut read: impl FnMut(&Instant) -> f64) -> f64 {
        self.instants.iter().map(|i| i.weight * read(i)).sum()
    }
}

/// How accurate a mains cycle is: hundreds of volts to a meter's last digit, ripple to a
/// thousandth.
const ACCURACY: Accuracy = Accuracy {
    relative: 1e-5,
    volts: 1e-6,
    amperes: 1e-9,
};

/// Newton's steps settle by this, V or A.
pub(super) const COARSEST: f64 = 1e-4;

/// Where Newton's iterations no longer shrink, a quick search accepts what is left up to this
/// multiple of what counts as settled: beyond, a diode with an emission coefficient of 0.05 is off
/// by more than an audit allows.
const ROUNDED: f64 = 1e2;

/// The cycle that repeats itself. The assembly comes back with the discrete states of the cycle's
/// end; a source that is driven from outside keeps its value.
///
/// # Errors
/// If a step could not be solved, or the cycle does not come to repeat itself.
pub fn cycle<'c>(
    assembly: Assembly<'c>,
    mains: &Mains,
) -> Result<(Cycle, Assembly<'c>), Box<NoSolution>> {
    sought(assembly, mains, None)
}

/// The same, begun where a neighbour's cycle was found if that is near: the same circuit with other
/// values, or with its valves pulled.
///
/// # Errors
/// As [`cycle`].
pub fn cycle_near<'c>(
    assembly: Assembly<'c>,
    mains: &Mains,
    near: &Cycle,
) -> Result<(Cycle, Assembly<'c>), Box<NoSolution>> {
    sought(assembly, mains, Some(near))
}

fn sought<'c>(
    mut assembly: Assembly<'c>,
    mains: &Mains,
    near: Option<&Cycle>,
) -> Result<(Cycle, Assembly<'c>), Box<NoSolution>> {
    assembly.moving = Some(mains.sources.clone());
    let before = assembly.evaluations;
    let guess = mains::guess(&mut assembly, mains.freq_hz)?;
    let nodes = assembly.unknowns.nodes();
    let near = near.filter(|n| {
        n.guess.len() == assembly.len() && are_close(&n.guess[..nodes], &guess.x[..nodes])
    });
    let known = near.map(|near| beside(near, &guess.x, &mut assembly));
    let clock = clock(&assembly, mains);
    let mut search = search(assembly, guess);
    let known = known.map(|mut known| {
        let state = search.stepper.state.len();
        let same = !search.stepper.assembly.unplugged.contains(&true);
        let monodromy = known.monodromy.take();
        known.monodromy = monodromy.and_then(|m| m.of_neighbour(state, same));
        known
    });
    let mut effort = Effort::default();
    let signal = Signal::silence(mains.freq_hz);
    let driving = Driving {
        signal: &signal,
        clock,
    };
    let circuit = search.stepper.assembly.circuit;
    let mut poll = || Ok::<(), Infallible>(());
    let failed = |trouble: Trouble| match trouble {
        Trouble::NoSolution(no) => Box::new(NoSolution {
            analysis: "mains cycle",
            ..*no
        }),
        other => Box::new(NoSolution::new(
            "mains cycle",
            circuit,
            &Failure::Unsettled {
                unknown: other.unknown(),
                equation: 0,
                residual_ratio: f64::INFINITY,
                iterations: 0,
            },
            vec!["shooting", "cycle after cycle"],
            None,
        )),
    };
    let begun_near = known.is_some();
    let guess = search.rest.x.clone();
    let mut found = search.newton(driving, known, &mut effort, &mut poll);
    if begun_near && !matches!(found, Ok(Ok(Some(_)))) {
        found = search.newton(driving, None, &mut effort, &mut poll);
    }
    if !matches!(found, Ok(Ok(Some(_)))) {
        if let Some(swing_hz) = search.leaves(mains.freq_hz) {
            let mut no = failed(Trouble::unsettled());
            no.swing_hz = Some(swing_hz);
            return Err(no);
        }
        search.tactics.quick = false;
        search.stepper.rounded = step::ROUNDED;
        found = search.newton(driving, None, &mut effort, &mut poll);
    }
    if !matches!(found, Ok(Ok(Some(_))))
        && let Err(trouble) = search.settle(driving, &mut effort, &mut poll)
    {
        // What a step could not be solved for is sought once more, led there step by step.
        search.stepper.eases = matches!(trouble, Trouble::NoSolution(_));
        let eased = search
            .stepper
            .eases
            .then(|| search.newton(driving, None, &mut effort, &mut poll));
        if !matches!(eased, Some(Ok(Ok(Some(_))))) {
            return Err(failed(trouble));
        }
        search.stepper.eases = false;
    }
    let last = search.last.take().expect("just found");
    let mut assembly = search.stepper.assembly;
    let start = end_of(&last.orbit, &mut assembly);
    assembly.moving = None;
    effort.evaluations = assembly.evaluations - before;
    let cycle = Cycle {
        freq_hz: mains.freq_hz,
        instants: instants(&last.orbit),
        start,
        cycles: effort.passes,
        effort,
        seed: last,
        guess,
    };
    Ok((cycle, assembly))
}

/// A cycle is a neighbour if the guesses differ by no more than this part of the largest volts.
/// Amplifiers of `spread`, with mains 6 % off, take 8500 evaluations from their own guess and
/// 25 000 from the nominal cycle.
const NEIGHBOUR: f64 = 1e-2;

/// Whether two guesses are those of neighbours; V.
fn are_close(old: &[f64], new: &[f64]) -> bool {
    let largest = new.iter().fold(0.0f64, |most, v| most.max(v.abs()));
    let moved = old.iter().zip(new).map(|(old, new)| (new - old).abs());
    moved.fold(0.0f64, f64::max) <= NEIGHBOUR * largest
}

/// The start beside a neighbour's cycle: its volts and currents, moved by what the guess has moved,
/// with the charges that this circuit holds at them: with the neighbour's own charges a reservoir
/// 20 % larger would stand 70 V low.
fn beside(near: &Cycle, guess: &[f64], assembly: &mut Assembly<'_>) -> Last {
    let end = near.seed.orbit.end();
    let moved = guess.iter().zip(&near.guess).map(|(new, old)| new - old);
    let x: Vec<f64> = end.iter().zip(moved).map(|(x, moved)| x + moved).collect();
    assembly.evaluate(&x, SourceState::at(0.0), 0.0, false);
    Last {
        charge: assembly.q.clone(),
        ..near.seed.clone()
    }
}

/// One cycle as the clock has it.
fn clock(assembly: &Assembly<'_>, mains: &Mains) -> Clock {
    Clock {
        period_s: 1.0 / mains.freq_hz,
        cycles: 1,
        start_s: 0.0,
        rest: assembly.external.map_or(0.0, |e| e.1),
    }
}

/// A search that begins at a guess.
fn search(assembly: Assembly<'_>, guess: mains::Guess) -> Search<'_> {
    let mut search = Search {
        rest: Rest {
            x: guess.x,
            charge: guess.charge,
            memory: assembly.memory.clone(),
        },
        stepper: Stepper::new(assembly),
        accuracy: ACCURACY,
        tactics: Tactics::MAINS,
        last: None,
        keeps: KEEPS_IN_MAINS,
    };
    search.stepper.coarsest = COARSEST;
    search.stepper.rounded = ROUNDED;
    search
}

/// What a cycle makes of the small change that lasts longest: the largest of its multipliers
/// (G. Floquet, Annales scientifiques de l'ENS 12, 1883; from memory). Beyond one in size the
/// supply and what it feeds swing by themselves, which averages over the cycle do not show: they
/// take a rectifier's pulses for a steady conduction that would damp the swing. None if the cycle
/// could not be run again.
pub fn multiplier<'c>(
    mut assembly: Assembly<'c>,
    mains: &Mains,
    cycle: &Cycle,
) -> (Option<Complex<f64>>, Assembly<'c>) {
    let Last {
        signal,
        charge,
        orbit,
        ..
    } = &cycle.seed;
    let memory = assembly.memory.clone();
    let moving = assembly.moving.replace(mains.sources.clone());
    let driving = Driving {
        signal,
        clock: clock(&assembly, mains),
    };
    let guess = mains::Guess {
        x: orbit.end().to_vec(),
        charge: charge.clone(),
    };
    let mut search = search(assembly, guess);
    search.tactics.quick = false;
    let tolerance = search.tolerance(Some(orbit));
    let state = search.stepper.state.len();
    let matrix_free = state > MOST_COLUMNS;
    let columns = if matrix_free { 0 } else { state };
    let begun = search.stepper.assembly.memory.clone();
    let pass = search.pass(
        &driving,
        (&orbit.times, charge),
        Some(orbit),
        Judged {
            in_passing: true,
            ..Judged::exactly(&tolerance)
        },
        &Changes::Columns((0..columns).collect()),
        &mut Effort::default(),
    );
    let largest = pass.ok().and_then(|pass| {
        if matrix_free {
            let mut linear = Linear::new(&mut search.stepper, driving, &pass.orbit, begun);
            let Ok(largest) = linear.largest(&mut || Ok::<(), Infallible>(()));
            return largest;
        }
        let values = eigenvalues(columns, &pass.monodromy)?.into_iter();
        values.max_by(|a, b| a.norm_sqr().total_cmp(&b.norm_sqr()))
    });
    let mut assembly = search.stepper.assembly;
    assembly.moving = moving;
    assembly.memory = memory;
    (largest, assembly)
}

/// The cycle of a circuit's supply, if the mains feed one.
///
/// # Errors
/// As [`cycle`].
pub fn supply(circuit: &Circuit) -> Result<Option<(Cycle, Assembly<'_>)>, Box<NoSolution>> {
    match mains::find(circuit) {
        Some(mains) => cycle(Assembly::new(circuit), &mains).map(Some),
        None => Ok(None),
    }
}

/// Rates of the unknowns at a stage.
fn rates(orbit: &Orbit, step: usize, stage: usize, d: &[f64; STAGES], h: f64) -> Vec<f64> {
    debug_assert!(stage < STAGES);
    let start = orbit.before(step);
    (0..start.len())
        .map(|k| {
            let rise = |j: usize| d[j] * (orbit.stage(step, j)[k] - start[k]);
            (0..STAGES).map(rise).sum::<f64>() / h
        })
        .collect()
}

/// The stages as moments with their weights.
fn instants(orbit: &Orbit) -> Vec<Instant> {
    let (d, weights) = (radau::slopes(), radau::weights());
    let period = orbit.period_s();
    let mut instants = Vec::with_capacity(STAGES * orbit.steps());
    for step in 0..orbit.steps() {
        let h = orbit.times[step + 1] - orbit.times[step];
        for (stage, row) in d.iter().enumerate() {
            instants.push(Instant {
                time_s: orbit.times[step] + radau::C[stage] * h,
                weight: weights[stage] * h / period,
                x: orbit.stage(step, stage).to_vec(),
                x_rate: rates(orbit, step, stage, row, h),
            });
        }
    }
    instants
}

/// The state at the end, which is that at the start.
fn end_of(orbit: &Orbit, assembly: &mut Assembly<'_>) -> State {
    let step = orbit.steps() - 1;
    let h = orbit.times[step + 1] - orbit.times[step];
    let row = radau::slopes()[STAGES - 1];
    let mut charges = |x: &[f64]| {
        assembly.evaluate(x, SourceState::at(0.0), 0.0, false);
        assembly.q.clone()
    };
    let start = charges(orbit.before(step));
    let stages: Vec<Vec<f64>> = (0..STAGES).map(|j| charges(orbit.stage(step, j))).collect();
    let q_rate = (0..start.len())
        .map(|k| {
            let rise = |j: usize| row[j] * (stages[j][k] - start[k]);
            (0..STAGES).map(rise).sum::<f64>() / h
        })
        .collect();
    State {
        x: orbit.end().to_vec(),
        x_rate: rates(orbit, step, STAGES - 1, &row, h),
        q: stages[STAGES - 1].clone(),
        q_rate,
    }
}
