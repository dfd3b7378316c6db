//! Newton's equations for the laws' controls, solved block by block.
//!
//! Valve stages mostly act forward: what a stage's plate does reaches the stage before only
//! through a few picofarads or the supply. So laws that act on each other are solved
//! together and the groups one after the other in the direction of the signal. Influence
//! against it is left out of the Jacobian, never out of the equations: it is weak, and the
//! next iteration sees what it does. So are outputs whose slope moves nothing to speak of.

mod any;
mod block;
mod grouping;
mod matrix;
mod pair;
mod ports;
mod row;
mod triodes;

use super::lengths::STAGES;
use super::recipe::{Place, Recipe};
use crate::math::panels::{HEIGHT, Panels};
pub(super) use any::Kept;
pub(super) use block::BlockStep;
use block::{Block, GroupRow, Slopes, is_significant};
pub(super) use grouping::groups;
use row::Row;

/// What moves no control by more than this, V, is not passed on.
const NEGLIGIBLE_V: f64 = 1e-9;
/// What moves laws that are solved later by this is passed on to them, V for an ampere: a step of a
/// law's current is a hundredth of one at most.
const FELT: f64 = 1e-8;
/// Up to this many outputs, taking all is cheaper than looking which matter.
const FEW_OUTPUTS: usize = 4;

/// The laws of a circuit in blocks, in the direction of the signal.
#[derive(Debug)]
pub(super) struct Blocks {
    blocks: Vec<Block>,
    /// How those are solved whose laws act on few others.
    rows: Vec<Option<Row>>,
    /// The most that each output moves a control, V for one unit of it, `[stages * outputs]`.
    influence: Vec<f64>,
}

impl Blocks {
    /// Blocks for groups of laws; `reach` is what the laws' outputs take from the controls.
    pub fn new(recipe: &Recipe<'_>, reach: &Panels, groups: &[Vec<usize>]) -> Self {
        let controls = STAGES * recipe.controls.len();
        let most = |k: usize| (0..controls).fold(0.0f64, |m, row| m.max(reach.at(row, k).abs()));
        let influence = (0..STAGES * recipe.outputs.len()).map(most).collect();
        let blocks = prepare(recipe, reach, groups);
        Blocks {
            rows: blocks.iter().map(Row::of).collect(),
            blocks,
            influence,
        }
    }

    /// The most outputs of one block, rows left out: their work grows as they do.
    pub fn widest(&self) -> usize {
        let blocks = self.blocks.iter().zip(&self.rows);
        let whole = blocks.filter(|(_, row)| row.is_none());
        whole
            .map(|(block, _)| block.outputs.len())
            .max()
            .unwrap_or(0)
    }

    /// The most that an output at a stage moves a control, V for one unit of it.
    pub fn influence(&self, output: usize) -> f64 {
        self.influence[output]
    }

    /// The laws of each block.
    pub fn groups(&self) -> Vec<Vec<usize>> {
        self.blocks.iter().map(|b| b.laws.clone()).collect()
    }

    /// The step; false if the equations are singular. `kept` are inverses of matrices met before.
    #[inline(always)]
    pub fn solve(&self, reach: &Panels, step: &mut BlockStep<'_>, kept: &mut Vec<Kept>) -> bool {
        if kept.len() < self.blocks.len() {
            kept.resize(self.blocks.len(), Kept::default());
        }
        for ((block, row), kept) in self.blocks.iter().zip(&self.rows).zip(kept) {
            let sees = block.grids_see && step.grids_see(&block.triodes);
            let quick = match (block.triodes.len(), sees) {
                (1, false) => triodes::one::<false>(block, step),
                (1, true) => triodes::one::<true>(block, step),
                (2, false) => pair::solve::<false>(block, step),
                (2, true) => pair::solve::<true>(block, step),
                (3, _) => triodes::several::<12>(block, step),
                (4, _) => triodes::several::<16>(block, step),
                _ => block.is_ports && ports::solve(block, step),
            };
            if !quick && !any::solve(block, row.as_ref(), step, kept) {
                return false;
            }
            if !block.later.is_empty() {
                let later = block.later.iter().copied();
                let (dy, missing) = (&*step.dy, &mut *step.missing);
                let columns = if block.outputs.len() <= FEW_OUTPUTS {
                    &block.outputs
                } else {
                    self.significant(block.outputs.iter().copied(), dy, step.significant);
                    &*step.significant
                };
                reach.subtract_columns(columns, dy, later, missing);
            }
        }
        true
    }

    /// The outputs among some that move a control.
    #[inline(always)]
    pub fn significant(&self, among: impl Iterator<Item = usize>, y: &[f64], to: &mut Vec<usize>) {
        // Every place is written and none asked about: what counts is hard to foresee. And an iterator's
        // closure would not be taken into the processor's best instructions.
        to.resize(y.len(), 0);
        let mut count = 0;
        for output in among {
            to[count] = output;
            let size = y[output].abs() * self.influence[output];
            count += usize::from(is_significant(size, NEGLIGIBLE_V));
        }
        to.truncate(count);
    }
}

/// Blocks for groups of laws.
fn prepare(recipe: &Recipe<'_>, reach: &Panels, groups: &[Vec<usize>]) -> Vec<Block> {
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
        let triodes = lanes.clone().filter(|l| l.len() <= 4).unwrap_or_default();
        let height = if triodes.is_empty() {
            height.next_multiple_of(HEIGHT)
        } else {
            // Few triodes expect theirs without gaps.
            height
        };
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
        later.retain(|panel| {
            let mut of = outputs.iter().flat_map(|&o| {
                let rows = panel * HEIGHT..(panel + 1) * HEIGHT;
                rows.map(move |row| reach.at(row, o).abs())
            });
            of.any(|k| is_significant(k, FELT))
        });
        let sees = |&(pack, lane): &(usize, usize)| recipe.banks.triodes.grid_sees(pack, lane);
        let spans = own
            .iter()
            .map(|p| [STAGES * p.controls.len(), STAGES * p.outputs.len()]);
        let mut block = Block {
            is_ports: false,
            spans: spans.collect(),
            grids_see: lanes.iter().flatten().any(sees),
            triodes,
            laws: laws.clone(),
            k: outputs.iter().flat_map(entry).collect(),
            widest,
            height,
            rows,
            controls,
            outputs,
            later,
        };
        block.is_ports = ports::is_one(&block);
        block
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
