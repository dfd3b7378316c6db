//! Where the words beside marked places stand: never on one another, on a marked place or outside
//! the panel, and on a curve only where there is no other room.

use super::trace::Side;

/// A box in pixels: left, top, right, bottom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// Its left side.
    pub left: f64,
    /// Its upper side.
    pub top: f64,
    /// Its right side.
    pub right: f64,
    /// Its lower side.
    pub bottom: f64,
}

impl Room {
    fn overlaps(&self, other: &Room) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    /// Whether a straight line from one point to another passes through (Liang and Barsky, "A
    /// new concept and method for line clipping", 1984; from memory).
    fn is_crossed(&self, from: (f64, f64), to: (f64, f64)) -> bool {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let (mut enters, mut leaves) = (0.0f64, 1.0f64);
        for (step, gap) in [
            (-dx, from.0 - self.left),
            (dx, self.right - from.0),
            (-dy, from.1 - self.top),
            (dy, self.bottom - from.1),
        ] {
            if step == 0.0 {
                if gap < 0.0 {
                    return false;
                }
            } else if step < 0.0 {
                enters = enters.max(gap / step);
            } else {
                leaves = leaves.min(gap / step);
            }
        }
        enters <= leaves
    }

    /// The point of it that is nearest to another.
    pub fn nearest(&self, to: (f64, f64)) -> (f64, f64) {
        let x = to.0.clamp(self.left, self.right);
        (x, to.1.clamp(self.top, self.bottom))
    }
}

/// What is on a panel already.
#[derive(Debug, Default)]
pub struct Labels {
    taken: Vec<Room>,
    places: Vec<Room>,
    leaders: Vec<((f64, f64), (f64, f64))>,
    curves: Vec<Vec<(f64, f64)>>,
}

/// How far a word stands from its place, px: the farther ones have a line that leads to it.
const DISTANCES: [f64; 6] = [8.0, 18.0, 32.0, 52.0, 80.0, 120.0];
/// Above this distance the line is drawn.
pub const NEAR: f64 = 14.0;
/// Half the side of what a marked place takes, px.
const PLACE: f64 = 4.0;

impl Labels {
    /// Keeps words off a curve, by its points in pixels.
    pub fn avoid(&mut self, curve: &[(f64, f64)]) {
        self.curves.push(curve.to_vec());
    }

    /// Keeps words off a marked place.
    pub fn reserve(&mut self, at: (f64, f64)) {
        self.places.push(Room {
            left: at.0 - PLACE,
            top: at.1 - PLACE,
            right: at.0 + PLACE,
            bottom: at.1 + PLACE,
        });
    }

    /// Room for a word of a size beside a place; none if the panel is full.
    pub fn place(
        &mut self,
        within: Room,
        at: (f64, f64),
        size: (f64, f64),
        side: Side,
    ) -> Option<Room> {
        let mut best: Option<(usize, Room)> = None;
        for (near, distance) in DISTANCES.iter().enumerate() {
            for (turn, (right, down)) in directions(side).into_iter().enumerate() {
                let room = beside(at, size, (right, down), *distance);
                let inside = room.left >= within.left + 2.0
                    && room.right <= within.right - 2.0
                    && room.top >= within.top + 2.0
                    && room.bottom <= within.bottom - 2.0;
                let mut taken = self.taken.iter().chain(&self.places);
                if !inside || taken.any(|t| t.overlaps(&room)) {
                    continue;
                }
                if self.leaders.iter().any(|l| room.is_crossed(l.0, l.1)) {
                    continue;
                }
                // A line that leads past another place would seem to lead from there.
                let to = room.nearest(at);
                let own = |p: &&Room| p.nearest(at) != at;
                let past = self
                    .places
                    .iter()
                    .filter(own)
                    .filter(|p| p.is_crossed(at, to));
                let through = self.taken.iter().filter(|t| t.is_crossed(at, to));
                let astray = past.count() + through.count();
                // A word on a curve is worse than one far off or on another side.
                let cost = 200 * astray + 40 * self.crossed(&room) + 8 * near + turn;
                if best.is_none_or(|b| cost < b.0) {
                    best = Some((cost, room));
                }
            }
        }
        let room = best?.1;
        self.leaders.push((at, room.nearest(at)));
        self.taken.push(room);
        Some(room)
    }

    /// On how many curves a box would lie.
    fn crossed(&self, room: &Room) -> usize {
        let crosses = |curve: &&Vec<(f64, f64)>| {
            let mut pieces = curve.windows(2);
            pieces.any(|pair| room.is_crossed(pair[0], pair[1]))
        };
        self.curves.iter().filter(crosses).count()
    }
}

/// All ways to go from a place, the wanted ones first: right and down, -1 to 1.
fn directions(side: Side) -> [(f64, f64); 8] {
    let (up, down) = ((0.0, -1.0), (0.0, 1.0));
    let (right, left) = ((1.0, 0.0), (-1.0, 0.0));
    let (right_up, left_up) = ((1.0, -1.0), (-1.0, -1.0));
    let (right_down, left_down) = ((1.0, 1.0), (-1.0, 1.0));
    match side {
        Side::Above => [
            up, right_up, left_up, down, right, left, right_down, left_down,
        ],
        Side::Right => [
            right_down, right, down, right_up, left_down, up, left, left_up,
        ],
        Side::Left => [
            left_down, left, down, left_up, right_down, up, right, right_up,
        ],
    }
}

/// The box of a size that lies in a direction from a place.
fn beside(at: (f64, f64), size: (f64, f64), (right, down): (f64, f64), distance: f64) -> Room {
    let slanted = right != 0.0 && down != 0.0;
    let distance = if slanted { 0.8 * distance } else { distance };
    let x = at.0 + right * (distance + 0.5 * size.0);
    let y = at.1 + down * (distance + 0.5 * size.1);
    Room {
        left: x - 0.5 * size.0,
        top: y - 0.5 * size.1,
        right: x + 0.5 * size.0,
        bottom: y + 0.5 * size.1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Room = Room {
        left: 0.0,
        right: 400.0,
        top: 0.0,
        bottom: 300.0,
    };

    #[test]
    fn words_at_one_place_do_not_collide() {
        let mut labels = Labels::default();
        let places = [(200.0, 100.0), (202.0, 103.0), (198.0, 103.0)];
        places.iter().for_each(|&p| labels.reserve(p));
        let mut rooms: Vec<Room> = Vec::new();
        for (at, side) in places
            .into_iter()
            .zip([Side::Above, Side::Right, Side::Left])
        {
            let room = labels.place(FRAME, at, (120.0, 14.0), side);
            rooms.push(room.expect("room"));
        }
        for (k, room) in rooms.iter().enumerate() {
            assert!(rooms[..k].iter().all(|r| !r.overlaps(room)), "{rooms:?}");
        }
    }

    #[test]
    fn a_word_keeps_off_curves_and_the_frame() {
        let mut labels = Labels::default();
        // A curve right through where the word would stand.
        labels.avoid(&[(0.0, 85.0), (400.0, 85.0)]);
        let room = labels.place(FRAME, (200.0, 100.0), (120.0, 14.0), Side::Above);
        let room = room.expect("room");
        assert!(!room.is_crossed((0.0, 85.0), (400.0, 85.0)), "{room:?}");
        let corner = labels.place(FRAME, (399.0, 1.0), (120.0, 14.0), Side::Above);
        let corner = corner.expect("room");
        assert!(corner.right <= 400.0 && corner.top >= 0.0, "{corner:?}");
    }

    #[test]
    fn a_full_panel_leaves_words_out_rather_than_over_others() {
        let mut labels = Labels::default();
        let placed = (0..200)
            .filter(|_| {
                let at = (200.0, 150.0);
                labels
                    .place(FRAME, at, (120.0, 14.0), Side::Right)
                    .is_some()
            })
            .count();
        assert!((4..100).contains(&placed), "{placed}");
    }
}
