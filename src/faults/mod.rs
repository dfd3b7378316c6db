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
//! Decisions:
//!
//! - A fault with a value of its own (a leak, a wrong resistor) is a row of cells; within a cell the
//!   value is one more tolerance, so that the sum over the cells is the evidence of the whole.
//! - A slipped reading is part of the likelihood and not a filter before it.
//! - Two causes are one answer if their readings lie within one deviation of each other, with all
//!   tolerances: no reading of these points can tell them apart.
//! - Not judged: ripple, and readings of a mains supply cycle by cycle (`supply` says what takes
//!   its place; its error grows with what a fault draws, and is counted as an uncertainty).
//!
//! Measured on generated amplifiers with hidden tolerances (`scripts/faults`, release at opt-level
//! 1, seconds of processor; "among" counts the causes that are one answer):
//!
//! | what | measured |
//! | --- | ---: |
//! | 120 single faults: true cause in the first answer, in the first three | 96.7 %, 100 % |
//! | the same named by itself at the head of the first answer | 79 % |
//! | 24 sound amplifiers called sound | 100 % |
//! | answers said to be 99 % sure that were right | 99 % of 141 |
//! | found from three readings and at most six more, each the first of `next` | 25 of 25 |
//! | pairs, both named within the first three answers | 18 of 25 |
//! | the Lapwing's preamp, 22 readings | 1.0 s |
//! | the whole Lapwing on its mains, 17 readings | 12 s |
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
