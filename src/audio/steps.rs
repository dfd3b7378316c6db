//! How finely a sound is stepped through.

use std::cmp::Ordering;
use std::fmt;

/// Factors that can be asked for.
pub const FACTORS: [usize; 5] = [1, 2, 4, 8, 16];
/// The factor at which corners can be passed coarsely: with more steps a sound has less error asked of it.
const COARSE: usize = 4;

/// Solver steps for each sample, and how soon they are divided at a corner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Steps {
    /// One of [`FACTORS`].
    pub factor: usize,
    /// Whether guesses may be further off before a step is divided: two thirds of the work, 5 to 10 dB
    /// more error.
    pub coarse: bool,
}

impl Steps {
    /// Steps that are divided early.
    pub const fn fine(factor: usize) -> Self {
        let coarse = false;
        Steps { factor, coarse }
    }

    /// Steps that are divided late.
    pub const fn coarse() -> Self {
        Steps {
            factor: COARSE,
            coarse: true,
        }
    }

    /// Those of a name (`4`, `4-coarse`), if there are any.
    pub fn named(name: &str) -> Option<Self> {
        let coarse = Steps::coarse();
        if name == coarse.to_string() {
            return Some(coarse);
        }
        let factor = name.parse().ok().filter(|factor| FACTORS.contains(factor));
        factor.map(Steps::fine)
    }
}

/// By what they cost.
impl Ord for Steps {
    fn cmp(&self, other: &Self) -> Ordering {
        let cost = |of: &Steps| (of.factor, !of.coarse);
        cost(self).cmp(&cost(other))
    }
}

impl PartialOrd for Steps {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl fmt::Display for Steps {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let coarse = if self.coarse { "-coarse" } else { "" };
        write!(f, "{}{coarse}", self.factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn coarse_steps_cost_less_than_fine_ones_and_more_than_fewer() {
        assert!(Steps::fine(2) < Steps::coarse() && Steps::coarse() < Steps::fine(4));
    }

    #[test]
    fn each_is_found_by_its_name() {
        for steps in FACTORS
            .map(Steps::fine)
            .into_iter()
            .chain([Steps::coarse()])
        {
            assert_eq!(Steps::named(&steps.to_string()), Some(steps));
        }
        for none in ["", "3", "8-coarse", "4-", "coarse", "+4-coarse"] {
            assert_eq!(Steps::named(none), None, "{none}");
        }
    }
}
