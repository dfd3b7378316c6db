//! Mistakes in sheets. Each file in `tests/sheets` says in comments what must be said about
//! it: `# expect: LINE:COLUMN part of the message`, ` hint: ` and part of the hint may follow.
//! Nothing else may be said.

use gridleak::diag::Files;
use gridleak::sheet;
use std::fs;
use std::path::Path;

#[test]
fn every_mistake_in_a_sheet_is_named_at_its_place_and_nothing_else() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sheets");
    let mut failures = Vec::new();
    let mut sheets = 0;
    let mut paths: Vec<_> = fs::read_dir(folder)
        .expect("the folder")
        .map(|e| e.expect("an entry").path())
        .filter(|p| p.to_string_lossy().ends_with(".sheet.toml"))
        .collect();
    paths.sort();
    for path in paths {
        sheets += 1;
        let text = fs::read_to_string(&path).expect("a sheet");
        let mut wanted: Vec<(&str, &str, Option<&str>)> = text
            .lines()
            .filter_map(|l| l.strip_prefix("# expect: "))
            .map(|l| {
                let (place, rest) = l.split_once(' ').expect("place and message");
                match rest.split_once(" hint: ") {
                    Some((message, hint)) => (place, message, Some(hint)),
                    None => (place, rest, None),
                }
            })
            .collect();
        assert!(!wanted.is_empty(), "{path:?} expects nothing");
        let mut sources = Files::default();
        let file = sources.add("s", text.as_str());
        let problems = sheet::read(file, &sources).expect_err("mistakes");
        for problem in problems {
            let place = problem.span.map_or("none".to_string(), |s| {
                let (line, column) = sources.line_column(s);
                format!("{line}:{column}")
            });
            let hint = problem.hint.clone().unwrap_or_default();
            let found = wanted.iter().position(|w| {
                w.0 == place
                    && problem.message.contains(w.1)
                    && w.2.is_none_or(|h| hint.contains(h))
            });
            match found {
                Some(k) => drop(wanted.remove(k)),
                None => failures.push(format!("{path:?} unexpected: {place} {problem:?}")),
            }
        }
        for w in wanted {
            failures.push(format!("{path:?} not said: {w:?}"));
        }
    }
    assert!(sheets >= 5);
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}
