//! The chart for the terminal: what matters first.

use super::figures::{exceeded, shown};
use super::findings::Findings;
use super::stressed::Stressed;
use super::tables::Tables;
use super::unrated::unrated;
use crate::circuit::Circuit;
use crate::cli::command::SAFETY;
use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::findings::{SAFE_V, UNSOLVED};
use crate::measure::quiescent::{AtRest, Quiescent};
use crate::num;
use std::collections::BTreeSet;

/// How the tables of the chart begin, in their order; any other comes before them.
const ORDER: [&str; 8] = [
    "Valves",
    "Rectifiers",
    "Probes",
    "Voltages",
    "Diodes",
    "Resistors",
    "Capacitors",
    "Sources",
];

/// As many of them are always shown.
const ALWAYS: usize = 4;

/// The chart; `beside` are the rated figures that are not in its tables. Without `all` the longest tables
/// are left out.
pub fn printed(
    circuit: &Circuit,
    quiescent: &Quiescent,
    tables: &Tables<'_>,
    findings: &Findings,
    stressed: Option<&Stressed>,
    beside: &[ChartRow],
    all: bool,
) -> String {
    let mut text = format!("{}\n", circuit.title.trim());
    let celsius = num::full(circuit.celsius);
    text += &match &quiescent.found {
        AtRest::Point(_) => format!("Operating point at {celsius} C\n"),
        AtRest::Cycle(mains, _) => format!(
            "Operating point at {celsius} C: averages over a cycle of the {} Hz mains\n",
            num::full(mains.freq_hz),
        ),
    };
    let controls = positions(circuit);
    if !controls.is_empty() {
        text += &format!("controls: {controls}\n");
    }
    text += &verdicts(circuit, tables.charted, beside, findings);
    let unrated = unrated(circuit, quiescent, stressed, (tables.charted, beside));
    if !unrated.is_empty() {
        text += &format!("not judged, as no rating is known: {}\n", listed(&unrated));
    }
    let titled = tables.all().into_iter().map(|(t, table)| (t.into(), table));
    let stressed = stressed.map(|stressed| {
        let title = format!("What is rated, at its worst; {}", stressed.words);
        (title, stressed.table(findings))
    });
    let mut sections: Vec<(usize, String)> = titled
        .chain(stressed)
        .filter(|(_, table)| !table.is_empty())
        .map(|(title, table)| {
            let place = ORDER.iter().position(|word| title.starts_with(word));
            let text = format!("\n{title}\n{}", table.text());
            (place.map_or(0, |k| k + 1), text)
        })
        .collect();
    sections.sort_by_key(|s| s.0);
    let is_shown = |s: &&(usize, String)| all || s.0 <= ALWAYS;
    text.extend(sections.iter().filter(is_shown).map(|s| s.1.as_str()));
    if sections.iter().any(|s| !is_shown(&s)) {
        text += "\nFor every resistor, capacitor, diode and source: --all (--csv and --json have them)\n";
    }
    text += &format!("\n{SAFETY}\n");
    text
}

/// Alternating volts beyond which a node is named as dangerous, from the same table as [`SAFE_V`].
const DANGEROUS_AC_V: f64 = 30.0;

/// What stands high and what is beyond its rating, before all else.
fn verdicts(
    circuit: &Circuit,
    rows: &[ChartRow],
    beside: &[ChartRow],
    findings: &Findings,
) -> String {
    let mut text = String::new();
    let is_high = |r: &&ChartRow| match r.quantity {
        "voltage" => r.value.abs() > SAFE_V,
        "ac voltage" => r.value > DANGEROUS_AC_V,
        _ => false,
    };
    let high: Vec<&ChartRow> = rows.iter().filter(is_high).collect();
    let places: BTreeSet<&str> = high.iter().map(|r| r.subject.as_str()).collect();
    let highest = high
        .iter()
        .max_by(|a, b| a.value.abs().total_cmp(&b.value.abs()));
    if let Some(highest) = highest {
        text += &format!(
            "DANGER: {}{} at {}; {} of {} nodes stand at more than {SAFE_V:.0} V DC or \
             {DANGEROUS_AC_V:.0} V AC\n",
            shown(highest.value, "V", 3),
            if highest.quantity == "voltage" {
                ""
            } else {
                " AC"
            },
            highest.subject,
            places.len(),
            circuit.node_names().count() - 1,
        );
    }
    // What is beyond its rating only while the amplifier plays is as bad.
    let all = || rows.iter().chain(beside);
    let judged = all().filter(|r| r.verdict().is_some()).count();
    let over: Vec<&ChartRow> = all()
        .filter(|r| r.verdict() == Some(Verdict::Over))
        .collect();
    for row in &over {
        text += &format!("OVER: {}\n", exceeded(row));
    }
    for finding in &findings.all {
        text += &format!("CHECK: {}\n", finding.told());
    }
    let rated = all().filter(|r| r.verdict().is_some());
    let reversed: Vec<&str> = rated
        .map(|r| r.subject.as_str())
        .filter(|part| findings.reversed(part).is_some())
        .collect();
    let parts: BTreeSet<&str> = reversed.iter().copied().collect();
    let parts: Vec<String> = parts.into_iter().map(|part| format!("`{part}`")).collect();
    text += &match (judged, over.len()) {
        (0, _) => "no ratings are known\n".to_string(),
        (n, 0) if findings.has_doubts() => format!(
            "{n} figures have a rating; while a diode conducts backward none is known to be within it\n"
        ),
        (n, 0) if !reversed.is_empty() => format!(
            "{} of {n} figures that have a rating are within it; those of the reversed {} are not\n",
            n - reversed.len(),
            listed(&parts)
        ),
        (n, 0) if findings.all.iter().any(|f| f.quantity == UNSOLVED) => {
            format!(
                "all {n} figures that have a rating are within it, in the states that have a solution\n"
            )
        }
        (n, 0) => format!("all {n} figures that have a rating are within it\n"),
        (n, k) => format!("{k} of {n} figures that have a rating are over it\n"),
    };
    text
}

/// The first of some names, and how many more there are.
fn listed(names: &[String]) -> String {
    const MOST: usize = 12;
    match names.len().saturating_sub(MOST) {
        0 => names.join(", "),
        more => format!("{} and {more} more", names[..MOST].join(", ")),
    }
}

/// How knobs and switches stand; a knob that was sought, to no more digits than a hand can set.
fn positions(circuit: &Circuit) -> String {
    let at = |position: f64| num::full((position * 1e3).round() / 1e3);
    circuit
        .elements
        .iter()
        .filter_map(|e| e.position.map(|p| format!("{}={}", e.name, at(p))))
        .collect::<Vec<_>>()
        .join(" ")
}
