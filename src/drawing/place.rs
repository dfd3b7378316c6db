//! Where each part goes: one after the other along the signal's way, each at the free place where
//! the wires to what is there already come out shortest and straightest; then each once more,
//! with all the others in place.
//!
//! General layered layouts were looked at (crates `rust-sugiyama`, `layout-rs`): they place nodes
//! of a graph without pins, so neither which side a lead leaves nor what hangs from a rail is
//! known to them, and every wire would have to be made anew. What is wanted here is decided by
//! pins.

use super::footprint::Footprint;
use super::geometry::{At, Cells, Way};

/// Something to be placed: a part, or a flag on its own.
#[derive(Debug, Clone)]
pub struct Item {
    /// The ways it may stand, with what each costs by itself.
    pub shapes: Vec<(Footprint, f64)>,
    /// For each pin the link it belongs to; none if a flag serves it.
    pub links: Vec<Option<usize>>,
    /// Numbers of the base lines on which it stands if it can.
    pub lines: Vec<i32>,
    /// Whether signal goes through it from left to right.
    pub flows: bool,
    /// An item to stay near, if no link says so.
    pub near: Option<usize>,
}

/// Where an item went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spot {
    /// Which of its shapes.
    pub shape: usize,
    /// Its origin.
    pub at: At,
}

/// What is thought of as good: costs, in lattice steps. Several are tried, and the drawing that
/// comes out best is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taste {
    /// Cells around a footprint that stay free for wires.
    pub margin: i32,
    /// A bend.
    pub bend: i32,
    /// A step of an active part off its base line.
    pub off_line: f64,
    /// A step backwards for what signal flows through, and for what hangs there.
    pub backwards: f64,
    /// The latter.
    pub aside: f64,
    /// From one base line to the next.
    pub line: i32,
    /// Rounds of placing each anew.
    pub rounds: usize,
}

/// The first taste, and what others differ in.
pub const PLAIN: Taste = Taste {
    margin: 1,
    bend: 3,
    off_line: 2.0,
    backwards: 2.0,
    aside: 0.6,
    line: 18,
    rounds: 3,
};

/// Of more items each is looked for a place nearer by, and only once more.
const MANY: usize = 400;

/// Costs that all tastes share.
const ON_LINE: f64 = 0.15;
const ASTRAY: f64 = 0.04;

/// Which cells are taken, and how often.
struct Room {
    x0: i32,
    y0: i32,
    wide: i32,
    tall: i32,
    taken: Vec<u8>,
}

impl Room {
    fn new(items: usize) -> Room {
        let (wide, tall) = (60 * items as i32 + 600, 700);
        Room {
            x0: -300,
            y0: -350,
            wide,
            tall,
            taken: vec![0; (wide * tall) as usize],
        }
    }

    fn holds(&self, hull: Cells) -> bool {
        hull.x0 > self.x0
            && hull.y0 > self.y0
            && hull.x1 < self.x0 + self.wide
            && hull.y1 < self.y0 + self.tall
    }

    fn row(&self, y: i32, x0: i32, x1: i32) -> std::ops::Range<usize> {
        let start = (y - self.y0) * self.wide - self.x0;
        (start + x0) as usize..(start + x1) as usize
    }

    fn is_free(&self, shape: &Footprint, at: At, margin: i32) -> bool {
        if !self.holds(shape.hull.moved(at).grown(margin)) {
            return false;
        }
        shape.cells.iter().all(|cells| {
            let c = cells.moved(at).grown(margin);
            (c.y0..c.y1).all(|y| self.taken[self.row(y, c.x0, c.x1)].iter().all(|&t| t == 0))
        })
    }

    fn mark(&mut self, shape: &Footprint, at: At, takes: bool) {
        for cells in &shape.cells {
            let c = cells.moved(at);
            for y in c.y0..c.y1 {
                let row = self.row(y, c.x0, c.x1);
                for cell in &mut self.taken[row] {
                    *cell = if takes { *cell + 1 } else { *cell - 1 };
                }
            }
        }
    }
}

/// A pin in place.
#[derive(Debug, Clone, Copy)]
struct Placed {
    item: usize,
    at: At,
    way: Way,
}

/// Places items in an order. `tick` is asked now and then whether to go on.
///
/// # Errors
/// What `tick` says.
pub fn place<E>(
    items: &[Item],
    order: &[usize],
    links: usize,
    taste: Taste,
    tick: &mut dyn FnMut() -> Result<(), E>,
) -> Result<Vec<Spot>, E> {
    let mut leads = vec![usize::MAX; links];
    for &k in order {
        for link in items[k].links.iter().flatten() {
            if leads[*link] == usize::MAX {
                leads[*link] = k;
            }
        }
    }
    let mut desk = Desk {
        items,
        leads,
        looked: Looked::default(),
        room: Room::new(items.len()),
        placed: vec![vec![]; links],
        spots: vec![None; items.len()],
        edge: 0,
        taste,
    };
    for &k in order {
        tick()?;
        let spot = desk.best(k);
        desk.put(k, spot);
    }
    let rounds = if items.len() > MANY { 1 } else { taste.rounds };
    for _ in 0..rounds {
        let mut moved = false;
        for &k in order {
            tick()?;
            let before = desk.spots[k].expect("all are placed");
            desk.take(k);
            let spot = desk.best(k);
            moved |= spot != before;
            desk.put(k, spot);
        }
        if !moved {
            break;
        }
    }
    Ok(desk
        .spots
        .into_iter()
        .map(|s| s.expect("all are placed"))
        .collect())
}

/// Places that a search has looked at.
#[derive(Default)]
struct Looked {
    x0: i32,
    y0: i32,
    wide: i32,
    seen: Vec<bool>,
}

impl Looked {
    fn anew(&mut self, anchors: &[At], reach: i32) {
        let range = |v: &dyn Fn(&At) -> i32| {
            let all = anchors.iter().map(v);
            let (low, high) = (all.clone().min(), all.max());
            (low.unwrap_or(0) - reach, high.unwrap_or(0) + reach)
        };
        let ((x0, x1), (y0, y1)) = (range(&|a| a.x), range(&|a| a.y));
        (self.x0, self.y0, self.wide) = (x0, y0, x1 - x0 + 1);
        self.seen.clear();
        self.seen
            .resize((self.wide * (y1 - y0 + 1)) as usize, false);
    }

    fn first_time(&mut self, at: At) -> bool {
        let seen = &mut self.seen[((at.y - self.y0) * self.wide + at.x - self.x0) as usize];
        !std::mem::replace(seen, true)
    }
}

struct Desk<'a> {
    items: &'a [Item],
    /// By link the item that was there first: where signal comes from.
    leads: Vec<usize>,
    looked: Looked,
    room: Room,
    placed: Vec<Vec<Placed>>,
    spots: Vec<Option<Spot>>,
    /// The right edge of what is placed.
    edge: i32,
    taste: Taste,
}

impl Desk<'_> {
    fn put(&mut self, k: usize, spot: Spot) {
        let item = &self.items[k];
        let shape = &item.shapes[spot.shape].0;
        self.room.mark(shape, spot.at, true);
        for (pin, link) in shape.symbol.pins.iter().zip(&item.links) {
            if let Some(link) = link {
                self.placed[*link].push(Placed {
                    item: k,
                    at: pin.at.plus(spot.at),
                    way: pin.way,
                });
            }
        }
        self.edge = self.edge.max(shape.hull.moved(spot.at).x1);
        self.spots[k] = Some(spot);
    }

    fn take(&mut self, k: usize) {
        let Some(spot) = self.spots[k].take() else {
            return;
        };
        let item = &self.items[k];
        self.room.mark(&item.shapes[spot.shape].0, spot.at, false);
        for link in item.links.iter().flatten() {
            self.placed[*link].retain(|p| p.item != k);
        }
    }

    /// The cheapest free place.
    fn best(&mut self, k: usize) -> Spot {
        let item = &self.items[k];
        let mut anchors: Vec<At> = Vec::new();
        for link in item.links.iter().flatten() {
            anchors.extend(self.placed[*link].iter().map(|p| p.at));
        }
        if let Some(spot) = item.near.and_then(|n| self.spots[n]) {
            anchors.push(spot.at);
        }
        anchors.sort_unstable();
        anchors.dedup();
        let most = if self.items.len() > MANY { 5 } else { 12 };
        if anchors.len() > most {
            let step = anchors.len() / most + 1;
            anchors = anchors.into_iter().step_by(step).collect();
        }
        if anchors.is_empty() {
            anchors.push(At::new(self.edge + 12, 0));
        }
        let near = if self.items.len() > MANY { 9 } else { 14 };
        for reach in [near, 28, 60, 120, 240] {
            if let Some(spot) = self.search(k, &anchors, reach) {
                return spot;
            }
        }
        self.beside(k)
    }

    /// Beside everything, where nothing is.
    fn beside(&self, k: usize) -> Spot {
        let shape = &self.items[k].shapes[0].0;
        let mut at = At::new(self.edge + 8 - shape.hull.x0, 0);
        while !self.room.is_free(shape, at, self.taste.margin) {
            at.x += 1;
        }
        Spot { shape: 0, at }
    }

    fn search(&mut self, k: usize, anchors: &[At], reach: i32) -> Option<Spot> {
        let item = &self.items[k];
        let mut best: Option<(f64, Spot)> = None;
        let mut looked = std::mem::take(&mut self.looked);
        for (number, (shape, own)) in item.shapes.iter().enumerate() {
            looked.anew(anchors, reach);
            // The first pin that has company is what is held near the anchors.
            let own_pin = (shape.symbol.pins.iter().zip(&item.links))
                .find(|(_, l)| l.is_some_and(|l| !self.placed[l].is_empty()))
                .map_or(At::default(), |(p, _)| p.at);
            for anchor in anchors {
                for dy in -reach..=reach {
                    for dx in -reach..=reach {
                        let here = At::new(anchor.x + dx, anchor.y + dy);
                        if !looked.first_time(here) {
                            continue;
                        }
                        let at = At::new(here.x - own_pin.x, here.y - own_pin.y);
                        let cost = self.cost(k, number, *own, at);
                        let better = best.is_none_or(|(least, _)| cost < least);
                        if better && self.room.is_free(shape, at, self.taste.margin) {
                            best = Some((cost, Spot { shape: number, at }));
                        }
                    }
                }
            }
        }
        self.looked = looked;
        best.map(|(_, spot)| spot)
    }

    fn cost(&self, k: usize, shape: usize, own: f64, at: At) -> f64 {
        let item = &self.items[k];
        let pins = &item.shapes[shape].0.symbol.pins;
        let mut cost = own;
        for (pin, link) in pins.iter().zip(&item.links) {
            let Some(link) = link else {
                continue;
            };
            let placed = &self.placed[*link];
            let here = pin.at.plus(at);
            let wires = placed
                .iter()
                .map(|p| wire(here, pin.way, p.at, p.way, self.taste.bend));
            if let Some(least) = wires.min() {
                cost += f64::from(least);
                if let Some(lead) = placed.iter().find(|p| p.item == self.leads[*link]) {
                    let weight = if item.flows {
                        self.taste.backwards
                    } else {
                        self.taste.aside
                    };
                    cost += weight * f64::from((lead.at.x - here.x).max(0));
                }
            }
        }
        let off = item
            .lines
            .iter()
            .map(|y| (at.y - y * self.taste.line).abs())
            .min();
        cost += match off {
            Some(off) => self.taste.off_line * f64::from(off),
            None => {
                let weight = if item.flows { ON_LINE } else { ASTRAY };
                let height = pins.first().map_or(at.y, |p| p.at.y + at.y);
                weight * f64::from(height.abs())
            }
        };
        if let Some(spot) = item.near.and_then(|n| self.spots[n]) {
            cost += f64::from(spot.at.distance(at));
        }
        cost + ASTRAY * f64::from((at.x - self.edge).max(0))
    }
}

/// What a wire between two pins costs: its length and its bends.
fn wire(a: At, a_way: Way, b: At, b_way: Way, bend: i32) -> i32 {
    let (from, to) = (a.step(a_way, 1), b.step(b_way, 1));
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    let ahead = |way: Way, dx: i32, dy: i32| {
        let (x, y) = way.vector();
        x * dx + y * dy
    };
    let (a_ahead, b_ahead) = (ahead(a_way, dx, dy), ahead(b_way, -dx, -dy));
    let straight = if a_way.is_level() { dy == 0 } else { dx == 0 };
    let bends = if a_way == b_way.back() {
        match (a_ahead >= 0, straight) {
            (true, true) => 0,
            (true, false) => 2,
            (false, _) => 4,
        }
    } else if a_way == b_way {
        2
    } else if a_ahead >= 0 && b_ahead >= 0 {
        1
    } else {
        3
    };
    dx.abs() + dy.abs() + bend * bends
}
