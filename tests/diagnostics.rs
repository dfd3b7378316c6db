//! Mistakes in the text of netlists. Each file in `tests/diagnostics` says in
//! a comment above the bad line what must be said about it:
//! `* expect: LINE:COLUMN part of the message` for errors, `* warn:` for
//! warnings. Nothing else may be said.

use std::fs;
use std::path::{Path, PathBuf};

use gridleak::diag::{Diagnostic, Sources};
use gridleak::netlist::source::TEXT_LIMIT;
use gridleak::netlist::{FileLoader, LoadProblem, Loader, MemoryLoader, parse_probe, read};

fn netlists() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/diagnostics");
    let mut paths: Vec<PathBuf> = fs::read_dir(folder)
        .expect("the folder of netlists")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == "cir"))
        .collect();
    paths.sort();
    assert!(paths.len() >= 10, "netlists are missing: {paths:?}");
    paths
}

/// File, line, column, whether an error, part of the message.
type Expectation = (String, usize, usize, bool, String);

fn expectations(sources: &Sources) -> Vec<Expectation> {
    let mut all = Vec::new();
    for file in sources.files() {
        let name = sources.name(file).to_string();
        // A file that is included twice is here twice: it is wrong twice.
        for line in sources.text(file).lines() {
            let (error, rest) = match (
                line.strip_prefix("* expect: "),
                line.strip_prefix("* warn: "),
            ) {
                (Some(rest), _) => (true, rest),
                (_, Some(rest)) => (false, rest),
                _ => continue,
            };
            let (place, part) = rest.split_once(' ').expect("a place and a message");
            let (line, column) = place.split_once(':').expect("line and column");
            let number = |text: &str| text.parse::<usize>().expect("a number");
            all.push((
                name.clone(),
                number(line),
                number(column),
                error,
                part.to_string(),
            ));
        }
    }
    all
}

fn read_file(path: &Path) -> (Vec<Diagnostic>, Sources) {
    let mut sources = Sources::default();
    let path = path.display().to_string();
    let reading = read(&path, &FileLoader, &mut sources);
    (reading.diagnostics, sources)
}

#[test]
fn every_mistake_is_named_at_its_place_and_nothing_else() {
    let mut failures = Vec::new();
    for path in netlists() {
        let (diagnostics, sources) = read_file(&path);
        let mut expected = expectations(&sources);
        assert!(!expected.is_empty(), "{path:?} expects nothing");
        for diagnostic in &diagnostics {
            let span = diagnostic.span.expect("a place");
            let (line, column) = sources.line_column(span);
            let name = sources.name(span.file);
            let found = expected.iter().position(|(file, l, c, error, part)| {
                file == name
                    && (*l, *c) == (line, column)
                    && *error == diagnostic.is_error()
                    && diagnostic.message.contains(part)
            });
            match found {
                Some(at) => drop(expected.remove(at)),
                None => failures.push(format!("unexpected:\n{}", sources.render(diagnostic))),
            }
        }
        failures.extend(expected.iter().map(|e| format!("not said: {e:?}")));
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// Answers one name with more text than is read.
struct TooMuch;

impl Loader for TooMuch {
    fn load(&self, path: &str, from: Option<&str>) -> Result<(String, String), LoadProblem> {
        let text = match from {
            None => "t\n.include x".to_string(),
            Some(_) => String::from_utf8(vec![0; TEXT_LIMIT]).expect("ASCII"),
        };
        Ok((path.to_string(), text))
    }
}

/// Messages of causes that need more than a small file.
fn large_mistakes() -> Vec<String> {
    let said = |text: String| {
        let mut sources = Sources::default();
        read("t", &MemoryLoader::new("t", text), &mut sources).diagnostics
    };
    let mut chain = MemoryLoader::new("0", "t\n.include 1");
    for n in 1..100 {
        chain = chain.with(n.to_string(), format!(".include {}", n + 1));
    }
    let many = ".include e\n".repeat(10_001);
    let many = MemoryLoader::new("t", format!("t\n{many}")).with("e", "");
    let mut sources = Sources::default();
    let mut all = said(format!("t\n{}", ".subckt s\n".repeat(300)));
    all.extend(said(format!("t\n{}", "R1\n".repeat(300))));
    all.extend(said(format!("t\nB1 a b V={}1", "1+".repeat(2000))));
    all.extend(read("0", &chain, &mut sources).diagnostics);
    all.extend(read("t", &many, &mut sources).diagnostics);
    all.extend(read("t", &TooMuch, &mut sources).diagnostics);
    all.into_iter().map(|d| d.message).collect()
}

/// A cause whose message no test has ever provoked is a message nobody has ever read. The
/// templates are taken from the source so that a new cause cannot be forgotten here.
#[test]
fn every_cause_has_a_netlist_that_provokes_it() {
    let mut messages = large_mistakes();
    for path in netlists() {
        messages.extend(read_file(&path).0.into_iter().map(|d| d.message));
    }
    let templates: Vec<&str> = include_str!("../src/netlist/problem.rs")
        .split("#[error(\"")
        .skip(1)
        .map(|rest| &rest[..rest.find('"').expect("a closing quote")])
        .collect();
    assert!(
        templates.len() > 40,
        "the templates were not found: {templates:?}"
    );
    let missing: Vec<&&str> = templates
        .iter()
        .filter(|template| !messages.iter().any(|message| fits(template, message)))
        .collect();
    assert!(missing.is_empty(), "never provoked: {missing:#?}");
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
struct Chance(u64);

impl Chance {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 33) as usize % limit.max(1)
    }
}

/// Deletes, doubles, swaps or replaces a few stretches.
fn mutate(text: &str, chance: &mut Chance) -> String {
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

#[test]
fn spoilt_netlists_never_cause_a_panic() {
    let mut seeds: Vec<String> = netlists()
        .iter()
        .map(|path| fs::read_to_string(path).expect("a netlist"))
        .collect();
    // The accepted netlists of the other test are seeds as well.
    seeds.push(include_str!("cards.rs").replace('"', "\n"));
    let mut chance = Chance(1);
    for round in 0..6000 {
        let seed = &seeds[round % seeds.len()];
        // Some lines of it, so that the errors do not stop the reading early.
        let lines: Vec<&str> = seed.lines().collect();
        let first = chance.below(lines.len());
        let piece = lines[first..lines.len().min(first + 12)].join("\n");
        let text = mutate(&piece, &mut chance);
        let mut sources = Sources::default();
        let reading = read("t", &MemoryLoader::new("t", text.as_str()), &mut sources);
        for diagnostic in &reading.diagnostics {
            let span = diagnostic.span.expect("a place");
            let bytes = span.start as usize..span.end as usize;
            assert!(text.get(bytes).is_some(), "{diagnostic:?} in {text:?}");
            sources.render(diagnostic);
        }
        let probe = mutate("v(a,b) i(R1)", &mut chance);
        let file = sources.add("probe", probe.as_str());
        if let Err(diagnostic) = parse_probe(&probe, file) {
            sources.render(&diagnostic);
        }
    }
}
