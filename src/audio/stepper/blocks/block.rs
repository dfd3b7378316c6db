//! Laws that are solved together: where their controls, outputs and slopes stand.

use super::super::lengths::STAGES;
use crate::device::{TRIODE_ANSWERS, WIDTH};
use crate::math::aligned::Aligned;
use crate::math::panels::HEIGHT;

/// Laws that are solved together, at both stages of a step.
#[derive(Debug)]
pub(in super::super) struct Block {
    /// Triodes by pack and lane, if the block has nothing else; at most four.
    pub(super) triodes: Vec<(usize, usize)>,
    /// Whether the grid current of one of these depends on its plate.
    pub(super) grids_see: bool,
    /// Whether it is one or two laws of one control each.
    pub(super) is_ports: bool,
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
    pub(super) k: Aligned<f64>,
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
    /// The bank's answers, stage by stage; the last four rows are slopes beyond those at rest.
    pub bank: &'a [[[f64; WIDTH]; TRIODE_ANSWERS]],
    /// Slopes of single laws beyond those at rest, stage by stage.
    pub slopes: &'a [f64],
    /// What the equations miss; spoilt.
    pub missing: &'a mut [[f64; HEIGHT]],
    /// The step of the controls.
    pub delta: &'a mut [f64],
    /// What it adds to the outputs.
    pub dy: &'a mut [f64],
    /// Room for a block's matrix, right side and controls.
    pub matrix: &'a mut Aligned<[f64; HEIGHT]>,
    pub side: &'a mut [f64],
    pub part: &'a mut [f64],
    /// Room for outputs that matter and their slopes.
    pub significant: &'a mut Vec<usize>,
    pub rows: &'a mut Vec<f64>,
}

/// A triode's slopes beyond those at rest, at each stage: of plate and of grid current to vpk and vgk.
pub(super) type TriodeSlopes = [[f64; 4]; STAGES];

impl BlockStep<'_> {
    /// Whether the grid current of one of some triodes depends on its plate as they stand now.
    #[inline(always)]
    pub(super) fn grids_see(&self, triodes: &[(usize, usize)]) -> bool {
        let packs = self.bank.len() / STAGES;
        let mut sees = false;
        for &(pack, lane) in triodes {
            for stage in 0..STAGES {
                let [.., back, _] = &self.bank[stage * packs + pack];
                // Written so that NaN counts.
                sees |= back[lane] != 0.0;
            }
        }
        sees
    }

    /// Those of the triode in a lane of a pack. Without SEES the grid's slope to the plate is zero, and what
    /// is made of it costs nothing.
    #[inline(always)]
    pub(super) fn triode_slopes<const SEES: bool>(
        &self,
        (pack, lane): (usize, usize),
    ) -> TriodeSlopes {
        let packs = self.bank.len() / STAGES;
        let mut slopes = TriodeSlopes::default();
        for (stage, slopes) in slopes.iter_mut().enumerate() {
            let [.., plate, grid, back, own] = &self.bank[stage * packs + pack];
            let back = if SEES { back[lane] } else { 0.0 };
            *slopes = [plate[lane], grid[lane], back, own[lane]];
        }
        slopes
    }

    /// What its vpk and vgk miss, stage by stage.
    #[inline(always)]
    pub(super) fn missing_of_triode(&self, (pack, lane): (usize, usize)) -> [f64; 2 * STAGES] {
        let panels = self.missing.len() / STAGES;
        let (inner, end) = (&self.missing[pack], &self.missing[panels + pack]);
        let [vpk, vgk] = [lane, WIDTH + lane];
        [inner[vpk], inner[vgk], end[vpk], end[vgk]]
    }

    /// The step of its vpk and vgk, stage by stage, and what it adds to its outputs.
    #[inline(always)]
    pub(super) fn write_triode<const SEES: bool>(
        &mut self,
        (pack, lane): (usize, usize),
        slopes: TriodeSlopes,
        x: [f64; 2 * STAGES],
    ) {
        let (panels, outputs) = (self.missing.len() / STAGES, self.dy.len() / STAGES);
        for (stage, [plate, grid, back, own]) in slopes.into_iter().enumerate() {
            let (vpk, vgk) = (x[2 * stage], x[2 * stage + 1]);
            let at = (stage * panels + pack) * HEIGHT + lane;
            self.delta[at] = vpk;
            self.delta[at + WIDTH] = vgk;
            let to = stage * outputs + pack * HEIGHT + lane;
            self.dy[to] = plate * vpk + grid * vgk;
            self.dy[to + WIDTH] = if SEES {
                back * vpk + own * vgk
            } else {
                own * vgk
            };
        }
    }
}

/// Whether a size counts: NaN does, so that it is noticed.
#[inline(always)]
pub(super) fn is_significant(size: f64, least: f64) -> bool {
    let is_less = size < least;
    !is_less
}

impl GroupRow {
    /// Slopes beyond those at rest to the law's controls, then zeros.
    #[inline(always)]
    pub(super) fn slopes(
        &self,
        bank: &[[[f64; WIDTH]; TRIODE_ANSWERS]],
        single: &[f64],
        to: &mut [f64],
    ) {
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
            Slopes::Grid(pack, lane) => {
                to[0] = bank[pack][4][lane];
                to[1] = bank[pack][5][lane];
            }
        }
    }
}
