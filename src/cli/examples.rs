//! `examples`: the netlists that come with the tool, for whoever has no checkout.

use super::command::{Command, SAFETY};
use super::common;
use super::failure::Failure;
use super::outcome::Outcome;
use super::tell::print;
use crate::diag::nearest;
use crate::report::file::{FileProblem, Outputs};
use clap::{Arg, ArgMatches};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "examples",
    about: "List the netlists that come with the tool, or write one with its files",
    options,
    run,
};

macro_rules! files {
    ($($folder:literal: $($name:literal)+;)+) => {
        &[$($((
            $folder,
            $name,
            include_str!(concat!("../../netlists/", $folder, "/", $name)),
        ),)+)+]
    };
}

/// Folder, name and text of every file.
const FILES: &[(&str, &str, &str)] = files! {
    "lapwing":
        "amp.cir" "amp.sheet.toml"
        "clean_stage.cir" "clean_stage.plate1.csv" "clean_stage.response.csv"
        "clean_stage.sheet.toml"
        "effects_loop.cir" "effects_loop.sheet.toml" "effects_return.sheet.toml"
        "overdrive_cascade.cir" "overdrive_cascade.sheet.toml"
        "parts.cir"
        "power_amp.cir" "power_amp.sheet.toml" "power_parts.cir" "power_stress.sheet.toml"
        "preamp.cir" "preamp.clean.csv" "preamp.overdrive.csv" "preamp.sheet.toml"
        "preamp_switches.sheet.toml"
        "supply.cir" "supply.sheet.toml" "rectifiers.sheet.toml"
        "tone_stack.cir" "tone_stack.sheet.toml" "tone_stack_formula.sheet.toml";
    "textbook":
        "cathode_follower.cir" "cathode_follower.sheet.toml"
        "common_cathode.cir" "common_cathode.sheet.toml"
        "diode_limiter.cir" "diode_limiter.sheet.toml"
        "half_wave_supply.cir"
        "long_tailed_pair.cir" "long_tailed_pair.sheet.toml"
        "rc_filter.cir" "rc_filter.sheet.toml";
};

fn options(_: clap::Command) -> clap::Command {
    clap::Command::new(COMMAND.name)
        .about(COMMAND.about)
        .after_help(SAFETY)
        .arg(
            Arg::new("name")
                .value_name("NAME")
                .help("Which one; without it all are listed"),
        )
        .arg(
            Arg::new("out")
                .long("out")
                .value_name("DIR")
                .requires("name")
                .help("The folder that it goes to, with what it includes and its sheet"),
        )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let Some(name) = matches.get_one::<String>("name") else {
        return print(&list());
    };
    let name = name.strip_suffix(".cir").unwrap_or(name);
    let Some(found) = netlists().find(|f| stem(f.1) == name) else {
        let failure = Failure::usage(format!("there is no example `{name}`"));
        return Err(match nearest(name, netlists().map(|f| stem(f.1))) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None => failure.hint("`gridleak examples` lists them"),
        });
    };
    let Some(folder) = matches.get_one::<String>("out") else {
        return print(found.2);
    };
    let folder = Path::new(folder);
    std::fs::create_dir_all(folder).map_err(|e| FileProblem::new(folder, e))?;
    let mut outputs = Outputs::new();
    let files = with_it(found);
    for (_, name, text) in &files {
        let path = folder.join(name);
        if std::fs::read_to_string(&path).is_ok_and(|there| there != *text) {
            let taken = format!("`{}` is there already, and differs", path.display());
            return Err(Failure::usage(taken).hint("give --out another folder"));
        }
        outputs.text(&path, text)?;
    }
    common::commit(outputs)?;
    let written: Vec<String> = files
        .iter()
        .map(|f| format!("{}\n", folder.join(f.1).display()))
        .collect();
    print(&format!(
        "{}Try: gridleak bias {}\n",
        written.concat(),
        folder.join(found.1).display()
    ))
}

type File = (&'static str, &'static str, &'static str);

/// Netlists that stand for themselves: the others hold parts to be included.
fn netlists() -> impl Iterator<Item = &'static File> {
    FILES
        .iter()
        .filter(|f| f.1.ends_with(".cir") && !f.1.ends_with("parts.cir"))
}

fn stem(name: &str) -> &str {
    name.split('.').next().unwrap_or(name)
}

fn list() -> String {
    let mut text = String::new();
    let mut folder = "";
    for file in netlists() {
        if folder != file.0 {
            folder = file.0;
            let about = match folder {
                "lapwing" => "The Lapwing, our own amplifier, and its pieces",
                _ => "Circuits of the textbooks",
            };
            text += &format!("{about}:\n");
        }
        let title = file.2.lines().next().unwrap_or_default();
        text += &format!("  {:<20}{title}\n", stem(file.1));
    }
    text + "\nWrite one with its files: gridleak examples clean_stage --out my_stage\n"
}

/// A netlist with all that it includes and what its sheets need.
fn with_it(netlist: &'static File) -> Vec<&'static File> {
    let sheet = format!("\nnetlist = \"{}\"\n", netlist.1);
    let own =
        |f: &&File| f.0 == netlist.0 && (stem(f.1) == stem(netlist.1) || f.2.contains(&sheet));
    let mut found: Vec<&File> = FILES.iter().filter(own).collect();
    let mut next = 0;
    while next < found.len() {
        let names = found[next].2.lines().filter_map(|line| {
            let mut words = line.split_whitespace();
            let is_include = |w: &str| w.eq_ignore_ascii_case(".include");
            words.next().filter(|w| is_include(w))?;
            words.next().map(|w| w.trim_matches('"'))
        });
        for name in names {
            let wanted = FILES.iter().find(|f| f.0 == netlist.0 && f.1 == name);
            found.extend(wanted.filter(|w| !found.iter().any(|f| f.1 == w.1)));
        }
        next += 1;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_netlist_of_the_folders_is_there_with_what_it_includes() {
        for folder in ["lapwing", "textbook"] {
            let place = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists");
            for entry in std::fs::read_dir(place.join(folder)).unwrap().flatten() {
                let name = entry.file_name().into_string().unwrap();
                // The tool makes the pictures itself, and a script the pages of the book.
                if [".svg", ".png", "book.txt"]
                    .iter()
                    .any(|end| name.ends_with(end))
                {
                    continue;
                }
                assert!(
                    FILES.iter().any(|f| (f.0, f.1) == (folder, &name)),
                    "{name}"
                );
            }
        }
        let supply = netlists().find(|f| f.1 == "supply.cir").unwrap();
        assert!(
            with_it(supply)
                .iter()
                .any(|f| f.1 == "rectifiers.sheet.toml")
        );
        let amp = netlists().find(|f| f.1 == "amp.cir").unwrap();
        let names: Vec<&str> = with_it(amp).iter().map(|f| f.1).collect();
        assert_eq!(
            names,
            ["amp.cir", "amp.sheet.toml", "parts.cir", "power_parts.cir"]
        );
    }
}
