//! The plot of `feedback`: a family over frequency, one curve for each value.

use super::findings::{ElementRow, Findings, Judged};
use super::shown::hertz;
use crate::cli::failure::Failure;
use crate::cli::interrupt;
use crate::measure::gain::{continuous, decibels, degrees, size};
use crate::measure::refine;
use crate::report::plot::{self, Mark, Side, Trace};
use num_complex::Complex;

/// What is drawn at least, Hz; wider where corners or margins lie outside, but no wider than
/// where they are sought.
const LEAST_HZ: (f64, f64) = (10.0, 100e3);
const MOST_HZ: (f64, f64) = (1e-3, 1e9);
/// Room beyond the outermost of them, as a factor.
const BEYOND: f64 = 3.0;
/// With more curves than this the margins are left to the table.
const MARKED: usize = 4;

impl Findings {
    /// Gain over loop gain over the loop's phase, as SVG.
    pub fn drawn(&mut self) -> Result<String, Failure> {
        let title = format!(
            "{}: {} in the feedback path, {} to {}",
            self.title, self.element, self.source, self.probe
        );
        let (element, freq_hz) = (self.element.clone(), self.freq_hz);
        let mut rows: Vec<(String, &mut Judged)> = self
            .rows
            .iter_mut()
            .filter_map(|row: &mut ElementRow| {
                let name = format!("{element}={}", row.text);
                row.found.as_mut().ok().map(|judged| (name, judged))
            })
            .collect();
        let ends = range(rows.iter().map(|r| &*r.1));
        let places: Vec<f64> = rows.iter().flat_map(|r| places(r.1)).collect();
        let mut asked: Vec<f64> = places
            .into_iter()
            .filter(|f| *f > ends.0 && *f < ends.1)
            .chain([ends.0, ends.1])
            .collect();
        asked.sort_by(f64::total_cmp);
        let points = refine::refined(&asked, |f| {
            interrupt::check()?;
            let mut levels = Vec::new();
            for (_, judged) in &mut rows {
                let Some(solved) = &mut judged.solved else {
                    continue;
                };
                let (gain, ratio) = solved.at(f)?;
                levels.push(decibels(size(gain)));
                levels.extend(ratio.map(|t| decibels(size(t))));
            }
            Ok::<_, Failure>(levels)
        })?;
        let (mut gains, mut loops, mut phases) = (Vec::new(), Vec::new(), Vec::new());
        let is_marked = rows.len() <= MARKED;
        let mut marks = Vec::new();
        for (name, judged) in rows {
            let Some(solved) = &mut judged.solved else {
                continue;
            };
            let mut found = Vec::with_capacity(points.len());
            for &f in &points {
                found.push(solved.at(f)?);
            }
            let values = found.iter().map(|f| decibels(size(f.0))).collect();
            gains.push(Trace::new(name.clone(), "dB", values).of("gain"));
            let ratios: Vec<Complex<f64>> = found.iter().filter_map(|f| f.1).collect();
            // A loop that is not there has no curve.
            if ratios.len() < points.len() || ratios.iter().all(|t| size(*t) < 1e-12) {
                continue;
            }
            if is_marked {
                marks.extend(margins(judged).map(|m| (loops.len(), m)));
            }
            let values = ratios.iter().map(|&t| decibels(size(t))).collect();
            loops.push(Trace::new(name.clone(), "dB", values).of("loop gain"));
            let angles: Vec<f64> = ratios.iter().map(|&t| degrees(t)).collect();
            let angles = about_zero(continuous(&angles), &points, freq_hz);
            phases.push(Trace::new(name, "deg", angles).of("phase of the loop"));
        }
        let before = gains.len();
        let marks: Vec<Mark> = marks
            .into_iter()
            .map(|(k, (at, value, label))| Mark {
                trace: before + k,
                at,
                value,
                label,
                side: Side::Right,
            })
            .collect();
        let traces: Vec<Trace> = gains.into_iter().chain(loops).chain(phases).collect();
        Ok(plot::marked_spectrum(&title, &points, &traces, &marks))
    }
}

/// A continuous phase by whole turns nearer to zero where the figures are taken: negative feedback
/// is near zero there.
fn about_zero(angles: Vec<f64>, points: &[f64], freq_hz: f64) -> Vec<f64> {
    let k = points
        .partition_point(|&f| f < freq_hz)
        .min(angles.len().max(1) - 1);
    let turns = angles.get(k).map_or(0.0, |a| (a / 360.0).round());
    angles.into_iter().map(|a| a - 360.0 * turns).collect()
}

/// Frequency, height and word of each margin.
fn margins(judged: &Judged) -> impl Iterator<Item = (f64, f64, String)> {
    let phase = judged.phase_margin().map(|(margin, at)| {
        let label = format!("phase margin {margin:.0}° at {}", hertz(at));
        (at, 0.0, label)
    });
    let gain = judged.gain_margin().map(|(margin, at)| {
        let label = format!("gain margin {margin:.1} dB at {}", hertz(at));
        (at, -margin, label)
    });
    phase.into_iter().chain(gain)
}

/// Where something happens, Hz.
fn places(judged: &Judged) -> impl Iterator<Item = f64> + use<> {
    let f = &judged.figures;
    let corners = [f.low_hz, f.high_hz];
    let margins = [judged.phase_margin(), judged.gain_margin()].map(|m| m.map(|m| m.1));
    corners.into_iter().chain(margins).flatten()
}

fn range<'a>(rows: impl Iterator<Item = &'a Judged>) -> (f64, f64) {
    let (mut low, mut high) = LEAST_HZ;
    for at in rows.flat_map(places) {
        low = low.min(at / BEYOND);
        high = high.max(at * BEYOND);
    }
    (low.max(MOST_HZ.0), high.min(MOST_HZ.1))
}
