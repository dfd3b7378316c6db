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
    let limit = row.limit.unwrap_or(f64::NAN);
    let (value, limit) = apart(row.value, limit, unit(row.unit));
    format!(
        "{} of `{}` is {value}, its rating {limit}",
        row.quantity, row.subject,
    )
}

/// A figure and its rating in three digits, or in as many as tell them apart: 450.3 V is not shown as 450 V.
fn apart(value: f64, limit: f64, unit: &str) -> (String, String) {
    let shown = |value: f64, digits: usize| num::engineering(value, unit, digits);
    let mut digits = 3;
    while digits < MOST_DIGITS && shown(value.abs(), digits) == shown(limit, digits) {
        digits += 1;
    }
    (shown(value, digits), shown(limit, digits))
}

/// More than rounding leaves of a figure that is over its rating (`chart::ROUNDING`).
const MOST_DIGITS: usize = 12;

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_just_over_its_rating_does_not_read_as_equal() {
        let pair = |value: f64, limit: f64| apart(value, limit, "V");
        let text = |a: &str, b: &str| (a.to_string(), b.to_string());
        assert_eq!(pair(450.3, 450.0), text("450.3 V", "450.0 V"));
        assert_eq!(pair(-450.3, 450.0), text("-450.3 V", "450.0 V"));
        assert_eq!(pair(500.0, 450.0), text("500 V", "450 V"));
        assert_eq!(pair(200.00012, 200.0), text("200.0001 V", "200.0000 V"));
    }
}
