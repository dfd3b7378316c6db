//! Netlist text to statements.
//!
//! [`read`] takes a [`Loader`] and gives a [`statement::Netlist`] with the place of
//! every word, and all mistakes at once. From the outside in: `reader` (files
//! and statements), `lines`, `blocks` (subcircuits); `elements`, `controlled`,
//! `semiconductors`, `drive` and `controls` (one statement each); `formula` and
//! `probe`; `grammar` (pieces of statements), `text` (words and places).
//!
//! Where the published texts leave a choice: a bare `.ends` ends the innermost
//! subcircuit; powers group from the right; commas and parentheses separate
//! words as blanks do, but must pair up.

mod blocks;
mod commas;
mod controlled;
mod controls;
mod drive;
mod elements;
pub mod expr;
mod formula;
mod grammar;
mod lines;
pub mod loader;
mod name;
pub mod notes;
mod probe;
pub mod problem;
mod reader;
mod remarks;
mod semiconductors;
pub mod statement;
mod text;
mod written_apart;

pub use loader::{FileLoader, LoadProblem, Loader, MemoryLoader, SandboxLoader};
pub use probe::parse_probe;
pub use reader::{MOST_DIAGNOSTICS, Reading, read, read_library, read_within};
