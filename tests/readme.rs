//! The README: its commands run and print what it shows, and it names every command.

#[path = "common/commands.rs"]
mod commands;

use gridleak::cli::COMMANDS;

const README: &str = include_str!("../README.md");

#[test]
fn every_command_is_described() {
    for command in COMMANDS {
        assert!(
            README.contains(&format!("| `{}` |", command.name)),
            "{}",
            command.name
        );
    }
}

#[test]
fn it_is_short() {
    assert!(README.lines().count() < 200);
}

/// A block of shell is run; in a block `console` each `$` is a command and what follows is what it
/// prints; a block `spice FILE` is that file.
#[test]
fn commands_print_what_is_shown() {
    let place = commands::place_of_work();
    for block in commands::blocks(README) {
        match block.kind.split_whitespace().collect::<Vec<_>>()[..] {
            ["spice", file] => std::fs::write(place.path().join(file), block.text).unwrap(),
            ["sh"] => {
                for command in commands::commands(&block.text) {
                    if let Some(own) = own_command(&command) {
                        let (status, printed) = commands::run(&own, place.path());
                        assert_eq!(status, 0, "`{command}`:\n{printed}");
                    }
                }
            }
            ["console"] => {
                for shown in block.text.split("$ ").skip(1) {
                    let (command, shown) = shown.split_once('\n').expect("a line");
                    let (_, printed) = commands::run(command, place.path());
                    commands::assert_shown(command, shown, &printed);
                }
            }
            _ => {}
        }
    }
}

/// The tool's part of `cargo run --release -- COMMAND`; `None` for cargo's own commands.
fn own_command(command: &str) -> Option<String> {
    match command.strip_prefix("cargo ") {
        None => Some(command.to_string()),
        Some(cargo) => {
            let (_, own) = cargo.split_once(" -- ")?;
            Some(format!("gridleak {own}"))
        }
    }
}
