//! Numerical methods that know no circuit.

pub mod fun;
pub mod resample;
