//! What a meter sees at some points of a circuit.

use super::readings::Reading;

/// How far tolerances of reservoirs and loads move a ripple, a part of it: capacitors of 20 %, two of
/// them in a filter.
const RIPPLE: f64 = 0.15;
/// The same of a fault of the supply itself, before its cycle is solved.
const GUESSED: f64 = 0.7;

/// What a meter sees.
#[derive(Debug, Clone)]
pub struct Seen {
    /// The unknowns, without the meter.
    pub x: Vec<f64>,
    /// V at each point, with the meter's load.
    pub reads: Vec<f64>,
    /// What each independent tolerance moves each point by, V for one deviation, `[point][column]`.
    pub spread: Vec<Vec<f64>>,
    /// The same for the fault's own value, V for a natural logarithm of it.
    pub own: Vec<f64>,
    /// The same for the value of a second fault.
    pub second: Vec<f64>,
    /// How far each reading may be off because a supply is not solved cycle by cycle, V.
    pub doubt: Vec<f64>,
    /// What a mains cycle was said to add to each, V.
    pub added: Vec<f64>,
    /// Nodes of the circuit that `x` belongs to: leads in the air are the last of them.
    pub(super) nodes: usize,
}

impl Seen {
    /// Nothing seen yet at any of the points.
    pub(super) fn blank(x: Vec<f64>, points: usize) -> Self {
        Seen {
            x,
            reads: vec![0.0; points],
            spread: Vec::new(),
            own: vec![0.0; points],
            second: vec![0.0; points],
            doubt: vec![0.0; points],
            added: vec![0.0; points],
            nodes: 0,
        }
    }

    /// Makes room for the points, each with its columns.
    pub(super) fn widen(&mut self, points: usize, columns: usize) {
        self.spread = vec![vec![0.0; columns]; points];
        for all in [
            &mut self.reads,
            &mut self.own,
            &mut self.second,
            &mut self.doubt,
            &mut self.added,
        ] {
            *all = vec![0.0; points];
        }
    }

    /// Enters a ripple, with what the tolerances of capacitors make of it.
    pub(super) fn set_ripple(&mut self, k: usize, ripple: f64) {
        self.reads[k] = ripple;
        self.doubt[k] = RIPPLE * ripple + 1e-3;
    }

    /// Ripples of a fault of the supply itself, before its cycle is solved, are a guess.
    pub(super) fn blur_ripples(&mut self, readings: &[Reading]) {
        for (k, reading) in readings.iter().enumerate() {
            if reading.point.quantity.is_ripple() {
                self.doubt[k] = GUESSED * self.reads[k].max(reading.value);
            }
        }
    }

    /// Enters what was seen at some points in their places.
    pub(super) fn fill(&mut self, part: &Seen, places: &[usize]) {
        for (n, &k) in places.iter().enumerate() {
            self.reads[k] = part.reads[n];
            self.own[k] = part.own[n];
            self.second[k] = part.second[n];
            self.doubt[k] = part.doubt[n];
            self.added[k] = part.added[n];
            if let Some(row) = part.spread.get(n) {
                self.spread[k].clone_from(row);
            }
        }
    }
}
