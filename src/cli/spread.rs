//! `spread`: what the tolerances of parts do to many amplifiers of one drawing.

mod asked;
mod board;
mod drawn;
mod extremes;
mod one;
mod record;
mod rows;
mod shown;
mod work;

use super::command::Command;
use super::common::{self, PendingText, word_option};
use super::failure::Failure;
use super::interrupt;
use super::outcome::Outcome;
use crate::report;
use asked::Asked;
use clap::{Arg, ArgAction, ArgMatches};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "spread",
    about: "What the tolerances of parts do: many amplifiers of one drawing",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    let many = |name: &'static str, value: &'static str, help: &'static str| {
        word_option(name, value, help).action(ArgAction::Append)
    };
    let flag = |name: &'static str, help: &'static str| {
        Arg::new(name)
            .long(name)
            .action(ArgAction::SetTrue)
            .help(help)
    };
    command
        .arg(many(
            "figure",
            "FIGURE",
            "What is measured, for example `plate dissipation of XV4`; `gridleak check --explain` \
             lists every figure. With a sheet in place of the netlist: what it expects",
        ))
        .arg(word_option(
            "runs",
            "N",
            "How many amplifiers (1000 unless said)",
        ))
        .arg(word_option(
            "seed",
            "S",
            "Which ones: another number, others (1 unless said)",
        ))
        .arg(
            many(
                "tol",
                "NAME=TOLERANCE",
                "How far a part may be off: `RK1=1%`, `CK1=-20..+50%`, `XV1A.mu=5%`; of a kind of \
                 part: R C L pot transformer valve mains; `temperature=-10..+20` in degrees",
            )
            .allow_hyphen_values(true),
        )
        .arg(
            word_option("shape", "SHAPE", "How values lie within their tolerance")
                .value_parser(["uniform", "normal"]),
        )
        .arg(flag(
            "even",
            "Spread each part's values evenly over its range: means settle with fewer runs",
        ))
        .arg(many(
            "trim",
            "PART:FIGURE=VALUE",
            "Set a resistor or knob in each amplifier until the figure has this value, as in \
             `RBIAS: plate dissipation of XV4 = 70 %`",
        ))
        .arg(word_option(
            "shares",
            "N",
            "Measure first-order and total shares of the variance, with N runs and as many more \
             for each part, in place of the estimate from the runs themselves",
        ))
        .arg(flag(
            "corners",
            "Seek the least and greatest of each figure within all tolerances",
        ))
        .arg(word_option(
            "shard",
            "K/N",
            "The K-th of N parts of the runs; the CSV files of all parts, joined without the \
             repeated headings, make that of the whole",
        ))
        .arg(
            word_option(
                "threads",
                "N",
                "Amplifiers at once; without it one a processor",
            )
            .value_parser(clap::value_parser!(u16).range(1..)),
        )
        .arg(
            flag(
                "resume",
                "Keep the rows that the CSV file already has, and do the rest",
            )
            .requires("csv")
            .conflicts_with("join"),
        )
        .arg(
            many(
                "join",
                "FILE",
                "Put the CSV files of all shards together in place of measuring; with the same \
                 netlist, seed and figures, so that each can be checked",
            )
            .num_args(1..)
            .conflicts_with("shard"),
        )
        .arg(word_option(
            "show-run",
            "R",
            "Print the settings that make amplifier R, for any other command",
        ))
        .arg(word_option(
            "plot",
            "PATH",
            "Draw how the figures spread, and which parts cause it, as SVG",
        ))
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let asked = Asked::read(matches)?;
    if let Some(run) = asked.show_run {
        return one::show(&asked, run);
    }
    let path = |name: &str| asked.text(name).map(Path::new);
    let kept = rows::KeptRows::new(&asked)?;
    // The table is put in place even if the run is broken off, the others only if it is not.
    let (mut outputs, mut table) = (asked.guards.outputs(), asked.guards.outputs());
    let json = PendingText::stage(&mut outputs, path("json"))?;
    let plot = PendingText::stage(&mut outputs, path("plot"))?;
    let file = match path("csv") {
        Some(path) => {
            // The table is staged apart, and must not be one of the others.
            outputs.preflight(path)?;
            Some((table.stage(path)?, path))
        }
        None => None,
    };
    let board = board::Board::of(&asked)?;
    let mut csv = file.map(|(file, path)| rows::Writer::new(&asked, &board, file, path));
    asked.show(|| shown::before(&asked))?;
    let mut tally = work::Tally::new(&asked, &board);
    interrupt::keeps(csv.is_some());
    let worked = work::all(&asked, &board, kept, csv.as_mut(), &mut tally);
    if let Err(failure) = worked {
        let kept = csv.map_or(Ok(()), |csv| rows::keep(&asked, csv, table));
        interrupt::keeps(false);
        return Err(kept.err().unwrap_or(failure));
    }
    interrupt::keeps(false);
    warn_of_unstable(&asked, &tally);
    let shares = work::shares(&asked, &board, &tally)?;
    let corners = extremes::corners(&asked, &board)?;
    if let Some(json) = json {
        let record = record::record(&asked, &board, &tally, &shares, &corners);
        json.fill(&report::json::text(&record))?;
    }
    if let Some(plot) = plot {
        plot.fill(&drawn::picture(&asked, &board, &tally, &shares))?;
    }
    if let Some(ledger) = &asked.ledger {
        common::audited(ledger, asked.quiet)?;
    }
    asked.show(|| shown::after(&asked, &board, &tally, &shares, &corners))?;
    outputs.join(table);
    common::commit(outputs)?;
    Ok(tally.outcome())
}

/// Says how many amplifiers do not stay where they were measured.
fn warn_of_unstable(asked: &Asked<'_>, tally: &work::Tally) {
    let (count, Some((run, what))) = &tally.unstable else {
        return;
    };
    if asked.quiet {
        return;
    }
    let what = what.trim_start_matches("unstable: ");
    let (what, _) = what.split_once(',').unwrap_or((what, ""));
    let are = if *count == 1 { "is" } else { "are" };
    common::tell(&format!(
        "warning: {count} of {} amplifiers {are} unstable, the first is run {run}: {what}; their \
         figures say nothing\n",
        tally.runs
    ));
}
