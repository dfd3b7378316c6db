//! The iron of a transformer or choke: how it magnetises.
//!
//! Source: J. R. Brauer, "Simple equations for the magnetization and reluctivity curves of
//! steel", IEEE Trans. Magnetics 11(1), 1975, p. 81 (from memory, its constants for silicon
//! steel too): one curve without hysteresis,
//!
//! ```text
//! H = (k1 exp(k2 B^2) + k3) B
//! ```
//!
//! Flux is the state. In volts of the winding that turns are counted in (the whole primary),
//! v the core's voltage and f its flux in volt-seconds:
//!
//! ```text
//! df/dt = v           i = f/L (1 + s k1 (exp(k2 B^2) - 1)/(k1 + k3)),  B = f/F
//! di/df = 1/L (1 + s k1 ((1 + 2 k2 B^2) exp(k2 B^2) - 1)/(k1 + k3))
//! ```
//!
//! L is the inductance at low level, F the flux of one tesla, s the share of the iron in the
//! magnetising current at low level (1 without a gap; what a gap takes is straight).
//! Where the slope has grown to 1/air, the turns without their iron, the curve goes on
//! straight: Brauer's own would become steeper than air.
//!
//! The current answers to the core's pin, where the windings' ampere-turns meet; a resistance
//! there stands for the loss in the iron. Left out: hysteresis (its loss is in that
//! resistance), remanence, eddy currents beyond that resistance.

use super::kind::{Param, Part, Pin};
use super::law::{Answer, Law};
use crate::device::damping;
use crate::math::fun;

/// Constants of the curve, for the tables of the kinds that have iron.
pub const K1: Param = Param::new(
    "k1",
    "core: steep part of the curve",
    "A/m/T",
    3.8,
    1e-6..=1e6,
);
/// Likewise.
pub const K2: Param = Param::new(
    "k2",
    "core: how early it bends",
    "1/T^2",
    2.17,
    0.01..=100.0,
);
/// Likewise.
pub const K3: Param = Param::new(
    "k3",
    "core: straight part of the curve",
    "A/m/T",
    396.2,
    1e-6..=1e9,
);

/// Low-level inductance over that without iron.
const IRON: f64 = 1000.0;
/// Steeper exponents than this are beyond the straight continuation of any model.
const STEEPEST: f64 = 100.0;

/// Iron and its inductance.
#[derive(Debug, Clone, Copy)]
pub struct Core {
    /// At low level, of the winding that turns are counted in.
    pub henries: f64,
    /// Flux at which the iron stands at `tesla`, V s.
    pub flux: f64,
    /// What that flux means.
    pub tesla: f64,
    /// Share of the iron in the magnetising current at low level.
    pub share: f64,
    /// k1, k2, k3 of the curve.
    pub k: [f64; 3],
    /// What stands for the loss in the iron, across that winding.
    pub loss_ohms: f64,
}

impl Core {
    /// The core at its pin, with an inner pin whose voltage is the flux, 1 V for 1 V s.
    pub fn parts(self, core: Pin, flux: Pin) -> [Part; 4] {
        [
            Part::Resistance(core, Pin::Ground, self.loss_ohms),
            Part::Capacitance(flux, Pin::Ground, 1.0),
            // The core's volts as a current of the same number into that farad.
            Part::Transfer {
                sense: (core, Pin::Ground),
                sink: (Pin::Ground, flux),
                siemens: 1.0,
            },
            // Iron that is straight is no law: what is linear costs a render no Newton.
            if self.share > 0.0 {
                Part::Law {
                    controls: vec![(flux, Pin::Ground)],
                    outputs: vec![(core, Pin::Ground)],
                    law: Box::new(Iron::new(self)),
                }
            } else {
                Part::Transfer {
                    sense: (flux, Pin::Ground),
                    sink: (Pin::Ground, core),
                    siemens: -1.0 / self.henries,
                }
            },
        ]
    }
}

/// Control flux, V s; output magnetising current.
#[derive(Debug, Clone, Copy)]
struct Iron {
    /// 1/L.
    straight: f64,
    /// s k1/(k1 + k3)/L.
    steep: f64,
    /// k2/F^2.
    bend: f64,
    /// Where the straight continuation begins, and the current there.
    edge: f64,
    edge_current: f64,
    edge_slope: f64,
}

impl Iron {
    fn new(core: Core) -> Self {
        let [k1, k2, k3] = core.k;
        let straight = 1.0 / core.henries;
        let mut iron = Iron {
            straight,
            steep: straight * core.share * k1 / (k1 + k3),
            bend: k2 * (core.tesla / core.flux) * (core.tesla / core.flux),
            edge: f64::INFINITY,
            edge_current: 0.0,
            edge_slope: 0.0,
        };
        // The slope grows with the flux: the edge is halved in.
        let (mut low, mut high) = (0.0, (STEEPEST / iron.bend).sqrt());
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if iron.curve(middle).1 < IRON * straight {
                low = middle;
            } else {
                high = middle;
            }
        }
        (iron.edge_current, iron.edge_slope) = iron.curve(low);
        iron.edge = low;
        iron
    }

    /// Current and slope of the curve itself.
    #[inline]
    fn curve(&self, flux: f64) -> (f64, f64) {
        let square = self.bend * flux * flux;
        let more = fun::exp_m1(square);
        (
            flux * (self.straight + self.steep * more),
            self.straight + self.steep * (more + 2.0 * square * (more + 1.0)),
        )
    }
}

impl Law for Iron {
    fn controls(&self) -> usize {
        1
    }

    fn outputs(&self) -> usize {
        1
    }

    #[inline]
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            let beyond = u[0].abs() - self.edge;
            (out.i[0], out.g[0]) = if beyond > 0.0 {
                let i = self.edge_current + self.edge_slope * beyond;
                (i.copysign(u[0]), self.edge_slope)
            } else {
                self.curve(u[0])
            };
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::trial::answer;

    const CORE: Core = Core {
        henries: 40.0,
        flux: 1.5,
        tesla: 1.5,
        share: 1.0,
        k: [3.8, 2.17, 396.2],
        loss_ohms: 1e5,
    };

    /// Brauer's equation by hand: H at 1 T is 3.8 e^2.17 + 396.2 = 429.5 A/m, at 1.5 T
    /// 1.5 (3.8 e^4.8825 + 396.2) = 1346 A/m; their ratio is that of the currents.
    #[test]
    fn the_curve_is_the_papers() {
        let iron = Iron::new(CORE);
        let i = |f: f64| answer(&iron, &[f], 0.0).i[0];
        let h = |b: f64| (3.8 * (2.17 * b * b).exp() + 396.2) * b;
        assert!((h(1.0) - 429.48).abs() < 0.01 && (h(1.5) - 1346.0).abs() < 1.0);
        for b in [0.1, 0.5, 1.0, 1.5, 1.7] {
            assert!((i(b) / i(1.0) - h(b) / h(1.0)).abs() < 1e-12 * h(b), "{b}");
            assert_eq!(i(-b), -i(b));
        }
        assert!(
            (i(1e-3) / (1e-3 / 40.0) - 1.0).abs() < 1e-6,
            "L at low level"
        );
    }

    #[test]
    fn past_saturation_the_air_is_left() {
        let iron = Iron::new(CORE);
        // Silicon steel saturates at 2 T (from memory).
        assert!((1.8..2.2).contains(&iron.edge), "{}", iron.edge);
        let g = answer(&iron, &[50.0], 0.0).g[0];
        assert!((g * 40.0 / IRON - 1.0).abs() < 1e-6, "{g}");
    }

    #[test]
    fn a_gap_keeps_the_inductance_longer() {
        let gapped = Iron::new(Core { share: 0.1, ..CORE });
        let slope = |iron: &Iron| answer(iron, &[1.5], 0.0).g[0] * 40.0;
        assert!(slope(&Iron::new(CORE)) > 10.0 && slope(&gapped) < 2.5);
    }
}
