//! From meter readings to the part that is at fault.
//!
//! ```text
//! what was read       readings    probe and volts, with what the last digit is worth
//! what may be wrong   hypothesis  every fault of every part, by what the part is
//!                     mains       those of a supply on the mains
//! in the circuit      change      made in the bound circuit, and taken back
//! what a meter sees   bench       solved from the sound circuit, loaded by the meter, with the
//!                                 slopes of all tolerances about the faulty circuit
//! on the mains        supply      rectifiers as sources with a resistance
//! otherwise measured  state       valves pulled, a switch thrown, ohms, the gain of a tone
//! how well it fits    likelihood  covariance, heavy tails, one slipped reading
//! in order            rank        probabilities; what reads the same is one answer
//! two at once         pairs       where no single fault explains enough
//! what tells most     next        by expected information
//! ```
//!
//! Published ground: fault dictionaries and simulation before test, J. W. Bandler and A. E. Salama,
//! Proc. IEEE 73 (1985), p. 1279 (from memory).

pub mod bench;
pub mod change;
pub mod diagnosis;
pub mod hypothesis;
pub mod likelihood;
mod mains;
pub mod next;
pub mod pairs;
pub mod rank;
pub mod readings;
mod slope;
pub mod state;
pub mod supply;
