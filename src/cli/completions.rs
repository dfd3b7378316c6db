//! `completions`: what a shell needs to complete the commands and options.

use super::command::Command;
use super::failure::Failure;
use super::outcome::Outcome;
use super::tell::print;
use clap::{Arg, ArgMatches, value_parser};
use clap_complete::Shell;

const NAME: &str = "completions";
const ABOUT: &str = "Print the completions of a shell";

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
        Arg::new("shell")
            .value_name("SHELL")
            .required(true)
            .value_parser(value_parser!(Shell))
            .help("For bash: gridleak completions bash > ~/.local/share/bash-completion/completions/gridleak"),
    )
}

/// Prints the completions of a command line.
pub fn run(mut line: clap::Command, matches: &ArgMatches) -> Result<Outcome, Failure> {
    let shell = *matches.get_one::<Shell>("shell").expect("required");
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut line, "gridleak", &mut text);
    print(&String::from_utf8_lossy(&text))
}
