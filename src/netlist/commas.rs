//! Decimal commas in lists of numbers, where a comma may also part two numbers: `SIN(0 0,1 1k)`
//! has four numbers by the published rules, and its writer meant three.

use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::Value;
use crate::netlist::text::Text;

/// How the numbers of a list belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Grouping {
    /// Each by itself.
    Single,
    /// Two and two, as in `PWL(0,0 1m,5)`.
    Pairs,
}

/// Warns of the first comma in a list that may be meant as a decimal point: digits stand right on
/// both sides of it, and other numbers of the list are parted by blanks alone. `i` is the text
/// from before the list.
pub(crate) fn doubt(i: Text<'_>, list: &[Value], grouping: Grouping) {
    let gaps: Vec<&str> = list
        .windows(2)
        .map(|two| i.between(two[0].span, two[1].span))
        .collect();
    let has_comma = |gap: &&str| gap.contains(',');
    let in_pairs = || {
        gaps.iter()
            .enumerate()
            .all(|(k, gap)| has_comma(gap) == (k % 2 == 0))
    };
    if gaps.iter().all(has_comma) || grouping == Grouping::Pairs && in_pairs() {
        return;
    }
    let slip = list
        .windows(2)
        .zip(&gaps)
        .find(|(two, gap)| **gap == "," && is_whole(&two[0].text) && is_fraction(&two[1].text));
    if let Some((two, _)) = slip {
        let (before, after) = (quoted(&two[0].text), quoted(&two[1].text));
        let span = two[0].span.to(two[1].span);
        i.remark(NetlistProblem::CommaInNumber { before, after }, span);
    }
}

/// What may stand before a decimal point.
fn is_whole(text: &str) -> bool {
    let digits = text.strip_prefix(['+', '-']).unwrap_or(text);
    !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit())
}

/// What may stand after a decimal point.
fn is_fraction(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_digit()) && !text.contains('.')
}
