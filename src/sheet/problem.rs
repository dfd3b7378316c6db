//! What can be wrong with a sheet, one variant a cause.

use super::keys::Key;
use crate::diag::{Diagnostic, Span};

/// A cause, with what the message needs.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the messages say what the fields are
pub enum SheetProblem {
    #[error("not TOML: {why}")]
    Syntax { why: String },
    #[error("a control code, a line break or a mark of direction in a name or text")]
    Codes,
    #[error("unknown key `{name}`")]
    UnknownKey {
        name: String,
        near: Option<String>,
        known: String,
    },
    #[error("`{key}` is {found}, expected {expected}")]
    WrongType {
        key: String,
        found: String,
        expected: String,
    },
    #[error("`{key}` is missing")]
    MissingKey {
        key: &'static str,
        meaning: &'static str,
    },
    #[error("cannot read the netlist `{path}`: {why}")]
    Netlist { path: String, why: String },
    #[error("the sheet expects nothing")]
    NoExpectations,
    #[error("`{name}` has {found} values, the names beside it have {expected}")]
    UnequalChoices {
        name: String,
        found: usize,
        expected: usize,
    },
    #[error("`{name}` has no values")]
    NoChoices { name: String },
    #[error("a block of `vary` names nothing that varies")]
    EmptyVary,
    #[error("`{name}` is varied in another block already")]
    VariedTwice { name: String },
    #[error("`{name}` is set twice")]
    SetTwice { name: String },
    #[error("two cases are called `{name}`")]
    SameCase { name: String },
    #[error("{count} cases are more than {most}")]
    TooManyCases { count: String, most: usize },
    #[error("the cases set {count} values, expected at most {most}")]
    TooManyChoices { count: usize, most: usize },
    #[error("no case fits `{pattern}`")]
    NoCase { pattern: String, cases: String },
    #[error("unknown case `{name}`")]
    UnknownCase {
        name: String,
        near: Option<String>,
        cases: String,
    },
    #[error("a fingerprint needs exactly one case; {count} match")]
    LevelsOfCases { count: usize },
    #[error("`{figure}` needs {needed}")]
    NothingExpected {
        figure: String,
        needed: &'static str,
    },
    #[error("`{key}` does not go with {with}")]
    DoesNotGo { key: String, with: String },
    #[error("a value needs a tolerance")]
    NoTolerance,
    #[error("a tolerance of zero can never be met")]
    ZeroTolerance,
    #[error("tolerance `{text}` is less than zero")]
    NegativeTolerance { text: String },
    #[error("tolerance `{text}` would let anything pass")]
    IdleTolerance { text: String },
    #[error("tolerance `{text}` is 100 % or more: a value of zero would pass")]
    WideTolerance { text: String },
    #[error(
        "tolerance `{text}` means {means}, and the value is {value}: a value of zero would pass"
    )]
    BareTolerance {
        text: String,
        means: String,
        value: String,
        remedy: String,
    },
    #[error("`at-least` {at_least} is more than `at-most` {at_most}")]
    EmptyRange { at_least: String, at_most: String },
    #[error("places of `mask` must rise: `{text}` does not")]
    MaskOrder { text: String },
    #[error("`mask` has no pairs")]
    EmptyMask,
    #[error("a pair of `mask` is {found}, expected a place and a tolerance")]
    MaskPair { found: String },
    #[error("cannot read `{path}`: {why}")]
    Stored { path: String, why: String },
    #[error("nothing is stored yet in `{path}`")]
    NotStored { path: String },
    #[error("`{path}` has a sound at {found} Hz, expected {expected} Hz")]
    Rate {
        path: String,
        found: u32,
        expected: u32,
    },
    #[error("`{path}` has {found} samples, expected {expected}")]
    Length {
        path: String,
        found: usize,
        expected: usize,
    },
    #[error("`{path}` has no column `{column}`")]
    NoColumn {
        path: String,
        column: String,
        has: String,
    },
    #[error("`{path}` line {line}: {why}")]
    CsvLine {
        path: String,
        line: u64,
        why: String,
    },
    #[error("`{path}` runs from {found_from} to {found_to}, the figure from {from} to {to}")]
    Reach {
        path: String,
        found_from: String,
        found_to: String,
        from: String,
        to: String,
    },
    #[error("`{key}` has {found} levels, the render gives {expected}")]
    Fingerprint {
        key: &'static str,
        found: usize,
        expected: usize,
    },
}

impl SheetProblem {
    /// A key that no table has.
    pub fn unknown_key(name: &str, table: &[Key]) -> Self {
        let names = || table.iter().map(|k| k.name);
        SheetProblem::UnknownKey {
            name: name.to_string(),
            near: crate::diag::nearest(name, names()).map(str::to_string),
            known: names().collect::<Vec<_>>().join(", "),
        }
    }

    /// With its place and remedy.
    pub fn at(self, span: impl Into<Option<Span>>) -> Diagnostic {
        Diagnostic::of_problem(&self, span, self.hint())
    }

    /// What to do about it, where there is something to say.
    pub fn hint(&self) -> Option<String> {
        let meant = |near: &Option<String>| near.as_ref().map(|n| format!("did you mean `{n}`?"));
        match self {
            SheetProblem::UnknownKey { near, known, .. } => {
                meant(near).or(Some(format!("known are {known}")))
            }
            SheetProblem::MissingKey { key, meaning } => Some(format!("`{key}` is {meaning}")),
            SheetProblem::Netlist { .. } => Some("its path starts from the sheet's folder".into()),
            SheetProblem::NoExpectations => Some("add a block `[[expect]]`".into()),
            SheetProblem::UnequalChoices { .. } => Some(
                "names of one `[[vary]]` block go in step; give each a block of its own to combine"
                    .into(),
            ),
            SheetProblem::EmptyVary => Some("for example `VOLUME = [0, 5, 10]`".into()),
            SheetProblem::SetTwice { .. } => {
                Some("names compare without regard to case; leave one of them away".into())
            }
            SheetProblem::TooManyChoices { .. } => Some("make several sheets of it".into()),
            SheetProblem::TooManyCases { .. } => Some(format!(
                "make several sheets of it; {}",
                crate::limits::raise(crate::limits::Bound::Cases)
            )),
            // The only case of a sheet that varies nothing has no name.
            SheetProblem::NoCase { cases, .. } if cases.is_empty() => {
                Some("the sheet has no `[[vary]]` and so one case: omit `cases`".into())
            }
            SheetProblem::NoCase { cases, .. } => Some(format!("the cases are {cases}")),
            SheetProblem::UnknownCase { near, cases, .. } => {
                meant(near).or(Some(format!("the cases are {cases}")))
            }
            SheetProblem::NothingExpected { .. } => {
                Some("leave only `value` or `file` away to have it recorded".into())
            }
            SheetProblem::LevelsOfCases { .. } => Some(
                "add `cases = \"...\"`, or hold it against a `file` with {case} in its name".into(),
            ),
            SheetProblem::NoTolerance => Some("for example `tolerance = \"1 %\"`".into()),
            SheetProblem::ZeroTolerance => Some(
                "give what may differ without harm, for example `0.1 %`; digits beyond 1e-9 of \
                 the value mean nothing"
                    .into(),
            ),
            SheetProblem::IdleTolerance { .. } => {
                Some("a sound is held to a level below its own, for example `-60 dB`".into())
            }
            SheetProblem::WideTolerance { .. } => Some(
                "give less than 100 %, for example `20 %`, or bounds with `at-least` and `at-most`"
                    .into(),
            ),
            SheetProblem::BareTolerance { remedy, .. } => Some(remedy.clone()),
            SheetProblem::NotStored { .. } => Some("`gridleak check --record` writes it".into()),
            SheetProblem::Rate { .. } => Some(
                "record it anew with --record --overwrite, or give the clip it came from".into(),
            ),
            SheetProblem::Length { .. } | SheetProblem::Fingerprint { .. } => {
                Some("record it anew with --record --overwrite".into())
            }
            SheetProblem::Reach { .. } => Some(
                "let both cover the same: give the figure the file's ends, or record the file anew \
                 with --record --overwrite"
                    .into(),
            ),
            SheetProblem::NoColumn { has, .. } => Some(format!("it has {has}")),
            SheetProblem::MaskPair { .. } | SheetProblem::EmptyMask => {
                Some("for example `mask = [[\"20 Hz\", \"3 dB\"], [\"100 Hz\", \"1 dB\"]]`".into())
            }
            _ => None,
        }
    }
}

impl From<SheetProblem> for Diagnostic {
    /// Where no place is meant.
    fn from(problem: SheetProblem) -> Self {
        problem.at(None)
    }
}
