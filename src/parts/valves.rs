//! Bottles, their sockets and heaters.

use super::Line;
use super::bottles::{self, Bottle};
use crate::circuit::{Circuit, Element};
use crate::measure::chart::is_valve;
use crate::measure::stress::Survey;
use crate::num;

/// One bottle of the amplifier.
struct One<'c> {
    name: String,
    sections: Vec<&'c Element>,
}

/// The bottles of a circuit, in the order of the netlist. Sections pair by name, or as a comment
/// on the line says (`; bottle=V1`).
fn all(circuit: &Circuit) -> Vec<One<'_>> {
    let mut found: Vec<One<'_>> = Vec::new();
    for element in circuit.elements.iter().filter(|e| is_valve(e)) {
        let model = element.model.clone().unwrap_or_default();
        let room = bottles::bottle(&model).map_or(1, |b| b.sections.len());
        let name = match &element.notes.bottle {
            Some(bottle) => bottle.to_uppercase(),
            // Of a type that is one valve in a bottle, XV4A and XV4B are two bottles.
            None if room == 1 && bottles::bottle(&model).is_some() => element.name.to_uppercase(),
            None => bottles::of_section(&element.name),
        };
        let same = |one: &&mut One<'_>| {
            let alike = one.sections[0].model.as_deref().unwrap_or_default();
            let type_of =
                |m: &str| bottles::bottle(m).map_or(m.to_uppercase(), |b| b.names[0].into());
            one.name == name && type_of(alike) == type_of(&model)
        };
        match found.iter_mut().find(same) {
            Some(one) => one.sections.push(element),
            None => found.push(One {
                name,
                sections: vec![element],
            }),
        }
    }
    found
}

/// What the heaters take.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Heaters {
    /// Volts, amperes and bottles at each voltage, the lower voltage first.
    pub sums: Vec<(f64, f64, usize)>,
    /// Types whose heater is not known.
    pub unknown: Vec<String>,
}

impl Heaters {
    /// All together, W.
    pub fn watts(&self) -> f64 {
        self.sums.iter().map(|s| s.0 * s.1).sum()
    }
}

/// The sum of all heaters of a circuit.
pub fn heaters(circuit: &Circuit) -> Heaters {
    let mut sum = Heaters::default();
    for one in all(circuit) {
        let model = one.sections[0].model.as_deref().unwrap_or_default();
        let Some(bottle) = bottles::bottle(model) else {
            let model = model.to_string();
            if !sum.unknown.contains(&model) {
                sum.unknown.push(model);
            }
            continue;
        };
        let (_, volts, amperes) = bottle.heater;
        match sum.sums.iter_mut().find(|s| s.0 == volts) {
            Some(known) => *known = (volts, known.1 + amperes, known.2 + 1),
            None => sum.sums.push((volts, amperes, 1)),
        }
    }
    sum.sums.sort_by(|a, b| a.0.total_cmp(&b.0));
    sum
}

/// Lines for valves and sockets.
pub(super) fn lines(circuit: &Circuit, survey: &Survey) -> Vec<Line> {
    let mut valves: Vec<(Line, f64)> = Vec::new();
    let mut sockets: Vec<Line> = Vec::new();
    for one in all(circuit) {
        let model = one.sections[0].model.clone().unwrap_or_default();
        let bottle = bottles::bottle(&model);
        let value = bottle.map_or(model.clone(), |b| {
            // As the netlist calls it, without a tail of its own.
            let stem = model.split('_').next().unwrap_or(&model);
            let named = b.names.iter().find(|n| n.eq_ignore_ascii_case(stem));
            named.map_or(model.clone(), |n| (*n).to_string())
        });
        let known = valves
            .iter()
            .position(|l| l.0.value.eq_ignore_ascii_case(&value));
        let k = known.unwrap_or_else(|| {
            let mut line = Line::new("valve", value.clone());
            line.buy.clone_from(&value);
            line.notes
                .push(bottle.map_or("base and heater not known here".into(), described));
            valves.push((line, 0.0));
            valves.len() - 1
        });
        let (line, most) = &mut valves[k];
        line.quantity += 1;
        line.names
            .extend(one.sections.iter().map(|e| e.name.clone()));
        let room = bottle.map_or(one.sections.len(), |b| b.sections.len());
        if one.sections.len() < room {
            line.notes
                .push(format!("{}: one of {room} sections used", one.name));
        }
        if one.sections.len() > room {
            line.notes.push(format!(
                "{}: {} sections in a bottle of {room}: give them bottles of their own",
                one.name,
                one.sections.len()
            ));
        }
        for section in &one.sections {
            let (quantity, unit) = match section.kind.is_some_and(|k| k.name == "rectifier") {
                true => ("driven direct current", "A"),
                false => ("driven plate dissipation", "W"),
            };
            let worst = survey.find(&section.name, quantity).and_then(|f| f.worst());
            if let Some((value, _)) = worst.filter(|w| w.0 >= *most) {
                *most = value;
                line.needs = format!("{} a section", num::engineering(value, unit, 3));
                if room == 1 {
                    line.needs = num::engineering(value, unit, 3);
                }
            }
        }
        if let Some(bottle) = bottle {
            let same = sockets.iter_mut().find(|l| l.value == bottle.socket);
            let line = match same {
                Some(line) => line,
                None => {
                    sockets.push(Line::new("socket", bottle.socket));
                    sockets.last_mut().expect("just pushed")
                }
            };
            line.quantity += 1;
            line.names.push(one.name.clone());
        }
    }
    valves.into_iter().map(|v| v.0).chain(sockets).collect()
}

/// Base, pins and heater in a line.
fn described(bottle: &Bottle) -> String {
    let sections = bottle.sections.iter().map(|pins| {
        let pins = pins.iter().map(|(what, pin)| format!("{what} {pin}"));
        pins.collect::<Vec<_>>().join(", ")
    });
    let (pins, volts, amperes) = bottle.heater;
    format!(
        "{}: {}; heater {pins}, {} {}",
        bottle.socket,
        sections.collect::<Vec<_>>().join(" / "),
        num::engineering(volts, "V", 3),
        num::engineering(amperes, "A", 3)
    )
}
