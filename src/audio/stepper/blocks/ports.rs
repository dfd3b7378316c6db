//! One or two laws of one control each: diodes, rectifiers, iron.
//!
//! Most of the time they block, and their block is solved before it is begun.

use super::block::{Block, BlockStep, Slopes, is_significant};
use super::matrix::MIN_INFLUENCE;

/// Outputs of such a block, at both stages.
const MOST: usize = 4;
/// A pivot this much smaller than its row calls for an exchange of rows.
const PIVOT: f64 = 1e-6;

/// Whether a block has nothing else.
pub(super) fn is_one(block: &Block) -> bool {
    let alone = |(k, row): (usize, &super::GroupRow)| {
        row.controls == 1 && row.first == k && matches!(row.slopes, Slopes::Single(_))
    };
    block.outputs.len() <= MOST
        && block.outputs.len() == block.controls.len()
        && block.rows.iter().enumerate().all(alone)
}

/// The step; false if it would not be safe without an exchange of rows.
#[inline(always)]
pub(super) fn solve(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let count = block.outputs.len();
    let (mut slopes, mut left) = ([0.0; MOST], [0.0; MOST]);
    let missing = step.missing.as_flattened();
    let mut bends = false;
    for k in 0..count {
        let Slopes::Single(at) = block.rows[k].slopes else {
            return false;
        };
        slopes[k] = step.slopes[at];
        left[k] = missing[block.controls[k]];
        bends |= is_significant(slopes[k].abs() * block.rows[k].influence, MIN_INFLUENCE);
    }
    if bends {
        let Some(given) = given(block, count, &slopes, &left) else {
            return false;
        };
        for (output, given) in given[..count].iter().enumerate() {
            let k = &block.k[output * block.height..][..count];
            for (left, k) in left.iter_mut().zip(k) {
                *left -= given * k;
            }
        }
    }
    for k in 0..count {
        step.delta[block.controls[k]] = left[k];
        step.dy[block.outputs[k]] = slopes[k] * left[k];
    }
    true
}

/// What the outputs give: (1 + S K) dy = S missing.
#[inline(always)]
fn given(
    block: &Block,
    count: usize,
    slopes: &[f64; MOST],
    missing: &[f64; MOST],
) -> Option<[f64; MOST]> {
    let (mut a, mut x) = ([[0.0; MOST]; MOST], [0.0; MOST]);
    for (row, entries) in a[..count].iter_mut().enumerate() {
        for (column, entry) in entries[..count].iter_mut().enumerate() {
            *entry = slopes[row] * block.k[column * block.height + row];
        }
        entries[row] += 1.0;
        x[row] = slopes[row] * missing[row];
    }
    for pivot in 0..count {
        let (above, below) = a[..count].split_at_mut(pivot + 1);
        let own = &above[pivot];
        let mut largest = 0.0;
        for entry in &own[..count] {
            largest = if entry.abs() > largest {
                entry.abs()
            } else {
                largest
            };
        }
        // Written so that NaN fails too.
        let safe = own[pivot].abs() > PIVOT * largest;
        if !safe {
            return None;
        }
        for (at, row) in below.iter_mut().enumerate() {
            let factor = row[pivot] / own[pivot];
            for (entry, own) in row.iter_mut().zip(own).skip(pivot + 1) {
                *entry -= factor * own;
            }
            x[pivot + 1 + at] -= factor * x[pivot];
        }
    }
    for row in (0..count).rev() {
        for column in row + 1..count {
            x[row] -= a[row][column] * x[column];
        }
        x[row] /= a[row][row];
    }
    Some(x)
}

#[cfg(test)]
mod tests {
    use super::super::GroupRow;
    use super::*;
    use crate::math::aligned::Aligned;

    #[test]
    fn two_laws_that_conduct_are_solved_together_and_blocked_ones_at_once() {
        // K column by column; outputs and controls stand in another order than the block's.
        let k: Aligned<f64> = (0..16)
            .map(|e| {
                if e % 5 == 0 {
                    900.0
                } else {
                    7.0 * f64::from(e)
                }
            })
            .collect();
        let row = |at: usize| GroupRow {
            slopes: Slopes::Single(at),
            first: at,
            controls: 1,
            influence: 900.0,
        };
        let block = Block {
            triodes: vec![],
            is_ports: true,
            grids_see: false,
            laws: vec![4, 7],
            controls: vec![3, 1, 0, 2],
            outputs: vec![1, 0, 3, 2],
            widest: 2,
            height: 4,
            k: k.clone(),
            rows: (0..4).map(row).collect(),
            spans: vec![],
            later: vec![],
        };
        for slope in [1e-3, 1e-13] {
            let slopes = [slope, 2.0 * slope, 0.5 * slope, 3.0 * slope];
            let mut missing = vec![[0.3, -0.2, 0.7, 1.1, 0.0, 0.0, 0.0, 0.0]];
            let m = missing[0];
            let (mut delta, mut dy) = (vec![0.0; 8], vec![0.0; 4]);
            let solved = solve(
                &block,
                &mut BlockStep {
                    bank: &[],
                    slopes: &slopes,
                    missing: &mut missing,
                    delta: &mut delta,
                    dy: &mut dy,
                    matrix: &mut Aligned::default(),
                    side: &mut [],
                    part: &mut [],
                    significant: &mut vec![],
                    rows: &mut vec![],
                },
            );
            assert!(solved);
            for row in 0..4 {
                // delta = missing - K dy, dy = S delta.
                let control = block.controls[row];
                let given: f64 = (0..4).map(|c| k[4 * c + row] * dy[block.outputs[c]]).sum();
                assert!(
                    (delta[control] - (m[control] - given)).abs() < 1e-8,
                    "{row}"
                );
                assert_eq!(dy[block.outputs[row]], slopes[row] * delta[control]);
            }
        }
    }
}
