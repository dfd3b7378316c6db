//! Numbers: a value within its tolerance, or a range.

use super::super::expect::{Amount, Expectation, Tolerance, bare};
use super::super::record::NewValue;
use super::super::verdict::{Mark, Verdict};
use super::digits::{shown_like, stored_as, too, written};
use crate::audio::level::decibels;
use crate::diag::Diagnostic;
use crate::figure::amount;
use crate::figure::bench::Reading;
use crate::figure::digits::{shown, shown_beside};
use crate::num;

/// A value against what is wanted; none is wanted yet where it is to be recorded.
pub fn value(
    expectation: &Expectation,
    wanted: Option<&Amount>,
    reading: Reading,
) -> Result<Verdict, Diagnostic> {
    let tolerance = expectation.tolerance.expect("a value has a tolerance");
    let found = reading.value;
    let mut verdict = Verdict::blank(expectation, Mark::Missing);
    verdict.found = num::full(found);
    verdict.shown_found = shown_like(wanted, reading);
    verdict.tolerance = written(tolerance, reading.unit);
    let Some(wanted) = wanted else {
        let text = stored_as(found, reading, tolerance, false);
        // What would be refused when it is read again is not stored.
        if let (true, Tolerance::Absolute(allowed), Ok(amount)) =
            (expectation.is_bare, tolerance, amount::read(&text))
            && let Some(problem) = bare(
                &expectation.figure,
                &expectation.tolerance_text,
                allowed,
                amount.number,
            )
        {
            return Err(problem.at(expectation.tolerance_span));
        }
        verdict.new = Some(NewValue::Amount(text));
        return Ok(verdict);
    };
    let expected = in_base(expectation, wanted, reading)?;
    verdict.expected = num::full(expected);
    verdict.shown_expected = if wanted.target.is_of_rating() {
        format!("{} ({})", wanted.text, shown(expected, reading.unit))
    } else {
        shown(expected, reading.unit)
    };
    // A ratio of powers is ten times the logarithm, of voltages and currents twenty.
    let decibels = |r: f64| match reading.unit {
        "W" => 0.5 * decibels(r),
        _ => decibels(r),
    };
    // Angles are apart by the shorter way round.
    let way = |by: f64| match reading.unit {
        "deg" => (by + 180.0).rem_euclid(360.0) - 180.0,
        _ => by,
    };
    let (apart, allowed, unit) = match tolerance {
        Tolerance::Absolute(t) => (way(found - expected), t, reading.unit),
        Tolerance::Relative(part) => (found - expected, part * expected.abs(), reading.unit),
        Tolerance::Decibels(db) if found * expected > 0.0 => (decibels(found / expected), db, "dB"),
        Tolerance::Decibels(db) => (f64::INFINITY, db, "dB"),
    };
    // Not a number is never within.
    if apart.abs() <= allowed {
        verdict.mark = Mark::Ok;
        return Ok(verdict);
    }
    verdict.mark = Mark::Off;
    verdict.by = too(apart, allowed, unit);
    if found.is_finite() {
        let text = stored_as(found, reading, tolerance, wanted.target.is_of_rating());
        verdict.new = Some(NewValue::Amount(text));
    }
    Ok(verdict)
}

/// A value against its bounds.
pub fn range(
    expectation: &Expectation,
    least: Option<&Amount>,
    most: Option<&Amount>,
    reading: Reading,
) -> Result<Verdict, Diagnostic> {
    let base =
        |amount: Option<&Amount>| amount.map(|a| in_base(expectation, a, reading)).transpose();
    let (low, high) = (base(least)?, base(most)?);
    let found = reading.value;
    let mut verdict = Verdict::blank(expectation, Mark::Ok);
    let end = |v: Option<f64>| v.map(num::full).unwrap_or_default();
    verdict.expected = format!("{}..{}", end(low), end(high));
    verdict.shown_expected = match (least, most) {
        (Some(l), Some(m)) => format!("{} to {}", l.text, m.text),
        (Some(l), None) => format!("at least {}", l.text),
        (None, Some(m)) => format!("at most {}", m.text),
        (None, None) => String::new(),
    };
    verdict.found = num::full(found);
    verdict.shown_found = shown_like(least.or(most), reading);
    let below = low.is_some_and(|low| found.is_nan() || found < low);
    let above = high.is_some_and(|high| found.is_nan() || found > high);
    if below || above {
        let limit = if below { low } else { high };
        let by = (found - limit.unwrap_or(f64::NAN)).abs();
        let way = if below { "low" } else { "high" };
        verdict.mark = Mark::Off;
        verdict.by = format!("{} too {way}", shown_beside(by, found, reading.unit));
    } else if expectation.figure.quantity.is_run_time() {
        // No two runs take the same time: what is within its bound is not written, so that
        // the same sheet gives the same bytes.
        verdict.found.clear();
        verdict.shown_found.clear();
    }
    Ok(verdict)
}

/// An amount in the figure's base unit: a percentage is of its rating.
fn in_base(
    expectation: &Expectation,
    amount: &Amount,
    reading: Reading,
) -> Result<f64, Diagnostic> {
    let value = amount.target.value(&expectation.figure, reading.limit);
    value.map_err(|problem| problem.at(amount.span))
}
