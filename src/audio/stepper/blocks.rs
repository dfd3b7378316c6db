//! Newton's equations for the laws' controls, solved block by block.
//!
//! Valve stages mostly act forward: what a stage's plate does reaches the stage before only
//! through a few picofarads or the supply. So laws that act on each other are solved
//! together and the groups one after the other in the direction of the signal. Influence
//! against it is left out of the Jacobian, never out of the equations: it is weak, and the
//! next iteration sees what it does. So are outputs whose slope moves nothing to speak of.

use super::recipe::{Place, Recipe};
use super::tables::{STAGES, Tables};
use crate::device::WIDTH;
use crate::math::dense;
use crate::math::panels::{HEIGHT, Panels};

/// Laws whose mutual influence round the loop is above this are solved together.
const LOOP: f64 = 0.03;
/// A pivot this much smaller than what it eliminates calls for an exchange of rows. Plates move
/// a hundred times as far as grids, so that a grid's pivot is small by nature; what is lost by it
/// are digits of a Newton step, which the next one makes good.
const PIVOT: f64 = 1e-3;

/// An output that moves its block's controls by less than this part of their own step is left
/// out of the Jacobian (a valve without current, a grid without): the next iteration sees it.
const MIN_INFLUENCE: f64 = 1e-6;
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
}

/// The step; false if the equations are singular.
#[inline(always)]
pub(super) fn solve(table: &Tables, step: &mut BlockStep<'_>) -> bool {
    for block in &table.blocks {
        let quick = match block.triodes.len() {
            1 => triode(block, step),
            2 => triodes::<8>(block, step),
            3 => triodes::<12>(block, step),
            4 => triodes::<16>(block, step),
            _ => false,
        };
        if !quick && !any(block, step) {
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

/// One triode, its two stages as blocks of two by two: two divisions in place of four, and all but
/// the last few products do not wait for the triodes before. False if a determinant is a
/// difference of near equals.
#[inline(always)]
fn triode(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let ([k], _) = block.k.as_chunks::<{ 4 * 2 * STAGES }>() else {
        return false;
    };
    let (packs, panels) = (step.bank.len() / STAGES, step.missing.len() / STAGES);
    let (pack, lane) = block.triodes[0];
    let mut slopes = [[0.0; 3]; STAGES];
    for (stage, slopes) in slopes.iter_mut().enumerate() {
        let [.., plate, grid, own] = &step.bank[stage * packs + pack];
        *slopes = [plate[lane], grid[lane], own[lane]];
    }
    let [first, last] = slopes;
    let (a, b) = (part(k, first, 0, 0), part(k, last, 0, 1));
    let (c, d) = (part(k, first, 1, 0), part(k, last, 1, 1));
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

/// Row `to`, column `from` of 1 + K slopes, a block row by row. Written out, like what follows:
/// closures are not always taken into the processor's best instructions.
#[inline(always)]
fn part(k: &[f64; 4 * 2 * STAGES], [plate, grid, own]: [f64; 3], to: usize, from: usize) -> Two {
    let one = if to == from { 1.0 } else { 0.0 };
    let (plate_k, grid_k) = (8 * from + 2 * to, 8 * from + 4 + 2 * to);
    [
        [
            one + k[plate_k] * plate,
            k[plate_k] * grid + k[grid_k] * own,
        ],
        [
            k[plate_k + 1] * plate,
            one + k[plate_k + 1] * grid + k[grid_k + 1] * own,
        ],
    ]
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
    [
        [
            a[0][0] * b[0][0] + a[0][1] * b[1][0],
            a[0][0] * b[0][1] + a[0][1] * b[1][1],
        ],
        [
            a[1][0] * b[0][0] + a[1][1] * b[1][0],
            a[1][0] * b[0][1] + a[1][1] * b[1][1],
        ],
    ]
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
fn triodes<const N: usize>(block: &Block, step: &mut BlockStep<'_>) -> bool {
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

/// Any laws, with exchange of rows: (1 + S K) dy = S missing for the outputs that matter, S being
/// the slopes, then the controls by missing - K dy.
#[inline(always)]
fn any(block: &Block, step: &mut BlockStep<'_>) -> bool {
    match block.widest {
        2 => any_of::<2>(block, step),
        3 => any_of::<3>(block, step),
        _ => any_of::<0>(block, step),
    }
}

/// The same for laws of at most W controls; 0 for as many as there are.
#[inline(always)]
fn any_of<const W: usize>(block: &Block, step: &mut BlockStep<'_>) -> bool {
    let width = if W > 0 { W } else { block.widest };
    let part = &mut step.part[..block.height];
    let missing = step.missing.as_flattened();
    part.fill(0.0);
    for (x, &c) in part.iter_mut().zip(&block.controls) {
        *x = missing[c];
    }
    step.significant.clear();
    step.rows.resize(block.rows.len() * width, 0.0);
    for (number, row) in block.rows.iter().enumerate() {
        let slopes = &mut step.rows[number * width..][..width];
        row.slopes(step.bank, step.slopes, slopes);
        let most = slopes.iter().fold(0.0f64, |m, s| m.max(s.abs()));
        if is_significant(most * row.influence, MIN_INFLUENCE) {
            step.significant.push(number);
        }
    }
    let slopes = &step.rows[..];
    let significant = &step.significant[..];
    let n = significant.len();
    let (matrix, side) = (&mut step.matrix[..n * n], &mut step.side[..n]);
    let columns = matrix.chunks_exact_mut(n.max(1));
    for (c, (column, &output)) in columns.zip(significant).enumerate() {
        let k = &block.k[output * block.height..][..block.height];
        for (entry, &number) in column.iter_mut().zip(significant) {
            *entry = dot::<W>(block, slopes, number, k);
        }
        column[c] += 1.0;
    }
    for (side, &number) in side.iter_mut().zip(significant) {
        *side = dot::<W>(block, slopes, number, part);
    }
    if !dense::solve_columns_here(matrix, side) {
        return false;
    }
    for (dy, &output) in side.iter().zip(significant) {
        let k = &block.k[output * block.height..][..block.height];
        for (x, k) in part.iter_mut().zip(k) {
            *x -= dy * k;
        }
    }
    for (x, &c) in part.iter().zip(&block.controls) {
        step.delta[c] = *x;
    }
    for (number, &output) in block.outputs.iter().enumerate() {
        step.dy[output] = dot::<W>(block, slopes, number, part);
    }
    true
}

/// An output's slopes times values of the block's controls.
#[inline(always)]
fn dot<const W: usize>(block: &Block, slopes: &[f64], number: usize, values: &[f64]) -> f64 {
    let first = block.rows[number].first;
    if W == 0 {
        let slopes = &slopes[number * block.widest..][..block.widest];
        return slopes
            .iter()
            .zip(&values[first..])
            .map(|(s, v)| s * v)
            .sum();
    }
    let slopes: &[f64; W] = &slopes.as_chunks().0[number];
    let values: &[f64; W] = values[first..].first_chunk().expect("as wide");
    let mut sum = slopes[0] * values[0];
    for k in 1..W {
        sum += slopes[k] * values[k];
    }
    sum
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
