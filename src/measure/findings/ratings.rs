//! Whether every part stays within its ratings with knobs and switches in other positions.
//!
//! A resistor that a switch puts across the supply is `ok` as long as the switch is open: that fails
//! `--strict`. A knob that puts a valve past its rating is a note, for it is a trimmer, which is
//! set with a meter and not to its end.

use super::finding::{Finding, RATING, TRIMMER, named, show};
use super::positions::Position;
use crate::circuit::Circuit;
use crate::device::role::DeviceRole;
use crate::measure::chart::{self, ChartRow, Verdict};
use crate::measure::quiescent::{self, Quiescent};
use crate::measure::stress::{self, Stress};
use crate::system::assemble::Assembly;
use crate::system::probe::Moment;

/// Part of a rating from which on an estimate is solved as it is.
const NEAR: f64 = 0.95;
/// Part of a rating that a position must add for it to be looked at.
const ADDED: f64 = 0.005;
/// What is rated, at rest.
pub(super) struct Rated {
    /// As it stands in the netlist.
    rest: Vec<ChartRow>,
    /// The same on the average of a mains cycle, by [`estimated`].
    average: Vec<ChartRow>,
}

impl Rated {
    /// `average` is what [`estimated`] makes of the average of a mains cycle, nothing where there
    /// is none.
    pub fn new(quiescent: &Quiescent, assembly: &mut Assembly<'_>, average: Vec<ChartRow>) -> Self {
        Rated {
            rest: rated(quiescent, assembly),
            average,
        }
    }

    /// What a position puts past its rating that is within it at rest. `estimate` is of the
    /// average with that position, none without the mains: it tells whether the cycle, which takes
    /// long, is worth solving. A position without a solution is not judged here.
    pub fn over(
        &self,
        at_rest: &Quiescent,
        circuit: &Circuit,
        estimate: Option<&[ChartRow]>,
    ) -> Vec<ChartRow> {
        if estimate.is_some_and(|rows| !self.is_near(rows)) {
            return Vec::new();
        }
        let solved = quiescent::solve_near(circuit, Some(&at_rest.found), false);
        let Ok((quiescent, mut assembly)) = solved else {
            return Vec::new();
        };
        let is_over = |row: &ChartRow| row.verdict() == Some(Verdict::Over);
        let mut rows = rated(&quiescent, &mut assembly);
        rows.retain(|row| is_over(row) && !find(&self.rest, row).is_some_and(is_over));
        rows
    }

    /// Whether a figure of the average rises to its rating, counted from what it really is at rest.
    fn is_near(&self, rows: &[ChartRow]) -> bool {
        rows.iter().any(|row| {
            let limit = row.limit.unwrap_or(f64::INFINITY);
            let value = |row: Option<&ChartRow>| row.map_or(0.0, |row| row.value.abs());
            let added = row.value.abs() - value(find(&self.average, row));
            let real = value(find(&self.rest, row));
            // Written so that NaN is looked at.
            let is_far = added <= ADDED * limit || real + added < NEAR * limit;
            !is_far
        })
    }
}

fn find<'r>(rows: &'r [ChartRow], like: &ChartRow) -> Option<&'r ChartRow> {
    rows.iter()
        .find(|r| r.subject == like.subject && r.quantity == like.quantity)
}

/// Every row that has a limit: those of the chart, and those beside it. A grid's circuit is judged where
/// it stands: any volume of a megohm at 10 would be past a triode's.
fn rated(quiescent: &Quiescent, assembly: &mut Assembly<'_>) -> Vec<ChartRow> {
    let mut rows = quiescent.rows(assembly, &[]);
    let beside = stress::resting(assembly, &quiescent.found);
    rows.extend(beside.iter().filter_map(Stress::row));
    rows.retain(|row| row.limit.is_some() && row.quantity != "grid circuit resistance");
    rows
}

/// The rows with a limit that a single point gives, `x` its unknowns: what a mains cycle adds to
/// them is left out.
pub(super) fn estimated(assembly: &mut Assembly<'_>, x: &[f64]) -> Vec<ChartRow> {
    let moment = Moment {
        time: None,
        x,
        rates: None,
    };
    let mut rows = chart::moving_rows(assembly, moment, &[]);
    rows.retain(|row| row.limit.is_some());
    let capacitors = assembly.circuit.elements.iter();
    let capacitors = capacitors.filter(|e| e.role() == Some(DeviceRole::Capacitor));
    for element in capacitors.filter(|e| e.rated.is_some()) {
        let [a, b] = [0, 1].map(|k| assembly.unknowns.voltage(x, element.terminals[k]));
        rows.push(ChartRow {
            subject: element.name.clone(),
            quantity: "voltage hot",
            value: a - b,
            unit: "V",
            limit: element.rated,
        });
    }
    rows
}

/// What a position puts past its rating.
pub(super) struct Past<'p> {
    pub position: &'p Position,
    pub rows: Vec<ChartRow>,
}

impl Past<'_> {
    /// The first valve's row of a knob that sets valves: a trimmer, which nobody turns without a
    /// meter.
    fn trims(&self, circuit: &Circuit) -> Option<&ChartRow> {
        let is_valve = |row: &&ChartRow| circuit.element(&row.subject).is_some_and(chart::is_valve);
        let mut rows = self.rows.iter().filter(|_| !self.position.is_switch);
        rows.find(is_valve)
    }

    /// What a figure, `what` in words, comes to there.
    fn words(&self, what: &str, row: &ChartRow) -> String {
        let doubt = match self.position.doubt {
            "" => String::new(),
            doubt => format!(" ({doubt})"),
        };
        format!(
            "with {} {what} is {}, its rating {}{doubt}",
            self.position.words,
            show(row.value.abs(), row.unit),
            show(row.limit.unwrap_or(f64::NAN), row.unit),
        )
    }
}

/// A line for each part that some position puts past a rating, and one for all knobs that set
/// valves.
pub(super) fn told(circuit: &Circuit, all: &[Past<'_>]) -> Vec<Finding> {
    let (trimmers, others): (Vec<_>, Vec<_>) =
        all.iter().partition(|past| past.trims(circuit).is_some());
    let mut found: Vec<Finding> = Vec::new();
    for grave in [true, false] {
        let own = || others.iter().filter(|past| past.position.is_sure == grave);
        let mut subjects: Vec<&str> = Vec::new();
        for row in own().flat_map(|past| &past.rows) {
            let known = found.iter().any(|f| f.subject == row.subject);
            if !known && !subjects.contains(&row.subject.as_str()) {
                subjects.push(&row.subject);
            }
        }
        for subject in subjects {
            let each = own().filter_map(|past| {
                // The first: a resistor's watts come before those it should be rated for.
                let row = past.rows.iter().find(|row| row.subject == subject)?;
                Some(past.words(&format!("its {}", quantity(row)), row))
            });
            found.push(Finding {
                subject: subject.to_string(),
                quantity: RATING,
                text: named(each.collect()),
                grave,
            });
        }
    }
    let each = trimmers.iter().filter_map(|past| {
        let row = past.trims(circuit)?;
        Some(past.words(&format!("{} of `{}`", quantity(row), row.subject), row))
    });
    let each: Vec<String> = each.collect();
    if !each.is_empty() {
        found.push(Finding {
            subject: "circuit".to_string(),
            quantity: TRIMMER,
            text: format!(
                "past a rating at other settings: {}; set it with a meter",
                named(each)
            ),
            grave: false,
        });
    }
    found
}

fn quantity(row: &ChartRow) -> &'static str {
    row.quantity.trim_end_matches(" hot")
}
