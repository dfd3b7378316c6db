//! Supplies from the winding on: rectifiers, solid or valve, with their reservoirs.
//!
//! The transformer stands on the left, each end of a winding leads to the right on a row of its
//! own: through a resistor, if there is one, to a diode that lies, and on to the reservoir that
//! hangs right of them. A diode to ground (the other half of a bridge, or of a doubler) hangs from its
//! row. A valve stands right below the lower row, its plates so that their wires do not cross.

use super::finder::{Block, FAR, Finder, Joined, MIRRORED, Motif, UPRIGHT};
use crate::drawing::geometry::{At, Way};
use crate::drawing::symbols::{MAINS, SymbolKind};

/// Rows from one end of a winding to the next where a diode hangs between.
const HANGING: i32 = 9;
/// Columns from a winding to its first diode.
const START: i32 = 5;
/// Rows below a diode that hangs, its ground included.
const BELOW: i32 = 9;

/// An end of a winding, or what a resistor behind it leads to.
#[derive(Debug, Clone, Copy)]
struct End {
    net: usize,
    at: At,
    /// Columns to the right of it in which its wire goes down to its row.
    aside: i32,
}

/// What is set so far.
#[derive(Debug, Clone, Default)]
struct Set {
    block: Block,
    wires: Vec<(usize, Vec<At>)>,
    /// What is set next keeps below this.
    floor: Option<i32>,
}

/// The diodes at an end.
#[derive(Debug, Clone, Copy, Default)]
struct Diodes {
    /// To the supply.
    out: Option<Joined>,
    /// To ground, or to what the winding's other end leads back to.
    back: Option<Joined>,
}

impl Set {
    /// A motif, if it has N parts at least.
    fn motif(self, least: usize) -> Option<Motif> {
        (self.block.places.len() >= least).then_some(Motif {
            places: self.block.places,
            wires: self.wires,
        })
    }
}

impl Finder<'_> {
    /// A mains transformer with the rectifiers behind its windings.
    pub(super) fn mains_supply(&mut self, t: usize) -> Option<Motif> {
        if self.kind(t) != SymbolKind::Transformer(&MAINS) || self.taken[t] {
            return None;
        }
        let shape = (self.shape)(t, UPRIGHT);
        let mut set = Set::default();
        set.block.add(t, &shape, At::default());
        self.taken[t] = true;
        let nets = &self.scheme.parts[t].nets;
        // What comes from further below goes down further to the left.
        for ends in [[(2, 4), (4, 3)], [(5, 2), (6, 1)]] {
            let ends = ends.map(|(pin, aside): (usize, i32)| End {
                net: nets[pin],
                at: shape.symbol.pins[pin].at,
                aside,
            });
            self.rectified(&mut set, ends);
            // The next winding's parts stand below all of this one's.
            let hanging = set.block.cells.iter().skip(shape.cells.len());
            set.floor = hanging.map(|c| c.y1).max();
        }
        set.motif(2)
    }

    /// A bridge whose winding is something else.
    pub(super) fn bridge(&mut self, d: usize) -> Option<Motif> {
        if self.kind(d) != SymbolKind::Diode || self.taken[d] {
            return None;
        }
        let [upper, out] = self.scheme.parts[d].nets[..] else {
            return None;
        };
        // The other end: a second diode into the same supply.
        let lower = self.on(out, SymbolKind::Diode).into_iter();
        let mut lower = lower.filter(|&(j, far)| j.pin == 1 && far != upper);
        let (_, lower) = lower.next()?;
        let ends = [(upper, 0), (lower, HANGING)].map(|(net, y)| End {
            net,
            at: At::new(0, y),
            aside: 0,
        });
        let found = self.diodes(ends)?;
        if found.iter().any(|d| d.out.is_none() || d.back.is_none()) {
            return None;
        }
        let mut set = Set::default();
        self.solid(&mut set, ends, found);
        set.motif(4)
    }

    /// Sets what rectifies a winding, if it is known, and its reservoir.
    fn rectified(&mut self, set: &mut Set, ends: [End; 2]) {
        if ends[0].net == ends[1].net {
            return;
        }
        let before = (set.clone(), self.taken.clone());
        let ends = self.through(&mut set.block, ends);
        if self.valve(&mut set.block, ends) {
            return;
        }
        if let Some(found) = self.diodes(ends)
            && self.solid(set, ends, found)
        {
            return;
        }
        (*set, self.taken) = before;
    }

    /// Lays a resistor or fuse that is all that an end leads to.
    fn through(&mut self, block: &mut Block, ends: [End; 2]) -> [End; 2] {
        ends.map(|end| {
            let net = &self.scheme.nets[end.net];
            let only = net.pins.len() == 2 && !net.is_ground() && !net.leaves;
            let found = self.on(end.net, SymbolKind::Resistor);
            let (&[(joined, far)], true) = (&found[..], only) else {
                return end;
            };
            if self.scheme.nets[far].is_ground() {
                return end;
            }
            let shape = (self.shape)(joined.part, joined.lying(Way::West));
            let pins = &shape.symbol.pins;
            let by = pins[joined.pin].at;
            let places = (2..FAR).map(|k| At::new(end.at.x + k - by.x, end.at.y - by.y));
            let Some(at) = places.into_iter().find(|&at| block.fits(&shape, at)) else {
                return end;
            };
            block.add(joined.part, &shape, at);
            self.taken[joined.part] = true;
            End {
                net: far,
                at: pins[1 - joined.pin].at.plus(at),
                ..end
            }
        })
    }

    /// A rectifier valve whose plates are at both ends.
    fn valve(&mut self, block: &mut Block, ends: [End; 2]) -> bool {
        let pins = self.scheme.nets[ends[0].net].pins.iter();
        let plates = |p: usize| [self.scheme.parts[p].nets[0], self.scheme.parts[p].nets[1]];
        let wanted = [ends[0].net, ends[1].net];
        let both = |p: usize| plates(p) == wanted || plates(p) == [wanted[1], wanted[0]];
        let mut found = pins
            .map(|&(p, _)| p)
            .filter(|&p| self.kind(p) == SymbolKind::Rectifier && !self.taken[p] && both(p));
        let Some(valve) = found.next() else {
            return false;
        };
        // The upper end leads over to the right plate.
        let turn = if plates(valve) == wanted {
            MIRRORED
        } else {
            UPRIGHT
        };
        let shape = (self.shape)(valve, turn);
        let pins = shape.symbol.pins.clone();
        let left = pins[0].at.x.min(pins[1].at.x);
        let x = ends.iter().map(|e| e.at.x).max().unwrap_or(0);
        let y = ends[1].at.y + 2 - pins[0].at.y;
        let places = (3..FAR).map(|k| At::new(x + k - left, y));
        let Some(at) = places.into_iter().find(|&at| block.fits(&shape, at)) else {
            return false;
        };
        block.add(valve, &shape, at);
        self.taken[valve] = true;
        let (net, cathode) = (self.scheme.parts[valve].nets[2], pins[2].at.plus(at));
        self.reservoir(block, net, At::new(cathode.x + 3, cathode.y + 2));
        true
    }

    /// The diodes at both ends, if there are no others.
    fn diodes(&self, ends: [End; 2]) -> Option<[Diodes; 2]> {
        let ground = |n: usize| self.scheme.nets[n].is_ground();
        let all = ends.map(|e| {
            if ground(e.net) {
                vec![]
            } else {
                self.on(e.net, SymbolKind::Diode)
            }
        });
        let fars = || all.iter().flatten().map(|(_, far)| *far);
        // The supply: what is not ground; of two such that which the diodes lead to.
        let grounded = fars().any(ground);
        let mut sides = all.iter().flatten().map(|(j, _)| j.pin);
        let first = sides.next();
        let alike = sides.all(|pin| Some(pin) == first);
        let mut outs = all.iter().flatten();
        let leads =
            |(j, far): &&(Joined, usize)| !ground(*far) && (grounded || alike || j.pin == 0);
        let out = outs.find(leads)?.1;
        let mut back = fars().filter(|&far| far != out);
        let first = back.next();
        if back.any(|far| Some(far) != first) || ends.iter().any(|e| e.net == out) {
            return None;
        }
        let mut found = [Diodes::default(); 2];
        for (own, all) in found.iter_mut().zip(&all) {
            for &(joined, far) in all {
                let place = if far == out {
                    &mut own.out
                } else {
                    &mut own.back
                };
                if place.replace(joined).is_some() {
                    return None;
                }
            }
        }
        found.iter().any(|d| d.out.is_some()).then_some(found)
    }

    /// Sets diodes and the reservoir behind them.
    fn solid(&mut self, set: &mut Set, ends: [End; 2], found: [Diodes; 2]) -> bool {
        let x = ends.iter().map(|e| e.at.x).max().unwrap_or(0);
        let mut rows = ends.map(|e| e.at.y);
        let lower = set.floor.map_or(0, |y| (y + 3 - rows[0]).max(0));
        rows = rows.map(|y| y + lower);
        if found[0].back.is_some() {
            rows[1] = rows[1].max(rows[0] + HANGING);
        }
        // As near as it fits, below what is there already.
        let places = (0..2 * FAR).flat_map(|down| (START..FAR).map(move |k| (k, down)));
        for (k, down) in places {
            let mut tried = set.clone();
            let edge = (0..2).try_fold(x + k, |edge, n| {
                let at = At::new(x + k, rows[n] + down);
                let reach = self.row(&mut tried, ends[n], found[n], at)?;
                Some(edge.max(reach))
            });
            let Some(edge) = edge else {
                continue;
            };
            *set = tried;
            let all = found.iter().flat_map(|d| [d.out, d.back]).flatten();
            for joined in all {
                self.taken[joined.part] = true;
            }
            let first = found.iter().position(|d| d.out.is_some()).unwrap_or(0);
            if let Some(out) = found[first].out {
                let net = self.scheme.parts[out.part].nets[1 - out.pin];
                let level = rows[first] + down;
                let at = At::new(edge + 2, level + 1);
                let hung = self.reservoir(&mut set.block, net, at);
                self.bus(set, net, found, At::new(edge + 1, level), hung);
            }
            return true;
        }
        false
    }

    /// Wires diodes that lie to one column, and on to the reservoir at its own place.
    fn bus(&self, set: &mut Set, net: usize, found: [Diodes; 2], bus: At, reservoir: Option<At>) {
        for out in found.iter().filter_map(|d| d.out) {
            let Some(&(_, turn, at)) = set.block.places.iter().find(|p| p.0 == out.part) else {
                continue;
            };
            let shape = (self.shape)(out.part, turn);
            let from = shape.symbol.pins[1 - out.pin].at.plus(at);
            let mut wire = vec![from, At::new(bus.x, from.y)];
            if from.y != bus.y {
                wire.push(bus);
            }
            set.wires.push((net, wire));
        }
        if let Some(top) = reservoir {
            set.wires.push((net, vec![bus, At::new(top.x, bus.y), top]));
        }
    }

    /// One end's diodes: the one back hangs at a place, the one out lies right of it. Gives how far
    /// to the right they reach; none if there is no room.
    fn row(&self, set: &mut Set, end: End, diodes: Diodes, at: At) -> Option<i32> {
        let block = &mut set.block;
        if let Some(back) = diodes.back {
            let shape = (self.shape)(back.part, back.standing(Way::North, false));
            let by = shape.symbol.pins[back.pin].at;
            let place = At::new(at.x - by.x, at.y + 1 - by.y);
            if !block.fits(&shape, place) {
                return None;
            }
            block.add(back.part, &shape, place);
        }
        let Some(out) = diodes.out else {
            return Some(at.x);
        };
        let shape = (self.shape)(out.part, out.lying(Way::West));
        let pins = &shape.symbol.pins;
        let by = pins[out.pin].at;
        let from = if diodes.back.is_some() { 2 } else { 0 };
        let place = (from..FAR)
            .map(|k| At::new(at.x + k - by.x, at.y - by.y))
            .find(|&place| block.fits(&shape, place))?;
        block.add(out.part, &shape, place);
        if end.at.y != at.y {
            // Down to its row, clear of the winding's other ends.
            let x = end.at.x + end.aside;
            let corners = [At::new(x, end.at.y), At::new(x, at.y), by.plus(place)];
            let wire = std::iter::once(end.at).chain(corners).collect();
            set.wires.push((end.net, wire));
        }
        Some(pins[1 - out.pin].at.x + place.x)
    }

    /// Hangs a supply's capacitor, or two over one another, at a place or right of it; gives where.
    fn reservoir(&mut self, block: &mut Block, net: usize, at: At) -> Option<At> {
        let ground = |n: usize| self.scheme.nets[n].is_ground();
        let all = self.on(net, SymbolKind::Capacitor);
        let straight = all.iter().find(|(_, far)| ground(*far));
        let mut hung: Vec<(Joined, i32)> = straight.map(|(j, _)| (*j, 0)).into_iter().collect();
        if hung.is_empty() {
            for &(upper, middle) in &all {
                let below = self.on(middle, SymbolKind::Capacitor).into_iter();
                let mut below = below.filter(|(j, far)| j.part != upper.part && ground(*far));
                if let Some((lower, _)) = below.next() {
                    hung = vec![(upper, 0), (lower, BELOW)];
                    break;
                }
            }
        }
        let shapes: Vec<_> = (hung.iter())
            .map(|&(joined, down)| {
                let shape = (self.shape)(joined.part, joined.standing(Way::North, false));
                let by = shape.symbol.pins[joined.pin].at;
                (joined.part, shape, At::new(at.x - by.x, at.y + down - by.y))
            })
            .collect();
        let fits = |k: &i32| {
            let mut all = shapes.iter();
            all.all(|(_, shape, place)| block.fits(shape, place.plus(At::new(*k, 0))))
        };
        if shapes.is_empty() {
            return None;
        }
        let k = (0..FAR).find(fits)?;
        for (part, shape, place) in &shapes {
            block.add(*part, shape, place.plus(At::new(k, 0)));
            self.taken[*part] = true;
        }
        Some(At::new(at.x + k, at.y))
    }
}
