//! What the tolerances of parts do: one drawing, many amplifiers.
//!
//! ```text
//! what varies     list      every value that may be off, its range and where that comes from
//!                 valves    how far valves differ from each other
//! which values    sample    by seed, run and name alone, so that any part of the work agrees
//! the circuit     change    the nominal circuit with other values: no netlist, pattern or
//!                           pivot order is made anew
//! its figures     measure   changed, trimmed and measured, one amplifier after the other
//!                 lanes     operating points of four at a time
//! what it says    statistics, shares (of the variance, by part), corners (worst and best)
//! its rest        rest      from the nominal solution, and the slopes about it
//! ```
//!
//! A *variable* is one number of the circuit that may be off. Its value is a factor on the
//! nominal number (1 as drawn) or, where a part of nothing would be nothing, an amount that is
//! added (0 as drawn). All functions take the variables' values in the order of
//! [`list::Variables::all`].

pub mod change;
pub mod corners;
mod lanes;
pub mod list;
pub mod measure;
pub mod problem;
pub mod rest;
pub mod sample;
pub mod shares;
pub mod statistics;
mod valves;
