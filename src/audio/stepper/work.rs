//! What a step is worked out in.

use super::blocks::Kept;
use super::past::Start;
use crate::device::{TRIODE_ANSWERS, WIDTH};
use crate::math::aligned::Aligned;
use crate::math::panels::HEIGHT;

/// Buffers.
#[derive(Debug, Clone)]
pub(super) struct Work {
    /// What the step begins with.
    pub start: Start,
    /// Rows of the tables, laws at rest.
    pub rows: Aligned<[f64; HEIGHT]>,
    /// Controls, counted from rest, and the bank's in full.
    pub u: Vec<f64>,
    pub at: Aligned<[[f64; WIDTH]; 2]>,
    pub bank: Aligned<[[f64; WIDTH]; TRIODE_ANSWERS]>,
    pub y: Vec<f64>,
    /// What they were guessed to give.
    pub guess: Vec<f64>,
    pub dy: Vec<f64>,
    pub delta: Vec<f64>,
    pub missing: Aligned<[f64; HEIGHT]>,
    pub matrix: Aligned<[f64; HEIGHT]>,
    pub side: Vec<f64>,
    pub part: Vec<f64>,
    pub significant: Vec<usize>,
    pub significant_slopes: Vec<f64>,
    /// Inverses of blocks' matrices, by length of step.
    pub kept: Vec<Vec<Kept>>,
    /// Slopes of single laws beyond those at rest.
    pub slopes: Vec<f64>,
    /// A single law's controls, outputs and slopes.
    pub single: [Vec<f64>; 3],
    /// One over each control's swing, 1/V.
    pub per_swing: Vec<f64>,
    /// The least that this is for settling.
    pub narrow: Vec<f64>,
}
