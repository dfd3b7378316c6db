//! Regression sheets, read and written back with measured values.

use super::said;
use gridleak::diag::Files;
use gridleak::sheet::cases::fits;
use gridleak::sheet::record::{Change, NewValue, rewrite};
use gridleak::sheet::{Expectation, Sheet, Tolerance, Want, read};

/// What `check --record` would store.
const STORED: &str = "1.5";

/// A sheet reads the same twice. Values stored in it are found there, and it stays a sheet.
/// Whether it is one.
pub fn holds(text: &str) -> bool {
    let Some(sheet) = sheet(text) else {
        return false;
    };
    let names = |k: usize| -> Vec<String> {
        let cases = sheet.cases.iter().map(|c| c.name.clone());
        let pattern = sheet.expectations[k].cases.as_ref();
        cases
            .filter(|name| pattern.is_none_or(|p| fits(&p.0, name)))
            .collect()
    };
    // Thousands of cases teach nothing that a few do not.
    if sheet.cases.len() > 20 {
        return true;
    }
    let new = NewValue::Amount(STORED.into());
    let every: Vec<(usize, String)> = (0..sheet.expectations.len())
        .filter(|&k| matches!(sheet.expectations[k].want, Want::Value { .. }))
        .filter(|&k| !is_refused(&sheet.expectations[k]))
        .flat_map(|k| names(k).into_iter().map(move |name| (k, name)))
        .collect();
    let changes: Vec<Change<'_>> = every
        .iter()
        .map(|(k, case)| Change {
            expectation: *k,
            case,
            new: &new,
        })
        .collect();
    let rewritten = rewrite(text, &sheet, &changes, names);
    let stored = self::sheet(&rewritten)
        .unwrap_or_else(|| panic!("no sheet any more: {text:?} became {rewritten:?}"));
    for (k, case) in &every {
        let Want::Value { all, by_case, .. } = &stored.expectations[*k].want else {
            panic!("{rewritten:?}");
        };
        let own = by_case.iter().find(|c| c.0 == *case).map(|c| &c.2);
        let found = own.or(all.as_ref()).expect("a value for every case");
        assert_eq!(found.text, STORED, "{text:?} became {rewritten:?}");
    }
    true
}

/// Whether `check --record` stores nothing there: zero would pass by a tolerance without a unit.
fn is_refused(expectation: &Expectation) -> bool {
    let value: f64 = STORED.parse().expect("a number");
    let swallows = matches!(expectation.tolerance, Some(Tolerance::Absolute(a)) if a >= value);
    expectation.is_bare && swallows
}

fn sheet(text: &str) -> Option<Sheet> {
    let mut sources = Files::default();
    let file = sources.add("a.sheet.toml", text);
    let first = read(file, &sources);
    let again = read(file, &sources);
    assert_eq!(format!("{first:?}"), format!("{again:?}"));
    match first {
        Ok(sheet) => Some(sheet),
        Err(problems) => {
            assert!(!problems.is_empty());
            said(&problems, &sources);
            None
        }
    }
}
