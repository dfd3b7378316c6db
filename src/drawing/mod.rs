//! A circuit as a schematic: read by a draughtsman's rules, placed, wired, lettered.
//!
//! `scheme` says what is to be drawn, `recognise` what it is made of, `symbols` how each part
//! looks, `footprint` how much room it takes, `neutral` where ground is not the chassis, `motifs` what
//! keeps together, `place` and `rows` where it goes, `route` how the wires run, `ink` writes the
//! SVG. `read_back` reads a drawing by its geometry alone and shares nothing with the rest; the
//! tests hold every drawing against it. Voltages come in as texts.
//!
//! Correctness does not depend on looks: parts and texts keep clear of each other because each
//! takes its own cells of one lattice; a wire may meet another only straight across; a net for
//! which no way is found is shown by name, and then everything is placed anew with its flags.

mod footprint;
pub mod geometry;
mod ink;
pub mod items;
mod lettering;
mod motifs;
mod neutral;
mod order;
mod place;
pub mod read_back;
pub mod recognise;
mod room;
mod route;
mod rows;
pub mod scheme;
mod sheet;
mod symbols;
mod volts;

pub use ink::Sheet;
pub use sheet::{Figures, Notes, draw};
