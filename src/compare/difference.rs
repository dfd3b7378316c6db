//! One difference, in the words of a builder.

/// One difference, as it is reported.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// `value`, `model`, `missing`, `extra`, `moved`, `swapped` or `switch`.
    pub kind: &'static str,
    /// Names of the drawn parts, separated by spaces; empty for a part that is extra.
    pub drawn: String,
    /// Names of the built parts; empty for a missing one.
    pub built: String,
    /// What it is, in a builder's words.
    pub what: String,
}
