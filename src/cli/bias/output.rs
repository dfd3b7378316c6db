//! The chart in result files.

use super::findings::Findings;
use super::stressed::Stressed;
use crate::circuit::Circuit;
use crate::measure::chart::{self, ChartRow};
use crate::measure::quiescent::{AtRest, Quiescent};
use crate::num;
use crate::report::csv::Csv;
use serde_json::json;

/// A line for each row.
pub fn csv(rows: &[ChartRow], findings: &Findings) -> String {
    let mut csv = Csv::empty();
    let mut write = |row: [&str; 6]| csv.row(row);
    write(["subject", "quantity", "value", "unit", "limit", "verdict"]);
    for (at, row) in rows.iter().enumerate() {
        let limit = row.limit.map(num::full).unwrap_or_default();
        write([
            &row.subject,
            row.quantity,
            &num::full(row.value),
            row.unit,
            &limit,
            findings.verdict(at, row).unwrap_or(""),
        ]);
    }
    csv.text()
}

/// The whole as JSON.
pub fn record(
    circuit: &Circuit,
    quiescent: &Quiescent,
    rows: &[ChartRow],
    findings: &Findings,
    stressed: Option<&Stressed>,
) -> serde_json::Value {
    let solution = match &quiescent.found {
        AtRest::Point(point) => json!({
            "method": point.method.name(),
            "iterations": point.iterations,
            "largest_residual_a": point.residual_a,
            "largest_residual_node": circuit.nodes[point.residual_node.0].name,
        }),
        AtRest::Cycle(mains, cycle) => json!({
            "method": "mains cycle",
            "mains_hz": mains.freq_hz,
            "cycles": cycle.cycles,
        }),
    };
    json!({
        "title": circuit.title,
        "celsius": circuit.celsius,
        "solution": solution,
        "findings": findings.all.iter().map(|f| json!({
            "subject": f.subject,
            "quantity": f.quantity,
            "text": f.text,
            "grave": f.grave,
        })).collect::<Vec<_>>(),
        "states": stressed.map(|s| s.survey.states.iter().map(|s| &s.name).collect::<Vec<_>>()),
        "stresses": stressed.map(|s| s.survey.figures.iter().map(|f| json!({
            "subject": f.subject,
            "quantity": f.quantity,
            "unit": f.unit,
            "limit": f.limit,
            "values": f.values,
        })).collect::<Vec<_>>()),
        "rows": rows.iter().enumerate().map(|(at, r)| json!({
            "subject": r.subject,
            "quantity": r.quantity,
            "value": r.value,
            "unit": r.unit,
            "limit": r.limit,
            "ac": r.quantity == "ac voltage" || chart::is_rms(r),
            "verdict": findings.verdict(at, r),
        })).collect::<Vec<_>>(),
    })
}
