//! gridleak: try a valve-amplifier circuit before soldering it.
#![doc = ""]
