//! The devices: one file each, holding everything about it.
//!
//! A device becomes [`Part`]s: linear resistances and capacitances, and
//! nonlinear [`Law`]s. A law maps control voltages (or currents) to output
//! currents and charges with their derivatives, and never learns which
//! analysis asks. Charges are kept apart from currents: the operating point
//! solves i = 0, a transient adds dq/dt, a small-signal analysis uses
//! G + jwC, so the answers cannot drift apart.

mod banks;
pub mod base;
pub mod behavioural;
mod bjt;
mod choke;
pub mod controlled;
mod core;
mod damping;
mod diode;
mod grid;
mod jfet;
mod junction;
mod kind;
mod law;
pub mod mains;
mod mosfet;
pub mod noise;
pub mod output;
mod output_valve;
mod packs;
mod pentode;
pub mod pot;
pub mod production;
mod ratings;
mod rectifier;
pub mod role;
pub mod source;
pub mod speaker;
pub mod swept;
pub mod switch;
pub mod toggle;
pub mod triode;
mod valve;

#[cfg(test)]
mod battery;
#[cfg(test)]
mod sets;
#[cfg(test)]
mod trial;

pub use banks::Banks;
pub use junction::NOMINAL_C;
pub use kind::{Device, Given, Kind, Param, Part, Pin, Rating, Readout, Winding};
pub use law::{Answer, Enlisted, Law, currents, thermal_voltage};
pub use packs::WIDTH;
pub use triode::ANSWERS as TRIODE_ANSWERS;

/// Every kind of device that takes a model, in the order of the help.
pub const REGISTRY: &[&Kind] = &[
    &triode::KIND,
    &pentode::KIND,
    &output_valve::KIND,
    &rectifier::KIND,
    &output::PUSH_PULL,
    &output::ULTRALINEAR,
    &output::SINGLE_ENDED,
    &choke::KIND,
    &mains::KIND,
    &speaker::KIND,
    &pot::KIND,
    &toggle::KIND,
    &diode::KIND,
    &bjt::NPN,
    &bjt::PNP,
    &jfet::N_CHANNEL,
    &jfet::P_CHANNEL,
    &mosfet::N_CHANNEL,
    &mosfet::P_CHANNEL,
    &switch::VOLTAGE,
    &switch::CURRENT,
];

/// The kind with a model name.
pub fn kind(name: &str) -> Option<&'static Kind> {
    REGISTRY
        .iter()
        .copied()
        .find(|k| k.name.eq_ignore_ascii_case(name))
}
