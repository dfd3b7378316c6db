//! `compare --figures`: what the differences do to the voltages.

use crate::circuit::Circuit;
use crate::cli::common::Session;
use crate::cli::failure::Failure;
use crate::compare::Comparison;
use crate::figure::findings;
use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::findings::{Finding, STABILITY, UNJUDGED};
use crate::measure::quiescent;
use crate::measure::stress::{self, Stress};
use crate::netlist::statement::Netlist;
use crate::num;
use crate::report::table::{Side, Table};
use serde_json::json;
use std::collections::{HashMap, HashSet};

/// What changes from the drawn circuit to the built one.
pub struct Changes {
    /// Figures of both, those with a verdict that gets worse first.
    rows: Vec<Change>,
    /// What is found wrong with one of them alone, with its side; what is new first.
    findings: Vec<(Alone, Finding)>,
    /// Why one of them has no figures.
    unsolved: Vec<String>,
}

/// Whether something is so as drawn alone or as built alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Alone {
    Drawn,
    Built,
}

struct Change {
    subject: String,
    quantity: &'static str,
    unit: &'static str,
    /// NaN of a part that is not drawn.
    drawn: f64,
    built: f64,
    /// Whether the built one is past its rating, if there is one.
    over: Option<bool>,
    /// Whether the drawn one is.
    was_over: Option<bool>,
}

impl Changes {
    /// Whether the built circuit is past a rating, or has something gravely wrong, that the drawn
    /// one has not: then they differ, whatever their parts.
    pub fn worse_as_built(&self) -> bool {
        let newly_over = |c: &Change| c.over == Some(true) && c.was_over != Some(true);
        let grave = |f: &(Alone, Finding)| f.0 == Alone::Built && f.1.grave;
        self.rows.iter().any(newly_over) || self.findings.iter().any(grave)
    }
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
    let (mut rows, mut findings) = (Vec::new(), Vec::new());
    if let [ours, theirs] = &sides[..] {
        let at: HashMap<(String, &str), &ChartRow> = theirs
            .rows
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
        findings = alone(&ours.findings, &theirs.findings, &fellow);
        let over = |row: &ChartRow| row.verdict().map(|v| v == Verdict::Over);
        let mut met: HashSet<(&str, &str)> = HashSet::new();
        for (k, row) in ours.rows.iter().enumerate() {
            let Some(name) = fellow.get(&row.subject.to_lowercase()) else {
                continue;
            };
            let Some(other) = at.get(&(name.clone(), row.quantity)) else {
                continue;
            };
            met.insert((other.subject.as_str(), other.quantity));
            let change = Change {
                subject: row.subject.clone(),
                quantity: row.quantity,
                unit: row.unit,
                drawn: row.value,
                built: other.value,
                over: over(other),
                was_over: over(row),
            };
            if k >= ours.charted && change.over.is_none() && change.was_over.is_none() {
                continue;
            }
            let least = LEAST * change.drawn.abs().max(change.built.abs()).max(NOTHING);
            let moves = (change.drawn - change.built).abs() > least;
            // What is past its rating in both is listed too: silence would read as within it.
            if moves || change.over != change.was_over || change.over == Some(true) {
                rows.push(change);
            }
        }
        // What the drawing does not have, or does not rate, may be past its rating too.
        let new = theirs.rows.iter().filter(|row| over(row) == Some(true));
        let new = new.filter(|row| !met.contains(&(row.subject.as_str(), row.quantity)));
        rows.extend(new.map(|row| Change {
            subject: row.subject.clone(),
            quantity: row.quantity,
            unit: row.unit,
            drawn: f64::NAN,
            built: row.value,
            over: Some(true),
            was_over: None,
        }));
        // Hazards first, then what a meter shows, as the chart has it.
        rows.sort_by_key(|r| match (r.over, r.was_over) {
            (Some(true), was) if was != Some(true) => 0,
            (Some(true), _) => 1,
            (Some(false), Some(true)) => 2,
            _ => 3,
        });
    }
    Ok(Changes {
        rows,
        findings,
        unsolved,
    })
}

/// Findings that only one of the circuits has: those of the built one first. `fellow` names the
/// built part of a drawn one.
fn alone(
    drawn: &[Finding],
    built: &[Finding],
    fellow: &HashMap<String, String>,
) -> Vec<(Alone, Finding)> {
    let name = |f: &Finding| f.subject.to_lowercase();
    let as_built = |f: &Finding| match f.quantity {
        STABILITY | UNJUDGED => Some(name(f)),
        _ => fellow.get(&name(f)).cloned(),
    };
    let is_same = |ours: &Finding, theirs: &Finding| {
        ours.quantity == theirs.quantity && as_built(ours).is_some_and(|n| n == name(theirs))
    };
    let new = built
        .iter()
        .filter(|theirs| !drawn.iter().any(|ours| is_same(ours, theirs)));
    let gone = drawn
        .iter()
        .filter(|ours| !built.iter().any(|theirs| is_same(ours, theirs)));
    new.map(|f| (Alone::Built, f.clone()))
        .chain(gone.map(|f| (Alone::Drawn, f.clone())))
        .collect()
}

/// What a circuit's chart says, and what is found wrong with it.
struct Charted {
    /// The rows of the chart, and behind them what ratings may be for beside it: fuses, ripple currents,
    /// volts across resistors.
    rows: Vec<ChartRow>,
    /// How many of them are in the chart.
    charted: usize,
    findings: Vec<Finding>,
}

/// The chart of one circuit, or why there is none.
fn solved(
    session: &mut Session<'_>,
    netlist: &Netlist,
) -> Result<Result<Charted, String>, Failure> {
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
        Ok((rest, mut assembly)) => {
            let mut rows = rest.rows(&mut assembly, &[]);
            let charted = rows.len();
            let beside = stress::resting_unrated(&mut assembly, &rest.found);
            rows.extend(beside.iter().filter_map(Stress::row));
            Ok(Charted {
                rows,
                charted,
                findings: findings::of(&rest, assembly, None).0,
            })
        }
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
        "findings": changes.findings.iter().map(|(alone, f)| json!({
            "subject": f.subject,
            "quantity": f.quantity,
            "text": f.text,
            "grave": f.grave,
            "as_drawn": *alone == Alone::Drawn,
            "as_built": *alone == Alone::Built,
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
    if !changes.findings.is_empty() {
        text.push('\n');
    }
    for (alone, finding) in &changes.findings {
        let word = match alone {
            Alone::Built => "CHECK, as built",
            Alone::Drawn => "only as drawn",
        };
        text.push_str(&format!("{word}: {}\n", finding.told()));
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
            if c.drawn.is_nan() {
                String::new()
            } else {
                num::engineering(c.drawn, unit, 4)
            },
            num::engineering(c.built, unit, 4),
            verdict.to_string(),
        ]);
    }
    text.push('\n');
    text.push_str(&table.text());
    text
}
