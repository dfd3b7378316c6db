//! `compare --figures`: what the differences do to the voltages.

use crate::circuit::Circuit;
use crate::cli::common::Session;
use crate::cli::failure::Failure;
use crate::compare::Comparison;
use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::quiescent;
use crate::netlist::card::Netlist;
use crate::num;
use crate::report::table::{Side, Table};
use serde_json::json;
use std::collections::HashMap;

/// What changes from the drawn circuit to the built one.
pub struct Changes {
    /// Figures of both, those with a verdict that gets worse first.
    rows: Vec<Change>,
    /// Why one of them has no figures.
    unsolved: Vec<String>,
}

struct Change {
    subject: String,
    quantity: &'static str,
    unit: &'static str,
    drawn: f64,
    built: f64,
    /// Whether the built one is past its rating, if there is one.
    over: Option<bool>,
    /// Whether the drawn one is.
    was_over: Option<bool>,
}

/// Changes below this part of a figure are not listed.
const LEAST: f64 = 0.01;

/// What no meter can distinguish from zero, in the figure's unit.
const NOTHING: f64 = 1e-6;

/// Solves both circuits and finds what changes.
pub fn changes(
    session: &mut Session<'_>,
    drawn: &Netlist,
    built: &Netlist,
    found: &Comparison,
) -> Result<Changes, Failure> {
    let mut unsolved = Vec::new();
    let mut sides = Vec::new();
    for (what, netlist) in [("as drawn", drawn), ("as built", built)] {
        match solved(session, netlist)? {
            Ok(rows) => sides.push(rows),
            Err(why) => unsolved.push(format!("{what}: {why}")),
        }
    }
    let mut rows = Vec::new();
    if let [ours, theirs] = &sides[..] {
        let at: HashMap<(String, &str), &ChartRow> = theirs
            .iter()
            .map(|row| ((row.subject.to_lowercase(), row.quantity), row))
            .collect();
        let parts = found.pairs.iter().map(|(a, b)| (a.clone(), b.clone()));
        let nets = found
            .nets
            .iter()
            .map(|(a, b)| (format!("v({a})"), format!("v({b})")));
        let fellow: HashMap<String, String> = parts
            .chain(nets)
            .map(|(a, b)| (a.to_lowercase(), b.to_lowercase()))
            .collect();
        for row in ours {
            let Some(name) = fellow.get(&row.subject.to_lowercase()) else {
                continue;
            };
            let Some(other) = at.get(&(name.clone(), row.quantity)) else {
                continue;
            };
            let over = |row: &ChartRow| row.verdict().map(|v| v == Verdict::Over);
            let change = Change {
                subject: row.subject.clone(),
                quantity: row.quantity,
                unit: row.unit,
                drawn: row.value,
                built: other.value,
                over: over(other),
                was_over: over(row),
            };
            let least = LEAST * change.drawn.abs().max(change.built.abs()).max(NOTHING);
            if (change.drawn - change.built).abs() > least || change.over != change.was_over {
                rows.push(change);
            }
        }
        // Hazards first, then what a meter shows, as the chart has it.
        rows.sort_by_key(|r| match (r.over, r.was_over) {
            (Some(true), was) if was != Some(true) => 0,
            (Some(true), _) => 1,
            (Some(false), Some(true)) => 2,
            _ => 3,
        });
    }
    Ok(Changes { rows, unsolved })
}

/// The chart of one circuit, or why there is none.
fn solved(
    session: &mut Session<'_>,
    netlist: &Netlist,
) -> Result<Result<Vec<ChartRow>, String>, Failure> {
    let settings = session.settings().clone();
    let built = session.draft.build_other(netlist, &settings);
    let circuit: Circuit = match built {
        Ok(built) => built.circuit,
        Err(problems) => {
            let first = problems.iter().find(|p| p.is_error());
            return Ok(Err(
                first.map_or("not a circuit".into(), |p| p.message.clone())
            ));
        }
    };
    Ok(match quiescent::solve(&circuit) {
        Ok((rest, mut assembly)) => Ok(rest.rows(&mut assembly, &[])),
        Err(why) => Err(why.to_string()),
    })
}

/// The changes as JSON.
pub fn record(changes: &Changes) -> serde_json::Value {
    json!({
        "changes": changes.rows.iter().map(|c| json!({
            "subject": c.subject,
            "quantity": c.quantity,
            "unit": c.unit,
            "drawn": c.drawn,
            "built": c.built,
            "over_as_drawn": c.was_over,
            "over_as_built": c.over,
        })).collect::<Vec<_>>(),
        "unsolved": changes.unsolved,
    })
}

/// The changes as a table.
pub fn printed(changes: &Changes) -> String {
    let mut text = String::new();
    for why in &changes.unsolved {
        text.push_str(&format!("\nno figures {why}\n"));
    }
    if changes.rows.is_empty() {
        if changes.unsolved.is_empty() {
            text.push_str("\nNo figure at rest changes by more than 1 %.\n");
        }
        return text;
    }
    let mut table = Table::new(&[
        ("at rest", Side::Left),
        ("", Side::Left),
        ("as drawn", Side::Right),
        ("as built", Side::Right),
        ("verdict", Side::Left),
    ]);
    for c in &changes.rows {
        let unit = if c.unit == "ohm" { "Ω" } else { c.unit };
        let verdict = match (c.over, c.was_over) {
            (Some(true), Some(true)) => "past its rating in both",
            (Some(true), _) => "PAST ITS RATING",
            (Some(false), Some(true)) => "within its rating again",
            (Some(false), _) => "ok",
            (None, _) => "",
        };
        table.row([
            c.subject.clone(),
            c.quantity.to_string(),
            num::engineering(c.drawn, unit, 4),
            num::engineering(c.built, unit, 4),
            verdict.to_string(),
        ]);
    }
    text.push('\n');
    text.push_str(&table.text());
    text
}
