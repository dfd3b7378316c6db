//! Panels ([`Panels`]) of which only those columns are kept that count.

use super::aligned::Aligned;
use super::panels::{HEIGHT, Panels};
use std::ops::Range;

/// A matrix of panels, each with columns of its own.
#[derive(Debug, Clone, Default)]
pub struct SparsePanels {
    /// The first panel; those before it are not kept.
    first: usize,
    /// Where each panel's columns begin, `[panels + 1]`.
    starts: Vec<usize>,
    columns: Vec<u32>,
    entries: Aligned<[f64; HEIGHT]>,
}

impl SparsePanels {
    /// What `counts` of some neighbouring panels of a matrix: it is asked row by row, with the
    /// entry's column and value. A column of a panel is left out where none of its entries counts.
    pub fn of(
        full: &Panels,
        panels: Range<usize>,
        counts: impl Fn(usize, usize, f64) -> bool,
    ) -> Self {
        let (mut starts, mut columns, mut entries) = (vec![0], vec![], Aligned::default());
        let first = panels.start;
        for panel in panels {
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
            first,
            starts,
            columns,
            entries,
        }
    }

    /// Columns kept, of all panels together.
    pub fn kept(&self) -> usize {
        self.entries.len()
    }

    /// Columns kept of some neighbouring panels.
    pub fn kept_of(&self, panels: Range<usize>) -> usize {
        self.starts[panels.end - self.first] - self.starts[panels.start - self.first]
    }

    /// Where a panel's columns stand.
    #[inline(always)]
    fn own(&self, panel: usize) -> Range<usize> {
        let k = panel - self.first;
        self.starts[k]..self.starts[k + 1]
    }

    /// `out` = A x in some neighbouring panels.
    #[inline(always)]
    pub fn multiply(&self, x: &[f64], panels: Range<usize>, out: &mut [[f64; HEIGHT]]) {
        for panel in panels {
            let own = self.own(panel);
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
    pub fn subtract(&self, x: &[f64], panels: Range<usize>, out: &mut [[f64; HEIGHT]]) {
        for panel in panels {
            let own = self.own(panel);
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
