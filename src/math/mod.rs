//! Numerical methods that know no circuit.

pub mod fun;
pub mod lu;
pub mod newton;
