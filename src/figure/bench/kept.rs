//! What is kept of a wave while it is computed: no more than its figure needs, so that a run of
//! minutes takes no more memory than one of milliseconds.

use super::super::registry::OfWave;
use super::value::{Across, Curve, FigureValue, Reading, Trouble};

/// One wave's figure under way.
#[derive(Debug)]
pub struct KeptWave {
    of: OfWave,
    count: f64,
    lowest: f64,
    highest: f64,
    sum: f64,
    /// Mean and sum of squared distances from it so far (B. P. Welford, "Note on a method for
    /// calculating corrected sums of squares and products", Technometrics 4, 1962; from memory).
    middle: f64,
    squares: f64,
    /// All of it, if it is wanted whole.
    values: Vec<f64>,
}

impl KeptWave {
    /// Nothing yet.
    pub fn new(of: OfWave) -> KeptWave {
        KeptWave {
            of,
            count: 0.0,
            lowest: f64::INFINITY,
            highest: f64::NEG_INFINITY,
            sum: 0.0,
            middle: 0.0,
            squares: 0.0,
            values: Vec::new(),
        }
    }

    /// Whether every value is kept.
    pub fn is_whole(&self) -> bool {
        matches!(self.of, OfWave::Whole)
    }

    /// One more value.
    pub fn take(&mut self, value: f64) {
        if self.is_whole() {
            return self.values.push(value);
        }
        self.count += 1.0;
        self.lowest = self.lowest.min(value);
        self.highest = self.highest.max(value);
        self.sum += value;
        let off = value - self.middle;
        self.middle += off / self.count;
        self.squares += off * (value - self.middle);
    }

    /// What it comes to: a wave of a unit and a name.
    pub fn figure(self, (unit, name): (&'static str, &str), times: &[f64]) -> FigureValue {
        let n = self.count.max(1.0);
        let value = match self.of {
            OfWave::Lowest => self.lowest,
            OfWave::Highest => self.highest,
            OfWave::Swing => self.highest - self.lowest,
            OfWave::Mean => self.sum / n,
            OfWave::Rms => (self.squares / n).sqrt(),
            OfWave::Whole => {
                return FigureValue::Curve(Curve {
                    across: Across::Time,
                    x: times.to_vec(),
                    y: self.values,
                    unit,
                    heading: name.to_string(),
                });
            }
        };
        FigureValue::Number(Reading {
            value,
            unit,
            limit: None,
        })
    }
}

/// Room for the times and values of some curves, so that their memory does not end in the midst
/// of the work.
pub fn room(times: &mut Vec<f64>, curves: usize, rows: usize) -> Result<(), Trouble> {
    if curves == 0 {
        return Ok(());
    }
    // Each curve keeps its values and has times of its own in the end.
    let mut all: Vec<f64> = Vec::new();
    let whole = rows.saturating_mul(2 * curves + 1);
    if all.try_reserve_exact(whole).is_err() {
        return Err(Trouble::Unsolved(format!(
            "not enough memory for {rows} points: measure with a longer `step` or a later `from`"
        )));
    }
    drop(all);
    times.reserve(rows);
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rms of 0.1 V about 400 V, the mean of which no one knows before.
    #[test]
    fn small_ripple_on_a_high_voltage_keeps_its_digits() {
        let wave = |k: usize| 400.0 + 0.1 * (std::f64::consts::TAU * k as f64 / 100.0).sin();
        for (of, expected) in [
            (OfWave::Rms, 0.1 / 2f64.sqrt()),
            (OfWave::Mean, 400.0),
            (OfWave::Swing, 0.2),
        ] {
            let mut kept = KeptWave::new(of);
            (0..100_000).for_each(|k| kept.take(wave(k)));
            let FigureValue::Number(reading) = kept.figure(("V", ""), &[]) else {
                panic!("a number");
            };
            assert!((reading.value / expected - 1.0).abs() < 1e-9, "{reading:?}");
        }
    }
}
