//! A command run for the book: as it is, with all that it puts out kept.

use super::super::common;
use super::super::failure::Failure;
use crate::cli::command::Command;
use crate::cli::outcome::Outcome;
use crate::report::kept::{self, Kept};
use clap::ArgMatches;
use serde_json::Value;

/// What is asked of a command.
#[derive(Clone)]
pub struct Request {
    /// The command.
    pub command: &'static Command,
    /// What follows its name, and is shown.
    pub words: Vec<String>,
    /// The picture it draws: option and file name.
    pub picture: Option<(&'static str, &'static str)>,
    /// What this one is about, where a section asks more than once.
    pub heading: String,
}

/// What came of it.
pub struct Answer {
    /// As typed at a shell.
    pub line: String,
    /// What this one is about.
    pub heading: String,
    /// How it ended, or in words why it did not.
    pub ended: Result<Outcome, String>,
    /// Its figures: the command's own JSON.
    pub figures: Value,
    /// Its picture.
    pub picture: Option<String>,
    /// All it printed and wrote.
    pub kept: Kept,
}

/// The settings of the book's own command line that every request shares.
pub fn settings(matches: &ArgMatches) -> Vec<String> {
    let mut words = Vec::new();
    for option in ["set", "knob", "switch", "mains", "sandbox", "limit"] {
        for text in matches.get_many::<String>(option).into_iter().flatten() {
            // The book's own clock runs for all of them.
            if option != "limit" || !text.trim_start().to_lowercase().starts_with("seconds") {
                words.extend([format!("--{option}"), text.clone()]);
            }
        }
    }
    if matches.get_flag("audit") {
        words.push("--audit".into());
    }
    words
}

/// Runs a command.
///
/// # Errors
/// If the user breaks off.
pub fn ask(request: &Request) -> Result<Answer, Failure> {
    let mut shown = request.words.clone();
    if let Some((option, file)) = request.picture {
        shown.extend([format!("--{option}"), file.to_string()]);
    }
    let line: Vec<String> = shown.iter().map(|w| quoted(w)).collect();
    let name = request.command.name;
    let mut words = vec![name.to_string()];
    words.extend(shown.iter().cloned());
    for (option, file) in [("json", JSON), ("csv", TABLE)] {
        words.extend([format!("--{option}"), file.to_string()]);
    }
    let own = (request.command.options)(common::options(clap::Command::new(name)));
    let matches = own
        .try_get_matches_from(&words)
        .map_err(|e| Failure::Reported(e.to_string()))?;
    let (ended, kept) = kept::keep(|| (request.command.run)(&matches));
    let ended = match ended {
        Ok(outcome) => Ok(outcome),
        Err(Failure::Interrupted | Failure::OutOfTime) => return Err(Failure::Interrupted),
        Err(failure) => Err(reason(&failure.message())),
    };
    Ok(Answer {
        line: format!("gridleak {name} {}", line.join(" ")),
        heading: request.heading.clone(),
        ended,
        figures: kept.text(JSON).map_or(Value::Null, |text| parsed(&text)),
        picture: request.picture.and_then(|(_, file)| kept.text(file)),
        kept,
    })
}

/// The name of the JSON while it is kept.
pub const JSON: &str = "figures.json";
/// And that of the CSV.
const TABLE: &str = "figures.csv";

/// One value, or, of a JSON with an object a line, all of them.
fn parsed(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|_| {
        let lines = text.lines().map(serde_json::from_str::<Value>);
        lines.filter_map(Result::ok).collect()
    })
}

/// The first line of a message, without the word that begins it.
pub fn reason(message: &str) -> String {
    let first = message.lines().next().unwrap_or_default();
    first.strip_prefix("error: ").unwrap_or(first).to_string()
}

/// A word as a shell wants it.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./=,:%+@".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        return word.to_string();
    }
    format!("'{}'", word.replace('\'', "'\\''"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_quoted_where_a_shell_would_read_them() {
        for (word, expected) in [
            ("amp.cir", "amp.cir"),
            ("v(out)", "'v(out)'"),
            ("it's", "'it'\\''s'"),
            ("", "''"),
            ("10..1/7", "10..1/7"),
        ] {
            assert_eq!(quoted(word), expected);
        }
    }

    #[test]
    fn a_reason_is_the_first_line() {
        assert_eq!(reason("error: no\nhint: yes\n"), "no");
        assert_eq!(parsed("{\"a\":1}\n{\"a\":2}\n")[1]["a"], 2);
    }
}
