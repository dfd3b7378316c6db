//! What hangs on a valve, and parts set beside one another as near as their lettering allows.

use crate::drawing::footprint::Footprint;
use crate::drawing::geometry::{At, Cells, Turn, Way};
use crate::drawing::recognise::Recognised;
use crate::drawing::scheme::Scheme;
use crate::drawing::symbols::SymbolKind;

/// Parts with their places about the leader's, or about the axis.
#[derive(Debug, Clone)]
pub struct Motif {
    /// Part, how it stands, where; the leader first.
    pub places: Vec<(usize, Turn, At)>,
    /// Wires that belong to it, each of a net.
    pub wires: Vec<(usize, Vec<At>)>,
}

impl Motif {
    /// The part whose place in the signal's order is the motif's.
    pub fn leader(&self) -> usize {
        self.places[0].0
    }
}

/// A part as it looks when it stands in some way.
pub(super) type Shaper<'a> = &'a dyn Fn(usize, Turn) -> Footprint;

pub(super) const UPRIGHT: Turn = Turn {
    quarters: 0,
    mirrored: false,
};
pub(super) const MIRRORED: Turn = Turn {
    quarters: 0,
    mirrored: true,
};
/// A part in line lies, its first pin on the left or on the right.
pub(super) const FIRST_LEFT: Turn = Turn {
    quarters: 3,
    mirrored: false,
};
pub(super) const FIRST_RIGHT: Turn = Turn {
    quarters: 1,
    mirrored: false,
};

pub(super) struct Finder<'a> {
    pub(super) scheme: &'a Scheme,
    pub(super) reading: &'a Recognised,
    pub(super) shown: &'a dyn Fn(usize) -> bool,
    pub(super) shape: Shaper<'a>,
    /// Parts that belong to a motif, or to the supply.
    pub(super) taken: Vec<bool>,
}

/// Parts about an origin, with the room they take.
#[derive(Debug, Clone, Default)]
pub(super) struct Block {
    pub(super) places: Vec<(usize, Turn, At)>,
    pub(super) cells: Vec<Cells>,
}

impl Block {
    pub(super) fn fits(&self, shape: &Footprint, at: At) -> bool {
        let new = shape.cells.iter().map(|c| c.moved(at));
        new.into_iter()
            .all(|c| self.cells.iter().all(|other| !c.overlaps(*other)))
    }

    pub(super) fn add(&mut self, part: usize, shape: &Footprint, at: At) {
        self.places.push((part, shape.turn, at));
        self.cells.extend(shape.cells.iter().map(|c| c.moved(at)));
    }

    pub(super) fn take_in(&mut self, other: &Block, by: At) {
        let places = other.places.iter().map(|&(p, t, at)| (p, t, at.plus(by)));
        self.places.extend(places);
        self.cells.extend(other.cells.iter().map(|c| c.moved(by)));
    }
}

/// A part in line by the pin at which it is joined to what stands already.
#[derive(Debug, Clone, Copy)]
pub(super) struct Joined {
    pub(super) part: usize,
    pub(super) pin: usize,
}

impl Joined {
    /// Lying, with the joined pin on a side.
    pub(super) fn lying(self, joined: Way) -> Turn {
        let first_left = (self.pin == 0) == (joined == Way::West);
        if first_left { FIRST_LEFT } else { FIRST_RIGHT }
    }

    /// Standing, with the joined pin at the top or bottom.
    pub(super) fn standing(self, joined: Way, mirrored: bool) -> Turn {
        let first_up = (self.pin == 0) == (joined == Way::North);
        let quarters = if first_up { 0 } else { 2 };
        Turn { quarters, mirrored }
    }
}

/// What hangs on an output valve's grid and screen.
#[derive(Debug, Clone, Default)]
pub(super) struct Arms {
    pub(super) screen: Option<Joined>,
    pub(super) screen_capacitor: Option<Joined>,
    pub(super) stopper: Option<Joined>,
    pub(super) leak: Option<Joined>,
    pub(super) coupling: Option<Joined>,
}

/// No part is looked for a place further away than this.
pub(super) const FAR: i32 = 24;
/// Columns left of a grid's lead that stay free, for the cathodes' wire.
pub(super) const FREE: i32 = 1;

impl Finder<'_> {
    pub(super) fn kind(&self, p: usize) -> SymbolKind {
        self.scheme.parts[p].kind
    }

    /// Free parts of a kind on a net, by the pin with which they are there, and their other net.
    pub(super) fn on(&self, net: usize, kind: SymbolKind) -> Vec<(Joined, usize)> {
        let pins = self.scheme.nets[net].pins.iter();
        let own = pins.filter(|(p, _)| self.kind(*p) == kind && !self.taken[*p]);
        own.map(|&(part, pin)| (Joined { part, pin }, self.scheme.parts[part].nets[1 - pin]))
            .filter(|(_, other)| *other != net)
            .collect()
    }

    pub(super) fn wired(&self, net: usize) -> bool {
        !(self.shown)(net)
    }

    pub(super) fn is_supply(&self, net: usize) -> bool {
        !self.wired(net) || self.reading.rails[net].is_some()
    }

    /// A net's resistor to what is shown by a flag, if there is but one.
    pub(super) fn to_flag(&self, net: usize, kind: SymbolKind) -> Option<Joined> {
        let all = self.on(net, kind);
        let mut own = all.into_iter().filter(|(_, far)| !self.wired(*far));
        let first = own.next()?;
        own.next().is_none().then_some(first.0)
    }

    pub(super) fn arms(&self, valve: usize) -> Arms {
        let part = &self.scheme.parts[valve];
        let mut arms = Arms::default();
        if part.kind == SymbolKind::Pentode && self.wired(part.nets[1]) {
            let screen = part.nets[1];
            let pins = self.scheme.nets[screen].pins.len();
            let grounded = |j: &Joined| {
                let far = self.scheme.parts[j.part].nets[1 - j.pin];
                self.scheme.nets[far].is_ground()
            };
            // A supply is where it leads, drawn as a flag or not.
            let fed = |far: usize| !self.scheme.nets[far].is_ground() && self.is_supply(far);
            let all = self.on(screen, SymbolKind::Resistor);
            let mut resistors = all.into_iter().filter(|(_, far)| fed(*far));
            if let (Some((resistor, _)), None) = (resistors.next(), resistors.next()) {
                arms.screen = Some(resistor).filter(|_| pins <= 3);
            }
            arms.screen_capacitor = self
                .to_flag(screen, SymbolKind::Capacitor)
                .filter(|j| grounded(j) && arms.screen.is_some());
        }
        let grid = part.nets[part.kind.electrodes().map_or(0, |e| e.0)];
        if !self.wired(grid) {
            return arms;
        }
        let mut net = grid;
        if self.scheme.nets[grid].pins.len() == 2
            && let Some((stopper, far)) = self.on(grid, SymbolKind::Resistor).first()
            && self.wired(*far)
        {
            arms.stopper = Some(*stopper);
            net = *far;
        }
        arms.leak = self.to_flag(net, SymbolKind::Resistor);
        let capacitors = self.on(net, SymbolKind::Capacitor);
        let mut through = capacitors.iter().filter(|(_, far)| self.wired(*far));
        if let (Some((coupling, _)), None) = (through.next(), through.next()) {
            arms.coupling = Some(*coupling);
        }
        arms
    }

    /// Adds a part to each block that has it, at the first place that is free in all of them.
    pub(super) fn add_all(
        &mut self,
        blocks: &mut [Block],
        parts: &[Option<Joined>],
        turn: &dyn Fn(Joined) -> Turn,
        at: &dyn Fn(i32) -> At,
        joined_at: Way,
    ) -> i32 {
        let shapes: Vec<Option<(usize, Footprint, At)>> = (parts.iter())
            .map(|j| {
                let j = (*j)?;
                let shape = (self.shape)(j.part, turn(j));
                let pin = shape.symbol.pins[j.pin];
                debug_assert_eq!(pin.way, joined_at);
                Some((j.part, shape, At::new(-pin.at.x, -pin.at.y)))
            })
            .collect();
        if shapes.iter().all(Option::is_none) {
            return 0;
        }
        let fits = |k: &i32| {
            (blocks.iter().zip(&shapes)).all(|(block, shape)| {
                shape
                    .as_ref()
                    .is_none_or(|(_, shape, by)| block.fits(shape, at(*k).plus(*by)))
            })
        };
        let Some(k) = (0..FAR).find(fits) else {
            return 0;
        };
        for (block, shape) in blocks.iter_mut().zip(&shapes) {
            if let Some((part, shape, by)) = shape {
                block.add(*part, shape, at(k).plus(*by));
                self.taken[*part] = true;
            }
        }
        k
    }

    /// Valves with what hangs on their grids and screens, each about its own centre.
    pub(super) fn blocks(&mut self, valves: &[usize], shared: usize) -> Vec<Block> {
        let arms: Vec<Arms> = valves.iter().map(|&v| self.arms(v)).collect();
        let mut blocks = vec![Block::default(); valves.len()];
        for (block, &v) in blocks.iter_mut().zip(valves) {
            block.add(v, &(self.shape)(v, UPRIGHT), At::default());
            self.taken[v] = true;
        }
        let of = |part: &dyn Fn(&Arms) -> Option<Joined>| -> Vec<Option<Joined>> {
            arms.iter().map(part).collect()
        };
        let symbol = self.kind(valves[0]).symbol();
        let (grid, ..) = self.kind(valves[0]).electrodes().expect("a valve");
        let grid = symbol.pins[grid].at;
        if self.kind(valves[0]) == SymbolKind::Pentode {
            let screen = symbol.pins[1].at;
            let capacitors = of(&|a| a.screen_capacitor);
            self.add_all(
                &mut blocks,
                &capacitors,
                &|j| j.standing(Way::North, false),
                &|k| At::new(screen.x + 2 + k, screen.y + 1),
                Way::North,
            );
            let resistors = of(&|a| a.screen);
            self.add_all(
                &mut blocks,
                &resistors,
                &|j| j.lying(Way::West),
                &|k| At::new(screen.x + 3 + k, screen.y),
                Way::West,
            );
        }
        if shared > 0 {
            let bars = Cells {
                x0: grid.x - 2 - shared as i32,
                y0: -3,
                x1: grid.x - 1,
                y1: 4,
            };
            blocks.iter_mut().for_each(|b| b.cells.push(bars));
        }
        let mut edge = grid.x - 2 - FREE;
        let stoppers = of(&|a| a.stopper);
        if stoppers.iter().any(Option::is_some) {
            let k = self.add_all(
                &mut blocks,
                &stoppers,
                &|j| j.lying(Way::East),
                &|k| At::new(edge - k, grid.y),
                Way::East,
            );
            edge -= k + 6;
        }
        let leaks = of(&|a| a.leak);
        if leaks.iter().any(Option::is_some) {
            let k = self.add_all(
                &mut blocks,
                &leaks,
                &|j| j.standing(Way::North, false),
                &|k| At::new(edge - k, grid.y + 1),
                Way::North,
            );
            edge -= k + 2;
        }
        let couplings = of(&|a| a.coupling);
        self.add_all(
            &mut blocks,
            &couplings,
            &|j| j.lying(Way::East),
            &|k| At::new(edge - k, grid.y),
            Way::East,
        );
        blocks
    }
}
