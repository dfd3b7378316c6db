//! TOML with the place of every word.

use super::keys::Key;
use super::problem::SheetProblem;
use crate::diag::{Diagnostic, FileId, Span, clean};
use crate::figure::Words;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

/// A sheet's text being read, with the mistakes found so far.
pub struct Reader<'t> {
    /// The file.
    pub file: FileId,
    /// All of it.
    pub text: &'t str,
    /// What is wrong.
    pub problems: Vec<Diagnostic>,
}

/// A value with its place.
pub type Item<'a> = &'a Spanned<DeValue<'a>>;

/// A key with its place, and its value.
#[derive(Clone, Copy)]
pub struct Entry<'a> {
    /// The key.
    pub name: &'a str,
    /// Where it stands.
    pub key: Span,
    /// Its value.
    pub value: Item<'a>,
}

impl<'t> Reader<'t> {
    /// A place in the sheet.
    pub fn span(&self, range: Range<usize>) -> Span {
        Span::new(self.file, range.start, range.end)
    }

    /// The place of a value.
    pub fn of(&self, item: Item<'_>) -> Span {
        self.span(item.span())
    }

    /// Notes a mistake.
    pub fn wrong(&mut self, problem: SheetProblem, span: Span) {
        self.problems.push(problem.at(span));
    }

    /// Refuses names and texts with codes or line breaks in them: they would be printed. What
    /// is only said about a sheet or a figure may have several lines.
    pub fn refuse_codes(&mut self, table: &DeTable<'_>) {
        for (key, item) in table {
            let name = key.get_ref().as_ref();
            if clean::line(name) != name {
                let span = self.span(key.span());
                self.wrong(SheetProblem::Codes, span);
            }
            if !matches!(name, "about" | "origin") {
                self.refuse_codes_in(item);
            }
        }
    }

    fn refuse_codes_in(&mut self, item: &Spanned<DeValue<'_>>) {
        match item.get_ref() {
            DeValue::String(text) if clean::line(text) != text.as_ref() => {
                let span = self.of_any(item);
                self.wrong(SheetProblem::Codes, span);
            }
            DeValue::Array(list) => list.iter().for_each(|item| self.refuse_codes_in(item)),
            DeValue::Table(table) => self.refuse_codes(table),
            _ => {}
        }
    }

    fn of_any(&self, item: &Spanned<DeValue<'_>>) -> Span {
        self.span(item.span())
    }

    /// A table's entries in the order of the file.
    pub fn entries<'a>(&self, table: &'a DeTable<'a>) -> Vec<Entry<'a>> {
        let mut all: Vec<Entry<'a>> = table
            .iter()
            .map(|(key, value)| Entry {
                name: key.get_ref().as_ref(),
                key: self.span(key.span()),
                value,
            })
            .collect();
        all.sort_by_key(|e| e.key.start);
        all
    }

    /// The entries that a table of keys knows, in the order of that table; others and missing
    /// ones are mistakes. `owner` is where what is missing is missed.
    pub fn known<'a>(
        &mut self,
        table: &'a DeTable<'a>,
        keys: &'static [Key],
        owner: Span,
    ) -> Vec<Option<Entry<'a>>> {
        let entries = self.entries(table);
        for entry in &entries {
            if !keys.iter().any(|k| k.name == entry.name) {
                self.wrong(SheetProblem::unknown_key(entry.name, keys), entry.key);
            }
        }
        keys.iter()
            .map(|key| {
                let found = entries.iter().find(|e| e.name == key.name).copied();
                if found.is_none() && key.required {
                    let missing = SheetProblem::MissingKey {
                        key: key.name,
                        meaning: key.meaning,
                    };
                    self.wrong(missing, owner);
                }
                found
            })
            .collect()
    }

    /// The mistake of a value of another type.
    pub fn wrong_type(&mut self, key: &str, item: Item<'_>, expected: &str) {
        let found = match item.get_ref() {
            DeValue::String(_) => "text",
            DeValue::Float(_) if number(item).is_none() => "not a finite number",
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        let problem = SheetProblem::WrongType {
            key: key.to_string(),
            found: found.to_string(),
            expected: expected.to_string(),
        };
        let span = self.of(item);
        self.wrong(problem, span);
    }

    /// A text and its place.
    pub fn string(&mut self, key: &str, item: Item<'_>, expected: &str) -> Option<(String, Words)> {
        match item.get_ref() {
            DeValue::String(text) => Some((text.to_string(), self.words(item, text))),
            _ => {
                self.wrong_type(key, item, expected);
                None
            }
        }
    }

    /// True or false.
    pub fn flag(&mut self, key: &str, item: Item<'_>) -> Option<bool> {
        match item.get_ref() {
            DeValue::Boolean(on) => Some(*on),
            _ => {
                self.wrong_type(key, item, "true or false");
                None
            }
        }
    }

    /// Where the words of a text stand: within its quotes, unless it has escapes.
    pub fn words(&self, item: Item<'_>, text: &str) -> Words {
        let range = item.span();
        let raw = self.text.get(range.clone()).unwrap_or("");
        let plain = raw.len() == text.len() + 2 && raw.get(1..raw.len() - 1) == Some(text);
        Words {
            file: self.file,
            start: range.start + usize::from(plain),
            end: range.end - usize::from(plain),
            exact: plain,
        }
    }

    /// A list.
    pub fn list<'a>(
        &mut self,
        key: &str,
        item: Item<'a>,
        expected: &str,
    ) -> Option<&'a DeArray<'a>> {
        match item.get_ref() {
            DeValue::Array(list) => Some(list),
            _ => {
                self.wrong_type(key, item, expected);
                None
            }
        }
    }

    /// A number or text, as text: what settings are given as.
    pub fn plain(&mut self, key: &str, item: Item<'_>) -> Option<(String, Span)> {
        let span = self.of(item);
        match item.get_ref() {
            DeValue::String(text) => {
                Some((text.to_string(), self.words(item, text).span(0, text.len())))
            }
            DeValue::Boolean(on) => Some((if *on { "1" } else { "0" }.to_string(), span)),
            _ => match number(item) {
                Some(number) => Some((crate::num::full(number), span)),
                None => {
                    self.wrong_type(key, item, "a number or text");
                    None
                }
            },
        }
    }
}

/// A finite number.
pub fn number(item: Item<'_>) -> Option<f64> {
    let number = match item.get_ref() {
        DeValue::Integer(n) => match n.radix() {
            10 => n.as_str().parse().ok()?,
            radix => i64::from_str_radix(n.as_str(), radix).ok()? as f64,
        },
        DeValue::Float(x) => x.as_str().parse().ok()?,
        _ => return None,
    };
    f64::is_finite(number).then_some(number)
}
