//! Output stages: valves about the axis of a transformer's primary.

use super::finder::{Block, FAR, Finder, Joined, Motif, UPRIGHT};
use crate::drawing::footprint::{Footprint, run_cells};
use crate::drawing::geometry::{At, Cells, Way};
use crate::drawing::symbols::SymbolKind;

/// Free rows between two valves over one another, for their wires.
const APART: i32 = 2;

impl Finder<'_> {
    /// Valves whose plates are on an end of a transformer's primary.
    fn plates_on(&self, net: usize) -> Vec<usize> {
        let pins = self.scheme.nets[net].pins.iter();
        let plates = pins.filter(|&&(p, pin)| {
            let kind = self.kind(p);
            let top = kind.electrodes().is_some_and(|(_, top, _)| top == pin);
            top && kind.is_valve() && !self.taken[p]
        });
        plates.map(|&(p, _)| p).collect()
    }

    pub(super) fn output_stage(&mut self, t: usize) -> Option<Motif> {
        let SymbolKind::Transformer(windings) = self.kind(t) else {
            return None;
        };
        if self.taken[t] || windings.left.len() != 1 {
            return None;
        }
        let winding = windings.left[0];
        let ends = [winding[0], winding[winding.len() - 1]];
        let nets = &self.scheme.parts[t].nets;
        let (first, last) = (nets[ends[0]], nets[ends[1]]);
        if first == last {
            return None;
        }
        let mut upper = if self.wired(first) {
            self.plates_on(first)
        } else {
            vec![]
        };
        let mut lower = if self.wired(last) {
            self.plates_on(last)
        } else {
            vec![]
        };
        // Alike on both ends or on one end only.
        let mut end_pin = ends[0];
        if upper.is_empty() {
            std::mem::swap(&mut upper, &mut lower);
            end_pin = ends[1];
        }
        if upper.is_empty() || !(lower.is_empty() || lower.len() == upper.len()) {
            return None;
        }
        let kind = self.kind(upper[0]);
        if upper.iter().chain(&lower).any(|&v| self.kind(v) != kind) || upper.len() > 4 {
            return None;
        }
        self.taken[t] = true;
        let leader = upper[0];
        upper.reverse();
        let ups = upper.len();
        let column: Vec<usize> = upper.into_iter().chain(lower).collect();
        let shared = self.shared(&column);
        let mut blocks = self.blocks(&column, shared.len());
        let upright = kind.symbol();
        let (_, top_pin, bottom_pin) = kind.electrodes()?;
        let (plate, cathode) = (upright.pins[top_pin].at, upright.pins[bottom_pin].at);
        for (net, of) in &shared {
            let lowest = of[of.len() - 1];
            // Under the last valve there is room for anything.
            if lowest + 1 < column.len() {
                self.beside_cathode(*net, &column, &mut blocks[lowest], cathode);
            }
        }
        let cells = || blocks.iter().flat_map(|b| &b.cells);
        let top = cells().map(|c| c.y0).min().unwrap_or(0);
        let bottom = cells().map(|c| c.y1).max().unwrap_or(0);
        let right = cells().map(|c| c.x1).max().unwrap_or(0);
        // Even, so that both are as far from the axis.
        let pitch = (bottom - top + APART + 1) / 2 * 2;
        let count = column.len() as i32;
        let height = |k: usize| (2 * k as i32 - count + 1) * pitch / 2;
        let mut stage = Block::default();
        for (k, block) in blocks.iter().enumerate() {
            stage.take_in(block, At::new(0, height(k)));
        }
        // Each plate's wire goes to the right over what stands there.
        let levels: Vec<i32> = (blocks.iter().enumerate())
            .map(|(k, block)| {
                let between = block.cells.iter().filter(|c| c.x1 > 1);
                let over = between.map(|c| c.y0).min().unwrap_or(0) - 1;
                height(k) + over.min(plate.y - 1)
            })
            .collect();
        let shape = (self.shape)(t, UPRIGHT);
        let pins = &shape.symbol.pins;
        let y = if ups == column.len() {
            // The plate's end level with the uppermost plate's wire.
            levels[0] - pins[end_pin].at.y
        } else {
            // A pair: the primary's middle on the axis.
            -(pins[ends[0]].at.y + pins[ends[1]].at.y) / 2
        };
        let bus = right + 1;
        let other_pin = if end_pin == ends[0] { ends[1] } else { ends[0] };
        let mut wires: Vec<(usize, Vec<At>)> = Vec::new();
        for (k, &level) in levels.iter().enumerate() {
            let pin = if k < ups { end_pin } else { other_pin };
            let from = plate.plus(At::new(0, height(k)));
            let mut wire = vec![from, At::new(0, level), At::new(bus, level)];
            let end = pins[pin].at.y + y;
            if end != level {
                wire.push(At::new(bus, end));
            }
            wires.push((nets[pin], wire));
        }
        for (n, (net, of)) in shared.iter().enumerate() {
            let x = upright.pins[kind.electrodes()?.0].at.x - 2 - n as i32;
            let foot = |k: usize| cathode.plus(At::new(0, height(k)));
            let (first, last) = (of[0], of[of.len() - 1]);
            for &k in of {
                let down = foot(k).step(Way::South, 1);
                wires.push((*net, vec![foot(k), down, At::new(x, down.y)]));
            }
            let bar = [first, last].map(|k| At::new(x, foot(k).y + 1));
            wires.push((*net, bar.to_vec()));
        }
        // Two nets on one bus: then the wires find their own way.
        let meet = [end_pin, other_pin].map(|pin| pins[pin].at.y + y);
        let lower = levels[ups..].iter().all(|&level| level > meet[0]);
        let upper = levels[..ups].iter().all(|&level| level < meet[1]);
        if ups < column.len() && !(lower && upper && meet[0] < meet[1]) {
            wires.clear();
        }
        let laid = wires.iter().flat_map(|(_, wire)| run_cells(wire));
        let laid: Vec<Cells> = laid.collect();
        // The primary's pins one step to the right of the bus at least.
        let x = bus + 2 - pins[end_pin].at.x;
        let place = (x..x + 2 * FAR).map(|x| At::new(x, y)).find(|&at| {
            let clear = |c: Cells| laid.iter().all(|w| !w.overlaps(c));
            stage.fits(&shape, at) && shape.cells.iter().all(|c| clear(c.moved(at)))
        })?;
        stage.add(t, &shape, place);
        for pin in [end_pin, other_pin] {
            let end = pins[pin].at.plus(place);
            if !wires.is_empty() && (pin == end_pin || ups < column.len()) {
                wires.push((nets[pin], vec![At::new(bus, end.y), end]));
            }
        }
        self.load(t, windings.right, &shape, place, &mut stage);
        let lead = stage.places.iter().position(|p| p.0 == leader)?;
        stage.places.swap(0, lead);
        Some(Motif {
            places: stage.places,
            wires,
        })
    }

    /// Lays the only other part on a shared cathode to the right of the lowest of them.
    fn beside_cathode(&mut self, net: usize, column: &[usize], block: &mut Block, cathode: At) {
        let pins = self.scheme.nets[net].pins.iter();
        let mut others = pins.filter(|(p, _)| !column.contains(p));
        let (Some(&(part, pin)), None) = (others.next(), others.next()) else {
            return;
        };
        if self.taken[part] || !self.kind(part).is_in_line() {
            return;
        }
        let shape = (self.shape)(part, Joined { part, pin }.lying(Way::West));
        let by = shape.symbol.pins[pin].at;
        let mut free = (2..FAR)
            .map(|k| At::new(cathode.x + k - by.x, cathode.y + 1 - by.y))
            .filter(|&at| block.fits(&shape, at));
        if let Some(at) = free.next() {
            block.add(part, &shape, at);
            self.taken[part] = true;
        }
    }

    /// Hangs what loads a transformer, if it is one part to ground, to the right of it.
    fn load(
        &mut self,
        t: usize,
        secondaries: &[&[usize]],
        shape: &Footprint,
        place: At,
        stage: &mut Block,
    ) {
        let mut loads = Vec::new();
        for &tap in secondaries.iter().copied().flatten() {
            let net = self.scheme.parts[t].nets[tap];
            if self.wired(net) {
                for kind in [SymbolKind::Resistor, SymbolKind::Speaker] {
                    let own = self.on(net, kind).into_iter();
                    let own = own.filter(|(_, far)| self.scheme.nets[*far].is_ground());
                    loads.extend(own.map(|(joined, _)| (joined, tap)));
                }
            }
        }
        let &[(load, tap)] = loads.as_slice() else {
            return;
        };
        let own = (self.shape)(load.part, load.standing(Way::North, false));
        let by = own.symbol.pins[load.pin].at;
        let from = shape.symbol.pins[tap].at.plus(place);
        let mut free = (3..FAR)
            .map(|k| At::new(from.x + k - by.x, from.y + 1 - by.y))
            .filter(|&at| stage.fits(&own, at));
        if let Some(at) = free.next() {
            stage.add(load.part, &own, at);
            self.taken[load.part] = true;
        }
    }

    /// Cathodes that valves of a column share, shortest span first: the net, and which of them.
    fn shared(&self, column: &[usize]) -> Vec<(usize, Vec<usize>)> {
        let mut shared: Vec<(usize, Vec<usize>)> = Vec::new();
        for (k, &v) in column.iter().enumerate() {
            let Some((_, _, bottom)) = self.kind(v).electrodes() else {
                continue;
            };
            let net = self.scheme.parts[v].nets[bottom];
            if !self.wired(net) {
                continue;
            }
            match shared.iter_mut().find(|s| s.0 == net) {
                Some((_, of)) => of.push(k),
                None => shared.push((net, vec![k])),
            }
        }
        shared.retain(|(_, of)| of.len() > 1);
        shared.sort_by_key(|(net, of)| (of[of.len() - 1] - of[0], *net));
        shared
    }
}
