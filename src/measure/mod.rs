//! Solutions turned into the figures of the trade.

pub mod chart;
pub mod impedance;
pub mod preferred;
