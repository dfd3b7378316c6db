//! `distortion`: harmonics, clipping and intermodulation in the steady state.

mod drawn;
mod levels;
mod shown;

use super::command::Command;
use super::common::{PendingText, Session, number_option, vary_option};
use super::failure::Failure;
use super::one_probe::one_probe;
use super::outcome::Outcome;
use super::variant::Variant;
use super::{driven_source, interrupt, parallel, variant};
use crate::analysis::mains;
use crate::analysis::natural::grows;
use crate::analysis::periodic::{Method, PeriodicState};
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::device::source::Drive;
use crate::figure::driven_source::own_sine;
use crate::measure::distortion::{Intermodulation, Load, Pair, Reading, Tester};
use crate::num::{self, Role};
use crate::report::progress::Progress;
use crate::system::assemble::Driven;
use crate::system::probe::Observable;
use clap::{Arg, ArgAction, ArgMatches};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "distortion",
    about: "Steady state of a sine: harmonics, THD, clipping, power, intermodulation",
    options,
    run,
};

/// Where neither `--frequency` nor the source's own sine says, Hz: the usual one (IEC 60268-3,
/// from memory).
const FREQUENCY_HZ: f64 = 1e3;
/// Rounding of a plate's hundreds of volts, multiplied by a few stages, comes to some 1e-10 V:
/// below this it is less than 100 dB away, V.
const FAINT_V: f64 = 10e-6;
/// Distortion at which clipping is said to begin, as ratios.
const ONSETS: [f64; 3] = [0.01, 0.03, 0.10];

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(number_option(
            "frequency",
            "F",
            "Of the sine, Hz; without it that of the source's own sine, or 1k",
        ))
        .arg(number_option(
            "level",
            "V[,V...]",
            "Peaks at the source; without it that of the source's own sine. FROM..TO is a \
             sweep with ten levels a decade, FROM..TO/N one of N levels",
        ))
        .arg(driven_source::option(
            "The source that gives the sine; without it the one with an AC value",
        ))
        .arg(
            Arg::new("onset")
                .long("onset")
                .action(ArgAction::SetTrue)
                .help("Also seek the levels at which THD comes to 1 %, 3 % and 10 %"),
        )
        .arg(
            Arg::new("load")
                .long("load")
                .value_name("NAME")
                .help("Also the power in this resistor, without DC"),
        )
        .arg(
            Arg::new("two-tone")
                .long("two-tone")
                .value_name("PAIR")
                .value_parser(["smpte", "ccif"])
                .help(
                    "Intermodulation instead of harmonics: smpte is 60 Hz and 7 kHz at 4:1, ccif \
                     is 19 and 20 kHz at 1:1; --level is then the sum of both peaks",
                ),
        )
        .arg(vary_option(
            "Once for each value of an element, NAME.parameter, pot or toggle. Repeat it to run \
             every combination",
        ))
        .arg(Arg::new("plot").long("plot").value_name("PATH").help(
            "Draw output and distortion over level as SVG, or the harmonics of a single level",
        ))
}

/// What one version of the circuit gives.
struct Measured {
    variant: Variant,
    /// One for each level, unless two tones were asked for.
    readings: Vec<Reading>,
    /// One for each level, if two tones were asked for.
    tones: Vec<Intermodulation>,
    /// Where clipping begins, for each of [`ONSETS`], if it was asked for.
    onsets: Vec<Option<Reading>>,
    /// Levels between those asked for, for the plot alone.
    between: Vec<Reading>,
    /// Whether the circuit's supply is fed from the mains.
    mains: bool,
}

impl Measured {
    /// All readings that lie on the plot's curves, in no order.
    fn drawn(&self) -> impl Iterator<Item = &Reading> {
        let onsets = self.onsets.iter().flatten();
        self.readings.iter().chain(onsets).chain(&self.between)
    }

    fn found(&self) -> impl Iterator<Item = &PeriodicState> {
        let tones = self.tones.iter().map(|t| &t.found);
        let onsets = self.onsets.iter().flatten();
        let readings = self.readings.iter().chain(onsets).map(|r| &r.found);
        readings.chain(tones)
    }
}

/// All that the command found.
struct Findings {
    title: String,
    source: String,
    /// `V` or `A`: what levels come in.
    level_unit: &'static str,
    probe: String,
    unit: &'static str,
    freq_hz: f64,
    pair: Option<Pair>,
    load: Option<String>,
    levels: Vec<f64>,
    measured: Vec<Measured>,
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let freq_hz = session.positive("frequency", Role::Frequency)?;
    let pair = match session.text("two-tone") {
        Some("smpte") => Some(Pair::Smpte),
        Some(_) => Some(Pair::Ccif),
        None => None,
    };
    if pair.is_some() {
        for (given, name) in [
            (freq_hz.is_some(), "frequency"),
            (session.flag("onset"), "onset"),
        ] {
            if given {
                return Err(Failure::usage(format!(
                    "`--two-tone` sets its own frequencies and measures no harmonics: expected \
                     no `--{name}` beside it"
                ))
                .into());
            }
        }
    }
    let levels = session
        .text("level")
        .map(|text| levels::parse(text, &session.guards))
        .transpose()?;
    let mut outputs = session.guards.outputs();
    let table = PendingText::stage(&mut outputs, session.csv().as_deref())?;
    let plot = PendingText::stage(&mut outputs, session.text("plot").map(Path::new))?;

    let findings = found(&mut session, (freq_hz, levels, pair))?;

    if let Some(table) = table {
        table.fill(&findings.csv())?;
    }
    if let Some(plot) = plot {
        plot.fill(&findings.drawn())?;
    }
    session.finish(outputs, || findings.record(), || findings.printed())?;
    remarks(&session, &findings);
    Ok(Outcome::Done)
}

/// Frequency, levels and tones as typed.
type Asked = (Option<f64>, Option<Vec<f64>>, Option<Pair>);

fn found(session: &mut Session<'_>, (freq_hz, levels, pair): Asked) -> Result<Findings, Failure> {
    let base = session.circuit(Timing::default())?;
    session.warn_of_supply(&base);
    session.warn_of_loads(&base);
    let variants = variant::variants(session, &base)?;
    let mut findings: Option<Findings> = None;
    for variant in variants {
        interrupt::check()?;
        let circuit = session.circuit_with(&variant.settings, Timing::default())?;
        let question = "which source gives the sine?";
        let (source, driven, drive) = driven_source::named(session, &circuit, question)?;
        let probe = one_probe(session, &circuit, &[&["tran"]], "distortion")?;
        let load = driven_source::load(session, &circuit)?.map(|l| l.1);
        let findings = match &mut findings {
            Some(findings) => findings,
            none => none.insert(Findings {
                title: base.title.trim().to_string(),
                level_unit: driven.unit(),
                probe: probe.label.clone(),
                unit: probe.kind.unit(),
                freq_hz: freq_hz
                    .or(own_sine(&drive).map(|s| s.0))
                    .unwrap_or(FREQUENCY_HZ),
                pair,
                load: session.text("load").map(str::to_string),
                levels: match &levels {
                    Some(levels) => levels.clone(),
                    None => vec![own_level(&source, &drive)?],
                },
                source,
                measured: Vec::new(),
            }),
        };
        let label = variant.label();
        match measured(session, &circuit, findings, variant, (driven, probe, load)) {
            Ok(measured) => findings.measured.push(measured),
            Err(failure) => {
                if !label.is_empty() && !matches!(failure, Failure::Interrupted) {
                    session.note(&format!("while computing {label}"));
                }
                return Err(failure);
            }
        }
    }
    Ok(findings.expect("there is one variant at least"))
}

/// What a level gives.
enum Found {
    Sine(Reading),
    Tones(Intermodulation),
}

fn measured(
    session: &Session<'_>,
    circuit: &Circuit,
    findings: &Findings,
    variant: Variant,
    (driven, probe, load): (Driven, Observable, Option<Load>),
) -> Result<Measured, Failure> {
    session.fits(circuit)?;
    let tester = Tester::new(circuit, driven, probe)?;
    let at_rest = match load {
        Some(load) => tester.with_load(load),
        None => tester,
    };
    let mut tester = at_rest.clone();
    session.warn_unstable(&variant.prefix(), tester.stability());
    let mut measured = Measured {
        variant,
        readings: Vec::new(),
        tones: Vec::new(),
        onsets: Vec::new(),
        between: Vec::new(),
        mains: mains::find(circuit).is_some(),
    };
    let poll = &mut interrupt::check;
    let progress = Progress::new("distortion", findings.levels.len() as f64, session.quiet);
    let (freq_hz, pair) = (findings.freq_hz, findings.pair);
    let at = |tester: &mut Tester<'_>, level: f64| -> Result<Found, Failure> {
        let poll = &mut interrupt::check;
        let found = match pair {
            Some(pair) => Found::Tones(tester.two_tones(pair, level, poll)?),
            None => Found::Sine(tester.at_level(freq_hz, level, poll)?),
        };
        progress.one_more();
        Ok(found)
    };
    let levels = &findings.levels;
    let each: Vec<Found> = if measured.mains {
        // The supply that one level leaves is further from the next one's than that at rest.
        let each = parallel::map(levels, parallel::processors(), |&level| {
            at(&mut at_rest.clone(), level)
        });
        each.into_iter().collect::<Result<_, _>>()?
    } else {
        let each = levels.iter().map(|&level| at(&mut tester, level));
        each.collect::<Result<_, _>>()?
    };
    for found in each {
        match found {
            Found::Tones(tones) => measured.tones.push(tones),
            Found::Sine(reading) => measured.readings.push(reading),
        }
    }
    drop(progress);
    if session.flag("onset") {
        let near = findings
            .levels
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        measured.onsets = tester.onsets(findings.freq_hz, &ONSETS, near, poll)?;
    }
    // With the mains taking part each level costs as much as all of a bench supply's: there the plot
    // has those that were asked for.
    if session.text("plot").is_some() && findings.pair.is_none() && !measured.mains {
        // Measured last, so that the figures asked for are the same with and without a plot.
        let found: Vec<f64> = measured.drawn().map(|r| r.level).collect();
        for level in levels::between(&found) {
            measured
                .between
                .push(tester.at_level(findings.freq_hz, level, poll)?);
        }
    }
    Ok(measured)
}

fn own_level(source: &str, drive: &Drive) -> Result<f64, Failure> {
    own_sine(drive).map(|s| s.1).ok_or_else(|| {
        Failure::usage(format!(
            "no `--level` is given, and `{source}` has no sine of its own"
        ))
        .hint("for example `--level 0.1`, or `--level 10m..1` for a sweep")
    })
}

/// What there is to say beyond the figures.
fn remarks(session: &Session<'_>, findings: &Findings) {
    for measured in &findings.measured {
        let of = measured.variant.prefix();
        let settled = measured.found().filter_map(|f| match f.method {
            Method::Settled { periods } => Some(periods),
            Method::Direct => None,
        });
        if let Some(most) = settled.max() {
            session.note(&format!(
                "{of}no steady state was found directly: up to {most} periods were simulated \
                 until nothing moved any more"
            ));
        }
        let unstable = measured
            .found()
            .filter(|f| f.growth.is_some_and(grows))
            .count();
        if unstable > 0 {
            session.warning(&format!(
                "{of}the steady state is unstable at {unstable} of the levels: the \
                 circuit would leave it and oscillate by itself"
            ));
        }
        let cycles = measured.found().map(|f| f.cycles).max().unwrap_or(1);
        if cycles > 1 {
            let hum = if measured.mains {
                "; sag and hum are in all figures, hum also in harmonics that are multiples of the \
                 mains frequency"
            } else {
                ""
            };
            session.note(&format!(
                "{of}{} beside the sine, and all repeat together after {cycles} of its cycles: the \
                 output's rms includes what {}{hum}",
                if measured.mains {
                    "the mains is on"
                } else {
                    "another source plays"
                },
                if measured.mains {
                    "the supply adds"
                } else {
                    "it adds"
                },
            ));
        }
    }
    let readings = || findings.measured.iter().flat_map(|m| &m.readings);
    if findings.unit == "V" && readings().any(|r| r.rms < FAINT_V) {
        session.note(&format!(
            "outputs below {} are near what the solution is accurate to: their harmonics may \
             be rounding",
            num::engineering(FAINT_V, "V", 2)
        ));
    }
}
