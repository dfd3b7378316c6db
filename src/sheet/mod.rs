//! Regression sheets: what a circuit should measure, and whether it does.
//!
//! A sheet is TOML, `NAME.sheet.toml`, beside its netlist. [`read()`] turns the text into a
//! [`Sheet`] with the place of every word, [`cases`] spreads its choices out, [`run`] measures
//! and judges a case, [`record`] writes measured values back into the text without touching
//! the rest of it. Files come through a [`Stored`].
//!
//! What was decided, and measured:
//!
//! TOML through `toml` with its parser alone: every key and value with its place, and recorded
//! values are put into the text at those places, so that comments and layout stay without a
//! second, editing model of the file (`toml_edit`). It brings 5 crates, all built for the tests before
//! (`toml_parser`, `toml_datetime`, `serde_spanned`, `winnow`). JUnit is written with
//! `quick-xml` (1 crate); `quick-junit` adds 6 more, among them clocks and random identifiers
//! that a file without times needs not. The schema is made from the tables that sheets are read
//! by. Cases run on all cores and land in the order of the file; nothing in an output depends on
//! threads or time: a run time within its bound is not printed.
//!
//! Figures of one case share one operating point (or mains cycle), one matrix of small signals and
//! one test bench a source and probe; each sine starts from the operating point and not from the
//! last one, or a figure's tenth digit would depend on its neighbours in the sheet. A figure
//! that does not exist (a corner of a gain that never falls, an output beyond reach) is off, not
//! bad: the circuit changed, not the sheet.
//!
//! Fingerprints take the energy of the whole sound's spectrum between the band edges of
//! IEC 61260-1, not that standard's filters: bands add up to the whole, and nothing depends on how
//! a filter starts. Levels 70 dB below the loudest are at that floor.
//!
//! `bias --seek` looks outwards from the present value (twelve places a decade) until the figure
//! crosses the target, so it takes the crossing nearest to what is there, then Brent's method:
//! 11 operating points for a plate dissipation by a cathode resistor. Where no crossing lies within
//! 1e4 either way it says what range was reached.

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
pub mod verdict;
mod words;

pub use cases::Case;
pub use expect::{Amount, Expectation, Tolerance, Want};
pub use read::{Sheet, read, read_within};

use crate::audio::clip::Clip;
use crate::figure::bench::Clips;

/// The files beside a sheet. Names are as the sheet writes them.
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
