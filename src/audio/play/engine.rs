//! What moves the circuit on, step by step: the compiled stepper where the circuit is small
//! enough, the solver of `scope` where it is not.

use super::settings::{PlaySettings, Played};
use super::start::Start;
use crate::analysis::NoSolution;
use crate::analysis::transient::{Accuracy, Stepper};
use crate::audio::stepper::{AHEAD, Compiled, END, INNER, LONGEST, REACHED, Stuck, Watched};
use crate::circuit::Circuit;
use crate::math::newton::Failure;
use crate::math::{radau_pair, tr_bdf2};
use crate::system::assemble::{Assembly, Driven, SourceState};
use crate::system::audit::{Allowance, Auditor};
use crate::system::probe::{Moment, Observable};

/// Newton settles to this in the general solver, V: below -140 dB of a volt.
const SETTLED_V: f64 = 1e-8;
/// One compiled step in this many is audited.
const SPOT: usize = 997;
/// What the audit accepts of them: Newton leaves the laws' controls as uncertain as that, and
/// charges that are no straight line are followed by their slopes. (For a while ten times as much
/// was accepted of both. What needed it was a grid driven by 300 V, which Newton left as uncertain
/// as a part of those 300 V; see `VALVE_V` in `stepper/state.rs`.)
const ALLOWED: Allowance = Allowance {
    part: 1e-5,
    known: 1e-9,
    volts: 1e-4,
};
/// Controls of laws up to which a circuit is compiled as a rule: the compiled step grows with the square of
/// the circuit and more, the general solver with the circuit. Up to here it is the quicker by far (0.1 s
/// times 4, seconds of processor, general and compiled): 49 triode stages with attenuators 3.4 and 0.45, 80
/// of them 5.4 and 0.85; 49 triodes into one mixing bus 3.7 and 0.59, 80 5.8 and 1.3, 128 8.8 and 4.5.
const COMPILED_CONTROLS: usize = 256;
/// The same where laws act on their neighbours alone ([`Compiled::is_slim`]): there making the
/// tables grows with the square, but no step does. 200 controls (100 triode stages in a row, 0.1 s
/// times 4) took the general solver 8.9 s.
const SLIM_CONTROLS: usize = 512;
/// Capacitors, windings, sources and valves up to which it is: the memory of a dense system grows with
/// the square.
const COMPILED_STORES: usize = 1_000;

/// What a sample without a corner adds to the answers about it.
const SMOOTH: [f64; REACHED] = [0.0; REACHED];

/// What moves the circuit on.
pub(super) enum Engine<'c, 'p> {
    /// Compiled for its step.
    Compiled(Box<Player<'c, 'p>>),
    /// The solver of `scope` at a fixed step.
    General(Box<General<'c, 'p>>),
}

pub(super) struct Player<'c, 'p> {
    compiled: Compiled<'c>,
    /// Whether the probe is a voltage, which the compiled circuit reads by itself.
    voltage: bool,
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
    /// Audits a step now and then; all unknowns are read then.
    auditor: Option<Auditor>,
    /// Steps until it does so again.
    unaudited: usize,
}

pub(super) struct General<'c, 'p> {
    stepper: Stepper<'c>,
    probe: &'p Observable,
    at_rest: f64,
    rest: f64,
    step_s: f64,
    tolerance: Vec<f64>,
    divided: u64,
}

impl<'c, 'p> Engine<'c, 'p> {
    pub fn new(
        circuit: &'c Circuit,
        probe: &'p Observable,
        start: &Start,
        settings: &PlaySettings,
        step_s: f64,
        start_s: f64,
    ) -> Result<Self, Box<NoSolution>> {
        let mut assembly = Assembly::new(circuit);
        let mains = start.mains();
        if mains.is_some() {
            assembly.external = Some((settings.driven, settings.rest));
        }
        let warm = start.warm(step_s, start_s);
        let (rest, at_rest) = (start.rest.clone(), start.at_rest);
        let early = warm.as_ref().map_or(0, |w| w.steps);
        let begin_s = start_s - early as f64 * step_s;
        let ahead_s = warm.as_ref().map_or(0.0, |w| w.ahead_s);
        let controls: usize = circuit.laws.iter().map(|l| l.controls.len()).sum();
        let at = assembly.unknowns;
        let nodes = probe.nodes().map(|(a, b)| [at.node(a), at.node(b)]);
        let auditor = Auditor::new(circuit, "render", ALLOWED).filter(|_| {
            // In front of the mains other sources that move have a clock of their own.
            let moving = circuit.drives().filter(|d| d.wave.is_some()).count();
            mains.is_none_or(|m| moving == m.sources.len())
        });
        let all: Vec<usize> = (0..rest.len()).collect();
        let always: Vec<usize> = match nodes {
            Some(nodes) => nodes.into_iter().flatten().collect(),
            None => all.clone(),
        };
        let watched = Watched {
            always: &always,
            besides: match auditor {
                Some(_) if nodes.is_some() => &all,
                _ => &[],
            },
        };
        let compiled = match &warm {
            _ if controls > SLIM_CONTROLS || circuit.stores() > COMPILED_STORES => None,
            Some(warm) => {
                let from = warm.underway();
                let driven = settings.driven;
                Compiled::underway(&mut assembly, &rest, step_s, driven, watched, &from).ok()
            }
            None => Compiled::new(&mut assembly, &rest, step_s, settings.driven, watched).ok(),
        };
        let small = controls <= COMPILED_CONTROLS;
        let compiled = compiled.filter(|c| (small || c.is_slim()) && !c.is_wide());
        if let Some(mut compiled) = compiled {
            compiled.set_time(begin_s);
            compiled.pass_corners(settings.steps.coarse);
            if let Some([a, b]) = nodes {
                let place = |k: usize| always.iter().position(|&w| w == k);
                let signs = [
                    a.and_then(place).map(|k| (k, 1.0)),
                    b.and_then(place).map(|k| (k, -1.0)),
                ];
                compiled.listen(signs.into_iter().flatten().collect());
            }
            let player = Player {
                compiled,
                voltage: nodes.is_some(),
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

    /// After N samples in silence.
    fn after(mut self, samples: usize) -> Result<Self, Box<NoSolution>> {
        let mut left = samples;
        while left > 0 {
            left -= self.step(&[0.0; AHEAD], left)?.samples().len();
        }
        Ok(self)
    }

    /// One step of at most `room` samples with the drive at the points that the stepper asks for, counted
    /// from rest.
    pub fn step(&mut self, drive: &[f64; AHEAD], room: usize) -> Result<Answers, Box<NoSolution>> {
        match self {
            Engine::Compiled(player) => player.step(drive, room),
            Engine::General(general) => {
                let end = general.step(drive[INNER], drive[END])?;
                Ok(Answers::one((end, SMOOTH)))
            }
        }
    }

    /// The part of a step after which its inner point comes.
    pub fn inner_point(&self) -> f64 {
        match self {
            Engine::Compiled(_) => radau_pair::NODES[0],
            Engine::General(_) => tr_bdf2::GAMMA,
        }
    }

    pub fn effort(&self) -> Played {
        match self {
            Engine::Compiled(player) => Played {
                divided: player.compiled.divided,
                evaluations: player.compiled.evaluations,
                ..Played::default()
            },
            Engine::General(general) => Played {
                divided: general.divided,
                evaluations: general.stepper.assembly.evaluations as u64,
                general: true,
                ..Played::default()
            },
        }
    }
}

/// What a step gives for each sample it took, the last one its end.
pub(super) struct Answers {
    /// The probe's value, counted from rest, and what the sample adds to the two answers before it, to itself
    /// and to the next.
    each: [(f64, [f64; REACHED]); LONGEST],
    taken: usize,
}

impl Answers {
    fn one(end: (f64, [f64; REACHED])) -> Self {
        Answers {
            each: [end; LONGEST],
            taken: 1,
        }
    }

    /// Sample by sample.
    pub fn samples(&self) -> &[(f64, [f64; REACHED])] {
        &self.each[..self.taken]
    }
}

impl Player<'_, '_> {
    fn step(&mut self, drive: &[f64; AHEAD], room: usize) -> Result<Answers, Box<NoSolution>> {
        // An audit needs rates, and these where the step began; both steps are samples then.
        let looks = self.auditor.is_some() && self.voltage && self.unaudited <= 2;
        self.compiled.look(looks);
        let room = if self.unaudited <= LONGEST + 2 {
            1
        } else {
            room
        };
        let taken = match self.compiled.step(drive, room) {
            Ok(taken) => taken,
            Err(stuck) => return Err(self.lost(stuck)),
        };
        self.time_s += taken as f64 * self.step_s;
        self.unaudited -= taken;
        let audits = self.unaudited == 0 && self.auditor.is_some();
        if self.unaudited == 0 {
            self.unaudited = SPOT;
        }
        if self.voltage && !audits {
            return Ok(self.heard(taken));
        }
        // A current or power needs the whole circuit's state.
        let (now, rates): (&[f64], Vec<f64>) = if self.voltage {
            let (now, rates) = self.compiled.besides();
            (now, rates.collect())
        } else {
            (self.compiled.watched(), self.compiled.rates().collect())
        };
        let x: Vec<f64> = self.rest.iter().zip(now).map(|(a, b)| a + b).collect();
        for (law, memory) in self.compiled.memory() {
            self.assembly.memory[law] = memory;
        }
        self.assembly.external = Some((self.driven, self.driven_rest + drive[END]));
        let moment = Moment {
            time: Some(self.time_s + self.ahead_s),
            x: &x,
            rates: Some(&rates),
        };
        if let Some(auditor) = self.auditor.as_mut().filter(|_| audits) {
            // In parts of a thousandth, which a corner may take, rounding counts a thousand times as much.
            let a = 1.0 / self.compiled.last_s();
            let ask = SourceState::at(self.time_s + self.ahead_s);
            auditor.moving(&self.assembly, &x, ask, a, &rates);
        }
        if self.voltage {
            return Ok(self.heard(taken));
        }
        let end = self.probe.read(&mut self.assembly, moment) - self.at_rest;
        Ok(Answers::one((end, SMOOTH)))
    }

    /// What was heard in the last step.
    fn heard(&self, taken: usize) -> Answers {
        let mut answers = Answers::one(self.compiled.heard());
        answers.taken = taken;
        for (k, answer) in answers.each[..taken - 1].iter_mut().enumerate() {
            *answer = (self.compiled.heard_before(taken - 1 - k), SMOOTH);
        }
        answers
    }

    /// Says that a sample could not be solved.
    fn lost(&self, stuck: Stuck) -> Box<NoSolution> {
        let failure = Failure::Unsettled {
            unknown: stuck.unknown,
            equation: stuck.unknown,
            residual_ratio: f64::INFINITY,
            iterations: 0,
        };
        Box::new(NoSolution::new(
            "sample",
            self.assembly.circuit,
            &failure,
            vec!["ever shorter steps"],
            Some(self.time_s),
        ))
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
