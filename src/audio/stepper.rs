//! A circuit driven by sound: one solver step for each oversampled sample.

use super::clip::{BLOCK, SampleSource, SourceProblem};
use crate::analysis::NoSolution;
use crate::analysis::transient::{Accuracy, Stepper};
use crate::circuit::Circuit;
use crate::math::integrate::GAMMA;
use crate::math::resample::{Decimator, Interpolator, REACH};
use crate::system::assemble::Driven;
use crate::system::probe::Observable;

/// How a clip is played through a circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
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
    /// Newton iterations.
    pub iterations: usize,
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

/// Newton settles to this, V: below -140 dB of a volt.
const SETTLED_V: f64 = 1e-8;

/// Plays a clip through a circuit. `receive` gets the probe's values at the clip's rate,
/// its value at rest taken off, block by block; in all as many as the clip has, sample n
/// answering sample n. `progress` is told how many samples of the clip are done.
pub fn play<E>(
    circuit: &Circuit,
    probe: &Observable,
    clip: &mut dyn SampleSource,
    settings: &Settings,
    mut receive: impl FnMut(&[f64]) -> Result<(), E>,
    mut progress: impl FnMut(u64),
) -> Result<Played, Stopped<E>> {
    let (mut stepper, _) =
        Stepper::at_rest(circuit, Accuracy::default()).map_err(Stopped::NoSolution)?;
    let at_rest = stepper.read(|assembly, moment| probe.read(assembly, moment));
    stepper.assembly.external = Some((settings.driven, settings.rest));
    let step_s = 1.0 / (f64::from(clip.rate_hz()) * settings.oversample as f64);
    // Some silence goes before the clip and after it: the filters ring around its ends, and
    // what rings outside belongs to the first and last samples. A voltage let go at t = 0
    // cannot wait that long.
    let around = match settings.oversample {
        1 => 0,
        _ if !circuit.held.is_empty() => 0,
        _ => REACH,
    };
    // The first sample is answered at t = 0, so the circuit rests one step before.
    stepper.time = -step_s * (1 + around * settings.oversample) as f64;
    let mut line = Line {
        tolerance: stepper.fixed_tolerances(SETTLED_V),
        stepper,
        probe,
        at_rest,
        settings: *settings,
        step_s,
        window: [0.0; 4],
        filled: 0,
        played: Played::default(),
    };
    let mut up = Interpolator::new(settings.oversample);
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
        progress(done);
    }
    fast.clear();
    up.push(&[0.0; REACH][..around], &mut fast);
    up.finish(&mut fast);
    answers.clear();
    line.push(&fast, &mut answers)
        .map_err(Stopped::NoSolution)?;
    line.finish(&mut answers).map_err(Stopped::NoSolution)?;
    out.clear();
    down.push(&answers, &mut out);
    down.finish(&mut out);
    deliver(&mut out, done)?;
    debug_assert_eq!(sent, done);
    let mut played = line.played;
    played.samples = done;
    played.iterations = line.stepper.effort.iterations;
    Ok(played)
}

/// The circuit between its oversampled input and output.
struct Line<'c, 'p> {
    stepper: Stepper<'c>,
    probe: &'p Observable,
    at_rest: f64,
    settings: Settings,
    step_s: f64,
    tolerance: Vec<f64>,
    /// The last four inputs: a step leads from the second to the third.
    window: [f64; 4],
    filled: usize,
    played: Played,
}

impl Line<'_, '_> {
    fn push(&mut self, input: &[f64], out: &mut Vec<f64>) -> Result<(), Box<NoSolution>> {
        for &sample in input {
            self.window.rotate_left(1);
            self.window[3] = sample;
            self.filled += 1;
            // The step to a sample looks one sample ahead for its inner point.
            if self.filled >= 2 {
                self.step(out)?;
            }
        }
        Ok(())
    }

    /// The step to the very last sample, as if it stayed there.
    fn finish(&mut self, out: &mut Vec<f64>) -> Result<(), Box<NoSolution>> {
        if self.filled > 0 {
            self.push(&[self.window[3]], out)?;
        }
        Ok(())
    }

    fn step(&mut self, out: &mut Vec<f64>) -> Result<(), Box<NoSolution>> {
        let value = |x: f64| self.settings.rest + self.settings.full_scale * x;
        let inner: f64 = self
            .window
            .iter()
            .zip(inner_weights())
            .map(|(x, w)| x * w)
            .sum();
        let drive = [value(inner), value(self.window[2])];
        let taken = self.stepper.fixed(self.step_s, drive, &self.tolerance)?;
        self.played.steps += 1;
        self.played.divided += u64::from(taken > 1);
        let probe = self.probe;
        let answer = self
            .stepper
            .read(|assembly, moment| probe.read(assembly, moment));
        out.push(answer - self.at_rest);
        Ok(())
    }
}

/// Lagrange weights of samples at -1, 0, 1, 2 for the inner point of the step from 0 to 1.
fn inner_weights() -> [f64; 4] {
    let s = GAMMA;
    [
        -s * (s - 1.0) * (s - 2.0) / 6.0,
        (s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0,
        -(s + 1.0) * s * (s - 2.0) / 2.0,
        (s + 1.0) * s * (s - 1.0) / 6.0,
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cubic_is_interpolated_exactly() {
        let f = |x: f64| 1.0 + 2.0 * x - 3.0 * x * x + 0.5 * x * x * x;
        let w = inner_weights();
        let y: f64 = [-1.0, 0.0, 1.0, 2.0]
            .iter()
            .zip(w)
            .map(|(x, w)| f(*x) * w)
            .sum();
        assert!((y - f(GAMMA)).abs() < 1e-14);
    }
}
