//! Readings of one valve: a CSV of `vpk,vgk,plate_current`, for a pentode with `vg2k` and
//! `screen_current`; volts against the cathode, amperes.
//!
//! How such a table may be written, `table.rs` says. A row may leave `screen_current` empty.

use super::bottle::State;
use super::problem::Located;
use super::table;
use crate::diag::rows;
use crate::num::Role;

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
    rows::has_column(text, "vg2k")
}

/// Reads a table of readings, of a valve with a screen or without.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn read(text: &str, has_screen: bool) -> Result<Vec<Reading>, Located> {
    let (columns, expected) = if has_screen {
        let expected = "vpk,vg2k,vgk,plate_current,screen_current (volts against the cathode)";
        (&COLUMNS[..], expected)
    } else {
        (&COLUMNS[..3], "vpk,vgk,plate_current")
    };
    let mut readings = Vec::new();
    for row in table::rows(text, columns, expected, MOST)? {
        let mut cells = [f64::NAN; 5];
        for (place, (&column, cell)) in columns.iter().zip(&mut cells).enumerate() {
            if row.text(place).is_empty() && column == "screen_current" {
                continue;
            }
            let role = if column.ends_with("current") {
                Role::Current
            } else {
                Role::Voltage
            };
            *cell = row.number(place, column, role)?;
        }
        let [vpk, vgk, plate, vg2k, screen] = cells;
        readings.push(Reading {
            line: row.line,
            state: State { vpk, vg2k, vgk },
            plate,
            screen: Some(screen).filter(|i| !i.is_nan()),
            error: None,
        });
    }
    Ok(readings)
}

#[cfg(test)]
mod tests {
    use super::super::problem::FitProblem;
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
        assert_eq!(*wrong("").problem, FitProblem::Empty);
    }
}
