//! What is played into a circuit, and how: the options that all commands with sounds share.

use super::super::common::{Session, number_option};
use super::super::failure::Failure;
use super::super::{interrupt, memory};
use super::job::{self, Input, Oversample, Plan, Scale};
use crate::audio::aliasing;
use crate::audio::cabinet::{self, Cabinet, ResponseProblem};
use crate::audio::clip::{Clip, SampleStream};
use crate::audio::phrase;
use crate::audio::steps::Steps;
use crate::inputs::InputProblem;
use crate::limits::Bound;
use crate::num::Role;
use crate::report::wav::Format;
use clap::Arg;
use std::fmt::Display;
use std::path::Path;

/// Peak volts of the clip at digital full scale, unless said: a single-coil pickup hit hard
/// (common practice, no published source).
const INPUT_VOLTS: f64 = 0.3;
/// Bytes that any sound takes on its way (measured).
const PLAYED: f64 = 16e6;
/// The built-in phrase's rate, Hz.
const PHRASE_RATE_HZ: u32 = 48_000;

/// Adds the options that say what is played and how, for every command that makes sounds.
pub fn options(command: clap::Command) -> clap::Command {
    command
        .arg(
            Arg::new("clip")
                .long("clip")
                .value_name("IN.wav")
                .help("The sound that goes in; without it a built-in plucked phrase"),
        )
        .arg(super::super::driven_source::option("The source it drives; without it the one with an AC value"))
        .arg(number_option(
            "input-volts",
            "V",
            "Peak volts at digital full scale (0.3)",
        ))
        .arg(
            Arg::new("cabinet")
                .long("cabinet")
                .value_name("IR.wav|built-in")
                .help(
                    "Listen through a loudspeaker: its response to an impulse as a WAV file, or \
                     the built-in one. It loads nothing: it comes after the circuit",
                ),
        )
        .arg(
            Arg::new("oversample")
                .long("oversample")
                .value_name("N")
                .help(
                    "Solver steps for each sample: 1, 2, 4, 8, 16; 4-coarse, which divides steps later \
                     where the sound has corners; or auto (the default): 4-coarse, 4, 8 or 16, \
                     the first whose aliases stay 80 dB below the sound and whose tone error stays \
                     within 0.01 dB (-60 dB), up to 20 kHz, in the loudest, the brightest and the \
                     steepest piece of the clip (judged by what twice as many steps change)",
                ),
        )
}

/// What is played and how, before it is known into what.
pub struct Playing {
    input: Input,
    /// Peak volts at digital full scale.
    pub input_volts: f64,
    cabinet: Option<Cabinet>,
    cabinet_name: Option<String>,
    steps: Option<Steps>,
    /// Of the clip, Hz.
    pub rate_hz: u32,
    /// Of the clip, samples.
    pub length: u64,
}

impl Playing {
    /// What [`options`] say.
    pub fn asked(session: &Session<'_>) -> Result<Self, Failure> {
        memory::require(PLAYED, "a sound to be played")?;
        let steps = oversample(session)?;
        let input_volts = session
            .positive("input-volts", Role::Voltage)?
            .unwrap_or(INPUT_VOLTS);
        let input = match session.text("clip") {
            Some(path) => Input::File(path.into(), session.guards.sandbox.clone()),
            None => Input::Phrase(phrase::phrase(PHRASE_RATE_HZ)),
        };
        let clip = input.open()?;
        let (rate_hz, length, channels) = (clip.rate_hz(), clip.length(), clip.channels());
        drop(clip);
        session
            .guards
            .within(Bound::ClipSamples, length as f64, |found, most| {
                format!(
                    "`{}` has {found} samples, at most {most} are played",
                    input.name()
                )
            })?;
        if let Input::File(path, _) = &input
            && let Some(ending) = path.extension()
            && !ending.eq_ignore_ascii_case("wav")
        {
            // What it holds counts; that its name says otherwise is worth a word.
            session.note(&format!(
                "`{}` holds a WAV and is read as one",
                input.name()
            ));
        }
        if channels > 1 {
            session.warning(&format!(
                "`{}` has {channels} channels; they are averaged",
                input.name()
            ));
        }
        let cabinet = session
            .text("cabinet")
            .map(|text| cabinet(session, text, rate_hz))
            .transpose()?;
        Ok(Playing {
            input,
            input_volts,
            cabinet,
            cabinet_name: session.text("cabinet").map(str::to_string),
            steps,
            rate_hz,
            length,
        })
    }

    /// What goes in, as messages call it.
    pub fn name(&self) -> String {
        self.input.name()
    }

    /// What is listened through, as the option names it.
    pub fn cabinet_name(&self) -> Option<&str> {
        self.cabinet_name.as_deref()
    }

    /// The same with all that a job needs; the clip is looked through for the pieces that the
    /// oversampling is judged by.
    pub fn plan(self, scale: Scale, format: Format) -> Result<Plan, Failure> {
        let oversample = match self.steps {
            Some(steps) => Oversample::Fixed(steps),
            None => {
                let mut clip = self.input.open()?;
                let pieces = aliasing::pieces(&mut *clip, interrupt::check);
                Oversample::Auto(pieces.map_err(|e| self.input.broken(e))??)
            }
        };
        Ok(Plan {
            input: self.input,
            input_volts: self.input_volts,
            cabinet: self.cabinet,
            scale,
            oversample,
            format,
        })
    }
}

/// The cabinet asked for, at the clip's rate.
fn cabinet(session: &Session<'_>, text: &str, rate_hz: u32) -> Result<Cabinet, Failure> {
    let bad = |why: &dyn Display| Failure::usage(format!("`--cabinet {text}`: {why}"));
    if text == "built-in" {
        return Cabinet::built_in(rate_hz).map_err(|e| bad(&e).into());
    }
    let path = Path::new(text);
    if !path.exists() {
        return Err(bad(&InputProblem::NotFound).hint("expected a WAV file, or `built-in`"));
    }
    let mut file = job::open_wav(path, session.guards.sandbox.as_ref())?;
    let found_s = file.length() as f64 / f64::from(file.rate_hz());
    if found_s > cabinet::LONGEST_S {
        // Told before it is read whole.
        return Err(bad(&ResponseProblem::TooLong { found_s }).into());
    }
    if file.channels() > 1 {
        session.warning(&format!(
            "`{text}` has {} channels; they are averaged",
            file.channels()
        ));
    }
    let response = Clip::collect(&mut file).map_err(|e| bad(&e))?;
    Cabinet::from_response(&response.samples, response.rate_hz, rate_hz).map_err(|e| bad(&e).into())
}

/// The steps asked for; none if they are to be chosen.
fn oversample(session: &Session<'_>) -> Result<Option<Steps>, Failure> {
    match session.text("oversample") {
        None | Some("auto") => Ok(None),
        Some(text) => match Steps::named(text) {
            Some(steps) => Ok(Some(steps)),
            None => Err(Failure::usage(format!(
                "`--oversample {text}` is not possible, expected auto, 1, 2, 4, 8 or 16, or {}",
                Steps::coarse()
            ))
            .into()),
        },
    }
}
