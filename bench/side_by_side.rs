//! Measuring several ways of doing one thing side by side.
//!
//! Nothing here is a time of its own: machines differ and are busy. In every round each
//! way runs once, and what counts is its time over that of the first way in the same
//! round: the median of all rounds, and the tenth and ninetieth percentile as spread.

// Each bench uses its own part of this.
#![allow(dead_code)]

use std::time::Instant;

/// Whether `--quick` was given: a look whether it still runs, not a measurement.
pub fn quick() -> bool {
    std::env::args().any(|argument| argument == "--quick")
}

/// A ratio with its spread.
#[derive(Debug, Clone, Copy)]
pub struct Ratio {
    /// Median.
    pub middle: f64,
    /// Tenth percentile.
    pub low: f64,
    /// Ninetieth percentile.
    pub high: f64,
}

impl std::fmt::Display for Ratio {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Three digits, whatever the size.
        let digits = (2.0 - self.middle.log10().floor()).clamp(0.0, 4.0) as usize;
        let text = format!(
            "{:.digits$} ({:.digits$}..{:.digits$})",
            self.middle, self.low, self.high
        );
        f.pad(&text)
    }
}

impl Ratio {
    fn of(mut ratios: Vec<f64>) -> Self {
        ratios.sort_by(f64::total_cmp);
        let at = |part: f64| ratios[((ratios.len() - 1) as f64 * part).round() as usize];
        Ratio {
            middle: at(0.5),
            low: at(0.1),
            high: at(0.9),
        }
    }
}

/// Times of each way over the first's, and the first's median time in s.
pub fn compare(rounds: usize, ways: &mut [&mut dyn FnMut()]) -> (f64, Vec<Ratio>) {
    let mut times: Vec<Vec<f64>> = vec![vec![]; ways.len()];
    // The first round warms caches and is not counted.
    for round in 0..=rounds {
        for (way, times) in ways.iter_mut().zip(&mut times) {
            let begun = Instant::now();
            way();
            if round > 0 {
                times.push(begun.elapsed().as_secs_f64());
            }
        }
    }
    let ratios = times
        .iter()
        .map(|own| Ratio::of(own.iter().zip(&times[0]).map(|(t, one)| t / one).collect()))
        .collect();
    (Ratio::of(times[0].clone()).middle, ratios)
}
