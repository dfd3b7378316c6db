//! Numerical methods that know no circuit.

pub mod aligned;
pub mod convert;
pub mod convolve;
pub mod crests;
pub mod dense;
pub mod eigen;
pub mod fft;
pub mod four;
pub mod fun;
pub mod growth;
pub mod lanes;
pub mod lu;
pub mod newton;
pub mod normal;
pub mod panels;
pub mod parallel;
pub mod radau;
pub mod radau_pair;
pub mod resample;
pub mod root;
pub mod sparse_panels;
pub mod tr_bdf2;
