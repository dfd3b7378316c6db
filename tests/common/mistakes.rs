//! Netlists that say in comments what must be said about them, and spoilt ones.
//!
//! `* expect: LINE:COLUMN part of the message` stands for an error, `* warn:` for a warning;
//! ` hint: ` and part of the hint may follow. Nothing else may be said.

use gridleak::diag::{Diagnostic, Files};
use std::fs;
use std::path::{Path, PathBuf};

/// The netlists of a folder below `tests`, in order.
pub fn netlists(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests")
        .join(folder);
    let mut paths: Vec<PathBuf> = fs::read_dir(folder)
        .expect("the folder of netlists")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == "cir"))
        .collect();
    paths.sort();
    paths
}

/// What a comment asks for.
#[derive(Debug)]
struct Expectation {
    file: String,
    line: usize,
    column: usize,
    error: bool,
    message: String,
    hint: Option<String>,
}

fn expectations(sources: &Files) -> Vec<Expectation> {
    let mut all = Vec::new();
    for file in sources.files() {
        // A file that is included twice is here twice: it is wrong twice.
        for text in sources.text(file).lines() {
            let (error, rest) = match (
                text.strip_prefix("* expect: "),
                text.strip_prefix("* warn: "),
            ) {
                (Some(rest), _) => (true, rest),
                (_, Some(rest)) => (false, rest),
                _ => continue,
            };
            let (place, part) = rest.split_once(' ').expect("a place and a message");
            let (line, column) = place.split_once(':').expect("line and column");
            let (message, hint) = match part.split_once(" hint: ") {
                Some((message, hint)) => (message, Some(hint.to_string())),
                None => (part, None),
            };
            all.push(Expectation {
                file: sources.name(file).to_string(),
                line: line.parse().expect("a line"),
                column: column.parse().expect("a column"),
                error,
                message: message.to_string(),
                hint,
            });
        }
    }
    all
}

/// What differs between what was said and what the comments of all files ask for.
pub fn differences(diagnostics: &[Diagnostic], sources: &Files) -> Vec<String> {
    let mut expected = expectations(sources);
    assert!(!expected.is_empty(), "nothing is expected");
    let mut failures = Vec::new();
    for diagnostic in diagnostics {
        let span = diagnostic.span.expect("a place");
        let place = sources.line_column(span);
        let name = sources.name(span.file);
        let found = expected.iter().position(|e| {
            let hinted = match &e.hint {
                Some(part) => diagnostic.hint.as_ref().is_some_and(|h| h.contains(part)),
                None => true,
            };
            e.file == name
                && (e.line, e.column) == place
                && e.error == diagnostic.is_error()
                && diagnostic.message.contains(&e.message)
                && hinted
        });
        match found {
            Some(at) => drop(expected.remove(at)),
            None => failures.push(format!("unexpected:\n{}", sources.render(diagnostic))),
        }
    }
    failures.extend(expected.iter().map(|e| format!("not said: {e:?}")));
    failures
}

/// The templates of a source file's messages that none of `messages` can have come from.
/// There must be more than `at_least` of them: else they were not found.
pub fn never_provoked(source: &str, at_least: usize, messages: &[String]) -> Vec<String> {
    let templates: Vec<&str> = source
        .split("#[error(\"")
        .skip(1)
        .map(|rest| &rest[..rest.find('"').expect("a closing quote")])
        .collect();
    assert!(
        templates.len() > at_least,
        "the templates were not found: {templates:?}"
    );
    templates
        .into_iter()
        .filter(|template| !messages.iter().any(|message| fits(template, message)))
        .map(str::to_owned)
        .collect()
}

/// Whether a message can have come from a template with `{fields}`.
fn fits(template: &str, message: &str) -> bool {
    let pieces: Vec<&str> = template.split(['{', '}']).step_by(2).collect();
    let Some(mut rest) = message.strip_prefix(pieces[0]) else {
        return false;
    };
    for piece in &pieces[1..] {
        match rest.find(piece) {
            Some(at) => rest = &rest[at + piece.len()..],
            None => return false,
        }
    }
    pieces.last() == Some(&"") || rest.is_empty()
}

/// A small generator (constants: Knuth, The Art of Computer Programming, vol. 2, 3.3.4, MMIX;
/// from memory) so that a failure can be repeated.
pub struct Chance(pub u64);

impl Chance {
    /// A number below `limit`, or 0.
    pub fn below(&mut self, limit: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 33) as usize % limit.max(1)
    }
}

/// Deletes, doubles, swaps or replaces a few stretches.
pub fn mutate(text: &str, chance: &mut Chance) -> String {
    const SPICE: [&str; 16] = [
        "(", ")", "=", ",", ";", "\n+", "\n", "*", "POLY", ".ends\n", ".subckt ", "é", "1e", "\r",
        "v(", "-",
    ];
    let mut chars: Vec<char> = text.chars().collect();
    for _ in 0..=chance.below(8) {
        let at = chance.below(chars.len());
        let length = (1 + chance.below(6)).min(chars.len() - at);
        match chance.below(5) {
            0 => drop(chars.drain(at..at + length)),
            1 => {
                let piece = chars[at..at + length].to_vec();
                chars.splice(at..at, piece);
            }
            2 => {
                let other = chance.below(chars.len());
                if !chars.is_empty() {
                    chars.swap(at, other);
                }
            }
            3 => drop(chars.splice(at..at, SPICE[chance.below(SPICE.len())].chars())),
            _ => {
                // A line from here goes there.
                let from = chars[..at].iter().rposition(|c| *c == '\n').unwrap_or(0);
                let to = chars[at..]
                    .iter()
                    .position(|c| *c == '\n')
                    .map_or(chars.len(), |n| at + n);
                let line = chars[from..to].to_vec();
                let there = chance.below(chars.len());
                chars.splice(there..there, line);
            }
        }
    }
    chars.into_iter().collect()
}
