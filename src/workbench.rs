//! The front door of the library: a netlist becomes a circuit on the bench, and the bench
//! answers in figures, curves and sounds.
//!
//! ```
//! use gridleak::workbench::Netlist;
//!
//! let stage = "Clean stage
//! VIN in 0 AC 1
//! VB supply 0 300
//! RA supply plate 100k
//! XV1 plate in cathode 12AX7
//! RK cathode 0 1.5k
//! ";
//! let bench = Netlist::from_text(stage).with("RK", "1k8").build()?;
//! let watts = bench.figure("plate dissipation of XV1")?;
//! assert!(watts.value > 0.1 && watts.value < watts.limit.unwrap());
//! let gain = bench.figure("gain of v(plate) with frequency 1k")?;
//! assert_eq!(gain.unit, "dB");
//! # Ok::<(), gridleak::workbench::Error>(())
//! ```

mod sound;
mod spread;

use crate::analysis::NoSolution;
use crate::analysis::small_signal::{self, SmallSignal};
use crate::audio::clip::Clip;
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::circuit::params::Overrides;
use crate::circuit::read::{Draft, Refused};
use crate::diag::{Diagnostic, Files, Span};
use crate::figure::bench::{Bench, Clips, Curve, FigureValue, Reading, Trouble};
use crate::figure::choice::{self, Choice};
use crate::figure::driven_source::{self, Driving};
use crate::figure::{Figure, Words};
use crate::measure::chart::ChartRow;
use crate::measure::gain::{self, Wanted};
use crate::measure::quiescent;
use crate::netlist::{self, statement};
use crate::num;
use crate::report::wav;
use crate::system::probe::Observable;
use num_complex::Complex;
use std::fmt;
use std::ops::RangeInclusive;
use std::path::Path;

pub use sound::Sound;

/// Why the bench has no answer.
#[derive(thiserror::Error)]
pub enum Error {
    /// The netlist, a setting or a name is wrong.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// No solution was found.
    #[error("{0}")]
    NoSolution(Box<NoSolution>),
    /// The circuit is solved, and what was asked for does not exist.
    #[error("{0}")]
    Absent(String),
    /// A sound could not be read, played or written.
    #[error("{0}")]
    Sound(String),
}

// `main` shows its error by this: it is for people too.
impl fmt::Debug for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl From<Box<NoSolution>> for Error {
    fn from(none: Box<NoSolution>) -> Self {
        Error::NoSolution(none)
    }
}

/// A netlist that was read, and what is set on it.
#[derive(Debug, Clone)]
pub struct Netlist {
    draft: Draft,
    choices: Vec<Choice>,
}

impl Netlist {
    /// Reads a netlist and what it includes.
    ///
    /// # Errors
    /// If there is no such file, or it is not a netlist.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, Error> {
        let draft = Draft::file(path);
        if draft.is_good() {
            Ok(Netlist::from(draft))
        } else {
            Err(refused(draft.files, draft.problems))
        }
    }

    /// A netlist's text. What is wrong with it is reported when it is built.
    pub fn from_text(text: &str) -> Self {
        Netlist::from(Draft::text(text))
    }

    /// Sets an element's value, `NAME.parameter`, a pot's knob, a toggle, a valve's type, the
    /// `temperature` or the `mains` (per cent). A later setting of the same name wins; what
    /// names nothing is reported when the circuit is built.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl fmt::Display) -> Self {
        let text = value.to_string();
        let line = format!("{name} = {text}");
        let start = line.len() - text.len();
        let file = self.draft.files.add("setting", line.as_str());
        self.choices.push(Choice {
            name: name.to_string(),
            span: Span::new(file, start, line.len()),
            name_span: Span::new(file, 0, name.len()),
            text,
        });
        self
    }

    /// Builds the circuit.
    ///
    /// # Errors
    /// All that is wrong with the netlist and the settings.
    pub fn build(&self) -> Result<Workbench, Error> {
        let mut draft = self.draft.clone();
        let mut settings = Overrides::default();
        let mut built = draft.build(&settings, Timing::default());
        if let (Ok(base), false) = (&built, self.choices.is_empty()) {
            (draft.netlist, settings) =
                choice::choose(&draft.netlist, &base.circuit, &self.choices);
            built = draft.build(&settings, Timing::default());
        }
        match built {
            Ok(built) => {
                let mut warnings = draft.problems;
                warnings.extend(built.warnings);
                Ok(Workbench {
                    netlist: draft.netlist,
                    settings,
                    circuit: built.circuit,
                    files: draft.files,
                    warnings,
                })
            }
            Err(problems) => Err(refused(draft.files, problems)),
        }
    }
}

impl From<Draft> for Netlist {
    /// A netlist that was read by a loader or within limits of its own.
    fn from(draft: Draft) -> Self {
        Netlist {
            draft,
            choices: Vec::new(),
        }
    }
}

fn refused(files: Files, problems: Vec<Diagnostic>) -> Error {
    Error::Refused(Refused::new(files, problems))
}

/// A circuit on the bench.
#[derive(Debug)]
pub struct Workbench {
    netlist: statement::Netlist,
    settings: Overrides,
    circuit: Circuit,
    files: Files,
    warnings: Vec<Diagnostic>,
}

/// A gain over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Where, Hz.
    pub frequencies_hz: Vec<f64>,
    /// The probe for 1 V (or 1 A) of the source.
    pub gains: Vec<Complex<f64>>,
}

impl Response {
    /// Frequency in Hz, gain in dB and phase in degrees, row by row.
    pub fn rows(&self) -> impl Iterator<Item = (f64, f64, f64)> {
        let gains = self.gains.iter();
        let rows = self.frequencies_hz.iter().zip(gains);
        rows.map(|(&f, &z)| (f, gain::decibels(gain::size(z)), gain::degrees(z)))
    }
}

/// The voltage chart: what a meter would show with nothing playing, and what is allowed.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// Its rows.
    pub rows: Vec<ChartRow>,
}

impl Chart {
    /// The row of a subject and a quantity: `XV1`, `plate dissipation`.
    pub fn row(&self, subject: &str, quantity: &str) -> Option<&ChartRow> {
        let same = |r: &&ChartRow| {
            r.subject.eq_ignore_ascii_case(subject) && r.quantity.eq_ignore_ascii_case(quantity)
        };
        self.rows.iter().find(same)
    }
}

impl fmt::Display for Chart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for row in &self.rows {
            let value = num::engineering(row.value, row.unit, 3);
            writeln!(f, "{:<16}{:<40}{value}", row.subject, row.quantity)?;
        }
        Ok(())
    }
}

/// No file may be named by a figure that has no folder to look in.
struct NamedClips;

impl Clips for NamedClips {
    fn clip(&self, name: &str) -> Result<Clip, String> {
        let mut file = wav::open_wav(Path::new(name)).map_err(|e| e.to_string())?;
        Clip::collect(&mut file).map_err(|e| e.to_string())
    }
}

impl Workbench {
    /// The circuit.
    pub fn circuit(&self) -> &Circuit {
        &self.circuit
    }

    /// What is doubtful about the netlist or the circuit, ready to be shown.
    pub fn warnings(&self) -> impl Iterator<Item = String> {
        self.warnings.iter().map(|w| self.files.render(w))
    }

    /// The chart with nothing playing. A supply that is fed from the mains is charged.
    ///
    /// # Errors
    /// If no operating point, or no mains cycle that repeats itself, was found.
    pub fn quiescent(&self) -> Result<Chart, Error> {
        let (found, mut assembly) = quiescent::solve(&self.circuit)?;
        let rows = found.rows(&mut assembly, &[]);
        Ok(Chart { rows })
    }

    /// A figure that is a number, named as in sheets: `plate dissipation of XV4`,
    /// `gain of v(out) with frequency 1k`.
    ///
    /// # Errors
    /// If there is no such figure, or the circuit does not have it.
    pub fn figure(&self, text: &str) -> Result<Reading, Error> {
        match self.measure(text)? {
            FigureValue::Number(reading) => Ok(reading),
            _ => Err(Error::Absent(format!("`{text}` is not a single number"))),
        }
    }

    /// A figure that is a curve: `waveform of v(out) with stop 20m, step 10u`.
    ///
    /// # Errors
    /// As [`Workbench::figure`].
    pub fn curve(&self, text: &str) -> Result<Curve, Error> {
        match self.measure(text)? {
            FigureValue::Curve(curve) => Ok(curve),
            _ => Err(Error::Absent(format!("`{text}` is not a curve"))),
        }
    }

    fn measure(&self, text: &str) -> Result<FigureValue, Error> {
        let mut files = self.files.clone();
        let file = files.add("figure", text);
        let figure = match Figure::parse(text, Words::whole(file, text)) {
            Ok(figure) => figure,
            Err(problem) => return Err(refused(files, vec![problem])),
        };
        let go_on = || false;
        let settings = self.settings.clone();
        let mut bench = Bench::new(&self.netlist, settings, files, &NamedClips, &go_on);
        match bench.measure(&[&figure]) {
            Ok(mut found) => match found.pop().expect("one figure") {
                Ok(value) => Ok(value),
                Err(Trouble::Input(problem)) => Err(refused(bench.sources, vec![problem])),
                Err(Trouble::NoSolution(none)) => Err(none.into()),
                Err(Trouble::Unsolved(why) | Trouble::Absent(why)) => Err(Error::Absent(why)),
                Err(Trouble::Stopped) => unreachable!("nobody stops it"),
            },
            Err(problems) => Err(refused(bench.sources, problems)),
        }
    }

    /// The gain to a probe over frequency, at `per_decade` points a decade: the source with an
    /// AC value gives 1 V.
    ///
    /// # Errors
    /// If there is no such probe or source, or no solution.
    pub fn response(
        &self,
        probe: &str,
        range_hz: RangeInclusive<f64>,
        per_decade: f64,
    ) -> Result<Response, Error> {
        let probe = self.probe(probe)?;
        let driving = self.driving(None)?;
        let (x, mut assembly) = quiescent::at_rest(&self.circuit)?;
        let wanted = Wanted {
            driven: driving.driven,
            pickups: probe.pickup(&mut assembly, &x).into_iter().collect(),
            delay: false,
            seen: Vec::new(),
        };
        let frequencies_hz = gain::decades(*range_hz.start(), *range_hz.end(), per_decade);
        let mut small = SmallSignal::new(&mut assembly, &x);
        let found = gain::sweep(&mut small, &wanted, &frequencies_hz, &mut || ())
            .map_err(|singular| small_signal::no_solution(&self.circuit, singular))?;
        let gains = found.gains.into_iter().next();
        Ok(Response {
            frequencies_hz,
            gains: gains.ok_or_else(|| Error::Absent("a power has no gain".to_string()))?,
        })
    }

    /// A probe by its expression: `v(out)`, `i(R1)`.
    ///
    /// # Errors
    /// If the circuit does not have it.
    pub fn probe(&self, text: &str) -> Result<Observable, Error> {
        let mut files = self.files.clone();
        let file = files.add("probe", text);
        netlist::parse_probe(text, file)
            .and_then(|probe| Observable::new(&self.circuit, &probe, text))
            .map_err(|problem| refused(files, vec![problem]))
    }

    /// The source of a name, or the only one with an AC value.
    fn driving(&self, name: Option<&str>) -> Result<Driving, Error> {
        driven_source::find(&self.circuit, name).ok_or_else(|| {
            let why = "which source drives the circuit? Write `AC 1` on its line";
            refused(self.files.clone(), vec![Diagnostic::error(why, None)])
        })
    }
}
