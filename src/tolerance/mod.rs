//! What the tolerances of parts do: one drawing, many amplifiers.
//!
//! ```text
//! what varies     list      every value that may be off, its range and where that comes from
//!                 valves    how far valves differ from each other
//! which values    sample    by seed, run and name alone, so that any part of the work agrees
//! the circuit     change    the nominal circuit with other values: no netlist, pattern or
//!                           pivot order is made anew
//! its figures     measure   changed, trimmed and measured, one amplifier after the other
//!                 trim      the parts that a builder sets in each
//!                 lanes     operating points of four at a time
//! what it says    statistics, shares (of the variance, by part), corners (worst and best)
//! its rest        rest      from the nominal solution, and the slopes about it
//! ```
//!
//! A *variable* is one number of the circuit that may be off. Its value is a factor on the
//! nominal number (1 as drawn) or, where a part of nothing would be nothing, an amount that is
//! added (0 as drawn). All functions take the variables' values in the order of
//! [`list::Variables::all`].
//!
//! What it costs (`bench/spread.rs`; measured on two cores with a load of fifteen on them, which
//! makes a second of processor dearer by up to a half):
//!
//! | what | measured |
//! | --- | ---: |
//! | an amplifier of four triodes at rest, over its laws one by one times Newton's least, 4.2 | 8.6 (9.0..10.5) |
//! | 1000 preamps of six triodes at rest, whole process | 0.10 s of processor (0.59 s one by one) |
//! | 41 000 of them | 2.1 s of processor, 50 us each, table and statistics included |
//! | a whole Lapwing on its mains (100 of seed 7, two figures at rest; another job on one core) | 0.39 s of processor |
//!
//! So a million whole Lapwings at rest take 390 000 seconds of processor: on 1000 cores
//! 6.5 minutes, as shards of a thousand amplifiers (`scripts/cluster`); a million
//! preamps take 50 s on one core. The table of a million rows with two figures is 45 MB;
//! memory is that of one run.

pub mod change;
pub mod corners;
mod lanes;
pub mod list;
pub mod measure;
pub mod problem;
pub mod rest;
pub mod rule;
pub mod sample;
pub mod shares;
pub mod statistics;
pub mod trim;
mod valves;

pub use valves::bottle;
mod variable;
