//! Every figure there is, and every condition it may be taken under.

mod conditions;
mod quantity;
mod rows;

pub use quantity::{
    About, Condition, Gives, OfSine, OfSmall, OfSound, OfWave, Quantity, Takes, Way,
};
pub use rows::QUANTITIES;

/// The quantity of a name, in any case.
pub fn quantity(name: &str) -> Option<&'static Quantity> {
    QUANTITIES
        .iter()
        .find(|q| q.name.eq_ignore_ascii_case(name))
}
