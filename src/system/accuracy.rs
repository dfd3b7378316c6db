//! How exactly the equations are solved, and what leaks so that every node has a voltage.

/// What an empty socket leaks to ground, S for each of a law's outputs: 10 gigohm.
pub const SOCKET_S: f64 = 1e-10;
/// What a node that hangs in the air leaks to ground, S: a teraohm of dry socket.
pub const LEAK_S: f64 = 1e-12;
/// A few units in the last place.
pub const ROUNDING: f64 = 16.0 * f64::EPSILON;
/// Residuals are judged relative to the currents that meet: this part of them is accepted.
pub const RELATIVE: f64 = 1e-9;
/// And this much in any case: A at a node, V at a branch.
pub const ABSOLUTE: f64 = 1e-12;
