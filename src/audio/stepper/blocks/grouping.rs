//! Which laws are solved together, and in which order.

use super::super::lengths::STAGES;
use super::super::recipe::{Place, Recipe};
use crate::math::panels::Panels;

/// Laws whose mutual influence round the loop is above this are solved together. What is left out of it no second
/// evaluation sees where there is none: at 0.03 (valves coupled by a plate's picofarads, at 8 times 48 kHz) a
/// plate's current was a thousandth of itself off, which the audit finds.
const LOOP: f64 = 0.001;

/// Laws grouped by mutual influence, the groups in the direction of the signal.
pub(in super::super) fn groups(
    recipe: &Recipe<'_>,
    reach_of: &Panels,
    step_s: f64,
) -> Vec<Vec<usize>> {
    let n = recipe.laws.len();
    let (nc, no) = (recipe.controls.len(), recipe.outputs.len());
    // A charge counts as the current that brings it within the step.
    let strongest = |to: &Place<'_>, from: &Place<'_>| {
        let mut most = 0.0f64;
        for stage in 0..STAGES {
            for &c in &to.controls {
                for &o in &from.outputs {
                    let per = if recipe.outputs[o].charge {
                        step_s
                    } else {
                        1.0
                    };
                    let k = per * reach_of.at(stage * nc + c, stage * no + o);
                    most = most.max(k.abs());
                }
            }
        }
        most
    };
    // Volts at law i for each volt that law j makes for itself, over the best path.
    let mut reach = vec![vec![0.0f64; n]; n];
    for (i, to) in recipe.laws.iter().enumerate() {
        for (j, from) in recipe.laws.iter().enumerate() {
            let own = strongest(from, from).max(1e-300);
            reach[i][j] = (strongest(to, from) / own).min(1e12);
        }
    }
    for via in 0..n {
        for i in 0..n {
            for j in 0..n {
                let path = (reach[i][via] * reach[via][j]).min(1e12);
                if path > reach[i][j] {
                    reach[i][j] = path;
                }
            }
        }
    }
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mutual = |a: usize, b: usize| reach[a][b] * reach[b][a];
    for law in 0..n {
        let (mut joined, apart): (Vec<_>, Vec<_>) = groups
            .into_iter()
            .partition(|g: &Vec<usize>| g.iter().any(|&m| mutual(law, m) > LOOP));
        let mut group = joined.drain(..).flatten().collect::<Vec<_>>();
        group.push(law);
        groups = apart;
        groups.push(group);
    }
    // Next comes the group that the remaining ones influence least.
    let mut sorted = Vec::with_capacity(groups.len());
    while !groups.is_empty() {
        let influence = |g: &Vec<usize>| {
            let others = groups.iter().filter(|o| *o != g).flatten();
            others
                .flat_map(|&j| g.iter().map(move |&i| (i, j)))
                .map(|(i, j)| reach[i][j])
                .fold(0.0, f64::max)
        };
        let next = (0..groups.len())
            .min_by(|&a, &b| influence(&groups[a]).total_cmp(&influence(&groups[b])))
            .expect("not empty");
        let mut group = groups.remove(next);
        group.sort_unstable();
        sorted.push(group);
    }
    sorted
}
