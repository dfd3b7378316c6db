//! What a figure is to be: a value in its unit, or a percentage of its rating.

use super::Figure;
use super::amount::{self, Amount, Behind};
use super::problem::FigureProblem;

/// What a figure is to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    /// In the figure's own unit.
    Value(f64),
    /// So many per cent of its rating.
    OfRating(f64),
}

impl Target {
    /// Reads `196.2 V` or `70 %`.
    ///
    /// # Errors
    /// If it is not an amount, or in a unit that is not the figure's.
    pub fn read(text: &str, figure: &Figure) -> Result<Self, FigureProblem> {
        let amount = amount::read(text).map_err(|w| FigureProblem::amount(text.trim(), w))?;
        Target::of_amount(amount, figure)
    }

    /// An amount, as what the figure is to be. A figure that is itself in per cent is held against
    /// the number as it is.
    ///
    /// # Errors
    /// If the unit is not the figure's.
    pub fn of_amount(amount: Amount, figure: &Figure) -> Result<Self, FigureProblem> {
        match amount.unit {
            Behind::Nothing => Ok(Target::Value(amount.number)),
            Behind::Unit(unit) if unit == figure.unit() => Ok(Target::Value(amount.number)),
            Behind::Unit("%") => Ok(Target::OfRating(amount.number)),
            Behind::Unit(found) => Err(FigureProblem::wrong_unit(found, figure.unit())),
        }
    }

    /// Whether it is a percentage of the rating.
    pub fn is_of_rating(self) -> bool {
        matches!(self, Target::OfRating(_))
    }

    /// In the figure's own unit.
    ///
    /// # Errors
    /// If it is a percentage, and the figure has no rating.
    pub fn value(self, figure: &Figure, rating: Option<f64>) -> Result<f64, FigureProblem> {
        match (self, rating) {
            (Target::Value(value), _) => Ok(value),
            (Target::OfRating(percent), Some(rating)) => Ok(percent / 100.0 * rating),
            (Target::OfRating(_), None) => Err(FigureProblem::NoRating {
                figure: figure.text.clone(),
            }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Words;
    use super::*;
    use crate::diag::Files;

    fn figure(text: &str) -> Figure {
        let file = Files::default().add("figure", text);
        Figure::parse(text, Words::whole(file, text)).expect("a figure")
    }

    #[test]
    fn a_percentage_is_of_the_rating_unless_the_figure_is_one_itself() {
        let volts = figure("v(out)");
        assert_eq!(Target::read("1.5", &volts), Ok(Target::Value(1.5)));
        assert_eq!(Target::read("20 mV", &volts), Ok(Target::Value(0.02)));
        let part = Target::read("70 %", &volts).expect("a percentage");
        assert_eq!(part.value(&volts, Some(20.0)), Ok(14.0));
        let figure_text = "v(out)".to_string();
        let none = FigureProblem::NoRating {
            figure: figure_text,
        };
        assert_eq!(part.value(&volts, None), Err(none));
        let thd = figure("thd of v(out) with frequency 1k, level 0.1");
        assert_eq!(Target::read("2 %", &thd), Ok(Target::Value(2.0)));
        let wrong = Target::read("2 A", &volts);
        assert_eq!(wrong, Err(FigureProblem::wrong_unit("A", "V")));
    }
}
