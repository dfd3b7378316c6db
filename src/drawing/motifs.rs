//! Stages that a draughtsman draws one way, wherever they occur: their parts keep their places to
//! one another and are placed as one.
//!
//! - An output stage: valves over one another at one x, those on one end of the transformer's
//!   primary above its axis, the others mirrored below it; screen resistors level with the
//!   screens, grid stoppers, leaks and coupling capacitors level with the grids, all at the same
//!   distance; the transformer to the right, its primary towards the valves. With valves on one
//!   end only the primary's plate end is level with the plate.
//! - A long-tailed pair: side by side, the right one mirrored, plate loads up, the tail on the
//!   axis.
//! - A pentode with its screen's parts.
//! - A cathode over two resistors down to ground.
//! - A mains transformer with its rectifiers, half-wave, full-wave, bridge or doubler, solid or valve,
//!   and their reservoirs.
//!
//! What does not fit (a name too long, a part that is not there) is left out of the motif and
//! placed like any other part. Distances are found, not given: each part stands as near as its
//! lettering allows.

mod cathode;
mod finder;
mod long_tail;
mod output;
mod pentode;
mod rectifier;

use super::footprint::Footprint;
use super::geometry::Turn;
use super::recognise::Recognised;
use super::scheme::Scheme;
use finder::Finder;
pub use finder::Motif;

/// Finds them. `shown` says which nets are drawn as flags.
pub fn find(
    scheme: &Scheme,
    reading: &Recognised,
    shown: &dyn Fn(usize) -> bool,
    shape: &dyn Fn(usize, Turn) -> Footprint,
) -> Vec<Motif> {
    let mut finder = Finder {
        scheme,
        reading,
        shown,
        shape,
        taken: vec![false; scheme.parts.len()],
    };
    let mut motifs = Vec::new();
    for p in 0..scheme.parts.len() {
        motifs.extend(finder.mains_supply(p));
    }
    for p in 0..scheme.parts.len() {
        motifs.extend(finder.bridge(p));
    }
    // Signal and supply have rows of their own.
    motifs.retain(|m| {
        let side = |p: usize| reading.supply[p];
        let together = m.places.iter().all(|&(p, ..)| side(p) == side(m.leader()));
        for &(p, ..) in &m.places {
            finder.taken[p] = together;
        }
        together
    });
    for (taken, supply) in finder.taken.iter_mut().zip(&reading.supply) {
        *taken |= supply;
    }
    for p in 0..scheme.parts.len() {
        motifs.extend(finder.output_stage(p));
    }
    for p in 0..scheme.parts.len() {
        motifs.extend(finder.long_tail(p));
    }
    for p in 0..scheme.parts.len() {
        motifs.extend(finder.pentode(p));
    }
    for p in 0..scheme.parts.len() {
        motifs.extend(finder.cathode_chain(p));
    }
    motifs
}
