//! What drives a circuit in its steady state, and the clock that all its sources share.

use crate::math::fun;
use std::f64::consts::TAU;

/// What the sources do at a moment, s after the start of the period.
pub trait Sources {
    /// The driven source's value, V or A.
    fn value(&self, time_s: f64) -> f64;
    /// The time that all other sources are read at, s.
    fn clock(&self, time_s: f64) -> f64;
}

/// A signal of one or more sines that starts at zero and repeats.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// How often it repeats, Hz.
    pub base_hz: f64,
    /// Whole multiples of that frequency, and their peaks in V or A.
    pub parts: Vec<(u64, f64)>,
}

impl Signal {
    /// One sine.
    pub fn sine(freq_hz: f64, peak: f64) -> Self {
        Signal {
            base_hz: freq_hz,
            parts: vec![(1, peak)],
        }
    }

    /// No signal: what moves is another source of the circuit, the mains.
    pub fn silence(base_hz: f64) -> Self {
        Signal {
            base_hz,
            parts: Vec::new(),
        }
    }

    /// Its value at a part of its period.
    pub fn value(&self, part: f64) -> f64 {
        let sine = |&(multiple, peak): &(u64, f64)| {
            let turns = part * multiple as f64;
            peak * fun::sin(TAU * (turns - turns.floor()))
        };
        self.parts.iter().map(sine).sum()
    }

    /// The same signal, `factor` times as large.
    pub fn times(&self, factor: f64) -> Signal {
        let parts = self.parts.iter();
        Signal {
            base_hz: self.base_hz,
            parts: parts.map(|&(k, peak)| (k, factor * peak)).collect(),
        }
    }

    /// The highest multiple of its frequency.
    pub fn highest(&self) -> u64 {
        self.parts.iter().map(|p| p.0).max().unwrap_or(1)
    }
}

/// What the sources do in a period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    pub period_s: f64,
    /// Cycles of the signal in it.
    pub cycles: u64,
    /// What the other sources' clock shows at its start, s.
    pub start_s: f64,
    /// The driven source at rest, V or A.
    pub rest: f64,
}

/// A signal on its clock.
#[derive(Debug, Clone, Copy)]
pub struct Driving<'a> {
    pub signal: &'a Signal,
    pub clock: Clock,
}

impl Driving<'_> {
    /// A cycle of the highest sine, s.
    pub fn shortest_s(&self) -> f64 {
        self.clock.period_s / (self.clock.cycles * self.signal.highest()) as f64
    }
}

impl Sources for Driving<'_> {
    fn value(&self, time_s: f64) -> f64 {
        let cycles = time_s / self.clock.period_s * self.clock.cycles as f64;
        self.clock.rest + self.signal.value(cycles)
    }

    fn clock(&self, time_s: f64) -> f64 {
        self.clock.start_s + time_s
    }
}
