//! Netlist text to cards.
//!
//! [`read`] takes a [`Loader`] and gives a [`card::Netlist`] with the place of
//! every word, and all mistakes at once. From the outside in: `reader` (files,
//! lines, subcircuits), `elements`, `drive` and `controls` (one card each),
//! `grammar` (pieces of cards), `expr` and `probe`, `text` (words and places).

pub mod card;
mod controls;
mod drive;
mod elements;
pub mod expr;
mod grammar;
mod probe;
pub mod problem;
mod reader;
pub mod source;
mod text;

pub use probe::parse_probe;
pub use reader::{
    INCLUDE_DEPTH, MOST_DIAGNOSTICS, MOST_INCLUDES, Reading, SUBCIRCUIT_DEPTH, read, read_library,
};
pub use source::{FileLoader, LoadProblem, Loader, MemoryLoader};
