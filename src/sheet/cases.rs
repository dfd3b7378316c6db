//! The cases of a sheet: every combination of what its blocks of choices vary.

use super::problem::SheetProblem;
use super::words::{Entry, Reader};
use crate::diag::Span;
use crate::figure::choice::Choice;
use std::collections::HashSet;
use toml::de::{DeTable, DeValue};

/// One combination.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Case {
    /// `VOLUME=5, BRIGHT=1`, or the names the sheet gives; empty where nothing varies.
    pub name: String,
    /// What is set, beyond what the sheet sets for all cases.
    pub choices: Vec<Choice>,
}

/// Values that they may set, all cases together: each case holds its own.
pub const MOST_CHOICES: usize = 1_000_000;

/// One block: its variants in order.
type Block = Vec<Case>;

/// The cases that blocks of choices make; the last block's change first.
pub fn combine(blocks: &[Block]) -> Vec<Case> {
    let mut cases = vec![Case::default()];
    for block in blocks {
        if let [only] = &block[..] {
            // Thousands of these must not copy what is there each time.
            cases.iter_mut().for_each(|case| case.add(only));
            continue;
        }
        cases = cases
            .iter()
            .flat_map(|case| {
                block.iter().map(|variant| {
                    let mut joined = case.clone();
                    joined.add(variant);
                    joined
                })
            })
            .collect();
    }
    cases
}

impl Case {
    /// What a variant sets, too.
    fn add(&mut self, variant: &Case) {
        if !self.name.is_empty() && !variant.name.is_empty() {
            self.name += ", ";
        }
        self.name += &variant.name;
        self.choices.extend(variant.choices.iter().cloned());
    }
}

/// Reads one block of `vary`.
pub fn block<'a>(
    reader: &mut Reader<'_>,
    table: &'a DeTable<'a>,
    owner: Span,
    taken: &mut HashSet<String>,
) -> Option<Block> {
    let before = reader.problems.len();
    let mut names: Option<(Vec<String>, Entry<'a>)> = None;
    let mut columns: Vec<(Entry<'a>, Vec<(String, Span)>)> = Vec::new();
    for entry in reader.entries(table) {
        let Some(list) = reader.list(entry.name, entry.value, "a list, as in [0, 5, 10]") else {
            continue;
        };
        let mut values = Vec::new();
        for item in list.iter() {
            if let Some(value) = reader.plain(entry.name, item) {
                values.push(value);
            }
        }
        if values.is_empty() && list.is_empty() {
            let span = reader.of(entry.value);
            let name = entry.name.to_string();
            reader.wrong(SheetProblem::NoChoices { name }, span);
            continue;
        }
        if entry.name == "names" {
            names = Some((values.into_iter().map(|v| v.0).collect(), entry));
            continue;
        }
        let key = entry.name.to_lowercase();
        if !taken.insert(key) {
            let name = entry.name.to_string();
            reader.wrong(SheetProblem::VariedTwice { name }, entry.key);
        }
        columns.push((entry, values));
    }
    if reader.problems.len() > before {
        return None;
    }
    let Some(count) = columns.first().map(|c| c.1.len()) else {
        reader.wrong(SheetProblem::EmptyVary, owner);
        return None;
    };
    let lengths = columns.iter().map(|(e, v)| (*e, v.len()));
    let named = names.iter().map(|(n, e)| (*e, n.len()));
    for (entry, found) in lengths.chain(named).collect::<Vec<_>>() {
        if found != count {
            let problem = SheetProblem::UnequalChoices {
                name: entry.name.to_string(),
                found,
                expected: count,
            };
            reader.wrong(problem, entry.key);
        }
    }
    if reader.problems.len() > before {
        return None;
    }
    Some(
        (0..count)
            .map(|k| Case {
                name: match &names {
                    Some((names, _)) => names[k].clone(),
                    None => columns
                        .iter()
                        .map(|(entry, values)| format!("{}={}", entry.name, values[k].0))
                        .collect::<Vec<_>>()
                        .join(", "),
                },
                choices: columns
                    .iter()
                    .map(|(entry, values)| Choice {
                        name: entry.name.to_string(),
                        text: values[k].0.clone(),
                        span: values[k].1,
                        name_span: entry.key,
                    })
                    .collect(),
            })
            .collect(),
    )
}

/// Settings that hold for every case. A subcircuit's names may be written as tables of tables:
/// TOML reads `X1.R5 = 1` so.
pub fn settings<'a>(
    reader: &mut Reader<'_>,
    table: &'a DeTable<'a>,
    prefix: &str,
    taken: &mut HashSet<String>,
    out: &mut Vec<Choice>,
) {
    for entry in reader.entries(table) {
        let name = format!("{prefix}{}", entry.name);
        if let DeValue::Table(inner) = entry.value.get_ref() {
            settings(reader, inner, &format!("{name}."), taken, out);
        } else if let Some((text, span)) = reader.plain(&name, entry.value) {
            if !taken.insert(name.to_lowercase()) {
                let name = name.clone();
                reader.wrong(SheetProblem::SetTwice { name }, entry.key);
            }
            out.push(Choice {
                name,
                text,
                span,
                name_span: entry.key,
            });
        }
    }
}

/// Whether a text fits a pattern in which `*` stands for anything; case does not matter.
pub fn fits(pattern: &str, text: &str) -> bool {
    let (pattern, text) = (pattern.to_lowercase(), text.to_lowercase());
    let mut pieces = pattern.split('*');
    let first = pieces.next().unwrap_or("");
    let Some(mut rest) = text.strip_prefix(first) else {
        return false;
    };
    let mut last = None;
    for piece in pieces {
        if let Some(before) = last.replace(piece) {
            match rest.find(before) {
                Some(k) => rest = &rest[k + before.len()..],
                None => return false,
            }
        }
    }
    match last {
        Some(end) => rest.ends_with(end),
        None => rest.is_empty(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stars_stand_for_anything() {
        for (pattern, text, expected) in [
            ("", "", true),
            ("a", "A", true),
            ("a", "ab", false),
            ("a*", "ab", true),
            ("*b", "ab", true),
            ("*", "", true),
            ("a*a", "a", false),
            ("a*b*c", "a1b2c", true),
            ("a*b*c", "a1c2b", false),
            ("**x", "x", true),
            ("VOLUME=5*", "volume=5, BRIGHT=1", true),
        ] {
            assert_eq!(fits(pattern, text), expected, "{pattern} {text}");
        }
    }

    #[test]
    fn the_last_block_changes_first() {
        let block = |names: &[&str]| {
            let case = |n: &&str| Case {
                name: n.to_string(),
                choices: Vec::new(),
            };
            names.iter().map(case).collect::<Vec<_>>()
        };
        let cases = combine(&[block(&["a", "b"]), block(&["1", "2"])]);
        let names: Vec<&str> = cases.iter().map(|c| c.name.as_str()).collect();
        assert_eq!(names, ["a, 1", "a, 2", "b, 1", "b, 2"]);
        assert_eq!(combine(&[]), [Case::default()]);
    }
}
