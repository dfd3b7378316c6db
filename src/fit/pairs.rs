//! Which valves of a drawer make the best pair.
//!
//! Two valves of a push-pull stage are alike if the same signal makes the same current in both,
//! at rest (or the iron is magnetised), in slope (or one half is larger) and in curvature (or
//! even harmonics stay). So pairs are compared over the grid volts of the work, at the plate and
//! screen volts of the readings:
//!
//! - `current`: rms difference of plate currents over the range, as a part of the mean current;
//! - `gm`: the same of the mutual conductances;
//! - `second_harmonic`: difference of the second harmonics of plate current, in per cent of the
//!   fundamental, with a sine over the range and no load.
//!
//! The rank goes by the root of the mean square of the three, which weighs a per cent of each
//! alike: common practice, no published source.

use super::bottle::{Bottle, State};
use super::estimate::Estimate;
use super::readings::Reading;
use crate::math::fun;
use std::f64::consts::TAU;

/// A valve with its readings fitted.
#[derive(Debug)]
pub struct Candidate {
    /// Its file's name without the ending.
    pub name: String,
    /// What was found of it.
    pub found: Estimate,
}

/// Where the valves work.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Work {
    /// At rest.
    pub rest: State,
    /// How far the grid moves to either side, V.
    pub swing: f64,
}

/// Two valves and how far they differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Places in the list.
    pub valves: (usize, usize),
    /// Difference of current, of the mean.
    pub current: f64,
    /// Difference of gm, of the mean.
    pub gm: f64,
    /// Difference of the second harmonics, of the fundamental.
    pub second_harmonic: f64,
    /// All three: 0 for twins.
    pub difference: f64,
    /// How well the difference of their currents at rest is known, 90 %.
    pub known_to: f64,
}

/// Steps of the sine.
const STEPS: usize = 32;
/// Swing where the readings span no range: a part of the bias.
const SWING: f64 = 0.5;

/// The middle of all readings, and as far from it as they go but not beyond zero grid volts.
pub fn work<'r>(readings: impl Iterator<Item = &'r Reading>) -> Work {
    let states: Vec<State> = readings.map(|r| r.state).collect();
    let middle = |of: &dyn Fn(&State) -> f64| {
        let mut all: Vec<f64> = states.iter().map(of).collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for state in &states {
        (low, high) = (low.min(state.vgk), high.max(state.vgk));
    }
    let mut rest = State {
        vpk: middle(&|s| s.vpk),
        vg2k: middle(&|s| s.vg2k),
        vgk: 0.5 * (low + high),
    };
    let mut swing = 0.5 * (high - low);
    if swing < 0.2 * rest.vgk.abs() {
        rest.vgk = middle(&|s| s.vgk);
        swing = SWING * rest.vgk.abs();
    }
    Work {
        rest,
        swing: swing.max(0.01),
    }
}

/// Plate currents and slopes over a period of the sine.
struct Swept {
    currents: Vec<f64>,
    slopes: Vec<f64>,
    /// Second harmonic over fundamental.
    second: f64,
}

fn swept(bottle: &Bottle, work: &Work) -> Swept {
    let angle = |k: usize| TAU * k as f64 / STEPS as f64;
    let states = (0..STEPS).map(|k| State {
        vgk: work.rest.vgk + work.swing * fun::cos(angle(k)),
        ..work.rest
    });
    let states: Vec<State> = states.collect();
    let currents: Vec<f64> = states.iter().map(|&s| bottle.at(s)[0]).collect();
    let slopes = states.iter().map(|&s| bottle.gm(s)).collect();
    let part = |times: f64| -> f64 {
        let terms = currents.iter().enumerate();
        terms.map(|(k, i)| i * fun::cos(times * angle(k))).sum()
    };
    let first = part(1.0);
    Swept {
        second: if first > 0.0 { part(2.0) / first } else { 0.0 },
        currents,
        slopes,
    }
}

/// All pairs, the best first.
pub fn rank(list: &[Candidate], work: &Work) -> Vec<Pair> {
    let swept: Vec<Swept> = list
        .iter()
        .map(|c| swept(&c.found.bottle(), work))
        .collect();
    let sure: Vec<f64> = list
        .iter()
        .map(|c| {
            let (current, (low, high)) = c.found.current(work.rest);
            (high - low) / (2.0 * current.max(1e-12))
        })
        .collect();
    let apart = |a: &[f64], b: &[f64]| {
        let squares: f64 = a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum();
        let sum: f64 = a.iter().zip(b).map(|(x, y)| 0.5 * (x + y)).sum();
        let count = a.len() as f64;
        (squares / count).sqrt() / (sum / count).max(1e-15)
    };
    let mut pairs = Vec::new();
    for a in 0..list.len() {
        for b in a + 1..list.len() {
            let current = apart(&swept[a].currents, &swept[b].currents);
            let gm = apart(&swept[a].slopes, &swept[b].slopes);
            let second_harmonic = (swept[a].second - swept[b].second).abs();
            let squares = current * current + gm * gm + second_harmonic * second_harmonic;
            pairs.push(Pair {
                valves: (a, b),
                current,
                gm,
                second_harmonic,
                difference: (squares / 3.0).sqrt(),
                known_to: (sure[a] * sure[a] + sure[b] * sure[b]).sqrt(),
            });
        }
    }
    pairs.sort_by(|a, b| {
        a.difference
            .total_cmp(&b.difference)
            .then(a.valves.cmp(&b.valves))
    });
    pairs
}
