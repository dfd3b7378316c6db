//! Figures of the steady state of a sine, or of two tones.
//!
//! Each reading starts from the operating point, so that a figure does not depend on which others
//! are asked for beside it; those that share a working point share the reading.

use super::super::Figure;
use super::super::driven_source;
use super::super::problem::FigureProblem;
use super::super::registry::OfSine;
use super::named::{driving, element, probe};
use super::value::{FigureValue, Reading, Trouble, go_on};
use crate::analysis::periodic;
use crate::circuit::Circuit;
use crate::diag::Diagnostic;
use crate::measure::distortion::{self, Halt, Intermodulation, Load, Pair, Tester};
use crate::system::assemble::Driven;
use crate::system::probe::Observable;

/// Of the sine where neither the figure nor the source says, Hz.
const FREQUENCY_HZ: f64 = 1e3;
/// Where a search for an input starts, V or A: quiet for any stage.
const NEAR: f64 = 0.01;

/// What it takes to measure a figure of a sine.
#[derive(Debug)]
pub struct Sine {
    of: OfSine,
    driven: Driven,
    probe: Observable,
    work: Work,
    /// Which one, for a harmonic.
    harmonic: usize,
    /// Of the load, for its power.
    ohms: f64,
}

/// What is done at the source.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Work {
    /// A sine of this frequency, Hz.
    Sine(f64, Set),
    /// Two tones with this sum of peaks.
    Pair(Pair, f64),
}

/// What sets the input.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Set {
    /// Its peak, V or A.
    Level(f64),
    /// The output's rms.
    Output(f64),
    /// The distortion as a ratio.
    Thd(f64),
}

impl Sine {
    /// Looks up what a figure asks for.
    ///
    /// # Errors
    /// What the circuit does not have, or if nothing says how large the sine is.
    pub fn new(figure: &Figure, circuit: &Circuit, of: OfSine) -> Result<Self, Diagnostic> {
        let driving = driving(figure, circuit)?;
        let (probe, ohms) = match of {
            OfSine::Power => {
                let element = element(figure, circuit)?;
                let load = Load::new(circuit, element).ok_or_else(|| {
                    FigureProblem::NotALoad {
                        quantity: figure.quantity.name,
                        name: element.name.clone(),
                    }
                    .at(figure.subject_span)
                })?;
                (load.current().clone(), load.ohms())
            }
            _ => (probe(figure, circuit)?, f64::NAN),
        };
        let own = driven_source::own_sine(&driving.drive);
        let work = match of {
            OfSine::Intermodulation => {
                let pair = match figure.given("pair") {
                    Some(given) if given.text.eq_ignore_ascii_case("ccif") => Pair::Ccif,
                    _ => Pair::Smpte,
                };
                Work::Pair(pair, figure.number("level").expect("must be given"))
            }
            _ => {
                let freq_hz = figure
                    .number("frequency")
                    .or(own.map(|s| s.0))
                    .unwrap_or(FREQUENCY_HZ);
                Work::Sine(freq_hz, set(figure, of, own.map(|s| s.1))?)
            }
        };
        Ok(Sine {
            of,
            driven: driving.driven,
            probe,
            work,
            harmonic: figure.number("harmonic").map_or(1, |n| n as usize),
            ohms,
        })
    }

    fn figure(&self, reading: &distortion::Reading) -> f64 {
        match self.of {
            OfSine::Thd => 100.0 * reading.thd(),
            OfSine::Harmonic => reading.harmonic_db(self.harmonic),
            OfSine::Output => reading.rms,
            OfSine::Input => reading.level,
            OfSine::Power => reading.rms * reading.rms * self.ohms,
            OfSine::Intermodulation => f64::NAN,
        }
    }
}

/// The one thing that sets the input.
fn set(figure: &Figure, of: OfSine, own: Option<f64>) -> Result<Set, Diagnostic> {
    let given = |key| figure.given(key).map(|g| (g.key, g.number, g.span));
    let all = ["level", "output-level", "thd"].map(given);
    let mut all = all.into_iter().flatten();
    let (first, second) = (all.next(), all.next());
    if let (Some(first), Some(second)) = (first, second) {
        return Err(FigureProblem::Both {
            first: first.0,
            second: second.0,
        }
        .at(second.2));
    }
    match (first, own) {
        (Some(("output-level", v, _)), _) => Ok(Set::Output(v)),
        (Some(("thd", percent, _)), _) => Ok(Set::Thd(percent / 100.0)),
        (Some((_, v, _)), _) => Ok(Set::Level(v)),
        (None, Some(own)) if of != OfSine::Input => Ok(Set::Level(own)),
        (None, _) => Err(FigureProblem::MissingCondition {
            quantity: figure.quantity.name,
            key: match of {
                OfSine::Input => "thd",
                _ => "level",
            },
            example: figure.quantity.example,
        }
        .at(figure.span)),
    }
}

/// Source, probe and what is done.
type Task = (Driven, String, Work);

/// A circuit under test, and what was found so far.
pub struct Driving<'c, 's> {
    circuit: &'c Circuit,
    stopped: &'s (dyn Fn() -> bool + Sync),
    testers: Vec<((Driven, String), Result<Tester<'c>, Trouble>)>,
    done: Vec<(Task, Result<Measured, Trouble>)>,
}

#[derive(Debug, Clone)]
enum Measured {
    Sine(Box<distortion::Reading>),
    Tones(Intermodulation),
}

impl<'c, 's> Driving<'c, 's> {
    /// Nothing was found yet.
    pub fn new(circuit: &'c Circuit, stopped: &'s (dyn Fn() -> bool + Sync)) -> Self {
        Driving {
            circuit,
            stopped,
            testers: Vec::new(),
            done: Vec::new(),
        }
    }

    /// A figure.
    pub fn measure(&mut self, wanted: &Sine, figure: &Figure) -> Result<FigureValue, Trouble> {
        let label = wanted.probe.label.to_lowercase();
        let key = (wanted.driven, label, wanted.work);
        let known = self.done.iter().position(|d| d.0 == key);
        let known = known.unwrap_or_else(|| {
            let measured = self.work(wanted);
            self.done.push((key, measured));
            self.done.len() - 1
        });
        let value = match &self.done[known].1 {
            Ok(Measured::Sine(reading)) => wanted.figure(reading),
            Ok(Measured::Tones(tones)) => 100.0 * tones.total(),
            Err(trouble) => return Err(trouble.clone()),
        };
        Ok(FigureValue::Number(Reading {
            value,
            unit: figure.unit(),
            limit: None,
        }))
    }

    fn work(&mut self, wanted: &Sine) -> Result<Measured, Trouble> {
        let key = (wanted.driven, wanted.probe.label.to_lowercase());
        let known = self.testers.iter().position(|t| t.0 == key);
        let known = known.unwrap_or_else(|| {
            let made = Tester::new(self.circuit, wanted.driven, wanted.probe.clone());
            self.testers.push((key, made.map_err(trouble)));
            self.testers.len() - 1
        });
        let tester = match &mut self.testers[known].1 {
            Ok(tester) => tester,
            Err(trouble) => return Err(trouble.clone()),
        };
        tester.forget();
        let stopped = self.stopped;
        let poll = &mut || go_on(stopped);
        let boxed = |reading| Measured::Sine(Box::new(reading));
        let measured = match wanted.work {
            Work::Sine(freq_hz, Set::Level(level)) => {
                tester.at_level(freq_hz, level, poll).map(boxed)
            }
            Work::Sine(freq_hz, Set::Output(rms)) => {
                tester.at_output(freq_hz, rms, NEAR, poll).map(boxed)
            }
            Work::Sine(freq_hz, Set::Thd(ratio)) => {
                let mut onset = tester.onsets(freq_hz, &[ratio], NEAR, poll).map_err(halt)?;
                return onset.pop().flatten().map(boxed).ok_or_else(|| {
                    let percent = crate::num::engineering(100.0 * ratio, "", 3);
                    Trouble::Absent(format!("no input brings the distortion to {percent} %"))
                });
            }
            Work::Pair(pair, level) => tester.two_tones(pair, level, poll).map(Measured::Tones),
        };
        measured.map_err(halt)
    }
}

fn halt(halt: Halt<Trouble>) -> Trouble {
    match halt {
        Halt::Trouble(other) => trouble(other),
        Halt::OutOfReach(out) => Trouble::Absent(out.to_string()),
        Halt::Stopped(stopped) => stopped,
    }
}

pub(super) fn trouble(trouble: periodic::Trouble) -> Trouble {
    match trouble {
        periodic::Trouble::NoSolution(none) => Trouble::NoSolution(none),
        other => Trouble::Unsolved(other.to_string()),
    }
}
