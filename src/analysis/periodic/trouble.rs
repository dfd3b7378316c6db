//! Why there is no steady state, in words.

use super::common_period::Incommensurate;
use super::outcome::MOST_STEPS;
use crate::analysis::NoSolution;
use crate::circuit::Circuit;
use crate::math::newton::Failure;

/// Why there is no steady state.
#[derive(Debug, Clone, PartialEq)]
pub enum Trouble {
    /// A source of the circuit shares no period with the signal.
    Incommensurate(Incommensurate),
    /// No operating point, or a step that could not be solved.
    NoSolution(Box<NoSolution>),
    /// The common period of all sources is too long to be computed.
    TooLong {
        /// Steps that it would take.
        steps: usize,
    },
    /// Neither Newton nor `periods` periods led to rest.
    NotPeriodic {
        /// Periods integrated.
        periods: usize,
        /// Where the circuit still moves most from period to period.
        place: String,
        /// By how much, in `unit`.
        moves: f64,
        /// `V` or `A`.
        unit: &'static str,
        /// The number of that unknown.
        unknown: usize,
    },
}

impl std::fmt::Display for Trouble {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Trouble::Incommensurate(i) => write!(f, "{i}"),
            Trouble::NoSolution(no) => write!(f, "{no}"),
            Trouble::TooLong { steps } => write!(
                f,
                "no steady state: its period would take {steps} steps, at most {MOST_STEPS} are made"
            ),
            Trouble::NotPeriodic {
                periods,
                place,
                moves,
                unit,
                ..
            } if !place.is_empty() => write!(
                f,
                "no steady state found: Newton does not settle, and after {periods} periods \
                 {place} still moves by {} a period",
                crate::num::engineering(*moves, unit, 2)
            ),
            // Without any charge there is nothing that could move from period to period.
            Trouble::NotPeriodic { .. } => write!(
                f,
                "no steady state found: its flanks are too steep to be followed"
            ),
        }
    }
}

impl Trouble {
    /// Newton did not settle, and nobody waited for the circuit to do so.
    pub(super) fn unsettled() -> Self {
        Trouble::NotPeriodic {
            periods: 0,
            place: String::new(),
            moves: 0.0,
            unit: "V",
            unknown: 0,
        }
    }

    /// The unknown that would not come to rest; the first where none is known.
    pub(super) fn unknown(&self) -> usize {
        match self {
            Trouble::NotPeriodic { unknown, .. } => *unknown,
            _ => 0,
        }
    }

    /// What the user may try.
    pub fn hint(&self) -> &'static str {
        match self {
            Trouble::Incommensurate(_) | Trouble::TooLong { .. } => {
                "choose a frequency that shares a short period with it (beside the mains 400 Hz or 1 kHz), or set that source to a fixed value"
            }
            Trouble::NoSolution(no) => no.hint(),
            Trouble::NotPeriodic { .. } => {
                "look with `scope` whether the circuit oscillates by itself, or motorboats; try a lower level"
            }
        }
    }
}

impl From<Box<NoSolution>> for Trouble {
    fn from(no: Box<NoSolution>) -> Self {
        Trouble::NoSolution(no)
    }
}

/// A step that could not be solved; `n` unknowns.
pub(super) fn no_solution(
    circuit: &Circuit,
    failure: Failure,
    n: usize,
    time_s: f64,
) -> NoSolution {
    let failure = match failure {
        Failure::Unsettled {
            unknown,
            equation,
            residual_ratio,
            iterations,
        } => Failure::Unsettled {
            unknown: unknown % n,
            equation,
            residual_ratio,
            iterations,
        },
        singular => singular,
    };
    let tried = vec!["shooting", "ever shorter steps"];
    NoSolution::new("steady state", circuit, &failure, tried, Some(time_s))
}
