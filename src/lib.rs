//! gridleak lets a builder of valve amplifiers try a circuit before soldering it.
//!
//! Netlist text -> cards -> circuit -> equations -> analyses -> reports. The
//! modules follow that order and each imports only from those above it.

pub mod num;

pub mod diag;

pub mod inputs;

pub mod limits;

pub mod math;

pub mod netlist;

pub mod device;

pub mod circuit;

pub mod system;

pub mod analysis;

pub mod audio;

pub mod measure;

pub mod figure;

pub mod tolerance;

pub mod sheet;

pub mod report;

pub mod drawing;

pub mod cli;
