//! Valves as they are bought: base, pins and heater of a bottle, as the valve's model has them.

use crate::circuit::Element;
use crate::device::base::{self, Base};

/// A bottle.
#[derive(Debug, Clone, Copy)]
pub struct Bottle {
    /// Its base.
    pub base: &'static Base,
    /// Heater, V.
    pub volts: f64,
    /// Heater, A.
    pub amperes: f64,
    /// How many sections like this one it has.
    pub sections: usize,
}

/// The bottle that a valve is in; none if its model does not say its base and heater.
pub fn bottle(element: &Element) -> Option<Bottle> {
    let kind = element.kind?;
    let base = base::of_value(element.parameter("base")?)?;
    Some(Bottle {
        base,
        volts: element.parameter("vh").filter(|v| *v > 0.0)?,
        amperes: element.parameter("ih").filter(|v| *v > 0.0)?,
        sections: base.sections(kind.terminals).len().max(1),
    })
}

impl Bottle {
    /// Socket, pins of each section and heater in a line.
    pub fn described(&self, terminals: &[&str]) -> String {
        let joined = |pins: Vec<u8>| {
            let pins = pins.iter().map(u8::to_string);
            pins.collect::<Vec<_>>().join("+")
        };
        let sections = self.base.sections(terminals).into_iter().map(|section| {
            let pins = terminals
                .iter()
                .map(|t| format!("{t} {}", joined(self.base.of(section, t))));
            pins.collect::<Vec<_>>().join(", ")
        });
        let tap = self.base.heater_tap();
        let tap = tap.map_or(String::new(), |pin| format!(", its middle {pin}"));
        format!(
            "base {}: {}; heater {}{tap}, {} {}",
            self.base.name,
            sections.collect::<Vec<_>>().join(" / "),
            joined(self.base.heater()),
            crate::num::engineering(self.volts, "V", 3),
            crate::num::engineering(self.amperes, "A", 3)
        )
    }
}

/// The bottle that a section is in, by its name: `XV1A` and `XV1B` are in `V1`; `X1.XV2` in
/// `X1.V2`. A single letter A to C after a digit is a section's.
pub fn of_section(name: &str) -> String {
    let (path, own) = name.split_at(name.rfind('.').map_or(0, |dot| dot + 1));
    let bare = own.strip_prefix(['X', 'x']).filter(|rest| !rest.is_empty());
    let own = bare.unwrap_or(own);
    let mut letters = own.chars().rev();
    let last = letters
        .next()
        .is_some_and(|c| matches!(c.to_ascii_uppercase(), 'A'..='C'));
    let stem = if last && letters.next().is_some_and(|c| c.is_ascii_digit()) {
        &own[..own.len() - 1]
    } else {
        own
    };
    format!("{path}{stem}").to_uppercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sections_find_their_bottle_by_name() {
        for (name, expected) in [
            ("XV1A", "V1"),
            ("xv1b", "V1"),
            ("XV4", "V4"),
            ("X1.XV2A", "X1.V2"),
            ("XBETA", "BETA"),
            ("X1A", "1"),
        ] {
            assert_eq!(of_section(name), expected, "{name}");
        }
    }
}
