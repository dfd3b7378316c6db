//! `completions`: what a shell needs to complete the commands and options.

use super::check::print;
use super::failure::Failure;
use super::{Command, Outcome, command_line};
use clap::{Arg, ArgMatches, value_parser};
use clap_complete::Shell;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "completions",
    about: "Print the completions of a shell",
    options,
    run,
};

fn options(_: clap::Command) -> clap::Command {
    clap::Command::new(COMMAND.name).about(COMMAND.about).arg(
        Arg::new("shell")
            .value_name("SHELL")
            .required(true)
            .value_parser(value_parser!(Shell))
            .help("For bash: gridleak completions bash > ~/.local/share/bash-completion/completions/gridleak"),
    )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let shell = *matches.get_one::<Shell>("shell").expect("required");
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut command_line(), "gridleak", &mut text);
    print(&String::from_utf8_lossy(&text))
}
