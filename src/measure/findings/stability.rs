//! A circuit that does not stay where the chart has it.

use super::finding::{Finding, STABILITY};
use crate::analysis::natural::{self, Stability};
use crate::analysis::small_signal::SmallSignal;

/// What is said of a circuit that oscillates or runs away when left alone: no figure of it is
/// what a meter would show. One that is too large to be judged is passed over.
pub fn unstable(small: &mut SmallSignal) -> Option<Finding> {
    let found = natural::stability(small);
    let what = found.trouble()?;
    let advice = match found {
        Stability::RunsAway { .. } => {
            "if it has feedback, exchange the ends of the output transformer's primary"
        }
        _ => "right for a tremolo, wrong for an amplifier",
    };
    Some(Finding {
        subject: "circuit".to_string(),
        quantity: STABILITY,
        text: format!("unstable: {what}, and does not stay at these figures; {advice}"),
        grave: true,
    })
}
