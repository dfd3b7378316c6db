//! What became of an expectation.

use super::expect::Expectation;
use super::keys::UNSTABLE;
use super::record::NewValue;
use crate::figure::bench::Across;
use crate::measure::findings::STABILITY;

/// The judgement on an expectation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Within tolerance.
    Ok,
    /// Outside.
    Off,
    /// Nothing is stored to hold it against.
    Missing,
    /// The circuit has no solution.
    NoSolution,
    /// The expectation cannot be judged: a mistake in sheet or netlist.
    Bad,
}

impl Mark {
    /// Whether something was measured and held against what is expected, or could be stored.
    pub fn is_judged(self) -> bool {
        matches!(self, Mark::Ok | Mark::Off | Mark::Missing)
    }

    /// As result files have it.
    pub fn word(self) -> &'static str {
        match self {
            Mark::Ok => "ok",
            Mark::Off => "off",
            Mark::Missing => "missing",
            Mark::NoSolution => "no solution",
            Mark::Bad => "bad",
        }
    }
}

/// Expected and found, for a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Overlay {
    /// What they run over.
    pub across: Across,
    /// Where.
    pub x: Vec<f64>,
    /// What was expected there.
    pub expected: Vec<f64>,
    /// What was found.
    pub found: Vec<f64>,
    /// The unit of both.
    pub unit: &'static str,
}

/// One expectation, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The figure's words.
    pub figure: String,
    /// The judgement.
    pub mark: Mark,
    /// In base units; a range is `low..high`; a stored file is its name.
    pub expected: String,
    /// In base units; of a curve or sound, how far it is from the stored one.
    pub found: String,
    /// With its unit.
    pub tolerance: String,
    /// Expected, for people.
    pub shown_expected: String,
    /// Found, for people.
    pub shown_found: String,
    /// By how much it is off, for people; empty if it is not.
    pub by: String,
    /// Why it could not be judged.
    pub message: Option<String>,
    /// For a picture.
    pub overlays: Vec<Overlay>,
    /// What --record would write.
    pub new: Option<NewValue>,
}

impl Verdict {
    /// The verdict on a circuit that does not stay where it was measured: whatever its other figures, it
    /// fails. `what` says how it was found.
    pub fn unstable(what: &str) -> Self {
        Verdict {
            figure: STABILITY.to_string(),
            mark: Mark::Off,
            expected: "stable".to_string(),
            found: "unstable".to_string(),
            tolerance: String::new(),
            shown_expected: "stable".to_string(),
            shown_found: "unstable".to_string(),
            by: format!(
                "{}; `{UNSTABLE} = true` in the sheet allows it",
                what.trim_start_matches("unstable: ")
            ),
            message: None,
            overlays: Vec::new(),
            new: None,
        }
    }

    /// A verdict on nothing yet.
    pub fn blank(expectation: &Expectation, mark: Mark) -> Self {
        Verdict {
            figure: expectation.figure.text.clone(),
            mark,
            expected: String::new(),
            found: String::new(),
            tolerance: String::new(),
            shown_expected: String::new(),
            shown_found: String::new(),
            by: String::new(),
            message: None,
            overlays: Vec::new(),
            new: None,
        }
    }
}
