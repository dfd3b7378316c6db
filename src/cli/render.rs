//! `render`: a clip played through the circuit, as a WAV file.

use super::common::{self, Session, number_option};
use super::failure::Failure;
use super::{Command, Outcome};
use crate::audio::clip::SampleSource;
use crate::audio::level::{self, Level, Spool};
use crate::audio::phrase;
use crate::audio::play::{self, Played, Settings, Stopped};
use crate::circuit::bind::Timing;
use crate::circuit::{BranchKind, Circuit, Piece};
use crate::device::source::Drive;
use crate::num::{self, Role};
use crate::report::file::{self, FileProblem, Outputs};
use crate::report::progress::Progress;
use crate::report::wav::{self, Format, WavProblem, WavWriter, Written};
use crate::system::assemble::Driven;
use clap::{Arg, ArgMatches};
use serde_json::json;
use std::path::Path;
use std::time::Instant;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "render",
    about: "Audio: play a clip through the circuit and write the sound as WAV",
    options,
    run,
};

/// Peak volts of the clip at digital full scale, unless said: a single-coil pickup hit hard
/// (common practice, no published source).
const INPUT_VOLTS: f64 = 0.3;
/// Solver steps for each sample, unless said.
const OVERSAMPLE: usize = 8;
/// The built-in phrase's rate, Hz.
const PHRASE_RATE_HZ: u32 = 48_000;

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(
            Arg::new("clip")
                .long("clip")
                .value_name("IN.wav")
                .help("The sound that goes in; without it a built-in plucked phrase"),
        )
        .arg(
            Arg::new("source")
                .long("source")
                .value_name("NAME")
                .help("The source it drives; without it the one with an AC value"),
        )
        .arg(number_option(
            "input-volts",
            "V",
            "Peak volts at digital full scale (0.3)",
        ))
        .arg(
            Arg::new("out")
                .long("out")
                .value_name("OUT.wav")
                .required(true)
                .help("The sound that comes out"),
        )
        .arg(number_option(
            "output-volts",
            "V",
            "Volts written as digital full scale; without it the peak is brought to -1 dBFS",
        ))
        .arg(
            Arg::new("oversample")
                .long("oversample")
                .value_name("N")
                .help("Solver steps for each sample: 1, 2, 4, 8 or 16 (8)"),
        )
        .arg(
            Arg::new("format")
                .long("format")
                .value_name("FORMAT")
                .value_parser(["float32", "int16", "int24", "int32"])
                .default_value("float32")
                .help("How samples are written"),
        )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let oversample = oversample(&session)?;
    let input_volts = session
        .positive("input-volts", Role::Voltage)?
        .unwrap_or(INPUT_VOLTS);
    let output_volts = session.positive("output-volts", Role::Voltage)?;
    let circuit = session.circuit(Timing::default())?;
    let (source, driven, drive) = source(&session, &circuit)?;
    let probes = session.probes(&circuit, &["tran"])?;
    let [probe] = &probes[..] else {
        return Err(Failure::usage(format!(
            "render takes one `--probe`, found {}",
            probes.len()
        ))
        .hint("for example `--probe v(out)`"));
    };
    let built_in = phrase::phrase(PHRASE_RATE_HZ);
    let mut stream;
    let mut file;
    let (clip, clip_name): (&mut dyn SampleSource, &str) = match session.text("clip") {
        Some(path) => {
            file = wav::open_wav(Path::new(path)).map_err(|e| named(path, e))?;
            (&mut file, path)
        }
        None => {
            stream = built_in.stream();
            (&mut stream, "the built-in phrase")
        }
    };
    if clip.channels() > 1 && !session.quiet {
        common::tell(&format!(
            "warning: `{clip_name}` has {} channels; they are averaged\n",
            clip.channels()
        ));
    }

    let out = session.text("out").expect("required");
    let out = Path::new(out);
    let mut outputs = Outputs::new();
    let target = outputs.stage(out)?;
    let unwritable = |e| FileProblem::new(out, e);
    let mut spool = Spool::new(file::unnamed_beside(out)?);
    let rate_hz = clip.rate_hz();
    let length = clip.length();
    let progress = Progress::new("render", length as f64, session.quiet);
    let begun = Instant::now();
    let played = play::play(
        &circuit,
        probe,
        clip,
        &Settings {
            driven,
            rest: drive.value(0.0),
            full_scale: input_volts,
            oversample,
        },
        |samples| spool.push(samples),
        |done| progress.at(done as f64),
    )
    .map_err(|stopped| match stopped {
        Stopped::NoSolution(none) => Failure::NoSolution(none),
        Stopped::Clip(problem) => Failure::Usage {
            message: format!("`{clip_name}`: {problem}"),
            hint: None,
        },
        Stopped::Receiver(e) => Failure::File(unwritable(e)),
    })?;
    drop(progress);
    let took = begun.elapsed().as_secs_f64();

    let mut spooled = spool.finish().map_err(unwritable)?;
    let level = spooled.level();
    let gain = match output_volts {
        Some(volts) => 1.0 / volts,
        None => level::normalising_gain(level.peak()).unwrap_or(1.0),
    };
    let mut writer = WavWriter::new(std::io::BufWriter::new(target), rate_hz, format(&session))
        .map_err(|e| named(&out.display().to_string(), e))?;
    let mut block = Vec::new();
    loop {
        spooled
            .next_block(gain, 4096, &mut block)
            .map_err(unwritable)?;
        if block.is_empty() {
            break;
        }
        writer
            .write(&block)
            .map_err(|e| named(&out.display().to_string(), e))?;
    }
    let (written, _) = writer
        .finish()
        .map_err(|e| named(&out.display().to_string(), e))?;
    let told = Told {
        source: &source,
        clip: clip_name,
        probe: &probe.label,
        unit: probe.kind.unit(),
        rate_hz,
        oversample,
        input_volts,
        level,
        gain,
        normalised: output_volts.is_none(),
        played,
        written,
    };
    let json_path = session.json();
    common::stage_json(&mut outputs, json_path.as_deref(), &told.record(&circuit))?;
    session.show(|| told.printed(&circuit))?;
    common::commit(outputs)?;
    let seconds = length as f64 / f64::from(rate_hz);
    session.note(&format!(
        "{seconds:.1} s of sound in {took:.1} s: {:.2} of playing speed",
        seconds / took.max(1e-9)
    ));
    if written.beyond_full_scale > 0 && !session.quiet {
        common::tell(&format!(
            "warning: {} samples lie beyond digital full scale\n",
            written.beyond_full_scale
        ));
    }
    Ok(Outcome::Done)
}

fn named(path: &str, problem: WavProblem) -> Failure {
    Failure::usage(format!("`{path}`: {problem}"))
}

fn format(session: &Session<'_>) -> Format {
    match session.text("format") {
        Some("int16") => Format::Int16,
        Some("int24") => Format::Int24,
        Some("int32") => Format::Int32,
        _ => Format::Float32,
    }
}

fn oversample(session: &Session<'_>) -> Result<usize, Failure> {
    let Some(text) = session.text("oversample") else {
        return Ok(OVERSAMPLE);
    };
    match text.parse() {
        Ok(factor) if [1, 2, 4, 8, 16].contains(&factor) => Ok(factor),
        _ => Err(Failure::usage(format!(
            "`--oversample {text}` is not possible, expected 1, 2, 4, 8 or 16"
        ))),
    }
}

/// The source that the clip drives.
fn source(session: &Session<'_>, circuit: &Circuit) -> Result<(String, Driven, Drive), Failure> {
    let candidates: Vec<(&str, Driven, &Drive)> = circuit
        .elements
        .iter()
        .filter_map(|e| match e.ports.first()?.piece {
            Piece::Branch(k) => match &circuit.branches[k].kind {
                BranchKind::Source(drive) => Some((e.name.as_str(), Driven::Voltage(k), drive)),
                _ => None,
            },
            Piece::Current(k) => Some((
                e.name.as_str(),
                Driven::Current(k),
                &circuit.currents[k].drive,
            )),
            _ => None,
        })
        .collect();
    let names = || {
        candidates
            .iter()
            .map(|c| format!("`{}`", c.0))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let found = match session.text("source") {
        Some(name) => candidates
            .iter()
            .find(|c| c.0.eq_ignore_ascii_case(name))
            .ok_or_else(|| {
                let failure = Failure::usage(format!("no source `{name}`"));
                match crate::diag::nearest(name, candidates.iter().map(|c| c.0)) {
                    Some(near) => failure.hint(format!("did you mean `{near}`?")),
                    None => failure.hint(format!("the netlist has {}", names())),
                }
            })?,
        None => {
            let mut with_ac = candidates.iter().filter(|c| c.2.ac.is_some());
            match (with_ac.next(), with_ac.next()) {
                (Some(one), None) => one,
                _ => {
                    return Err(Failure::usage("which source does the clip drive?")
                        .hint(format!("give --source; the netlist has {}", names())));
                }
            }
        }
    };
    Ok((found.0.to_string(), found.1, found.2.clone()))
}

/// What the summary says.
struct Told<'a> {
    source: &'a str,
    clip: &'a str,
    probe: &'a str,
    unit: &'static str,
    rate_hz: u32,
    oversample: usize,
    input_volts: f64,
    level: Level,
    gain: f64,
    normalised: bool,
    played: Played,
    written: Written,
}

impl Told<'_> {
    fn record(&self, circuit: &Circuit) -> serde_json::Value {
        json!({
            "title": circuit.title,
            "source": self.source,
            "probe": self.probe,
            "rate_hz": self.rate_hz,
            "samples": self.played.samples,
            "input_volts": self.input_volts,
            "oversample": self.oversample,
            "peak": self.level.peak(),
            "rms": self.level.rms(),
            "unit": self.unit,
            "full_scale": 1.0 / self.gain,
            "normalised": self.normalised,
            "beyond_full_scale": self.written.beyond_full_scale,
            "effort": {
                "steps": self.played.steps,
                "divided": self.played.divided,
                "evaluations": self.played.evaluations,
            },
        })
    }

    fn printed(&self, circuit: &Circuit) -> String {
        let volts = |v: f64| num::engineering(v, self.unit, 4);
        let seconds = self.played.samples as f64 / f64::from(self.rate_hz);
        let mut text = format!(
            "{}\n{} ({seconds:.2} s at {} Hz) drives `{}`, {} peak at full scale\n",
            circuit.title.trim(),
            self.clip,
            self.rate_hz,
            self.source,
            num::engineering(self.input_volts, "V", 3)
        );
        text += &format!(
            "{}: peak {}, rms {}; full scale of the file is {}{}\n",
            self.probe,
            volts(self.level.peak()),
            volts(self.level.rms()),
            volts(1.0 / self.gain),
            if self.normalised {
                " (peak at -1 dBFS)"
            } else {
                ""
            }
        );
        text += &format!(
            "{} steps at {} times the rate, {:.2} evaluations of the valves a step; {} had to be divided\n",
            self.played.steps,
            self.oversample,
            self.played.evaluations as f64 / self.played.steps.max(1) as f64,
            self.played.divided
        );
        text
    }
}
