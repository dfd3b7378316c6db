//! `response`: gain, phase, group delay and impedances over frequency.

mod drawn;
mod shown;

use super::command::Command;
use super::common::{PendingText, Session, vary_option};
use super::failure::Failure;
use super::outcome::Outcome;
use super::variant::Variant;
use super::{driven_source, frequencies, interrupt, variant};
use crate::analysis::natural::{self, Stability};
use crate::analysis::small_signal::{Excitation, SmallSignal, no_solution};
use crate::circuit::bind::Timing;
use crate::circuit::{self, Circuit, Node};
use crate::math::lu::Singular;
use crate::measure::band::Band;
use crate::measure::gain::{self, Response, Seen, Wanted};
use crate::measure::quiescent::{self, AtRest};
use crate::measure::refine;
use crate::report::progress::Progress;
use crate::system::assemble::Driven;
use crate::system::probe::{Observable, ProbeKind};
use clap::{Arg, ArgAction, ArgMatches};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "response",
    about: "Small signals: gain, phase and impedances over frequency",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    frequencies::options(command)
        .arg(driven_source::option(
            "The source that gives 1 V (1 A) AC; without it the one with an AC value",
        ))
        .arg(
            Arg::new("impedance")
                .long("impedance")
                .value_name("NODE")
                .action(ArgAction::Append)
                .help(
                    "The impedance from this node to ground with the source at rest; at the \
                     source's own node what the source sees",
                ),
        )
        .arg(
            Arg::new("group-delay")
                .long("group-delay")
                .action(ArgAction::SetTrue)
                .help("Give the group delay of each probe too"),
        )
        .arg(vary_option(
            "Once for each value of an element, NAME.parameter, pot or toggle: a family of \
             curves. Repeat it to run every combination",
        ))
        .arg(
            Arg::new("plot")
                .long("plot")
                .value_name("PATH")
                .help("Plot gain, phase and the other requested curves as SVG"),
        )
}

/// What a row takes, bytes, with its JSON.
const ROW: f64 = 1000.0;

/// What the command found for one version of the circuit.
struct Curves {
    variant: Variant,
    response: Response,
    /// One for each probe.
    bands: Vec<Option<Band>>,
    /// At [`Findings::spot_hz`], one for each impedance, ohms.
    spots: Vec<f64>,
    /// Gain in the middle of the band, one for each probe, with its angle in degrees.
    middles: Vec<Option<Middle>>,
    stability: Stability,
    /// The circuit about its point and what is asked of it, for the plot's own frequencies.
    solved: Option<(SmallSignal, Wanted)>,
}

/// A gain in the middle of the pass band.
struct Middle {
    freq_hz: f64,
    gain: f64,
    degrees: f64,
}

/// All that the command found.
struct Findings {
    title: String,
    source: String,
    /// `1 V` or `1 A`.
    amplitude: &'static str,
    frequencies_hz: Vec<f64>,
    /// As typed.
    probes: Vec<String>,
    /// Units of the gains, `V/V`, `A/V` and so on.
    units: Vec<String>,
    /// Node names as typed.
    impedances: Vec<String>,
    /// Where impedances are given in the table, Hz.
    spot_hz: f64,
    curves: Vec<Curves>,
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let frequencies_hz = frequencies::asked(&session)?.rows_hz;
    let mut outputs = session.guards.outputs();
    let table = PendingText::stage(&mut outputs, session.csv().as_deref())?;
    let plot = PendingText::stage(&mut outputs, session.text("plot").map(Path::new))?;

    let mut findings = found(&mut session, frequencies_hz)?;

    if let Some(table) = table {
        table.fill(&findings.csv())?;
    }
    if let Some(plot) = plot {
        let (points, finer) = findings.finer()?;
        plot.fill(&findings.drawn(&points, &finer))?;
    }
    session.finish(outputs, || findings.record(), || findings.printed())?;
    for curves in &findings.curves {
        session.warn_unstable(&curves.variant.prefix(), curves.stability);
    }
    Ok(Outcome::Done)
}

fn found(session: &mut Session<'_>, frequencies_hz: Vec<f64>) -> Result<Findings, Failure> {
    let base = session.circuit(Timing::default())?;
    session.warn_of_supply(&base);
    let variants = variant::variants(session, &base)?;
    let figures = frequencies_hz.len() as f64 * variants.len() as f64;
    session.guards.room_for_figures(figures, ROW)?;
    let mut findings = Findings {
        title: base.title.trim().to_string(),
        source: String::new(),
        amplitude: "",
        probes: Vec::new(),
        units: Vec::new(),
        impedances: session
            .texts("impedance")
            .iter()
            .map(|t| t.to_string())
            .collect(),
        spot_hz: spot(&frequencies_hz),
        frequencies_hz,
        curves: Vec::new(),
    };
    let progress = Progress::new("response", figures, session.quiet);
    // On the mains each version's cycle is looked for near that of the first: a knob moves it little.
    let mut first: Option<AtRest> = None;
    for variant in variants {
        interrupt::check()?;
        let circuit = session.circuit_with(&variant.settings, Timing::default())?;
        let question = "which source gives the signal?";
        let (source, driven, _) = driven_source::named(session, &circuit, question)?;
        let probes = probes(session, &circuit, findings.impedances.is_empty())?;
        let nodes = nodes(session, &circuit)?;
        let seen: Vec<Seen> = nodes
            .into_iter()
            .map(|node| Seen::at(&circuit, node, driven))
            .collect();
        let per = driven.unit();
        findings.amplitude = if per == "V" { "1 V" } else { "1 A" };
        findings.units = probes
            .iter()
            .map(|p| format!("{}/{per}", p.kind.unit()))
            .collect();
        findings.probes = probes.iter().map(|p| p.label.clone()).collect();
        findings.source = source;
        let curves = curves(
            session,
            &circuit,
            &findings,
            variant,
            (driven, probes, seen),
            (&progress, &mut first),
        )?;
        findings.curves.push(curves);
    }
    Ok(findings)
}

fn curves(
    session: &Session<'_>,
    circuit: &Circuit,
    findings: &Findings,
    variant: Variant,
    (driven, probes, seen): (Driven, Vec<Observable>, Vec<Seen>),
    (progress, first): (&Progress, &mut Option<AtRest>),
) -> Result<Curves, Failure> {
    let near = first.as_ref().filter(|f| matches!(f, AtRest::Cycle(..)));
    let (rest, assembly) = quiescent::solve_near(circuit, near, false)?;
    let mut assembly = quiescent::with_swings(assembly, &rest.found);
    let x = rest.x;
    first.get_or_insert(rest.found);
    let pickups = probes
        .iter()
        .filter_map(|p| p.pickup(&mut assembly, &x))
        .collect();
    let wanted = Wanted {
        driven,
        pickups,
        delay: session.flag("group-delay"),
        seen,
    };
    let mut small = SmallSignal::new(&mut assembly, &x);
    let solved = || {
        let frequencies = &findings.frequencies_hz;
        let mut counted = || progress.one_more();
        let response = gain::sweep(&mut small, &wanted, frequencies, &mut counted)?;
        let mut bands = Vec::new();
        let mut middles = Vec::new();
        let gains = response.gains.iter().zip(probes);
        for (pickup, (gains, probe)) in wanted.pickups.iter().zip(gains) {
            let least = gain::least(probe.kind);
            let band = gain::band(&mut small, driven, pickup, frequencies, gains, least)?;
            middles.push(match band.as_ref().and_then(Band::middle_hz) {
                Some(freq_hz) => {
                    let excitation = Excitation::Source(driven);
                    let z = small.at(freq_hz)?.transfer(excitation, pickup);
                    Some(Middle {
                        freq_hz,
                        gain: gain::size(z),
                        degrees: gain::degrees(z),
                    })
                }
                None => None,
            });
            bands.push(band);
        }
        let mut spots = Vec::new();
        for seen in &wanted.seen {
            spots.push(gain::size(seen.impedance(&mut small, findings.spot_hz)?));
        }
        Ok((response, bands, middles, spots))
    };
    let (response, bands, middles, spots) = solved().map_err(|s| no_solution(circuit, s))?;
    Ok(Curves {
        stability: natural::stability(&mut small),
        solved: session.text("plot").map(|_| (small, wanted)),
        variant,
        response,
        bands,
        middles,
        spots,
    })
}

impl Findings {
    /// Frequencies at which the plot is drawn, and the response of each version there: finer than
    /// the rows where a curve bends, and with a point at each mark.
    fn finer(&mut self) -> Result<(Vec<f64>, Vec<Response>), Failure> {
        let mut asked = self.frequencies_hz.clone();
        let ends = (asked.first().copied(), asked.last().copied());
        let bands = self.curves.iter().flat_map(|c| c.bands.iter().flatten());
        let marked = bands.flat_map(|b| [Some(b.peak_hz), b.low_hz, b.high_hz]);
        let inside = |f: &f64| Some(*f) > ends.0 && Some(*f) < ends.1;
        asked.extend(marked.flatten().filter(inside));
        asked.sort_by(f64::total_cmp);
        let mut versions: Vec<&mut (SmallSignal, Wanted)> = self
            .curves
            .iter_mut()
            .filter_map(|c| c.solved.as_mut())
            .collect();
        let points = refine::refined(&asked, |f| {
            interrupt::check()?;
            let mut levels = Vec::new();
            for (small, wanted) in &mut versions {
                let found = gain::sweep(small, wanted, &[f], &mut || ()).map_err(singular)?;
                let all = found.gains.iter().chain(&found.impedances).flatten();
                levels.extend(all.map(|&z| gain::decibels(gain::size(z))));
            }
            Ok::<_, Failure>(levels)
        })?;
        let mut finer = Vec::new();
        for (small, wanted) in versions {
            finer.push(gain::sweep(small, wanted, &points, &mut || ()).map_err(singular)?);
        }
        Ok((points, finer))
    }
}

/// A frequency of the plot at which the equations have no answer.
fn singular(_: Singular) -> Failure {
    Failure::Unsolved {
        message: "at a frequency of the plot the circuit has no response".to_string(),
        hint: "change `--from` or `--to` a little".to_string(),
    }
}

/// 1 kHz if it lies among the frequencies, or else their middle.
fn spot(frequencies_hz: &[f64]) -> f64 {
    match (frequencies_hz.first(), frequencies_hz.last()) {
        (Some(&low), Some(&high)) if !(low..=high).contains(&1e3) => (low * high).sqrt(),
        _ => 1e3,
    }
}

/// The probes of the command line, or of the netlist's `.print` lines, or (if it comes to
/// that) every node.
fn probes(
    session: &mut Session<'_>,
    circuit: &Circuit,
    fall_back: bool,
) -> Result<Vec<Observable>, Failure> {
    let typed = !session.texts("probe").is_empty();
    let mut probes = session.probes(circuit, &["ac"])?;
    if probes.is_empty() {
        probes = session.probes(circuit, &["tran"])?;
    }
    if let (true, Some(power)) = (typed, probes.iter().find(|p| p.kind == ProbeKind::Power)) {
        return Err(no_small_power(&power.label));
    }
    probes.retain(|p| p.kind != ProbeKind::Power);
    if probes.is_empty() && fall_back {
        probes = (1..circuit.nodes.len())
            .filter(|&k| !circuit.nodes[k].inner)
            .map(|k| Observable::voltage(circuit, Node(k)))
            .collect();
    }
    Ok(probes)
}

/// The refusal of a power probe where signals are small.
pub fn no_small_power(label: &str) -> Failure {
    Failure::usage(format!(
        "`{label}`: power has no small-signal meaning, it is a product of voltage and current"
    ))
    .hint("look at the voltage and the current by themselves, with v(...) and i(...)")
}

/// The nodes whose impedances are asked for.
fn nodes(session: &Session<'_>, circuit: &Circuit) -> Result<Vec<Node>, Failure> {
    let node = |name: &&str| match circuit.node(name) {
        Some(Node::GROUND) => {
            Err(Failure::usage("`--impedance` takes a node other than ground").into())
        }
        Some(node) => Ok(node),
        None => {
            let problem = circuit::unknown_node(circuit, name);
            Err(Failure::usage(format!("`--impedance {name}`: {problem}"))
                .hint("a node's name, without v()"))
        }
    };
    session.texts("impedance").iter().map(node).collect()
}
