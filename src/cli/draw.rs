//! `draw`: the circuit as a schematic.

use super::common::Session;
use super::failure::Failure;
use super::{Command, Outcome, SAFETY, interrupt};
use crate::circuit::bind::Timing;
use crate::circuit::{Circuit, Element};
use crate::drawing::scheme::Scheme;
use crate::drawing::{self, Figures, Notes};
use crate::report::file::FileProblem;
use clap::{Arg, ArgAction, ArgMatches};
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
        .arg(
            Arg::new("out")
                .long("out")
                .value_name("FILE.svg")
                .required(true)
                .help("Where the drawing goes; - is standard output"),
        )
        .arg(
            Arg::new("volts")
                .long("volts")
                .action(ArgAction::SetTrue)
                .help("Letter the operating point: volts, the valves' currents and dissipation"),
        )
        .arg(
            Arg::new("only")
                .long("only")
                .value_name("NAME")
                .help("Draw one subcircuit (X1), or what lies between two nodes (grid4..plate5)"),
        )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let circuit = session.circuit(Timing::default())?;
    interrupt::watch();
    let path = session.text("out").expect("required").to_string();
    let mut outputs = session.guards.outputs();
    let mut file = outputs.stage(Path::new(&path))?;
    let chosen: Vec<usize> = (0..circuit.elements.len()).collect();
    let sources = session.sources.clone();
    let line = |e: &Element| {
        let text = e
            .span
            .map(|s| &sources.text(s.file)[s.start as usize..s.end as usize]);
        one_line(text.unwrap_or_default())
    };
    let scheme = Scheme::new(&circuit, &chosen, line);
    let notes = Notes {
        caution: vec![SAFETY.to_string()],
        ..Notes::default()
    };
    let (sheet, figures) = drawing::draw(&circuit, &scheme, &notes, &mut interrupt::check)?;
    file.write_all(sheet.svg().as_bytes())
        .map_err(|e| FileProblem::new(Path::new(&path), e))?;
    session.finish(
        outputs,
        || record(&circuit, &figures),
        || {
            if path == "-" {
                return String::new();
            }
            printed(&circuit, &figures, &path)
        },
    )?;
    Ok(Outcome::Done)
}

/// A netlist line with its continuations as one line.
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

fn printed(circuit: &Circuit, figures: &Figures, path: &str) -> String {
    let mut text = format!(
        "{}\n{path}: {} parts, {} nets, {} crossings\n",
        circuit.title.trim(),
        figures.parts,
        figures.nets,
        figures.crossings,
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
