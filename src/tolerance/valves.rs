//! How far valves of one type differ: what their models say (`device::production` has the law, and
//! the sources of the limits stand in `netlists/valves` and `tests/references/spread.toml`).

use crate::circuit::Element;
use crate::device::production::{TOLHALF, TOLIP, TOLMU, TOLVCT};
use crate::device::role::DeviceRole;
use crate::netlist::statement::Tolerance;

/// What a valve varies in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Current at the same volts.
    pub current: Tolerance,
    /// Amplification factor, at the same current.
    pub mu: Tolerance,
    /// Contact potential, V either way.
    pub contact: Tolerance,
    /// What the sections of one bottle have in common: correlation of their values, 0 to 1.
    pub common: f64,
    /// Where that comes from.
    pub origin: &'static str,
}

/// A rectifier's drop at its printed current differs by about this (common practice, no published
/// source).
const RECTIFIER: f64 = 0.1;

/// The spread of a valve; none if it is not a valve.
pub fn of(element: &Element) -> Option<Spread> {
    let kind = element.kind?;
    if kind.role == DeviceRole::RectifierValve {
        return Some(Spread {
            current: Tolerance::both(RECTIFIER),
            mu: Tolerance::both(0.0),
            contact: Tolerance::both(0.0),
            common: 0.0,
            origin: "common practice",
        });
    }
    let value = |name: &str| {
        let place = kind.model_params.iter().position(|p| p.name == name)?;
        element.made.model.get(place).copied()
    };
    Some(Spread {
        current: Tolerance::both(value(TOLIP.name)?),
        mu: Tolerance::both(value(TOLMU.name)?),
        contact: Tolerance::both(value(TOLVCT.name)?),
        common: 1.0 - value(TOLHALF.name)?,
        origin: "its model",
    })
}

/// The bottle that a section belongs to: `XV1` of `XV1A`, and whether it is a section. A letter
/// A to D behind a number is a section, as schematics have it.
pub fn bottle(name: &str) -> (&str, bool) {
    let mut letters = name.char_indices().rev();
    match (letters.next(), letters.next()) {
        (Some((at, 'A'..='D' | 'a'..='d')), Some((_, digit))) if digit.is_ascii_digit() => {
            (&name[..at], true)
        }
        _ => (name, false),
    }
}
