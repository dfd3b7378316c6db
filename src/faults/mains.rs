//! What may be wrong between the mains and the reservoirs.

use super::change::Change;
use super::hypothesis::{Cell, List, OPEN, single};
use super::supply::{Output, Supply};
use crate::device::role::DeviceRole;
use crate::math::fun;

impl List<'_> {
    /// What may be wrong between the mains and the reservoirs.
    pub(super) fn mains(&mut self, supply: &Supply) {
        let off = |o: &Output| {
            [
                Change::Feed(o.current, 0.0),
                Change::Ohms(o.resistance, OPEN[0].0),
            ]
        };
        let half = |o: &Output| {
            [
                Change::Feed(o.current, 0.5 * o.short()),
                Change::Ohms(o.resistance, 2.0 / o.siemens),
            ]
        };
        let all: Vec<Change> = supply.outputs.iter().flat_map(off).collect();
        let mains = supply.mains.as_str();
        self.add("supply", mains, "disconnected", 0.7, single(all.clone()));
        for (lead, sign) in [("low", -1.0f64), ("high", 1.0)] {
            let width = 0.12;
            let count = if sign < 0.0 { 7 } else { 3 };
            let cells = (0..count).map(|n| {
                let factor = fun::exp(sign * (0.06 + (n as f64 + 0.5) * width));
                let outputs = supply.outputs.iter();
                Cell {
                    changes: outputs
                        .map(|o| Change::Feed(o.current, factor * o.short()))
                        .collect(),
                    part: 1.0 / count as f64,
                    value: None,
                    width,
                }
            });
            self.add("supply", mains, lead, 0.4, cells.collect());
        }
        let circuit = self.circuit;
        for element in &circuit.elements {
            let Some(role) = element.role() else { continue };
            let name = element.name.as_str();
            let at = |o: &&Output| element.terminals.contains(&o.node);
            let reservoir = supply.outputs.iter().find(at);
            if let (DeviceRole::Capacitor, Some(output)) = (role, reservoir) {
                // Without it the mean falls towards 2/pi of the peak, as far as what follows lets it.
                let width = 0.1;
                let cells = (0..4).map(|n| Cell {
                    changes: vec![Change::Feed(
                        output.current,
                        output.short() * fun::exp(-0.05 - (n as f64 + 0.5) * width),
                    )],
                    part: 0.25,
                    value: None,
                    width,
                });
                self.add("open", name, "", 0.5, cells.collect());
            }
            if role == DeviceRole::MainsTransformer {
                self.add("open", name, "primary", 0.2, single(all.clone()));
                for output in &supply.outputs {
                    let lead = format!("winding of {}", circuit.nodes[output.node.0].name);
                    self.add("open", name, &lead, 0.1, single(off(output).to_vec()));
                    self.add(
                        "open",
                        name,
                        &format!("half the {lead}"),
                        0.1,
                        single(half(output).to_vec()),
                    );
                }
            } else if let Some(output) = supply
                .outputs
                .iter()
                .find(|o| o.rectifiers.contains(&element.name))
            {
                let changes = match output.rectifiers.len() {
                    1 => off(output),
                    _ => half(output),
                };
                let fault = if role.is_valve() { "dead" } else { "open" };
                self.add(fault, name, "", 0.4, single(changes.to_vec()));
                if role.is_valve() {
                    self.add(
                        "open",
                        name,
                        "one plate",
                        0.2,
                        single(half(output).to_vec()),
                    );
                }
            } else if role.is_resistance() && self.is_of_mains(element, role) {
                self.add("open", name, "", 0.3, single(all.clone()));
            } else if role == DeviceRole::Capacitor && self.is_of_mains(element, role) {
                self.hide("open", name);
            }
        }
    }
}
