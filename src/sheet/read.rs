//! The text of a sheet, read.

use super::cases::{self, Case, combine, fits};
use super::expect::{Expectation, Want, expectation};
use super::keys::{SHEET, UNSTABLE};
use super::problem::SheetProblem;
use super::words::Reader;
use crate::circuit::problem::cut;
use crate::diag::{Diagnostic, FileId, Files, Span, nearest};
use crate::figure::choice::Choice;
use crate::limits::{Bound, Limits};
use std::collections::HashSet;
use toml::de::{DeTable, DeValue};

/// A sheet.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// Its file.
    pub file: FileId,
    /// The netlist's path, from the sheet's folder.
    pub netlist: String,
    /// Where that stands.
    pub netlist_span: Span,
    /// Whether its circuit is meant to oscillate, or may.
    pub may_be_unstable: bool,
    /// Set in every case.
    pub settings: Vec<Choice>,
    /// Every combination of choices; one without name where nothing varies.
    pub cases: Vec<Case>,
    /// What is expected, in the order of the file.
    pub expectations: Vec<Expectation>,
}

/// Mistakes in the syntax that are reported at most: after the first few the rest follow from
/// them.
const MOST_SYNTAX: usize = 3;

/// Reads a sheet.
///
/// # Errors
/// Everything that is wrong with it, at its place.
pub fn read(file: FileId, sources: &Files) -> Result<Sheet, Vec<Diagnostic>> {
    read_within(file, sources, &Limits::default())
}

/// The same within other limits.
///
/// # Errors
/// As [`read`].
pub fn read_within(
    file: FileId,
    sources: &Files,
    limits: &Limits,
) -> Result<Sheet, Vec<Diagnostic>> {
    let text = sources.shared_text(file);
    let (table, errors) = DeTable::parse_recoverable(&text);
    let mut reader = Reader {
        file,
        text: &text,
        problems: Vec::new(),
    };
    for error in errors.iter().take(MOST_SYNTAX) {
        let span = error.span().map(|range| reader.span(range));
        let why = error.message().trim().replace('\n', ", ");
        reader.problems.push(SheetProblem::Syntax { why }.at(span));
    }
    if !reader.problems.is_empty() {
        return Err(reader.problems);
    }
    reader.refuse_codes(table.get_ref());
    match sheet(&mut reader, table.get_ref(), limits) {
        Some(sheet) if reader.problems.is_empty() => Ok(sheet),
        _ => {
            reader.problems.sort_by_key(|d| d.span.map(|s| s.start));
            Err(cut(reader.problems))
        }
    }
}

fn sheet<'a>(reader: &mut Reader<'_>, table: &'a DeTable<'a>, limits: &Limits) -> Option<Sheet> {
    // What is missing from the whole is missed at its first byte.
    let start = reader.span(0..reader.text.chars().next().map_or(0, char::len_utf8));
    let entries = reader.known(table, SHEET, start);
    let entry = |name: &str| {
        let place = SHEET.iter().position(|k| k.name == name);
        entries[place.expect("a key of the table")]
    };
    let netlist =
        entry("netlist").and_then(|e| reader.string("netlist", e.value, "text in quotes"));
    if let Some(e) = entry("about") {
        reader.string("about", e.value, "text in quotes");
    }
    let may_be_unstable = match entry(UNSTABLE) {
        Some(e) => reader.flag(UNSTABLE, e.value).unwrap_or(false),
        None => false,
    };
    let mut settings = Vec::new();
    if let Some(e) = entry("settings") {
        match e.value.get_ref() {
            DeValue::Table(table) => {
                cases::settings(reader, table, "", &mut HashSet::new(), &mut settings);
            }
            _ => reader.wrong_type("settings", e.value, "a table, as in `[settings]`"),
        }
    }
    let mut blocks = Vec::new();
    let mut count = 1usize;
    if let Some(e) = entry("vary") {
        let mut taken = HashSet::new();
        for item in reader
            .list("vary", e.value, "tables, as in `[[vary]]`")
            .into_iter()
            .flat_map(|list| list.iter())
        {
            let span = reader.of(item);
            match item.get_ref() {
                DeValue::Table(table) => {
                    if let Some(block) = cases::block(reader, table, span, &mut taken) {
                        count = count.saturating_mul(block.len());
                        blocks.push(block);
                    }
                }
                _ => reader.wrong_type("vary", item, "a table, as in `[[vary]]`"),
            }
        }
        let most = limits.count(Bound::Cases);
        if count > most {
            let problem = SheetProblem::TooManyCases {
                count: count.to_string(),
                most,
            };
            reader.wrong(problem, e.key);
            return None;
        }
        let values = |block: &Vec<Case>| block.first().map_or(0, |case| case.choices.len());
        let set = count.saturating_mul(blocks.iter().map(values).sum());
        if set > cases::MOST_CHOICES {
            let problem = SheetProblem::TooManyChoices {
                count: set,
                most: cases::MOST_CHOICES,
            };
            reader.wrong(problem, e.key);
            return None;
        }
    }
    let cases = combine(&blocks);
    same_names(reader, &cases);
    let mut expectations = Vec::new();
    if let Some(e) = entry("expect") {
        let list = reader.list("expect", e.value, "tables, as in `[[expect]]`")?;
        if list.is_empty() {
            reader.wrong(SheetProblem::NoExpectations, e.key);
        }
        for item in list.iter() {
            let span = reader.of(item);
            match item.get_ref() {
                DeValue::Table(table) => {
                    expectations.extend(expectation(reader, table, span));
                }
                _ => reader.wrong_type("expect", item, "a table, as in `[[expect]]`"),
            }
        }
    }
    for expectation in &expectations {
        of_cases(reader, expectation, &cases);
    }
    let (netlist, words) = netlist?;
    Some(Sheet {
        file: reader.file,
        netlist_span: words.span(0, netlist.len()),
        netlist,
        may_be_unstable,
        settings,
        cases,
        expectations,
    })
}

fn same_names(reader: &mut Reader<'_>, cases: &[Case]) {
    let mut names: Vec<(&str, Option<Span>)> = cases
        .iter()
        .map(|c| (c.name.as_str(), c.choices.last().map(|c| c.span)))
        .collect();
    names.sort_by_key(|n| n.0);
    for pair in names.windows(2).filter(|pair| pair[0].0 == pair[1].0) {
        if let Some(span) = pair[1].1 {
            let name = pair[1].0.to_string();
            reader.wrong(SheetProblem::SameCase { name }, span);
            return;
        }
    }
}

/// Cases that an expectation names must be there.
fn of_cases(reader: &mut Reader<'_>, expectation: &Expectation, cases: &[Case]) {
    let known = || {
        let named = cases.iter().filter(|c| !c.name.is_empty());
        let names: Vec<String> = named.map(|c| format!("`{}`", c.name)).collect();
        match names.len() {
            0..=8 => names.join(", "),
            n => format!("{}, ... ({n} in all)", names[..8].join(", ")),
        }
    };
    if let Some((pattern, span)) = &expectation.cases
        && !cases.iter().any(|c| fits(pattern, &c.name))
    {
        let problem = SheetProblem::NoCase {
            pattern: pattern.clone(),
            cases: known(),
        };
        reader.wrong(problem, *span);
    }
    if let Want::Fingerprint { .. } = &expectation.want {
        let fit = |c: &&Case| {
            let pattern = expectation.cases.as_ref();
            pattern.is_none_or(|p| fits(&p.0, &c.name))
        };
        let count = cases.iter().filter(fit).count();
        if count > 1 {
            reader.wrong(
                SheetProblem::LevelsOfCases { count },
                expectation.figure.span,
            );
        }
    }
    if let Want::Value { by_case, .. } = &expectation.want {
        for (name, span, _) in by_case {
            if !cases.iter().any(|c| c.name == *name) {
                let names = cases.iter().map(|c| c.name.as_str());
                let problem = SheetProblem::UnknownCase {
                    name: name.clone(),
                    near: nearest(name, names).map(str::to_string),
                    cases: known(),
                };
                reader.wrong(problem, *span);
            }
        }
    }
}
