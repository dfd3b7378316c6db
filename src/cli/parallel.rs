//! On how many threads a command works.

pub use crate::math::parallel::{map, processors};
use clap::ArgMatches;

/// As many threads as `--threads` says, or as there are processors.
pub fn threads(matches: &ArgMatches) -> usize {
    let asked = matches.get_one::<u16>("threads");
    asked.map_or_else(processors, |&n| usize::from(n))
}
