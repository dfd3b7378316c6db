//! The commands: one file each, one row in [`COMMANDS`].

mod bias;
mod book;
mod check;
mod command;
mod common;
mod compare;
mod completions;
mod curves;
mod distortion;
mod draw;
mod driven;
mod driven_source;
mod examples;
mod failure;
mod faults;
mod feedback;
mod fit;
mod frequencies;
mod guards;
pub mod guide;
mod heading;
mod in_order;
mod interrupt;
mod limits;
mod listen;
mod manual;
mod memory;
mod messages;
mod noise;
mod one_probe;
mod outcome;
mod parallel;
mod parts;
mod plane;
mod render;
mod response;
mod scope;
mod settings;
mod shard;
mod sheet_folder;
mod signals;
mod slips;
mod spread;
mod tell;
mod valves;
mod variant;
mod vary;

use crate::inputs;
pub use command::{Command, SAFETY};
pub use outcome::Outcome;

/// Every command, in the order of the help.
pub const COMMANDS: &[&Command] = &[
    &bias::COMMAND,
    &scope::COMMAND,
    &response::COMMAND,
    &distortion::COMMAND,
    &noise::COMMAND,
    &feedback::COMMAND,
    &render::COMMAND,
    &listen::COMMAND,
    &vary::COMMAND,
    &parts::COMMAND,
    &draw::COMMAND,
    &curves::COMMAND,
    &fit::COMMAND,
    &spread::COMMAND,
    &check::COMMAND,
    &guide::COMMAND,
    &examples::COMMAND,
    &compare::COMMAND,
    &book::COMMAND,
    &faults::COMMAND,
    &valves::COMMAND,
    &limits::COMMAND,
    &messages::COMMAND,
    &COMPLETIONS,
    &MANUAL,
];

// These two are about all commands: only here are they known.
const COMPLETIONS: Command = completions::command(|own| completions::run(command_line(), own));
const MANUAL: Command = manual::command(|own| manual::run(command_line(), own));

/// The whole command line.
pub fn command_line() -> clap::Command {
    let mut line = clap::Command::new("gridleak")
        .version(env!("GRIDLEAK_VERSION"))
        .about("Try a valve-amplifier circuit before soldering it")
        .after_help(format!("Manual: gridleak guide\n\n{SAFETY}"))
        .subcommand_required(true)
        .arg_required_else_help(true);
    for command in COMMANDS {
        let own = clap::Command::new(command.name)
            .about(command.about)
            .after_help(SAFETY);
        // A negative number is a value, wrong or not, and no option: whoever reads it says what is allowed.
        let own = (command.options)(common::options(own)).mut_args(|arg| {
            let takes = arg.get_action().takes_values() && !arg.is_positional();
            if takes {
                arg.allow_negative_numbers(true)
            } else {
                arg
            }
        });
        line = line.subcommand(guide::named_in_help(own));
    }
    line
}

/// Runs the tool with the arguments given, the program's name first; messages go to
/// standard error.
pub fn run(arguments: impl IntoIterator<Item = std::ffi::OsString>) -> Outcome {
    interrupt::spare_large_files();
    let matches = match command_line().try_get_matches_from(arguments) {
        Ok(matches) => matches,
        Err(mut error) => {
            // Help and version are answers, not mistakes.
            let asked = !error.use_stderr();
            let hint = slips::hint(&mut error, &command_line());
            // A reader that went away is no mistake either.
            let told = match error.print() {
                Err(e) => e.kind() == std::io::ErrorKind::BrokenPipe,
                Ok(()) => true,
            };
            if let Some(hint) = hint {
                common::tell(&format!("hint: {hint}\n"));
            }
            return if asked && told {
                Outcome::Done
            } else {
                Outcome::Bad
            };
        }
    };
    let (name, own) = matches.subcommand().expect("clap requires a command");
    let command = COMMANDS
        .iter()
        .find(|c| c.name == name)
        .expect("listed above");
    interrupt::watch();
    inputs::keep_account();
    if !matches!(own.try_get_one::<bool>("quiet"), Ok(Some(true))) {
        common::tell(&slips::misnamed(name, own));
    }
    match (command.run)(own) {
        Ok(outcome) => outcome,
        Err(failure) => {
            interrupt::leave();
            common::tell(&failure.message());
            failure.outcome()
        }
    }
}
