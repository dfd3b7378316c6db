//! How far valves of one type differ.
//!
//! What a meter sees of a valve is its current at the printed point. Three causes make it up:
//! the current that the same grid and plate draw (perveance and emission), the amplification
//! factor, which moves cut-off, and the contact potential. The published limits are on the
//! current that comes out, so the three together are to stay within them:
//!
//! | source | limits |
//! | --- | --- |
//! | JAN-1A, quoted from Blackburn (ed.), Components Handbook, 1949 (secondary) | 6SL7GT plate current -39..+39 %, mu -21..+21 %; 6L6 -19..+19 %, slope -13..+13 %; 6V6GT -27..+27 %, slope -27..+27 % |
//! | current-production sheets of 6SN7GTB, 6CG7, 6V6GT, EL34 | -30..+30 % and 30 % between sections; 33 % each side; 33 to 59 mA; 80 to 120 mA |
//!
//! Current 15 %, mu 5 % and 0.08 V (uniform and independent of each other) make a deviation of
//! 15 % in a 12AX7 at 250 V, -2 V, that is, half of the 30 % that sheets allow. For the share
//! that the two sections of a bottle have in common: if their difference of 30 % is the double
//! deviation as well, 15 % sqrt(2 (1 - c)) = 15 %, c = 0.5.
//!
//! A `.model` line that gives a valve's spread itself has the last word.

use crate::circuit::Element;
use crate::netlist::card::Tolerance;

/// What a valve varies in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Current at the same volts.
    pub current: Tolerance,
    /// Amplification factor.
    pub mu: Tolerance,
    /// Contact potential, V either way.
    pub contact_v: f64,
    /// What the sections of one bottle have in common: correlation of their values, 0 to 1.
    pub common: f64,
    /// Where that comes from.
    pub origin: &'static str,
}

/// The spread of a valve; none if it is no valve.
pub fn of(element: &Element) -> Option<Spread> {
    let kind = element.kind?.name;
    let (current, mu, contact_v) = match kind {
        "triode" => (0.15, 0.05, 0.08),
        "pentode" | "output" => (0.20, 0.04, 0.0),
        "rectifier" => (0.10, 0.0, 0.0),
        _ => return None,
    };
    Some(Spread {
        current: Tolerance::both(current),
        mu: Tolerance::both(mu),
        contact_v,
        common: 0.5,
        origin: "production limits",
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
