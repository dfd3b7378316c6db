//! What the past, the sources and a guess of the laws' outputs make of a step.
//!
//! Of a small circuit a matrix is multiplied out beforehand that leads from all of these to all that is
//! read. It is dense, and beyond some fifty unknowns the linear equations, whose factors are as sparse
//! as the circuit, are solved anew at each step in less time than the matrix takes to be fetched.

use super::lengths::STAGES;
use super::linear::Linear;
use super::recipe::Recipe;
use super::tables::Rows;
use crate::math::panels::{HEIGHT, Panels};
use crate::math::radau_pair;
use crate::math::sparse_panels::SparsePanels;
use num_complex::Complex;

/// An entry of the factors takes as long as this many columns of a panel.
const DEAR: usize = 3;

/// How they are found.
#[derive(Debug)]
pub(super) enum Past {
    /// By what the states (first columns) and the moving sources at each stage do to the rows.
    Multiplied(SparsePanels),
    /// By the equations themselves.
    Eliminated(Linear),
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
    /// The cheaper way; `reach` is what the laws' outputs take from the controls.
    pub fn new(lead: SparsePanels, linear: Linear, reach: &Panels) -> Self {
        let columns = lead.kept() + reach.panels() * reach.columns();
        if DEAR * linear.entries() < columns {
            Past::Eliminated(linear)
        } else {
            Past::Multiplied(lead)
        }
    }

    /// The controls at both stages, the laws giving `y`.
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
            Past::Multiplied(lead) => {
                lead.multiply(&start.lead, 0..panels, rows);
                take(&mut rows[..panels]);
            }
            Past::Eliminated(linear) => {
                solve(linear, recipe, start, y);
                let (first, second) = rows.as_flattened_mut().split_at_mut(recipe.controls.len());
                let to = first.iter_mut().zip(second);
                for ((first, second), &(plus, minus)) in to.zip(&recipe.controls) {
                    [*first, *second] = radau_pair::part(start.joined[plus] - start.joined[minus]);
                }
            }
        }
    }

    /// The rows beyond the controls, `panels` of them, which laws that give `y` and were guessed to give
    /// `beyond` less reach through `ends`; after [`Past::controls`].
    #[inline(always)]
    pub fn rest(
        &self,
        recipe: &Recipe<'_>,
        start: &Start,
        ends: &SparsePanels,
        [y, guess, beyond]: [&[f64]; 3],
        panels: std::ops::Range<usize>,
        rows: &mut [[f64; HEIGHT]],
    ) {
        match self {
            Past::Multiplied(lead) => {
                lead.multiply(&start.lead, panels.clone(), rows);
                ends.subtract(y, panels, rows);
            }
            Past::Eliminated(_) => {
                read(recipe, &start.joined, guess, panels.end, rows.as_flattened_mut());
                ends.subtract(beyond, panels, rows);
            }
        }
    }
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
fn read(
    recipe: &Recipe<'_>,
    joined: &[Complex<f64>],
    y: &[f64],
    panels: usize,
    rows: &mut [f64],
) {
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
