//! Rectifier diodes that conduct backward. In the model they clamp, as an avalanche does, and whatever
//! they clamp seems to be within its rating; the real ones fail short.

use super::finding::{Finding, show};
use crate::circuit::Circuit;
use crate::measure::inverse;
use crate::measure::quiescent::Quiescent;
use crate::measure::stress::Survey;

/// Of each survey state, whether a diode conducts backward in it.
pub fn doubtful(circuit: &Circuit, survey: &Survey) -> Vec<bool> {
    let mut doubtful = vec![false; survey.states.len()];
    for element in &circuit.elements {
        for (doubtful, volts) in doubtful.iter_mut().zip(blocked(survey, element)) {
            *doubtful |= volts.is_some();
        }
    }
    doubtful
}

/// The volts that an element blocks in each state of a survey, where it breaks down at them.
fn blocked<'s>(
    survey: &'s Survey,
    element: &crate::circuit::Element,
) -> impl Iterator<Item = Option<f64>> + 's {
    let least = inverse::breakdown(element);
    let figure = least.and_then(|_| survey.find(&element.name, "peak inverse voltage"));
    let values = figure.map_or(&[][..], |f| &f.values[..]);
    values
        .iter()
        .map(move |v| v.filter(|v| least.is_some_and(|least| *v >= least)))
}

/// Diodes that conduct backward at rest, with cold valves, or in a state of the survey: one finding
/// each.
pub fn backward(
    circuit: &Circuit,
    rest: Option<&Quiescent>,
    survey: Option<&Survey>,
) -> Vec<Finding> {
    let mut found = Vec::new();
    for (k, element) in circuit.elements.iter().enumerate() {
        let Some(breakdown) = inverse::breakdown(element) else {
            continue;
        };
        let mut states: Vec<&str> = Vec::new();
        let mut most = 0.0f64;
        let at_rest = rest.iter().flat_map(|rest| &rest.blocked);
        for &(_, hot, cold) in at_rest.filter(|b| b.0 == k) {
            if hot >= breakdown {
                most = most.max(hot);
                states.push("at rest");
            } else if let Some(volts) = cold.filter(|v| *v >= breakdown) {
                most = most.max(volts);
                states.push("cold valves");
            }
        }
        let quantity = if states.is_empty() {
            "peak inverse voltage"
        } else {
            "inverse voltage"
        };
        let surveyed = survey.into_iter().flat_map(|survey| {
            let names = survey.states.iter().map(|s| s.name.as_str());
            names.zip(blocked(survey, element))
        });
        for (name, volts) in surveyed {
            if let Some(volts) = volts {
                most = most.max(volts);
                if !states.contains(&name) {
                    states.push(name);
                }
            }
        }
        if states.is_empty() {
            continue;
        }
        found.push(Finding {
            subject: element.name.clone(),
            quantity,
            text: format!(
                "conducts backward ({}): {} across it, and its model breaks down at {}; a rectifier \
                 fails short there, and the other figures do not hold: fit one for more volts or two \
                 in series, or, if it is a zener, give its test current as `ibv=` in the model",
                states.join(", "),
                show(most, "V"),
                show(breakdown, "V")
            ),
            grave: true,
        });
    }
    found
}
