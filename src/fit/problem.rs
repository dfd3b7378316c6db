//! What can be wrong with readings, one variant a cause.

use crate::num;

/// A cause, with what the message needs.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the messages say what the fields are
pub enum FitProblem {
    #[error("there are no readings")]
    Empty,
    #[error("there are more than {most} readings")]
    TooMany { most: usize },
    #[error("there is no column `{column}`")]
    NoColumn {
        column: &'static str,
        expected: String,
    },
    #[error("two columns are named `{column}`")]
    TwoColumns { column: &'static str },
    #[error("this row has {}, the heading has {expected}", counted(*found, "value"))]
    ShortRow { found: usize, expected: usize },
    #[error("this row has {}, the heading has {expected}", counted(*found, "value"))]
    LongRow { found: usize, expected: usize },
    #[error("`{column}` is empty")]
    NoValue { column: &'static str },
    #[error("`{text}` in column `{column}` is not a number")]
    NotANumber { column: &'static str, text: String },
    #[error("the text is not a CSV table: {why}")]
    NotATable { why: String },
    #[error("`{column}` is {value}, but a current cannot flow backwards through a valve")]
    Backwards { column: &'static str, value: String },
    #[error("current flows at {volts} on the {electrode}: no valve could give that")]
    NoVolts {
        electrode: &'static str,
        volts: String,
    },
    #[error("the readings say nothing of the valve: {most} is the most that flows")]
    NoCurrent {
        most: String,
        valve: String,
        vpk: String,
        vgk: String,
        usual: String,
    },
    #[error(
        "`{column}` is {read}, but {} gives about {usual} at these volts",
        a(valve)
    )]
    Unlikely {
        column: &'static str,
        read: String,
        valve: String,
        usual: String,
        /// What would fit, if there is such a thing.
        meant: Option<Slip>,
    },
    #[error("`vpk` is {volts}, but {} takes {most} at most", a(valve))]
    TooHigh {
        volts: String,
        valve: String,
        most: String,
    },
    #[error(
        "no current flows, but {} gives about {usual} at these volts",
        a(valve)
    )]
    Dead { valve: String, usual: String },
    #[error("there is no point `{name}` in the netlist")]
    NoPoint { name: String },
    #[error("this point was read in line {other} already")]
    Twice { other: usize },
    #[error("there is no built-in type `{name}`")]
    NoType { name: String, near: Option<String> },
    #[error("`{name}` has no grid to fit")]
    NoGrid { name: String },
    #[error("`{name}` cannot be the name of a model")]
    BadName { name: String },
}

/// What a builder may have written by mistake.
#[derive(Debug, Clone, PartialEq)]
pub enum Slip {
    /// A column in a unit that is N times the right one.
    Unit {
        /// Its name.
        column: &'static str,
        /// As it is in the base unit.
        meant: String,
    },
    /// A grid voltage without its minus.
    Sign {
        /// With it.
        meant: String,
    },
}

impl FitProblem {
    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            FitProblem::Empty => {
                "name the columns in a heading, and write a row for each reading under it".into()
            }
            FitProblem::TooMany { .. } => "leave every second one out".into(),
            FitProblem::NoColumn { expected, .. } => {
                format!("the first line names the columns: {expected}")
            }
            FitProblem::TwoColumns { .. } => "rename the one that is not meant".into(),
            FitProblem::LongRow { .. } => {
                "where commas are decimal signs, put semicolons between the values: 250;-2,5;0,0012"
                    .into()
            }
            FitProblem::ShortRow { .. } => "give every column a value, with commas between".into(),
            FitProblem::NoValue { .. } => "write the reading, or take the row out".into(),
            FitProblem::NotANumber { .. } => {
                "write volts and amperes as numbers: -1.5, 250, 0.0012 or 1.2m".into()
            }
            FitProblem::NotATable { .. } => "a row a line, commas between the values".into(),
            FitProblem::Backwards { .. } => {
                "write currents as positive numbers, or swap the meter's leads".into()
            }
            FitProblem::NoCurrent {
                valve,
                vpk,
                vgk,
                usual,
                ..
            } => format!(
                "read it at work: {} gives about {usual} at {vpk} on the plate and {vgk} on the grid",
                a(valve)
            ),
            FitProblem::NoVolts { .. } => {
                "give volts against the cathode, with the valve at work".into()
            }
            FitProblem::Unlikely {
                meant: Some(Slip::Unit { column, meant }),
                ..
            } => format!(
                "`{column}` in the wrong unit? Volts and amperes are expected: {meant} would fit"
            ),
            FitProblem::Unlikely {
                meant: Some(Slip::Sign { meant }),
                ..
            } => format!("is the sign of `vgk` lost? {meant} would fit"),
            FitProblem::Unlikely { .. } => {
                "check the type, the units (volts, amperes) and the pins".into()
            }
            FitProblem::TooHigh { .. } => {
                "`vpk` in the wrong unit? Give volts against the cathode".into()
            }
            FitProblem::Dead { .. } => {
                "check heater, pins and supply; a dead valve has no model".into()
            }
            FitProblem::NoPoint { .. } => {
                "name a node by itself or as v(node), in volts against ground".into()
            }
            FitProblem::Twice { .. } => "keep one of the two".into(),
            FitProblem::NoType {
                near: Some(near), ..
            } => format!("did you mean `{near}`?"),
            FitProblem::NoType { near: None, .. } => "`gridleak valves` lists the types".into(),
            FitProblem::NoGrid { .. } => "take a triode, a pentode or a beam tetrode".into(),
            FitProblem::BadName { .. } => {
                "begin with a letter or a digit; letters, digits, _ and - may follow".into()
            }
        })
    }
}

/// A type with its article: a 12AX7, an EL84, an 807.
pub fn a(valve: &str) -> String {
    let article = if valve.starts_with(['8', 'A', 'E', 'F', 'L', 'M', 'N', 'R', 'S']) {
        "an"
    } else {
        "a"
    };
    format!("{article} {valve}")
}

/// `1 value`, `3 values`.
pub fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

/// A problem with the line that it is in.
#[derive(Debug, Clone, PartialEq)]
pub struct Located {
    /// From 1; the heading is line 1.
    pub line: usize,
    /// What is wrong there.
    pub problem: Box<FitProblem>,
}

impl Located {
    /// A problem in a line.
    pub fn new(line: usize, problem: FitProblem) -> Located {
        Located {
            line,
            problem: Box::new(problem),
        }
    }

    /// The same of a reading that was worked out from others, whose columns nobody wrote: without the
    /// slip that would explain it.
    #[must_use]
    pub fn worked_out(mut self) -> Located {
        if let FitProblem::Unlikely { meant, .. } = &mut *self.problem {
            *meant = None;
        }
        self
    }
}

/// Volts as messages show them.
pub(super) fn volts(value: f64) -> String {
    num::engineering(value, "V", 3)
}

/// Amperes likewise.
pub(super) fn amperes(value: f64) -> String {
    num::engineering(value, "A", 3)
}
