//! Constants of many laws side by side.

/// Values that go through a law side by side in a [`Banks`](super::Banks).
pub const WIDTH: usize = 4;

/// Values side by side where each law is answered at two points.
pub(super) const TWICE: usize = 2 * WIDTH;

/// Rows of two packs joined.
#[inline(always)]
pub(super) fn twice<const ROWS: usize>(
    first: &[[f64; WIDTH]; ROWS],
    second: &[[f64; WIDTH]; ROWS],
) -> [[f64; TWICE]; ROWS] {
    let mut joined = [[0.0; TWICE]; ROWS];
    for row in 0..ROWS {
        for lane in 0..WIDTH {
            joined[row][lane] = first[row][lane];
            joined[row][WIDTH + lane] = second[row][lane];
        }
    }
    joined
}

/// The same taken apart.
#[inline(always)]
pub(super) fn apart<const ROWS: usize>(
    joined: &[[f64; TWICE]; ROWS],
    first: &mut [[f64; WIDTH]; ROWS],
    second: &mut [[f64; WIDTH]; ROWS],
) {
    for row in 0..ROWS {
        for lane in 0..WIDTH {
            first[row][lane] = joined[row][lane];
            second[row][lane] = joined[row][WIDTH + lane];
        }
    }
}

/// Constants of one kind of law, [`WIDTH`] of them beside each other.
#[derive(Debug)]
pub(super) struct Packs<const CONSTANTS: usize> {
    /// The last lanes may stand for none.
    pub(super) packs: Vec<[[f64; WIDTH]; CONSTANTS]>,
    len: usize,
}

impl<const CONSTANTS: usize> Default for Packs<CONSTANTS> {
    fn default() -> Self {
        Packs {
            packs: Vec::new(),
            len: 0,
        }
    }
}

impl<const CONSTANTS: usize> Packs<CONSTANTS> {
    pub(super) fn push(&mut self, constants: [f64; CONSTANTS]) {
        let lane = self.len % WIDTH;
        if lane == 0 {
            // A lane without a valve of its own copies this one: harmless figures.
            self.packs.push(constants.map(|c| [c; WIDTH]));
        }
        let pack = self.packs.last_mut().expect("just pushed");
        for (row, c) in pack.iter_mut().zip(constants) {
            row[lane] = c;
        }
        self.len += 1;
    }
}
