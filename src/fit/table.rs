//! A table of readings as spreadsheets and editors write it (`diag/rows.rs` says how). Columns stand
//! in any order and others are skipped.

use super::problem::{FitProblem, Located};
use crate::diag::rows::{self, Table, TwoColumns, line_of};
use crate::num::{self, Role};

/// A row's cells in the order of the columns asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Its line in the file, from 1.
    pub line: usize,
    cells: Vec<String>,
    /// What a bare number of each is worth, V or A.
    worth: Vec<f64>,
    /// Whether a comma in a number is its point.
    commas: bool,
}

impl Row {
    /// A cell's text.
    pub fn text(&self, place: usize) -> &str {
        &self.cells[place]
    }

    /// A cell's text with a decimal point.
    pub fn pointed(&self, place: usize) -> String {
        rows::pointed(self.text(place), self.commas)
    }

    /// A cell's number.
    ///
    /// # Errors
    /// If it is empty or no number.
    pub fn number(&self, place: usize, column: &'static str, role: Role) -> Result<f64, Located> {
        let written = self.text(place);
        let problem = if written.is_empty() {
            FitProblem::NoValue { column }
        } else {
            let pointed = self.pointed(place);
            // A number with a letter behind it says its unit itself.
            if let Ok(bare) = pointed.parse::<f64>()
                && bare.is_finite()
                && self.worth[place] != 1.0
            {
                return Ok(bare * self.worth[place]);
            }
            match num::parse_value(&pointed, role) {
                Ok((number, _)) => return Ok(number),
                Err(_) => {
                    let text = written.to_string();
                    FitProblem::NotANumber { column, text }
                }
            }
        };
        Err(Located::new(self.line, problem))
    }
}

/// Reads the rows of a table that has some columns; `expected` shows its heading.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn rows(
    text: &str,
    columns: &[&'static str],
    expected: &str,
    most: usize,
) -> Result<Vec<Row>, Located> {
    let Some(mut table) = Table::of(text) else {
        return Err(Located::new(1, FitProblem::Empty));
    };
    let broken = |e: csv::Error| {
        let line = e.position().map_or(1, |p| p.line() as usize);
        Located::new(line, FitProblem::NotATable { why: e.to_string() })
    };
    let head = table.reader.headers().map_err(broken)?.clone();
    let head_line = line_of(table.text, &head, Some(b'#'));
    let mut places = Vec::new();
    for &column in columns {
        let problem = match rows::measured(&head, column) {
            Ok(Some(place)) => {
                places.push(place);
                continue;
            }
            Err(TwoColumns) => FitProblem::TwoColumns { column },
            Ok(None) => FitProblem::NoColumn {
                column,
                expected: expected.to_string(),
            },
        };
        return Err(Located::new(head_line, problem));
    }
    let mut rows = Vec::new();
    for record in table.reader.records() {
        let record = record.map_err(broken)?;
        let line = line_of(table.text, &record, Some(b'#'));
        if record.iter().all(str::is_empty) {
            continue;
        }
        let (found, expected) = (record.len(), head.len());
        if rows.len() == most {
            return Err(Located::new(line, FitProblem::TooMany { most }));
        }
        if places.iter().any(|place| place.0 >= found) {
            let problem = FitProblem::ShortRow { found, expected };
            return Err(Located::new(line, problem));
        }
        // What stands behind the last column belongs to none: a decimal comma, as a rule.
        if record.iter().skip(expected).any(|cell| !cell.is_empty()) {
            let problem = FitProblem::LongRow { found, expected };
            return Err(Located::new(line, problem));
        }
        rows.push(Row {
            line,
            cells: places.iter().map(|p| record[p.0].to_string()).collect(),
            worth: places.iter().map(|p| p.1).collect(),
            commas: table.decimal_commas,
        });
    }
    if rows.is_empty() {
        return Err(Located::new(head_line, FitProblem::Empty));
    }
    Ok(rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PROBE: [&str; 2] = ["probe", "value"];

    fn wrong(text: &str) -> (usize, FitProblem) {
        let found = rows(text, &PROBE, "probe,value", 10).unwrap_err();
        (found.line, *found.problem)
    }

    fn numbers(text: &str) -> Vec<(usize, f64)> {
        let rows = rows(text, &PROBE, "probe,value", 10).unwrap();
        let number = |r: &Row| (r.line, r.number(1, "value", Role::Voltage).unwrap());
        rows.iter().map(number).collect()
    }

    #[test]
    fn commas_semicolons_and_tabs_part_values() {
        assert_eq!(numbers("probe,value\na,1.5\n"), [(2, 1.5)]);
        assert_eq!(numbers("\u{feff}value;probe\r\n1,5;a\r\n"), [(2, 1.5)]);
        assert_eq!(numbers("# x;y\nprobe\tvalue\n\na\t1,5\n"), [(4, 1.5)]);
        assert_eq!(numbers("probe,value\na,1.5,,\n,,\n"), [(2, 1.5)]);
        assert!(rows::has_column("# mine\n\"vpk\"; VG2K\n", "vg2k"));
        assert!(!rows::has_column("# vg2k\nvpk,vgk\n", "vg2k"));
    }

    /// A fixed bug: `250,-2,0,0011` was read as no current, `188,5` volts as 188.
    #[test]
    fn a_decimal_comma_between_commas_is_not_cut_off() {
        let (found, expected) = (3, 2);
        let long = FitProblem::LongRow { found, expected };
        assert_eq!(wrong("probe,value\n\na,188,5\n"), (3, long));
    }

    #[test]
    fn a_heading_that_is_missing_or_double_is_named() {
        assert_eq!(wrong("").1, FitProblem::Empty);
        assert_eq!(wrong("# nothing\n").1, FitProblem::Empty);
        assert_eq!(wrong("\n# one\nprobe,value\n"), (3, FitProblem::Empty));
        let two = FitProblem::TwoColumns { column: "value" };
        assert_eq!(wrong("probe,value,Value\na,1,2\n"), (1, two));
        assert!(matches!(wrong("a,b\n1,2\n").1, FitProblem::NoColumn { .. }));
        assert!(matches!(
            wrong("probe,value\na\n").1,
            FitProblem::ShortRow { .. }
        ));
    }
}
