//! The guide: every command in it is understood, those in blocks of shell are run, and it names
//! all that the tool offers. A block `csv FILE` or `spice FILE` is that file; one `sh 1` ends with exit code 1.

#[path = "common/commands.rs"]
mod commands;

use gridleak::circuit::library;
use gridleak::cli::{self, guide};
use gridleak::device::REGISTRY;
use gridleak::diag::Files;

/// Set, what is marked as slow is run too.
const ALL: &str = "GRIDLEAK_ALL";

#[test]
fn commands_of_the_guide_run() {
    let all = std::env::var_os(ALL).is_some();
    let mut count = 0;
    for topic in guide::topics() {
        let place = commands::place_of_work();
        for block in commands::blocks(&topic.text()) {
            let expected = match block.kind.split_whitespace().collect::<Vec<_>>()[..] {
                ["csv" | "spice", file] => {
                    std::fs::write(place.path().join(file), &block.text).expect("a file");
                    continue;
                }
                ["sh"] => 0,
                ["sh", "slow"] if all => 0,
                ["sh", "1"] => 1,
                _ => continue,
            };
            for command in commands::commands(&block.text) {
                let (status, printed) = commands::run(&command, place.path());
                assert_eq!(status, expected, "{}: `{command}`:\n{printed}", topic.name);
                count += 1;
            }
        }
    }
    assert!(count > 30, "{count} commands");
}

/// Those of other blocks and within a line too: their options exist.
#[test]
fn commands_of_the_guide_are_understood() {
    for topic in guide::topics() {
        let text = topic.text().replace("\\\n", " ");
        let lines = text.lines().map(str::trim);
        for command in lines.filter(|line| line.starts_with("gridleak ") && !line.contains("$(")) {
            let words = commands::words(command);
            let read = cli::command_line().try_get_matches_from(words);
            assert!(
                read.is_ok(),
                "{}: `{command}`: {}",
                topic.name,
                read.unwrap_err()
            );
        }
    }
}

/// `gridleak guide NAME` and `gridleak COMMAND` within a line.
#[test]
fn topics_and_commands_that_the_guide_names_exist() {
    let topics: Vec<_> = guide::topics().iter().map(|t| t.name).collect();
    for topic in guide::topics() {
        let text = topic.text();
        for named in text.split("gridleak ").skip(1) {
            let end = |c: char| !c.is_ascii_alphabetic();
            let command = named.split(end).next().unwrap_or_default();
            let known = cli::COMMANDS.iter().any(|c| c.name == command);
            assert!(
                known || command.is_empty(),
                "{}: gridleak {command}",
                topic.name
            );
            if let Some(rest) = named.strip_prefix("guide ") {
                let name = rest.split(end).next().unwrap_or_default();
                let known = topics.contains(&name) || ["TOPIC", ""].contains(&name);
                assert!(known, "{}: gridleak guide {name}", topic.name);
            }
        }
    }
}

/// The workflow and the hook to copy call the tool as it is.
#[test]
fn examples_for_ci_call_the_tool_as_it_is() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/ci-example");
    for (file, count) in [(".github/workflows/circuits.yml", 1), ("pre-commit", 1)] {
        let text = std::fs::read_to_string(folder.join(file)).expect("it is there");
        // The part of a matrix is put in when it runs.
        let text = text.replace("${{ matrix.part }}", "1");
        let lines = commands::commands(&text);
        let calls = lines.iter().filter_map(|line| {
            let line = line.strip_prefix("exec ").unwrap_or(line);
            line.starts_with("gridleak ").then_some(line)
        });
        let calls: Vec<&str> = calls.collect();
        assert_eq!(calls.len(), count, "{file}");
        for call in calls {
            let read = cli::command_line().try_get_matches_from(commands::words(call));
            assert!(read.is_ok(), "{file}: `{call}`: {}", read.unwrap_err());
        }
    }
}

#[test]
fn every_kind_of_device_is_described() {
    let devices = topic("devices");
    for kind in REGISTRY {
        let heading = format!("## {} `{}`: ", kind.letter, kind.name);
        assert!(devices.contains(&heading), "{}", kind.name);
        for param in kind.model_params.iter().chain(kind.instance_params) {
            assert!(
                devices.contains(&format!("| `{}` |", param.name)),
                "{}",
                param.name
            );
        }
    }
    // The pins of a 12AX7 (RCA RC-30, basing 9A, from memory): 6, 7 and 8 for unit 1, 1, 2 and 3 for
    // unit 2, heater 4 and 5.
    let row = devices.lines().find(|l| l.starts_with("| 12AX7 |"));
    let row = row.expect("a row of the 12AX7");
    assert!(
        row.contains("plate 6, grid 7, cathode 8; plate 1, grid 2, cathode 3"),
        "{row}"
    );
}

#[test]
fn every_built_in_valve_is_named() {
    let valves = topic("valves");
    let (body, _) = library::load(&mut Files::default());
    for model in body.models.iter().map(|m| &m.name.text) {
        let base = model.trim_end_matches("_1996");
        // 6SN7GT and 6SN7GTB go with 6SN7, 5Y3 with 5Y3GT.
        let known = valves.contains(base) || valves.contains(&base[..base.len().min(4)]);
        assert!(known, "{model}");
    }
}

fn topic(name: &str) -> String {
    let topics = guide::topics();
    let topic = topics.iter().find(|t| t.name == name);
    topic.expect("a topic").text()
}
