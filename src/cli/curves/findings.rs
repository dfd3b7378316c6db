//! What was found of a valve.

use super::pair::Pushed;
use crate::cli::command::SAFETY;
use crate::measure::load_line::{self, Family, State, Worked};

/// All that is shown.
pub(super) struct Findings {
    pub(super) title: String,
    pub(super) name: String,
    pub(super) vsk: f64,
    pub(super) has_screen: bool,
    pub(super) has_grid: bool,
    pub(super) freq_hz: f64,
    pub(super) family: Family,
    /// By grid voltage, each from 0 to the right edge.
    pub(super) characteristics: Vec<Vec<State>>,
    pub(super) worked: Option<Worked>,
    /// Dissipation limit, plate volts and current.
    pub(super) limit: Vec<(f64, f64)>,
    pub(super) most_w: Option<f64>,
    pub(super) most_v: Option<f64>,
    pub(super) path: Vec<State>,
    /// The pair that it is one of.
    pub(super) pair: Option<Pushed>,
    /// What plate, grid and cathode are called.
    pub(super) terms: [&'static str; 3],
}

/// Points of a line.
pub(super) const LINE: usize = 100;

/// Points of a line, from no current to no volts or the top edge, whichever comes first.
pub(super) fn line(found: &Findings, line: load_line::Line) -> Vec<(f64, f64)> {
    let top = line.through.1.signum() * found.family.amperes.max(line.through.1.abs() * 1.2);
    let end = if line.ohms > 0.0 && line.volts(top) * line.open_v() < 0.0 {
        line.open_v() / line.ohms
    } else {
        top
    };
    let at = |k: usize| end * k as f64 / LINE as f64;
    (0..=LINE).map(|k| (line.volts(at(k)), at(k))).collect()
}

/// What every plot says at its foot.
pub(super) const CAUTION: &str = SAFETY;
