//! What is found, before it is judged.

use crate::circuit::Element;

/// Something that is wrong, or worth a word.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The part.
    pub subject: String,
    /// The row of the chart that it is about: `plate current`, `voltage hot` ...
    pub quantity: &'static str,
    /// What a builder should know.
    pub text: String,
    /// Whether the circuit cannot be right like this: `--strict` fails. The others are no faults
    /// by themselves: a pair that is switched off, a transformer without load at rest.
    pub grave: bool,
}

/// What a finding about a transformer without a load is about: with a signal it is grave.
pub const NO_LOAD: &str = "load";

/// What a finding about an electrolytic the wrong way round is about: none of its figures is good.
pub const REVERSED: &str = "voltage hot";

/// What a finding about a load of the wrong size is about.
pub(super) const MISMATCH: &str = "load match";

/// What a finding about the whole circuit is about: it does not stay where it is charted.
pub const STABILITY: &str = "stability";

/// What a finding about the whole circuit is about: with a knob or switch in another position it does
/// not stay where it is charted.
pub const ELSEWHERE: &str = "stability elsewhere";

/// What a finding is about that says what a part takes with a knob or switch in another position.
pub const RATING: &str = "rating elsewhere";

/// What a finding about the whole circuit is about: a knob that sets valves can put one past its rating.
pub const TRIMMER: &str = "rating with a trimmer";

/// What a finding about the whole circuit is about: its supply keeps its charge after switch-off.
pub const STORED: &str = "stored charge";

/// What a finding about a state is about that has no solution: standby, warming up, the mains too high.
pub const UNSOLVED: &str = "state";

/// What a finding is about that says that a circuit is too large for its stability to be judged.
pub const UNJUDGED: &str = "stability unknown";

/// What is wrong with a part, or worth a word: the row it is about, in words, and whether it cannot be right.
pub(super) type Judgement = (&'static str, String, bool);

impl Finding {
    /// Of a part that was judged.
    pub(super) fn of(element: &Element, (quantity, text, grave): Judgement) -> Self {
        Finding {
            subject: element.name.clone(),
            quantity,
            text,
            grave,
        }
    }

    /// The finding as a line says it.
    pub fn told(&self) -> String {
        match self.quantity {
            STABILITY | ELSEWHERE | STORED | UNJUDGED | TRIMMER => {
                format!("the {} is {}", self.subject, self.text)
            }
            _ => format!("`{}`: {}", self.subject, self.text),
        }
    }
}

/// Positions that a line names.
const NAMED: usize = 3;

/// The first of some words, and how many more there are.
pub(super) fn named(mut all: Vec<String>) -> String {
    let more = all.len().saturating_sub(NAMED);
    all.truncate(NAMED);
    if more > 0 {
        all.push(format!("and {more} more"));
    }
    all.join(", ")
}

/// A value as messages show it.
pub(super) fn show(value: f64, unit: &str) -> String {
    let value = if unit == "A" && value.abs() < 1e-12 {
        0.0
    } else {
        value
    };
    crate::num::engineering(value, unit, 3)
}
