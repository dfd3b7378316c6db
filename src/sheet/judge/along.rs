//! Curves, against a stored table.

use super::super::Stored;
use super::super::curve;
use super::super::expect::{Expectation, Tolerance, bare};
use super::super::problem::SheetProblem;
use super::super::record::NewValue;
use super::super::verdict::{Mark, Overlay, Verdict};
use super::digits::{too, written};
use crate::diag::{Diagnostic, Span};
use crate::figure::bench::{Across, Curve};
use crate::num;

/// A curve against the stored one.
pub fn along(
    expectation: &Expectation,
    file: &str,
    span: Span,
    mask: &[(f64, f64)],
    found: &Curve,
    stored: &dyn Stored,
) -> Result<Verdict, Diagnostic> {
    let mut verdict = Verdict::blank(expectation, Mark::Missing);
    verdict.expected = file.to_string();
    verdict.shown_expected = format!("`{file}`");
    verdict.tolerance = match expectation.tolerance {
        Some(tolerance) => written(tolerance, found.unit),
        None => "mask".into(),
    };
    verdict.new = Some(NewValue::Text {
        file: file.to_string(),
        text: curve::written(found),
    });
    let unreadable = |why| {
        let path = file.to_string();
        SheetProblem::Stored { path, why }.at(span)
    };
    let Some(text) = stored.text(file).map_err(unreadable)? else {
        let path = file.to_string();
        verdict.message = Some(SheetProblem::NotStored { path }.to_string());
        return Ok(verdict);
    };
    let at_file = |problem: SheetProblem| problem.at(span);
    let (x, y) = curve::stored(file, &text, found).map_err(at_file)?;
    let greatest = y.iter().fold(0.0f64, |most, v| most.max(v.abs()));
    bare_beside(expectation, greatest)?;
    let apart =
        curve::apart(file, (&x, &y), found, expectation.tolerance, mask).map_err(at_file)?;
    let unit = match expectation.tolerance {
        Some(Tolerance::Decibels(_)) => "dB",
        _ => found.unit,
    };
    let across = match found.across {
        Across::Time => "s",
        Across::Frequency => "Hz",
    };
    verdict.found = num::full(apart.by);
    verdict.shown_found = format!(
        "{} away at {}",
        num::engineering(apart.by, unit, 3),
        num::engineering(apart.place, across, 4)
    );
    if apart.by.abs() <= apart.allowed {
        verdict.mark = Mark::Ok;
        verdict.new = None;
        return Ok(verdict);
    }
    verdict.mark = Mark::Off;
    verdict.by = too(apart.by, apart.allowed, unit);
    verdict.overlays = vec![Overlay {
        across: found.across,
        found: x
            .iter()
            .map(|&place| curve::at(found.across, &found.x, &found.y, place))
            .collect(),
        x,
        expected: y,
        unit: found.unit,
    }];
    Ok(verdict)
}

/// Refuses a tolerance without a unit within which a stored curve or sound of this peak would be
/// silent.
///
/// # Errors
/// That.
pub fn bare_beside(expectation: &Expectation, greatest: f64) -> Result<(), Diagnostic> {
    let (true, Some(Tolerance::Absolute(allowed))) = (expectation.is_bare, expectation.tolerance)
    else {
        return Ok(());
    };
    let text = &expectation.tolerance_text;
    match bare(&expectation.figure, text, allowed, greatest) {
        Some(problem) => Err(problem.at(expectation.tolerance_span)),
        None => Ok(()),
    }
}
