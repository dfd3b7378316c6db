//! Panels ([`Panels`]) of which only those columns are kept that count.

use super::panels::{HEIGHT, Panels};

/// A matrix of panels, each with columns of its own.
#[derive(Debug, Clone, Default)]
pub struct SparsePanels {
    /// Where each panel's columns begin, `[panels + 1]`.
    starts: Vec<usize>,
    columns: Vec<u32>,
    entries: Vec<[f64; HEIGHT]>,
}

impl SparsePanels {
    /// What `counts` of a matrix: it is asked row by row, with the entry's column and value. A
    /// column of a panel is left out where none of its entries counts.
    pub fn of(full: &Panels, panels: usize, counts: impl Fn(usize, usize, f64) -> bool) -> Self {
        let (mut starts, mut columns, mut entries) = (vec![0], vec![], vec![]);
        for panel in 0..panels {
            for column in 0..full.columns() {
                let own: [f64; HEIGHT] =
                    std::array::from_fn(|k| full.at(panel * HEIGHT + k, column));
                let row = panel * HEIGHT;
                let mut each = own.iter().enumerate();
                if each.any(|(k, &v)| v != 0.0 && counts(row + k, column, v)) {
                    columns.push(u32::try_from(column).expect("few columns"));
                    entries.push(own);
                }
            }
            starts.push(columns.len());
        }
        SparsePanels {
            starts,
            columns,
            entries,
        }
    }

    /// Columns kept in the first panels, of all of these together.
    pub fn kept(&self, panels: usize) -> usize {
        self.starts[panels]
    }

    /// `out` = A x in some neighbouring panels.
    #[inline(always)]
    pub fn multiply(&self, x: &[f64], panels: std::ops::Range<usize>, out: &mut [[f64; HEIGHT]]) {
        for panel in panels {
            let own = self.starts[panel]..self.starts[panel + 1];
            let mut sum = [0.0; HEIGHT];
            for (&column, entries) in self.columns[own.clone()].iter().zip(&self.entries[own]) {
                let x = x[column as usize];
                for (sum, a) in sum.iter_mut().zip(entries) {
                    *sum += a * x;
                }
            }
            out[panel] = sum;
        }
    }

    /// `out` -= A x in some neighbouring panels.
    #[inline(always)]
    pub fn subtract(&self, x: &[f64], panels: std::ops::Range<usize>, out: &mut [[f64; HEIGHT]]) {
        for panel in panels {
            let own = self.starts[panel]..self.starts[panel + 1];
            let mut sum = out[panel];
            for (&column, entries) in self.columns[own.clone()].iter().zip(&self.entries[own]) {
                let x = x[column as usize];
                for (sum, a) in sum.iter_mut().zip(entries) {
                    *sum -= a * x;
                }
            }
            out[panel] = sum;
        }
    }
}
