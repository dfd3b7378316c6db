//! What a step works out, row under row.

use super::lengths::STAGES;
use super::recipe::Recipe;
use crate::math::panels::HEIGHT;
use crate::math::radau_pair;
use num_complex::Complex;

/// The rows of both matrices: controls of each stage (whole panels), states at the end,
/// watched unknowns at the end and at the first stage; then, from a panel of their own on, those
/// that are read now and then, in the same way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rows {
    /// Controls of one stage.
    pub controls: usize,
    pub states: usize,
    pub watched: usize,
    pub besides: usize,
}

/// Where what is read stands among the unknowns, in the order of the rows.
#[derive(Debug, Clone, Copy)]
pub(super) struct Places<'a> {
    /// State, unknown, farad or henry.
    pub stored: &'a [(usize, usize, f64)],
    pub watched: &'a [usize],
    pub besides: &'a [usize],
}

impl<'a> Places<'a> {
    /// In the order of the equations.
    pub fn of(recipe: &'a Recipe<'_>) -> Self {
        Places {
            stored: &recipe.stored,
            watched: &recipe.watched,
            besides: &recipe.besides,
        }
    }
}

impl Rows {
    pub fn of(recipe: &Recipe<'_>) -> Self {
        Rows {
            controls: recipe.controls.len(),
            states: recipe.states.len(),
            watched: recipe.watched.len(),
            besides: recipe.besides.len(),
        }
    }

    /// Where the states begin.
    pub fn first_state(self) -> usize {
        STAGES * self.controls
    }

    /// Where the watched unknowns begin: those at the end, then those at the first stage.
    pub fn first_watched(self) -> usize {
        self.first_state() + self.states
    }

    /// Panels of what every step needs.
    pub fn needed(self) -> usize {
        (self.first_watched() + STAGES * self.watched).div_ceil(HEIGHT)
    }

    /// Where those begin that are read now and then.
    pub fn first_besides(self) -> usize {
        self.needed() * HEIGHT
    }

    pub fn panels(self) -> usize {
        (self.first_besides() + STAGES * self.besides).div_ceil(HEIGHT)
    }

    /// Reads the rows beyond the controls, up to a panel, off the unknowns of both stages, joined. What laws
    /// store besides is not in them.
    #[inline(always)]
    pub fn read(
        self,
        places: Places<'_>,
        joined: &[Complex<f64>],
        panels: usize,
        rows: &mut [f64],
    ) {
        let states = &mut rows[self.first_state()..][..self.states];
        states.fill(0.0);
        for &(state, column, c) in places.stored {
            states[state] += c * radau_pair::part(joined[column])[1];
        }
        let both = [
            (self.first_watched(), places.watched),
            (self.first_besides(), places.besides),
        ];
        for (first, unknowns) in both {
            if first >= panels * HEIGHT {
                return;
            }
            // The end comes first: it is what is asked for most.
            let own = &mut rows[first..][..STAGES * unknowns.len()];
            let (ends, inner) = own.split_at_mut(unknowns.len());
            for ((end, inner), &unknown) in ends.iter_mut().zip(inner).zip(unknowns) {
                [*inner, *end] = radau_pair::part(joined[unknown]);
            }
        }
    }
}
