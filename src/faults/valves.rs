//! What may be wrong with valves: each by itself, whole bottles, and two in each other's sockets.

use super::change::Change;
use super::fault::Fault;
use super::hypothesis::{Cell, List, pairs, single};
use crate::circuit::Element;
use crate::device::role::DeviceRole;
use crate::math::fun;
use crate::tolerance::list::Target;

impl List<'_> {
    pub(super) fn valve(&mut self, k: usize, element: &Element) {
        let name = &element.name;
        let laws = self.circuit.laws_of(k);
        self.add(
            Fault::Dead,
            name,
            "",
            0.5,
            single(laws.into_iter().map(Change::Unplug).collect()),
        );
        let current =
            self.variables.all.iter().position(|v| {
                v.element == Some(k) && v.target == Target::Current && v.unit.is_none()
            });
        if let Some(variable) = current {
            let least = 0.94 * (1.0 + self.variables.all[variable].range.low);
            let width = 0.3f64;
            let cells = (0..8).map(|n| {
                let part = least * fun::exp(-(n as f64 + 0.5) * width);
                Cell {
                    changes: vec![Change::Variable(variable, part)],
                    part: 1.0 / 8.0,
                    value: Some(part),
                    width,
                    real: None,
                    second: 0.0,
                }
            });
            self.add(Fault::Weak, name, "", 0.3, cells.collect());
        }
        self.leads(k, element, 0.35);
        for (a, b) in pairs(element.terminals.len()) {
            self.bridge(element, Fault::Short, (a, b), 0.07);
        }
        if let (Some(plate), Some(grid)) = (element.terminal("plate"), element.terminal("grid")) {
            // 0.2 uA to 50 uA of ions: beyond 10 uA a valve is about to run away.
            let width = fun::ln(2.0);
            let cells = (0..8).map(|n| {
                let amperes = 0.3e-6 * fun::exp(n as f64 * width);
                Cell {
                    changes: vec![Change::Leak(plate, grid, amperes)],
                    part: if n < 6 { 0.16 } else { 0.02 },
                    value: Some(amperes),
                    width,
                    real: None,
                    second: 0.0,
                }
            });
            self.add(Fault::Gassy, name, "", 0.3, cells.collect());
        }
    }

    /// Bottles whose sections are dead together.
    pub(super) fn bottles(&mut self) {
        let mut done: Vec<String> = Vec::new();
        for first in &self.circuit.elements {
            let Some(bottle) = self.bottle(first) else {
                continue;
            };
            if done.contains(&bottle) {
                continue;
            }
            let sections: Vec<usize> = (0..self.circuit.elements.len())
                .filter(|&k| self.bottle(&self.circuit.elements[k]).as_ref() == Some(&bottle))
                .collect();
            if sections.len() > 1 {
                let laws = sections.iter().flat_map(|&k| self.circuit.laws_of(k));
                let cells = single(laws.map(Change::Unplug).collect());
                self.add(Fault::Dead, &bottle, "no heater", 0.6, cells);
            }
            done.push(bottle);
        }
    }

    fn bottle(&self, element: &Element) -> Option<String> {
        if element.role() != Some(DeviceRole::Valve) {
            return None;
        }
        let k = self
            .circuit
            .elements
            .iter()
            .position(|e| std::ptr::eq(e, element))?;
        let variable = self.variables.all.iter().find(|v| v.element == Some(k))?;
        self.variables.parts.get(variable.part).cloned()
    }

    /// Valves of different type in each other's sockets.
    pub(super) fn exchanged_valves(&mut self) {
        let circuit = self.circuit;
        let mut bottles: Vec<(String, Vec<usize>)> = Vec::new();
        for (k, element) in circuit.elements.iter().enumerate() {
            let Some(bottle) = self.bottle(element) else {
                continue;
            };
            match bottles.iter_mut().find(|b| b.0 == bottle) {
                Some(found) => found.1.push(k),
                None => bottles.push((bottle, vec![k])),
            }
        }
        let kind = |k: usize| circuit.elements[k].kind.map(|k| k.name);
        let model = |k: usize| circuit.elements[k].made.model.clone();
        for (n, (one, mine)) in bottles.iter().enumerate() {
            for (two, theirs) in &bottles[n + 1..] {
                let alike = mine.len() == theirs.len()
                    && mine.iter().zip(theirs).all(|(a, b)| kind(*a) == kind(*b));
                let (a, b) = (mine[0], theirs[0]);
                if !alike || circuit.elements[a].model == circuit.elements[b].model {
                    continue;
                }
                let pairs = mine.iter().zip(theirs);
                let changes = pairs
                    .flat_map(|(&a, &b)| [Change::Model(a, model(b)), Change::Model(b, model(a))]);
                let element = format!("{one} {two}");
                self.add(
                    Fault::WrongValve,
                    &element,
                    "in each other's sockets",
                    0.1,
                    single(changes.collect()),
                );
            }
        }
    }
}
