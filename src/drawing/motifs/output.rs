//! Output stages: valves about the axis of a transformer's primary.

use super::finder::{Block, FAR, Finder, Joined, Motif, UPRIGHT};
use crate::drawing::footprint::{Footprint, run_cells};
use crate::drawing::geometry::{At, Cells, Way};
use crate::drawing::symbols::{Symbol, SymbolKind};

/// Free rows between two valves over one another, for their wires.
const APART: i32 = 2;

/// A net and the corners of one of its wires.
type NetWire = (usize, Vec<At>);

/// A transformer's primary and the valves whose plates are on its ends.
struct Primary {
    /// The end's pin that has plates, and the other end's, which has as many or none.
    ends: [usize; 2],
    /// The valves from top to bottom: those on the first end, then those on the other.
    column: Vec<usize>,
    /// How many are on the first end.
    ups: usize,
    /// The first of them in the netlist.
    leader: usize,
    upright: Symbol,
    /// The pins of grid, plate and cathode.
    electrodes: (usize, usize, usize),
    secondaries: &'static [&'static [usize]],
}

impl Primary {
    /// Whether both ends have valves.
    fn is_pair(&self) -> bool {
        self.ups < self.column.len()
    }

    fn grid(&self) -> At {
        self.upright.pins[self.electrodes.0].at
    }

    fn plate(&self) -> At {
        self.upright.pins[self.electrodes.1].at
    }

    fn cathode(&self) -> At {
        self.upright.pins[self.electrodes.2].at
    }
}

/// How the valves of a primary stand over one another.
struct Stack {
    /// Where each stands, about the axis.
    heights: Vec<i32>,
    /// Each plate's wire goes to the right over what stands there.
    levels: Vec<i32>,
    /// The column in which these wires go up or down to the primary.
    bus: i32,
}

impl Stack {
    fn new(primary: &Primary, blocks: &[Block]) -> Stack {
        let cells = || blocks.iter().flat_map(|b| &b.cells);
        let top = cells().map(|c| c.y0).min().unwrap_or(0);
        let bottom = cells().map(|c| c.y1).max().unwrap_or(0);
        let right = cells().map(|c| c.x1).max().unwrap_or(0);
        // Even, so that both are as far from the axis.
        let pitch = (bottom - top + APART + 1) / 2 * 2;
        let count = blocks.len() as i32;
        let heights = (0..count).map(|k| (2 * k - count + 1) * pitch / 2);
        let heights: Vec<i32> = heights.collect();
        let levels = blocks.iter().zip(&heights).map(|(block, height)| {
            let between = block.cells.iter().filter(|c| c.x1 > 1);
            let over = between.map(|c| c.y0).min().unwrap_or(0) - 1;
            height + over.min(primary.plate().y - 1)
        });
        Stack {
            levels: levels.collect(),
            heights,
            bus: right + 1,
        }
    }

    /// The wires from the plates to the bus, and along it to where the ends of the primary meet it.
    /// None where two nets would lie on one another there.
    fn plate_wires(&self, primary: &Primary, nets: [usize; 2], meet: [i32; 2]) -> Vec<NetWire> {
        let (above, below) = self.levels.split_at(primary.ups);
        let lower = below.iter().all(|&level| level > meet[0]);
        let upper = above.iter().all(|&level| level < meet[1]);
        if primary.is_pair() && !(lower && upper && meet[0] < meet[1]) {
            return Vec::new();
        }
        let plates = self.heights.iter().zip(&self.levels).enumerate();
        let wires = plates.map(|(k, (&height, &level))| {
            let end = usize::from(k >= primary.ups);
            let from = primary.plate().plus(At::new(0, height));
            let mut wire = vec![from, At::new(0, level), At::new(self.bus, level)];
            if meet[end] != level {
                wire.push(At::new(self.bus, meet[end]));
            }
            (nets[end], wire)
        });
        wires.collect()
    }

    /// The wires that join cathodes, to the left of the grids.
    fn cathode_wires(&self, primary: &Primary, shared: &[(usize, Vec<usize>)]) -> Vec<NetWire> {
        let mut wires = Vec::new();
        for (n, (net, of)) in shared.iter().enumerate() {
            let x = primary.grid().x - 2 - n as i32;
            let foot = |k: usize| primary.cathode().plus(At::new(0, self.heights[k]));
            for &k in of {
                let down = foot(k).step(Way::South, 1);
                wires.push((*net, vec![foot(k), down, At::new(x, down.y)]));
            }
            let bar = [of[0], of[of.len() - 1]].map(|k| At::new(x, foot(k).y + 1));
            wires.push((*net, bar.to_vec()));
        }
        wires
    }
}

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

    /// The valves on the primary of a transformer: alike, on both ends or on one only.
    fn primary(&self, t: usize) -> Option<Primary> {
        let SymbolKind::Transformer(windings) = self.kind(t) else {
            return None;
        };
        if self.taken[t] || windings.left.len() != 1 {
            return None;
        }
        let winding = windings.left[0];
        let mut ends = [winding[0], winding[winding.len() - 1]];
        let nets = ends.map(|end| self.scheme.parts[t].nets[end]);
        if nets[0] == nets[1] {
            return None;
        }
        let on = |net: usize| {
            if self.wired(net) {
                self.plates_on(net)
            } else {
                vec![]
            }
        };
        let [mut upper, mut lower] = nets.map(on);
        if upper.is_empty() {
            std::mem::swap(&mut upper, &mut lower);
            ends.swap(0, 1);
        }
        let leader = *upper.first()?;
        let kind = self.kind(leader);
        let mut both = upper.iter().chain(&lower);
        let is_even = lower.is_empty() || lower.len() == upper.len();
        if !is_even || upper.len() > 4 || both.any(|&v| self.kind(v) != kind) {
            return None;
        }
        let ups = upper.len();
        upper.reverse();
        Some(Primary {
            ends,
            column: upper.into_iter().chain(lower).collect(),
            ups,
            leader,
            upright: kind.symbol(),
            electrodes: kind.electrodes()?,
            secondaries: windings.right,
        })
    }

    pub(super) fn output_stage(&mut self, t: usize) -> Option<Motif> {
        let primary = self.primary(t)?;
        self.taken[t] = true;
        let column = &primary.column;
        let shared = self.shared(column);
        let mut blocks = self.blocks(column, shared.len());
        for (net, of) in &shared {
            let lowest = of[of.len() - 1];
            // Under the last valve there is room for anything.
            if lowest + 1 < column.len() {
                self.beside_cathode(*net, column, &mut blocks[lowest], primary.cathode());
            }
        }
        let stack = Stack::new(&primary, &blocks);
        let mut stage = Block::default();
        for (block, &height) in blocks.iter().zip(&stack.heights) {
            stage.take_in(block, At::new(0, height));
        }
        let shape = (self.shape)(t, UPRIGHT);
        let pins = &shape.symbol.pins;
        let [near, far] = primary.ends.map(|pin| pins[pin].at.y);
        let y = if primary.is_pair() {
            // The primary's middle on the axis.
            -(near + far) / 2
        } else {
            // The plate's end level with the uppermost plate's wire.
            stack.levels[0] - near
        };
        let nets = primary.ends.map(|end| self.scheme.parts[t].nets[end]);
        let meet = [near + y, far + y];
        let mut wires = stack.plate_wires(&primary, nets, meet);
        // Without them all wires find their own way.
        if !wires.is_empty() {
            wires.extend(stack.cathode_wires(&primary, &shared));
        }
        let laid = wires.iter().flat_map(|(_, wire)| run_cells(wire));
        let laid: Vec<Cells> = laid.collect();
        // The primary's pins one step to the right of the bus at least.
        let x = stack.bus + 2 - pins[primary.ends[0]].at.x;
        let place = (x..x + 2 * FAR).map(|x| At::new(x, y)).find(|&at| {
            let clear = |c: Cells| laid.iter().all(|w| !w.overlaps(c));
            stage.fits(&shape, at) && shape.cells.iter().all(|c| clear(c.moved(at)))
        })?;
        stage.add(t, &shape, place);
        let joined = if primary.is_pair() { 2 } else { 1 };
        for (&pin, &net) in primary.ends.iter().zip(&nets).take(joined) {
            let end = pins[pin].at.plus(place);
            if !wires.is_empty() {
                wires.push((net, vec![At::new(stack.bus, end.y), end]));
            }
        }
        self.load(t, primary.secondaries, &shape, place, &mut stage);
        let lead = stage.places.iter().position(|p| p.0 == primary.leader)?;
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
