//! `limits`: how much of anything one run takes, and how to move that.

use super::command::Command;
use super::tell::print;
use crate::limits::TABLE;
use std::fmt::Write;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "limits",
    about: "List the limits that `--limit NAME=VALUE` moves",
    options: |_| clap::Command::new("limits").about(COMMAND.about),
    run: |_| print(&text()),
};

/// The list, narrow enough for a terminal.
fn text() -> String {
    let mut text = String::from(
        "Limits of one run, each moved with `--limit NAME=VALUE`, as often as needed.\n\
         No real amplifier comes near them.\n",
    );
    for row in TABLE {
        let default = match row.default {
            0 => "none".into(),
            number => number.to_string(),
        };
        let (name, most) = (row.name, row.most);
        let _ = write!(text, "\n{name:<18} {default}, up to {most}\n");
        let _ = writeln!(text, "    counts {}", row.what);
        let _ = writeln!(text, "    guards {}", row.why);
    }
    text
}
