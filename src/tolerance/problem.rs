//! What can be wrong with tolerances, one variant a cause.

use crate::diag::{Diagnostic, Span};
use crate::netlist::statement::Tolerance;

/// A cause, with what the message needs.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the messages say what the fields are
pub enum ToleranceProblem {
    #[error("expected NAME=TOLERANCE, found `{text}`")]
    Syntax { text: String },
    #[error("`{text}` is not a tolerance")]
    NotATolerance { text: String },
    #[error("`{name}` has no value that a tolerance could apply to")]
    NoValue { name: String, what: String },
    #[error("a tolerance is set for `{name}`, which is not in the circuit")]
    Unknown { name: String, near: Option<String> },
    #[error("no resistor or pot `{name}` to trim")]
    UnknownTrimmer { name: String, near: Option<String> },
    #[error("`{name}` cannot be trimmed: expected a resistor or a pot")]
    NotATrimmer { name: String },
    #[error("the tolerance of `{name}` is {} times the value", crate::num::full(-found.low))]
    NoPercent { name: String, found: Tolerance },
    #[error("`{name}` cannot be {found}")]
    Impossible { name: String, found: String },
}

impl ToleranceProblem {
    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            ToleranceProblem::Syntax { .. } => {
                "for example `--tol R=5%`, `--tol RK1=1%` or `--tol \
                                       CK1=-20..+50%`"
                    .to_string()
            }
            ToleranceProblem::NotATolerance { .. } => {
                "write `5%` or `-20..+50%`; of temperature and contact potential the degrees or \
                 volts, as in `-10..+20`"
                    .to_string()
            }
            ToleranceProblem::NoValue { what, .. } => format!("it has {what}"),
            ToleranceProblem::Unknown {
                near: Some(near), ..
            }
            | ToleranceProblem::UnknownTrimmer {
                near: Some(near), ..
            } => format!("did you mean `{near}`?"),
            ToleranceProblem::UnknownTrimmer { near: None, .. }
            | ToleranceProblem::NotATrimmer { .. } => {
                "name the part that is set, as in `--trim 'RBIAS: plate dissipation of XV4 = 70 %'`"
                    .to_string()
            }
            ToleranceProblem::Unknown { near: None, .. } => {
                "name a part, NAME.parameter, or a kind of part: R C L pot transformer valve mains \
                 temperature"
                    .to_string()
            }
            ToleranceProblem::NoPercent { name, found } => {
                let [low, high] = [found.low, found.high].map(crate::num::full);
                if found.low == -found.high {
                    format!("did you mean `{name}={high}%`?")
                } else {
                    format!("did you mean `{name}={low}..+{high}%`?")
                }
            }
            ToleranceProblem::Impossible { .. } => "make the tolerance smaller".to_string(),
        })
    }

    /// The problem with the place of the words that it is about.
    pub fn at(self, span: impl Into<Option<Span>>) -> Diagnostic {
        Diagnostic::of_problem(&self, span, self.hint())
    }
}

impl From<ToleranceProblem> for Diagnostic {
    /// Where no place is meant.
    fn from(problem: ToleranceProblem) -> Self {
        problem.at(None)
    }
}
