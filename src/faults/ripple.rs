//! The ripple of a mains supply, from the currents that its rectifiers deliver.
//!
//! The currents' harmonics are those of the sound circuit's cycle; what they do at a point with a
//! fault is small signal about the faulty operating point, scaled so that the sound circuit has its
//! cycle's ripple. That is close where a fault lies behind the reservoir; for one of the supply
//! itself `cycle` has the last word.

use super::bench::{Bench, Solved};
use super::change::Change;
use super::cycle;
use super::harmonic::{HARMONICS, Harmonic, Known};
use super::point::{Point, Quantity};
use super::seen::Seen;
use crate::analysis::small_signal::{Excitation, SmallSignal};
use crate::math::fun;
use crate::system::assemble::Driven;
use num_complex::Complex;
use std::f64::consts::TAU;

/// A harmonic that makes less than this part of the ripple at every point is left out.
const LEAST: f64 = 0.02;
/// What the sound circuit's linear ripple may be scaled by, least and most.
const SCALES: (f64, f64) = (0.2, 5.0);
/// Where it is then still off from the cycle's by more than this, V, and this part of it, the currents
/// of the rectifiers do not make the ripple there.
const UNKNOWN_V: f64 = 5e-3;
const UNKNOWN: f64 = 0.15;
/// Moments of a cycle at which harmonics are added up.
const MOMENTS: usize = 64;

/// A point's harmonics: number and amplitude, V.
type Waves = Vec<(usize, Complex<f64>)>;

impl Bench {
    /// The ripple at each point, V from peak to peak or rms as the point asks.
    pub(super) fn ripples(
        &mut self,
        changes: &[Change],
        points: &[Point],
        near: &Seen,
    ) -> Option<Vec<f64>> {
        if self.ripple.points.iter().map(|p| &p.0).ne(points) {
            self.learn_ripple(points)?;
        }
        let known = self.ripple.clone();
        let found = self.harmonics(changes, points, &near.x, &known.harmonics)?;
        let pairs = found.iter().zip(&known.points);
        Some(
            pairs
                .map(|(all, (point, scale))| scale * size(all, point))
                .collect(),
        )
    }

    /// Which harmonics count at some points, and what the sound circuit's are scaled by; none where the
    /// ripple at a point does not come from the rectifiers.
    fn learn_ripple(&mut self, points: &[Point]) -> Option<()> {
        let all = self.supply.as_ref()?.harmonics.clone();
        let x = self.sound.clone();
        let found = self.harmonics(&[], points, &x, &all)?;
        let most: Vec<f64> = found
            .iter()
            .map(|v| v.iter().fold(0.0f64, |m, v| m.max(v.1.norm())))
            .collect();
        let counts = |n: usize| {
            let parts = found.iter().zip(&most);
            parts
                .into_iter()
                .any(|(v, most)| v[n].1.norm() > LEAST * most)
        };
        let keep: Vec<usize> = (0..all.len()).filter(|&n| counts(n)).collect();
        let supply = self.supply.as_ref()?;
        let scaled = points.iter().zip(&found).map(|(point, found)| {
            let kept: Vec<(usize, Complex<f64>)> = keep.iter().map(|&n| found[n]).collect();
            let (_, swing, rms) = cycle::over(&supply.cycle, point);
            let real = if point.quantity == Quantity::RippleRms {
                rms
            } else {
                swing
            };
            let linear = size(&kept, point);
            let scale = if linear > 1e-9 { real / linear } else { 1.0 };
            let scale = scale.clamp(SCALES.0, SCALES.1);
            // On a winding or before the rectifier the ripple is the mains' own.
            let is_known = (scale * linear - real).abs() <= UNKNOWN_V + UNKNOWN * real;
            is_known.then(|| (point.clone(), scale))
        });
        self.ripple = Known {
            points: scaled.collect::<Option<_>>()?,
            harmonics: keep.iter().map(|&n| all[n]).collect(),
        };
        Some(())
    }

    /// Each harmonic's volts at each point: `[point][harmonic]` of its number and amplitude.
    fn harmonics(
        &mut self,
        changes: &[Change],
        points: &[Point],
        start: &[f64],
        harmonics: &[Harmonic],
    ) -> Option<Vec<Waves>> {
        let supply = self.supply.as_ref()?;
        let freq_hz = supply.mains_of.freq_hz;
        let currents: Vec<usize> = supply.outputs.iter().map(|o| o.current).collect();
        self.with(changes, |bench, undo| {
            let Solved {
                mut assembly,
                x,
                lu,
            } = bench.solve(undo, start)?;
            let mut small = SmallSignal::in_order(&mut assembly, &x, &lu);
            let mut all = vec![Vec::with_capacity(harmonics.len()); points.len()];
            for harmonic in harmonics {
                let mut at = small.at(freq_hz * harmonic.number as f64).ok()?;
                let current = Driven::Current(currents[harmonic.output]);
                // An output that feeds nothing makes no ripple.
                let fed = bench.circuit.currents[currents[harmonic.output]].drive.dc != 0.0;
                let amperes = if fed {
                    harmonic.amperes
                } else {
                    Complex::default()
                };
                let x = at.solve(Excitation::Source(current));
                let v = |n: crate::circuit::Node| {
                    n.0.checked_sub(1).map_or(Complex::default(), |k| x[k])
                };
                for (all, point) in all.iter_mut().zip(points) {
                    let volts = (v(point.a) - v(point.b)) * amperes;
                    all.push((harmonic.number, volts));
                }
            }
            Some(all)
        })
    }
}

/// Harmonics added up as a point asks: from peak to peak, or rms.
fn size(all: &[(usize, Complex<f64>)], point: &Point) -> f64 {
    if point.quantity == Quantity::RippleRms {
        // Two supplies may have a harmonic in common.
        let mut sums = [Complex::<f64>::default(); HARMONICS + 1];
        for (number, volts) in all {
            sums[*number] += volts;
        }
        return (0.5 * sums.iter().map(|v| v.norm_sqr()).sum::<f64>()).sqrt();
    }
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for moment in 0..MOMENTS {
        let sum: f64 = all
            .iter()
            .map(|(number, volts)| {
                let turn = TAU * ((number * moment) % MOMENTS) as f64 / MOMENTS as f64;
                volts.re * fun::cos(turn) - volts.im * fun::sin(turn)
            })
            .sum();
        low = low.min(sum);
        high = high.max(sum);
    }
    if all.is_empty() { 0.0 } else { high - low }
}
