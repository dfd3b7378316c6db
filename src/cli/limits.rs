//! `limits`: how much of anything one run takes, and how to move that.

use super::{Command, check};
use crate::limits::TABLE;
use crate::report::table::{Side, Table};

/// The command's row.
pub const COMMAND: Command = Command {
    name: "limits",
    about: "List the limits that `--limit NAME=VALUE` moves",
    options: |_| clap::Command::new("limits").about(COMMAND.about),
    run: |_| check::print(&text()),
};

/// The list.
pub fn text() -> String {
    let mut table = Table::new(&[
        ("name", Side::Left),
        ("unless set", Side::Right),
        ("at most", Side::Right),
        ("what is counted", Side::Left),
        ("what it guards", Side::Left),
    ]);
    for row in TABLE {
        let default = match row.default {
            0 => "none".into(),
            number => number.to_string(),
        };
        table.row([
            row.name.into(),
            default,
            row.most.to_string(),
            row.what.into(),
            row.why.into(),
        ]);
    }
    format!(
        "Limits of one run, each moved with `--limit NAME=VALUE`, as often as needed.\n\
         No real amplifier comes near them.\n\n{}",
        table.text()
    )
}
