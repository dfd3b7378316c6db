//! Where each part goes: one after the other along the signal's way, each at the free place where
//! the wires to what is there already come out shortest and straightest; then each once more,
//! with all the others in place.
//!
//! General layered layouts were looked at (crates `rust-sugiyama`, `layout-rs`): they place nodes
//! of a graph without pins, so neither which side a lead leaves nor what hangs from a rail is
//! known to them, and every wire would have to be made anew. What is wanted here is decided by
//! pins.

use super::footprint::{Footprint, run_cells};
use super::geometry::{At, Cells, Way};
use super::room::{Looked, Room};

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

/// Items that keep their places to one another: mostly one alone, else a stage as it is always
/// drawn.
#[derive(Debug, Clone)]
pub struct Unit {
    /// The leading item first.
    pub members: Vec<usize>,
    /// The ways in which they may lie, each a spot for every member, with what it costs by itself.
    pub layouts: Vec<(Vec<Spot>, f64)>,
    /// Wires that lie with the members, each of a link.
    pub wires: Vec<(usize, Vec<At>)>,
}

impl Unit {
    /// An item alone, in each of its shapes.
    pub fn alone(k: usize, item: &Item) -> Unit {
        let spot = |shape| Spot {
            shape,
            at: At::default(),
        };
        let layouts = item.shapes.iter().enumerate();
        Unit {
            members: vec![k],
            layouts: layouts.map(|(n, s)| (vec![spot(n)], s.1)).collect(),
            wires: vec![],
        }
    }

    /// How far a unit with one layout has moved, by where its members are.
    pub fn moved(&self, spots: &[Spot]) -> At {
        let (now, own) = (spots[self.members[0]].at, self.layouts[0].0[0].at);
        At::new(now.x - own.x, now.y - own.y)
    }
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

/// A pin in place.
#[derive(Debug, Clone, Copy)]
struct Placed {
    unit: usize,
    at: At,
    way: Way,
}

/// Pins of a unit that one link joins: of several the nearest counts.
struct End {
    link: usize,
    pins: Vec<(At, Way)>,
    flows: bool,
}

/// A unit as it lies about its origin.
struct Layout {
    cells: Vec<Cells>,
    hull: Cells,
    own: f64,
    ends: Vec<End>,
    /// The height of its first pin.
    top: i32,
}

impl Layout {
    fn new(items: &[Item], unit: &Unit, (spots, own): &(Vec<Spot>, f64)) -> Layout {
        let mut cells = Vec::new();
        let mut ends: Vec<End> = Vec::new();
        let mut top = None;
        let together = unit.members.len() > 1;
        for (&k, spot) in unit.members.iter().zip(spots) {
            let item = &items[k];
            let shape = &item.shapes[spot.shape].0;
            cells.extend(shape.cells.iter().map(|c| c.moved(spot.at)));
            let pins = &shape.symbol.pins;
            top = top.or(pins.first().map(|p| p.at.y + spot.at.y));
            for (pin, link) in pins.iter().zip(&item.links) {
                let Some(link) = *link else {
                    continue;
                };
                let here = (pin.at.plus(spot.at), pin.way);
                match ends.iter_mut().find(|e| together && e.link == link) {
                    Some(end) => {
                        end.pins.push(here);
                        end.flows |= item.flows;
                    }
                    None => ends.push(End {
                        link,
                        pins: vec![here],
                        flows: item.flows,
                    }),
                }
            }
        }
        cells.extend(unit.wires.iter().flat_map(|(_, wire)| run_cells(wire)));
        let hull = cells.iter().fold(cells[0], |all, c| all.joined(*c));
        Layout {
            cells,
            hull,
            own: *own,
            ends,
            top: top.unwrap_or(0),
        }
    }

    /// The cells it takes, and what they lie within.
    fn body(&self) -> (&[Cells], Cells) {
        (&self.cells, self.hull)
    }
}

/// Places units in their order. `tick` is asked now and then whether to go on.
///
/// # Errors
/// What `tick` says.
pub fn place<E>(
    items: &[Item],
    units: &[Unit],
    links: usize,
    taste: Taste,
    tick: &mut dyn FnMut() -> Result<(), E>,
) -> Result<Vec<Spot>, E> {
    let mut unit_of = vec![0; items.len()];
    let mut leads = vec![usize::MAX; links];
    for (u, unit) in units.iter().enumerate() {
        for &k in &unit.members {
            unit_of[k] = u;
            for link in items[k].links.iter().flatten() {
                if leads[*link] == usize::MAX {
                    leads[*link] = u;
                }
            }
        }
    }
    let mut desk = Desk {
        items,
        units,
        unit_of,
        layouts: (units.iter())
            .map(|u| u.layouts.iter().map(|l| Layout::new(items, u, l)).collect())
            .collect(),
        leads,
        looked: Looked::default(),
        room: Room::new(items.len()),
        placed: vec![vec![]; links],
        spots: vec![None; units.len()],
        edge: 0,
        taste,
    };
    for u in 0..units.len() {
        tick()?;
        let spot = desk.best(u);
        desk.put(u, spot);
    }
    let rounds = if items.len() > MANY { 1 } else { taste.rounds };
    for _ in 0..rounds {
        let mut moved = false;
        for u in 0..units.len() {
            tick()?;
            let before = desk.spots[u].expect("all are placed");
            desk.take(u);
            let spot = desk.best(u);
            moved |= spot != before;
            desk.put(u, spot);
        }
        if !moved {
            break;
        }
    }
    let mut spots = vec![None; items.len()];
    for (unit, spot) in units.iter().zip(&desk.spots) {
        let placed = spot.expect("all are placed");
        for (&k, own) in unit.members.iter().zip(&unit.layouts[placed.shape].0) {
            spots[k] = Some(Spot {
                shape: own.shape,
                at: own.at.plus(placed.at),
            });
        }
    }
    let all = spots.into_iter();
    Ok(all.map(|s| s.expect("all are placed")).collect())
}

struct Desk<'a> {
    items: &'a [Item],
    units: &'a [Unit],
    /// By item.
    unit_of: Vec<usize>,
    /// By unit, as its layouts.
    layouts: Vec<Vec<Layout>>,
    /// By link the unit that was there first: where signal comes from.
    leads: Vec<usize>,
    looked: Looked,
    room: Room,
    placed: Vec<Vec<Placed>>,
    /// By unit: which layout, and where its origin is.
    spots: Vec<Option<Spot>>,
    /// The right edge of what is placed.
    edge: i32,
    taste: Taste,
}

impl Desk<'_> {
    fn put(&mut self, u: usize, spot: Spot) {
        let layout = &self.layouts[u][spot.shape];
        self.room.mark(&layout.cells, spot.at, true);
        for end in &layout.ends {
            for &(at, way) in &end.pins {
                self.placed[end.link].push(Placed {
                    unit: u,
                    at: at.plus(spot.at),
                    way,
                });
            }
        }
        self.edge = self.edge.max(layout.hull.moved(spot.at).x1);
        self.spots[u] = Some(spot);
    }

    fn take(&mut self, u: usize) {
        let Some(spot) = self.spots[u].take() else {
            return;
        };
        let layout = &self.layouts[u][spot.shape];
        self.room.mark(&layout.cells, spot.at, false);
        for end in &layout.ends {
            self.placed[end.link].retain(|p| p.unit != u);
        }
    }

    /// Where the item is that this one stays near.
    fn near(&self, u: usize) -> Option<At> {
        let item = &self.items[self.units[u].members[0]];
        let spot = item.near.and_then(|n| self.spots[self.unit_of[n]]);
        spot.map(|s| s.at)
    }

    /// The cheapest free place.
    fn best(&mut self, u: usize) -> Spot {
        let mut anchors: Vec<At> = Vec::new();
        for end in &self.layouts[u][0].ends {
            anchors.extend(self.placed[end.link].iter().map(|p| p.at));
        }
        anchors.extend(self.near(u));
        anchors.sort_unstable();
        anchors.dedup();
        let most = if self.items.len() > MANY { 5 } else { 12 };
        if anchors.len() > most {
            let step = anchors.len() / most + 1;
            anchors = anchors.into_iter().step_by(step).collect();
        }
        if anchors.is_empty() {
            let left = self.layouts[u][0].hull.x0.min(0);
            anchors.push(At::new(self.edge + 12 - left, 0));
        }
        let near = if self.items.len() > MANY { 9 } else { 14 };
        for reach in [near, 28, 60, 120, 240] {
            if let Some(spot) = self.search(u, &anchors, reach) {
                return spot;
            }
        }
        self.beside(u)
    }

    /// Beside everything, where nothing is.
    fn beside(&self, u: usize) -> Spot {
        let layout = &self.layouts[u][0];
        let mut at = At::new(self.edge + 8 - layout.hull.x0, 0);
        while !self.room.is_free(layout.body(), at, self.taste.margin) {
            at.x += 1;
        }
        Spot { shape: 0, at }
    }

    fn search(&mut self, u: usize, anchors: &[At], reach: i32) -> Option<Spot> {
        let mut looked = std::mem::take(&mut self.looked);
        let views: Vec<View<'_>> = self.layouts[u].iter().map(|l| self.view(u, l)).collect();
        // Round each anchor, a row after the other.
        let places = |step: usize| {
            let steps = move || (-reach..=reach).step_by(step);
            anchors.iter().flat_map(move |anchor| {
                steps().flat_map(move |dy| {
                    steps().map(move |dx| At::new(anchor.x + dx, anchor.y + dy))
                })
            })
        };
        let free_below = |view: &View<'_>, at: At, least: f64| {
            let is_free = |_: &f64| self.room.is_free(view.layout.body(), at, self.taste.margin);
            self.cost(view, at, least).filter(is_free)
        };
        // Here and there first: what costs more than the best of these is soon passed over.
        let mut least = f64::INFINITY;
        for view in &views {
            for here in places(SPARSE) {
                least = free_below(view, view.with_pin_at(here), least).unwrap_or(least);
            }
        }
        // Of places that cost the same the first counts, whether it was looked at or not.
        least = least.next_up();
        let mut best: Option<Spot> = None;
        for (number, view) in views.iter().enumerate() {
            looked.anew(anchors, reach);
            for here in places(1).filter(|here| looked.first_time(*here)) {
                let at = view.with_pin_at(here);
                if let Some(cost) = free_below(view, at, least) {
                    least = cost;
                    best = Some(Spot { shape: number, at });
                }
            }
        }
        self.looked = looked;
        best
    }

    /// What a place in a layout is judged by.
    fn view<'v>(&'v self, u: usize, layout: &'v Layout) -> View<'v> {
        let company = layout.ends.iter().filter_map(|end| {
            let placed = &self.placed[end.link][..];
            let lead = placed.iter().find(|p| p.unit == self.leads[end.link]);
            let weight = if end.flows {
                self.taste.backwards
            } else {
                self.taste.aside
            };
            let lead = lead.map(|lead| (lead.at.x, weight));
            let hull = placed.iter().map(|p| p.at.step(p.way, 1));
            let hull = hull.map(|to| (to, to)).reduce(|(low, high), (to, _)| {
                (
                    At::new(low.x.min(to.x), low.y.min(to.y)),
                    At::new(high.x.max(to.x), high.y.max(to.y)),
                )
            })?;
            Some(Company {
                end,
                placed,
                hull,
                lead,
            })
        });
        let company: Vec<Company<'v>> = company.collect();
        // The first pin that has company is what is held near the anchors.
        let first = company.first().map(|c| c.end.pins[0].0);
        View {
            item: &self.items[self.units[u].members[0]],
            layout,
            own_pin: first.unwrap_or_default(),
            company,
            near: self.near(u),
        }
    }

    /// What a place costs; none if that is not less than `least`.
    fn cost(&self, view: &View<'_>, at: At, least: f64) -> Option<f64> {
        let (item, layout) = (view.item, view.layout);
        let off = item
            .lines
            .iter()
            .map(|y| (at.y - y * self.taste.line).abs())
            .min();
        let off = match off {
            Some(off) => self.taste.off_line * f64::from(off),
            None => {
                let weight = if item.flows { ON_LINE } else { ASTRAY };
                weight * f64::from((layout.top + at.y).abs())
            }
        };
        let near = view.near.map_or(0.0, |near| f64::from(near.distance(at)));
        let beyond = ASTRAY * f64::from((at.x - self.edge).max(0));
        let wires = view.company.iter().map(|c| c.least(at));
        // What it costs at least: a wire at a time comes closer to what it does.
        let mut sure = layout.own + off + near + beyond + f64::from(wires.sum::<i32>());
        let mut cost = layout.own;
        for company in &view.company {
            if sure - ROUNDING >= least {
                return None;
            }
            let wires = company.end.pins.iter().flat_map(|&(pin, way)| {
                let here = pin.plus(at);
                let to = company.placed.iter();
                to.map(move |p| (wire(here, way, p.at, p.way, self.taste.bend), here))
            });
            let (wire, here) = wires.min_by_key(|w| w.0).expect("it has company");
            cost += f64::from(wire);
            sure += f64::from(wire - company.least(at));
            if let Some((lead, weight)) = company.lead {
                let back = weight * f64::from((lead - here.x).max(0));
                cost += back;
                sure += back;
            }
        }
        cost += off;
        cost += near;
        cost += beyond;
        (cost < least).then_some(cost)
    }
}

/// At first one place in N is looked at, each way.
const SPARSE: usize = 4;
/// What sums of costs in another order may differ by.
const ROUNDING: f64 = 1e-6;

/// A unit in one of its layouts, and what its places are judged by.
struct View<'v> {
    /// The leading item.
    item: &'v Item,
    layout: &'v Layout,
    /// The pin that is held near the anchors.
    own_pin: At,
    company: Vec<Company<'v>>,
    /// Where the item is that it stays near.
    near: Option<At>,
}

impl View<'_> {
    /// Where the unit is if that pin stands there.
    fn with_pin_at(&self, there: At) -> At {
        At::new(there.x - self.own_pin.x, there.y - self.own_pin.y)
    }
}

/// An end of a unit and what is there already of its link.
struct Company<'v> {
    end: &'v End,
    placed: &'v [Placed],
    /// What lies in front of these pins is not left of and above the first, nor right of and below the second.
    hull: (At, At),
    /// Where signal comes from, and what a step back from there costs.
    lead: Option<(i32, f64)>,
}

impl Company<'_> {
    /// What the wire there costs at least if the unit is at a place.
    fn least(&self, at: At) -> i32 {
        let (low, high) = self.hull;
        let pins = self.end.pins.iter().map(|&(pin, way)| {
            let from = pin.plus(at).step(way, 1);
            let away = |from: i32, low: i32, high: i32| (low - from).max(from - high).max(0);
            away(from.x, low.x, high.x) + away(from.y, low.y, high.y)
        });
        pins.min().unwrap_or(0)
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
