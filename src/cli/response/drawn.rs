//! The plot of `response`.

use super::shown::hertz;
use super::{Curves, Findings};
use crate::math::fun;
use crate::measure::gain::{Response, continuous, decibels, degrees, size};
use crate::report::plot::{self, Mark, Side, Trace};

/// A band whose corners are closer than this ratio has no room for words inside.
const NARROW: f64 = 8.0;
/// With more curves than this their corners are left to the table.
const MARKED: usize = 2;

/// A curve that still climbs by this at an end of the plot, dB an octave, has its peak beyond it.
const CLIMBS_DB: f64 = 1.0;

/// Whether the highest point of a curve in decibels is an end of the plot at which it still climbs.
fn rises_at_an_end(points: &[f64], values: &[f64]) -> bool {
    let last = values.len().saturating_sub(1);
    let highest = (0..values.len()).max_by(|&a, &b| values[a].total_cmp(&values[b]));
    let (Some(k), true) = (highest, last > 0) else {
        return false;
    };
    let inner = match k {
        0 => 1,
        k if k == last => last - 1,
        _ => return false,
    };
    let octaves = fun::log10(points[k] / points[inner]).abs() / std::f64::consts::LOG10_2;
    values[k] - values[inner] > CLIMBS_DB * octaves
}

impl Findings {
    /// Gain over phase over what else was asked for, as SVG; by a response of each version at
    /// the plot's own frequencies.
    pub fn drawn(&self, points: &[f64], finer: &[Response]) -> String {
        let mut traces = Vec::new();
        let mut marks = Vec::new();
        let several = self.probes.len() * self.curves.len();
        for (curves, response, k) in self.each(finer, self.probes.len()) {
            let gains = response.gains[k].iter();
            let values: Vec<f64> = gains.map(|&g| decibels(size(g))).collect();
            if several <= MARKED && !rises_at_an_end(points, &values) {
                self.mark(curves, k, traces.len(), &mut marks);
            }
            traces.push(Trace::new(self.name(curves, &self.probes, k), "dB", values));
        }
        let mut first: Option<f64> = None;
        for (curves, response, k) in self.each(finer, self.probes.len()) {
            let gains = response.gains[k].iter();
            let angles: Vec<f64> = gains.map(|&g| degrees(g)).collect();
            let name = self.name(curves, &self.probes, k);
            let mut angles = continuous(&angles);
            // Whole turns so that the middle of the band is the angle that the table gives.
            if let Some(middle) = &curves.middles[k] {
                let near = points.partition_point(|&f| f < middle.freq_hz);
                let near = near.min(angles.len().saturating_sub(1));
                if let Some(&there) = angles.get(near) {
                    // And so that curves that run alike do not lie a turn apart: +180 and -180 are one angle.
                    let wanted = middle.degrees;
                    let beside = first.map_or(0.0, |f| ((f - wanted) / 360.0).round());
                    let turns = ((wanted - there) / 360.0).round() + beside;
                    angles.iter_mut().for_each(|a| *a += 360.0 * turns);
                    first.get_or_insert(angles[near]);
                }
            }
            traces.push(Trace::new(name, "deg", angles));
        }
        for (curves, response, k) in self.each(finer, self.probes.len()) {
            if let Some(delays) = response.delays.get(k) {
                let name = self.name(curves, &self.probes, k);
                traces.push(Trace::new(name, "s", delays.clone()));
            }
        }
        let names: Vec<String> = self.impedances.iter().map(|n| format!("z({n})")).collect();
        for (curves, response, k) in self.each(finer, names.len()) {
            let z = response.impedances[k].iter();
            let values = z.map(|&z| size(z)).collect();
            traces.push(Trace::new(self.name(curves, &names, k), "ohm", values));
        }
        plot::marked_spectrum(&self.title, points, &traces, &marks)
    }

    /// Every version with every one of N curves.
    fn each<'a>(
        &'a self,
        finer: &'a [Response],
        count: usize,
    ) -> impl Iterator<Item = (&'a Curves, &'a Response, usize)> {
        let versions = self.curves.iter().zip(finer);
        versions.flat_map(move |(c, r)| (0..count).map(move |k| (c, r, k)))
    }

    /// The name in the legend: what distinguishes the curve from the others.
    fn name(&self, curves: &Curves, names: &[String], k: usize) -> String {
        let label = curves.variant.label();
        match (label.is_empty(), names.len()) {
            (true, _) => names[k].clone(),
            (false, 1) => label,
            _ => format!("{} {label}", names[k]),
        }
    }

    fn mark(&self, curves: &Curves, k: usize, trace: usize, marks: &mut Vec<Mark>) {
        let Some(band) = &curves.bands[k] else {
            return;
        };
        let corner = decibels(band.peak * std::f64::consts::FRAC_1_SQRT_2);
        marks.push(Mark {
            trace,
            at: band.peak_hz,
            value: decibels(band.peak),
            label: format!(
                "{:.1} dB at {}",
                // Zero has no sign.
                (10.0 * decibels(band.peak)).round() / 10.0 + 0.0,
                hertz(band.peak_hz)
            ),
            side: Side::Above,
        });
        // Inside a wide band, outside a narrow one.
        let ends = (band.low_hz, band.high_hz);
        let is_narrow = matches!(ends, (Some(low), Some(high)) if high < NARROW * low);
        let (low, high) = if is_narrow {
            (Side::Left, Side::Right)
        } else {
            (Side::Right, Side::Left)
        };
        for (at, side) in [(band.low_hz, low), (band.high_hz, high)] {
            marks.extend(at.map(|at| Mark {
                trace,
                at,
                value: corner,
                label: format!("−3 dB, {}", hertz(at)),
                side,
            }));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_that_climbs_out_of_the_plot_has_no_peak_on_it() {
        let octaves = [100.0, 200.0, 400.0];
        assert!(rises_at_an_end(&octaves, &[0.0, 6.0, 12.0]));
        assert!(rises_at_an_end(&octaves, &[12.0, 6.0, 0.0]));
        // Flat at an end, or a peak within: these are marked.
        assert!(!rises_at_an_end(&octaves, &[0.0, -0.2, -6.0]));
        assert!(!rises_at_an_end(&octaves, &[0.0, 6.0, 0.0]));
        assert!(!rises_at_an_end(&[1e3], &[3.0]));
    }
}
