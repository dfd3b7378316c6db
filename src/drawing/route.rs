//! Wires: shortest ways on the lattice round everything that is in place, with a price on bends
//! and crossings; then each net once more with all the others laid, as long as that helps.
//!
//! `pathfinding` and `petgraph` have shortest paths over any graph; here states carry a direction,
//! the graph changes with every wire, and there are enough searches that arrays indexed by lattice
//! point are what makes them fast, so the search is our own (sixty lines).

use super::geometry::{At, Rect, Way};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Pins that are to be joined: the pin and where its wire leaves.
#[derive(Debug, Clone, Default)]
pub struct Link {
    /// At least two.
    pub pins: Vec<(At, Way)>,
    /// Wires that are laid already, all in one piece.
    pub wires: Vec<Wire>,
}

/// A wire from one pin, joint or flag to the next.
pub type Wire = Vec<At>;

/// What came of it.
#[derive(Debug, Clone, Default)]
pub struct Routes {
    /// By link.
    pub wires: Vec<Vec<Wire>>,
    /// By link.
    pub joints: Vec<Vec<At>>,
    /// Links for which no way was found.
    pub failed: Vec<usize>,
    /// Crossings of different links.
    pub crossings: usize,
}

/// Costs, in tenths of a lattice step.
const STEP: u32 = 10;
const BEND: u32 = 30;
const CROSSING: u32 = 140;
/// Beside a symbol or text.
const CLOSE: u32 = 6;

const NONE: u32 = u32::MAX;

/// The lattice with what lies on it.
pub struct Board {
    x0: i32,
    y0: i32,
    wide: i32,
    tall: i32,
    /// Ways barred at a point: a bit for each of [`Way::ALL`].
    barred: Vec<u8>,
    /// Beside something.
    close: Vec<bool>,
    /// The only link that may use a point.
    owner: Vec<u32>,
    /// The link on the edge to the east and to the south.
    east: Vec<u32>,
    south: Vec<u32>,
    // Of the search, by point and direction.
    cost: Vec<u32>,
    from: Vec<u8>,
    seen: Vec<u32>,
    round: u32,
    /// States looked at so far.
    effort: u64,
    /// Whether it has many links: searches then make straight for their goals, at the price of
    /// some bends.
    is_large: bool,
}

impl Board {
    /// A board over some room; `obstacles` are boxes in drawing units.
    pub fn new(room: Rect, obstacles: &[Rect]) -> Board {
        let cells = room.cells();
        let (wide, tall) = (cells.x1 - cells.x0 + 1, cells.y1 - cells.y0 + 1);
        let count = (wide * tall) as usize;
        let mut board = Board {
            x0: cells.x0,
            y0: cells.y0,
            wide,
            tall,
            barred: vec![0; count],
            close: vec![false; count],
            owner: vec![NONE; count],
            east: vec![NONE; count],
            south: vec![NONE; count],
            cost: vec![0; 4 * count],
            from: vec![0; 4 * count],
            seen: vec![0; 4 * count],
            round: 0,
            effort: 0,
            is_large: false,
        };
        for y in cells.y0..=cells.y1 {
            for x in cells.x0..=cells.x1 {
                let at = At::new(x, y);
                for way in Way::ALL {
                    if !board.holds(at.step(way, 1)) {
                        let k = board.index(at);
                        board.barred[k] |= 1 << way.index();
                    }
                }
            }
        }
        for obstacle in obstacles {
            board.bar(*obstacle);
        }
        board
    }

    fn holds(&self, at: At) -> bool {
        (0..self.wide).contains(&(at.x - self.x0)) && (0..self.tall).contains(&(at.y - self.y0))
    }

    fn index(&self, at: At) -> usize {
        ((at.y - self.y0) * self.wide + at.x - self.x0) as usize
    }

    fn at(&self, k: usize) -> At {
        let k = k as i32;
        At::new(self.x0 + k % self.wide, self.y0 + k / self.wide)
    }

    fn next(&self, k: usize, way: Way) -> usize {
        match way {
            Way::East => k + 1,
            Way::West => k - 1,
            Way::South => k + self.wide as usize,
            Way::North => k - self.wide as usize,
        }
    }

    /// Bars every edge that touches a box.
    fn bar(&mut self, obstacle: Rect) {
        let r = obstacle.grown(2.4);
        let cells = r.cells();
        for y in cells.y0..=cells.y1 {
            for x in cells.x0..=cells.x1 {
                let at = At::new(x, y);
                if !self.holds(at) {
                    continue;
                }
                let k = self.index(at);
                self.close[k] = true;
                for way in Way::ALL {
                    let (a, b) = (at.place(), at.step(way, 1).place());
                    let run = Rect::new(a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1));
                    let touches =
                        run.x0 <= r.x1 && r.x0 <= run.x1 && run.y0 <= r.y1 && r.y0 <= run.y1;
                    if touches {
                        self.barred[k] |= 1 << way.index();
                        if self.holds(at.step(way, 1)) {
                            let other = self.index(at.step(way, 1));
                            self.barred[other] |= 1 << way.back().index();
                        }
                    }
                }
            }
        }
    }

    /// Gives a point to one link (or to none, with a number of its own).
    pub fn reserve(&mut self, at: At, link: usize) {
        let k = self.index(at);
        self.owner[k] = link as u32;
    }

    fn edge(&mut self, k: usize, way: Way) -> &mut u32 {
        match way {
            Way::East => &mut self.east[k],
            Way::South => &mut self.south[k],
            Way::West => &mut self.east[k - 1],
            Way::North => &mut self.south[k - self.wide as usize],
        }
    }

    fn link_on(&self, k: usize, way: Way) -> u32 {
        match way {
            Way::East => self.east[k],
            Way::South => self.south[k],
            Way::West if k == 0 => NONE,
            Way::West => self.east[k - 1],
            Way::North if k < self.wide as usize => NONE,
            Way::North => self.south[k - self.wide as usize],
        }
    }

    /// Lays a wire that is fixed from the beginning (a pin's first step).
    pub fn lay(&mut self, wire: &[At], link: usize) {
        for pair in wire.windows(2) {
            let mut at = pair[0];
            let way = direction(pair[0], pair[1]);
            while at != pair[1] {
                let k = self.index(at);
                *self.edge(k, way) = link as u32;
                at = at.step(way, 1);
                let k = self.index(at);
                self.owner[k] = link as u32;
            }
        }
    }

    /// The edges of a link's wires that are laid from the beginning.
    fn given(&self, link: &Link) -> Vec<(usize, Way)> {
        let mut edges = Vec::new();
        for pair in link.wires.iter().flat_map(|w| w.windows(2)) {
            let mut at = pair[0];
            let way = direction(pair[0], pair[1]);
            while at != pair[1] {
                edges.push((self.index(at), way));
                at = at.step(way, 1);
            }
        }
        edges
    }

    /// Routes all links. `tick` is asked now and then whether to go on.
    ///
    /// # Errors
    /// What `tick` says.
    pub fn route<E>(
        &mut self,
        links: &[Link],
        tick: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Routes, E> {
        self.is_large = links.len() > MANY;
        for (n, link) in links.iter().enumerate() {
            for &(at, way) in &link.pins {
                let k = self.index(at);
                self.owner[k] = n as u32;
                self.lay(&[at, at.step(way, 1)], n);
            }
            // Others may cross these.
            let given = self.given(link);
            self.put_back(&given, n);
        }
        let mut order: Vec<usize> = (0..links.len()).collect();
        order.sort_by_key(|&n| (span(&links[n]), n));
        let mut laid: Vec<Vec<(usize, Way)>> = vec![vec![]; links.len()];
        let mut failed = vec![false; links.len()];
        for &n in &order {
            tick()?;
            match self.join(n, &links[n]) {
                Some(edges) => laid[n] = edges,
                None => failed[n] = true,
            }
        }
        let passes = if self.is_large { 1 } else { PASSES };
        for _ in 0..passes {
            let mut better = false;
            for &n in order.iter().rev() {
                tick()?;
                let before = self.price(&laid[n], n);
                self.lift(&laid[n]);
                match self.join(n, &links[n]) {
                    Some(edges) => {
                        better |= failed[n] || self.price(&edges, n) < before;
                        failed[n] = false;
                        laid[n] = edges;
                    }
                    None => self.put_back(&laid[n], n),
                }
            }
            if !better {
                break;
            }
        }
        let mut routes = Routes::default();
        for (n, link) in links.iter().enumerate() {
            if failed[n] {
                routes.failed.push(n);
            }
            let (wires, joints) = self.trace(&laid[n], link);
            routes.wires.push(wires);
            routes.joints.push(joints);
        }
        routes.crossings = (0..self.east.len()).filter(|&k| self.crossed(k)).count();
        Ok(routes)
    }

    fn crossed(&self, k: usize) -> bool {
        let (a, b) = (self.link_on(k, Way::East), self.link_on(k, Way::South));
        a != NONE && b != NONE && a != b
    }

    /// What laid edges cost as they lie.
    fn price(&self, edges: &[(usize, Way)], n: usize) -> u32 {
        let mut price = edges.len() as u32 * STEP;
        for &(k, way) in edges {
            let to = self.next(k, way);
            if Way::ALL.iter().any(|w| {
                let on = self.link_on(to, *w);
                on != NONE && on != n as u32
            }) {
                price += CROSSING;
            }
        }
        price
    }

    fn lift(&mut self, edges: &[(usize, Way)]) {
        for &(k, way) in edges {
            *self.edge(k, way) = NONE;
        }
    }

    fn put_back(&mut self, edges: &[(usize, Way)], n: usize) {
        for &(k, way) in edges {
            *self.edge(k, way) = n as u32;
        }
    }

    /// Joins a link's pins, nearest first, and lays the edges.
    fn join(&mut self, n: usize, link: &Link) -> Option<Vec<(usize, Way)>> {
        let ends: Vec<usize> = (link.pins.iter())
            .map(|&(at, way)| self.index(at.step(way, 1)))
            .collect();
        let mut joined = vec![false; ends.len()];
        let mut tree: Vec<usize> = (self.given(link).into_iter())
            .flat_map(|(k, way)| [k, self.next(k, way)])
            .collect();
        if tree.is_empty() {
            tree.push(ends[0]);
        }
        tree.sort_unstable();
        tree.dedup();
        let mut laid = Vec::new();
        for (k, end) in ends.iter().enumerate() {
            joined[k] = tree.binary_search(end).is_ok();
        }
        while joined.iter().any(|j| !j) {
            let goals: Vec<usize> = (0..ends.len())
                .filter(|&k| !joined[k])
                .map(|k| ends[k])
                .collect();
            let Some(path) = self.search(n, &tree, &goals) else {
                self.lift(&laid);
                return None;
            };
            for &(k, way) in &path {
                *self.edge(k, way) = n as u32;
                tree.push(k);
                tree.push(self.next(k, way));
            }
            laid.extend(path);
            tree.sort_unstable();
            tree.dedup();
            for (k, end) in ends.iter().enumerate() {
                joined[k] |= tree.binary_search(end).is_ok();
            }
        }
        Some(laid)
    }

    /// Whether a link may turn or end at a point: no other link lies there.
    fn is_own(&self, k: usize, n: usize) -> bool {
        Way::ALL.iter().all(|w| {
            let on = self.link_on(k, *w);
            on == NONE || on == n as u32
        })
    }

    /// The cheapest way from a tree to one of some points, as edges from there.
    fn search(&mut self, n: usize, tree: &[usize], goals: &[usize]) -> Option<Vec<(usize, Way)>> {
        self.round += 1;
        let round = self.round;
        let hurry = if self.is_large { STEP * 3 / 2 } else { STEP };
        let goal_places: Vec<At> = goals.iter().map(|&k| self.at(k)).collect();
        let aim = |at: At| -> u32 {
            let nearest = goal_places.iter().map(|g| g.distance(at)).min();
            nearest.unwrap_or(0) as u32 * hurry
        };
        let mut waiting: BinaryHeap<Reverse<(u32, u32, usize)>> = BinaryHeap::new();
        for &k in tree {
            if !self.is_own(k, n) {
                continue;
            }
            for way in Way::ALL {
                let taken = self.link_on(k, way);
                if taken == n as u32 {
                    continue;
                }
                // Going on straight from an end costs no bend; so all starts are even.
                let state = 4 * k + way.index();
                let bend = if self.link_on(k, way.back()) == n as u32 {
                    0
                } else {
                    BEND / 2
                };
                self.seen[state] = round;
                self.cost[state] = bend;
                self.from[state] = u8::MAX;
                waiting.push(Reverse((bend + aim(self.at(k)), bend, state)));
            }
        }
        while let Some(Reverse((_, cost, state))) = waiting.pop() {
            self.effort += 1;
            if self.effort > MOST_EFFORT {
                return None;
            }
            if self.cost[state] != cost {
                continue;
            }
            let (k, way) = (state / 4, Way::ALL[state % 4]);
            let arrived = self.from[state] != u8::MAX;
            if arrived && goals.contains(&k) && self.is_own(k, n) {
                return Some(self.path(state));
            }
            // A state is at a point, about to leave in its direction.
            if self.barred[k] & (1 << way.index()) != 0 || self.link_on(k, way) != NONE {
                continue;
            }
            let to = self.next(k, way);
            let owner = self.owner[to];
            if owner != NONE && owner != n as u32 {
                continue;
            }
            let mut across = false;
            let mut own = false;
            for w in Way::ALL {
                let on = self.link_on(to, w);
                if on == n as u32 {
                    own = true;
                } else if on != NONE {
                    across = true;
                }
            }
            if across {
                // Over another wire only straight on, and only where that runs straight.
                let side = self.link_on(to, TURNS[way.index()][0]);
                let other = self.link_on(to, TURNS[way.index()][1]);
                let clear = self.link_on(to, way) == NONE;
                if own || side == NONE || side != other || !clear {
                    continue;
                }
            } else if own && !goals.contains(&to) {
                // Into the own tree elsewhere than at a goal: a loop.
                continue;
            }
            let mut step = STEP;
            if self.close[to] {
                step += CLOSE;
            }
            if across {
                step += CROSSING;
            }
            for w in Way::ALL {
                if w == way.back() {
                    continue;
                }
                let turns = w != way;
                if turns && across {
                    continue;
                }
                let cost = cost + step + if turns { BEND } else { 0 };
                let state = 4 * to + w.index();
                if self.seen[state] != round || cost < self.cost[state] {
                    self.seen[state] = round;
                    self.cost[state] = cost;
                    self.from[state] = way.index() as u8;
                    waiting.push(Reverse((cost + aim(self.at(to)), cost, state)));
                }
            }
        }
        None
    }

    fn path(&self, state: usize) -> Vec<(usize, Way)> {
        let mut edges = Vec::new();
        let mut state = state;
        while self.from[state] != u8::MAX {
            let way = Way::ALL[self.from[state] as usize];
            let before = self.next(state / 4, way.back());
            edges.push((before, way));
            state = 4 * before + way.index();
        }
        edges
    }

    /// A link's edges as wires between pins, joints and ends.
    fn trace(&self, laid: &[(usize, Way)], link: &Link) -> (Vec<Wire>, Vec<At>) {
        use std::collections::{BTreeMap, BTreeSet};
        let mut edges: BTreeSet<(At, At)> = BTreeSet::new();
        let mut add = |a: At, b: At| edges.insert((a.min(b), a.max(b)));
        for (k, way) in laid.iter().copied().chain(self.given(link)) {
            add(self.at(k), self.at(k).step(way, 1));
        }
        for &(at, way) in &link.pins {
            add(at, at.step(way, 1));
        }
        let mut around: BTreeMap<At, Vec<At>> = BTreeMap::new();
        for &(a, b) in &edges {
            around.entry(a).or_default().push(b);
            around.entry(b).or_default().push(a);
        }
        let pins: BTreeSet<At> = link.pins.iter().map(|p| p.0).collect();
        let stops = |at: At| around[&at].len() != 2 || pins.contains(&at);
        let joints = (around.iter())
            .filter(|(at, to)| to.len() + usize::from(pins.contains(*at)) > 2)
            .map(|(at, _)| *at)
            .collect();
        let mut wires = Vec::new();
        let mut done: BTreeSet<(At, At)> = BTreeSet::new();
        for (&start, to) in around.iter().filter(|(at, _)| stops(**at)) {
            for &second in to {
                if !done.insert((start, second)) {
                    continue;
                }
                let (mut before, mut here) = (start, second);
                let mut wire = vec![start];
                while !stops(here) {
                    let next = around[&here].iter().find(|n| **n != before);
                    let next = *next.expect("two neighbours");
                    if direction(before, here) != direction(here, next) {
                        wire.push(here);
                    }
                    (before, here) = (here, next);
                }
                wire.push(here);
                done.insert((here, before));
                wires.push(wire);
            }
        }
        (wires, joints)
    }
}

/// States that all searches of a sheet may look at (some seconds); the rest is shown by name.
/// The whole Lapwing takes less than a tenth of that.
const MOST_EFFORT: u64 = 40_000_000;

/// Rounds of laying each net anew; one for N nets.
const PASSES: usize = 4;
const MANY: usize = 200;

/// The two ways across, by [`Way::index`].
const TURNS: [[Way; 2]; 4] = [
    [Way::North, Way::South],
    [Way::East, Way::West],
    [Way::North, Way::South],
    [Way::East, Way::West],
];

fn direction(a: At, b: At) -> Way {
    match (b.x - a.x, b.y - a.y) {
        (x, 0) if x > 0 => Way::East,
        (_, 0) => Way::West,
        (0, y) if y > 0 => Way::South,
        _ => Way::North,
    }
}

fn span(link: &Link) -> i32 {
    let xs = link.pins.iter().map(|p| p.0.x);
    let ys = link.pins.iter().map(|p| p.0.y);
    let range = |v: &mut dyn Iterator<Item = i32>| {
        let all: Vec<i32> = v.collect();
        all.iter().max().unwrap_or(&0) - all.iter().min().unwrap_or(&0)
    };
    range(&mut xs.into_iter()) + range(&mut ys.into_iter())
}
