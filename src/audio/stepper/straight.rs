//! Whether laws are straight along a last step that is longer than they can bend within.
//!
//! A grid far below cut-off, or a diode that blocks, is moved by volts from step to step; what its law gives
//! is nothing before and after. A plate far above its knee bends nothing either, and a grid without current
//! bends only the plate's. To ask all laws again for their sakes took a quarter of the whole amplifier's law
//! calls.

use super::lengths::STAGES;
use super::recipe::{Place, Recipe};
use super::tables::Tables;
use super::work::Work;

/// A law whose whole step gives controls less than this, V, has no bend that counts: it is a tenth of what
/// the audit accepts.
const NOTHING_V: f64 = 1e-5;
/// Beyond this many times the narrow step a law could have begun to conduct on its way.
const FAR: f64 = 25.0;
/// A screen, and a plate that is not near 0 V, may step by this many times the narrow step: 0.04 V.
const LESS_NARROW: f64 = 10.0;
/// A valve's plate may step by the narrow step for each volt that it stands at: its knee is as wide as
/// it is far up. With half the step the Lapwing's circuits take up to 2 % more law calls. Where a grid is driven by
/// 300 V the plate may step by volts in a part of a step, and what these left over near the knee was 16 times
/// what the audit accepts.
const KNEE_PER_V: f64 = 1.0;
/// Nearer than this to 0 V, V, a plate begins to draw current: 22 mV at 0.05 V left 5 times what the audit accepts.
const PLATE_BEGINS_V: f64 = 4.0;
/// Below this, V, a grid takes no current that bends.
const NO_GRID_CURRENT_V: f64 = -0.7;
/// What a plate current's bend along a step of its grid may be, as a volt's part of its slope: half of what the audit
/// accepts.
const BEND_V: f64 = 5e-5;

/// Whether that holds of all controls that the last step moved by more than `narrowly` of their narrowness.
pub(super) fn straight(recipe: &Recipe<'_>, table: &Tables, work: &Work, narrowly: f64) -> bool {
    let each = recipe.controls.len();
    for (law, place) in recipe.laws.iter().enumerate() {
        let is_valve = || place.lane.is_some() || recipe.output_valves.contains(&law);
        for stage in 0..STAGES {
            for (k, &control) in place.controls.iter().enumerate() {
                let c = stage * each + control;
                let step = work.delta[c].abs();
                let part = step * work.narrow[c] / narrowly;
                // Written so that NaN counts as too far.
                if part <= 1.0 {
                    continue;
                }
                if is_valve() {
                    let volts = work.u[c] + recipe.u[control];
                    let is_straight = if k + 1 == place.controls.len() {
                        volts <= NO_GRID_CURRENT_V && bends_little(recipe, work, place, stage, step)
                    } else if k == 0 && volts.abs() < PLATE_BEGINS_V {
                        false
                    } else {
                        let plate = if k == 0 { KNEE_PER_V * volts } else { 0.0 };
                        part <= plate.max(LESS_NARROW)
                    };
                    if is_straight {
                        continue;
                    }
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

/// Whether a valve's plate current i with slope g is straight enough along a step of its grid. A current that
/// goes as a power of what drives it, or as its exponential, bends by g^2/i at most, so half of that
/// times the square of the step must be at most `BEND_V` g.
fn bends_little(
    recipe: &Recipe<'_>,
    work: &Work,
    place: &Place<'_>,
    stage: usize,
    step: f64,
) -> bool {
    let current = match place.lane {
        Some((pack, lane)) => work.bank[stage * recipe.rest.len() + pack][0][lane],
        None => {
            let output = place.outputs[0];
            let mut current = work.y[stage * recipe.outputs.len() + output] + recipe.y[output];
            for (k, &c) in place.controls.iter().enumerate() {
                let u = work.u[stage * recipe.controls.len() + c];
                current += recipe.slopes[place.first_slope + k] * u;
            }
            current
        }
    };
    let slope = slope(recipe, work, place, stage, [0, place.controls.len() - 1]);
    step * step * slope <= 2.0 * BEND_V * current
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
        let slope = slope(recipe, work, place, stage, [row, control]);
        let output = stage * recipe.outputs.len() + output;
        given += slope.abs() * table.blocks.influence(output);
    }
    given
}

/// The slope of one of a law's outputs to one of its controls, both by their number among the law's own.
fn slope(
    recipe: &Recipe<'_>,
    work: &Work,
    place: &Place<'_>,
    stage: usize,
    [output, control]: [usize; 2],
) -> f64 {
    match place.lane {
        Some((pack, lane)) => {
            let answer = &work.bank[stage * recipe.rest.len() + pack];
            let at = 2 + 2 * output + control;
            answer[at][lane] + recipe.rest[pack][at][lane]
        }
        None => {
            let at = place.first_slope + output * place.controls.len() + control;
            work.slopes[stage * recipe.slopes.len() + at] + recipe.slopes[at]
        }
    }
}
