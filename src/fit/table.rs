//! A table of readings as spreadsheets and editors write it.
//!
//! Commas, semicolons or tabs stand between the values; where it is not commas, numbers may have
//! them, as half of Europe writes numbers. Columns stand in any order and others are skipped.
//! Lines that begin with # are comments.

use super::problem::{FitProblem, Located};
use crate::diag::rows::line_of;
use crate::num::{self, Role};

/// A row's cells in the order of the columns asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Its line in the file, from 1.
    pub line: usize,
    cells: Vec<String>,
    /// Whether a comma in a number is its point.
    commas: bool,
}

impl Row {
    /// A cell's text.
    pub fn text(&self, place: usize) -> &str {
        &self.cells[place]
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
            let text = if self.commas {
                written.replace(',', ".")
            } else {
                written.to_string()
            };
            match num::parse_value(&text, role) {
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

/// The first line that is neither blank nor a comment: the heading.
fn heading(text: &str) -> &str {
    let mut lines = text.trim_start_matches('\u{feff}').lines();
    let is_said = |l: &&str| !l.trim().is_empty() && !l.starts_with('#');
    lines.find(is_said).unwrap_or("")
}

/// What stands between the values of a table.
fn separator(heading: &str) -> u8 {
    let found = [';', '\t'].into_iter().find(|&c| heading.contains(c));
    found.map_or(b',', |c| c as u8)
}

/// Whether a heading has a column.
pub fn has_column(text: &str, column: &str) -> bool {
    let heading = heading(text);
    let separator = char::from(separator(heading));
    let mut names = heading.split(separator);
    names.any(|name| name.trim().trim_matches('"').eq_ignore_ascii_case(column))
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
    let text = text.trim_start_matches('\u{feff}');
    let separator = separator(heading(text));
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .comment(Some(b'#'))
        .delimiter(separator)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let broken = |e: csv::Error| {
        let line = e.position().map_or(1, |p| p.line() as usize);
        Located::new(line, FitProblem::NotATable { why: e.to_string() })
    };
    if heading(text).is_empty() {
        return Err(Located::new(1, FitProblem::Empty));
    }
    let head = reader.headers().map_err(broken)?.clone();
    let head_line = line_of(text, &head, Some(b'#'));
    let mut places = Vec::new();
    for &column in columns {
        let named = |(_, name): &(usize, &str)| name.eq_ignore_ascii_case(column);
        let mut found = head.iter().enumerate().filter(named);
        let problem = match (found.next(), found.next()) {
            (Some((place, _)), None) => {
                places.push(place);
                continue;
            }
            (Some(_), Some(_)) => FitProblem::TwoColumns { column },
            (None, _) => FitProblem::NoColumn {
                column,
                expected: expected.to_string(),
            },
        };
        return Err(Located::new(head_line, problem));
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(broken)?;
        let line = line_of(text, &record, Some(b'#'));
        if record.iter().all(str::is_empty) {
            continue;
        }
        let (found, expected) = (record.len(), head.len());
        if rows.len() == most {
            return Err(Located::new(line, FitProblem::TooMany { most }));
        }
        if places.iter().any(|&place| place >= found) {
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
            cells: places.iter().map(|&p| record[p].to_string()).collect(),
            commas: separator != b',',
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
        assert!(has_column("# mine\n\"vpk\"; VG2K\n", "vg2k"));
        assert!(!has_column("# vg2k\nvpk,vgk\n", "vg2k"));
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
