//! What every law answers, whichever device it is of.

use super::noise::{Noise, Rest};
use std::fmt::Debug;

/// What a law answers at one set of control values. All slices come zeroed.
#[derive(Debug)]
pub struct Answer<'a> {
    /// Output currents, A, `[outputs]`.
    pub i: &'a mut [f64],
    /// Output charges, C, `[outputs]`; they flow through the same port as the current.
    pub q: &'a mut [f64],
    /// di/du, `[outputs * controls]`, row by row.
    pub g: &'a mut [f64],
    /// dq/du, `[outputs * controls]`, row by row.
    pub c: &'a mut [f64],
}

/// Which bank a law has joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Enlisted {
    /// That of the triodes.
    Triode,
    /// That of the output valves.
    OutputValve,
}

/// A nonlinear law: control values in, currents and charges out.
pub trait Law: Debug + Send + Sync {
    /// How many control values it takes.
    fn controls(&self) -> usize;
    /// How many outputs it gives.
    fn outputs(&self) -> usize;
    /// Currents, charges and derivatives at `u`. Finite for every finite `u`.
    /// `memory` is the discrete state of laws that have one (hysteresis).
    fn answer(&self, u: &[f64], memory: f64, out: &mut Answer<'_>);
    /// Draws a Newton proposal back to where the law's linearisation can be trusted.
    /// `last` is where the law was evaluated before.
    fn damp(&self, _u: &mut [f64], _last: &[f64], _memory: f64) {}
    /// Control values to start a solution from (a junction near conduction), if zero is a bad guess.
    fn start(&self, _u: &mut [f64]) {}
    /// The least its slopes will ever be, `[outputs * controls]`, where they are moved from
    /// outside: the compiled circuit counts from these, so that nothing cancels however far
    /// they move.
    fn least_slopes(&self) -> Option<Vec<f64>> {
        None
    }
    /// The control that bends it: while that one stands still, the outputs are straight in the others and a
    /// discrete state stays. None where each of them bends it.
    fn bent_by(&self) -> Option<usize> {
        None
    }
    /// Whether it has a discrete state.
    fn remembers(&self) -> bool {
        false
    }
    /// The discrete state after the controls have settled at `u`.
    fn next_memory(&self, _u: &[f64], memory: f64) -> f64 {
        memory
    }
    /// Whether it holds any charge or flux, at whatever controls. Methods keep no account of what a
    /// law does not declare, so a charge that is zero at some voltages counts all the same.
    fn stores_charge(&self) -> bool {
        false
    }
    /// The same where time stands still: a state that would flip to and fro may rest between.
    fn next_memory_at_rest(&self, u: &[f64], memory: f64) -> f64 {
        self.next_memory(u, memory)
    }
    /// The bank of its kind, if there is one, and its constants there; the bank then gives the
    /// same answers to the last bit. For laws without charge and without memory.
    fn enlisted(&self) -> Option<(Enlisted, &[f64])> {
        None
    }
    /// Its noise currents at rest, for laws that have any.
    fn noise(&self, _rest: &Rest<'_>) -> Vec<Noise> {
        Vec::new()
    }
}

/// A law's currents at some controls, A.
pub fn currents(law: &dyn Law, u: &[f64], memory: f64) -> Vec<f64> {
    let (controls, outputs) = (law.controls(), law.outputs());
    let (mut i, mut q) = (vec![0.0; outputs], vec![0.0; outputs]);
    let (mut g, mut c) = (vec![0.0; outputs * controls], vec![0.0; outputs * controls]);
    let mut answer = Answer {
        i: &mut i,
        q: &mut q,
        g: &mut g,
        c: &mut c,
    };
    law.answer(u, memory, &mut answer);
    i
}

/// kT/q in V at a temperature in degrees Celsius (CODATA 2018: k/q = 8.617333262e-5 V/K).
pub fn thermal_voltage(celsius: f64) -> f64 {
    8.617333262e-5 * (celsius + 273.15)
}
