//! Newton's equations for the laws' controls, solved block by block.
//!
//! Valve stages mostly act forward: what a stage's plate does reaches the stage before only
//! through a few picofarads or the supply. So laws that act on each other are solved
//! together and the groups one after the other in the direction of the signal. Influence
//! against it is left out of the Jacobian, never out of the equations: it is weak, and the
//! next iteration sees what it does. So are outputs whose slope moves nothing to speak of.

mod any;
mod grouping;
mod triodes;

use super::recipe::{Place, Recipe};
use super::tables::{STAGES, Tables};
use crate::device::WIDTH;
use crate::math::panels::{HEIGHT, Panels};
pub(super) use any::Kept;
pub(super) use grouping::groups;

/// What moves no control by more than this, V, is not passed on.
const NEGLIGIBLE_V: f64 = 1e-9;
/// Up to so many outputs, taking all is cheaper than looking which matter.
const FEW_OUTPUTS: usize = 4;

/// Laws that are solved together, at both stages of a step.
#[derive(Debug)]
pub(super) struct Block {
    /// Triodes by pack and lane, if the block has nothing else; at most four.
    triodes: Vec<(usize, usize)>,
    /// Numbers of the laws.
    laws: Vec<usize>,
    /// Their controls and outputs: law by law, stage by stage.
    controls: Vec<usize>,
    outputs: Vec<usize>,
    /// The most controls that one of the laws has, two at least.
    widest: usize,
    /// Entries of a column of K: the controls, and zeros so that `widest` can be read from the
    /// first control of each law.
    height: usize,
    /// K for these, `[height * outputs]` column by column.
    k: Vec<f64>,
    /// Where the slopes of each output come from, and how loud it is within the block.
    rows: Vec<GroupRow>,
    /// Panels of controls that are solved for later.
    later: Vec<usize>,
}

/// An output at a stage.
#[derive(Debug, Clone, Copy)]
struct GroupRow {
    slopes: Slopes,
    /// The law's controls among those of the block.
    first: usize,
    controls: usize,
    /// The most that it moves a control of the block.
    influence: f64,
}

/// Where an output's slopes stand.
#[derive(Debug, Clone, Copy)]
enum Slopes {
    /// Among those of single laws.
    Single(usize),
    /// In the bank's answers: plate or grid current of a lane.
    Plate(usize, usize),
    Grid(usize, usize),
}

/// What Newton's step is worked out from and where it goes.
pub(super) struct BlockStep<'a> {
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
    /// Inverses of matrices met before, by block.
    pub kept: &'a mut Vec<Kept>,
}

/// The step; false if the equations are singular.
#[inline(always)]
pub(super) fn solve(table: &Tables, step: &mut BlockStep<'_>) -> bool {
    step.kept.resize(table.blocks.len(), Kept::default());
    for (number, block) in table.blocks.iter().enumerate() {
        let quick = match block.triodes.len() {
            1 => triodes::one(block, step),
            2 => triodes::several::<8>(block, step),
            3 => triodes::several::<12>(block, step),
            4 => triodes::several::<16>(block, step),
            _ => false,
        };
        if !quick && !any::solve(number, block, step) {
            return false;
        }
        if !block.later.is_empty() {
            let later = block.later.iter().copied();
            let (dy, missing) = (&*step.dy, &mut *step.missing);
            let columns = if block.outputs.len() <= FEW_OUTPUTS {
                &block.outputs
            } else {
                significant(table, block.outputs.iter().copied(), dy, step.significant);
                &*step.significant
            };
            table.reach.subtract_columns(columns, dy, later, missing);
        }
    }
    true
}

/// The outputs among some that move a control.
#[inline(always)]
pub(super) fn significant(
    table: &Tables,
    among: impl Iterator<Item = usize>,
    y: &[f64],
    to: &mut Vec<usize>,
) {
    to.clear();
    let is_significant =
        |o: &usize| is_significant(y[*o].abs() * table.influence[*o], NEGLIGIBLE_V);
    to.extend(among.filter(is_significant));
}

/// Whether a size counts: NaN does, so that it is noticed.
#[inline(always)]
fn is_significant(size: f64, least: f64) -> bool {
    size >= least || size.is_nan()
}

impl GroupRow {
    /// Slopes beyond those at rest to the law's controls, then zeros.
    #[inline(always)]
    fn slopes(&self, bank: &[[[f64; WIDTH]; 5]], single: &[f64], to: &mut [f64]) {
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

/// Blocks for groups of laws.
pub(super) fn prepare(recipe: &Recipe<'_>, reach: &Panels, groups: &[Vec<usize>]) -> Vec<Block> {
    let (nc, no) = (recipe.controls.len(), recipe.outputs.len());
    let staged = |each: usize, own: &[usize]| -> Vec<usize> {
        let stages = (0..STAGES).flat_map(|s| own.iter().map(move |k| s * each + k));
        stages.collect()
    };
    let prepared = groups.iter().enumerate().map(|(number, laws)| {
        let places =
            |of: &[usize]| -> Vec<&Place<'_>> { of.iter().map(|&law| &recipe.laws[law]).collect() };
        let own = places(laws);
        let controls: Vec<usize> = own.iter().flat_map(|p| staged(nc, &p.controls)).collect();
        let outputs: Vec<usize> = own.iter().flat_map(|p| staged(no, &p.outputs)).collect();
        let lanes: Option<Vec<_>> = own.iter().map(|p| p.lane).collect();
        let widest = own.iter().map(|p| p.controls.len()).max();
        let widest = widest.unwrap_or(0).max(2);
        let rows = rows(recipe, reach, &own, &controls);
        let reached = rows.iter().map(|row| row.first + widest).max();
        let height = reached.unwrap_or(0).max(controls.len());
        let entry = |o: &usize| {
            let mut column: Vec<f64> = controls.iter().map(|&c| reach.at(c, *o)).collect();
            column.resize(height, 0.0);
            column
        };
        let mut later: Vec<usize> = groups[number + 1..]
            .iter()
            .flat_map(|laws| places(laws))
            .flat_map(|p| staged(nc, &p.controls))
            .map(|c| c / HEIGHT)
            .collect();
        later.sort_unstable();
        later.dedup();
        Block {
            triodes: lanes.filter(|l| l.len() <= 4).unwrap_or_default(),
            laws: laws.clone(),
            k: outputs.iter().flat_map(entry).collect(),
            widest,
            height,
            rows,
            controls,
            outputs,
            later,
        }
    });
    prepared.collect()
}

/// The outputs of a block: law by law, stage by stage.
fn rows(
    recipe: &Recipe<'_>,
    reach: &Panels,
    places: &[&Place<'_>],
    controls: &[usize],
) -> Vec<GroupRow> {
    let (no, packs) = (recipe.outputs.len(), recipe.rest.len());
    let (mut rows, mut first) = (vec![], 0);
    for place in places {
        let count = place.controls.len();
        for stage in 0..STAGES {
            for (o, &output) in place.outputs.iter().enumerate() {
                let column = stage * no + output;
                rows.push(GroupRow {
                    slopes: match place.lane {
                        None => Slopes::Single(
                            stage * recipe.slopes.len() + place.first_slope + o * count,
                        ),
                        Some((pack, lane)) if o == 0 => Slopes::Plate(stage * packs + pack, lane),
                        Some((pack, lane)) => Slopes::Grid(stage * packs + pack, lane),
                    },
                    first,
                    controls: count,
                    influence: controls
                        .iter()
                        .fold(0.0, |most, &c| reach.at(c, column).abs().max(most)),
                });
            }
            first += count;
        }
    }
    rows
}

/// The laws of each block.
pub(super) fn groups_of(blocks: &[Block]) -> Vec<Vec<usize>> {
    blocks.iter().map(|b| b.laws.clone()).collect()
}
