//! What was measured, where and with what meter, and how far what a fault shows may be off it.

use super::hypothesis::Cell;
use super::point::Point;
use super::readings::Reading;
use super::seen::Seen;

/// The meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Meter {
    /// Its resistance, ohm.
    pub ohms: f64,
    /// Its accuracy, a part of the reading.
    pub accuracy: f64,
}

/// Volts that no drawing accounts for: pickup, leakage of a chassis (common practice).
const FLOOR_V: f64 = 4e-3;
/// What the models of valves and the straight lines leave out, a part of the reading.
const MODEL: f64 = 0.004;

impl Meter {
    /// The deviation of a reading by itself, V, where the volts are those expected.
    fn deviation(&self, volts: f64, digit: f64) -> f64 {
        // Accuracies are limits; half of the square is common to all readings of one meter.
        let accuracy = self.accuracy * volts / 6f64.sqrt();
        let digit = 0.5 * digit;
        let model = MODEL * volts;
        (accuracy * accuracy + digit * digit + model * model + FLOOR_V * FLOOR_V).sqrt()
    }

    /// The part of the deviation that all readings share, V.
    fn common(&self, volts: f64) -> f64 {
        self.accuracy * volts / 6f64.sqrt()
    }

    /// The deviation of a reading still to come, V.
    pub fn coming(&self, volts: f64) -> f64 {
        self.deviation(volts, 0.005 * volts.abs().max(0.1))
    }

    /// All columns of a point: tolerances, the values of the fault or both, the meter's scale.
    pub fn row(&self, seen: &Seen, k: usize, widths: Widths) -> Vec<f64> {
        // No columns where only other kinds of readings were seen.
        let mut row = seen.spread[k].clone();
        row.push(seen.own[k] * widths[0] / 12f64.sqrt());
        row.push(seen.second[k] * widths[1] / 12f64.sqrt());
        row.push(self.common(seen.reads[k]));
        row
    }
}

/// Widths of a cell: of the fault's own value and of a second fault's, natural logarithms.
pub type Widths = [f64; 2];

impl Cell {
    /// Its widths.
    pub fn widths(&self) -> Widths {
        [self.width, self.second]
    }
}

/// Readings and the meter that showed them.
#[derive(Debug)]
pub struct Evidence<'r> {
    /// What was read.
    pub readings: &'r [Reading],
    /// Where, `[readings]`.
    pub points: Vec<Point>,
    /// With what.
    pub meter: Meter,
}

impl<'r> Evidence<'r> {
    /// What this meter showed.
    pub fn new(readings: &'r [Reading], meter: Meter) -> Self {
        Evidence {
            readings,
            points: readings.iter().map(|r| r.point.clone()).collect(),
            meter,
        }
    }

    /// What the readings are off from `reads`, V, `[readings]`.
    pub fn off(&self, reads: &[f64]) -> Vec<f64> {
        let pairs = self.readings.iter().zip(reads);
        pairs.map(|(r, v)| r.value - v).collect()
    }

    /// All columns of each reading; see [`Meter::row`].
    pub fn rows(&self, seen: &Seen, widths: Widths) -> Vec<Vec<f64>> {
        let all = 0..self.readings.len();
        all.map(|k| self.meter.row(seen, k, widths)).collect()
    }

    /// The deviation of each reading by itself, V, `[readings]`.
    pub fn own(&self, seen: &Seen) -> Vec<f64> {
        let all = self.readings.iter().enumerate();
        all.map(|(k, r)| {
            let own = self.meter.deviation(seen.reads[k], r.digit);
            (own * own + seen.doubt[k] * seen.doubt[k]).sqrt()
        })
        .collect()
    }
}

/// Covariance of readings, `[n * n]`, from their columns and their deviations by themselves.
pub fn covariance(rows: &[Vec<f64>], own: &[f64]) -> Vec<f64> {
    let n = rows.len();
    let mut all = vec![0.0; n * n];
    for i in 0..n {
        for k in 0..=i {
            let sum: f64 = rows[i].iter().zip(&rows[k]).map(|(a, b)| a * b).sum();
            all[i * n + k] = sum;
            all[k * n + i] = sum;
        }
        all[i * n + i] += own[i] * own[i];
    }
    all
}
