//! One sound: a circuit, what drives it and where its output goes.

use super::super::failure::{Failure, meant};
use super::super::parallel;
use crate::analysis::NoSolution;
use crate::audio::aliasing::{self, Oversampling, Piece};
use crate::audio::automation::Turning;
use crate::audio::cabinet::Cabinet;
use crate::audio::clip::{Clip, SampleStream, SourceProblem};
use crate::audio::level::{self, Level, Metered, Spool, Spooled};
use crate::audio::loudness::{self, Loudness};
use crate::audio::play::{self, PlaySettings, Played, Start, Stopped};
use crate::audio::steps::Steps;
use crate::circuit::Circuit;
use crate::inputs::{self, Sandbox};
use crate::report::file::{self, FileProblem};
use crate::report::progress::Shared;
use crate::report::wav::{self, Format, WavProblem, WavReader, WavWriter, Written};
use crate::system::assemble::Driven;
use crate::system::probe::Observable;
use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};

/// The sound that goes in.
#[derive(Debug)]
pub enum Input {
    /// A WAV file, and the folder that it must not leave if it is in there.
    File(PathBuf, Option<Sandbox>),
    /// The built-in phrase.
    Phrase(Clip),
}

impl Input {
    /// What messages call it.
    pub fn name(&self) -> String {
        match self {
            Input::File(path, _) => path.display().to_string(),
            Input::Phrase(_) => "the built-in phrase".into(),
        }
    }

    /// The sound from its start.
    pub fn open(&self) -> Result<Box<dyn SampleStream + '_>, Failure> {
        Ok(match self {
            Input::File(path, sandbox) => Box::new(open_wav(path, sandbox.as_ref())?),
            Input::Phrase(clip) => Box::new(clip.stream()),
        })
    }

    /// The failure of a stream that broke off.
    pub fn broken(&self, problem: SourceProblem) -> Failure {
        Failure::usage(format!("`{}`: {problem}", self.name())).hint(problem.hint())
    }
}

/// A WAV problem with the file's name.
pub fn named(path: &Path, problem: WavProblem) -> Failure {
    match problem {
        WavProblem::Write(e) => FileProblem::new(path, e).into(),
        problem => {
            let failure = Failure::usage(match &problem {
                WavProblem::Open(why) => inputs::cannot_read(path, why),
                problem => format!("`{}`: {problem}", path.display()),
            });
            let hint = problem.hint().map(str::to_string);
            failure.hint_if_any(hint.or_else(|| meant(path)))
        }
    }
}

/// A WAV file that the user names.
pub fn open_wav(
    path: &Path,
    sandbox: Option<&Sandbox>,
) -> Result<WavReader<BufReader<File>>, Failure> {
    let opened = inputs::open_named(path, sandbox).map_err(WavProblem::Open);
    opened.and_then(wav::read_wav).map_err(|e| named(path, e))
}

/// What all sounds of a run have in common.
#[derive(Debug)]
pub struct Plan {
    /// The sound that goes in.
    pub input: Input,
    /// Peak volts (or amperes) at digital full scale.
    pub input_volts: f64,
    /// What is listened through, at its start.
    pub cabinet: Option<Cabinet>,
    /// How the file comes to its level.
    pub scale: Scale,
    /// Solver steps a sample, or the excerpt they are chosen by.
    pub oversample: Oversample,
    /// How samples are written.
    pub format: Format,
}

/// How volts become full scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scale {
    /// N volts (or amperes) are full scale.
    Volts(f64),
    /// The peak is brought to -1 dBFS.
    Peak,
    /// The whole is brought to N LUFS.
    Loudness(f64),
}

/// How many solver steps a sample takes.
#[derive(Debug)]
pub enum Oversample {
    /// N in every sample.
    Fixed(Steps),
    /// As many as these pieces of the clip need.
    Auto(Vec<Piece>),
}

/// One sound to be made.
#[derive(Debug)]
pub struct Job {
    /// What is varied, empty if nothing is.
    pub label: String,
    /// Its file.
    pub out: PathBuf,
    /// The circuit.
    pub circuit: Circuit,
    /// Knobs that are turned.
    pub knobs: Vec<Turning>,
    /// The source that the clip drives.
    pub driven: Driven,
    /// Its name.
    pub source: String,
    /// Its value at rest.
    pub rest: f64,
    /// What is listened to.
    pub probe: Observable,
}

/// What is asked again and again whether to go on.
pub type Poll<'p> = dyn Fn() -> Result<(), Failure> + Sync + 'p;

/// What became of a job.
#[derive(Debug)]
pub struct Made {
    /// Steps a sample, and the estimate if they were chosen.
    pub oversample: Oversampling,
    /// Of the clip, digital full scale being one.
    pub clip: Level,
    /// At the probe, in its unit.
    pub at_probe: Level,
    /// Of the sound before the gain, in the probe's unit: the same, or through the cabinet.
    pub level: Level,
    /// Of the file, LUFS; none if it is too short or silent.
    pub loudness_lufs: Option<f64>,
    /// From the probe's unit to the file's.
    pub gain: f64,
    /// The effort.
    pub played: Played,
    /// What is in the file.
    pub written: Written,
}

/// The whole clip, played and not yet scaled.
#[derive(Debug)]
pub struct Whole {
    /// Steps a sample, and the estimate if they were chosen.
    pub oversample: Oversampling,
    /// Of the clip, digital full scale being one.
    pub clip: Level,
    /// At the probe, in its unit.
    pub at_probe: Level,
    /// The effort.
    pub played: Played,
    /// The sound, through the cabinet if there is one.
    pub spooled: Spooled<File>,
}

impl Job {
    /// Makes the sound. `poll` is asked again and again whether to go on.
    pub fn run(
        &self,
        plan: &Plan,
        target: File,
        progress: &Shared,
        poll: &Poll<'_>,
    ) -> Result<Made, Failure> {
        let Whole {
            oversample,
            clip,
            at_probe,
            played,
            mut spooled,
        } = self.play_whole(plan, progress, poll)?;
        let out = &self.out;
        let unwritable = |e| FileProblem::new(out, e);
        let rate_hz = plan.input.open()?.rate_hz();
        let level = spooled.level();
        let by_peak = level::normalising_gain(level.peak()).unwrap_or(1.0);
        let gain = match plan.scale {
            Scale::Volts(volts) => 1.0 / volts,
            Scale::Peak => by_peak,
            Scale::Loudness(target) => {
                // Measured at a usual level first: what is silence is counted from full scale.
                let mut meter = Loudness::new(rate_hz);
                read_back(&mut spooled, by_peak, out, poll, |block| {
                    meter.push(block);
                    Ok(())
                })?;
                spooled.rewind().map_err(unwritable)?;
                match meter.integrated_lufs() {
                    Some(found) => by_peak * loudness::gain_to(target, found),
                    None => by_peak,
                }
            }
        };
        let bad = |e| named(out, e);
        let mut writer =
            WavWriter::new(BufWriter::new(target), rate_hz, plan.format).map_err(bad)?;
        let mut meter = Loudness::new(rate_hz);
        read_back(&mut spooled, gain, out, poll, |block| {
            meter.push(block);
            writer.write(block).map_err(bad)
        })?;
        let (written, _) = writer.finish().map_err(bad)?;
        Ok(Made {
            oversample,
            clip,
            at_probe,
            level,
            loudness_lufs: meter.integrated_lufs(),
            gain,
            played,
            written,
        })
    }

    /// Plays the whole clip into a store, unscaled.
    pub fn play_whole(
        &self,
        plan: &Plan,
        progress: &Shared,
        poll: &Poll<'_>,
    ) -> Result<Whole, Failure> {
        poll()?;
        let start = self.start(&self.knobs).map_err(Failure::NoSolution)?;
        let oversample = match &plan.oversample {
            Oversample::Fixed(steps) => Oversampling {
                steps: *steps,
                estimate: None,
                piece: 0,
            },
            Oversample::Auto(pieces) => self.choose(plan, pieces, &start, poll)?,
        };
        let out = &self.out;
        let unwritable = |e| FileProblem::new(out, e);
        let mut spool = Spool::new(file::unnamed_beside(out)?);
        let mut opened = plan.input.open()?;
        let mut clip = Metered::new(&mut *opened);
        let mut at_probe = Level::default();
        let mut cabinet = plan.cabinet.clone();
        let mut heard = Vec::new();
        let played = self
            .play(
                plan,
                &start,
                &mut clip,
                oversample.steps,
                &self.knobs,
                |samples| {
                    poll()?;
                    if samples.is_empty() {
                        return Ok(());
                    }
                    progress.more(samples.len());
                    at_probe.push(samples);
                    let samples = match &mut cabinet {
                        Some(cabinet) => {
                            heard.clear();
                            cabinet.push(samples, &mut heard);
                            &heard
                        }
                        None => samples,
                    };
                    spool.push(samples).map_err(|e| unwritable(e).into())
                },
            )
            .map_err(|stopped| match stopped {
                Stopped::NoSolution(none) => Failure::NoSolution(none),
                Stopped::Clip(problem) => plan.input.broken(problem),
                Stopped::Receiver(failure) => failure,
            })?;
        if let Some(cabinet) = cabinet {
            heard.clear();
            cabinet.finish(&mut heard);
            spool.push(&heard).map_err(unwritable)?;
        }
        let spooled = spool.finish().map_err(unwritable)?;
        Ok(Whole {
            oversample,
            clip: clip.level(),
            at_probe,
            played,
            spooled,
        })
    }

    /// Where the circuit is when a clip begins.
    fn start(&self, knobs: &[Turning]) -> Result<Start, Box<NoSolution>> {
        for knob in knobs {
            knob.to(0.0);
        }
        Start::find(&self.circuit, &self.probe, self.driven, self.rest)
    }

    fn play(
        &self,
        plan: &Plan,
        start: &Start,
        clip: &mut dyn SampleStream,
        steps: Steps,
        knobs: &[Turning],
        receive: impl FnMut(&[f64]) -> Result<(), Failure>,
    ) -> Result<Played, Stopped<Failure>> {
        let settings = PlaySettings {
            driven: self.driven,
            rest: self.rest,
            full_scale: plan.input_volts,
            steps,
        };
        let (circuit, probe) = (&self.circuit, &self.probe);
        play::play_from(start, circuit, probe, clip, &settings, knobs, receive)
    }

    /// The oversampling that the pieces need: with the knobs as they are there, and also
    /// all at their lowest and all at their highest, for elsewhere in the clip they may be.
    fn choose(
        &self,
        plan: &Plan,
        pieces: &[Piece],
        start: &Start,
        poll: &Poll<'_>,
    ) -> Result<Oversampling, Failure> {
        let click;
        let pieces = if self.circuit.laws.is_empty() {
            click = pieces.first().map(|p| Piece::click(p.clip.rate_hz));
            click.as_slice()
        } else {
            pieces
        };
        if self.knobs.is_empty() {
            return aliasing::choose(pieces, |trials| {
                let joined = aliasing::join(pieces, trials);
                let tried = parallel::map(&joined, parallel::processors(), |joined| {
                    self.tried(plan, &joined.clip, joined.steps, start, &[], poll)
                });
                let tried: Result<Vec<_>, Failure> = tried.into_iter().collect();
                Ok(aliasing::part(&joined, &tried?))
            });
        }
        let mut worst: Option<Oversampling> = None;
        for held in [None, Some(0), Some(1)] {
            let choice = aliasing::choose(pieces, |trials| {
                let tried = trials.iter().map(|trial| {
                    let there = |knob: &Turning| match held {
                        None => knob.starting(pieces[trial.piece].from_s),
                        Some(end) => knob.held()[end].clone(),
                    };
                    let knobs: Vec<Turning> = self.knobs.iter().map(there).collect();
                    match self.start(&knobs) {
                        Ok(start) => {
                            let clip = &pieces[trial.piece].clip;
                            self.tried(plan, clip, trial.steps, &start, &knobs, poll)
                        }
                        Err(_) => Ok(None),
                    }
                });
                tried.collect()
            })?;
            if worst.is_none_or(|w| choice.steps > w.steps) {
                worst = Some(choice);
            }
        }
        Ok(worst.expect("there is one case at least"))
    }

    /// Pieces at some steps; none if they have no solution.
    fn tried(
        &self,
        plan: &Plan,
        clip: &Clip,
        steps: Steps,
        start: &Start,
        knobs: &[Turning],
        poll: &Poll<'_>,
    ) -> Result<Option<Vec<f64>>, Failure> {
        let mut found = Vec::new();
        let mut clip = clip.stream();
        let played = self.play(plan, start, &mut clip, steps, knobs, |samples| {
            found.extend_from_slice(samples);
            poll()
        });
        match played {
            Ok(_) => Ok(Some(found)),
            Err(Stopped::Receiver(failure)) => Err(failure),
            // The whole clip will tell what is wrong, if anything is.
            Err(_) => Ok(None),
        }
    }
}

/// Reads a spool to its end, block by block, times `gain`.
fn read_back(
    spooled: &mut Spooled<File>,
    gain: f64,
    out: &Path,
    poll: &dyn Fn() -> Result<(), Failure>,
    mut take: impl FnMut(&[f64]) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let mut block = Vec::new();
    loop {
        poll()?;
        spooled
            .next_block(gain, 4096, &mut block)
            .map_err(|e| FileProblem::new(out, e))?;
        if block.is_empty() {
            return Ok(());
        }
        take(&block)?;
    }
}
