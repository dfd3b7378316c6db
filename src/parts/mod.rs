//! What to buy: from a circuit and what its parts must stand to an order list.
//!
//! Alike parts stand in one line: the same kind, value and rating to buy. The rating follows from
//! the worst stress over all states (`measure::stress`). Sections of a valve are one bottle;
//! sockets, fuses and what the transformers must supply are lines of their own. Nothing here knows
//! files: a stock comes in as text.

pub mod bottles;
mod capacitors;
mod idle;
mod line;
mod list;
mod power;
pub mod ratings;
mod resting;
mod semiconductors;
pub mod stock;
mod valves;

pub use idle::open_contacts;
pub use line::{Line, written};
pub use list::list;
pub use valves::{Heaters, heaters, overloaded};
