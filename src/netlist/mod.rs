//! Netlist text to cards.

pub mod card;
pub mod expr;
