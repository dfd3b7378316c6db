//! How long steps are, and the points at which each is solved.

use crate::math::radau_pair;

/// Points of a step that are solved for.
pub(super) const STAGES: usize = radau_pair::NODES.len();

/// Lengths of steps, each half the one before.
pub(super) const LENGTHS: usize = WHOLE + 19;

/// Which of them is a sample's; longer ones take several samples at once.
pub(super) const WHOLE: usize = 2;

/// Samples of the longest step.
pub const LONGEST: usize = samples(0);

/// Samples of a step that is not shorter than one.
pub(super) const fn samples(level: usize) -> usize {
    1 << (WHOLE - level)
}

/// A step of a length, counted in the shortest.
pub(super) const fn length(level: usize) -> u64 {
    1 << (LENGTHS - 1 - level)
}
