//! What was found of a feedback element.

use crate::analysis::return_ratio::Probe;
use crate::analysis::small_signal::{Excitation, SmallSignal};
use crate::cli::failure::Failure;
use crate::math::lu::Singular;
use crate::measure::feedback::Figures;
use crate::system::assemble::Driven;
use crate::system::probe::LinearProbe;
use num_complex::Complex;

/// Distortion at the output level, percent; or why there is none, where there is a figure to
/// be missed.
pub(super) type Thd = Result<f64, Option<String>>;

/// One value and what it does.
pub(super) struct ElementRow {
    /// None for `open`.
    pub(super) ohms: Option<f64>,
    /// As typed.
    pub(super) text: String,
    /// What was found, or why nothing was.
    pub(super) found: Result<Judged, String>,
}

/// What one value does.
pub(super) struct Judged {
    pub(super) figures: Figures,
    /// Load over what the output is without it.
    pub(super) damping: Option<f64>,
    /// Whether the output's own resistance, without the load, is negative.
    pub(super) negative: bool,
    /// Whether the circuit has a transformer whose primary could be turned round.
    pub(super) transformer: bool,
    /// Percent at the output level, or why there is none.
    pub(super) thd: Thd,
    /// For the plot, if there is one.
    pub(super) solved: Option<Solved>,
}

/// All that the command found.
pub(super) struct Findings {
    pub(super) title: String,
    pub(super) element: String,
    pub(super) source: String,
    pub(super) probe: String,
    pub(super) freq_hz: f64,
    pub(super) level_v: f64,
    pub(super) load: Option<String>,
    pub(super) rows: Vec<ElementRow>,
}

/// The circuit about its point with one value, and where it is looked at.
pub struct Solved {
    pub driven: Driven,
    pub small: SmallSignal,
    pub pickup: LinearProbe,
    pub around: Option<Probe>,
}

impl Solved {
    /// Gain and return ratio at a frequency.
    pub(super) fn at(
        &mut self,
        freq_hz: f64,
    ) -> Result<(Complex<f64>, Option<Complex<f64>>), Failure> {
        let excitation = Excitation::Source(self.driven);
        let solve = |small: &mut SmallSignal, pickup, around: Option<&Probe>| {
            let gain = small.at(freq_hz)?.transfer(excitation, pickup);
            let ratio = around.map(|p| p.ratio(small, freq_hz)).transpose()?;
            Ok((gain, ratio))
        };
        solve(&mut self.small, &self.pickup, self.around.as_ref()).map_err(|_: Singular| {
            Failure::Unsolved {
                message: "at a frequency of the plot the circuit has no response".to_string(),
                hint: "draw it without `--plot`, from the CSV".to_string(),
            }
        })
    }
}
