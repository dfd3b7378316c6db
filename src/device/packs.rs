//! Constants of many laws side by side.

/// Values that go through a law side by side in a [`Banks`](super::Banks).
pub const WIDTH: usize = 4;

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
