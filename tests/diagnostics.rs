//! Mistakes in the text of netlists. Each file in `tests/diagnostics` says in
//! a comment above the bad line what must be said about it:
//! `* expect: LINE:COLUMN part of the message` for errors, `* warn:` for
//! warnings. Nothing else may be said.

mod common;

use common::mistakes::{self, Chance, differences, mutate, never_provoked};
use std::fs;
use std::path::{Path, PathBuf};

use gridleak::diag::{Diagnostic, Files};
use gridleak::netlist::loader::TEXT_LIMIT;
use gridleak::netlist::{FileLoader, LoadProblem, Loader, MemoryLoader, parse_probe, read};

fn netlists() -> Vec<PathBuf> {
    let paths = mistakes::netlists("diagnostics");
    assert!(paths.len() >= 10, "netlists are missing: {paths:?}");
    paths
}

fn read_file(path: &Path) -> (Vec<Diagnostic>, Files) {
    let mut sources = Files::default();
    let path = path.display().to_string();
    let reading = read(&path, &FileLoader, &mut sources);
    (reading.diagnostics, sources)
}

#[test]
fn every_mistake_is_named_at_its_place_and_nothing_else() {
    let mut failures = Vec::new();
    for path in netlists() {
        let (diagnostics, sources) = read_file(&path);
        failures.extend(differences(&diagnostics, &sources));
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
        let mut sources = Files::default();
        read("t", &MemoryLoader::new("t", text), &mut sources).diagnostics
    };
    let mut chain = MemoryLoader::new("0", "t\n.include 1");
    for n in 1..100 {
        chain = chain.with(n.to_string(), format!(".include {}", n + 1));
    }
    let many = ".include e\n".repeat(10_001);
    let many = MemoryLoader::new("t", format!("t\n{many}")).with("e", "");
    let mut sources = Files::default();
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
    let missing = never_provoked(include_str!("../src/netlist/problem.rs"), 40, &messages);
    assert!(missing.is_empty(), "never provoked: {missing:#?}");
}

#[test]
fn spoilt_netlists_never_cause_a_panic() {
    let mut seeds: Vec<String> = netlists()
        .iter()
        .map(|path| fs::read_to_string(path).expect("a netlist"))
        .collect();
    // The accepted netlists of the other test are seeds as well.
    seeds.push(include_str!("statements.rs").replace('"', "\n"));
    let mut chance = Chance(1);
    for round in 0..6000 {
        let seed = &seeds[round % seeds.len()];
        // Some lines of it, so that the errors do not stop the reading early.
        let lines: Vec<&str> = seed.lines().collect();
        let first = chance.below(lines.len());
        let piece = lines[first..lines.len().min(first + 12)].join("\n");
        let text = mutate(&piece, &mut chance);
        let mut sources = Files::default();
        let reading = read("t", &MemoryLoader::new("t", text.as_str()), &mut sources);
        for diagnostic in &reading.diagnostics {
            let span = diagnostic.span.expect("a place");
            let bytes = span.start as usize..span.end as usize;
            // What is odd in a text is replaced as it is read.
            let read = sources.text(span.file);
            assert!(read.get(bytes).is_some(), "{diagnostic:?} in {text:?}");
            sources.render(diagnostic);
        }
        let probe = mutate("v(a,b) i(R1)", &mut chance);
        let file = sources.add("probe", probe.as_str());
        if let Err(diagnostic) = parse_probe(&probe, file) {
            sources.render(&diagnostic);
        }
    }
}
