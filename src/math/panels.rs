//! A dense matrix laid out for being multiplied by a vector at every sample.
//!
//! Rows stand in panels of [`HEIGHT`], each panel column by column, so that the sums of a
//! panel stay in registers while its columns go by. Every sum runs over the columns in
//! order, so its bits do not depend on how wide the processor's registers are.

use super::aligned::Aligned;

/// Rows of a panel.
pub const HEIGHT: usize = 8;

/// A matrix of full panels; rows beyond those asked for are zero.
#[derive(Debug, Clone)]
pub struct Panels {
    columns: usize,
    /// `[panels * columns]`
    entries: Aligned<[f64; HEIGHT]>,
}

impl Panels {
    /// Zeros with room for `rows`.
    pub fn new(rows: usize, columns: usize) -> Self {
        Panels {
            columns,
            entries: Aligned::filled([0.0; HEIGHT], rows.div_ceil(HEIGHT) * columns),
        }
    }

    /// Columns.
    pub fn columns(&self) -> usize {
        self.columns
    }

    /// The first panels of it.
    pub fn first(&self, panels: usize) -> Self {
        Panels {
            columns: self.columns,
            entries: self.entries[..panels * self.columns]
                .iter()
                .copied()
                .collect(),
        }
    }

    /// One entry.
    pub fn at(&self, row: usize, column: usize) -> f64 {
        self.entries[row / HEIGHT * self.columns + column][row % HEIGHT]
    }

    /// Writes one entry.
    pub fn set(&mut self, row: usize, column: usize, value: f64) {
        self.entries[row / HEIGHT * self.columns + column][row % HEIGHT] = value;
    }

    /// `out` = A x in some neighbouring panels; `x` has an entry for each column.
    #[inline(always)]
    pub fn multiply(&self, x: &[f64], panels: std::ops::Range<usize>, out: &mut [[f64; HEIGHT]]) {
        let x = &x[..self.columns];
        let own = &self.entries[panels.start * self.columns..panels.end * self.columns];
        let out = &mut out[panels];
        for (panel, out) in own.chunks_exact(self.columns.max(1)).zip(out) {
            let mut sum = [0.0; HEIGHT];
            for (column, x) in panel.iter().zip(x) {
                for (sum, a) in sum.iter_mut().zip(column) {
                    *sum += a * x;
                }
            }
            *out = sum;
        }
    }

    /// `out` -= A x in some neighbouring panels of `out`.
    #[inline(always)]
    pub fn subtract(&self, x: &[f64], panels: std::ops::Range<usize>, out: &mut [[f64; HEIGHT]]) {
        let x = &x[..self.columns];
        let own = &self.entries[panels.start * self.columns..panels.end * self.columns];
        let out = &mut out[panels];
        for (panel, out) in own.chunks_exact(self.columns.max(1)).zip(out) {
            let mut sum = *out;
            for (column, x) in panel.iter().zip(x) {
                for (sum, a) in sum.iter_mut().zip(column) {
                    *sum -= a * x;
                }
            }
            *out = sum;
        }
    }

    /// `out` -= the products of some columns with their entries of x, in some of its panels.
    #[inline(always)]
    pub fn subtract_columns(
        &self,
        columns: &[usize],
        x: &[f64],
        panels: impl Iterator<Item = usize>,
        out: &mut [[f64; HEIGHT]],
    ) {
        let mut panels = panels.fuse();
        loop {
            match (panels.next(), panels.next(), panels.next()) {
                (Some(a), Some(b), Some(c)) => self.subtract_from(columns, x, [a, b, c], out),
                (Some(a), Some(b), None) => return self.subtract_from(columns, x, [a, b], out),
                (Some(a), None, None) => return self.subtract_from(columns, x, [a], out),
                _ => return,
            }
        }
    }

    /// The same in N panels at once, whose sums need not wait for each other.
    #[inline(always)]
    fn subtract_from<const N: usize>(
        &self,
        columns: &[usize],
        x: &[f64],
        at: [usize; N],
        out: &mut [[f64; HEIGHT]],
    ) {
        let mut panels = [&self.entries[..0]; N];
        let mut sums = [[0.0; HEIGHT]; N];
        for k in 0..N {
            panels[k] = &self.entries[at[k] * self.columns..][..self.columns];
            sums[k] = out[at[k]];
        }
        for &column in columns {
            let x = x[column];
            for k in 0..N {
                let entries = &panels[k][column];
                for row in 0..HEIGHT {
                    sums[k][row] -= entries[row] * x;
                }
            }
        }
        for k in 0..N {
            out[at[k]] = sums[k];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_are_those_of_the_plain_sums() {
        let (rows, columns) = (11, 3);
        let entry = |r: usize, c: usize| (r * 3 + c) as f64 * 0.37 - 2.0;
        let mut a = Panels::new(rows, columns);
        for r in 0..rows {
            for c in 0..columns {
                a.set(r, c, entry(r, c));
            }
        }
        let x = [1.5, -0.25, 3.0];
        let mut out = [[9.0; HEIGHT]; 2];
        a.multiply(&x, 0..2, &mut out);
        let found = out.as_flattened();
        let found_ninth = found[HEIGHT];
        for (r, found) in found.iter().enumerate() {
            let expected: f64 = if r < rows {
                (0..columns).map(|c| entry(r, c) * x[c]).sum()
            } else {
                0.0
            };
            assert!((found - expected).abs() < 1e-13, "{r}");
        }
        a.subtract_columns(&[0, 1, 2], &x, 0..2, &mut out);
        assert!(out.as_flattened().iter().all(|v| v.abs() < 1e-13));
        let mut again = [[0.0; HEIGHT]; 2];
        a.subtract(&x, 1..2, &mut again);
        assert_eq!(again[0], [0.0; HEIGHT]);
        assert!((again[1][0] + found_ninth).abs() < 1e-13);
        a.subtract_columns(&[1], &[9.0, 2.0, 9.0], 0..1, &mut out);
        assert_eq!(out[0][4], -2.0 * a.at(4, 1));
        assert_eq!(out[1][0], 0.0);
    }
}
