//! `compare`: a circuit as drawn against the same as built.

mod figures;

use super::command::Command;
use super::common::Session;
use super::failure::Failure;
use super::interrupt;
use super::outcome::Outcome;
use crate::circuit::{flatten, library};
use crate::compare::{self, Comparison, Graph};
use crate::netlist::statement::Netlist;
use crate::report::csv::Csv;
use crate::report::file::FileProblem;
use crate::report::table::{Side, Table};
use clap::{Arg, ArgAction, ArgMatches};
use serde_json::json;
use std::io::Write;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "compare",
    about: "Two netlists, as drawn and as built: what differs, in a builder's words",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(
            Arg::new("built")
                .value_name("BUILT")
                .required(true)
                .help("Netlist of the circuit as built; NETLIST is as drawn"),
        )
        .arg(
            Arg::new("figures")
                .long("figures")
                .action(ArgAction::SetTrue)
                .help("Also solve both, and list the figures and verdicts that change"),
        )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    if !session.texts("probe").is_empty() {
        return Err(
            Failure::usage("compare takes no `--probe`").hint("it compares parts and connections")
        );
    }
    let path = matches.get_one::<String>("built").expect("required");
    let theirs = session.another(path)?;
    let ours = session.draft.netlist.clone();
    let drawn = graph(&mut session, &ours)?;
    let built = graph(&mut session, &theirs)?;
    let mut outputs = session.guards.outputs();
    let csv_path = session.csv();
    let csv = csv_path.as_deref().map(|p| outputs.stage(p)).transpose()?;
    let mut ended = Ok(());
    let found = compare::compare(&drawn, &built, &mut || {
        ended = interrupt::check();
        ended.is_ok()
    });
    // Out of time, the account so far is still a good one.
    if !matches!(ended, Err(Failure::OutOfTime)) {
        ended?;
    }
    if let (Some(mut file), Some(path)) = (csv, csv_path.as_deref()) {
        file.write_all(text(&found).as_bytes())
            .map_err(|e| FileProblem::new(path, e))?;
    }
    let changes = if session.flag("figures") {
        Some(figures::changes(&mut session, &ours, &theirs, &found)?)
    } else {
        None
    };
    session.finish(
        outputs,
        || {
            let mut record = record(&ours, &theirs, &found);
            if let Some(changes) = &changes {
                record["figures"] = figures::record(changes);
            }
            record
        },
        || {
            let changes = changes.as_ref().map(figures::printed).unwrap_or_default();
            let caution = super::command::SAFETY;
            format!(
                "{}{changes}\n{caution}\n",
                printed(&ours, &theirs, &drawn, &found)
            )
        },
    )?;
    if found.broken_off {
        session.note("the search was broken off: there may be a shorter account of what differs");
    }
    let is_worse = changes
        .as_ref()
        .is_some_and(figures::Changes::worse_as_built);
    if is_worse && found.differences.is_empty() {
        session.note(
            "the parts are the same, but as built something is past its rating that as drawn is not, \
             or has no rating there",
        );
    }
    Ok(if found.differences.is_empty() && !is_worse {
        Outcome::Done
    } else {
        Outcome::FellShort
    })
}

/// The parts and nets of a netlist, with the settings of the command line. No rule of wiring is
/// applied.
fn graph(session: &mut Session<'_>, netlist: &Netlist) -> Result<Graph, Failure> {
    let settings = session.settings().clone();
    if let Err(problems) = session.draft.build_other_unwired(netlist, &settings) {
        return Err(session.failed(problems));
    }
    // What is built has no longer the words of its lines; the graph is made of these.
    let (library, mut problems) = library::load(&mut session.draft.files);
    let expansion = flatten::expand(
        &netlist.body,
        &library,
        &settings,
        &netlist.limits,
        &mut problems,
    );
    Ok(Graph::of(&expansion, &settings))
}

fn text(found: &Comparison) -> String {
    let mut csv = Csv::empty();
    let mut write = |record: [&str; 4]| csv.row(record);
    write(["kind", "drawn", "built", "what"]);
    for d in &found.differences {
        write([d.kind, &d.drawn, &d.built, &d.what]);
    }
    csv.text()
}

fn record(drawn: &Netlist, built: &Netlist, found: &Comparison) -> serde_json::Value {
    let rows = found.differences.iter();
    json!({
        "drawn": drawn.title.trim(),
        "built": built.title.trim(),
        "same": found.differences.is_empty(),
        "complete": !found.broken_off,
        "parts": found.parts,
        "differences": rows.map(|d| json!({
            "kind": d.kind,
            "drawn": d.drawn,
            "built": d.built,
            "what": d.what,
        })).collect::<Vec<_>>(),
        "harmless": found.harmless,
        "reversed": found.reversed,
        "one_sided": found.one_sided,
    })
}

fn printed(drawn: &Netlist, built: &Netlist, ours: &Graph, found: &Comparison) -> String {
    let mut text = format!(
        "as drawn: {}\nas built: {}\n\n",
        drawn.title.trim(),
        built.title.trim()
    );
    match found.differences.len() {
        0 => text.push_str(&format!(
            "The circuits are the same: {} parts on {} nets.\n",
            found.parts,
            ours.nets.len()
        )),
        1 => text.push_str("One difference:\n"),
        n => text.push_str(&format!("{n} differences:\n")),
    }
    if !found.differences.is_empty() {
        let mut table = Table::new(&[
            ("kind", Side::Left),
            ("drawn", Side::Left),
            ("built", Side::Left),
            ("what", Side::Left),
        ]);
        for d in &found.differences {
            table.row([
                d.kind.to_string(),
                d.drawn.clone(),
                d.built.clone(),
                d.what.clone(),
            ]);
        }
        text.push_str(&table.text());
    }
    for line in &found.one_sided {
        text.push_str(&format!("CHECK: {line}\n"));
    }
    for line in &found.harmless {
        text.push_str(&format!("note: {line}\n"));
    }
    text
}
