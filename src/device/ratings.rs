//! What semiconductors stand, as their models say it: parameters of this project's own, as valves have theirs
//! (`valve`). They change no current; a model that is silent has no rating. Those of volts and of the base hold for
//! any number of parts in parallel, amperes and watts for one of them (`area`).

use super::kind::{Given, Param, Rating};

const fn volts(name: &'static str, meaning: &'static str) -> Param {
    Param::new(name, meaning, "V", f64::NAN, 0.0..=1e6)
}

const fn amperes(name: &'static str, meaning: &'static str) -> Param {
    Param::new(name, meaning, "A", f64::NAN, 0.0..=1e6)
}

/// The model parameter `vcemax`.
pub const VCEMAX: Param = volts("vcemax", "collector to emitter, most");
/// The model parameter `vebmax`.
pub const VEBMAX: Param = volts("vebmax", "emitter to base, most");
/// The model parameter `icmax`.
pub const ICMAX: Param = amperes("icmax", "collector current, most");
/// The model parameter `vdsmax`.
pub const VDSMAX: Param = volts("vdsmax", "drain to source, most");
/// The model parameter `vgsmax`.
pub const VGSMAX: Param = volts("vgsmax", "gate to source either way, most");
/// The model parameter `vgdmax`.
pub const VGDMAX: Param = volts("vgdmax", "gate to drain and to source, most");
/// The model parameter `idmax`.
pub const IDMAX: Param = amperes("idmax", "drain current, most");
/// The model parameter `ifmax`.
pub const IFMAX: Param = amperes("ifmax", "forward current, mean, most");
/// The model parameter `pmax`.
pub const PMAX: Param = Param::new(
    "pmax",
    "dissipation without a heat sink, most",
    "W",
    f64::NAN,
    0.0..=1e6,
);

/// The ratings that a model gives, by parameter and quantity: those that hold for any number of parts in parallel, and
/// those of one part of `area`.
pub(super) fn limits(
    given: &Given<'_>,
    whole: &[(&str, &'static str)],
    each: &[(&str, &'static str)],
    area: f64,
) -> Vec<Rating> {
    let mut all = given.limits(whole);
    all.extend(given.limits(each).into_iter().map(|one| Rating {
        max: area * one.max,
        ..one
    }));
    all
}
