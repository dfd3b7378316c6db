//! The README names everything that the tool offers.

use gridleak::circuit::library;
use gridleak::cli::COMMANDS;
use gridleak::device::REGISTRY;
use gridleak::diag::Files;

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
fn every_kind_of_device_is_listed() {
    for kind in REGISTRY {
        let row = README
            .lines()
            .find(|l| l.starts_with('|') && l.contains(&format!("`{}`", kind.name)));
        let row = row.unwrap_or_else(|| panic!("{} is not listed", kind.name));
        let letters = row.split('|').nth(1).expect("a first column");
        assert!(letters.contains(kind.letter), "{row}");
    }
}

#[test]
fn every_built_in_valve_is_named() {
    let (body, _) = library::load(&mut Files::default());
    for model in body.models.iter().map(|m| &m.name.text) {
        let base = model.trim_end_matches("_1996");
        // 6SN7GT and 6SN7GTB go with 6SN7, 5Y3 with 5Y3GT.
        let known = README.contains(base) || README.contains(&base[..base.len().min(4)]);
        assert!(known, "{model}");
    }
}
