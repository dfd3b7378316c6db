//! The volts that a diode blocks: what it may, which diodes are made to break down, and which fail.

use crate::circuit::Element;
use crate::device::role::DeviceRole;

/// A zener is measured at a test current of this much or more, A; a rectifier's breakdown at its leakage
/// of some microamperes (BZV55C: 5 mA, Taiwan Semiconductor DS_S1408008; 1N4007: 5 uA, Fairchild
/// rev 1.1.0). It is also what a model has that does not say (Nagel, UCB/ERL M520, 1975, from memory).
const TEST_A: f64 = 1e-3;
/// Up to this `bv` a diode without an `ibv` of its own is a zener, V: hardly any rectifier blocks less
/// (this project's own choice).
const LOW_V: f64 = 75.0;
/// How the types of zeners and surge suppressors begin, and what names say it (types from memory).
const TYPES: [&str; 10] = [
    "bz", "1n47", "1n52", "1n53", "1n59", "1.5ke", "1_5ke", "p6ke", "smbj", "tvs",
];

/// Whether an element is a diode that is used in its breakdown: by its type, or because its model
/// gives the breakdown at a test current.
pub fn is_zener(element: &Element) -> bool {
    if element.letter != 'D' {
        return false;
    }
    let Some(volts) = element.parameter("bv") else {
        return false;
    };
    let model = element.model.as_deref().unwrap_or("").to_lowercase();
    let test = element.parameter("ibv").unwrap_or(TEST_A);
    let is_named = model.contains("zen") || TYPES.iter().any(|t| model.starts_with(t));
    is_named || test > TEST_A * 1.001 || (volts <= LOW_V && test >= TEST_A * 0.999)
}

/// The volts at which a diode that is not a zener breaks down, if its model says.
pub fn breakdown(element: &Element) -> Option<f64> {
    let is_rectifier = element.role() == Some(DeviceRole::Diode) && !is_zener(element);
    element.parameter("bv").filter(|_| is_rectifier)
}

/// The most that a diode or rectifier valve may block: what its model says or its line has as
/// `rated=`, the lower of them. A zener blocks nothing beyond its volts; its `rated=` are watts.
pub fn most(element: &Element) -> Option<f64> {
    if is_zener(element) {
        return None;
    }
    let model = element.rating("inverse voltage");
    let all = [model, breakdown(element), element.rated];
    all.into_iter().flatten().reduce(f64::min)
}

/// The watts that a zener's line says it stands.
pub fn most_watts(element: &Element) -> Option<f64> {
    element.rated.filter(|_| is_zener(element))
}
