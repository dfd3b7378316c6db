//! gridleak lets a builder of valve amplifiers try a circuit before soldering it.
//!
//! Start at [`workbench`]: it reads a netlist, sets what is to be tried, and answers in
//! figures, curves and charts.
//!
//! ```
//! use gridleak::workbench::Netlist;
//!
//! let netlist = Netlist::open("netlists/lapwing/clean_stage.cir")?;
//! for knob in [2, 4, 8] {
//!     let bench = netlist.clone().with("VOLUME", knob).build()?;
//!     let gain = bench.figure("gain of v(out) with frequency 1k")?;
//!     println!("volume at {knob}: {:.1} {}", gain.value, gain.unit);
//! }
//! # Ok::<(), gridleak::workbench::Error>(())
//! ```
//!
//! Behind it: netlist text -> lines -> circuit -> equations -> analyses -> reports. The
//! modules follow that order and each imports only from those above it.

// Results must agree on every machine: .clippy.toml lists what must not be called.
#![cfg_attr(not(test), warn(clippy::disallowed_methods))]

pub mod num;

pub mod diag;

pub mod inputs;

pub mod limits;

pub mod math;

pub mod netlist;

pub mod device;

pub mod circuit;

pub mod compare;

pub mod system;

pub mod analysis;

pub mod audio;

pub mod measure;

pub mod parts;

pub mod fit;

pub mod figure;

pub mod tolerance;

pub mod faults;

pub mod sheet;

pub mod report;

pub mod drawing;

pub mod workbench;

pub mod cli;
