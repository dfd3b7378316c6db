//! Laws that are solved together: where their controls, outputs and slopes stand.

use crate::device::WIDTH;
use crate::math::panels::HEIGHT;

/// Laws that are solved together, at both stages of a step.
#[derive(Debug)]
pub(in super::super) struct Block {
    /// Triodes by pack and lane, if the block has nothing else; at most four.
    pub(super) triodes: Vec<(usize, usize)>,
    /// Numbers of the laws.
    pub(super) laws: Vec<usize>,
    /// Their controls and outputs: law by law, stage by stage.
    pub(super) controls: Vec<usize>,
    pub(super) outputs: Vec<usize>,
    /// The most controls that one of the laws has, two at least.
    pub(super) widest: usize,
    /// Entries of a column of K: the controls, and zeros so that `widest` can be read from the
    /// first control of each law.
    pub(super) height: usize,
    /// K for these, `[height * outputs]` column by column.
    pub(super) k: Vec<f64>,
    /// Where the slopes of each output come from, and how loud it is within the block.
    pub(super) rows: Vec<GroupRow>,
    /// Controls and outputs of each law, at both stages.
    pub(super) spans: Vec<[usize; 2]>,
    /// Panels of controls that are solved for later.
    pub(super) later: Vec<usize>,
}

/// An output at a stage.
#[derive(Debug, Clone, Copy)]
pub(super) struct GroupRow {
    pub(super) slopes: Slopes,
    /// The law's controls among those of the block.
    pub(super) first: usize,
    pub(super) controls: usize,
    /// The most that it moves a control of the block.
    pub(super) influence: f64,
}

/// Where an output's slopes stand.
#[derive(Debug, Clone, Copy)]
pub(super) enum Slopes {
    /// Among those of single laws.
    Single(usize),
    /// In the bank's answers: plate or grid current of a lane.
    Plate(usize, usize),
    Grid(usize, usize),
}

/// What Newton's step is worked out from and where it goes.
pub(in super::super) struct BlockStep<'a> {
    /// The bank's answers, stage by stage; the last three rows are slopes beyond those at rest.
    pub bank: &'a [[[f64; WIDTH]; 5]],
    /// Slopes of single laws beyond those at rest, stage by stage.
    pub slopes: &'a [f64],
    /// What the equations miss; spoilt.
    pub missing: &'a mut [[f64; HEIGHT]],
    /// The step of the controls.
    pub delta: &'a mut [f64],
    /// What it adds to the outputs.
    pub dy: &'a mut [f64],
    /// Room for a block's matrix, right side and controls.
    pub matrix: &'a mut [f64],
    pub side: &'a mut [f64],
    pub part: &'a mut [f64],
    /// Room for outputs that matter and their slopes.
    pub significant: &'a mut Vec<usize>,
    pub rows: &'a mut Vec<f64>,
}

/// Whether a size counts: NaN does, so that it is noticed.
#[inline(always)]
pub(super) fn is_significant(size: f64, least: f64) -> bool {
    size >= least || size.is_nan()
}

impl GroupRow {
    /// Slopes beyond those at rest to the law's controls, then zeros.
    #[inline(always)]
    pub(super) fn slopes(&self, bank: &[[[f64; WIDTH]; 5]], single: &[f64], to: &mut [f64]) {
        to.fill(0.0);
        match self.slopes {
            Slopes::Single(first) => {
                let own = &single[first..first + self.controls];
                for (to, own) in to.iter_mut().zip(own) {
                    *to = *own;
                }
            }
            Slopes::Plate(pack, lane) => {
                to[0] = bank[pack][2][lane];
                to[1] = bank[pack][3][lane];
            }
            Slopes::Grid(pack, lane) => to[1] = bank[pack][4][lane],
        }
    }
}
