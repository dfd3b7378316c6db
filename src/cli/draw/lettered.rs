//! What `--volts` letters: the operating point in the words of a voltage chart.

use super::plain;
use crate::analysis::NoSolution;
use crate::analysis::natural::{self, Stability};
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::{Circuit, Node};
use crate::drawing::Notes;
use crate::drawing::scheme::short;
use crate::measure::chart::{BESIDE_AC, ChartRow, Verdict, is_valve};
use crate::measure::quiescent::{self, AtRest};
use crate::num;

/// Volts, currents and dissipation of a circuit at rest, and whether it stays there.
///
/// # Errors
/// If there is no operating point, or no mains cycle that repeats itself.
pub fn notes(circuit: &Circuit) -> Result<(Notes, Stability), Box<NoSolution>> {
    let (quiescent, mut assembly) = quiescent::solve(circuit)?;
    let rows = quiescent.rows(&mut assembly, &[]);
    let mut notes = plain();
    let mut has_alternating = false;
    for (k, name) in circuit.nodes.iter().enumerate().skip(1) {
        if name.inner {
            continue;
        }
        let mean = assembly.unknowns.voltage(&quiescent.x, Node(k));
        let subject = format!("v({})", name.name);
        let mut own = rows.iter();
        let own = own.find(|r| r.quantity == "ac voltage" && r.subject == subject);
        has_alternating |= own.is_some();
        // A point that has both is lettered with both, as the chart does.
        let text = match own.map(|row| row.value) {
            Some(rms) if mean.abs() >= BESIDE_AC * rms => {
                format!("{} + {} rms AC", shown(mean, "V"), shown(rms, "V"))
            }
            Some(rms) => format!("{} rms AC", shown(rms, "V")),
            None => shown(mean, "V"),
        };
        notes.volts.insert(k, text);
    }
    let mut over = Vec::new();
    for (k, element) in circuit.elements.iter().enumerate() {
        let own: Vec<&ChartRow> = rows.iter().filter(|r| r.subject == element.name).collect();
        let past = |r: &&&ChartRow| r.verdict() == Some(Verdict::Over);
        let mut lines = Vec::new();
        if is_valve(element) {
            lines = readings(&own);
        }
        let exceeded: Vec<&str> = own.iter().filter(past).map(|r| r.quantity).collect();
        if !exceeded.is_empty() {
            over.push(format!("{} ({})", element.name, exceeded.join(", ")));
            lines.push(("over its rating".to_string(), true));
        }
        if !lines.is_empty() {
            notes.readings.insert(k, lines);
        }
    }
    let mut first = vec![format!(
        "Volts to ground at {} C{}{}.",
        num::full(circuit.celsius),
        match &quiescent.found {
            AtRest::Cycle(mains, _) => format!(
                ", the average over a cycle of {} Hz",
                num::full(mains.freq_hz)
            ),
            AtRest::Point(_) => String::new(),
        },
        if has_alternating {
            "; points that carry mains or winding voltage in V rms, marked AC"
        } else {
            ""
        }
    )];
    if !over.is_empty() {
        first.push(format!("OVER A RATING: {}.", over.join("; ")));
    }
    notes.caution.splice(0..0, first);
    let mut assembly = quiescent::with_swings(assembly, &quiescent.found);
    let mut small = SmallSignal::new(&mut assembly, &quiescent.x);
    Ok((notes, natural::stability(&mut small)))
}

fn shown(value: f64, unit: &str) -> String {
    // A node that is at ground but for rounding reads 0.
    if value.abs() < 5e-7 {
        return format!("0 {unit}");
    }
    short_of(value, unit)
}

fn short_of(value: f64, unit: &str) -> String {
    let text = num::engineering(value, unit, 3);
    match text.split_once(' ') {
        Some(_) => short(value_rounded(value), unit),
        None => text,
    }
}

/// Three digits.
fn value_rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

/// Currents on one line, dissipation on the next.
fn readings(rows: &[&ChartRow]) -> Vec<(String, bool)> {
    let find = |quantity: &str| {
        rows.iter()
            .find(|r| r.quantity == quantity)
            .map(|r| r.value)
    };
    let mut lines = Vec::new();
    let plate = find("plate current");
    if let Some(plate) = plate {
        let screen = find("screen current").map(|s| format!(" + {}", shown(s, "A")));
        lines.push((shown(plate, "A") + &screen.unwrap_or_default(), false));
    }
    if let Some(watts) = find("plate dissipation") {
        let row = rows.iter().find(|r| r.quantity == "plate dissipation");
        let past = row.is_some_and(|r| r.verdict() == Some(Verdict::Over));
        lines.push((shown(watts, "W"), past));
    }
    lines
}
