//! The sounds: versions of a circuit that are rendered, and files that are read.

use super::super::common::Session;
use super::super::failure::Failure;
use super::super::render::job::{Job, Scale, open_wav};
use super::super::render::playing::Playing;
use super::super::render::{clip, in_parallel, jobs};
use super::super::{interrupt, memory};
use crate::audio::clip::{Clip, SampleStream};
use crate::audio::level::Level;
use crate::circuit::params::Setting;
use crate::limits::Bound;
use crate::num;
use crate::report::file::FileProblem;
use crate::report::progress::Shared;
use crate::report::wav::{Format, WavReader};
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

/// A sound before it is matched to others.
#[derive(Debug)]
pub struct Heard {
    /// What it is.
    pub name: String,
    /// What was set in this version: names and values as typed; none for a file.
    pub settings: Vec<(String, String)>,
    /// The settings themselves, to build the circuit once more.
    pub built: Vec<Setting>,
    /// At the probe, where its samples are those through a cabinet.
    pub at_probe: Option<Level>,
    /// Its samples, in `unit`.
    pub clip: Clip,
    /// V, A or W; empty for a file, which is in parts of full scale.
    pub unit: &'static str,
    /// Figures asked for: the value and its unit; none where the circuit has no such figure.
    pub figures: Vec<Option<(f64, &'static str)>>,
}

/// Bytes a sample takes while sounds are made and matched.
const BYTES: f64 = 40.0;

/// Versions of a circuit, about to be rendered.
pub struct Asked {
    /// One for each version.
    pub jobs: Vec<Job>,
    settings: Vec<Vec<Setting>>,
    playing: Playing,
    in_all: String,
}

impl Asked {
    /// What the options say; `out` is where what waits may be kept.
    pub fn new(session: &mut Session<'_>, out: &Path) -> Result<Self, Failure> {
        let mut jobs = jobs(session, &[], out)?;
        let base = session.circuit(Default::default())?;
        session.warn_of_supply(&base);
        session.warn_of_loads(&base);
        let variants = super::super::variant::variants(session, &base)?;
        let settings = variants.into_iter().map(|v| v.settings).collect();
        for job in &mut jobs {
            job.out = out.to_owned();
        }
        let common = session.settings().list().iter();
        let in_all = common.map(|s| format!("{}={}", s.target, s.value.text));
        Ok(Asked {
            jobs,
            settings,
            playing: Playing::asked(session)?,
            in_all: in_all.collect::<Vec<_>>().join(", "),
        })
    }

    /// How long all sounds last together, s.
    pub fn seconds(&self) -> f64 {
        self.jobs.len() as f64 * self.playing.length as f64 / f64::from(self.playing.rate_hz)
    }

    /// The circuit's title.
    pub fn title(&self) -> String {
        self.jobs[0].circuit.title.trim().to_string()
    }

    /// What is played and heard, in a sentence or two.
    pub fn about(&self) -> String {
        let job = &self.jobs[0];
        let seconds = self.playing.length as f64 / f64::from(self.playing.rate_hz);
        let mut text = format!(
            "Played: {} ({seconds:.2} s, {} Hz) into {}, {} peak at full scale; heard: {}{}.",
            self.playing.name(),
            self.playing.rate_hz,
            job.source,
            num::engineering(self.playing.input_volts, job.driven.unit(), 3),
            job.probe.label,
            match self.playing.cabinet_name() {
                Some("built-in") => ", through the built-in loudspeaker".to_string(),
                Some(name) => format!(", through the loudspeaker of `{name}`"),
                None => String::new(),
            }
        );
        if self.playing.cabinet_name().is_some() {
            text += &format!(" Peak and RMS are those of {} itself.", job.probe.label);
        }
        if !self.in_all.is_empty() {
            text += &format!(" Set in every version: {}.", self.in_all);
        }
        text
    }

    /// Renders all versions, side by side.
    pub fn play(self, session: &Session<'_>, what: &'static str) -> Result<Vec<Heard>, Failure> {
        let (rate_hz, length) = (self.playing.rate_hz, self.playing.length);
        let whole = length * self.jobs.len() as u64;
        memory::require(whole as f64 * BYTES, "the sounds of a page")?;
        let plan = self.playing.plan(Scale::Peak, Format::Int16)?;
        let progress = Shared::new(what, whole, f64::from(rate_hz), session.quiet);
        let made = in_parallel(&self.jobs, |_, job, poll| {
            let whole = job.play_whole(&plan, &progress, poll)?;
            let mut spooled = whole.spooled;
            let (mut samples, mut block) = (Vec::with_capacity(length as usize), Vec::new());
            loop {
                spooled
                    .next_block(1.0, 65_536, &mut block)
                    .map_err(|e| FileProblem::new(&job.out, e))?;
                if block.is_empty() {
                    return Ok((whole.clip, whole.at_probe, samples));
                }
                samples.extend_from_slice(&block);
            }
        });
        drop(progress);
        if let (Some(Ok((played, _, _))), Some(job)) = (made.first(), self.jobs.first()) {
            for warning in clip::warnings(&plan, job, played) {
                session.warning(&warning);
            }
        }
        let mut heard = Vec::new();
        for ((job, settings), samples) in self.jobs.into_iter().zip(self.settings).zip(made) {
            let (at_probe, samples) = match samples {
                Ok((_, at_probe, samples)) => (at_probe, samples),
                Err(failure) => {
                    if !job.label.is_empty() && !matches!(failure, Failure::Interrupted) {
                        session.note(&format!("while rendering {}", job.label));
                    }
                    return Err(failure);
                }
            };
            heard.push(Heard {
                name: if job.label.is_empty() {
                    "as drawn".to_string()
                } else {
                    job.label
                },
                settings: settings
                    .iter()
                    .map(|s| (s.target.clone(), s.value.text.clone()))
                    .collect(),
                built: settings,
                at_probe: plan.cabinet.is_some().then_some(at_probe),
                clip: Clip {
                    rate_hz,
                    channels: 1,
                    samples,
                },
                unit: job.probe.kind.unit(),
                figures: Vec::new(),
            });
        }
        Ok(heard)
    }
}

/// A WAV file that is open.
pub struct SoundFile {
    path: PathBuf,
    name: String,
    sound: WavReader<BufReader<File>>,
}

/// Opens all files, so that what cannot be read is reported before the work.
pub fn open_all(session: &Session<'_>, paths: &[PathBuf]) -> Result<Vec<SoundFile>, Failure> {
    let mut files: Vec<SoundFile> = Vec::new();
    for path in paths {
        let sound = open_wav(path, session.guards.sandbox.as_ref())?;
        session
            .guards
            .within(Bound::ClipSamples, sound.length() as f64, |found, most| {
                format!(
                    "`{}` has {found} samples, at most {most} are taken",
                    path.display()
                )
            })?;
        if sound.channels() > 1 {
            session.warning(&format!(
                "`{}` has {} channels; they are averaged",
                path.display(),
                sound.channels()
            ));
        }
        // The folder only where the name alone does not tell them apart.
        let short = |path: &Path| path.file_name().map(|n| n.to_string_lossy().into_owned());
        let is_shared = paths.iter().filter(|p| short(p) == short(path)).count() > 1;
        let name = match short(path) {
            Some(name) if !is_shared => name,
            _ => path.display().to_string(),
        };
        files.push(SoundFile {
            path: path.clone(),
            name,
            sound,
        });
    }
    Ok(files)
}

/// How long all files last together, s.
pub fn seconds(files: &[SoundFile]) -> f64 {
    let each = files
        .iter()
        .map(|f| f.sound.length() as f64 / f64::from(f.sound.rate_hz()));
    each.sum()
}

/// Reads all files.
pub fn read_all(files: Vec<SoundFile>) -> Result<Vec<Heard>, Failure> {
    let samples: f64 = files.iter().map(|f| f.sound.length() as f64).sum();
    memory::require(samples * BYTES, "the sounds of a page")?;
    let read = |mut file: SoundFile| {
        interrupt::check()?;
        let clip = Clip::collect(&mut file.sound).map_err(|problem| {
            Failure::usage(format!("`{}`: {problem}", file.path.display())).hint(problem.hint())
        })?;
        Ok(Heard {
            name: file.name,
            settings: Vec::new(),
            built: Vec::new(),
            at_probe: None,
            clip,
            unit: "",
            figures: Vec::new(),
        })
    };
    files.into_iter().map(read).collect()
}
