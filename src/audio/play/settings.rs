//! What is played, and what came of it.

use crate::audio::steps::Steps;
use crate::system::assemble::Driven;

/// How a clip is played through a circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaySettings {
    /// The source that the clip drives.
    pub driven: Driven,
    /// Its value at rest, V or A; the clip is added to it.
    pub rest: f64,
    /// Peak volts (or amperes) at digital full scale.
    pub full_scale: f64,
    /// How finely the clip is stepped through.
    pub steps: Steps,
}

/// What playing took.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Played {
    /// Samples in and out.
    pub samples: u64,
    /// Samples at the oversampled rate, each a solver step as a rule.
    pub steps: u64,
    /// Steps that had to be divided because Newton did not settle.
    pub divided: u64,
    /// Evaluations of all laws of the circuit.
    pub evaluations: u64,
    /// Whether the circuit was too large to be compiled, or too many of its laws act on each other: the general
    /// solver takes several times as long.
    pub general: bool,
}
