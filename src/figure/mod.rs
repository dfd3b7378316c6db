//! Figures by name: one line of text says what is to be measured.
//!
//! `QUANTITY of SUBJECT [with KEY VALUE, KEY VALUE ...]`, for example `voltage of plate1`,
//! `plate dissipation of XV4` or `swing of v(out) with stop 20m, step 10u`; a bare probe such
//! as `v(out)` is a figure too. [`registry`] lists all of them; reading, suggestions, help and
//! schema loop over it. A [`bench::Bench`] measures the figures of one circuit.

pub mod amount;
pub mod bench;
pub mod choice;
pub mod digits;
pub mod driven_source;
pub mod findings;
mod name;
pub mod problem;
pub mod registry;
pub mod seek;
pub mod target;
pub mod timing;

pub use name::{Figure, Subject, Words};
