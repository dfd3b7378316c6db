//! Places on a drawing: a lattice for pins and wires, and boxes in drawing units.
//!
//! Pins, corners and joints lie on lattice points [`PITCH`] drawing units apart, y downwards;
//! symbols and texts are drawn between them. Whole numbers make two places either equal or not.

/// Drawing units from one lattice point to the next.
pub const PITCH: f64 = 10.0;

/// A lattice point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct At {
    /// To the right.
    pub x: i32,
    /// Downwards.
    pub y: i32,
}

impl At {
    /// A point.
    pub const fn new(x: i32, y: i32) -> At {
        At { x, y }
    }

    /// The point `n` steps on.
    pub fn step(self, way: Way, n: i32) -> At {
        let (dx, dy) = way.vector();
        At::new(self.x + n * dx, self.y + n * dy)
    }

    /// The sum of both.
    pub fn plus(self, other: At) -> At {
        At::new(self.x + other.x, self.y + other.y)
    }

    /// Steps along the lattice from one to the other.
    pub fn distance(self, other: At) -> i32 {
        (self.x - other.x).abs() + (self.y - other.y).abs()
    }

    /// In drawing units.
    pub fn place(self) -> (f64, f64) {
        (f64::from(self.x) * PITCH, f64::from(self.y) * PITCH)
    }
}

/// One of four directions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Way {
    /// Right.
    East,
    /// Down.
    South,
    /// Left.
    West,
    /// Up.
    North,
}

impl Way {
    /// All of them, clockwise.
    pub const ALL: [Way; 4] = [Way::East, Way::South, Way::West, Way::North];

    /// Its step.
    pub const fn vector(self) -> (i32, i32) {
        match self {
            Way::East => (1, 0),
            Way::South => (0, 1),
            Way::West => (-1, 0),
            Way::North => (0, -1),
        }
    }

    /// Its place in [`Way::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The opposite one.
    pub const fn back(self) -> Way {
        Way::ALL[(self as usize + 2) % 4]
    }

    /// Whether it lies along the rows.
    pub const fn is_level(self) -> bool {
        matches!(self, Way::East | Way::West)
    }
}

/// A quarter turn clockwise some times, then a mirror at the vertical axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct Turn {
    /// Quarter turns clockwise, 0 to 3.
    pub quarters: u8,
    /// Whether left and right change places afterwards.
    pub mirrored: bool,
}

impl Turn {
    /// A lattice point turned about the origin.
    pub fn at(self, at: At) -> At {
        let (x, y) = self.apply(at.x, at.y);
        At::new(x, y)
    }

    /// A place in drawing units turned about the origin.
    pub fn place(self, (x, y): (f64, f64)) -> (f64, f64) {
        self.apply(x, y)
    }

    /// A direction turned.
    pub fn way(self, way: Way) -> Way {
        let (dx, dy) = way.vector();
        let (x, y) = self.apply(dx, dy);
        let found = Way::ALL.iter().find(|w| w.vector() == (x, y));
        *found.expect("a turn keeps directions")
    }

    /// A box turned about the origin.
    pub fn rect(self, r: Rect) -> Rect {
        let (a, b) = (self.place((r.x0, r.y0)), self.place((r.x1, r.y1)));
        Rect::new(a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1))
    }

    fn apply<T: Copy + std::ops::Neg<Output = T>>(self, x: T, y: T) -> (T, T) {
        let (x, y) = match self.quarters % 4 {
            0 => (x, y),
            1 => (-y, x),
            2 => (-x, -y),
            _ => (y, -x),
        };
        if self.mirrored { (-x, y) } else { (x, y) }
    }
}

/// A box in drawing units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rect {
    /// Left.
    pub x0: f64,
    /// Top.
    pub y0: f64,
    /// Right.
    pub x1: f64,
    /// Bottom.
    pub y1: f64,
}

impl Rect {
    /// A box by its left, top, right and bottom.
    pub const fn new(x0: f64, y0: f64, x1: f64, y1: f64) -> Rect {
        Rect { x0, y0, x1, y1 }
    }

    /// The same box elsewhere.
    pub fn moved(self, by: At) -> Rect {
        let (dx, dy) = by.place();
        Rect::new(self.x0 + dx, self.y0 + dy, self.x1 + dx, self.y1 + dy)
    }

    /// The box with a margin.
    pub fn grown(self, by: f64) -> Rect {
        Rect::new(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)
    }

    /// Whether two boxes share more than an edge.
    pub fn overlaps(self, other: Rect) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }

    /// The smallest box that holds both.
    pub fn joined(self, other: Rect) -> Rect {
        Rect::new(
            self.x0.min(other.x0),
            self.y0.min(other.y0),
            self.x1.max(other.x1),
            self.y1.max(other.y1),
        )
    }

    /// The cells of the lattice that it touches.
    pub fn cells(self) -> Cells {
        Cells {
            x0: (self.x0 / PITCH).floor() as i32,
            y0: (self.y0 / PITCH).floor() as i32,
            x1: (self.x1 / PITCH).ceil() as i32,
            y1: (self.y1 / PITCH).ceil() as i32,
        }
    }
}

/// Cells of the lattice: `x0..x1` and `y0..y1`, a cell lying right of and below its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cells {
    /// First column.
    pub x0: i32,
    /// First row.
    pub y0: i32,
    /// One past the last column.
    pub x1: i32,
    /// One past the last row.
    pub y1: i32,
}

impl Cells {
    /// The same cells elsewhere.
    pub fn moved(self, by: At) -> Cells {
        Cells {
            x0: self.x0 + by.x,
            y0: self.y0 + by.y,
            x1: self.x1 + by.x,
            y1: self.y1 + by.y,
        }
    }

    /// With a margin.
    pub fn grown(self, by: i32) -> Cells {
        Cells {
            x0: self.x0 - by,
            y0: self.y0 - by,
            x1: self.x1 + by,
            y1: self.y1 + by,
        }
    }

    /// The smallest block of cells that holds both.
    pub fn joined(self, other: Cells) -> Cells {
        Cells {
            x0: self.x0.min(other.x0),
            y0: self.y0.min(other.y0),
            x1: self.x1.max(other.x1),
            y1: self.y1.max(other.y1),
        }
    }

    /// Whether two blocks share a cell.
    pub fn overlaps(self, other: Cells) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_keep_directions_and_points_together() {
        for quarters in 0..4 {
            for mirrored in [false, true] {
                let turn = Turn { quarters, mirrored };
                for way in Way::ALL {
                    let (dx, dy) = way.vector();
                    let turned = turn.at(At::new(3 * dx, 3 * dy));
                    assert_eq!(turned, At::default().step(turn.way(way), 3));
                }
            }
        }
    }
}
