//! A circuit driven by sound: a solver step for each oversampled sample, or for several where all is smooth.

mod engine;
mod settings;
mod start;

use super::automation::Turning;
use super::clip::{BLOCK, SampleStream, SourceProblem};
use super::stepper::{AHEAD, LONGEST, REACHED};
use crate::analysis::NoSolution;
use crate::circuit::Circuit;
use crate::math::resample::{Decimator, Interpolator, REACH};
use crate::system::probe::Observable;
use engine::Engine;
pub use settings::{PlaySettings, Played};
pub use start::Start;
use std::collections::VecDeque;

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

/// Answers that the next step may add to.
const HELD: usize = REACHED - 2;

/// Steps after which the receiver is asked whether to go on.
const ASKED: usize = 32;

/// Plays a clip through a circuit while knobs are turned. `receive` gets the probe's values
/// at the clip's rate, its value at rest taken off, block by block; in all as many as the
/// clip has, sample n answering sample n. An error of its own ends the playing; it is called
/// every few steps, with nothing where there is nothing yet, so that it can end it in time.
///
/// # Errors
/// [`Stopped`], one variant for each cause.
pub fn play<E>(
    circuit: &Circuit,
    probe: &Observable,
    clip: &mut dyn SampleStream,
    settings: &PlaySettings,
    knobs: &[Turning],
    receive: impl FnMut(&[f64]) -> Result<(), E>,
) -> Result<Played, Stopped<E>> {
    for knob in knobs {
        knob.to(0.0);
    }
    let start =
        Start::find(circuit, probe, settings.driven, settings.rest).map_err(Stopped::NoSolution)?;
    play_from(&start, circuit, probe, clip, settings, knobs, receive)
}

/// The same from a start that was found before, with the knobs where they are at first.
///
/// # Errors
/// [`Stopped`], one variant for each cause.
pub fn play_from<E>(
    start: &Start,
    circuit: &Circuit,
    probe: &Observable,
    clip: &mut dyn SampleStream,
    settings: &PlaySettings,
    knobs: &[Turning],
    mut receive: impl FnMut(&[f64]) -> Result<(), E>,
) -> Result<Played, Stopped<E>> {
    let step_s = 1.0 / (f64::from(clip.rate_hz()) * settings.steps.factor as f64);
    for knob in knobs {
        knob.to(0.0);
    }
    // Some silence goes before the clip and after it: the filters ring around its ends, and
    // what rings outside belongs to the first and last samples.
    let around = REACH;
    // The first sample is answered at t = 0, so the circuit rests one step before the silence.
    let start_s = -step_s * (1 + around * settings.steps.factor) as f64;
    let engine = Engine::new(circuit, probe, start, settings, step_s, start_s)
        .map_err(Stopped::NoSolution)?;
    let mut up = Interpolator::at(settings.steps.factor, &[0.0, engine.inner_point()]);
    let mut line = Line {
        engine,
        knobs,
        step_s,
        // The sample's step before the first one, and that itself, begin in silence.
        waiting: vec![0.0; 4],
        taken: 0,
        full_scale: settings.full_scale,
        start_s,
        steps: 0,
        held: VecDeque::new(),
        next: 0.0,
    };
    let mut down = Decimator::new(settings.steps.factor);
    let (mut block, mut fast, mut answers, mut out) = (vec![], vec![], vec![], vec![]);
    let (mut early, mut sent, mut done) = (around, 0, 0);
    let mut ended = false;
    up.push(&[0.0; REACH], &mut fast);
    loop {
        answers.clear();
        for part in fast.chunks(2 * ASKED) {
            line.push(part, &mut answers).map_err(Stopped::NoSolution)?;
            receive(&[]).map_err(Stopped::Receiver)?;
        }
        if ended {
            line.finish(&mut answers).map_err(Stopped::NoSolution)?;
        }
        out.clear();
        if ended {
            answers.extend(line.held.drain(..));
        }
        down.push(&answers, &mut out);
        if ended {
            down.finish(&mut out);
        }
        let dropped = early.min(out.len());
        out.drain(..dropped);
        early -= dropped;
        out.truncate((done - sent) as usize);
        sent += out.len() as u64;
        receive(&out).map_err(Stopped::Receiver)?;
        if ended {
            break;
        }
        fast.clear();
        clip.next_block(BLOCK, &mut block).map_err(Stopped::Clip)?;
        if block.is_empty() {
            ended = true;
            up.push(&[0.0; REACH], &mut fast);
            up.finish(&mut fast);
        } else {
            up.push(&block, &mut fast);
        }
        done += block.len() as u64;
    }
    debug_assert_eq!(sent, done);
    Ok(Played {
        samples: done,
        steps: line.steps,
        ..line.engine.effort()
    })
}

/// The circuit between its oversampled input and output.
struct Line<'c, 'p> {
    engine: Engine<'c, 'p>,
    knobs: &'p [Turning],
    step_s: f64,
    /// The input at the start and inner point of samples' steps, from the one behind on.
    waiting: Vec<f64>,
    /// Samples that came in.
    taken: u64,
    full_scale: f64,
    /// When the circuit's rest ends, s.
    start_s: f64,
    steps: u64,
    /// The last two answers: the next step may add to both.
    held: VecDeque<f64>,
    /// What the last step adds to the next answer.
    next: f64,
}

impl Line<'_, '_> {
    /// Takes the input at the start and inner point of steps, one after the other.
    fn push(&mut self, input: &[f64], out: &mut Vec<f64>) -> Result<(), Box<NoSolution>> {
        self.taken += input.len() as u64 / 2;
        self.steps(input, out)
    }

    /// The steps for which input was kept ahead.
    fn finish(&mut self, out: &mut Vec<f64>) -> Result<(), Box<NoSolution>> {
        self.steps(&[0.0; 2 * (LONGEST - 1)], out)?;
        debug_assert_eq!(self.steps, self.taken);
        Ok(())
    }

    /// The steps that more input makes possible.
    fn steps(&mut self, input: &[f64], out: &mut Vec<f64>) -> Result<(), Box<NoSolution>> {
        let scaled = input.iter().map(|x| self.full_scale * x);
        self.waiting.extend(scaled);
        let mut done = 0;
        while let Some(ahead) = self.waiting[done..].first_chunk::<AHEAD>() {
            let left = (self.taken - self.steps) as usize;
            if left == 0 {
                break;
            }
            for knob in self.knobs {
                knob.to(self.start_s + (self.steps + 1) as f64 * self.step_s);
            }
            // What turns within a long step would be taken for what stands still.
            let room = if self.knobs.is_empty() { LONGEST } else { 1 };
            let answers = self.engine.step(ahead, room.min(left))?;
            for &(end, [long_ago, before, own, next]) in answers.samples() {
                if let Some(held) = self.held.back_mut() {
                    *held += before;
                }
                if self.held.len() == HELD {
                    out.extend(self.held.pop_front().map(|held| held + long_ago));
                }
                self.held.push_back(end + own + self.next);
                self.next = next;
            }
            let samples = answers.samples().len();
            self.steps += samples as u64;
            done += 2 * samples;
        }
        self.waiting.drain(..done);
        Ok(())
    }
}
