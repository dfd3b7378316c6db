//! What the past, the sources and a guess of the laws' outputs make of a step.
//!
//! Of a small circuit matrices are made beforehand that lead from all of these to all that is read. They
//! are dense, though. Beyond some fifty unknowns the linear equations, whose factors are as sparse as the
//! circuit, are solved at each step in less time than the matrices take to be fetched.

use super::lengths::STAGES;
use super::linear::Linear;
use super::recipe::Recipe;
use super::tables::Rows;
use crate::math::panels::{HEIGHT, Panels};
use crate::math::radau_pair;
use crate::math::sparse_panels::SparsePanels;
use num_complex::Complex;

/// Multiplying takes longer where there are more columns of panels than this for each entry of the
/// factors. (The preamp has 2.8 and the power amplifier 2.5, which take as long either way, the overdrive
/// cascade 1.9, the whole amplifier 5.5.)
const COLUMNS: usize = 2;

/// How they are found.
#[derive(Debug)]
pub(super) enum Past {
    /// By matrices.
    Multiplied {
        /// What the states (first columns) and the moving sources at each stage do to the rows.
        lead: SparsePanels,
        /// What the laws' outputs take from the rows beyond the controls.
        ends: SparsePanels,
    },
    /// By the equations themselves, and what outputs beyond their guess take from the rows beyond the
    /// controls.
    Eliminated { linear: Linear, ends: Ends },
}

/// What outputs take from rows.
#[derive(Debug)]
pub(super) enum Ends {
    /// Those that move anything, one by one.
    Each(Panels),
    /// All of them, where each acts on few.
    All(SparsePanels),
}

/// What a step begins with, and room for a solution.
#[derive(Debug, Clone)]
pub(super) struct Start {
    /// Charges of the states, then the moving sources at each stage.
    pub lead: Vec<f64>,
    /// All unknowns, both stages joined, and ground.
    joined: Vec<Complex<f64>>,
    work: Vec<Complex<f64>>,
}

impl Start {
    pub fn new(recipe: &Recipe<'_>) -> Self {
        Start {
            lead: vec![0.0; recipe.states.len() + STAGES * recipe.drives.len()],
            joined: vec![Complex::default(); recipe.n + 1],
            work: vec![Complex::default(); recipe.n],
        }
    }
}

impl Past {
    /// The cheaper way. `reach` is what the laws' outputs take from all rows, `ends` the same from those
    /// beyond the controls without what is nothing.
    pub fn new(
        recipe: &Recipe<'_>,
        linear: Linear,
        lead: SparsePanels,
        reach: Panels,
        ends: SparsePanels,
        is_slim: bool,
    ) -> Self {
        let of = Rows::of(recipe);
        let (controls, needed) = (of.first_state() / HEIGHT, of.needed());
        let columns =
            lead.kept_of(0..needed) + controls * reach.columns() + ends.kept_of(controls..needed);
        if columns <= COLUMNS * linear.entries() {
            return Past::Multiplied { lead, ends };
        }
        let ends = if is_slim {
            Ends::All(ends)
        } else {
            Ends::Each(reach)
        };
        Past::Eliminated { linear, ends }
    }

    /// Whether the rest asks for nothing but what some laws give beyond their guess.
    #[inline(always)]
    pub fn takes_each(&self) -> bool {
        matches!(
            self,
            Past::Eliminated {
                ends: Ends::Each(_),
                ..
            }
        )
    }

    /// The controls at both stages, the laws giving `y`; `take` takes from them what these do.
    #[inline(always)]
    pub fn controls(
        &self,
        recipe: &Recipe<'_>,
        start: &mut Start,
        y: &[f64],
        take: impl FnOnce(&mut [[f64; HEIGHT]]),
        rows: &mut [[f64; HEIGHT]],
    ) {
        let panels = STAGES * recipe.controls.len() / HEIGHT;
        match self {
            Past::Multiplied { lead, .. } => {
                lead.multiply(&start.lead, 0..panels, rows);
                take(&mut rows[..panels]);
            }
            Past::Eliminated { linear, .. } => {
                solve(linear, recipe, start, y);
                let (first, second) = rows.as_flattened_mut().split_at_mut(recipe.controls.len());
                let to = first.iter_mut().zip(second);
                for ((first, second), &(plus, minus)) in to.zip(&recipe.controls) {
                    [*first, *second] = radau_pair::part(start.joined[plus] - start.joined[minus]);
                }
            }
        }
    }

    /// The rows beyond the controls, `panels` of them, the laws giving `y`; after [`Past::controls`].
    #[inline(always)]
    pub fn rest(
        &self,
        recipe: &Recipe<'_>,
        start: &Start,
        laws: Beyond<'_>,
        panels: std::ops::Range<usize>,
        rows: &mut [[f64; HEIGHT]],
    ) {
        match self {
            Past::Multiplied { lead, ends } => {
                lead.multiply(&start.lead, panels.clone(), rows);
                ends.subtract(laws.y, panels, rows);
            }
            Past::Eliminated { ends, .. } => {
                let flat = rows.as_flattened_mut();
                read(recipe, &start.joined, laws.guess, panels.end, flat);
                match ends {
                    Ends::Each(ends) => {
                        ends.subtract_columns(laws.significant, laws.dy, panels, rows);
                    }
                    Ends::All(ends) => ends.subtract(laws.dy, panels, rows),
                }
            }
        }
    }
}

/// What the laws give in the end.
pub(super) struct Beyond<'a> {
    pub y: &'a [f64],
    /// What they were guessed to give, and `y` less that.
    pub guess: &'a [f64],
    pub dy: &'a [f64],
    /// The outputs that give anything else.
    pub significant: &'a [usize],
}

/// All unknowns, the laws giving `y`.
#[inline(always)]
fn solve(linear: &Linear, recipe: &Recipe<'_>, start: &mut Start, y: &[f64]) {
    let right = &mut start.joined[..];
    right.fill(Complex::default());
    let (charges, sources) = start.lead.split_at(recipe.states.len());
    for (&row, charge) in recipe.states.iter().zip(charges) {
        right[row] = linear.start * charge;
    }
    let (first, second) = sources.split_at(recipe.drives.len());
    for ((source, &first), &second) in recipe.drives.iter().zip(first).zip(second) {
        let value = radau_pair::join([first, second]);
        for &(row, part) in &source.entries {
            right[row] += value * part;
        }
    }
    let (first, second) = y.split_at(recipe.outputs.len());
    for ((output, &first), &second) in recipe.outputs.iter().zip(first).zip(second) {
        let mut value = radau_pair::join([first, second]);
        if output.charge {
            value *= linear.rate;
        }
        right[output.plus] -= value;
        right[output.minus] += value;
    }
    linear.solve(&mut right[..recipe.n], &mut start.work);
    right[recipe.n] = Complex::default();
}

/// Reads the rows beyond the controls off the unknowns, up to a panel; laws that hold charge give `y`.
#[inline(always)]
fn read(recipe: &Recipe<'_>, joined: &[Complex<f64>], y: &[f64], panels: usize, rows: &mut [f64]) {
    let of = Rows::of(recipe);
    let [_, y] = [0, 1].map(|stage| &y[stage * recipe.outputs.len()..][..recipe.outputs.len()]);
    let states = &mut rows[of.first_state()..][..of.states];
    states.fill(0.0);
    for &(state, column, c) in &recipe.stored {
        states[state] += c * radau_pair::part(joined[column])[1];
    }
    for &(state, output, sign) in &recipe.charged {
        states[state] += sign * y[output];
    }
    let both = [
        (of.first_watched(), &recipe.watched),
        (of.first_besides(), &recipe.besides),
    ];
    for (first, unknowns) in both {
        if first >= panels * HEIGHT {
            return;
        }
        let (ends, inner) = rows[first..][..STAGES * unknowns.len()].split_at_mut(unknowns.len());
        for ((end, inner), &unknown) in ends.iter_mut().zip(inner).zip(unknowns) {
            [*inner, *end] = radau_pair::part(joined[unknown]);
        }
    }
}
