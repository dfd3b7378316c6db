//! Which laws are counted from their own conductances alone.
//!
//! The linear part holds the laws' slopes at rest. In a row of stages these multiply: K then tells
//! of the tenth grid's volts, a hundred thousand million for a volt at the first, though every
//! plate between is held by its supply. What is missing there is the difference of such figures,
//! and a guess off by a millionth misses by kilovolts. (Ten triode stages, each driven far into
//! clipping: every step was divided, 20 law calls a step at 48 kHz times 4; 4.8 since.)
//!
//! So a law whose controls another moves that far keeps only what each of its ports does to itself
//! (plate by plate, grid by grid) in the linear part, and what one port does to another (plate by
//! grid) is left to Newton: K then leads no further than its neighbours. A law within reach keeps
//! all its slopes, because a guess of what it gives beyond them is the better one: with none kept
//! the overdrive cascade took twice as many law calls.

use super::recipe::{Place, Recipe};
use crate::math::panels::Panels;

/// A control is far off where another law's moves it by more volts than this for a volt of its own,
/// within a step. In the Lapwing it is 850 at most, in steps of a sample, and below 300 at times 4,
/// where 100 spoils guesses by 5 dB.
const FAR: f64 = 1e3;

/// Numbers of the laws that others move that far, in the direction in which K leads.
pub(super) fn far(recipe: &Recipe<'_>, reach: &Panels) -> Vec<usize> {
    let laws = &recipe.laws;
    let steep: Vec<Vec<(usize, f64)>> = laws.iter().map(|law| steepest(recipe, law)).collect();
    let is_far = |to: &usize| {
        let mut gains = steep.iter().flatten().flat_map(|&(output, slope)| {
            let controls = laws[*to].controls.iter();
            controls.map(move |&control| (reach.at(control, output) * slope).abs())
        });
        // Written so that NaN, where K overflows, is far too.
        !gains.all(|gain| gain <= FAR)
    };
    let has_ports = |law: &usize| laws[*law].controls.len() == laws[*law].law.outputs();
    (0..laws.len()).filter(has_ports).filter(is_far).collect()
}

/// A law's outputs that controls other than their own move at rest, and by how much at most.
fn steepest(recipe: &Recipe<'_>, law: &Place<'_>) -> Vec<(usize, f64)> {
    if let Some((pack, lane)) = law.lane {
        let rest = &recipe.rest[pack];
        return vec![
            (law.outputs[0], rest[3][lane]),
            (law.outputs[1], rest[4][lane]),
        ];
    }
    let count = law.controls.len();
    let most = |(row, &output): (usize, &usize)| {
        let slopes = &recipe.slopes[law.first_slope + row * count..][..count];
        let across = slopes
            .iter()
            .enumerate()
            .filter(|&(c, _)| !law.is_own(row, c));
        let steepest = across.fold(0.0f64, |most, (_, slope)| most.max(slope.abs()));
        (!recipe.outputs[output].charge).then_some((output, steepest))
    };
    law.outputs.iter().enumerate().filter_map(most).collect()
}
