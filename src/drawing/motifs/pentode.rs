//! A pentode and its screen.

use super::finder::{Finder, Motif};
use crate::drawing::symbols::SymbolKind;

impl Finder<'_> {
    /// A pentode by itself, with what hangs on its screen.
    pub(super) fn pentode(&mut self, p: usize) -> Option<Motif> {
        if self.taken[p] || self.kind(p) != SymbolKind::Pentode {
            return None;
        }
        let block = self.blocks(&[p], 0).remove(0);
        (block.places.len() > 1).then_some(Motif {
            places: block.places,
            wires: vec![],
        })
    }
}
