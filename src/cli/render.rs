//! `render`: a clip played through the circuit, as a WAV file.

pub(super) mod clip;
pub(super) mod job;
pub(super) mod playing;
mod summary;

use super::command::Command;
use super::common::{Session, number_option, out_option, unstable_words, vary_option};
use super::failure::Failure;
use super::heading::heading;
use super::one_probe::one_probe;
use super::outcome::Outcome;
use super::{driven_source, interrupt, parallel, variant};
use crate::audio::aliasing::Oversampling;
use crate::audio::automation::{Curve, Turning};
use crate::circuit::bind::Timing;
use crate::circuit::params::{Overrides, Setting, bare};
use crate::circuit::{Circuit, Element};
use crate::inputs;
use crate::num::{self, Role};
use crate::report::file::{FileProblem, STANDARD_OUTPUT};
use crate::report::progress::Shared;
use crate::report::wav::Format;
use clap::{Arg, ArgAction, ArgMatches};
use job::{Job, Made, Oversample, Plan, Poll, Scale};
use playing::Playing;
use std::fmt::Display;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;
use summary::Summary;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "render",
    about: "Audio: play a clip through the circuit and write the sound as WAV",
    options,
    run,
};

/// Bytes of a list of knob positions that are read at most.
const CURVE: u64 = 256 << 20;

fn options(command: clap::Command) -> clap::Command {
    playing::options(command)
        .arg(out_option("OUT.wav", "The sound that comes out"))
        .arg(number_option(
            "output-volts",
            "V",
            "Volts written as digital full scale; without it the peak is brought to -1 dBFS",
        ))
        .arg(number_option(
            "loudness",
            "LUFS",
            "Bring the file to this integrated loudness (ITU-R BS.1770), for example -16",
        ))
        .arg(vary_option(
            "Render once for each value of an element, NAME.parameter, pot or toggle, side by \
             side; `--out out.wav` becomes out-NAME=a.wav and so on (in file names, anything but \
             letters, digits and . _ + = - becomes _). Repeat it to run every combination",
        ))
        .arg(
            Arg::new("automate")
                .long("automate")
                .value_name("KNOB=POINTS.csv")
                .action(ArgAction::Append)
                .help(
                    "Turn a pot while the clip plays: columns time_s,position (0..10), header \
                     optional, straight lines between the points; takes the place of its --knob",
                ),
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
    let scale = scale(&session)?;
    let curves = curves(&session)?;
    let out = Path::new(session.text("out").expect("required"));
    let jobs = jobs(&mut session, &curves, out)?;
    if jobs.len() > 1 && out == Path::new(STANDARD_OUTPUT) {
        return Err(
            Failure::usage("several sounds cannot go to standard output")
                .hint("give --out a file name; each sound's own is made from it"),
        );
    }
    let played = Playing::asked(&session)?;
    let (rate_hz, length) = (played.rate_hz, played.length);
    let mut outputs = session.guards.outputs();
    let targets: Vec<File> = jobs
        .iter()
        .map(|job| outputs.stage(&job.out))
        .collect::<Result<_, _>>()?;
    let begun = Instant::now();
    let plan = played.plan(scale, format(&session))?;
    let whole = length * jobs.len() as u64;
    let progress = Shared::new("render", whole, f64::from(rate_hz), session.quiet);
    let results = in_parallel(&jobs, |k, job, poll| {
        let target = targets[k]
            .try_clone()
            .map_err(|e| Failure::File(FileProblem::new(&job.out, e)))?;
        job.run(&plan, target, &progress, poll)
    });
    drop((progress, targets));
    let took_s = begun.elapsed().as_secs_f64();

    let mut made = Vec::new();
    for (job, result) in jobs.into_iter().zip(results) {
        match result {
            Ok(done) => made.push((job, done)),
            Err(failure) => {
                if !job.label.is_empty() && !matches!(failure, Failure::Interrupted) {
                    session.note(&format!("while computing {}", job.label));
                }
                return Err(failure);
            }
        }
    }
    let summary = Summary {
        plan: &plan,
        rate_hz,
        made: &made,
    };
    if let Some(path) = session.csv() {
        outputs.text(&path, &summary.csv())?;
    }
    session.finish(outputs, || summary.record(), || summary.printed())?;
    remarks(&session, &plan, &made);
    let seconds = whole as f64 / f64::from(rate_hz);
    session.note(&format!(
        "rendered {seconds:.1} s in {took_s:.1} s ({:.2}x real time)",
        seconds / took_s.max(1e-9)
    ));
    Ok(Outcome::Done)
}

/// All circuits of the run, with what drives them and what is listened to.
pub(super) fn jobs(
    session: &mut Session<'_>,
    curves: &[(String, Curve)],
    out: &Path,
) -> Result<Vec<Job>, Failure> {
    let base = session.circuit(Timing::default())?;
    session.warn_of_supply(&base);
    session.warn_of_loads(&base);
    let variants = variant::variants(session, &base)?;
    let mut jobs = Vec::new();
    for variant in variants {
        let mut circuit = session.circuit_with(&variant.settings, Timing::default())?;
        session.fits(&circuit)?;
        let mut knobs = Vec::new();
        for (name, curve) in curves {
            let element = pot(&circuit, name)?;
            let turned = |s: &Setting| pot(&circuit, &s.target).ok() == Some(element);
            if variant.settings.iter().any(turned) {
                return Err(
                    Failure::usage(format!("`{name}` is both varied and automated")).into(),
                );
            }
            let turning = Turning::new(&mut circuit, element, curve.clone())
                .ok_or_else(|| Failure::usage(format!("`{name}` is automated twice")))?;
            knobs.push(turning);
        }
        if !curves.is_empty() {
            circuit.title = turned_heading(session, &circuit, curves);
        }
        let (source, driven, drive) =
            driven_source::named(session, &circuit, "which source does the clip drive?")?;
        let probe = one_probe(session, &circuit, &[&["tran"]], "a sound")?;
        if let Some(words) = unstable_words(&variant.prefix(), &circuit) {
            session.warning(&words);
        }
        jobs.push(Job {
            label: variant.label(),
            out: variant.path(out),
            circuit,
            knobs,
            driven,
            source,
            rest: drive.value(0.0),
            probe,
        });
    }
    Ok(jobs)
}

/// The heading where knobs are turned: what is set but for them, and their names.
fn turned_heading(session: &Session<'_>, circuit: &Circuit, curves: &[(String, Curve)]) -> String {
    let place = |name: &str| pot(circuit, name).ok();
    let is_turned = |s: &&Setting| {
        let set = place(&s.target);
        set.is_some() && curves.iter().any(|c| place(&c.0) == set)
    };
    let mut kept = Overrides::default();
    let settings = session.settings().list().iter();
    settings
        .filter(|s| !is_turned(s))
        .for_each(|s| kept.push(s.clone()));
    let names: Vec<&str> = curves.iter().map(|c| c.0.as_str()).collect();
    format!(
        "{}, {} turned",
        heading(&session.draft.netlist.title, &kept),
        names.join(", ")
    )
}

/// The knobs that are turned, by name as typed.
fn curves(session: &Session<'_>) -> Result<Vec<(String, Curve)>, Failure> {
    session
        .texts("automate")
        .into_iter()
        .map(|text| {
            let Some((name, path)) = text.split_once('=') else {
                return Err(Failure::usage(format!("`--automate {text}` has no `=`"))
                    .hint("expected KNOB=points.csv"));
            };
            let bad = |why: &dyn Display| Failure::usage(format!("`{path}`: {why}"));
            let sandbox = session.guards.sandbox.as_ref();
            let file = inputs::open_named(Path::new(path), sandbox);
            let mut file = file.map_err(|why| match why.hint() {
                Some(hint) => bad(&why).hint(hint),
                None => bad(&why).into(),
            })?;
            // One byte more shows that the list does not end there.
            let mut file = (&mut file).take(CURVE + 1);
            let mut text = String::new();
            file.read_to_string(&mut text).map_err(|e| bad(&e))?;
            if text.len() as u64 > CURVE {
                let size = format!("it has more than {} MiB", CURVE >> 20);
                return Err(bad(&size).hint("a few thousand points are enough for any knob"));
            }
            let curve = Curve::parse(&text).map_err(|e| bad(&e))?;
            Ok((name.trim().to_string(), curve))
        })
        .collect()
}

/// The pot of a name with or without its X: its number among the elements.
fn pot(circuit: &Circuit, name: &str) -> Result<usize, Failure> {
    let pots = || {
        let elements = circuit.elements.iter().enumerate();
        elements.filter(|e| e.1.track.is_some())
    };
    let same = |element: &Element| {
        element.name.eq_ignore_ascii_case(name) || bare(&element.name).eq_ignore_ascii_case(name)
    };
    if let Some((k, _)) = pots().find(|e| same(e.1)) {
        return Ok(k);
    }
    let names: Vec<String> = pots().map(|e| bare(&e.1.name)).collect();
    let failure = Failure::usage(format!("no pot `{name}`"));
    Err(
        match crate::diag::nearest(name, names.iter().map(String::as_str)) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None if names.is_empty() => failure.hint("the netlist has none"),
            None => failure.hint(format!("the netlist has `{}`", names.join("`, `"))),
        },
    )
}

/// Runs all jobs on as many threads as there are processors; `work` gets a job's number, the
/// job, and what to ask whether to go on. Where one fails, those after it are given up, those
/// before it go on, so that the failure reported is always the first.
pub(super) fn in_parallel<R: Send>(
    jobs: &[Job],
    work: impl Fn(usize, &Job, &Poll<'_>) -> Result<R, Failure> + Sync,
) -> Vec<Result<R, Failure>> {
    let failed = AtomicUsize::new(usize::MAX);
    let numbered: Vec<(usize, &Job)> = jobs.iter().enumerate().collect();
    parallel::map(&numbered, parallel::processors(), |&(k, job)| {
        let poll = || {
            if failed.load(Ordering::Relaxed) < k {
                Err(Failure::Interrupted)
            } else {
                interrupt::check()
            }
        };
        let result = work(k, job, &poll);
        if result.is_err() {
            failed.fetch_min(k, Ordering::Relaxed);
        }
        result
    })
}

/// What there is to say about each sound beyond its figures.
fn remarks(session: &Session<'_>, plan: &Plan, made: &[(Job, Made)]) {
    if let Some((job, made)) = made.first() {
        for warning in clip::warnings(plan, job, &made.clip) {
            session.warning(&warning);
        }
    }
    for (job, made) in made {
        let of = if job.label.is_empty() {
            String::new()
        } else {
            format!("{}: ", job.label)
        };
        if let Oversample::Auto(pieces) = &plan.oversample {
            let Oversampling {
                steps,
                estimate,
                piece,
            } = made.oversample;
            let judged = match pieces.get(piece) {
                _ if job.circuit.laws.is_empty() => "of a click (the circuit is linear)".into(),
                Some(piece) => format!(
                    "in the {} piece, at {:.2} s",
                    piece.kind.name(),
                    piece.from_s + piece.measured.start as f64 / f64::from(piece.clip.rate_hz)
                ),
                None => String::new(),
            };
            let coarse = if steps.coarse {
                ", in coarse steps"
            } else {
                ""
            };
            let times = format!("{} times{coarse}", steps.factor);
            session.note(&match estimate {
                Some(estimate) => format!(
                    "{of}oversampling {times}: what it adds to the sound stays {:.1} dB below \
                     it, {} (judged below 20 kHz, {judged}){}",
                    -estimate.aliases_db,
                    if estimate.changes_tone() {
                        format!("what it changes in the tone {:.1} dB", -estimate.tone_db)
                    } else {
                        "and it changes the level of no band".into()
                    },
                    if estimate.is_enough() {
                        ": inaudible"
                    } else {
                        "; there is no greater factor"
                    }
                ),
                None => format!(
                    "{of}oversampling {times}: a piece of the clip has no solution to judge by"
                ),
            });
        }
        if matches!(plan.scale, Scale::Loudness(_)) && made.loudness_lufs.is_none() {
            session.note(&format!(
                "{of}too short or too quiet to have a loudness; its peak is at -1 dBFS"
            ));
        }
        let beyond = made.written.beyond_full_scale;
        if beyond > 0 {
            session.warning(&format!(
                "{of}{beyond} samples lie beyond digital full scale"
            ));
        }
    }
}

fn format(session: &Session<'_>) -> Format {
    match session.text("format") {
        Some("int16") => Format::Int16,
        Some("int24") => Format::Int24,
        Some("int32") => Format::Int32,
        _ => Format::Float32,
    }
}

/// How the file comes to its level.
fn scale(session: &Session<'_>) -> Result<Scale, Failure> {
    let volts = session.positive("output-volts", Role::Voltage)?;
    match (volts, session.number("loudness", Role::Plain)?) {
        (Some(_), Some(_)) => Err(Failure::usage(
            "`--output-volts` and `--loudness` both set the level: expected one of them",
        )
        .into()),
        (_, Some(lufs)) if !(-70.0..=0.0).contains(&lufs) => Err(Failure::usage(format!(
            "`--loudness` is {} LUFS, expected -70 to 0, for example -16",
            num::full(lufs)
        ))
        .into()),
        (_, Some(lufs)) => Ok(Scale::Loudness(lufs)),
        (Some(volts), None) => Ok(Scale::Volts(volts)),
        (None, None) => Ok(Scale::Peak),
    }
}
