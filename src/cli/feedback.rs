//! `feedback`: the effect of one resistor in a feedback path.

mod drawn;
mod findings;
mod shown;

use super::command::Command;
use super::common::{PendingText, Session, number_option};
use super::failure::Failure;
use super::one_probe::one_probe;
use super::outcome::Outcome;
use super::{driven_source, interrupt, parallel, settings};
use crate::analysis::natural::Stability;
use crate::analysis::small_signal::{Excitation, SmallSignal, no_solution};
use crate::circuit::bind::Timing;
use crate::circuit::params::{Setting, What};
use crate::circuit::{Circuit, Element, Node, Piece};
use crate::device::role::DeviceRole;
use crate::diag::{Span, nearest};
use crate::limits::Bound;
use crate::measure::distortion::{Halt, Load, Tester};
use crate::measure::feedback::{self, Figures, Question};
use crate::measure::gain::size;
use crate::measure::quiescent;
use crate::num::{self, Role};
use crate::report::progress::Progress;
use crate::system::assemble::Driven;
use crate::system::probe::Observable;
use clap::{Arg, ArgMatches};
use findings::{ElementRow, Findings, Judged, Solved, Thd};
use num_complex::Complex;
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "feedback",
    about: "What a feedback resistor does: gain, band, impedance, loop gain, margins and THD",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(
            Arg::new("element")
                .long("element")
                .value_name("NAME")
                .required(true)
                .help("The resistor in the feedback path"),
        )
        .arg(
            Arg::new("values")
                .long("values")
                .value_name("R1,R2,...")
                .allow_hyphen_values(true)
                .required(true)
                .help("Its values, ohms; `open` takes it out"),
        )
        .arg(driven_source::option(
            "The source that gives the signal; without it the one with an AC value",
        ))
        .arg(number_option(
            "frequency",
            "F",
            "Where gain, loop gain and impedance are taken, Hz (1k)",
        ))
        .arg(Arg::new("load").long("load").value_name("NAME").help(
            "The resistor or loudspeaker that is the load at the probe, for the damping \
                     factor: its resistance over that of the output without it",
        ))
        .arg(number_option(
            "output-level",
            "V",
            "Volts rms at the probe at which distortion is taken (1)",
        ))
        .arg(Arg::new("plot").long("plot").value_name("PATH").help(
            "Draw gain, loop gain and the loop's phase over frequency for every value, as SVG",
        ))
}

/// What stands for an element that was taken out, ohms: nothing flows through it that any
/// figure could show, yet a node connected by it alone still has a voltage.
const OPEN: f64 = 1e18;

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let mut outputs = session.guards.outputs();
    let table = PendingText::stage(&mut outputs, session.csv().as_deref())?;
    let plot = PendingText::stage(&mut outputs, session.text("plot").map(Path::new))?;
    let mut findings = found(&mut session)?;
    if let Some(table) = table {
        table.fill(&findings.csv())?;
    }
    if let Some(plot) = plot {
        plot.fill(&findings.drawn()?)?;
    }
    session.finish(outputs, || findings.record(), || findings.printed())?;
    findings.warn(&session);
    Ok(Outcome::Done)
}

fn found(session: &mut Session<'_>) -> Result<Findings, Failure> {
    let freq_hz = session
        .positive("frequency", Role::Frequency)?
        .unwrap_or(1e3);
    let level_v = session
        .positive("output-level", Role::Voltage)?
        .unwrap_or(1.0);
    let name = session.text("element").expect("required");
    let base = session.circuit(Timing::default())?;
    session.warn_of_supply(&base);
    let element = resistor(&base, "element", name)?.name.clone();
    let values = values(session, &element)?;
    let mut failed = None;
    let mut findings = Findings {
        title: base.title.trim().to_string(),
        element,
        source: String::new(),
        probe: String::new(),
        freq_hz,
        level_v,
        load: session.text("load").map(str::to_string),
        rows: Vec::new(),
    };
    let mut versions = Vec::new();
    for value in values {
        interrupt::check()?;
        let ohms = value.as_ref().map(|v| v.0);
        let (text, circuit) = match value {
            Some((_, setting)) => (
                setting.value.text.clone(),
                session.circuit_with(&[setting], Timing::default())?,
            ),
            None => {
                let mut circuit = session.circuit(Timing::default())?;
                open(&mut circuit, &findings.element);
                ("open".to_string(), circuit)
            }
        };
        let question = "which source gives the signal?";
        let (source, driven, _) = driven_source::named(session, &circuit, question)?;
        let probe = probe(session, &circuit)?;
        session.fits(&circuit)?;
        findings.source = source;
        findings.probe = probe.label.clone();
        versions.push(Version {
            load: load(session, &circuit, &probe)?,
            circuit,
            element: findings.element.clone(),
            driven,
            probe,
            freq_hz,
            level_v,
            ohms,
            text,
            is_drawn: session.text("plot").is_some(),
        });
    }
    let progress = Progress::new("feedback", versions.len() as f64, session.quiet);
    let judged = parallel::map(&versions, parallel::processors(), |version| {
        let judged = version.judged();
        progress.one_more();
        judged
    });
    drop(progress);
    for (version, found) in versions.into_iter().zip(judged) {
        // A value without a solution takes nothing from the others.
        let found = match found {
            Ok(judged) => Ok(judged),
            Err(Failure::NoSolution(no)) => {
                let message = no.to_string();
                failed.get_or_insert(Failure::NoSolution(no));
                Err(message)
            }
            Err(Failure::Unsolved { message, hint }) => {
                let told = message.clone();
                failed.get_or_insert(Failure::Unsolved { message, hint });
                Err(told)
            }
            Err(failure) => return Err(failure),
        };
        findings.rows.push(ElementRow {
            ohms: version.ohms,
            text: version.text,
            found,
        });
    }
    match failed {
        Some(failure) if findings.rows.iter().all(|r| r.found.is_err()) => Err(failure),
        _ => Ok(findings),
    }
}

/// Whether the circuit has a transformer whose primary's ends can be exchanged.
fn turns_round(circuit: &Circuit) -> bool {
    let made = |e: &Element| e.role() == Some(DeviceRole::OutputTransformer);
    !circuit.mutuals.is_empty() || circuit.elements.iter().any(made)
}

/// The circuit with one value of the element.
struct Version {
    circuit: Circuit,
    element: String,
    driven: Driven,
    probe: Observable,
    freq_hz: f64,
    level_v: f64,
    /// None where it is left out.
    ohms: Option<f64>,
    /// The value as typed.
    text: String,
    /// With whether it lies the other way round.
    load: Option<(Load, bool)>,
    /// Whether there will be a plot.
    is_drawn: bool,
}

impl Version {
    fn judged(&self) -> Result<Judged, Failure> {
        let circuit = &self.circuit;
        let (x, mut assembly) = quiescent::at_rest(circuit)?;
        let x = &x;
        let pickup = self
            .probe
            .pickup(&mut assembly, x)
            .expect("a voltage has one");
        let element = circuit
            .element(&self.element)
            .filter(|_| self.ohms.is_some());
        let around = element.and_then(|e| feedback::probe(&mut assembly, x, e));
        let resistance = element.and_then(|e| feedback::resistance(circuit, e));
        let load = self.load.as_ref();
        let taken = load.and_then(|l| l.0.current().pickup(&mut assembly, x));
        let mut small = SmallSignal::new(&mut assembly, x);
        let question = Question {
            driven: self.driven,
            pickup: &pickup,
            output: self.probe.nodes().expect("a voltage has two"),
            freq_hz: self.freq_hz,
        };
        let figures = feedback::figures(&mut small, question, resistance, around.as_ref())
            .map_err(|s| no_solution(circuit, s))?;
        let thd = match figures.stability {
            Stability::Stable | Stability::Unknown => self.thd(&figures)?,
            // There is no steady state to be distorted.
            _ => Err(None),
        };
        let (damping, negative) = match (load, taken) {
            (Some((load, is_turned)), Some(taken)) => {
                let (a, b) = question.output;
                let mut at = small
                    .at(self.freq_hz)
                    .map_err(|s| no_solution(circuit, s))?;
                let part = at.transfer(Excitation::Injection(a, b), &taken);
                let part = if *is_turned { -part } else { part };
                damping(load.ohms(), part, &figures)
            }
            _ => (None, false),
        };
        Ok(Judged {
            damping,
            negative,
            transformer: turns_round(circuit),
            thd,
            solved: self.is_drawn.then_some(Solved {
                driven: self.driven,
                small,
                pickup,
                around,
            }),
            figures,
        })
    }

    /// Distortion at the output level. What small signals say stands by itself, so that a
    /// steady state that cannot be had is a remark and no failure.
    fn thd(&self, figures: &Figures) -> Result<Thd, Failure> {
        let gain = size(figures.gain);
        if gain.is_nan() || gain <= 0.0 {
            return Ok(Err(Some("nothing of the source is heard there".into())));
        }
        let near = self.level_v * std::f64::consts::SQRT_2 / gain;
        let sought = Tester::new(&self.circuit, self.driven, self.probe.clone())
            .map_err(Halt::Trouble)
            .and_then(|mut tester| {
                tester.at_output(self.freq_hz, self.level_v, near, &mut interrupt::check)
            });
        Ok(match sought {
            Ok(reading) => Ok(100.0 * reading.thd()),
            Err(Halt::OutOfReach(out)) => Err(Some(out.to_string())),
            Err(Halt::Trouble(trouble)) => Err(Some(trouble.to_string())),
            Err(Halt::Stopped(failure)) => return Err(failure),
        })
    }
}

/// Takes an element's resistance out of a circuit.
fn open(circuit: &mut Circuit, name: &str) {
    let ports = circuit.element(name).map(|e| e.ports.clone());
    for port in ports.into_iter().flatten() {
        if let Piece::Resistance(k) = port.piece {
            circuit.resistances[k].ohms = OPEN;
        }
    }
}

/// The values of the element, with a setting for each; none for `open`.
fn values(
    session: &mut Session<'_>,
    element: &str,
) -> Result<Vec<Option<(f64, Setting)>>, Failure> {
    let text = session.text("values").expect("required");
    let line = format!("--values {text}");
    let file = session.draft.files.add("command line", line.as_str());
    let mut found = Vec::new();
    let mut start = line.len() - text.len();
    for word in text.split(',') {
        let end = start + word.len();
        let span = Span::new(file, start, end);
        start = end + 1;
        let word = word.trim();
        let bad = |why: &str| {
            Failure::usage(format!("`--values {text}`: `{word}` {why}")).hint(
                "expected ohms (more than 0) with commas between, or open, as in open,10k,4k7",
            )
        };
        let open = word.eq_ignore_ascii_case("open");
        let ohms = if open {
            None
        } else {
            let parsed = num::parse_value(word, Role::Resistance);
            let (ohms, _) = parsed.map_err(|why| bad(&format!("is {why}")))?;
            if ohms <= 0.0 || !ohms.is_finite() {
                return Err(bad("is not a resistance"));
            }
            Some(ohms)
        };
        let setting = ohms.map(|ohms| {
            let value = settings::number(word, file, span.start as usize, span.end as usize);
            (ohms, Setting::new(What::Value, element, value, Some(span)))
        });
        found.push(setting);
        let count = found.len() as f64;
        session.guards.within(Bound::Values, count, |_, most| {
            format!("`--values` has more than {most} values")
        })?;
    }
    Ok(found)
}

/// A plain resistor by its name.
fn resistor<'c>(circuit: &'c Circuit, option: &str, name: &str) -> Result<&'c Element, Failure> {
    let resistors = || circuit.elements.iter().filter(|e| e.letter == 'R');
    if let Some(found) = resistors().find(|e| e.name.eq_ignore_ascii_case(name)) {
        return Ok(found);
    }
    if circuit.element(name).is_some() {
        return Err(Failure::usage(format!("`--{option} {name}`: expected a resistor")).into());
    }
    let failure = Failure::usage(format!("no resistor `{name}`"));
    Err(match nearest(name, resistors().map(|e| e.name.as_str())) {
        Some(near) => failure.hint(format!("did you mean `{near}`?")),
        None => failure.hint("dotted names reach into a subcircuit, as in X1.R5"),
    })
}

/// The one voltage that is the output.
fn probe(session: &mut Session<'_>, circuit: &Circuit) -> Result<Observable, Failure> {
    let probe = one_probe(session, circuit, &[&["ac"], &["tran"]], "feedback")?;
    match probe.nodes() {
        Some((a, b)) if a != b => Ok(probe),
        _ => Err(Failure::usage(format!(
            "`{}`: the output is a voltage, expected v(...)",
            probe.label
        ))
        .into()),
    }
}

/// The load at the probe, and whether its first terminal is the probe's second node.
fn load(
    session: &Session<'_>,
    circuit: &Circuit,
    probe: &Observable,
) -> Result<Option<(Load, bool)>, Failure> {
    let Some((element, load)) = driven_source::load(session, circuit)? else {
        return Ok(None);
    };
    let (a, b) = probe.nodes().unwrap_or((Node::GROUND, Node::GROUND));
    if element.terminals == [a, b] {
        Ok(Some((load, false)))
    } else if element.terminals == [b, a] {
        Ok(Some((load, true)))
    } else {
        Err(Failure::usage(format!(
            "`--load {}` does not lie across `{}`",
            element.name, probe.label
        ))
        .into())
    }
}

/// The load's resistance over the size of what the output is without it, and whether that has a
/// negative resistance: then there is no damping to speak of. `part` is how much of a current
/// that is put into the output flows through the load.
fn damping(ohms: f64, part: Complex<f64>, figures: &Figures) -> (Option<f64>, bool) {
    let without = (Complex::new(1.0, 0.0) - part) * figures.impedance.inv();
    let negative = without.re < 0.0;
    let stable = matches!(figures.stability, Stability::Stable | Stability::Unknown);
    let factor = ohms * size(without);
    ((!negative && stable).then_some(factor), negative)
}
