//! How long steps are, and the points at which each is solved.

use crate::math::radau_pair;

/// Points of a step that are solved for.
pub(super) const STAGES: usize = radau_pair::NODES.len();

/// Lengths of steps, each half the one before.
pub(super) const LENGTHS: usize = 19;

/// A step of a length, counted in the shortest.
pub(super) const fn length(level: usize) -> u64 {
    1 << (LENGTHS - 1 - level)
}
