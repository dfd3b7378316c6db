//! A tolerance from the command line.

use super::problem::ToleranceProblem;
use crate::diag::{Diagnostic, Span};
use crate::netlist::statement::Tolerance;

/// A tolerance from the command line.
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    /// A part, NAME.parameter, or a class.
    pub name: String,
    /// How far.
    pub range: Tolerance,
    /// Whether it was written as a percentage.
    pub is_part: bool,
    /// Where.
    pub span: Span,
}

impl Rule {
    /// `R=5%`, as it stands on the command line.
    ///
    /// # Errors
    /// If it is none.
    pub fn parse(text: &str, span: Span) -> Result<Self, Diagnostic> {
        let (name, range, is_part) = read(text).map_err(|problem| problem.at(span))?;
        Ok(Rule {
            name: name.to_string(),
            range,
            is_part,
            span,
        })
    }
}

/// A name, its tolerance, and whether that is a part of the value.
///
/// # Errors
/// If it is none.
pub fn read(text: &str) -> Result<(&str, Tolerance, bool), ToleranceProblem> {
    let Some((name, value)) = text.split_once('=') else {
        return Err(ToleranceProblem::Syntax { text: text.into() });
    };
    let (name, value) = (name.trim(), value.trim());
    let bad = || ToleranceProblem::NotATolerance { text: value.into() };
    let is_part = value.ends_with('%');
    let range = match Tolerance::parse(value) {
        Some(range) => range,
        // An amount may be any.
        None if !is_part => amount(value).ok_or_else(bad)?,
        None => return Err(bad()),
    };
    Ok((name, range, is_part))
}

/// `0.1` or `-10..+20`, in the quantity's own unit.
fn amount(text: &str) -> Option<Tolerance> {
    let read = |t: &str| t.trim().parse::<f64>().ok().filter(|x| x.abs() < 1e6);
    let (low, high) = match text.split_once("..") {
        Some((low, high)) => (read(low)?, read(high)?),
        None => (-read(text)?, read(text)?),
    };
    (low <= 0.0 && high >= 0.0).then_some(Tolerance { low, high })
}
