//! Long-tailed pairs: side by side over their tail.

use super::finder::{Block, FAR, Finder, Joined, MIRRORED, Motif, UPRIGHT};
use crate::drawing::geometry::{At, Way};
use crate::drawing::symbols::SymbolKind;

impl Finder<'_> {
    pub(super) fn long_tail(&mut self, p: usize) -> Option<Motif> {
        let kind = self.kind(p);
        let (grid, top, bottom) = kind.electrodes()?;
        if self.taken[p] || kind == SymbolKind::Pentode {
            return None;
        }
        let upright = kind.symbol();
        let ways = [grid, top, bottom].map(|k| upright.pins[k].way);
        if ways != [Way::West, Way::North, Way::South] {
            return None;
        }
        let nets = |q: usize| &self.scheme.parts[q].nets;
        let tail = nets(p)[bottom];
        if !self.wired(tail) {
            return None;
        }
        let cathodes: Vec<usize> = (self.scheme.nets[tail].pins.iter())
            .filter(|&&(q, pin)| self.kind(q) == kind && pin == bottom)
            .map(|&(q, _)| q)
            .collect();
        let &[a, b] = cathodes.as_slice() else {
            return None;
        };
        let apart = |k: usize| nets(a)[k] != nets(b)[k] && self.wired(nets(a)[k]);
        if self.taken[a] || self.taken[b] || !apart(grid) || !apart(top) {
            return None;
        }
        let depth = |q: usize| (self.reading.depth[nets(q)[grid]].unwrap_or(u32::MAX), q);
        let (a, b) = if depth(a) <= depth(b) { (a, b) } else { (b, a) };
        let loads = [a, b].map(|q| {
            let plate = nets(q)[top];
            let all = self.on(plate, SymbolKind::Resistor);
            let higher = |far: usize| self.reading.height[far] > self.reading.height[plate];
            let mut up = all.into_iter().filter(|(_, far)| higher(*far));
            let first = up.next()?;
            up.next().is_none().then_some(first.0)
        });
        let under = self.on(tail, SymbolKind::Resistor);
        let lower = |far: usize| self.reading.height[far] < self.reading.height[tail] + 1e-9;
        let under: Vec<Joined> = (under.into_iter())
            .filter(|(j, far)| lower(*far) && !loads.iter().flatten().any(|l| l.part == j.part))
            .map(|(j, _)| j)
            .collect();
        let plate = upright.pins[top].at;
        let cathode = upright.pins[bottom].at;
        let mut halves = Vec::new();
        for (q, load, side) in [(a, loads[0], UPRIGHT), (b, loads[1], MIRRORED)] {
            let mut half = Block::default();
            half.add(q, &(self.shape)(q, side), At::default());
            if let (Some(load), true) = (load, loads.iter().all(Option::is_some)) {
                let turn = load.standing(Way::South, !side.mirrored);
                let shape = (self.shape)(load.part, turn);
                let pin = shape.symbol.pins[load.pin].at;
                let at = At::new(plate.x - pin.x, plate.y - 4 - pin.y);
                if half.fits(&shape, at) {
                    half.add(load.part, &shape, at);
                }
            }
            halves.push(half);
        }
        // As near as their lettering allows, the tail halfway.
        let stage = (3..FAR).find_map(|half_way| {
            let mut stage = Block::default();
            stage.take_in(&halves[0], At::new(-half_way, 0));
            let by = At::new(half_way, 0);
            let clear = halves[1].cells.iter().all(|c| {
                let c = c.moved(by).grown(1);
                stage.cells.iter().all(|o| !c.overlaps(*o))
            });
            if !clear {
                return None;
            }
            stage.take_in(&halves[1], by);
            if let [tail] = under.as_slice() {
                let shape = (self.shape)(tail.part, tail.standing(Way::North, false));
                let pin = shape.symbol.pins[tail.pin].at;
                let at = At::new(-pin.x, cathode.y + 2 - pin.y);
                if !stage.fits(&shape, at) {
                    return None;
                }
                stage.add(tail.part, &shape, at);
            }
            Some(stage)
        })?;
        for (part, ..) in &stage.places {
            self.taken[*part] = true;
        }
        Some(Motif {
            places: stage.places,
            wires: vec![],
        })
    }
}
