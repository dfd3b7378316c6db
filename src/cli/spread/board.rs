//! The columns of the table: one for each figure, of a curve or sound one for each place on it.

use super::super::failure::Failure;
use super::super::heading::in_case;
use super::super::interrupt;
use super::asked::Asked;
use crate::audio::fingerprint::{self, Fingerprint};
use crate::figure::bench::{FigureValue, Trouble};
use crate::measure::findings::STABILITY;
use crate::num;
use crate::sheet::verdict::Mark;
use crate::sheet::{Expectation, judge};
use crate::tolerance::measure::{Around, Measured, Watch, Worker};

/// One column.
#[derive(Debug, Clone)]
pub struct Column {
    /// Its heading.
    pub name: String,
    /// Its unit.
    pub unit: &'static str,
}

/// All columns, and how the drawing's own amplifier measures.
pub struct Board {
    /// In the order of the table.
    pub columns: Vec<Column>,
    /// As drawn; none where there is no such figure.
    pub nominal: Vec<Option<f64>>,
    /// What each amplifier is to meet: the expectations of a sheet, and that each circuit is stable.
    pub expectations: Vec<String>,
    /// Which of those the drawing's own amplifier meets.
    pub nominal_passes: Vec<bool>,
    /// Whether an amplifier takes microseconds.
    pub is_quick: bool,
    /// For each circuit and figure, how many columns it has.
    widths: Vec<Vec<usize>>,
}

/// One amplifier.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Row {
    /// A value for each column.
    pub values: Vec<Option<f64>>,
    /// Whether each expectation is met, and whether each circuit is stable; empty without a sheet.
    pub passes: Vec<bool>,
    /// What it does in place of staying at rest.
    pub unstable: Option<String>,
    /// Why the first figure that it lacks does not exist, and its column.
    pub why: Option<(usize, String)>,
    /// Whether the user broke off.
    pub stopped: bool,
}

impl Board {
    /// Measures the drawing's own amplifier, to see what columns there are.
    ///
    /// # Errors
    /// Those of [`Board::new`].
    pub fn of(asked: &Asked<'_>) -> Result<Self, Failure> {
        let stopped = || interrupt::check().is_err();
        let around = Around {
            sources: &asked.sources,
            clips: &asked.beside,
            stopped: &stopped,
        };
        Board::new(asked, &mut asked.plan.worker(around))
    }

    /// Measures the drawing's own amplifier to see what columns there are.
    ///
    /// # Errors
    /// If a figure asks for what the circuit does not have, an expectation cannot be judged, or a curve
    /// cannot be had at all.
    pub fn new(asked: &Asked<'_>, worker: &mut Worker<'_>) -> Result<Self, Failure> {
        let found = worker.values(&asked.plan.variables.nominal());
        let mut board = Board {
            columns: Vec::new(),
            nominal: Vec::new(),
            expectations: Vec::new(),
            nominal_passes: Vec::new(),
            is_quick: worker.is_quick(),
            widths: Vec::new(),
        };
        for (setup, (found, (case, expected))) in asked
            .plan
            .setups
            .iter()
            .zip(found.iter().zip(&asked.expected))
        {
            let mut widths = Vec::new();
            for (figure, found) in setup.figures.iter().zip(&found.figures) {
                let name = in_case(case, &figure.text);
                let before = board.columns.len();
                let expectation = expected.get(widths.len());
                // A percentage without a rating, a stored file that does not fit: no amplifier could meet that.
                if let (Ok(value), Some(expectation)) = (found, expectation)
                    && let Err(problem) = judge::judge(expectation, case, value, &asked.beside)
                {
                    let sources = Box::new(asked.sources.clone());
                    return Err(Failure::Input(sources, vec![problem]));
                }
                let mut add = |name: String, unit| board.columns.push(Column { name, unit });
                match found {
                    Err(Trouble::Input(problem)) => {
                        let sources = Box::new(asked.sources.clone());
                        return Err(Failure::Input(sources, vec![problem.clone()]));
                    }
                    Err(Trouble::Stopped) => return Err(Failure::Interrupted),
                    // A sheet holds curves and sounds against stored ones: one distance.
                    _ if asked.is_sheet() => add(
                        name,
                        expectation.map_or(figure.unit(), Expectation::found_unit),
                    ),
                    Ok(FigureValue::Curve(curve)) => {
                        for x in &curve.x {
                            add(format!("{name} @ {}", num::full(*x)), curve.unit);
                        }
                    }
                    Ok(FigureValue::Sound(clip)) => {
                        for band in fingerprint::bands(clip.rate_hz) {
                            let hz = fingerprint::mid_hz(band);
                            add(format!("{name} @ {hz:.0} Hz"), "dB");
                        }
                    }
                    Ok(FigureValue::Number(reading)) => add(name, reading.unit),
                    Err(Trouble::NoSolution(none)) => {
                        return Err(Failure::NoSolution(none.clone()));
                    }
                    Err(Trouble::Unsolved(_) | Trouble::Absent(_)) => add(name, figure.unit()),
                }
                widths.push(board.columns.len() - before);
            }
            board.widths.push(widths);
        }
        if asked.is_sheet() {
            let names = board.columns.iter().map(|c| c.name.clone());
            board.expectations.extend(names);
            let watched = asked.plan.setups.iter().zip(&asked.expected);
            for (_, (case, _)) in watched.filter(|(setup, _)| setup.watch == Watch::Always) {
                board.expectations.push(in_case(case, STABILITY));
            }
        }
        let row = board.row(asked, found);
        board.nominal = row.values;
        board.nominal_passes = row.passes;
        Ok(board)
    }

    /// What was found of an amplifier, as a row.
    pub fn row(&self, asked: &Asked<'_>, found: Vec<Measured>) -> Row {
        let mut row = Row::default();
        let mut stable = Vec::new();
        for (k, found) in found.into_iter().enumerate() {
            let (case, expected) = &asked.expected[k];
            if asked.plan.setups[k].watch == Watch::Always {
                stable.push(found.unstable.is_none());
            }
            row.unstable = row.unstable.or(found.unstable);
            for (n, found) in found.figures.into_iter().enumerate() {
                let at = row.values.len();
                let width = self.widths[k][n];
                let lacks = |row: &mut Row, why: String| {
                    row.values.resize(at + width, None);
                    row.why.get_or_insert((at, why));
                };
                let mut passes = false;
                match found {
                    Err(Trouble::Stopped) => {
                        row.stopped = true;
                        lacks(&mut row, "interrupted".to_string());
                    }
                    Err(Trouble::Input(problem)) => lacks(&mut row, problem.message),
                    Err(Trouble::Absent(why) | Trouble::Unsolved(why)) => lacks(&mut row, why),
                    Err(Trouble::NoSolution(none)) => lacks(&mut row, none.to_string()),
                    Ok(found) => {
                        let verdict = expected
                            .get(n)
                            .map(|e| judge::judge(e, case, &found, &asked.beside));
                        passes = matches!(&verdict, Some(Ok(v)) if v.mark == Mark::Ok);
                        match (found, verdict) {
                            (FigureValue::Number(reading), _) => {
                                row.values.push(Some(reading.value))
                            }
                            (_, Some(Ok(verdict))) => row.values.push(num::parse(&verdict.found)),
                            (_, Some(Err(problem))) => lacks(&mut row, problem.message),
                            (FigureValue::Curve(curve), None) => {
                                row.values.extend(curve.y.iter().map(|y| Some(*y)));
                            }
                            (FigureValue::Sound(clip), None) => {
                                let levels = Fingerprint::of(&clip).bands_db;
                                row.values.extend(levels.into_iter().map(Some));
                            }
                        }
                        row.values.resize(at + width, None);
                    }
                }
                if !expected.is_empty() {
                    row.passes.push(passes);
                }
            }
        }
        row.passes.extend(stable);
        // Nothing that is not finite stands in a table.
        for value in &mut row.values {
            *value = value.filter(|v| v.is_finite());
        }
        row
    }
}
