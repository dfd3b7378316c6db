//! Numerical methods that know no circuit.

pub mod convert;
pub mod convolve;
pub mod dense;
pub mod fft;
pub mod fun;
pub mod integrate;
pub mod lu;
pub mod newton;
pub mod resample;
pub mod root;
