//! How the source is laid out: no circle of files, no file too long, one door to a circuit.
//!
//! Arrows are the `use` lines below `src` (of tests too: what only they use may be at the foot of
//! the same file, and is left out). A parent that hands on what a child has (`pub use`) does not
//! use it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// A module by its path: `["cli", "check"]`.
type Module = Vec<String>;

/// Every file with its text above the tests.
type Files = BTreeMap<Module, (PathBuf, String)>;

fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// Every file below `src` with its module and its text above the tests.
fn files() -> Files {
    let mut found = BTreeMap::new();
    let mut folders = vec![source()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let inside = path.strip_prefix(source()).expect("below src");
                let mut module: Module = inside
                    .with_extension("")
                    .iter()
                    .map(|part| part.to_string_lossy().into_owned())
                    .collect();
                if module.last().is_some_and(|last| last == "mod") {
                    module.pop();
                }
                let text = std::fs::read_to_string(&path).expect("text");
                let above = text.split("#[cfg(test)]\nmod tests {").next();
                found.insert(module, (path, above.unwrap_or_default().to_string()));
            }
        }
    }
    found
}

/// `a::{b, c::{d, e}}` as `a::b`, `a::c::d`, `a::c::e`.
fn taken_apart(tree: &str) -> Vec<String> {
    let tree = tree.trim();
    let Some((before, inner)) = tree.split_once('{') else {
        return vec![tree.split(" as ").next().unwrap_or(tree).to_string()];
    };
    let inner = inner.trim_end();
    let inner = inner.strip_suffix('}').unwrap_or(inner);
    let (mut depth, mut part, mut parts) = (0, String::new(), Vec::new());
    for c in inner.chars() {
        depth += match c {
            '{' => 1,
            '}' => -1,
            _ => 0,
        };
        if c == ',' && depth == 0 {
            parts.push(std::mem::take(&mut part));
        } else {
            part.push(c);
        }
    }
    parts.push(part);
    let whole = parts.iter().filter(|p| !p.trim().is_empty());
    let apart = whole.flat_map(|p| taken_apart(p));
    apart.map(|p| format!("{}{p}", before.trim())).collect()
}

/// One path of a `use` line: whether it hands the name on, where it starts, and its words.
struct Import {
    hands_on: bool,
    base: Module,
    words: Vec<String>,
}

/// The `use` lines of a file, one for each name; what is of other crates is left out.
fn imports(module: &Module, text: &str, all: &Files) -> Vec<Import> {
    let mut found = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let (indent, word) = (line.len() - line.trim_start().len(), line.trim_start());
        let (hands_on, rest) = match word.split_once("use ") {
            Some(("", rest)) => (false, rest),
            Some((before, rest)) if before.starts_with("pub") => (true, rest),
            _ => continue,
        };
        let mut tree = rest.to_string();
        while !tree.contains(';') {
            tree += lines.next().expect("a `use` ends");
        }
        for path in taken_apart(tree.split(';').next().expect("a path")) {
            let mut words: Vec<&str> = path.split("::").map(str::trim).collect();
            // Modules within the file are indented, and each is a step down.
            let mut base = module.clone();
            base.extend(std::iter::repeat_n(String::new(), indent / 4));
            let mut child = module.clone();
            child.push(words[0].to_string());
            match words[0] {
                "crate" => {
                    base.clear();
                    words.remove(0);
                }
                "self" => {
                    words.remove(0);
                }
                "super" => {
                    while words.first() == Some(&"super") {
                        base.pop();
                        words.remove(0);
                    }
                }
                _ if all.contains_key(&child) => {}
                _ => continue,
            }
            let words = words.into_iter().map(str::to_string).collect();
            found.push(Import {
                hands_on,
                base,
                words,
            });
        }
    }
    found
}

/// The module that a path ends in.
fn reached(import: &Import, all: &Files) -> Module {
    let mut base = import.base.clone();
    for word in &import.words {
        base.push(word.clone());
        if !all.contains_key(&base) {
            base.pop();
            break;
        }
    }
    base
}

/// The modules that each file uses.
fn arrows(all: &Files) -> BTreeMap<Module, BTreeSet<Module>> {
    let lines: BTreeMap<&Module, Vec<Import>> = all
        .iter()
        .map(|(module, (_, text))| (module, imports(module, text, all)))
        .collect();
    // A name that a module has from another one is that one's.
    let mut origin: BTreeMap<(Module, String), Module> = BTreeMap::new();
    for (module, imports) in &lines {
        for import in imports {
            if let Some(name) = import.words.last() {
                origin.insert(((*module).clone(), name.clone()), reached(import, all));
            }
        }
    }
    let mut found: BTreeMap<Module, BTreeSet<Module>> = BTreeMap::new();
    for (module, imports) in &lines {
        let to = found.entry((*module).clone()).or_default();
        for import in imports {
            let mut at = reached(import, all);
            let below = at.len() > module.len() && at.starts_with(module);
            if import.hands_on && below {
                continue;
            }
            let name = import.words.last().cloned().unwrap_or_default();
            while let Some(from) = origin.get(&(at.clone(), name.clone())) {
                if *from == at || *from == **module {
                    break;
                }
                at = from.clone();
            }
            if at != **module && all.contains_key(&at) {
                to.insert(at);
            }
        }
    }
    found
}

#[test]
fn no_files_use_each_other_in_a_circle() {
    let all = files();
    assert!(all.len() > 300, "{}", all.len());
    let mut arrows = arrows(&all);
    arrows.retain(|module, _| !module.is_empty() && *module != ["lib"]);
    // What every file reaches; files that reach each other are a circle.
    let reaches = |from: &Module| {
        let (mut seen, mut next) = (BTreeSet::new(), vec![from.clone()]);
        while let Some(at) = next.pop() {
            for to in arrows.get(&at).into_iter().flatten() {
                if seen.insert(to.clone()) {
                    next.push(to.clone());
                }
            }
        }
        seen
    };
    let reach: BTreeMap<&Module, BTreeSet<Module>> =
        arrows.keys().map(|m| (m, reaches(m))).collect();
    let in_circle = reach.iter().filter(|(m, reached)| reached.contains(**m));
    let mut told: BTreeSet<String> = BTreeSet::new();
    for (module, reached) in in_circle {
        let back = |m: &&Module| reach.get(*m).is_some_and(|r| r.contains(*module));
        let circle: Vec<String> = reached.iter().filter(back).map(|m| m.join("/")).collect();
        told.insert(circle.join(" "));
    }
    assert!(
        told.is_empty(),
        "files that use each other in a circle:\n{}",
        told.into_iter().collect::<Vec<_>>().join("\n")
    );
}

#[test]
fn trees_of_names_are_taken_apart() {
    assert_eq!(
        taken_apart("a::{self, b::{c, d as e}, f}"),
        ["a::self", "a::b::c", "a::b::d", "a::f"]
    );
    assert_eq!(taken_apart("a::b as c"), ["a::b"]);
}

#[test]
fn files_are_short() {
    let mut lengths: Vec<(usize, PathBuf)> = files()
        .into_values()
        .map(|(path, _)| {
            let text = std::fs::read_to_string(&path).expect("text");
            (text.lines().count(), path)
        })
        .collect();
    lengths.sort();
    let median = lengths[lengths.len() / 2].0;
    assert!(
        median < 200,
        "half of the files have {median} lines or more"
    );
    // A table of figures is as long as there are figures.
    let tables = ["figure/registry/rows.rs"];
    let long = lengths
        .iter()
        .filter(|(lines, path)| *lines > 600 && !tables.iter().any(|table| path.ends_with(table)));
    let long: Vec<String> = long
        .map(|(lines, path)| format!("{}: {lines} lines", path.display()))
        .collect();
    assert!(long.is_empty(), "split by idea:\n{}", long.join("\n"));
}

#[test]
fn examples_are_short() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/examples");
    let mut count = 0;
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        let text = std::fs::read_to_string(&path).expect("text");
        let lines = text.lines().map(str::trim);
        let code = lines.filter(|l| !l.is_empty() && !l.starts_with("//"));
        assert!(code.count() <= 15, "{}", path.display());
        count += 1;
    }
    assert!(count >= 3);
}
