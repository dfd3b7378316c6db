//! What a part is beside its value, as comments say it.

use crate::netlist::name::Name;

/// What the part is, as far as its value does not say so.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Notes {
    /// `electrolytic` or `polar`: it has a polarity; the first node is the plus.
    pub polar: bool,
    /// `ripple=0.6A`: ripple current that a capacitor stands, A rms.
    pub ripple: Option<f64>,
    /// `fuse=0.5A`: the part is a fuse, A rms.
    pub fuse: Option<f64>,
    /// `bottle=V1`: which bottle a valve's section is in.
    pub bottle: Option<String>,
    /// `heater=lift`: the node at which a valve's heater stands.
    pub heater: Option<Name>,
}
