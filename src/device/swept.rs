//! A resistance that is moved from outside while the circuit runs: half of a pot's track
//! whose knob is being turned.
//!
//! Terminals a, b; the current i = (va - vb) / ohms flows from a through the part to b;
//! volts, amperes. Linear at any moment, it is a law all the same, so that the compiled
//! circuit need not be compiled anew for every position: what it does not know beforehand
//! goes through laws.

use super::law::{Answer, Law};
use super::noise::{Noise, Rest};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// The law of a moved resistance.
#[derive(Debug)]
pub struct Swept(Handle);

/// Moves a [`Swept`] resistance. Clones move the same one.
#[derive(Debug, Clone)]
pub struct Handle {
    siemens: Arc<AtomicU64>,
    /// The least that this will be.
    least: Arc<AtomicU64>,
}

impl Swept {
    /// A resistance of N ohms for now, and what moves it.
    pub fn new(ohms: f64) -> (Self, Handle) {
        let handle = Handle {
            siemens: Arc::default(),
            least: Arc::default(),
        };
        handle.at_most(ohms);
        handle.set(ohms);
        (Swept(handle.clone()), handle)
    }
}

impl Handle {
    /// Sets the resistance, in ohms, not zero.
    pub fn set(&self, ohms: f64) {
        // Whoever runs the circuit also moves it, so no order has to be kept.
        self.siemens
            .store((1.0 / ohms).to_bits(), Ordering::Relaxed);
    }

    /// Says how large the resistance will become, in ohms.
    pub fn at_most(&self, ohms: f64) {
        self.least.store((1.0 / ohms).to_bits(), Ordering::Relaxed);
    }

    fn siemens(&self) -> f64 {
        f64::from_bits(self.siemens.load(Ordering::Relaxed))
    }

    fn least_siemens(&self) -> f64 {
        f64::from_bits(self.least.load(Ordering::Relaxed))
    }
}

impl Law for Swept {
    fn controls(&self) -> usize {
        1
    }

    fn outputs(&self) -> usize {
        1
    }

    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        let siemens = self.0.siemens();
        out.i[0] = siemens * u[0];
        out.g[0] = siemens;
    }

    fn least_slopes(&self) -> Option<Vec<f64>> {
        Some(vec![self.0.least_siemens()])
    }

    fn noise(&self, rest: &Rest<'_>) -> Vec<Noise> {
        vec![Noise::thermal(0, rest.g[0], rest.celsius)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(law: &Swept, volts: f64) -> (f64, f64) {
        let (mut i, mut q, mut g, mut c) = ([0.0], [0.0], [0.0], [0.0]);
        let mut out = Answer {
            i: &mut i,
            q: &mut q,
            g: &mut g,
            c: &mut c,
        };
        law.answer(&[volts], 0.0, &mut out);
        assert_eq!((q, c), ([0.0], [0.0]));
        (i[0], g[0])
    }

    #[test]
    fn ohms_law_holds_before_and_after_a_move() {
        let (law, handle) = Swept::new(4.0);
        assert_eq!(answer(&law, 2.0), (0.5, 0.25));
        handle.set(0.5);
        assert_eq!(answer(&law, -3.0), (-6.0, 2.0));
    }
}
