//! `draw`: the circuit as a schematic.

mod lettered;
mod only;
mod plain;

use super::command::Command;
use super::common::{self, Session, out_option};
use super::failure::Failure;
use super::interrupt;
use super::outcome::Outcome;
use crate::circuit::bind::Timing;
use crate::circuit::{Circuit, Element};
use crate::drawing::scheme::Scheme;
use crate::drawing::{self, Figures};
use crate::limits::Bound;
use crate::report::csv::Csv;
use crate::report::file::{FileProblem, STANDARD_OUTPUT};
use clap::{Arg, ArgAction, ArgMatches};
use plain::plain;
use serde_json::json;
use std::io::Write;
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "draw",
    about: "The circuit as a schematic (SVG), with its voltages if you like",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(out_option(
            "FILE.svg",
            "Where the drawing goes; - is standard output",
        ))
        .arg(
            Arg::new("volts")
                .long("volts")
                .action(ArgAction::SetTrue)
                .help("Add the volts at each point, the valves' currents and dissipation"),
        )
        .arg(
            Arg::new("only").long("only").value_name("NAME").help(
                "Draw one subcircuit (XBOARD1), or what lies between two nodes (grid4..plate5)",
            ),
        )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    if !session.texts("probe").is_empty() {
        return Err(Failure::usage("draw takes no `--probe`")
            .hint("--volts writes the volts at every point"));
    }
    // A circuit that breaks the rules of wiring has no volts, but it can be drawn.
    let (circuit, refused) = match session.circuit(Timing::default()) {
        Ok(circuit) => (circuit, None),
        Err(why) => match session.circuit_as_wired()? {
            // There is nothing to draw, with volts or without.
            empty if empty.elements.is_empty() => return Err(why),
            circuit => (circuit, Some(why)),
        },
    };
    let chosen = match session.text("only") {
        None => (0..circuit.elements.len()).collect(),
        Some(text) => only::chosen(&circuit, text)?,
    };
    let found = chosen.len() as f64;
    session.guards.within(Bound::DrawnParts, found, |found, most| {
        format!("{found} parts are to be drawn, at most {most} go on one sheet; `--only` draws a piece")
    })?;
    let path = session.text("out").expect("required").to_string();
    let mut outputs = session.guards.outputs();
    let mut file = outputs.stage(Path::new(&path))?;
    let notes = match (session.flag("volts"), refused) {
        (false, _) => plain(),
        (true, Some(why)) => return Ok(without_volts(&why)),
        (true, None) => match lettered::notes(&circuit) {
            Ok((notes, stability)) => {
                session.warn_unstable("", stability);
                notes
            }
            Err(why) => return Ok(without_volts(&Failure::from(why))),
        },
    };
    let sources = session.draft.files.clone();
    let line = |e: &Element| {
        let text = e
            .span
            .map(|s| &sources.text(s.file)[s.start as usize..s.end as usize]);
        one_line(text.unwrap_or_default())
    };
    let scheme = Scheme::new(&circuit, &chosen, line);
    let (sheet, figures) = drawing::draw(&circuit, &scheme, &notes, &mut interrupt::check)?;
    file.write_all(sheet.svg().as_bytes())
        .map_err(|e| FileProblem::new(Path::new(&path), e))?;
    drop(file);
    if let Some(path) = session.csv() {
        outputs.text(&path, &csv(&scheme))?;
    }
    session.finish(
        outputs,
        || record(&circuit, &figures),
        || {
            if path == STANDARD_OUTPUT {
                return String::new();
            }
            printed(&circuit, &figures, &path)
        },
    )?;
    Ok(Outcome::Done)
}

/// Says why there are no volts: then nothing is drawn, as no command makes a file that fails.
fn without_volts(why: &Failure) -> Outcome {
    common::tell(&format!(
        "{}hint: without `--volts` it can be drawn\n",
        why.message()
    ));
    Outcome::NoSolution
}

/// A netlist line with its continuations as one line, without comments.
fn one_line(text: &str) -> String {
    let mut words: Vec<&str> = Vec::new();
    for line in text.lines() {
        let line = line.trim();
        if line.starts_with('*') {
            continue;
        }
        let own = line.split_once(';').map_or(line, |(own, _)| own);
        words.extend(own.strip_prefix('+').unwrap_or(own).split_whitespace());
    }
    words.join(" ")
}

/// Which part hangs where: one row a pin.
fn csv(scheme: &Scheme) -> String {
    let mut csv = Csv::empty();
    let mut row = |cells: [&str; 4]| csv.row(cells);
    row(["part", "kind", "pin", "net"]);
    for part in &scheme.parts {
        for (k, &net) in part.nets.iter().enumerate() {
            let pin = (k + 1).to_string();
            row([&part.name, part.word, &pin, &scheme.nets[net].name]);
        }
    }
    csv.text()
}

fn record(circuit: &Circuit, figures: &Figures) -> serde_json::Value {
    json!({
        "title": circuit.title.trim(),
        "parts": figures.parts,
        "nets": figures.nets,
        "supplies_shown_by_name": figures.supplies,
        "nets_shown_by_name": figures.named,
        "crossings": figures.crossings,
    })
}

/// `1 part`, `2 parts`.
fn count(number: usize, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}

fn printed(circuit: &Circuit, figures: &Figures, path: &str) -> String {
    let mut text = format!(
        "{}\n{path}: {}, {}, {}\n",
        circuit.title.trim(),
        count(figures.parts, "part"),
        count(figures.nets, "net"),
        count(figures.crossings, "crossing"),
    );
    for (what, names) in [
        ("supplies drawn as flags", &figures.supplies),
        ("nets shown by name", &figures.named),
    ] {
        if !names.is_empty() {
            text += &format!("{what}: {}\n", names.join(", "));
        }
    }
    text
}
