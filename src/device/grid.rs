//! The grid of a valve: its current, and how far Newton may drive it.
//!
//! Source: Dempwolf and Zoelzer, "A physically-motivated triode model for circuit
//! simulations", DAFx-11, 2011 (equations from memory).
//!
//! ```text
//! ig  = gg (ln(1 + exp(cg vgk))/cg)^xi
//! dig = xi ig / (ln(1 + exp(cg vgk))/cg) / (1 + exp(-cg vgk))
//! ```
//!
//! Current flows into the grid and out at the cathode; volts, amperes.
//! Overflow: `lanes::softplus`. Left out: the paper's constant current, which does not
//! vanish at cut-off and would put tens of millivolts across a grid leak; secondary
//! emission; ion current.

use super::kind::Given;
use crate::math::{fun, lanes};

/// The grid current law.
#[derive(Debug, Clone, Copy)]
pub struct Grid {
    gg: f64,
    cg: f64,
    xi: f64,
}

impl Grid {
    /// From the parameters `gg`, `cg` and `xi` of a triode or pentode.
    pub fn new(given: &Given<'_>) -> Self {
        Grid {
            gg: given.model("gg"),
            cg: given.model("cg"),
            xi: given.model("xi"),
        }
    }

    /// Current and conductance at a grid-cathode voltage.
    #[inline(always)]
    pub fn current(&self, vgk: f64) -> (f64, f64) {
        let found = law(self.gg, self.cg, 1.0 / self.cg, self.xi, vgk);
        (found.current, found.slope)
    }
}

/// What the law says of one grid-cathode voltage.
#[derive(Debug, Clone, Copy)]
pub struct GridAnswer {
    /// A.
    pub current: f64,
    /// S.
    pub slope: f64,
    /// ln(1 + exp(cg vgk))/cg, the positive part of the grid voltage, rounded at zero, V.
    pub drive: f64,
    /// Its slope.
    pub drive_slope: f64,
}

/// The law by itself, without a branch. The slope divides by no less than the smallest
/// number: `soft/cg` vanishes a little before `soft` does, at -66.3 V for the 12AX7's cg.
#[inline(always)]
pub fn law(gg: f64, cg: f64, per_cg: f64, xi: f64, vgk: f64) -> GridAnswer {
    let (soft, slope) = lanes::softplus(cg * vgk);
    let drive = soft * per_cg;
    let drive = if drive > f64::MIN_POSITIVE {
        drive
    } else {
        f64::MIN_POSITIVE
    };
    // At the smallest number the power is nothing for xi > 1 and next to nothing for xi = 1.
    let current = gg * lanes::power(drive, xi);
    GridAnswer {
        current,
        slope: xi * current / drive * slope,
        drive,
        drive_slope: slope,
    }
}

/// Draws a proposed grid-cathode voltage back towards the last one.
///
/// Valves are gentle (powers near 1.4), so only a leap into positive grid is drawn
/// back: above `base = max(last, 0)` two volts and once more the base are free, the
/// rest counts by its logarithm. Ten proposals reach any voltage that a grid is driven
/// to; a Newton step from cut-off can no longer ask for the current at +300 V.
pub fn step(new: f64, last: f64) -> f64 {
    let base = last.max(0.0);
    let free = 2.0 + base;
    let excess = new - base - free;
    if excess > 0.0 {
        base + free * (1.0 + fun::ln_1p(excess / free))
    } else {
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GRID: Grid = Grid {
        gg: 6.177e-4,
        cg: 9.901,
        xi: 1.314,
    };

    /// By hand from the published law: at 0 V it is gg (ln 2/cg)^xi; far above,
    /// gg vgk^xi; its slope at 0 V is half of xi ig / (ln 2/cg).
    #[test]
    fn the_law_at_zero_and_far_above() {
        let (i, g) = GRID.current(0.0);
        let drive = std::f64::consts::LN_2 / 9.901;
        assert!((i / (6.177e-4 * drive.powf(1.314)) - 1.0).abs() < 1e-12);
        assert!((g / (0.5 * 1.314 * i / drive) - 1.0).abs() < 1e-12);
        let (i, _) = GRID.current(20.0);
        assert!((i / (6.177e-4 * 20f64.powf(1.314)) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn no_current_at_cut_off() {
        assert!(GRID.current(-5.0).0 < 1e-30);
        assert_eq!(GRID.current(-1e3), (0.0, 0.0));
        assert_eq!(Grid { gg: 0.0, ..GRID }.current(5.0), (0.0, 0.0));
    }

    /// On its way down the law passes the smallest numbers there are: a grid swung through
    /// -66.3 V once stopped a render with a slope that was no number.
    #[test]
    fn the_law_dies_away_in_numbers() {
        for cg in [9.901, 11.22, 13.9] {
            for k in 0..=20_000 {
                let vgk = -(700.0 + 0.0025 * f64::from(k)) / cg;
                let (i, g) = Grid { cg, ..GRID }.current(vgk);
                assert!((0.0..1e-300).contains(&i), "{i} at {vgk} V");
                assert!((0.0..1e-70).contains(&g), "{g} at {vgk} V");
            }
        }
    }

    #[test]
    fn steps_into_positive_grid_are_drawn_back_and_still_arrive() {
        assert_eq!(step(-40.0, 3.0), -40.0);
        assert_eq!(step(1.5, -3.0), 1.5);
        let mut v = -5.0;
        let mut count = 0;
        while v != 150.0 {
            assert!(v < 150.0 && count < 10, "{v} after {count}");
            v = step(150.0, v);
            count += 1;
        }
        assert!(step(300.0, -5.0) < 15.0);
    }
}
