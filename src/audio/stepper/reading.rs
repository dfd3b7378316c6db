//! What is read off a step besides its end, so that corners are not folded back.
//!
//! The output is filtered and thinned out to the clip's rate, which is an integral over the
//! wave. Taken from the ends of steps it is the trapezoidal rule: exact for all that lies below
//! half the rate of steps, but a corner between two of them leaves what the rule misses there,
//! which is heard as folded treble. Where there is a corner the step is divided, and the short
//! steps give the integral itself (Radau's weights 3/4 and 1/4). By the formula of Euler and
//! Maclaurin a smooth wave has
//!
//! ```text
//! integral = (y0 + y1)/2 - (y1' - y0')/12 + ...     (steps of length one)
//! ```
//!
//! and what the integral is beyond that is the corner's. Half of it is added at either end of
//! the step.
use super::recipe::Recipe;
use super::state::State;

/// What is listened to.
#[derive(Debug, Default)]
pub(super) struct Reading {
    /// A sum of watched unknowns, by their number.
    pub signs: Vec<(usize, f64)>,
    /// Over the parts of the step so far, steps.
    pub integral: f64,
    /// What a divided step's integral is beyond that of a smooth wave.
    pub between: f64,
}

/// Value and change within a whole step at that rate.
pub(super) type Moment = [f64; 2];

impl Reading {
    /// Its value.
    #[inline]
    pub fn of(&self, watched: &[f64]) -> f64 {
        self.signs.iter().map(|&(k, sign)| sign * watched[k]).sum()
    }

    /// Value and rate at the end of the last step.
    pub fn moment(&self, state: &State, recipe: &Recipe<'_>, step_s: f64) -> Moment {
        let rates: Vec<f64> = state.rates(recipe).collect();
        [self.of(state.watched(recipe)), step_s * self.of(&rates)]
    }

    /// Adds a short step, as a part of the whole one.
    pub fn add(&mut self, state: &State, recipe: &Recipe<'_>, part: f64) {
        let (inner, end) = (state.watched_inside(recipe), state.watched(recipe));
        self.integral += part * (0.75 * self.of(inner) + 0.25 * self.of(end));
    }

    /// The whole step is done.
    pub fn close(&mut self, start: Moment, end: Moment) {
        let smooth = 0.5 * (start[0] + end[0]) - (end[1] - start[1]) / 12.0;
        self.between = self.integral - smooth;
    }
}
