//! A circuit driven by sound: one solver step for each oversampled sample.

use super::automation::Turning;
use super::clip::{BLOCK, SampleStream, SourceProblem};
use super::stepper::{Compiled, END, INNER, POINTS, Stuck, Underway};
use crate::analysis::mains::{self, Mains};
use crate::analysis::periodic::{self, Cycle, State};
use crate::analysis::transient::{Accuracy, Stepper};
use crate::analysis::{NoSolution, operating_point};
use crate::circuit::Circuit;
use crate::math::newton::Failure;
use crate::math::resample::{Decimator, Interpolator, REACH};
use crate::math::{radau_pair, tr_bdf2};
use crate::system::assemble::{Assembly, Driven, SourceState};
use crate::system::audit::{Allowance, Auditor};
use crate::system::probe::{Moment, Observable};

/// How a clip is played through a circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaySettings {
    /// The source that the clip drives.
    pub driven: Driven,
    /// Its value at rest, V or A; the clip is added to it.
    pub rest: f64,
    /// Peak volts (or amperes) at digital full scale.
    pub full_scale: f64,
    /// Solver steps for each sample of the clip.
    pub oversample: usize,
}

/// What playing took.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Played {
    /// Samples in and out.
    pub samples: u64,
    /// Solver steps at the oversampled rate.
    pub steps: u64,
    /// Steps that had to be divided because Newton did not settle.
    pub divided: u64,
    /// Evaluations of all laws of the circuit.
    pub evaluations: u64,
}

/// Why playing broke off.
#[derive(Debug)]
pub enum Stopped<E> {
    /// The circuit found no next point.
    NoSolution(Box<NoSolution>),
    /// The clip broke off.
    Clip(SourceProblem),
    /// The receiver of the sound refused it.
    Receiver(E),
}

/// Newton settles to this in the general solver, V: below -140 dB of a volt.
const SETTLED_V: f64 = 1e-8;
/// Of so many compiled steps one is audited.
const SPOT: usize = 997;
/// What the audit accepts of them: Newton leaves the laws' controls as uncertain as that, and
/// charges that are no straight line are followed by their slopes.
const ALLOWED: Allowance = Allowance {
    part: 1e-5,
    known: 1e-9,
    volts: 1e-4,
};
/// Controls of laws up to which a circuit is compiled: the dense system of a larger one
/// would cost more than the general solver's sparse one.
const COMPILED_CONTROLS: usize = 96;

/// Plays a clip through a circuit while knobs are turned. `receive` gets the probe's values
/// at the clip's rate, its value at rest taken off, block by block; in all as many as the
/// clip has, sample n answering sample n. An error of its own ends the playing, so it is
/// also where a wish to break off is told.
///
/// # Errors
/// [`Stopped`], one variant for each cause.
pub fn play<E>(
    circuit: &Circuit,
    probe: &Observable,
    clip: &mut dyn SampleStream,
    settings: &PlaySettings,
    knobs: &[Turning],
    mut receive: impl FnMut(&[f64]) -> Result<(), E>,
) -> Result<Played, Stopped<E>> {
    let step_s = 1.0 / (f64::from(clip.rate_hz()) * settings.oversample as f64);
    for knob in knobs {
        knob.to(0.0);
    }
    // Some silence goes before the clip and after it: the filters ring around its ends, and
    // what rings outside belongs to the first and last samples.
    let around = REACH;
    // The first sample is answered at t = 0, so the circuit rests one step before the silence.
    let start_s = -step_s * (1 + around * settings.oversample) as f64;
    let engine =
        Engine::new(circuit, probe, settings, step_s, start_s).map_err(Stopped::NoSolution)?;
    let mut up = Interpolator::at(settings.oversample, &[0.0, engine.inner_point()]);
    let mut line = Line {
        engine,
        knobs,
        step_s,
        recent: [0.0; POINTS],
        full_scale: settings.full_scale,
        start_s,
        steps: 0,
    };
    let mut down = Decimator::new(settings.oversample);
    let (mut block, mut fast, mut answers, mut out) = (vec![], vec![], vec![], vec![]);
    let mut early = around;
    let mut sent = 0;
    let mut done = 0;
    let mut deliver = |out: &mut Vec<f64>, done: u64| {
        let dropped = early.min(out.len());
        out.drain(..dropped);
        early -= dropped;
        out.truncate((done - sent) as usize);
        sent += out.len() as u64;
        receive(out).map_err(Stopped::Receiver)
    };
    up.push(&[0.0; REACH][..around], &mut fast);
    line.push(&fast, &mut answers)
        .map_err(Stopped::NoSolution)?;
    down.push(&answers, &mut out);
    deliver(&mut out, done)?;
    loop {
        clip.next_block(BLOCK, &mut block).map_err(Stopped::Clip)?;
        if block.is_empty() {
            break;
        }
        fast.clear();
        up.push(&block, &mut fast);
        answers.clear();
        line.push(&fast, &mut answers)
            .map_err(Stopped::NoSolution)?;
        out.clear();
        down.push(&answers, &mut out);
        done += block.len() as u64;
        deliver(&mut out, done)?;
    }
    fast.clear();
    up.push(&[0.0; REACH][..around], &mut fast);
    up.finish(&mut fast);
    answers.clear();
    line.push(&fast, &mut answers)
        .map_err(Stopped::NoSolution)?;
    out.clear();
    down.push(&answers, &mut out);
    down.finish(&mut out);
    deliver(&mut out, done)?;
    debug_assert_eq!(sent, done);
    Ok(Played {
        samples: done,
        steps: line.steps,
        ..line.engine.effort()
    })
}

/// What moves the circuit on.
enum Engine<'c, 'p> {
    /// Compiled for its step.
    Compiled(Box<Player<'c, 'p>>),
    /// The solver of `scope` at a fixed step.
    General(Box<General<'c, 'p>>),
}

struct Player<'c, 'p> {
    compiled: Compiled<'c>,
    /// Places of a voltage probe's nodes among the watched unknowns, and their signs.
    signs: Option<Vec<(usize, f64)>>,
    probe: &'p Observable,
    assembly: Assembly<'c>,
    rest: Vec<f64>,
    at_rest: f64,
    driven: Driven,
    driven_rest: f64,
    time_s: f64,
    /// How far the mains' clock is ahead, s.
    ahead_s: f64,
    step_s: f64,
    /// Audits a step now and then; all unknowns are watched then.
    auditor: Option<Auditor>,
    /// Steps until it does so again.
    unaudited: usize,
}

/// A circuit that hangs on the mains, its supply charged.
///
/// The clip begins at the start of a mains cycle, the circuit whole cycles before, so that the
/// mains do not stand still in the silence that goes before the clip.
struct Warm {
    start: State,
    mains: Vec<Driven>,
    /// How far the mains' clock is ahead of the clip's, s: whole cycles.
    ahead_s: f64,
    /// Steps before the silence.
    steps: usize,
}

impl Warm {
    fn new(mains: &Mains, start: &State, step_s: f64, start_s: f64) -> Self {
        let cycle_s = 1.0 / mains.freq_hz;
        let cycles = (-start_s / cycle_s).ceil().max(1.0);
        // Steps need not divide a cycle: the first one begins up to a step before it.
        let steps = ((cycles * cycle_s + start_s) / step_s - 1e-6)
            .ceil()
            .max(0.0);
        let before_s = steps * step_s - start_s - cycles * cycle_s;
        let mut start = start.clone();
        let back = |values: &mut [f64], rates: &[f64]| {
            for (value, rate) in values.iter_mut().zip(rates) {
                *value -= before_s * rate;
            }
        };
        back(&mut start.x, &start.x_rate);
        back(&mut start.q, &start.q_rate);
        Warm {
            start,
            mains: mains.sources.clone(),
            // One cycle more: sources stand still before t = 0.
            ahead_s: (cycles + 1.0) * cycle_s,
            steps: steps as usize,
        }
    }

    fn underway(&self) -> Underway<'_> {
        Underway {
            x: &self.start.x,
            q: &self.start.q,
            ahead: &self.mains,
            ahead_s: self.ahead_s,
        }
    }
}

/// The average of what is listened to over a mains cycle.
fn average(assembly: &mut Assembly<'_>, mains: &Mains, cycle: &Cycle, probe: &Observable) -> f64 {
    assembly.moving = Some(mains.sources.clone());
    let average = cycle.average(|instant| {
        let moment = Moment {
            time: Some(instant.time_s),
            x: &instant.x,
            rates: Some(&instant.x_rate),
        };
        probe.read(assembly, moment)
    });
    assembly.moving = None;
    average
}

struct General<'c, 'p> {
    stepper: Stepper<'c>,
    probe: &'p Observable,
    at_rest: f64,
    rest: f64,
    step_s: f64,
    tolerance: Vec<f64>,
    divided: u64,
}

impl<'c, 'p> Engine<'c, 'p> {
    fn new(
        circuit: &'c Circuit,
        probe: &'p Observable,
        settings: &PlaySettings,
        step_s: f64,
        start_s: f64,
    ) -> Result<Self, Box<NoSolution>> {
        let mut assembly = Assembly::new(circuit);
        // A clip that comes in by the mains plays into a supply that is cold.
        let mains = mains::find(circuit).filter(|m| !m.sources.contains(&settings.driven));
        let (warm, rest, at_rest) = match &mains {
            Some(mains) => {
                assembly.external = Some((settings.driven, settings.rest));
                let (cycle, back) = periodic::cycle(assembly, mains)?;
                assembly = back;
                let at_rest = average(&mut assembly, mains, &cycle, probe);
                let warm = Warm::new(mains, &cycle.start, step_s, start_s);
                (Some(warm), cycle.mean(), at_rest)
            }
            None => {
                let point = operating_point::solve(&mut assembly, SourceState::at(0.0), &[])?;
                let moment = Moment {
                    time: Some(0.0),
                    x: &point.x,
                    rates: None,
                };
                let at_rest = probe.read(&mut assembly, moment);
                (None, point.x, at_rest)
            }
        };
        let early = warm.as_ref().map_or(0, |w| w.steps);
        let begin_s = start_s - early as f64 * step_s;
        let ahead_s = warm.as_ref().map_or(0.0, |w| w.ahead_s);
        let controls: usize = circuit.laws.iter().map(|l| l.controls.len()).sum();
        let at = assembly.unknowns;
        let nodes = probe.nodes().map(|(a, b)| [at.node(a), at.node(b)]);
        let auditor = Auditor::new(circuit, "render", ALLOWED).filter(|_| {
            // In front of the mains other sources that move have a clock of their own.
            let moving = circuit.drives().filter(|d| d.wave.is_some()).count();
            mains.as_ref().is_none_or(|m| moving == m.sources.len())
        });
        let watched: Vec<usize> = match nodes {
            Some(nodes) if auditor.is_none() => nodes.into_iter().flatten().collect(),
            _ => (0..rest.len()).collect(),
        };
        let compiled = match &warm {
            _ if controls > COMPILED_CONTROLS => None,
            Some(warm) => {
                let from = warm.underway();
                let driven = settings.driven;
                Compiled::underway(&mut assembly, &rest, step_s, driven, &watched, &from).ok()
            }
            None => Compiled::new(&mut assembly, &rest, step_s, settings.driven, &watched).ok(),
        };
        if let Some(mut compiled) = compiled {
            compiled.set_time(begin_s);
            let player = Player {
                compiled,
                signs: nodes.map(|[a, b]| {
                    let place = |k: usize| watched.iter().position(|&w| w == k);
                    let signs = [
                        a.and_then(place).map(|k| (k, 1.0)),
                        b.and_then(place).map(|k| (k, -1.0)),
                    ];
                    signs.into_iter().flatten().collect()
                }),
                auditor,
                unaudited: SPOT,
                probe,
                assembly,
                rest,
                at_rest,
                driven: settings.driven,
                driven_rest: settings.rest,
                time_s: begin_s,
                ahead_s,
                step_s,
            };
            return Engine::Compiled(Box::new(player)).after(early);
        }
        let mut stepper = match &warm {
            Some(warm) => Stepper::warm(assembly, &warm.start, Accuracy::default()),
            None => Stepper::from_point(assembly, rest, Accuracy::default()),
        };
        stepper.assembly.external = Some((settings.driven, settings.rest));
        // Here there is one clock for all sources.
        stepper.start_at(begin_s + ahead_s);
        let general = General {
            tolerance: stepper.fixed_tolerances(SETTLED_V),
            stepper,
            probe,
            at_rest,
            rest: settings.rest,
            step_s,
            divided: 0,
        };
        Engine::General(Box::new(general)).after(early)
    }

    /// After so many steps in silence.
    fn after(mut self, steps: usize) -> Result<Self, Box<NoSolution>> {
        for _ in 0..steps {
            self.step(&[0.0; POINTS])?;
        }
        Ok(self)
    }

    /// One step with the drive at the points that the stepper asks for, counted from rest;
    /// the probe's value at its end, counted from rest.
    fn step(&mut self, drive: &[f64; POINTS]) -> Result<f64, Box<NoSolution>> {
        match self {
            Engine::Compiled(player) => player.step(drive),
            Engine::General(general) => general.step(drive[INNER], drive[END]),
        }
    }

    /// The part of a step after which its inner point comes.
    fn inner_point(&self) -> f64 {
        match self {
            Engine::Compiled(_) => radau_pair::NODES[0],
            Engine::General(_) => tr_bdf2::GAMMA,
        }
    }

    fn effort(&self) -> Played {
        match self {
            Engine::Compiled(player) => Played {
                divided: player.compiled.divided,
                evaluations: player.compiled.evaluations,
                ..Played::default()
            },
            Engine::General(general) => Played {
                divided: general.divided,
                evaluations: general.stepper.assembly.evaluations as u64,
                ..Played::default()
            },
        }
    }
}

impl Player<'_, '_> {
    fn step(&mut self, drive: &[f64; POINTS]) -> Result<f64, Box<NoSolution>> {
        let stuck = self.compiled.step(drive);
        if let Err(Stuck { unknown }) = stuck {
            let failure = Failure::Unsettled {
                unknown,
                equation: unknown,
                residual_ratio: f64::INFINITY,
                iterations: 0,
            };
            return Err(Box::new(NoSolution::new(
                "sample",
                self.assembly.circuit,
                &failure,
                vec!["ever shorter steps"],
                Some(self.time_s),
            )));
        }
        self.time_s += self.step_s;
        self.unaudited -= 1;
        let audits = self.unaudited == 0 && self.auditor.is_some();
        if self.unaudited == 0 {
            self.unaudited = SPOT;
        }
        let watched = self.compiled.watched();
        let voltage = self
            .signs
            .as_ref()
            .map(|signs| signs.iter().map(|&(k, sign)| watched[k] * sign).sum());
        if let (Some(voltage), false) = (voltage, audits) {
            return Ok(voltage);
        }
        // A current or power needs the whole circuit's state.
        let x: Vec<f64> = self.rest.iter().zip(watched).map(|(a, b)| a + b).collect();
        let rates: Vec<f64> = self.compiled.rates().collect();
        for (to, from) in self.assembly.memory.iter_mut().zip(self.compiled.memory()) {
            *to = from;
        }
        self.assembly.external = Some((self.driven, self.driven_rest + drive[END]));
        let moment = Moment {
            time: Some(self.time_s + self.ahead_s),
            x: &x,
            rates: Some(&rates),
        };
        if let Some(auditor) = self.auditor.as_mut().filter(|_| audits) {
            let a = 1.0 / self.step_s;
            let ask = SourceState::at(self.time_s + self.ahead_s);
            auditor.moving(&self.assembly, &x, ask, a, &rates);
        }
        if let Some(voltage) = voltage {
            return Ok(voltage);
        }
        Ok(self.probe.read(&mut self.assembly, moment) - self.at_rest)
    }
}

impl General<'_, '_> {
    fn step(&mut self, inner: f64, end: f64) -> Result<f64, Box<NoSolution>> {
        let drive = [self.rest + inner, self.rest + end];
        let taken = self
            .stepper
            .step_exactly(self.step_s, drive, &self.tolerance)?;
        self.divided += u64::from(taken > 1);
        let probe = self.probe;
        Ok(self
            .stepper
            .read(|assembly, moment| probe.read(assembly, moment))
            - self.at_rest)
    }
}

/// The circuit between its oversampled input and output.
struct Line<'c, 'p> {
    engine: Engine<'c, 'p>,
    knobs: &'p [Turning],
    step_s: f64,
    /// The input at the start and inner point of the last three steps.
    recent: [f64; POINTS],
    full_scale: f64,
    /// When the circuit's rest ends, s.
    start_s: f64,
    steps: u64,
}

impl Line<'_, '_> {
    /// Takes the input at the start and inner point of steps, one after the other.
    fn push(&mut self, input: &[f64], out: &mut Vec<f64>) -> Result<(), Box<NoSolution>> {
        let (pairs, _) = input.as_chunks::<2>();
        for pair in pairs {
            self.recent.rotate_left(2);
            self.recent[POINTS - 2] = self.full_scale * pair[0];
            self.recent[POINTS - 1] = self.full_scale * pair[1];
            for knob in self.knobs {
                knob.to(self.start_s + (self.steps + 1) as f64 * self.step_s);
            }
            // The step to the start of the newest one.
            out.push(self.engine.step(&self.recent)?);
            self.steps += 1;
        }
        Ok(())
    }
}
