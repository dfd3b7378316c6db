//! What is wrong in words, beside the rows of the chart.

use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::findings::{Finding, REVERSED};
use std::collections::HashMap;
use std::ops::Range;

/// What is wrong in words, and which rows say it.
pub struct Findings {
    /// In the order of the circuit.
    pub all: Vec<Finding>,
    /// The first finding about each row, and those about each part.
    by_row: HashMap<usize, usize>,
    by_part: HashMap<String, Vec<usize>>,
    /// Rows that cannot be called `ok`.
    doubted: Vec<Range<usize>>,
}

/// The verdict of a row that is within its rating only because a diode clamps it.
pub const DOUBTED: &str = "not known: a diode conducts backward";

impl Findings {
    /// Each finding belongs to the row that it is about, or to the part's first.
    pub fn new(all: Vec<Finding>, rows: &[ChartRow]) -> Self {
        let mut first: HashMap<&str, usize> = HashMap::new();
        let mut named: HashMap<(&str, &str), usize> = HashMap::new();
        for (k, row) in rows.iter().enumerate() {
            first.entry(&row.subject).or_insert(k);
            named.entry((&row.subject, row.quantity)).or_insert(k);
        }
        let mut by_row = HashMap::new();
        let mut by_part: HashMap<String, Vec<usize>> = HashMap::new();
        for (k, finding) in all.iter().enumerate() {
            let subject = finding.subject.as_str();
            let own = named.get(&(subject, finding.quantity));
            if let Some(&row) = own.or_else(|| first.get(subject)) {
                by_row.entry(row).or_insert(k);
            }
            by_part.entry(subject.to_string()).or_default().push(k);
        }
        Findings {
            all,
            by_row,
            by_part,
            doubted: Vec::new(),
        }
    }

    /// Calls none of some rows `ok`: they hold for a diode that withstands what it does not.
    pub fn doubt(&mut self, rows: Range<usize>) {
        self.doubted.push(rows);
    }

    /// Whether any row cannot be called `ok`.
    pub fn has_doubts(&self) -> bool {
        !self.doubted.is_empty()
    }

    /// What is found of an electrolytic that is the wrong way round: no figure of it is `ok`.
    pub fn reversed(&self, subject: &str) -> Option<&str> {
        let mut found = self.by_part.get(subject)?.iter().map(|&k| &self.all[k]);
        let reversed = found.find(|f| f.quantity == REVERSED)?;
        Some(&reversed.text)
    }

    /// The verdict of a row: in words, or `ok` or `over`.
    pub fn verdict<'f>(&'f self, at: usize, row: &ChartRow) -> Option<&'f str> {
        if let Some(&k) = self.by_row.get(&at) {
            return Some(&self.all[k].text);
        }
        let verdict = row.verdict()?;
        if verdict == Verdict::Over {
            return Some(verdict.word());
        }
        let doubted = self.doubted.iter().any(|rows| rows.contains(&at));
        let doubted = doubted.then_some(DOUBTED);
        let instead = self.reversed(&row.subject).or(doubted);
        Some(instead.unwrap_or(verdict.word()))
    }

    /// What is said of a part.
    pub fn of(&self, subject: &str) -> Option<String> {
        let found = self.by_part.get(subject)?;
        let texts: Vec<&str> = found.iter().map(|&k| self.all[k].text.as_str()).collect();
        Some(texts.join("; "))
    }
}
