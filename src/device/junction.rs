//! The p-n junction: current, depletion charge, and how both follow temperature.
//!
//! Source: Nagel, "SPICE2", UCB/ERL M520, 1975; Antognetti and Massobrio,
//! "Semiconductor Device Modeling with SPICE", 1988, chapter 1 (from memory).
//!
//! ```text
//! current    i = is (exp(v/vte) - 1), vte = n kT/q
//! charge     q = cj vj/(1-m) (1 - (1-v/vj)^(1-m))                   v <  fc vj
//!            q = q(fc vj) + c0 (d + k d^2/2), d = v - fc vj         v >= fc vj
//!            c0 = cj (1-fc)^-m, k = m/(vj (1-fc)): value and slope of c are kept
//! is(T)      is r^(xti/n) exp((r-1) eg/(n kT/q)), r = T/Tnom
//! vj(T)      r vj - 3 kT/q ln r - r Eg(Tnom) + Eg(T)
//! cj(T)      cj (1 + m (4e-4 (T-Tnom) + 1 - vj(T)/vj))
//! Eg(T)      1.16 - 7.02e-4 T^2/(T+1108) eV, silicon
//! ```
//!
//! Tnom is 27 C. Overflow: `damping::exp_limited`. Below a tenth of its value at
//! Tnom, vj(T) stays: the formula runs through zero near 500 C, silicon does not.

use super::kind::Param;
use super::law::{Answer, Law, thermal_voltage};
use crate::device::damping::{self, exp_limited};
use crate::math::fun;

/// The model parameter `eg`.
pub const EG: Param = Param::new("eg", "band gap", "eV", 1.11, 0.01..=10.0);
/// The model parameter `xti`.
pub const XTI: Param = Param::new("xti", "temperature exponent of is", "1", 3.0, -10.0..=20.0);
/// The model parameter `kf`.
pub const KF: Param = Param::new("kf", "flicker noise", "1", 0.0, 0.0..=1.0);
/// The model parameter `af`.
pub const AF: Param = Param::new("af", "flicker noise exponent", "1", 1.0, 0.0..=10.0);
/// The parameter `area` of a part.
pub const AREA: Param = Param::new("area", "how many in parallel", "1", 1.0, 1e-9..=1e9);

/// Temperature at which model parameters hold, degrees Celsius.
pub const NOMINAL_C: f64 = 27.0;

/// Absolute temperature over nominal temperature.
pub fn heat(celsius: f64) -> f64 {
    (celsius + 273.15) / (NOMINAL_C + 273.15)
}

/// What a saturation current is multiplied with at a temperature; `n` divides both exponents.
pub fn saturation_factor(n: f64, eg: f64, xti: f64, celsius: f64) -> f64 {
    let r = heat(celsius);
    let power = xti / n * fun::ln(r) + (r - 1.0) * eg / (n * thermal_voltage(celsius));
    fun::exp(power.clamp(-damping::EXPONENT / 2.0, damping::EXPONENT / 2.0))
}

/// An exponential junction.
#[derive(Debug, Clone, Copy)]
pub struct Junction {
    /// Saturation current, A.
    pub is: f64,
    /// n kT/q, V.
    pub vte: f64,
    knee: f64,
}

impl Junction {
    /// A junction with saturation current `is` (A) and `vte` = n kT/q (V).
    pub fn new(is: f64, vte: f64) -> Self {
        Junction {
            is,
            vte,
            knee: if is > 0.0 {
                damping::knee(is, vte)
            } else {
                f64::INFINITY
            },
        }
    }

    /// Current and conductance.
    #[inline]
    pub fn current(&self, v: f64) -> (f64, f64) {
        let (e, slope) = exp_limited(v / self.vte);
        (self.is * (e - 1.0), self.is * slope / self.vte)
    }

    /// A voltage near conduction, to start from.
    pub fn start(&self) -> f64 {
        if self.knee.is_finite() {
            self.knee
        } else {
            0.0
        }
    }

    /// A Newton proposal drawn back.
    pub fn step(&self, new: f64, old: f64) -> f64 {
        damping::junction_step(new, old, self.vte, self.knee)
    }
}

/// The charge of a depletion layer.
#[derive(Debug, Clone, Copy)]
pub struct Depletion {
    cj: f64,
    vj: f64,
    m: f64,
    /// fc vj, from where the capacitance is a straight line.
    bend: f64,
}

impl Depletion {
    /// Capacitance `cj` (F) at zero bias, potential `vj` (V) and grading `m`, all at nominal
    /// temperature; `fc` is the fraction of `vj` where the straight line begins.
    pub fn new(cj: f64, vj: f64, m: f64, fc: f64, celsius: f64) -> Self {
        let r = heat(celsius);
        let kelvin = celsius + 273.15;
        let gap = |t: f64| 1.16 - 7.02e-4 * t * t / (t + 1108.0);
        let hot =
            r * vj - 3.0 * thermal_voltage(celsius) * fun::ln(r) - r * gap(NOMINAL_C + 273.15)
                + gap(kelvin);
        let hot = hot.max(0.1 * vj);
        let swell = 1.0 + m * (4e-4 * (celsius - NOMINAL_C) + 1.0 - hot / vj);
        Depletion {
            cj: cj * swell.max(0.0),
            vj: hot,
            m,
            bend: fc * hot,
        }
    }

    /// Charge and capacitance at a voltage.
    #[inline]
    pub fn charge(&self, v: f64) -> (f64, f64) {
        if self.cj == 0.0 {
            return (0.0, 0.0);
        }
        let below = |v: f64| {
            let arg = 1.0 - v / self.vj;
            let c = self.cj * fun::pow(arg, -self.m);
            ((self.cj * self.vj - c * self.vj * arg) / (1.0 - self.m), c)
        };
        if v < self.bend {
            return below(v);
        }
        let (q0, c0) = below(self.bend);
        let d = v - self.bend;
        let k = self.m / (self.vj - self.bend);
        (q0 + c0 * d * (1.0 + 0.5 * k * d), c0 * (1.0 + k * d))
    }

    /// Whether there is any.
    pub fn is_some(&self) -> bool {
        self.cj > 0.0
    }
}

/// A depletion charge alone, as a law of its own: no current.
#[derive(Debug)]
pub struct DepletionLaw(pub Depletion);

impl Law for DepletionLaw {
    fn controls(&self) -> usize {
        1
    }

    fn outputs(&self) -> usize {
        1
    }

    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        damping::bounded(u, out, |u, out| {
            (out.q[0], out.c[0]) = self.0.charge(u[0]);
        });
    }

    fn stores_charge(&self) -> bool {
        self.0.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Textbook abrupt junction (from memory: Sze, "Physics of Semiconductor Devices",
    /// chapter 2): m = 1/2 gives cj/2 at v = -3 vj, and the charge 2 cj vj (1 - sqrt(4)).
    #[test]
    fn an_abrupt_junction_halves_its_capacitance_at_minus_three_vj() {
        let d = Depletion::new(1e-12, 0.8, 0.5, 0.5, NOMINAL_C);
        let (q, c) = d.charge(-2.4);
        assert!((c - 0.5e-12).abs() < 1e-24);
        assert!((q + 2.0 * 1e-12 * 0.8).abs() < 1e-24);
        assert_eq!(d.charge(0.0).0, 0.0);
    }

    #[test]
    fn charge_and_capacitance_are_continuous_where_the_straight_line_begins() {
        let d = Depletion::new(10e-12, 0.7, 0.33, 0.5, NOMINAL_C);
        let (a, b) = (d.charge(0.35 - 1e-9), d.charge(0.35 + 1e-9));
        assert!(
            (a.0 - b.0).abs() < 1e-19 && (a.1 - b.1).abs() < 1e-19,
            "{a:?} {b:?}"
        );
    }

    /// Rule of the trade (common practice): a silicon junction's saturation current doubles
    /// about every 5 K near room temperature, with eg 1.11 eV and xti 3.
    #[test]
    fn saturation_current_doubles_about_every_five_kelvin() {
        let ratio = saturation_factor(1.0, 1.11, 3.0, 32.0);
        assert!((1.9..2.3).contains(&ratio), "{ratio}");
        assert_eq!(saturation_factor(1.0, 1.11, 3.0, NOMINAL_C), 1.0);
    }

    /// Common practice: the built-in potential of silicon falls by about 2 mV/K.
    #[test]
    fn potential_falls_with_temperature() {
        let d = Depletion::new(1e-12, 0.75, 0.5, 0.5, 77.0);
        let slope = (d.vj - 0.75) / 50.0;
        assert!((-2.6e-3..-1.4e-3).contains(&slope), "{slope}");
        assert!(d.cj > 1e-12);
    }
}
