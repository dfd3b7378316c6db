//! Values, tolerances and differences in digits.

use super::super::expect::{Amount, Tolerance};
use crate::audio::level::ratio;
use crate::figure::bench::Reading;
use crate::figure::digits::{rounded, shown};
use crate::num;

/// A found value, and of its rating if that is what was asked.
pub fn shown_like(amount: Option<&Amount>, reading: Reading) -> String {
    let plain = shown(reading.value, reading.unit);
    match (amount, reading.limit) {
        (Some(amount), Some(limit)) if amount.target.is_of_rating() => format!(
            "{} % ({plain})",
            num::engineering(100.0 * reading.value / limit, "", 4)
        ),
        _ => plain,
    }
}

/// `3.2 V too high, 1.6 times the tolerance`.
pub fn too(apart: f64, allowed: f64, unit: &str) -> String {
    let way = if apart < 0.0 { "low" } else { "high" };
    let times = num::engineering(apart.abs() / allowed, "", 3);
    format!(
        "{} too {way}, {times} times the tolerance",
        num::engineering(apart.abs(), if unit == "x" { "" } else { unit }, 3)
    )
}

/// A tolerance as result files have it.
pub fn written(tolerance: Tolerance, unit: &str) -> String {
    match tolerance {
        Tolerance::Absolute(t) => format!("{} {unit}", num::full(t)).trim_end().to_string(),
        // The product of a part and 100 is rounded to what was written.
        Tolerance::Relative(part) => {
            let percent: f64 = format!("{:.12e}", part * 100.0).parse().unwrap_or(part);
            format!("{} %", num::full(percent))
        }
        Tolerance::Decibels(db) => format!("{} dB", num::full(db)),
    }
}

/// A value as it is stored: digits down to a tenth of the tolerance.
pub fn stored_as(value: f64, reading: Reading, tolerance: Tolerance, of_rating: bool) -> String {
    let (value, unit, scale) = match (of_rating, reading.limit) {
        (true, Some(limit)) => (100.0 * value / limit, "%", 100.0 / limit),
        _ => (value, reading.unit, 1.0),
    };
    let allowed = match tolerance {
        Tolerance::Absolute(t) => t * scale,
        Tolerance::Relative(part) => part * value.abs(),
        Tolerance::Decibels(db) => (ratio(db) - 1.0) * value.abs(),
    };
    rounded(value, unit, allowed)
}
