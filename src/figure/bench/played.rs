//! A clip played through the circuit for its figures.

use super::super::Figure;
use super::super::driven_source::Driving;
use super::super::problem::FigureProblem;
use super::super::registry::OfSound;
use super::value::{Clips, FigureValue, Reading, Trouble, go_on};
use crate::audio::clip::Clip;
use crate::audio::level::Level;
use crate::audio::phrase;
use crate::audio::play::{self, PlaySettings, Stopped};
use crate::audio::steps::Steps;
use crate::circuit::Circuit;
use crate::system::probe::Observable;
use std::time::Instant;

/// Peak volts of the clip at digital full scale, unless said: as `render` has it.
const INPUT_VOLTS: f64 = 0.3;
/// Solver steps for each sample, unless said: fixed, so that a stored sound stays comparable.
const OVERSAMPLE: f64 = 8.0;
/// The built-in phrase's rate, Hz.
const PHRASE_RATE_HZ: u32 = 48_000;

/// How a clip is to be played.
#[derive(Debug)]
pub struct Playing {
    probe: Observable,
    driving: Driving,
    clip: Option<String>,
    seconds: Option<f64>,
    input_volts: f64,
    oversample: usize,
}

impl PartialEq for Playing {
    fn eq(&self, other: &Self) -> bool {
        self.probe.label.eq_ignore_ascii_case(&other.probe.label)
            && self.driving.name == other.driving.name
            && self.clip == other.clip
            && self.seconds == other.seconds
            && self.input_volts == other.input_volts
            && self.oversample == other.oversample
    }
}

/// What was heard.
#[derive(Debug)]
pub struct Sound {
    clip: Clip,
    /// Time of computing over time of playing.
    run_time: f64,
}

impl Playing {
    /// As a figure asks for it.
    pub fn new(figure: &Figure, probe: Observable, driving: Driving) -> Self {
        Playing {
            probe,
            driving,
            clip: figure.given("clip").map(|g| g.text.clone()),
            seconds: figure.number("seconds"),
            input_volts: figure.number("input-volts").unwrap_or(INPUT_VOLTS),
            oversample: figure.number("oversample").unwrap_or(OVERSAMPLE) as usize,
        }
    }

    /// Plays it.
    pub fn play(
        &self,
        circuit: &Circuit,
        figure: &Figure,
        clips: &dyn Clips,
        stopped: &(dyn Fn() -> bool + Sync),
    ) -> Result<Sound, Trouble> {
        let at_clip = |problem: FigureProblem| {
            let span = figure.given("clip").map_or(figure.span, |g| g.span);
            Trouble::Input(problem.at(span))
        };
        let mut clip = match &self.clip {
            None => phrase::phrase(PHRASE_RATE_HZ),
            Some(name) => clips.clip(name).map_err(|why| {
                at_clip(FigureProblem::Clip {
                    name: name.clone(),
                    why,
                })
            })?,
        };
        if let Some(seconds) = self.seconds {
            let most = (seconds * f64::from(clip.rate_hz)).round();
            clip.samples.truncate(most.clamp(1.0, 1e12) as usize);
        }
        if clip.samples.is_empty() {
            return Err(at_clip(FigureProblem::EmptyClip {
                name: self.clip.clone().unwrap_or_default(),
            }));
        }
        let settings = PlaySettings {
            driven: self.driving.driven,
            rest: self.driving.drive.value(0.0),
            full_scale: self.input_volts,
            steps: Steps::fine(self.oversample),
        };
        let mut samples = Vec::with_capacity(clip.samples.len());
        let begun = Instant::now();
        let outcome = play::play(
            circuit,
            &self.probe,
            &mut clip.stream(),
            &settings,
            &[],
            |block| {
                samples.extend_from_slice(block);
                go_on(stopped)
            },
        );
        let took_s = begun.elapsed().as_secs_f64();
        match outcome {
            Ok(_) => Ok(Sound {
                run_time: took_s / clip.duration_s(),
                clip: Clip {
                    rate_hz: clip.rate_hz,
                    channels: 1,
                    samples,
                },
            }),
            Err(Stopped::NoSolution(none)) => Err(Trouble::NoSolution(none)),
            Err(Stopped::Receiver(trouble)) => Err(trouble),
            Err(Stopped::Clip(problem)) => Err(at_clip(FigureProblem::Clip {
                name: self.clip.clone().unwrap_or_default(),
                why: problem.to_string(),
            })),
        }
    }
}

impl Sound {
    /// One figure of it.
    pub fn figure(&self, of: OfSound, playing: &Playing) -> FigureValue {
        let mut level = Level::default();
        level.push(&self.clip.samples);
        let unit = playing.probe.kind.unit();
        let number = |value, unit| {
            FigureValue::Number(Reading {
                value,
                unit,
                limit: None,
            })
        };
        match of {
            OfSound::Peak => number(level.peak(), unit),
            OfSound::Rms => number(level.rms(), unit),
            OfSound::RunTime => number(self.run_time, "x"),
            OfSound::Whole => FigureValue::Sound(self.clip.clone()),
        }
    }
}
