//! Regression sheets: what a circuit should measure, and whether it does.
//!
//! A sheet is TOML, `NAME.sheet.toml`, beside its netlist. [`read()`] turns the text into a
//! [`Sheet`] with the place of every word, [`cases`] spreads its choices out, [`run`] measures
//! and judges a case, [`record`] writes measured values back into the text without touching
//! the rest of it. Files come through a [`Stored`].

pub mod cases;
pub mod curve;
mod expect;
pub mod judge;
pub mod keys;
pub mod problem;
pub mod read;
pub mod record;
pub mod run;
pub mod schema;
mod sound;
mod words;

pub use cases::Case;
pub use expect::{Amount, Expectation, Tolerance, Want};
pub use read::{Sheet, read, read_within};

use crate::audio::clip::Clip;
use crate::figure::bench::Clips;

/// What stands beside a sheet. Names are as the sheet writes them.
pub trait Stored: Clips {
    /// A text; none if there is no such file.
    ///
    /// # Errors
    /// Why it cannot be read, in a few words.
    fn text(&self, name: &str) -> Result<Option<String>, String>;

    /// A sound; none if there is no such file.
    ///
    /// # Errors
    /// Why it cannot be read, in a few words.
    fn sound(&self, name: &str) -> Result<Option<Clip>, String>;
}
