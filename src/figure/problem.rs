//! What can be wrong with a figure, one variant a cause.

use super::amount::BadAmount;
use crate::diag::{Diagnostic, Span};
use crate::limits::{Bound, raise};
use crate::num::comma_hint;

/// A cause, with what the message needs.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the messages say what the fields are
pub enum FigureProblem {
    #[error("expected a figure, found nothing")]
    Empty,
    #[error("`{text}` is not a figure")]
    NoFigure { text: String },
    #[error("unknown quantity `{name}`")]
    UnknownQuantity { name: String, near: Option<String> },
    #[error("`{quantity}` needs a node or a part")]
    NoSubject {
        quantity: &'static str,
        example: &'static str,
    },
    #[error("`{quantity}` is of {expected}, found `{found}`")]
    WrongSubject {
        quantity: &'static str,
        expected: &'static str,
        found: String,
        example: &'static str,
    },
    #[error("`{quantity}` takes no condition `{key}`")]
    UnknownCondition {
        quantity: &'static str,
        key: String,
        near: Option<String>,
        known: String,
    },
    #[error("condition `{key}` is given twice")]
    ConditionTwice { key: &'static str },
    #[error("condition `{key}` has no value")]
    NoConditionValue { key: String },
    #[error("condition `{key}` is `{found}`, expected {expected}")]
    ConditionValue {
        key: &'static str,
        found: String,
        expected: String,
    },
    #[error("`{quantity}` needs the condition `{key}`")]
    MissingCondition {
        quantity: &'static str,
        key: &'static str,
        example: &'static str,
    },
    #[error("`{element}` has no {quantity}")]
    NotCharted {
        element: String,
        quantity: &'static str,
        has: String,
    },
    #[error("no element `{name}`")]
    UnknownElement { name: String, near: Option<String> },
    #[error("no source `{name}`")]
    UnknownSource {
        name: String,
        near: Option<String>,
        known: String,
    },
    #[error("which source drives `{quantity}`?")]
    WhichSource {
        quantity: &'static str,
        known: String,
    },
    #[error("cannot use the clip `{name}`: {why}")]
    Clip { name: String, why: String },
    #[error("the clip `{name}` has no samples")]
    EmptyClip { name: String },
    #[error("`from` is {from} s, expected less than `stop`, {stop} s")]
    FromAfterStop { from: String, stop: String },
    #[error("the band runs from {from} Hz to {to} Hz, expected upwards")]
    Downwards { from: String, to: String },
    #[error("`{first}` and `{second}` both set the input")]
    Both {
        first: &'static str,
        second: &'static str,
    },
    #[error("`{quantity}` is of a resistor, found `{name}`")]
    NotResistor {
        quantity: &'static str,
        name: String,
    },
    #[error("`{quantity}` is of a resistor or loudspeaker, found `{name}`")]
    NotALoad {
        quantity: &'static str,
        name: String,
    },
    #[error("no loop runs through `{name}`")]
    NoLoop { name: String },
    #[error("`{text}`: power has no small-signal meaning")]
    SmallPower { text: String },
    #[error("{points} points are more than are kept, at most {most}")]
    TooLong { points: String, most: String },
    #[error(
        "the circuit has {found} capacitors, windings, sources and valves: at most {most} can take \
         part in a steady state or a sound"
    )]
    TooManyStores { found: usize, most: usize },
    #[error(
        "`{source_name}` feeds a supply and is not taken as the mains: the circuit would be judged without it"
    )]
    Unfed { source_name: String },
    #[error("`{text}` is not a number with a unit")]
    NoAmount { text: String },
    #[error("unknown unit `{unit}`")]
    UnknownUnit { unit: String },
    #[error("the prefix of `{unit}` may be mega or milli")]
    Mega { unit: String },
    #[error("wrong unit `{found}`, expected {expected}")]
    WrongUnit {
        found: &'static str,
        expected: String,
    },
    #[error("`{figure}` has no rating that a percentage could be of")]
    NoRating { figure: String },
}

impl FigureProblem {
    /// The problem of a text that is not an amount.
    pub fn amount(text: &str, wrong: BadAmount) -> Self {
        match wrong {
            BadAmount::Number => FigureProblem::NoAmount {
                text: text.to_string(),
            },
            BadAmount::Unit(unit) => FigureProblem::UnknownUnit { unit },
            BadAmount::Mega(unit) => FigureProblem::Mega { unit },
        }
    }

    /// The problem of an amount in another unit than the figure's.
    pub fn wrong_unit(found: &'static str, unit: &str) -> Self {
        let expected = match unit {
            "" | "x" => "none".to_string(),
            unit => unit.to_string(),
        };
        FigureProblem::WrongUnit { found, expected }
    }

    /// With its place and remedy.
    pub fn at(self, span: impl Into<Option<Span>>) -> Diagnostic {
        Diagnostic::of_problem(&self, span, self.hint())
    }

    /// What to do about it, where there is something to say.
    pub fn hint(&self) -> Option<String> {
        let like = |example: &str| Some(format!("for example `{example}`"));
        let meant = |near: &Option<String>| near.as_ref().map(|n| format!("did you mean `{n}`?"));
        match self {
            FigureProblem::NoFigure { text } if !text.contains(char::is_whitespace) => {
                Some(format!(
                    "a node's voltage is written `v({text})`, a part's current `i({text})`; \
                     `gridleak check --explain` lists the other figures"
                ))
            }
            FigureProblem::Empty | FigureProblem::NoFigure { .. } => Some(
                "expected QUANTITY of SUBJECT, or a probe; `gridleak check --explain` lists them"
                    .into(),
            ),
            FigureProblem::UnknownQuantity { near, .. } => {
                meant(near).or(Some("`gridleak check --explain` lists every figure".into()))
            }
            FigureProblem::NoSubject { example, .. }
            | FigureProblem::WrongSubject { example, .. }
            | FigureProblem::MissingCondition { example, .. } => like(example),
            FigureProblem::UnknownCondition { near, known, .. } => meant(near).or_else(|| {
                if known.is_empty() {
                    Some("it takes none".into())
                } else {
                    Some(format!("it takes {known}"))
                }
            }),
            FigureProblem::NoConditionValue { key } => Some(format!("expected `{key} VALUE`")),
            FigureProblem::NotCharted { has, .. } if !has.is_empty() => {
                Some(format!("it has {has}"))
            }
            FigureProblem::UnknownElement { near, .. } => meant(near),
            FigureProblem::UnknownSource { near, known, .. } => {
                meant(near).or_else(|| (!known.is_empty()).then(|| format!("there is {known}")))
            }
            FigureProblem::WhichSource { known, .. } => Some(format!(
                "write `AC 1` on the input's line, or add `with source NAME`; the netlist has {known}"
            )),
            FigureProblem::TooLong { .. } => Some("ask for fewer, or for a shorter stretch".into()),
            FigureProblem::TooManyStores { .. } => Some(raise(Bound::Stores)),
            FigureProblem::Unfed { .. } => Some(
                "the mains are a SIN of 40 to 70 Hz without a DC or AC value; `gridleak bias` says \
                 what stands against it"
                    .into(),
            ),
            FigureProblem::Both { .. } => Some("give one of them".into()),
            FigureProblem::NoLoop { .. } => {
                Some("expected a resistor of which one end at least is free to move".into())
            }
            FigureProblem::SmallPower { .. } => {
                Some("look at voltage and current by themselves, with v(...) and i(...)".into())
            }
            FigureProblem::NoAmount { text } => {
                comma_hint(text).or_else(|| Some("for example `196.2 V` or `1.07 mA`".into()))
            }
            FigureProblem::UnknownUnit { .. } => {
                Some("units are V, A, W, ohm, Hz, s, dB, deg, %".into())
            }
            FigureProblem::Mega { .. } => Some("write MEG for mega, m for milli".into()),
            _ => None,
        }
    }
}

impl From<FigureProblem> for Diagnostic {
    /// Where no place is meant.
    fn from(problem: FigureProblem) -> Self {
        problem.at(None)
    }
}
