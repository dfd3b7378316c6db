//! Where a circuit is when a clip begins: at rest, or on the mains with its supply charged.

use crate::analysis::mains::{self, Mains};
use crate::analysis::periodic::{self, Cycle, State};
use crate::analysis::{NoSolution, operating_point};
use crate::audio::stepper::Underway;
use crate::circuit::Circuit;
use crate::system::assemble::{Assembly, Driven, SourceState};
use crate::system::probe::{Moment, Observable};

/// A circuit's state before any sound, found once for as many renders as are made of it.
#[derive(Debug)]
pub struct Start {
    /// What the unknowns are counted from: at rest, or on the average of a mains cycle.
    pub(super) rest: Vec<f64>,
    /// The probe's value there.
    pub(super) at_rest: f64,
    /// The mains and a cycle on them.
    cycle: Option<(Mains, State)>,
}

impl Start {
    /// Finds it; the source that will be driven rests at `rest`.
    ///
    /// # Errors
    /// If the circuit has no operating point, or its supply no cycle that repeats itself.
    pub fn find(
        circuit: &Circuit,
        probe: &Observable,
        driven: Driven,
        rest: f64,
    ) -> Result<Self, Box<NoSolution>> {
        let mut assembly = Assembly::new(circuit);
        // A clip that comes in by the mains plays into a supply that is cold.
        let mains = mains::find(circuit).filter(|m| !m.sources.contains(&driven));
        if let Some(mains) = mains {
            assembly.external = Some((driven, rest));
            let (cycle, mut assembly) = periodic::cycle(assembly, &mains)?;
            return Ok(Start {
                at_rest: average(&mut assembly, &mains, &cycle, probe),
                rest: cycle.mean(),
                cycle: Some((mains, cycle.start)),
            });
        }
        let point = operating_point::solve(&mut assembly, SourceState::at(0.0), &[])?;
        let moment = Moment {
            time: Some(0.0),
            x: &point.x,
            rates: None,
        };
        Ok(Start {
            at_rest: probe.read(&mut assembly, moment),
            rest: point.x,
            cycle: None,
        })
    }

    /// The mains, if the circuit is fed from them.
    pub(super) fn mains(&self) -> Option<&Mains> {
        self.cycle.as_ref().map(|(mains, _)| mains)
    }

    /// The state on the mains for a render whose first step begins at `start_s` (before the
    /// clip, which begins with a mains cycle).
    pub(super) fn warm(&self, step_s: f64, start_s: f64) -> Option<Warm> {
        let (mains, start) = self.cycle.as_ref()?;
        Some(Warm::new(mains, start, step_s, start_s))
    }
}

/// A circuit fed from the mains, its supply charged.
///
/// The clip begins at the start of a mains cycle, the circuit whole cycles before, so that the
/// mains do not stand still in the silence that goes before the clip.
pub(super) struct Warm {
    pub start: State,
    mains: Vec<Driven>,
    /// How far the mains' clock is ahead of the clip's, s: whole cycles.
    pub ahead_s: f64,
    /// Steps from there until the render begins.
    pub steps: usize,
}

/// A voltage or current that moves by more than this within a step leaps, V or A.
const CALM: f64 = 5.0;

impl Warm {
    fn new(mains: &Mains, start: &State, step_s: f64, start_s: f64) -> Self {
        let cycle_s = 1.0 / mains.freq_hz;
        let cycles = (-start_s / cycle_s).ceil().max(1.0);
        // Steps need not divide a cycle: the first one begins up to a step before it.
        let steps = ((cycles * cycle_s + start_s) / step_s - 1e-6)
            .ceil()
            .max(0.0);
        let before_s = steps * step_s - start_s - cycles * cycle_s;
        let mut start = start.clone();
        let back = |values: &mut [f64], rates: &[f64]| {
            for (value, rate) in values.iter_mut().zip(rates) {
                *value -= before_s * rate;
            }
        };
        // Voltages are where the steps begin to look; what leaps at this very moment, as a winding
        // does that blocked diodes let go, is looked for where it is.
        let calm: Vec<f64> = start
            .x_rate
            .iter()
            .map(|&rate| {
                if (before_s * rate).abs() < CALM {
                    rate
                } else {
                    0.0
                }
            })
            .collect();
        back(&mut start.x, &calm);
        back(&mut start.q, &start.q_rate);
        Warm {
            start,
            mains: mains.sources.clone(),
            // One cycle more: sources stand still before t = 0.
            ahead_s: (cycles + 1.0) * cycle_s,
            steps: steps as usize,
        }
    }

    pub fn underway(&self) -> Underway<'_> {
        Underway {
            x: &self.start.x,
            q: &self.start.q,
            ahead: &self.mains,
            ahead_s: self.ahead_s,
        }
    }
}

/// The average of what is listened to over a mains cycle.
fn average(assembly: &mut Assembly<'_>, mains: &Mains, cycle: &Cycle, probe: &Observable) -> f64 {
    assembly.moving = Some(mains.sources.clone());
    let average = cycle.average(|instant| {
        let moment = Moment {
            time: Some(instant.time_s),
            x: &instant.x,
            rates: Some(&instant.x_rate),
        };
        probe.read(assembly, moment)
    });
    assembly.moving = None;
    average
}
