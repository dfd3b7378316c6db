//! What is read off a step besides its end, so that corners are not folded back.
//!
//! The output is filtered and thinned out to the clip's rate: an integral over the wave y, weighed by the
//! filter's response w. Taken from the ends of steps it is the trapezoidal rule, whose steps of length one miss (Euler and
//! Maclaurin)
//!
//! ```text
//! (y0 w0 + y1 w1)/2 = integral of y w + ((y w)'1 - (y w)'0)/12 - ...
//! ```
//!
//! and these terms cancel from step to step as long as all is smooth. A corner between two ends leaves what the rule
//! misses there, which is heard as folded treble. So where there is a corner the step is divided, and the
//! short steps give the integral itself: the response, which is smooth, goes on a cubic through its
//! values at four ends, one step behind to one ahead, and each of the four gets what the integral asks of it, with the
//! two terms of the neighbouring steps, beyond what the rule gives it. (Half of the plain integral at either end of the step
//! errs by 20 dB more where an output valve is driven hard, as what is far above hearing then beats with
//! the response's slope.)
use super::recipe::Recipe;
use super::state::State;

/// Ends of steps that a divided one adds to: the one before its start, its start, its end and the next.
pub const REACHED: usize = 4;

/// Coefficients of Lagrange's cubics through -1, 0, 1, 2: `[end][power]`.
const LAGRANGE: [[f64; 4]; REACHED] = [
    [0.0, -1.0 / 3.0, 0.5, -1.0 / 6.0],
    [1.0, -0.5, -1.0, 0.5],
    [0.0, 1.0, 0.5, -0.5],
    [0.0, -1.0 / 6.0, 0.0, 1.0 / 6.0],
];

/// Their slopes at 0 and 1.
const SLOPES: [[f64; 2]; REACHED] = [
    [-1.0 / 3.0, 1.0 / 6.0],
    [-0.5, -1.0],
    [1.0, 0.5],
    [-1.0 / 6.0, 1.0 / 3.0],
];

/// Integral over 0 to 1 of t^power times the parabola through values at 0, 1/3 and 1: `[power][value]`.
const PARABOLA: [[f64; 3]; 4] = [
    [0.0, 3.0 / 4.0, 1.0 / 4.0],
    [-1.0 / 12.0, 3.0 / 8.0, 5.0 / 24.0],
    [-1.0 / 15.0, 9.0 / 40.0, 7.0 / 40.0],
    [-1.0 / 20.0, 3.0 / 20.0, 3.0 / 20.0],
];

/// What is listened to.
#[derive(Debug, Default)]
pub(super) struct Reading {
    /// A sum of watched unknowns, by their number.
    pub signs: Vec<(usize, f64)>,
    /// Value and rate where the divided step began.
    start: Moment,
    /// The value at the end of the last part.
    last: f64,
    /// Over the parts of the step so far: the value times the part of the step to the power of 0, 1, 2, 3.
    integrals: [f64; 4],
    /// What a divided step adds to the ends about it.
    pub between: [f64; REACHED],
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

    /// A step that is divided begins.
    pub fn open(&mut self, start: Moment) {
        self.start = start;
        self.last = start[0];
        self.integrals = [0.0; 4];
    }

    /// Adds a short step that begins and ends at these parts of the whole one.
    pub fn add(&mut self, state: &State, recipe: &Recipe<'_>, from: f64, to: f64) {
        let inner = self.of(state.watched_inside(recipe));
        let end = self.of(state.watched(recipe));
        self.part([self.last, inner, end], from, to);
    }

    /// The parabola through the values at start, a third and end of a part.
    fn part(&mut self, values: [f64; 3], from: f64, to: f64) {
        let long = to - from;
        let own = PARABOLA.map(|weights| weights.iter().zip(values).map(|(w, v)| w * v).sum());
        let [a, b, c, d]: [f64; 4] = own;
        // (from + long t) to each power, multiplied out.
        let (b, c, d) = (long * b, long * long * c, long * long * long * d);
        let sums = [
            a,
            from * a + b,
            from * (from * a + 2.0 * b) + c,
            from * (from * (from * a + 3.0 * b) + 3.0 * c) + d,
        ];
        for (integral, sum) in self.integrals.iter_mut().zip(sums) {
            *integral += long * sum;
        }
        self.last = values[2];
    }

    /// The whole step is done.
    pub fn close(&mut self, end: Moment) {
        let [start, start_rate] = self.start;
        let [end, end_rate] = end;
        for ((between, cubic), slopes) in self.between.iter_mut().zip(LAGRANGE).zip(SLOPES) {
            let integral: f64 = cubic.iter().zip(self.integrals).map(|(c, i)| c * i).sum();
            *between = integral + (slopes[1] * end - slopes[0] * start) / 12.0;
        }
        self.between[1] -= start / 2.0 + start_rate / 12.0;
        self.between[2] -= end / 2.0 - end_rate / 12.0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sum over ends of steps, the divided one's with what it adds, of a wave that is smooth but for a
    /// corner within that step, times a response.
    fn off(wave: impl Fn(f64) -> f64, rate: impl Fn(f64) -> f64, corner: f64) -> f64 {
        let response = |t: f64| (-0.02 * (t - 3.0) * (t - 3.0)).exp();
        let mut reading = Reading::default();
        reading.open([wave(0.0), rate(0.0)]);
        // Parts end at the corner.
        let ends = [0.0, 0.5 * corner, corner, 0.5 * (1.0 + corner), 1.0];
        for pair in ends.windows(2) {
            let inner = pair[0] + (pair[1] - pair[0]) / 3.0;
            reading.part([pair[0], inner, pair[1]].map(&wave), pair[0], pair[1]);
        }
        reading.close([wave(1.0), rate(1.0)]);
        let rule: f64 = (-40..=40)
            .map(f64::from)
            .map(|t| wave(t) * response(t))
            .sum();
        let added = (-1..).zip(reading.between);
        let added: f64 = added.map(|(end, by)| by * response(f64::from(end))).sum();
        // Simpson's rule on either side of the corner.
        let integral = |from: f64, to: f64| -> f64 {
            let parts = 20_000;
            let step = (to - from) / f64::from(parts);
            let at = |k: f64| wave(from + k * step) * response(from + k * step);
            (0..parts)
                .map(f64::from)
                .map(|k| step / 6.0 * (at(k) + 4.0 * at(k + 0.5) + at(k + 1.0)))
                .sum()
        };
        rule + added - integral(-40.0, corner) - integral(corner, 40.0)
    }

    /// Source of what the sum should be: the integral, by Simpson's rule.
    #[test]
    fn a_corner_within_a_divided_step_leaves_nothing() {
        for corner in [0.1, 0.37, 0.8] {
            let ramp = |t: f64| if t > corner { t - corner } else { 0.0 };
            let rate = |t: f64| if t > corner { 1.0 } else { 0.0 };
            // The rule alone misses up to a twelfth.
            let missed = off(ramp, rate, corner);
            assert!(missed.abs() < 2e-4, "{corner}: {missed:e}");
        }
    }

    #[test]
    fn a_smooth_wave_is_left_as_it_is() {
        let missed = off(|t| 1.0 - 0.3 * t + 0.05 * t * t, |t| -0.3 + 0.1 * t, 0.4);
        assert!(missed.abs() < 2e-4, "{missed:e}");
    }

    /// The cubics are one at their own end, nothing at the others, and have the slopes that are said.
    #[test]
    fn the_weights_are_those_of_lagrange() {
        for (end, (cubic, slopes)) in LAGRANGE.iter().zip(SLOPES).enumerate() {
            for at in 0..REACHED {
                let t = at as f64 - 1.0;
                let value = cubic.iter().rev().fold(0.0, |sum, c| sum * t + c);
                assert!((value - f64::from(u8::from(at == end))).abs() < 1e-15);
            }
            for (t, slope) in [(0.0, slopes[0]), (1.0, slopes[1])] {
                let found = cubic[1] + t * (2.0 * cubic[2] + t * 3.0 * cubic[3]);
                assert!((found - slope).abs() < 1e-15);
            }
        }
    }
}
