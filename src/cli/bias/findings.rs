//! What is wrong in words, beside the rows of the chart.

use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::findings::Finding;

/// What is wrong in words, and which rows say it.
pub struct Findings {
    /// In the order of the circuit.
    pub all: Vec<Finding>,
    /// The row of each.
    rows: Vec<usize>,
}

impl Findings {
    /// Each finding belongs to the row that it is about, or to the part's first.
    pub fn new(all: Vec<Finding>, rows: &[ChartRow]) -> Self {
        let row = |f: &Finding| {
            let of_it = |r: &ChartRow| r.subject == f.subject;
            let named = rows
                .iter()
                .position(|r| of_it(r) && r.quantity == f.quantity);
            named
                .or_else(|| rows.iter().position(of_it))
                .unwrap_or(usize::MAX)
        };
        Findings {
            rows: all.iter().map(row).collect(),
            all,
        }
    }

    /// The verdict of a row: in words, or `ok` or `over`.
    pub fn verdict<'f>(&'f self, at: usize, row: &ChartRow) -> Option<&'f str> {
        let found = self.rows.iter().position(|&k| k == at);
        match found {
            Some(k) => Some(&self.all[k].text),
            None => row.verdict().map(Verdict::word),
        }
    }

    /// What is said of a part.
    pub fn of(&self, subject: &str) -> Option<String> {
        let texts: Vec<&str> = self
            .all
            .iter()
            .filter(|f| f.subject == subject)
            .map(|f| f.text.as_str())
            .collect();
        (!texts.is_empty()).then(|| texts.join("; "))
    }
}
