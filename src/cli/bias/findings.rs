//! What is wrong in words, beside the rows of the chart.

use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::findings::Finding;
use std::collections::HashMap;

/// What is wrong in words, and which rows say it.
pub struct Findings {
    /// In the order of the circuit.
    pub all: Vec<Finding>,
    /// The first finding about each row, and those about each part.
    by_row: HashMap<usize, usize>,
    by_part: HashMap<String, Vec<usize>>,
}

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
        }
    }

    /// The verdict of a row: in words, or `ok` or `over`.
    pub fn verdict<'f>(&'f self, at: usize, row: &ChartRow) -> Option<&'f str> {
        match self.by_row.get(&at) {
            Some(&k) => Some(&self.all[k].text),
            None => row.verdict().map(Verdict::word),
        }
    }

    /// What is said of a part.
    pub fn of(&self, subject: &str) -> Option<String> {
        let found = self.by_part.get(subject)?;
        let texts: Vec<&str> = found.iter().map(|&k| self.all[k].text.as_str()).collect();
        Some(texts.join("; "))
    }
}
