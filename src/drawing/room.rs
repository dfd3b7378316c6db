//! Which cells of the lattice are taken, and which places a search has looked at.

use super::geometry::{At, Cells};

/// Which cells are taken, and how often.
pub struct Room {
    x0: i32,
    y0: i32,
    wide: i32,
    tall: i32,
    taken: Vec<u8>,
}

impl Room {
    /// Room for N items.
    pub fn new(items: usize) -> Room {
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

    /// Whether cells that lie within a hull are free, `margin` round each with them.
    pub fn is_free(&self, (cells, hull): (&[Cells], Cells), at: At, margin: i32) -> bool {
        if !self.holds(hull.moved(at).grown(margin)) {
            return false;
        }
        cells.iter().all(|cells| {
            let c = cells.moved(at).grown(margin);
            (c.y0..c.y1).all(|y| self.taken[self.row(y, c.x0, c.x1)].iter().all(|&t| t == 0))
        })
    }

    /// Takes cells, or gives them back.
    pub fn mark(&mut self, cells: &[Cells], at: At, takes: bool) {
        for cells in cells {
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

/// Places that a search has looked at.
#[derive(Default)]
pub struct Looked {
    x0: i32,
    y0: i32,
    wide: i32,
    seen: Vec<bool>,
}

impl Looked {
    /// Begins a search that goes so far round some anchors.
    pub fn anew(&mut self, anchors: &[At], reach: i32) {
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

    /// Whether a place is looked at for the first time.
    pub fn first_time(&mut self, at: At) -> bool {
        let seen = &mut self.seen[((at.y - self.y0) * self.wide + at.x - self.x0) as usize];
        !std::mem::replace(seen, true)
    }
}
