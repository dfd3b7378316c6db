//! `parts`: what to buy.

use super::command::{Command, SAFETY};
use super::common::{Session, number_option};
use super::driven::{self, Drive};
use super::failure::Failure;
use super::outcome::Outcome;
use super::settings;
use crate::analysis::mains;
use crate::circuit::bind::Timing;
use crate::figure::findings;
use crate::measure::findings::{Finding, STABILITY};
use crate::measure::quiescent;
use crate::measure::stress::{self, State, Survey};
use crate::netlist::Loader;
use crate::parts::{self, Heaters, Line, stock};
use crate::report::csv::Csv;
use crate::report::table::{Side, Table};
use clap::Arg;
use clap::ArgMatches;
use serde_json::json;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "parts",
    about: "What to buy: an order list with the rating that each part needs",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    driven::options(command)
        .arg(
            Arg::new("stock")
                .long("stock")
                .value_name("STOCK.csv")
                .help("What is in the drawer: a CSV of kind,value,rating,count,where"),
        )
        .arg(number_option(
            "drive",
            "V",
            "Count in what each part stands with a sine of this peak at the source; `full` seeks \
             full clipping",
        ))
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open_with(matches, settings::Mains::ValueOrRange)?;
    if !session.texts("probe").is_empty() {
        return Err(Failure::usage("parts takes no `--probe`").into());
    }
    let items = match session.text("stock") {
        Some(path) => Some(read_stock(&session, path)?),
        None => None,
    };
    let circuit = session.circuit(Timing::default())?;
    session.warn_of_supply(&circuit);
    let mains = mains::find(&circuit);
    if let Some(source) = mains::unfed(&circuit, mains.as_ref()).first() {
        let name = &source.name;
        return Err(Failure::usage(format!(
            "`{name}` feeds a supply and is not taken as the mains: every part behind it would be chosen for 0 V"
        ))
        .hint("the mains are a SIN of 40 to 70 Hz without a DC or AC value on the line"));
    }
    let drive = driven::asked(&session, &circuit)?;
    let sine = drive.as_ref().map(|Drive { sine, .. }| *sine);
    if drive.is_some() {
        session.fits(&circuit)?;
    }
    let states = states(&circuit, sine, session.mains_range()?);
    let survey = driven::survey(&circuit, states, ("parts", session.quiet))?;
    for finding in driven::unsolved(&survey)? {
        session.warning(&finding.told());
    }
    let (quiescent, assembly) = quiescent::solve(&circuit)?;
    let open = parts::open_contacts(&assembly, &quiescent.x);
    let (found, _) = findings::of(&quiescent, assembly, Some(&survey));
    for finding in found.iter().filter(|f| f.grave) {
        session.warning(&finding.told());
    }
    let mut lines = parts::list(&circuit, &survey, &found, &open);
    if let Some(items) = items {
        stock::mark(&mut lines, items);
    }
    let heaters = parts::heaters(&circuit);
    let mut outputs = session.guards.outputs();
    if let Some(path) = session.csv() {
        outputs.text(&path, &csv(&lines))?;
    }
    session.finish(
        outputs,
        || record(&circuit.title, &survey, &found, &lines, &heaters),
        || printed(&circuit.title, &survey, &found, &lines, &heaters),
    )?;
    Ok(Outcome::Done)
}

/// Warm and with cold valves, at the mains as it is and 10 % high, and driven.
fn states(
    circuit: &crate::circuit::Circuit,
    sine: Option<stress::Sine>,
    mains: Option<(f64, f64)>,
) -> Vec<State> {
    let mut states = stress::ordinary(circuit, sine, mains);
    states.retain(|s| s.mains_percent >= 100.0 && s.open.is_empty());
    states
}

fn read_stock(session: &Session<'_>, path: &str) -> Result<Vec<stock::Item>, Failure> {
    let text = match session.guards.loader().load(path, None) {
        Ok((_, text)) => text,
        Err(why) => return Err(Failure::unread(path, &why)),
    };
    stock::read(&text).map_err(|wrong| {
        Failure::usage(format!(
            "{path}, line {}, column `{}`: {}",
            wrong.line, wrong.column, wrong.why
        ))
        .hint(format!(
            "a stock file has the columns {}",
            stock::COLUMNS.join(",")
        ))
    })
}

const HEAD: [&str; 7] = ["quantity", "kind", "value", "needs", "buy", "names", "note"];

fn csv(lines: &[Line]) -> String {
    let mut csv = Csv::empty();
    csv.row(HEAD);
    for line in lines {
        let row = [
            line.quantity.to_string(),
            line.kind.to_string(),
            line.value.clone(),
            line.needs.clone(),
            line.buy.clone(),
            line.names.join(" "),
            line.note(),
        ];
        csv.row(row);
    }
    csv.text()
}

fn record(
    title: &str,
    survey: &Survey,
    found: &[Finding],
    lines: &[Line],
    heaters: &Heaters,
) -> serde_json::Value {
    json!({
        "title": title.trim(),
        "states": survey.states.iter().map(|s| &s.name).collect::<Vec<_>>(),
        "findings": found.iter().map(|f| json!({
            "subject": f.subject,
            "quantity": f.quantity,
            "text": f.text,
            "grave": f.grave,
        })).collect::<Vec<_>>(),
        "parts": lines.iter().map(|l| json!({
            "quantity": l.quantity,
            "kind": l.kind,
            "value": l.value,
            "needs": l.needs,
            "buy": l.buy,
            "names": l.names,
            "notes": l.notes,
            "in_stock": l.stock.as_ref().map(|s| s.count),
            "where": l.stock.as_ref().map(|s| &s.places),
            "to_buy": l.to_buy(),
        })).collect::<Vec<_>>(),
        "heaters": heaters.sums.iter().map(|(volts, amperes, bottles)| json!({
            "voltage_v": volts,
            "current_a": amperes,
            "bottles": bottles,
        })).collect::<Vec<_>>(),
        "heaters_unknown": heaters.unknown,
    })
}

/// Characters of a line of names or notes before it is broken.
const WIDE: usize = 34;

fn printed(
    title: &str,
    survey: &Survey,
    found: &[Finding],
    lines: &[Line],
    heaters: &Heaters,
) -> String {
    let stocked = lines.iter().any(|l| l.stock.is_some());
    let mut columns = vec![
        ("", Side::Right),
        ("kind", Side::Left),
        ("value", Side::Left),
    ];
    columns.extend([("needs", Side::Right), ("buy", Side::Left)]);
    if stocked {
        columns.push(("to buy", Side::Right));
    }
    columns.extend([("parts", Side::Left), ("note", Side::Left)]);
    let mut table = Table::new(&columns);
    for line in lines {
        let mut row = vec![
            line.quantity.to_string(),
            line.kind.to_string(),
            line.value.clone(),
            line.needs.clone(),
            line.buy.clone(),
        ];
        if stocked {
            row.push(line.to_buy().to_string());
        }
        row.extend([line.names.join(" "), line.note()]);
        let mut widths = vec![0; row.len() - 2];
        widths.extend([WIDE; 2]);
        table.row_within(row, &widths);
    }
    let mut text = format!("{}\nneeds: the worst of: ", title.trim());
    let known = survey.states.iter().zip(&survey.failed);
    let names: Vec<&str> = known
        .filter(|s| s.1.is_none())
        .map(|s| s.0.name.as_str())
        .collect();
    let silent = if survey.states.iter().any(|s| s.sine.is_some()) {
        ""
    } else {
        "; nothing plays: --drive counts in what a signal does"
    };
    text += &format!("{}{silent}\n", names.join(", "));
    // The others are in the notes of their parts.
    for finding in found.iter().filter(|f| f.quantity == STABILITY) {
        text += &format!("CHECK: {}\n", finding.told());
    }
    text += &format!("\n{}", table.text());
    for (volts, amperes, bottles) in &heaters.sums {
        text += &format!(
            "\nheaters at {}: {} for {bottles} valve{}\n",
            crate::num::engineering(*volts, "V", 3),
            crate::num::engineering(*amperes, "A", 3),
            if *bottles == 1 { "" } else { "s" }
        );
    }
    if !heaters.unknown.is_empty() {
        text += &format!("heaters not known here: {}\n", heaters.unknown.join(", "));
    }
    text + &format!(
        "\nResistors for twice their watts (common practice), in bodies that withstand the volts; \
         nothing smaller than `rated=` on its line. The list does not know the wiring, the chassis, or what a maker's part stands: compare it \
         with the data sheets.\n{SAFETY}\n"
    )
}
