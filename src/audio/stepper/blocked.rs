//! Whether what moves further than its law is straight bends nothing.
//!
//! A grid far below cut-off, or a diode that blocks, is moved by volts from step to step; what its law gives
//! is nothing before and after. To ask all laws again for its sake took a sixth of the whole amplifier's law
//! calls. A plate far above its knee bends nothing either.

use super::lengths::STAGES;
use super::recipe::{Place, Recipe};
use super::tables::Tables;
use super::work::Work;

/// A law whose whole step gives controls less than this, V, has no bend that counts: it is a tenth of what
/// the audit accepts.
const NOTHING_V: f64 = 1e-5;
/// Beyond this many times the narrow step a law could have begun to conduct on its way.
const FAR: f64 = 25.0;
/// A valve's plate may step by the narrow step for each of these volts that it stands at: its knee is as wide as
/// it is far up. With half the step the Lapwing's circuits take up to 2 % more law calls.
const KNEE_V: f64 = 10.0;

/// Whether that holds of all controls that the last step moved by more than `narrowly` of their narrowness.
pub(super) fn blocked(recipe: &Recipe<'_>, table: &Tables, work: &Work, narrowly: f64) -> bool {
    let each = recipe.controls.len();
    for (law, place) in recipe.laws.iter().enumerate() {
        for stage in 0..STAGES {
            for (k, &control) in place.controls.iter().enumerate() {
                let c = stage * each + control;
                let step = work.delta[c].abs();
                let part = step * work.narrow[c] / narrowly;
                // Written so that NaN counts as too far.
                if part <= 1.0 {
                    continue;
                }
                let is_plate =
                    || k == 0 && (place.lane.is_some() || recipe.output_valves.contains(&law));
                if is_plate() && part * KNEE_V <= work.u[c] + recipe.u[control] {
                    continue;
                }
                let nothing = || given(recipe, table, work, place, stage, k) * step <= NOTHING_V;
                if part > FAR || !nothing() {
                    return false;
                }
            }
        }
    }
    true
}

/// What all of a law's outputs give a control at most for a step of one of its own, V for a volt.
fn given(
    recipe: &Recipe<'_>,
    table: &Tables,
    work: &Work,
    place: &Place<'_>,
    stage: usize,
    control: usize,
) -> f64 {
    let mut given = 0.0;
    for (row, &output) in place.outputs.iter().enumerate() {
        let slope = match place.lane {
            Some((pack, lane)) => {
                let answer = &work.bank[stage * recipe.rest.len() + pack];
                let rest = &recipe.rest[pack];
                let at = 2 + 2 * row + control;
                answer[at][lane] + rest[at][lane]
            }
            None => {
                let at = place.first_slope + row * place.controls.len() + control;
                work.slopes[stage * recipe.slopes.len() + at] + recipe.slopes[at]
            }
        };
        let output = stage * recipe.outputs.len() + output;
        given += slope.abs() * table.blocks.influence(output);
    }
    given
}
