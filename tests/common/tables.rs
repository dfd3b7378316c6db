//! Tables of numbers: what the tool prints and what is committed under `tests/references`.

// Each test file uses its own part of this.
#![allow(dead_code)]

use std::path::{Path, PathBuf};

/// A CSV table: a header and rows of text, all of one length.
#[derive(Debug)]
pub struct Table {
    /// Column names.
    pub header: Vec<String>,
    /// Rows, as printed.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// Reads CSV text; a ragged row is an error.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let wrong = |e: csv::Error| format!("not a table: {e}\n{text:.400}");
        let fields = |record: &csv::StringRecord| record.iter().map(str::to_owned).collect();
        let header: Vec<String> = fields(reader.headers().map_err(wrong)?);
        let rows = reader
            .records()
            .map(|record| record.map(|r| fields(&r)))
            .collect::<Result<Vec<_>, _>>()
            .map_err(wrong)?;
        Ok(Table { header, rows })
    }

    /// Reads a CSV file.
    pub fn read(path: &Path) -> Result<Self, String> {
        let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
        Table::parse(&text)
    }

    /// The numbers of the column of that name, whatever its case.
    pub fn column(&self, name: &str) -> Result<Vec<f64>, String> {
        let at = self.position(name)?;
        self.rows.iter().map(|row| number(&row[at])).collect()
    }

    /// The value of the first row of that subject in a `bias` table.
    pub fn value(&self, subject: &str) -> Result<f64, String> {
        self.find(subject, None)
    }

    /// The value of that subject's quantity, as `XV1A`, `plate current`.
    pub fn quantity(&self, subject: &str, quantity: &str) -> Result<f64, String> {
        self.find(subject, Some(quantity))
    }

    fn find(&self, subject: &str, quantity: Option<&str>) -> Result<f64, String> {
        let (at, value) = (self.position("subject")?, self.position("value")?);
        for row in &self.rows {
            let same_quantity = match quantity {
                Some(q) => row[self.position("quantity")?].eq_ignore_ascii_case(q),
                None => true,
            };
            if row[at].eq_ignore_ascii_case(subject) && same_quantity {
                return number(&row[value]);
            }
        }
        Err(format!("no row `{subject}` {}", quantity.unwrap_or("")))
    }

    fn position(&self, name: &str) -> Result<usize, String> {
        self.header
            .iter()
            .position(|column| column.eq_ignore_ascii_case(name))
            .ok_or_else(|| format!("no column `{name}` among {:?}", self.header))
    }
}

fn number(text: &str) -> Result<f64, String> {
    text.parse()
        .map_err(|_| format!("expected a number, found `{text}`"))
}

/// The folder of one reference.
pub fn reference_folder(name: &str) -> PathBuf {
    let mut folders = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors();
    let all = folders.find_map(|folder| {
        let references = folder.join("tests/references");
        references.is_dir().then_some(references)
    });
    all.expect("tests/references in a folder above").join(name)
}

/// The largest difference between two waveforms as a part of the expected one's
/// peak-to-peak, and the row where it is. A value that is not a number counts as infinite.
pub fn worst_difference(found: &[f64], expected: &[f64]) -> (f64, usize) {
    assert_eq!(found.len(), expected.len(), "rows");
    let top = expected.iter().copied().fold(f64::MIN, f64::max);
    let bottom = expected.iter().copied().fold(f64::MAX, f64::min);
    let mut worst = (0.0, 0);
    for (row, (f, e)) in found.iter().zip(expected).enumerate() {
        let part = (f - e).abs() / (top - bottom);
        let part = if part.is_nan() { f64::INFINITY } else { part };
        if part > worst.0 {
            worst = (part, row);
        }
    }
    worst
}
