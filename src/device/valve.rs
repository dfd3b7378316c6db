//! What the models of valves share, whatever their law: the parameters of grid current and flicker
//! noise, capacitances, ratings.

use super::kind::Param;
use super::noise;

/// The model parameter `vct`.
pub const VCT: Param = Param::new("vct", "contact potential", "V", 0.0, -10.0..=10.0);
/// The model parameter `gg`.
pub const GG: Param = Param::new("gg", "grid perveance, 0 for none", "1", 0.0, 0.0..=1.0);
/// The model parameter `cg`.
pub const CG: Param = Param::new("cg", "sharpness of grid current", "1/V", 9.901, 0.1..=1e3);
/// The model parameter `xi`.
pub const XI: Param = Param::new("xi", "exponent of grid current", "1", 1.314, 1.0..=3.0);
/// The model parameter `fcorner`.
pub const FCORNER: Param = Param::new(
    "fcorner",
    "corner of flicker noise",
    "Hz",
    noise::VALVE_CORNER_HZ,
    0.0..=1e6,
);
/// The model parameter `cgp`.
pub const CGP: Param = Param::new("cgp", "grid-plate capacitance", "F", 0.0, 0.0..=1e-6);
/// The model parameter `cgk`.
pub const CGK: Param = Param::new("cgk", "grid-cathode capacitance", "F", 0.0, 0.0..=1e-6);
/// The model parameter `cpk`.
pub const CPK: Param = Param::new("cpk", "plate-cathode capacitance", "F", 0.0, 0.0..=1e-6);
/// The model parameter `pamax`.
pub const PAMAX: Param = Param::new("pamax", "plate dissipation, most", "W", f64::NAN, 0.0..=1e6);
/// The model parameter `pg2max`.
pub const PG2MAX: Param = Param::new(
    "pg2max",
    "screen dissipation, most",
    "W",
    f64::NAN,
    0.0..=1e6,
);
/// The model parameter `vamax`.
pub const VAMAX: Param = Param::new("vamax", "plate voltage, most", "V", f64::NAN, 0.0..=1e6);
/// The model parameter `vg2max`.
pub const VG2MAX: Param = Param::new("vg2max", "screen voltage, most", "V", f64::NAN, 0.0..=1e6);
/// The model parameter `ikmax`.
pub const IKMAX: Param = Param::new("ikmax", "cathode current, most", "A", f64::NAN, 0.0..=1e3);
/// The model parameter `vhkmax`.
pub const VHKMAX: Param = Param::new(
    "vhkmax",
    "heater-cathode voltage, most",
    "V",
    f64::NAN,
    0.0..=1e6,
);
/// The model parameter `rgmaxfixed`.
pub const RGMAXFIXED: Param = Param::new(
    "rgmaxfixed",
    "grid circuit, fixed bias, most",
    "ohm",
    f64::NAN,
    0.0..=1e12,
);
/// The model parameter `rgmaxself`.
pub const RGMAXSELF: Param = Param::new(
    "rgmaxself",
    "grid circuit, cathode bias, most",
    "ohm",
    f64::NAN,
    0.0..=1e12,
);
