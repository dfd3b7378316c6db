//! What was measured held against what was expected.

mod along;
mod digits;
mod heard;
mod number;

use super::Stored;
use super::expect::{Expectation, Want};
use super::verdict::Verdict;
use crate::diag::Diagnostic;
use crate::figure::bench::FigureValue;
use along::along;
use heard::{heard, levels};
use number::{range, value};

/// Judges a figure in a case. `only_case` is whether the sheet has but one.
///
/// # Errors
/// A mistake in the sheet that shows only now: a percentage without a rating, a stored file
/// that does not fit.
pub fn judge(
    expectation: &Expectation,
    case: &str,
    found: &FigureValue,
    stored: &dyn Stored,
) -> Result<Verdict, Diagnostic> {
    match (&expectation.want, found) {
        (Want::Value { all, by_case, .. }, FigureValue::Number(reading)) => {
            let own = by_case.iter().find(|c| c.0 == case).map(|c| &c.2);
            value(expectation, own.or(all.as_ref()), *reading)
        }
        (Want::Range { least, most }, FigureValue::Number(reading)) => {
            range(expectation, least.as_ref(), most.as_ref(), *reading)
        }
        (Want::Curve { file, span, mask }, FigureValue::Curve(found)) => along(
            expectation,
            &of_case(file, case),
            *span,
            mask,
            found,
            stored,
        ),
        (Want::Sound { file, span }, FigureValue::Sound(clip)) => {
            heard(expectation, &of_case(file, case), *span, clip, stored)
        }
        (Want::Fingerprint { bands, envelope }, FigureValue::Sound(clip)) => {
            levels(expectation, bands.as_ref(), envelope.as_ref(), clip)
        }
        _ => unreachable!("the reader lets only what fits go together"),
    }
}

/// A file's name with `{case}` filled in: letters, digits and `._+=-` stay, anything else
/// becomes `_`.
pub fn of_case(file: &str, case: &str) -> String {
    let fits = |c: char| c.is_ascii_alphanumeric() || "._+=-".contains(c);
    let plain: String = case
        .replace(", ", "-")
        .chars()
        .map(|c| if fits(c) { c } else { '_' })
        .collect();
    file.replace("{case}", &plain)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_case_fits_a_file_name() {
        assert_eq!(
            of_case("a.{case}.csv", "VOLUME=5, X1.R5=4k7 Ω"),
            "a.VOLUME=5-X1.R5=4k7__.csv"
        );
    }
}
