//! `manual`: the pages for `man`, made from the help.

use super::command::Command;
use super::common;
use super::failure::Failure;
use super::outcome::Outcome;
use crate::report::file::{FileProblem, Outputs};
use clap::{Arg, ArgMatches};
use clap_mangen::Man;
use std::path::Path;

const NAME: &str = "manual";
const ABOUT: &str = "Write the pages for `man`: gridleak.1 and one for each command";

/// The command's row; what it does takes the whole command line.
pub const fn command(run: fn(&ArgMatches) -> Result<Outcome, Failure>) -> Command {
    Command {
        name: NAME,
        about: ABOUT,
        options,
        run,
    }
}

fn options(_: clap::Command) -> clap::Command {
    clap::Command::new(NAME).about(ABOUT).arg(
        Arg::new("folder")
            .value_name("DIR")
            .required(true)
            .help("The folder that they go to, for example ~/.local/share/man/man1"),
    )
}

/// Writes the pages of a command line.
pub fn run(line: clap::Command, matches: &ArgMatches) -> Result<Outcome, Failure> {
    let folder = Path::new(matches.get_one::<String>("folder").expect("required"));
    std::fs::create_dir_all(folder).map_err(|e| FileProblem::new(folder, e))?;
    let mut outputs = Outputs::new();
    for (name, page) in pages(line) {
        outputs.text(&folder.join(name), &page)?;
    }
    common::commit(outputs)?;
    Ok(Outcome::Done)
}

/// Every page with its file's name.
fn pages(line: clap::Command) -> Vec<(String, String)> {
    let mut whole = line.disable_help_subcommand(true);
    whole.build();
    let page = |command: &clap::Command, name: String| {
        let mut text = Vec::new();
        let man = Man::new(command.clone());
        // No date: the same tool writes the same pages.
        man.render(&mut text).expect("writing to memory");
        (
            format!("{name}.1"),
            String::from_utf8_lossy(&text).into_owned(),
        )
    };
    let mut pages = vec![page(&whole, "gridleak".to_string())];
    for command in whole.get_subcommands() {
        pages.push(page(command, format!("gridleak-{}", command.get_name())));
    }
    pages
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_has_a_page_with_its_options() {
        let pages = pages(super::super::command_line());
        assert_eq!(pages.len(), super::super::COMMANDS.len() + 1);
        let bias = pages.iter().find(|p| p.0 == "gridleak-bias.1").unwrap();
        assert!(
            bias.1.contains("NETLIST") && bias.1.contains("\\-\\-knob"),
            "{}",
            bias.1
        );
    }
}
