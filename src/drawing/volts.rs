//! Where the volts go: beside a wire of their net, where nothing else is.

use super::footprint::Text;
use super::geometry::{At, Rect};
use super::lettering::{Anchor, SIZE};
use std::collections::HashMap;

/// A box, with the net that it belongs to.
type Owned = (Rect, Option<usize>);

/// Boxes by the squares of the sheet that they touch, so that few are looked at.
#[derive(Default)]
pub struct Taken {
    squares: HashMap<(i32, i32), Vec<Owned>>,
}

/// Side of a square, drawing units.
const SQUARE: f64 = 40.0;

/// From a wire to its volts above or below it, drawing units. Figures reach neither end of their box, so
/// that they stand as far from the wire as those beside one.
const ABOVE: f64 = 1.0;
/// From an upright wire to its volts.
const CLEAR: f64 = 2.5;
/// From another net's wires, joints, pins and flags to these volts at least, level and upright: several
/// times as far, so that nobody reads them as that net's. A wire two steps of the lattice from the
/// own one is still 8.47 from the text between them.
const FOREIGN: (f64, f64) = (10.0, 8.4);
/// From anything else to a text.
const BESIDE: f64 = 0.8;

impl Taken {
    fn squares(r: Rect) -> impl Iterator<Item = (i32, i32)> {
        let step = |v: f64| (v / SQUARE).floor() as i32;
        let (x0, x1, y0, y1) = (step(r.x0), step(r.x1), step(r.y0), step(r.y1));
        (x0..=x1).flat_map(move |x| (y0..=y1).map(move |y| (x, y)))
    }

    /// Takes a box of a net, or of none.
    pub fn add(&mut self, r: Rect, net: Option<usize>) {
        for square in Taken::squares(r) {
            self.squares.entry(square).or_default().push((r, net));
        }
    }

    /// Takes a net's wire.
    pub fn add_wire(&mut self, wire: &[At], net: usize) {
        for ends in wire.windows(2) {
            let (a, b) = (ends[0].place(), ends[1].place());
            let run = Rect::new(a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1));
            self.add(run.grown(0.1), Some(net));
        }
    }

    /// Whether a net's text may be in a box: nothing is there, and nothing of another net is near.
    fn is_free(&self, r: Rect, own: usize) -> bool {
        let (dx, dy) = FOREIGN;
        let far = Rect::new(r.x0 - dx, r.y0 - dy, r.x1 + dx, r.y1 + dy);
        let near = r.grown(BESIDE);
        Taken::squares(far).all(|square| {
            let there = self.squares.get(&square).into_iter().flatten();
            there.into_iter().all(|(other, net)| match net {
                Some(net) if *net != own => !other.overlaps(far),
                _ => !other.overlaps(near),
            })
        })
    }
}

/// A net's text beside one of its wires, if there is room: beside the longest run first, and there
/// near its middle.
pub fn beside(text: &str, net: usize, wires: &[Vec<At>], taken: &Taken) -> Option<Text> {
    let mut runs: Vec<(At, At)> = wires
        .iter()
        .flat_map(|w| w.windows(2).map(|r| (r[0].min(r[1]), r[0].max(r[1]))))
        .collect();
    runs.sort_by_key(|(a, b)| (-a.distance(*b), *a, *b));
    for (a, b) in runs {
        let (ax, ay) = a.place();
        let (bx, by) = b.place();
        let level = ay == by;
        let long = a.distance(b);
        // From the middle outwards, in half steps.
        for k in 0..=2 * long {
            let off = f64::from((k + 1) / 2) * if k % 2 == 0 { 0.5 } else { -0.5 };
            let part = 0.5 + off / f64::from(long.max(1));
            if !(0.0..=1.0).contains(&part) {
                continue;
            }
            let (x, y) = (ax + part * (bx - ax), ay + part * (by - ay));
            let places = if level {
                [
                    ((x, y - ABOVE - 0.24 * SIZE), Anchor::Middle),
                    ((x, y + ABOVE + 0.93 * SIZE), Anchor::Middle),
                ]
            } else {
                let base = y + 0.35 * SIZE;
                [
                    ((x + CLEAR, base), Anchor::Start),
                    ((x - CLEAR, base), Anchor::End),
                ]
            };
            for (at, anchor) in places {
                let text = Text::new(text.to_string(), at, anchor, "volts", SIZE);
                if taken.is_free(text.frame, net) {
                    return Some(text);
                }
            }
        }
    }
    None
}
