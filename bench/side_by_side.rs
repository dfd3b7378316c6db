//! Measuring several ways of doing one thing side by side.
//!
//! Nothing here is a time of its own: machines differ. In every round each way runs once,
//! so that all meet the same weather. What counts is the least time of a way over the
//! least of the first, because a busy machine can only add to a time; the spread is what
//! the middle half of the rounds said of themselves.

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
    /// Least time over least time.
    pub best: f64,
    /// Lower quartile of the rounds' own ratios.
    pub low: f64,
    /// Upper quartile.
    pub high: f64,
}

impl std::fmt::Display for Ratio {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // Three digits, whatever the size.
        let digits = (2.0 - self.best.log10().floor()).clamp(0.0, 4.0) as usize;
        let text = format!(
            "{:.digits$} ({:.digits$}..{:.digits$})",
            self.best, self.low, self.high
        );
        f.pad(&text)
    }
}

/// The first way's least time in s, and each way's over it.
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
    let least = |times: &[f64]| times.iter().copied().fold(f64::INFINITY, f64::min);
    let first = least(&times[0]);
    let ratio = |own: &Vec<f64>| {
        let mut ratios: Vec<f64> = own.iter().zip(&times[0]).map(|(t, one)| t / one).collect();
        ratios.sort_by(f64::total_cmp);
        let at = |part: f64| ratios[((ratios.len() - 1) as f64 * part).round() as usize];
        Ratio {
            best: least(own) / first,
            low: at(0.25),
            high: at(0.75),
        }
    };
    (first, times.iter().map(ratio).collect())
}
