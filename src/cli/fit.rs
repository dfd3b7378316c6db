//! `fit`: a model of one valve from readings of it.

mod amplifier;
mod drawn;
mod given;
mod pairs;
mod shown;

use super::command::Command;
use super::common::{PendingText, Session, number_option, word_option};
use super::failure::Failure;
use super::outcome::Outcome;
use crate::circuit::library;
use crate::fit::estimate::estimate;
use crate::fit::frame::Frame;
use crate::fit::problem::FitProblem;
use crate::fit::{model, plausible};
use crate::num::Role;
use crate::report::file::STANDARD_OUTPUT;
use clap::{Arg, ArgAction, ArgMatches};
use given::{Findings, accuracy, at, load, named, plain};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "fit",
    about: "A model of your own valve, from readings of it",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    // What is set or driven is set in the netlist: without one it would be passed over in silence.
    let of_netlist = ["set", "knob", "switch", "mains"];
    let command = of_netlist.into_iter().fold(command, |command, name| {
        command.mut_arg(name, |a| a.requires("netlist"))
    });
    command
        .mut_arg("probe", |a| a.requires_all(["netlist", "pairs"]))
        .mut_arg("netlist", |a| {
            a.required(false)
                .long("netlist")
                .value_name("AMP.cir")
                .help("Readings taken in this amplifier; with --pairs, the amplifier for the pair")
        })
        .arg(
            Arg::new("type")
                .value_name("TYPE")
                .required_unless_present_any(["pairs", "netlist"])
                .help("The built-in type that the valve is one of, such as 12AX7"),
        )
        .arg(
            Arg::new("readings")
                .value_name("READINGS.csv")
                .required_unless_present_any(["pairs", "netlist"])
                .help(
                    "A table of vpk,vgk,plate_current, of a pentode also vg2k,screen_current: volts \
                     against the cathode, amperes. With --netlist: probe,value, volts against ground",
                ),
        )
        .arg(word_option("name", "MINE", "The name of the new model").required_unless_present("pairs"))
        .arg(word_option("out", "MINE.cir", "Where the model goes").required_unless_present("pairs"))
        .arg(
            word_option("valve", "NAME", "The valve of the netlist that was read, such as XV1A; with --pairs \
                 twice, for the two places")
                .action(ArgAction::Append)
                .requires("netlist"),
        )
        .arg(word_option(
            "accuracy",
            "PERCENT",
            "How exact the readings are, as one standard deviation; 1% if left out",
        ))
        .arg(
            number_option(
                "meter",
                "OHMS",
                "Resistance of the meter that loads the netlist's points; 10meg if left out",
            )
            .requires("netlist"),
        )
        .arg(word_option(
            "plot",
            "FILE.svg",
            "Draw the readings over the curves of the valve and of its type",
        ))
        .arg(
            word_option(
                "pairs",
                "FOLDER",
                "Rank the valves in a folder of readings, a CSV each, as matched pairs",
            )
            .conflicts_with_all(["name", "out", "readings", "plot"]),
        )
        .arg(
            number_option(
                "level",
                "V",
                "With --pairs and --netlist: drive --source to this peak for the distortion at --probe",
            )
            .requires_all(["pairs", "netlist", "probe"]),
        )
        .arg(
            word_option("source", "NAME", "The source that --level drives; otherwise the only one with an AC value")
                .requires("level"),
        )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = match matches.get_one::<String>("netlist") {
        Some(_) => Session::open(matches)?,
        None => Session::of_text(matches, "fit.cir", "fit\n.end\n")?,
    };
    if let Some(folder) = session.text("pairs") {
        return pairs::run(&mut session, folder);
    }
    let place = match (session.text("netlist"), &session.texts("valve")[..]) {
        (None, _) => None,
        (Some(_), [name]) => Some(*name),
        (Some(_), _) => {
            return Err(Failure::usage("which valve was read?").hint("name it: --valve XV1A"));
        }
    };
    // With a netlist the type may be left out, for the netlist knows it.
    let words = (session.text("type"), session.text("readings"), place);
    let (type_name, path) = match words {
        (Some(name), Some(path), _) => (name.to_string(), path),
        (Some(path), None, Some(place)) => (amplifier::model(&mut session, place)?, path),
        _ => {
            return Err(
                Failure::usage("no readings are named").hint("gridleak fit TYPE READINGS.csv")
            );
        }
    };
    let shipped = library::shipped();
    let valve = named(&shipped, &type_name)?;
    let name = session.text("name").expect("required");
    if !model::good_name(name) {
        return Err(plain(FitProblem::BadName { name: name.into() }));
    }
    let accuracy = accuracy(&session)?;
    let meter = session.positive("meter", Role::Resistance)?.unwrap_or(10e6);
    let mut outputs = session.guards.outputs();
    let out = session.text("out").expect("required");
    let file = PendingText::stage(&mut outputs, Some(Path::new(out)))?;
    let csv_path = session.csv();
    let csv = PendingText::stage(&mut outputs, csv_path.as_deref())?;
    let plot_path = session.text("plot");
    let plot = PendingText::stage(&mut outputs, plot_path.map(Path::new))?;
    let readings = match place {
        None => load(&session, path, valve)?,
        Some(place) => {
            let taken = amplifier::take(&mut session, path, place, meter, accuracy)?;
            taken.notes.iter().for_each(|n| session.note(n));
            vec![taken.reading]
        }
    };
    let frames = Frame::sets(&shipped, valve);
    plausible::check(&frames[0], &readings).map_err(|wrong| match place {
        None => at(path, wrong),
        Some(_) => at(path, wrong.worked_out()),
    })?;
    let found = estimate(&frames, &readings, accuracy);
    let set = shipped.iter().find(|v| v.name == found.frame().name);
    let set = set.expect("one of them");
    if set.name != valve.name {
        session.note(&format!(
            "the readings follow the built-in set {} much better than {}: it is what was fitted",
            set.name, valve.name
        ));
    }
    let from = path.rsplit(['/', '\\']).next().unwrap_or(path);
    let findings = Findings {
        name,
        from,
        valve: set,
        found,
    };
    if let Some(file) = file {
        let text = model::text(name, from, set, &findings.found);
        file.fill(&text)?;
    }
    if let Some(csv) = csv {
        csv.fill(&shown::csv(&findings))?;
    }
    if let Some(plot) = plot {
        plot.fill(&drawn::plot(&findings))?;
    }
    for remark in model::remarks(&findings.found) {
        session.note(&remark);
    }
    let taken = [Some(out), plot_path].contains(&Some(STANDARD_OUTPUT));
    session.finish(
        outputs,
        || shown::record(&findings),
        || {
            if taken {
                String::new()
            } else {
                shown::printed(&findings, out)
            }
        },
    )?;
    Ok(Outcome::Done)
}
