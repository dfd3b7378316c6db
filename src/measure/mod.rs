//! Solutions turned into the figures of the trade.

pub mod band;
pub mod chart;
pub mod composite;
pub mod distortion;
pub mod feedback;
pub mod findings;
pub mod gain;
pub mod grid_circuit;
pub(crate) mod groups;
pub mod impedance;
pub mod inverse;
pub mod load_line;
pub mod noise;
pub mod preferred;
pub mod quiescent;
pub mod refine;
pub mod stress;
pub(crate) mod windings;
