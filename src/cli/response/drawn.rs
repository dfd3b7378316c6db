//! The plot of `response`.

use super::shown::hertz;
use super::{Curves, Findings};
use crate::measure::gain::{continuous, decibels, degrees, size};
use crate::report::plot::{self, Mark, Side, Trace};

/// With more curves than this their corners are left to the table.
const MARKED: usize = 2;

impl Findings {
    /// Gain over phase over what else was asked for, as SVG.
    pub fn drawn(&self) -> String {
        let mut traces = Vec::new();
        let mut marks = Vec::new();
        let several = self.probes.len() * self.curves.len();
        for (curves, k) in self.each(self.probes.len()) {
            if several <= MARKED {
                self.mark(curves, k, traces.len(), &mut marks);
            }
            let gains = curves.response.gains[k].iter();
            let values = gains.map(|&g| decibels(size(g))).collect();
            traces.push(Trace::new(self.name(curves, &self.probes, k), "dB", values));
        }
        for (curves, k) in self.each(self.probes.len()) {
            let gains = curves.response.gains[k].iter();
            let angles: Vec<f64> = gains.map(|&g| degrees(g)).collect();
            let name = self.name(curves, &self.probes, k);
            traces.push(Trace::new(name, "deg", continuous(&angles)));
        }
        for (curves, k) in self.each(self.probes.len()) {
            if let Some(delays) = curves.response.delays.get(k) {
                let name = self.name(curves, &self.probes, k);
                traces.push(Trace::new(name, "s", delays.clone()));
            }
        }
        let names: Vec<String> = self.impedances.iter().map(|n| format!("z({n})")).collect();
        for (curves, k) in self.each(names.len()) {
            let z = curves.response.impedances[k].iter();
            let values = z.map(|&z| size(z)).collect();
            traces.push(Trace::new(self.name(curves, &names, k), "ohm", values));
        }
        plot::marked_spectrum(&self.title, &self.frequencies_hz, &traces, &marks)
    }

    /// Every version with every one of so many curves.
    fn each(&self, count: usize) -> impl Iterator<Item = (&Curves, usize)> {
        let versions = self.curves.iter();
        versions.flat_map(move |c| (0..count).map(move |k| (c, k)))
    }

    /// The name in the legend: what tells the curve from the others.
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
                decibels(band.peak) + 0.0,
                hertz(band.peak_hz)
            ),
            side: Side::Above,
        });
        for (at, side) in [(band.low_hz, Side::Right), (band.high_hz, Side::Left)] {
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
