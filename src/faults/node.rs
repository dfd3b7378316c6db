//! Volts and currents at the nodes of a solution.

use crate::circuit::Node;

/// A node's volts.
pub fn volts(x: &[f64], node: Node) -> f64 {
    node.0.checked_sub(1).map_or(0.0, |k| x[k])
}

/// A current fed into `a` and drawn from `b`, on the right-hand side.
pub fn feed(work: &mut [f64], a: Node, b: Node, amperes: f64) {
    if let Some(k) = a.0.checked_sub(1) {
        work[k] += amperes;
    }
    if let Some(k) = b.0.checked_sub(1) {
        work[k] -= amperes;
    }
}

/// The part of its volts that a point with some resistance, ohm, shows a meter. Of what hangs in the
/// air only rounding is left, of either sign: a meter pulls all of that down.
pub fn loaded(ohms: f64, meter_ohms: f64) -> f64 {
    if ohms < -meter_ohms {
        0.0
    } else {
        1.0 / (1.0 + ohms.max(0.0) / meter_ohms)
    }
}
