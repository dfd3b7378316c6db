//! What a measurement gives.

use crate::analysis::NoSolution;
use crate::audio::clip::Clip;
use crate::diag::Diagnostic;

/// What a figure came to.
#[derive(Debug, Clone, PartialEq)]
pub enum FigureValue {
    /// A number.
    Number(Reading),
    /// A curve.
    Curve(Curve),
    /// A sound, in volts, amperes or watts.
    Sound(Clip),
}

/// A number with its unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// In the base unit.
    pub value: f64,
    /// V, A, W ...
    pub unit: &'static str,
    /// The rating, if there is one.
    pub limit: Option<f64>,
}

/// What a curve runs over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Across {
    /// Time, s.
    Time,
    /// Frequency, Hz.
    Frequency,
}

impl Across {
    /// As result files head the column.
    pub fn heading(self) -> &'static str {
        match self {
            Across::Time => "time_s",
            Across::Frequency => "frequency_hz",
        }
    }
}

/// A curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// What it runs over.
    pub across: Across,
    /// Where, rising.
    pub x: Vec<f64>,
    /// The value there.
    pub y: Vec<f64>,
    /// Its unit.
    pub unit: &'static str,
    /// What heads its column in result files.
    pub heading: String,
}

/// Why there is no figure.
#[derive(Debug, Clone, PartialEq)]
pub enum Trouble {
    /// It asks for something that the circuit does not have.
    Input(Diagnostic),
    /// The circuit has no solution that was found.
    NoSolution(Box<NoSolution>),
    /// It has solutions, but none of the kind that the figure asks for.
    Unsolved(String),
    /// The circuit is solved, and the figure does not exist: a corner of a gain that never
    /// falls, an output beyond reach.
    Absent(String),
    /// The user broke off.
    Stopped,
}

/// Whether to go on, which long work asks now and then.
///
/// # Errors
/// If the user broke off.
pub(super) fn go_on(stopped: &dyn Fn() -> bool) -> Result<(), Trouble> {
    if stopped() {
        Err(Trouble::Stopped)
    } else {
        Ok(())
    }
}

/// Where clips come from.
pub trait Clips: Sync {
    /// The sound of a file, named as the figure names it.
    ///
    /// # Errors
    /// Why it cannot be had, in a few words.
    fn clip(&self, name: &str) -> Result<Clip, String>;
}

/// Points of a transient that are kept at most.
pub(super) const MOST_POINTS: f64 = 1e7;
