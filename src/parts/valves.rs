//! Bottles, their sockets and heaters.

use super::bottles;
use super::line::{Line, show};
use crate::circuit::{Circuit, Element};
use crate::device::role::DeviceRole;
use crate::measure::chart::{Verdict, is_valve};
use crate::measure::findings::Finding;
use crate::measure::stress::Survey;

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
        let bottle = bottles::bottle(element);
        let name = match &element.notes.bottle {
            Some(bottle) => bottle.to_uppercase(),
            // Of a type that is one valve in a bottle, XV4A and XV4B are two bottles.
            None if bottle.is_some_and(|b| b.sections == 1) => element.name.to_uppercase(),
            None => bottles::of_section(&element.name),
        };
        let same = |one: &&mut One<'_>| one.name == name && one.sections[0].model == element.model;
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
        let Some(bottle) = bottles::bottle(one.sections[0]) else {
            let model = one.sections[0].model.clone().unwrap_or_default();
            if !sum.unknown.contains(&model) {
                sum.unknown.push(model);
            }
            continue;
        };
        let (volts, amperes) = (bottle.volts, bottle.amperes);
        match sum.sums.iter_mut().find(|s| s.0 == volts) {
            Some(known) => *known = (volts, known.1 + amperes, known.2 + 1),
            None => sum.sums.push((volts, amperes, 1)),
        }
    }
    sum.sums.sort_by(|a, b| a.0.total_cmp(&b.0));
    sum
}

/// Mains transformers whose model says what their heater windings give, and whose valves take more.
pub fn overloaded(circuit: &Circuit) -> Vec<Finding> {
    let taken = heaters(circuit).watts();
    let all = circuit.elements.iter().filter_map(|e| {
        let winding = e.rating("heater power")?;
        (taken > winding * SLACK).then(|| Finding {
            subject: e.name.clone(),
            quantity: "primary rms current",
            text: format!(
                "the heaters take {} of the {} that its model gives",
                show(taken, "W"),
                show(winding, "W")
            ),
            grave: true,
        })
    });
    all.collect()
}

/// Printed heater currents are rounded.
const SLACK: f64 = 1.005;

/// Lines for valves and sockets.
pub(super) fn lines(circuit: &Circuit, survey: &Survey, found: &[Finding]) -> Vec<Line> {
    let mut valves: Vec<(Line, f64)> = Vec::new();
    let mut sockets: Vec<Line> = Vec::new();
    for one in all(circuit) {
        let section = one.sections[0];
        let model = section.model.clone().unwrap_or_default();
        let bottle = bottles::bottle(section);
        // As it is bought, without a tail of the model's own.
        let value = model.split('_').next().unwrap_or(&model).to_string();
        let terminals = section.kind.map_or(&[][..], |k| k.terminals);
        let known = valves
            .iter()
            .position(|l| l.0.value.eq_ignore_ascii_case(&value));
        let k = known.unwrap_or_else(|| {
            let mut line = Line::new("valve", value.clone());
            line.buy.clone_from(&value);
            line.notes.push(
                bottle.map_or("its model does not say base and heater".into(), |b| {
                    b.described(terminals)
                }),
            );
            valves.push((line, 0.0));
            valves.len() - 1
        });
        let (line, most) = &mut valves[k];
        line.quantity += 1;
        line.names
            .extend(one.sections.iter().map(|e| e.name.clone()));
        let room = bottle.map_or(one.sections.len(), |b| b.sections);
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
            let (quantity, unit) = if section.role() == Some(DeviceRole::RectifierValve) {
                ("driven direct current", "A")
            } else {
                ("driven plate dissipation", "W")
            };
            line.notes.extend(over(survey, section));
            let own = found.iter().filter(|f| f.subject == section.name);
            let checks = own.map(|f| format!("CHECK: {}", f.told()));
            line.notes.extend(checks);
            let worst = survey.find(&section.name, quantity).and_then(|f| f.worst());
            if let Some((value, _)) = worst.filter(|w| w.0 >= *most) {
                *most = value;
                line.needs = super::line::show(value, unit);
            }
        }
        if let Some(bottle) = bottle {
            let same = sockets
                .iter_mut()
                .find(|l| l.value == bottle.base.socket.name());
            let line = match same {
                Some(line) => line,
                None => {
                    sockets.push(Line::new("socket", bottle.base.socket.name()));
                    sockets.last_mut().expect("just pushed")
                }
            };
            line.quantity += 1;
            line.names.push(one.name.clone());
        }
    }
    valves.into_iter().map(|v| v.0).chain(sockets).collect()
}

/// The ratings of a section that it is over: no better valve of its type is sold.
fn over<'s>(survey: &'s Survey, section: &'s Element) -> impl Iterator<Item = String> + 's {
    let own = survey.figures.iter().filter(|f| f.subject == section.name);
    own.filter(|f| f.verdict() == Some(Verdict::Over))
        .filter_map(|f| {
            let quantity = f.quantity.strip_prefix("driven ").unwrap_or(f.quantity);
            let (worst, limit) = (show(f.worst()?.0, f.unit), show(f.limit?, f.unit));
            Some(format!(
                "OVER: {quantity} of {} {worst}, rated {limit}",
                f.subject
            ))
        })
}
