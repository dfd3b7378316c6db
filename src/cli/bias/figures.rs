//! Figures and verdicts as the chart shows them.

use crate::circuit::Element;
use crate::measure::chart::{ChartRow, Verdict};
use crate::num;

/// A figure as the chart shows it. What no meter could tell from nothing reads 0; the result
/// files keep every digit.
pub fn shown(value: f64, unit: &str, digits: usize) -> String {
    let least = match unit {
        "V" => 1e-6,
        "A" => 1e-12,
        "W" => 1e-7,
        _ => 0.0,
    };
    if value.abs() < least {
        return format!("0 {unit}");
    }
    num::engineering(value, unit, digits)
}

/// The unit as people write it.
pub fn unit(unit: &str) -> &str {
    if unit == "ohm" { "Ω" } else { unit }
}

/// A rating that is exceeded, for the warning.
pub fn exceeded(row: &ChartRow) -> String {
    format!(
        "{} of `{}` is {}, its rating {}",
        row.quantity,
        row.subject,
        num::engineering(row.value, unit(row.unit), 3),
        num::engineering(row.limit.unwrap_or(f64::NAN), unit(row.unit), 3)
    )
}

/// What a comment in the netlist says an element stands.
pub fn rating(element: &Element, unit: &str) -> String {
    element.rated.map_or(String::new(), |r| shown(r, unit, 3))
}

/// The word of a row.
pub fn verdict(row: &ChartRow) -> String {
    match row.verdict() {
        None => String::new(),
        Some(Verdict::Ok) => "ok".to_string(),
        Some(Verdict::Over) => "OVER".to_string(),
    }
}
