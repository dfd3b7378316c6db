//! A row of the commands, and the caution that all of them end with.

use super::failure::Failure;
use super::outcome::Outcome;
use clap::ArgMatches;

/// A command of the tool.
pub struct Command {
    /// Its word on the command line.
    pub name: &'static str,
    /// A line for the help.
    pub about: &'static str,
    /// Adds its own options.
    pub options: fn(clap::Command) -> clap::Command,
    /// Does the work.
    pub run: fn(&ArgMatches) -> Result<Outcome, Failure>,
}

/// The caution that help and charts carry.
pub const SAFETY: &str = "Caution: valve amplifiers hold hundreds of volts, also after switch-off. \
Computed figures are no substitute for measuring: discharge and check every capacitor before you \
touch the circuit, follow your local codes, and leave mains wiring to licensed practice.";
