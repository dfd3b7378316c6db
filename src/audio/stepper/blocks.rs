//! Newton's equations for the laws' controls, solved block by block.
//!
//! Valve stages mostly act forward: what a stage's plate does reaches the stage before only
//! through a few picofarads or the supply. So laws that act on each other are solved
//! together and the groups one after the other in the direction of the signal. Influence
//! against it is left out of the Jacobian, never out of the equations: it is weak, and the
//! next iteration sees what it does.

use super::recipe::{Place, Recipe};
use super::tables::STAGES;
use crate::device::WIDTH;
use crate::math::dense;
use crate::math::panels::{HEIGHT, Panels};

/// Laws whose mutual influence round the loop is above this are solved together.
const LOOP: f64 = 0.03;
/// A pivot this much smaller than what it eliminates calls for an exchange of rows. Plates move
/// a hundred times as far as grids, so that a grid's pivot is small by nature; what is lost by it
/// are digits of a Newton step, which the next one makes good.
const PIVOT: f64 = 1e-3;

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
    /// K for these, `[controls * outputs]` column by column.
    k: Vec<f64>,
}

/// What Newton's step is worked out from and where it goes.
pub(super) struct Step<'a> {
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
    /// Room for a block's matrix and right side.
    pub matrix: &'a mut [f64],
    pub side: &'a mut [f64],
}

/// The step; false if the equations are singular.
#[inline(always)]
pub(super) fn solve(
    recipe: &Recipe<'_>,
    reach: &Panels,
    blocks: &[Block],
    step: &mut Step<'_>,
) -> bool {
    for (number, block) in blocks.iter().enumerate() {
        let quick = match block.triodes.len() {
            1 => triode(block, step),
            2 => triodes::<8>(block, step),
            3 => triodes::<12>(block, step),
            4 => triodes::<16>(block, step),
            _ => false,
        };
        if !quick && !any(recipe, block, step) {
            return false;
        }
        if number + 1 < blocks.len() {
            reach.subtract_columns(&block.outputs, step.dy, step.missing);
        }
    }
    true
}

/// One triode, its two stages as blocks of two by two: two divisions in place of four, and all but
/// the last few products do not wait for the triodes before. False if a determinant is a
/// difference of near equals.
#[inline(always)]
fn triode(block: &Block, step: &mut Step<'_>) -> bool {
    let ([k], _) = block.k.as_chunks::<{ 4 * 2 * STAGES }>() else {
        return false;
    };
    let (packs, panels) = (step.bank.len() / STAGES, step.missing.len() / STAGES);
    let (pack, lane) = block.triodes[0];
    let slopes: [[f64; 3]; STAGES] = std::array::from_fn(|stage| {
        let [.., plate, grid, own] = &step.bank[stage * packs + pack];
        [plate[lane], grid[lane], own[lane]]
    });
    // Row `to`, column `from` of 1 + K slopes, a block row by row.
    let part = |to: usize, from: usize| -> Two {
        let [plate, grid, own] = slopes[from];
        let entry = |row: usize, output: usize| k[4 * (2 * from + output) + 2 * to + row];
        let one = if to == from { 1.0 } else { 0.0 };
        [
            [
                one + entry(0, 0) * plate,
                entry(0, 0) * grid + entry(0, 1) * own,
            ],
            [
                entry(1, 0) * plate,
                one + entry(1, 0) * grid + entry(1, 1) * own,
            ],
        ]
    };
    let (a, b, c, d) = (part(0, 0), part(0, 1), part(1, 0), part(1, 1));
    let (a, safe) = inverse(a);
    let ca = product(c, a);
    let cab = product(ca, b);
    let (s, sound) = inverse([
        [d[0][0] - cab[0][0], d[0][1] - cab[0][1]],
        [d[1][0] - cab[1][0], d[1][1] - cab[1][1]],
    ]);
    if !(safe && sound) {
        return false;
    }
    let (first, last) = (&step.missing[pack], &step.missing[panels + pack]);
    let (f, g) = (
        [first[lane], first[WIDTH + lane]],
        [last[lane], last[WIDTH + lane]],
    );
    let x2 = times(s, minus(g, times(ca, f)));
    let x1 = times(a, minus(f, times(b, x2)));
    let outputs = step.dy.len() / STAGES;
    for (stage, x) in [x1, x2].into_iter().enumerate() {
        let [plate, grid, own] = slopes[stage];
        let at = (stage * panels + pack) * HEIGHT + lane;
        step.delta[at] = x[0];
        step.delta[at + WIDTH] = x[1];
        let to = stage * outputs + pack * HEIGHT + lane;
        step.dy[to] = plate * x[0] + grid * x[1];
        step.dy[to + WIDTH] = own * x[1];
    }
    true
}

/// A matrix of two rows.
type Two = [[f64; 2]; 2];

/// The inverse, and whether it can be trusted.
#[inline(always)]
fn inverse(m: Two) -> (Two, bool) {
    let (one, other) = (m[0][0] * m[1][1], m[0][1] * m[1][0]);
    let determinant = one - other;
    // Written so that NaN fails too.
    let safe = determinant.abs() > 1e-6 * (one.abs() + other.abs());
    let per = 1.0 / determinant;
    let inverse = [
        [m[1][1] * per, -m[0][1] * per],
        [-m[1][0] * per, m[0][0] * per],
    ];
    (inverse, safe)
}

#[inline(always)]
fn product(a: Two, b: Two) -> Two {
    let row = |r: usize| std::array::from_fn(|c| a[r][0] * b[0][c] + a[r][1] * b[1][c]);
    [row(0), row(1)]
}

#[inline(always)]
fn times(m: Two, x: [f64; 2]) -> [f64; 2] {
    [
        m[0][0] * x[0] + m[0][1] * x[1],
        m[1][0] * x[0] + m[1][1] * x[1],
    ]
}

#[inline(always)]
fn minus(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] - b[0], a[1] - b[1]]
}

/// N/4 triodes without exchange of rows; false if that would not be safe.
#[inline(always)]
fn triodes<const N: usize>(block: &Block, step: &mut Step<'_>) -> bool {
    let (k, _) = block.k.as_chunks::<N>();
    let (k, _) = k.as_chunks::<{ 2 * STAGES }>();
    let (packs, panels) = (step.bank.len() / STAGES, step.missing.len() / STAGES);
    let mut a = [[0.0f64; N]; N];
    let mut x = [0.0f64; N];
    for (t, (k, &(pack, lane))) in k.iter().zip(&block.triodes).enumerate() {
        for stage in 0..STAGES {
            let [.., plate, grid, own] = &step.bank[stage * packs + pack];
            let (plate, grid, own) = (plate[lane], grid[lane], own[lane]);
            let (kp, kg) = (&k[2 * stage], &k[2 * stage + 1]);
            let at = 2 * (STAGES * t + stage);
            for row in 0..N {
                a[at][row] = kp[row] * plate;
                a[at + 1][row] = kp[row] * grid + kg[row] * own;
            }
            a[at][at] += 1.0;
            a[at + 1][at + 1] += 1.0;
            let missing = &step.missing[stage * panels + pack];
            x[at] = missing[lane];
            x[at + 1] = missing[WIDTH + lane];
        }
    }
    for k in 0..N {
        let pivot = a[k][k];
        let largest = a[k][k + 1..].iter().fold(0.0f64, |m, v| m.max(v.abs()));
        // Written so that NaN fails too.
        let safe = pivot.abs() > PIVOT * largest;
        if !safe {
            return false;
        }
        let per = 1.0 / pivot;
        for row in k + 1..N {
            let factor = a[k][row] * per;
            for column in a.iter_mut().skip(k + 1) {
                column[row] -= factor * column[k];
            }
            x[row] -= factor * x[k];
        }
        a[k][k] = per;
    }
    for k in (0..N).rev() {
        x[k] *= a[k][k];
        for row in 0..k {
            x[row] -= a[k][row] * x[k];
        }
    }
    let outputs = step.dy.len() / STAGES;
    for (x, &(pack, lane)) in x.as_chunks::<{ 2 * STAGES }>().0.iter().zip(&block.triodes) {
        for stage in 0..STAGES {
            let [.., plate, grid, own] = &step.bank[stage * packs + pack];
            let (vpk, vgk) = (x[2 * stage], x[2 * stage + 1]);
            let at = (stage * panels + pack) * HEIGHT + lane;
            step.delta[at] = vpk;
            step.delta[at + WIDTH] = vgk;
            let to = stage * outputs + pack * HEIGHT + lane;
            step.dy[to] = plate[lane] * vpk + grid[lane] * vgk;
            step.dy[to + WIDTH] = own[lane] * vgk;
        }
    }
    true
}

/// Any laws, with exchange of rows.
#[inline(always)]
fn any(recipe: &Recipe<'_>, block: &Block, step: &mut Step<'_>) -> bool {
    let m = block.controls.len();
    let matrix = &mut step.matrix[..m * m];
    let side = &mut step.side[..m];
    matrix.fill(0.0);
    for (k, column) in matrix.chunks_exact_mut(m.max(1)).enumerate() {
        column[k] = 1.0;
    }
    let mut rest = &mut *matrix;
    let mut k = block.k.chunks_exact(m.max(1));
    for &law in &block.laws {
        let place = &recipe.laws[law];
        for stage in 0..STAGES {
            let own = k.by_ref().take(place.outputs.len());
            let (columns, after) = std::mem::take(&mut rest).split_at_mut(m * place.controls.len());
            rest = after;
            for (o, k) in own.enumerate() {
                for (c, column) in columns.chunks_exact_mut(m.max(1)).enumerate() {
                    let slope = slope(place, stage, o, c, step.bank, step.slopes);
                    for (a, k) in column.iter_mut().zip(k) {
                        *a += slope * k;
                    }
                }
            }
        }
    }
    let missing = step.missing.as_flattened();
    for (x, &c) in side.iter_mut().zip(&block.controls) {
        *x = missing[c];
    }
    if !dense::solve_columns_here(matrix, side) {
        return false;
    }
    for (x, &c) in side.iter().zip(&block.controls) {
        step.delta[c] = *x;
    }
    let (controls, outputs) = (step.delta.len() / STAGES, step.dy.len() / STAGES);
    for &law in &block.laws {
        let place = &recipe.laws[law];
        for stage in 0..STAGES {
            for (o, &output) in place.outputs.iter().enumerate() {
                let mut moved = 0.0;
                for (c, &at) in place.controls.iter().enumerate() {
                    let slope = slope(place, stage, o, c, step.bank, step.slopes);
                    moved += slope * step.delta[stage * controls + at];
                }
                step.dy[stage * outputs + output] = moved;
            }
        }
    }
    true
}

/// A law's slope beyond that at rest, at a stage.
#[inline(always)]
fn slope(
    place: &Place<'_>,
    stage: usize,
    o: usize,
    c: usize,
    bank: &[[[f64; WIDTH]; 5]],
    own: &[f64],
) -> f64 {
    let Some((pack, lane)) = place.lane else {
        let first = stage * own.len() / STAGES + place.first_slope;
        return own[first + o * place.controls.len() + c];
    };
    let answer = &bank[stage * bank.len() / STAGES + pack];
    match (o, c) {
        (0, 0) => answer[2][lane],
        (0, _) => answer[3][lane],
        (_, 0) => 0.0,
        _ => answer[4][lane],
    }
}

/// Blocks for groups of laws.
pub(super) fn prepare(recipe: &Recipe<'_>, reach: &Panels, groups: &[Vec<usize>]) -> Vec<Block> {
    let (nc, no) = (recipe.controls.len(), recipe.outputs.len());
    let staged = |each: usize, own: &[usize]| -> Vec<usize> {
        let stages = (0..STAGES).flat_map(|s| own.iter().map(move |k| s * each + k));
        stages.collect()
    };
    groups
        .iter()
        .map(|laws| {
            let places = || laws.iter().map(|&law| &recipe.laws[law]);
            let controls: Vec<usize> = places().flat_map(|p| staged(nc, &p.controls)).collect();
            let outputs: Vec<usize> = places().flat_map(|p| staged(no, &p.outputs)).collect();
            let lanes: Option<Vec<_>> = places().map(|p| p.lane).collect();
            let entry = |o: &usize| {
                controls
                    .iter()
                    .map(|&c| reach.at(c, *o))
                    .collect::<Vec<_>>()
            };
            Block {
                triodes: lanes.filter(|l| l.len() <= 4).unwrap_or_default(),
                laws: laws.clone(),
                k: outputs.iter().flat_map(entry).collect(),
                controls,
                outputs,
            }
        })
        .collect()
}

/// The laws of each block.
pub(super) fn groups_of(blocks: &[Block]) -> Vec<Vec<usize>> {
    blocks.iter().map(|b| b.laws.clone()).collect()
}

/// Laws grouped by mutual influence, the groups in the direction of the signal.
pub(super) fn groups(recipe: &Recipe<'_>, reach_of: &Panels, step_s: f64) -> Vec<Vec<usize>> {
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
