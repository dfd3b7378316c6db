//! A circuit that does not stay where the chart has it.

use super::finding::{Finding, STABILITY, UNJUDGED};
use crate::analysis::natural::{self, Stability};
use crate::analysis::small_signal::SmallSignal;
use crate::circuit::Circuit;
use crate::measure::quiescent;

/// Whether a circuit stays where it stands with nothing playing; unknown if it stands nowhere.
pub fn stability(circuit: &Circuit) -> Stability {
    match quiescent::at_rest(circuit) {
        Ok((x, mut assembly)) => natural::stability(&mut SmallSignal::new(&mut assembly, &x)),
        Err(_) => Stability::Unknown,
    }
}

/// What to do about a circuit that does not stay where it stands.
pub fn advice(found: Stability) -> &'static str {
    match found {
        Stability::RunsAway { .. } => {
            "if it has feedback, exchange the ends of the output transformer's primary"
        }
        _ => "right for a tremolo, wrong for an amplifier",
    }
}

/// What is said of a circuit that oscillates or runs away when left alone: no figure of it is
/// what a meter would show. Of one that is too large to be judged it is said that it is not.
pub fn unstable(small: &mut SmallSignal) -> Option<Finding> {
    let found = natural::stability(small);
    let stores = match found {
        Stability::Unknown => natural::stores(small),
        _ => 0,
    };
    if stores > natural::MOST {
        return Some(Finding {
            subject: "circuit".to_string(),
            quantity: UNJUDGED,
            text: format!(
                "not judged for stability: {stores} capacitances, inductances and pieces of iron store energy in it, \
                 and that is found out for up to {}; judge its parts alone",
                natural::MOST
            ),
            grave: false,
        });
    }
    let what = found.trouble()?;
    let advice = advice(found);
    Some(Finding {
        subject: "circuit".to_string(),
        quantity: STABILITY,
        text: format!("unstable: {what}, and does not stay at these figures; {advice}"),
        grave: true,
    })
}
