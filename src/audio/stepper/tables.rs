//! What a compiled circuit needs for one step size.

use super::blocks::{self, Blocks};
use super::lengths::{LENGTHS, STAGES, WHOLE, length};
use super::linear::Linear;
use super::past::Past;
use super::recipe::Recipe;
use super::rows::{Places, Rows};
use crate::math::lu::Singular;
use crate::math::panels::{HEIGHT, Panels};
use crate::math::radau_pair;
use crate::math::sparse_panels::SparsePanels;
use num_complex::Complex;

/// What depends on the step size.
#[derive(Debug)]
pub(super) struct Tables {
    pub step_s: f64,
    /// How often the longest step was halved.
    pub level: usize,
    /// How much more of a surprise it may be than a sample's.
    pub patience: f64,
    /// What the states and the moving sources at each stage do to the rows.
    pub past: Past,
    /// What the laws' outputs at each stage take from the controls: K.
    pub reach: Panels,
    /// The same without what is nothing, if that is most of it.
    pub near: Option<SparsePanels>,
    /// How Newton's equations are solved.
    pub blocks: Blocks,
    /// Whether anything moves each control.
    pub moved: Vec<bool>,
}

impl Tables {
    /// `groups` of laws as found for another step size; none lets them be found.
    pub fn new(
        recipe: &Recipe<'_>,
        whole_s: f64,
        level: usize,
        groups: Option<&[Vec<usize>]>,
    ) -> Result<Self, Singular> {
        let n = recipe.n;
        let parts = length(WHOLE) as f64 / length(level) as f64;
        let step_s = whole_s / parts;
        let linear = Linear::new(recipe, step_s)?;
        let rows = Rows::of(recipe);
        let (height, outputs) = (rows.panels() * HEIGHT, recipe.outputs.len());
        let sources = recipe.drives.len();
        let mut lead = Panels::new(height, rows.states + STAGES * sources);
        let mut reach = Panels::new(height, STAGES * outputs);
        let mut solved = vec![0.0; height];
        let (mut joined, mut work) = (vec![Complex::default(); n], vec![Complex::default(); n]);
        let mut column = |side: &[(usize, Complex<f64>)], to: &mut Panels, k: usize| {
            joined.fill(Complex::default());
            for &(row, value) in side {
                joined[row] += value;
            }
            linear.solve(&mut joined, &mut work);
            controls_of(recipe, &joined, &mut solved[..rows.first_state()]);
            rows.read(Places::of(recipe), &joined, rows.panels(), &mut solved);
            for (row, &value) in solved.iter().enumerate() {
                to.set(row, k, value);
            }
        };
        for (k, &row) in recipe.states.iter().enumerate() {
            column(&[(row, linear.start)], &mut lead, k);
        }
        for stage in 0..STAGES {
            let mut alone = [0.0; STAGES];
            alone[stage] = 1.0;
            let alone = radau_pair::join(alone);
            for (k, source) in recipe.drives.iter().enumerate() {
                let entries = source.entries.iter();
                let side: Vec<_> = entries.map(|&(row, v)| (row, alone * v)).collect();
                column(&side, &mut lead, rows.states + stage * sources + k);
            }
            for (o, output) in recipe.outputs.iter().enumerate() {
                let ends = [(output.plus, 1.0), (output.minus, -1.0)];
                let ends = || ends.into_iter().filter(|&(row, _)| row < n);
                let k = stage * outputs + o;
                let one = if output.charge {
                    alone * linear.rate
                } else {
                    alone
                };
                let side: Vec<_> = ends().map(|(row, v)| (row, one * v)).collect();
                column(&side, &mut reach, k);
                if output.charge && stage + 1 == STAGES {
                    // The charge itself stands in its rows besides what it moves.
                    for (row, v) in ends() {
                        let state = recipe.states.iter().position(|&r| r == row);
                        let at = rows.first_state() + state.expect("a row with charge");
                        reach.set(at, k, reach.at(at, k) - v);
                    }
                }
            }
        }
        let thin = Thin::of(recipe, rows);
        let controls = rows.first_state() / HEIGHT;
        let full = lead;
        let lead = SparsePanels::of(&full, 0..rows.panels(), |r, c, v| {
            thin.counts(r, thin.lead[c], v, FELT)
        });
        let counts = |row: usize, column: usize, v: f64| {
            thin.counts(row, thin.outputs[column % outputs], v, FELT_OF_LAWS)
        };
        let ends = SparsePanels::of(&reach, controls..rows.panels(), counts);
        let all = reach;
        let reach = all.first(controls);
        let each = recipe.controls.len();
        let moves = |row: usize| {
            let past = || {
                (0..thin.lead.len()).any(|c| thin.counts(row, thin.lead[c], full.at(row, c), FELT))
            };
            past() || (0..reach.columns()).any(|c| counts(row, c, reach.at(row, c)))
        };
        let moved = (0..each)
            .map(|c| (0..STAGES).any(|stage| moves(stage * each + c)))
            .collect();
        let near = SparsePanels::of(&reach, 0..controls, counts);
        let near = Some(near).filter(|near| near.kept() * SPARSE <= controls * reach.columns());
        let blocks = match groups {
            Some(groups) => Blocks::new(recipe, &reach, groups),
            None => Blocks::new(recipe, &reach, &blocks::groups(recipe, &reach, step_s)),
        };
        let past = Past::new(recipe, linear, lead, all, ends, near.is_some());
        Ok(Tables {
            step_s,
            level,
            patience: if level + 1 < LENGTHS {
                parts
            } else {
                f64::INFINITY
            },
            past,
            reach,
            near,
            blocks,
            moved,
        })
    }
}

/// K is taken without what is nothing where that leaves less than one part in this many.
const SPARSE: usize = 2;

/// What an entry of the matrices must be to count, so that what is left out is below the last
/// digit of what it would have been added to.
struct Thin {
    /// What each row is measured in: volts of a control or an unknown, charge of a state per volt.
    rows: Vec<f64>,
    /// What each column of `lead` is measured in.
    lead: Vec<f64>,
    /// The same of the laws' outputs.
    outputs: Vec<f64>,
    states: std::ops::Range<usize>,
}

/// An entry of a state counts that moves a control by this, V for a volt.
const FELT: f64 = 1e-12;
/// The same of a law's output, V for an ampere, of which laws give a hundredth.
const FELT_OF_LAWS: f64 = 1e-10;
/// States must be moved by a thousandth of that in a step: what slow ones lose adds up, over a
/// million steps to a millionth of a thousandth at most.
const SLOWLY: f64 = 1e-3;

impl Thin {
    fn of(recipe: &Recipe<'_>, rows: Rows) -> Self {
        let own = |&row: &usize| -> f64 {
            let c = &recipe.c[recipe.indptr[row]..recipe.indptr[row + 1]];
            c.iter().map(|c| c.abs()).sum()
        };
        let capacity: Vec<f64> = recipe.states.iter().map(own).collect();
        let mut units = vec![1.0; rows.panels() * HEIGHT];
        let states = rows.first_state()..rows.first_watched();
        units[states.clone()].copy_from_slice(&capacity);
        let mut lead = capacity;
        lead.resize(rows.states + STAGES * recipe.drives.len(), 1.0);
        // A charge that only laws hold can be of any size.
        for unit in &mut lead {
            if *unit == 0.0 {
                *unit = f64::INFINITY;
            }
        }
        let unit = |o: &super::recipe::Output| if o.charge { f64::INFINITY } else { 1.0 };
        Thin {
            rows: units,
            lead,
            outputs: recipe.outputs.iter().map(unit).collect(),
            states,
        }
    }

    fn counts(&self, row: usize, unit: f64, value: f64, felt: f64) -> bool {
        let least = if self.states.contains(&row) {
            SLOWLY * felt
        } else {
            felt
        };
        value.abs() * unit >= least * self.rows[row]
    }
}

/// Reads the controls at both stages off a solution.
fn controls_of(recipe: &Recipe<'_>, joined: &[Complex<f64>], to: &mut [f64]) {
    let at = |k: usize| {
        joined
            .get(k)
            .map_or([0.0; STAGES], |&x| radau_pair::part(x))
    };
    let (first, second) = to.split_at_mut(recipe.controls.len());
    for ((first, second), &(plus, minus)) in first.iter_mut().zip(second).zip(&recipe.controls) {
        let (plus, minus) = (at(plus), at(minus));
        [*first, *second] = [plus[0] - minus[0], plus[1] - minus[1]];
    }
}
