//! A cathode's resistor and the one below it, in one line down to ground: followers, split loads,
//! stages that feedback comes back to.

use super::finder::{Block, Finder, Joined, Motif, UPRIGHT};
use crate::drawing::geometry::{At, Way};
use crate::drawing::symbols::SymbolKind;

/// Rows between two of them: a lead of each, and what is joined there.
const GAP: i32 = 4;

impl Finder<'_> {
    /// An active part over two resistors. One alone finds its own place below the cathode.
    pub(super) fn cathode_chain(&mut self, p: usize) -> Option<Motif> {
        let (_, _, bottom) = self.kind(p).electrodes()?;
        let shape = (self.shape)(p, UPRIGHT);
        let foot = shape.symbol.pins[bottom];
        if self.taken[p] || foot.way != Way::South {
            return None;
        }
        let net = self.scheme.parts[p].nets[bottom];
        let own = self.on(net, SymbolKind::Resistor).into_iter();
        let mut own = own.filter(|(j, _)| self.reading.upper_pin[j.part] == Some(j.pin));
        let (upper, tap) = own.next()?;
        if !self.wired(net) || !self.wired(tap) {
            return None;
        }
        let below = self.on(tap, SymbolKind::Resistor).into_iter();
        let mut below = below.filter(|(_, far)| self.scheme.nets[*far].is_ground());
        let (lower, _) = below.next()?;
        if below.next().is_some() {
            return None;
        }
        let mut block = Block::default();
        block.add(p, &shape, At::default());
        let mut y = foot.at.y;
        for joined in [upper, lower] {
            let Joined { part, pin } = joined;
            let shape = (self.shape)(part, joined.standing(Way::North, false));
            let pins = &shape.symbol.pins;
            let at = At::new(foot.at.x - pins[pin].at.x, y + GAP - pins[pin].at.y);
            if !block.fits(&shape, at) {
                return None;
            }
            block.add(part, &shape, at);
            y = pins[1 - pin].at.plus(at).y;
        }
        for (part, ..) in &block.places {
            self.taken[*part] = true;
        }
        Some(Motif {
            places: block.places,
            wires: vec![],
        })
    }
}
