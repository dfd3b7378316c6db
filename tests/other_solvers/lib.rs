//! Solvers of other authors behind our interfaces, for the tests and benches of this package.

pub mod by_hand;
#[path = "../common/circuits.rs"]
pub mod circuits;
pub mod solvers;
