//! How far a law may be trusted, and how far Newton may step.
//!
//! Three things are shared by the laws:
//!
//! - [`exp_limited`]: e^x up to x = [`EXPONENT`], then its tangent, so that a
//!   junction has a finite current and a finite slope at any voltage.
//! - [`bounded`]: beyond [`REACH`] volts a law keeps the value it has there.
//!   No circuit works at a thousand million volts; a stray Newton proposal
//!   may, and squares and powers of it must not become infinite.
//! - [`junction_step`], [`fet_step`], [`plate_step`]: Newton's damping. The idea is that of
//!   Nagel, "SPICE2: A computer program to simulate semiconductor circuits",
//!   UCB/ERL M520, 1975, chapter 4 (from memory): step an exponential in its
//!   current rather than in its voltage. The solution does not depend on it. A
//!   proposal that may stand comes back to the last bit, so that equality tells.

use super::law::Answer;
use crate::math::fun;

/// Where an exponential turns into its tangent. e^200 is 7e86: no junction
/// carries it, and its square is still far from overflow.
pub const EXPONENT: f64 = 200.0;

/// Volts (or amperes) beyond which a law no longer changes.
pub const REACH: f64 = 1e9;

/// The most controls a law here has.
const MOST_CONTROLS: usize = 4;

/// e^x and its derivative; the tangent at [`EXPONENT`] beyond it.
#[inline]
pub fn exp_limited(x: f64) -> (f64, f64) {
    if x <= EXPONENT {
        let e = fun::exp(x);
        (e, e)
    } else {
        let e = fun::exp(EXPONENT);
        (e * (1.0 + (x - EXPONENT)), e)
    }
}

/// Answers with `law` inside [`REACH`], with its value at the edge outside; there the
/// derivatives to the controls that are out of reach are zero, which is exact.
#[inline]
pub fn bounded(u: &[f64], out: &mut Answer<'_>, law: impl FnOnce(&[f64], &mut Answer<'_>)) {
    if u.iter().all(|v| v.abs() <= REACH) {
        return law(u, out);
    }
    let mut near = [0.0; MOST_CONTROLS];
    let near = &mut near[..u.len()];
    for (n, v) in near.iter_mut().zip(u) {
        *n = v.clamp(-REACH, REACH);
    }
    law(near, out);
    for rows in [&mut *out.g, &mut *out.c] {
        for (k, slope) in rows.iter_mut().enumerate() {
            if u[k % u.len()].abs() > REACH {
                *slope = 0.0;
            }
        }
    }
}

/// The voltage of an exponential junction `is * e^(v/vte)` from which a step of `vte`
/// upward is a long way in current: where the tangent runs through 1/sqrt(2) V/A.
pub fn knee(is: f64, vte: f64) -> f64 {
    (vte * fun::ln(vte / (std::f64::consts::SQRT_2 * is))).max(vte)
}

/// Part of `vte` below the knee that counts as at it: a mirrored junction comes back from there
/// off by rounding, and would be sent to the knee for ever.
const NEAR: f64 = 1e-3;

/// Draws the proposal `new` for a junction back towards `old`.
///
/// From below the knee it stops at the knee. From above, the current that the
/// tangent promises at `new` is the one to aim for: `old + vte ln(1 + (new - old)/vte)`
/// is the voltage at which the exponential carries it. Downward steps are free:
/// there the curve flattens and Newton cannot overshoot its current.
pub fn junction_step(new: f64, old: f64, vte: f64, knee: f64) -> f64 {
    if new <= knee || new - old <= 2.0 * vte {
        new
    } else if old < knee - NEAR * vte {
        knee
    } else {
        old + vte * fun::ln_1p((new - old) / vte)
    }
}

/// Draws the proposal for a field-effect gate voltage back: upward the overdrive at most
/// doubles and gains a volt, downward a conducting channel is first brought to its threshold.
/// The law is a square: from within this distance its tangent leads back at once.
pub fn fet_step(new: f64, old: f64, threshold: f64) -> f64 {
    let from = old - threshold;
    if new > old {
        new.min((threshold + 2.0 * from.max(0.0) + 1.0).max(old))
    } else if from > 0.0 {
        new.max(threshold - 0.5)
    } else {
        new
    }
}

/// Draws a proposed plate or screen voltage back: one step leaves at least a quarter, until 10 mV.
///
/// At the plateau above the knee the tangent often promises a negative plate, where no
/// current flows and the next tangent promises the whole supply: Newton would go to and fro
/// for ever. Below the knee the curve is steep and the steps agree. A quarter is measured: of the
/// stages in `battery` a tenth leaves some unsolved, a quarter needs 15 steps at most.
pub fn plate_step(new: f64, last: f64) -> f64 {
    if last > 10e-3 {
        new.max(0.25 * last)
    } else {
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponential_goes_over_into_its_tangent() {
        let (below, _) = exp_limited(EXPONENT * (1.0 - 1e-12));
        let (above, slope) = exp_limited(EXPONENT * (1.0 + 1e-12));
        assert!((above / below - 1.0).abs() < 1e-9);
        assert_eq!(slope, fun::exp(EXPONENT));
        assert!(exp_limited(REACH / 1e-6).0.is_finite());
        assert_eq!(exp_limited(-1e308), (0.0, 0.0));
    }

    #[test]
    fn beyond_reach_the_value_stays_and_the_slope_is_nothing() {
        let (mut i, mut q, mut g, mut c) = ([0.0], [0.0], [0.0; 2], [0.0; 2]);
        let mut out = Answer {
            i: &mut i,
            q: &mut q,
            g: &mut g,
            c: &mut c,
        };
        bounded(&[-1e300, 3.0], &mut out, |u, out| {
            out.i[0] = 2.0 * u[0] + 5.0 * u[1];
            out.g.copy_from_slice(&[2.0, 5.0]);
            out.c.copy_from_slice(&[7.0, 8.0]);
        });
        assert_eq!((i[0], g, c), (-2.0 * REACH + 15.0, [0.0, 5.0], [0.0, 8.0]));
    }

    #[test]
    fn a_plate_step_leaves_a_quarter() {
        assert_eq!(plate_step(-150.0, 300.0), 75.0);
        assert_eq!(plate_step(200.0, 300.0), 200.0);
        assert_eq!(plate_step(-1.0, 5e-3), -1.0);
        assert_eq!(plate_step(300.0, -20.0), 300.0);
    }

    #[test]
    fn a_junction_step_keeps_its_promise_of_current() {
        let (is, vte) = (1e-14, 0.0258649);
        let top = knee(is, vte);
        assert_eq!(junction_step(5.0, 0.0, vte, top), top);
        // From 0.75 V the tangent promises i (1 + step/vte); the exponential carries it there.
        let v = junction_step(5.0, 0.75, vte, top);
        let promised = fun::exp(0.75 / vte) * (1.0 + 4.25 / vte);
        assert!((fun::exp(v / vte) / promised - 1.0).abs() < 1e-12);
        assert_eq!(junction_step(-3.0, 0.75, vte, top), -3.0);
        assert_eq!(
            junction_step(0.76, 0.75, vte, top),
            0.76,
            "small steps are free"
        );
    }

    #[test]
    fn a_gate_step_has_a_ceiling_upward_and_stops_at_the_threshold_downward() {
        assert_eq!(fet_step(50.0, -8.0, -2.0), -1.0);
        assert_eq!(fet_step(50.0, 1.0, -2.0), 5.0);
        assert_eq!(fet_step(-50.0, 1.0, -2.0), -2.5);
        assert_eq!(fet_step(-50.0, -3.0, -2.0), -50.0);
    }
}
