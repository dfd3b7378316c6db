//! A circuit as equations: modified nodal analysis (C.-W. Ho, A. E. Ruehli and
//! P. A. Brennan, IEEE Trans. CAS-22, 1975, p. 504).
//!
//! The unknowns x are the node voltages and the branch currents. The equations are
//! d/dt q(x) + f(x, t) = 0: at a node the currents that leave add up to zero; at a
//! branch the voltage across it equals what sets it.

pub mod accuracy;
pub mod assemble;
pub mod audit;
mod pattern;
pub mod probe;
pub mod sources;
pub mod unknowns;
mod walk;
