//! Readings of one valve: a CSV of `vpk,vgk,plate_current`, for a pentode with `vg2k` and
//! `screen_current`; volts against the cathode, amperes.
//!
//! Columns stand in any order and others are skipped. A row may leave `screen_current` empty. A
//! table with semicolons between its values may have commas in its numbers, as spreadsheets of
//! half of Europe write them; lines that begin with # are comments.

use super::bottle::State;
use super::problem::{FitProblem, Located};
use crate::diag::rows::line_of;
use crate::num::{self, Role};

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Its line in the file, from 1.
    pub line: usize,
    /// Volts.
    pub state: State,
    /// Plate current, A.
    pub plate: f64,
    /// Screen current, A, where it was read.
    pub screen: Option<f64>,
    /// Standard deviation of the plate current where it is known, A: readings taken in an
    /// amplifier are as good as its resistors.
    pub error: Option<f64>,
}

/// The columns of a triode's readings and of a pentode's.
pub const COLUMNS: [&str; 5] = ["vpk", "vgk", "plate_current", "vg2k", "screen_current"];

/// Readings at most: a fit looks at each some thousand times.
pub const MOST: usize = 5000;

/// Whether a heading has the columns of a pentode.
pub fn tells_of_a_screen(text: &str) -> bool {
    let head = text.lines().find(|l| !l.trim().is_empty()).unwrap_or("");
    head.split([',', ';'])
        .any(|h| h.trim().eq_ignore_ascii_case("vg2k"))
}

/// Reads a table of readings, of a valve with a screen or without.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn read(text: &str, has_screen: bool) -> Result<Vec<Reading>, Located> {
    let head = text
        .lines()
        .find(|l| !l.trim().is_empty() && !l.starts_with('#'))
        .unwrap_or("");
    let semicolons = head.contains(';');
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .comment(Some(b'#'))
        .delimiter(if semicolons { b';' } else { b',' })
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let at = Located::new;
    let broken = |e: csv::Error| {
        let line = e.position().map_or(1, |p| p.line() as usize);
        at(line, FitProblem::NotATable { why: e.to_string() })
    };
    let head = reader.headers().map_err(broken)?.clone();
    let head_line = line_of(text, &head, Some(b'#'));
    let wanted = if has_screen {
        &COLUMNS[..]
    } else {
        &COLUMNS[..3]
    };
    let mut places = [0; 5];
    for (column, to) in wanted.iter().zip(&mut places) {
        let named = |h: &str| {
            h.trim_start_matches('\u{feff}')
                .eq_ignore_ascii_case(column)
        };
        let expected = match has_screen {
            false => "vpk,vgk,plate_current".to_string(),
            true => "vpk,vg2k,vgk,plate_current,screen_current (volts against the cathode)".into(),
        };
        *to = head
            .iter()
            .position(named)
            .ok_or_else(|| at(head_line, FitProblem::NoColumn { column, expected }))?;
    }
    let mut readings = Vec::new();
    for record in reader.records() {
        let record = record.map_err(broken)?;
        let line = line_of(text, &record, Some(b'#'));
        if record.iter().all(str::is_empty) {
            continue;
        }
        if readings.len() == MOST {
            return Err(at(line, FitProblem::TooMany { most: MOST }));
        }
        let mut cells = [f64::NAN; 5];
        for ((&column, &place), cell) in wanted.iter().zip(&places).zip(&mut cells) {
            let Some(text) = record.get(place) else {
                let (found, expected) = (record.len(), head.len());
                return Err(at(line, FitProblem::ShortRow { found, expected }));
            };
            if text.is_empty() && column == "screen_current" {
                continue;
            }
            if text.is_empty() {
                return Err(at(line, FitProblem::NoValue { column }));
            }
            let text = if semicolons {
                text.replace(',', ".")
            } else {
                text.to_string()
            };
            let role = if column.ends_with("current") {
                Role::Current
            } else {
                Role::Voltage
            };
            match num::parse_value(&text, role) {
                Ok((number, _)) => *cell = number,
                Err(_) => return Err(at(line, FitProblem::NotANumber { column, text })),
            }
        }
        let [vpk, vgk, plate, vg2k, screen] = cells;
        readings.push(Reading {
            line,
            state: State { vpk, vg2k, vgk },
            plate,
            screen: Some(screen).filter(|i| !i.is_nan()),
            error: None,
        });
    }
    if readings.is_empty() {
        return Err(at(head_line, FitProblem::Empty));
    }
    Ok(readings)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_are_read_in_any_order_and_with_either_comma() {
        let plain = read("vgk,note,vpk,plate_current\n-2,a,250,1.2m\n", false).unwrap();
        let other = read("vpk;vgk;plate_current\n# mine\n\n250;-2,0;0,0012\n", false).unwrap();
        assert_eq!(plain[0].state.vgk, -2.0);
        assert_eq!(plain[0].plate, 1.2e-3);
        assert_eq!(other[0].plate, 1.2e-3);
        assert_eq!((plain[0].line, other[0].line), (2, 4));
        let head = "vpk,vg2k,vgk,plate_current,screen_current";
        let screen = read(&format!("{head}\n250,250,-7,48m,\n"), true).unwrap();
        assert_eq!(screen[0].screen, None);
    }

    #[test]
    fn a_slip_is_named_with_its_line() {
        let wrong = |text: &str| read(text, false).unwrap_err();
        let found = wrong("vpk,vgk,plate_current\n250,-2,1.2m\n250,-2\n");
        assert_eq!(
            (found.line, *found.problem),
            (
                3,
                FitProblem::ShortRow {
                    found: 2,
                    expected: 3
                }
            )
        );
        let found = wrong("vpk,vgk,plate_current\n250,-2,little\n");
        assert!(matches!(
            *found.problem,
            FitProblem::NotANumber {
                column: "plate_current",
                ..
            }
        ));
        assert_eq!(*wrong("vpk,vgk,plate_current\n").problem, FitProblem::Empty);
        let found = wrong("vpk,plate_current\n250,1m\n");
        assert!(matches!(
            *found.problem,
            FitProblem::NoColumn { column: "vgk", .. }
        ));
        assert!(matches!(*wrong("").problem, FitProblem::NoColumn { .. }));
    }
}
