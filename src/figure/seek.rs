//! The value of one element that brings a figure to a target.

use crate::math::fun;
use crate::math::root;

/// How the search moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scale {
    /// By ratios, for what is always more than zero: ohms, farads, henries.
    Ratios,
    /// By differences of either sign: volts, amperes.
    Differences,
    /// Between two ends: a knob.
    Between(f64, f64),
}

/// Ratios and differences are tried up to these multiples of the start.
const FARTHEST: f64 = 1e4;
/// Ratio of one place tried to the next: twelve a decade, so that a figure that rises and
/// falls within an octave is not jumped over.
const RATIO_STEPS: f64 = 12.0;
/// A knob is tried at this many places between its ends.
const BETWEEN_STEPS: f64 = 40.0;
/// A figure is at its target within this part of it.
const SETTLED: f64 = 1e-10;

/// What the search came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outcome {
    /// The value, the figure there, and how often the figure was measured.
    Found {
        /// The value.
        value: f64,
        /// The figure there.
        figure: f64,
        /// Measurements.
        measured: usize,
    },
    /// The figure jumps over the target at this value: its last measurements on both sides.
    Jumps {
        /// The value.
        value: f64,
        /// The figure nearest to the target.
        figure: f64,
    },
    /// No value tried reaches it.
    OutOfReach {
        /// The least value with a solution that was tried.
        from: f64,
        /// The greatest.
        to: f64,
        /// The least figure among them and where.
        lowest: (f64, f64),
        /// The greatest figure among them and where.
        highest: (f64, f64),
    },
}

/// Seeks the value at which `measure` gives `target`, nearest to `start` first. A value at
/// which there is no figure (`None`: the circuit has no solution there) ends the search on its
/// side.
///
/// # Errors
/// Those of `measure`, and its failure at `start` itself as `None` within `Ok`.
pub fn seek<E>(
    mut measure: impl FnMut(f64) -> Result<Option<f64>, E>,
    start: f64,
    scale: Scale,
    target: f64,
) -> Result<Option<Outcome>, E> {
    let mut tried: Vec<(f64, f64)> = Vec::new();
    let mut at = |value: f64, tried: &mut Vec<(f64, f64)>| -> Result<Option<f64>, E> {
        let figure = measure(value)?.filter(|f| f.is_finite());
        if let Some(figure) = figure {
            tried.push((value, figure));
        }
        Ok(figure)
    };
    let Some(first) = at(start, &mut tried)? else {
        return Ok(None);
    };
    let settled = SETTLED * target.abs().max(1e-6 * first.abs());
    if (first - target).abs() <= settled {
        return Ok(Some(Outcome::Found {
            value: start,
            figure: first,
            measured: 1,
        }));
    }
    // Outwards on both sides in turn.
    let mut ends = [Some((start, first)), Some((start, first))];
    let mut bracket = None;
    let mut n = 0;
    while bracket.is_none() && ends.iter().any(Option::is_some) {
        n += 1;
        for (side, end) in ends.iter_mut().enumerate() {
            let Some(last) = *end else { continue };
            let place = place(start, scale, n, side == 1).filter(|&p| p != last.0);
            let figure = match place {
                Some(place) => at(place, &mut tried)?.map(|f| (place, f)),
                None => None,
            };
            if let Some(next) = figure
                && (next.1 - target) * (last.1 - target) <= 0.0
            {
                bracket = Some((last, next));
                break;
            }
            *end = figure;
        }
    }
    let Some((a, b)) = bracket else {
        tried.sort_by(|a, b| a.0.total_cmp(&b.0));
        let least = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let (lowest, highest) = (tried.iter().min_by(least), tried.iter().max_by(least));
        return Ok(Some(Outcome::OutOfReach {
            from: tried[0].0,
            to: tried[tried.len() - 1].0,
            lowest: *lowest.expect("the start was measured"),
            highest: *highest.expect("the start was measured"),
        }));
    };
    let found = root::find(
        |value| match at(value, &mut tried) {
            Ok(Some(figure)) => Ok(figure - target),
            Ok(None) => Err(None),
            Err(e) => Err(Some(e)),
        },
        (a.0, a.1 - target),
        (b.0, b.1 - target),
        settled,
    );
    let (value, off) = match found {
        Ok(found) => found,
        // No solution between two values that have one: nothing can be said.
        Err(None) => return Ok(None),
        Err(Some(e)) => return Err(e),
    };
    let span = (b.1 - a.1).abs();
    let figure = off + target;
    // At the last digits of the value a smooth figure is nearly there; a jump is not.
    Ok(Some(if off.abs() > 1e-6 * span.max(target.abs()) {
        Outcome::Jumps { value, figure }
    } else {
        Outcome::Found {
            value,
            figure,
            measured: tried.len(),
        }
    }))
}

/// The n-th place on one side of the start; none beyond the farthest.
fn place(start: f64, scale: Scale, n: usize, up: bool) -> Option<f64> {
    let n = n as f64;
    let sign = if up { 1.0 } else { -1.0 };
    match scale {
        Scale::Ratios => {
            let ratio = fun::pow(10.0, n / RATIO_STEPS);
            (ratio <= FARTHEST * 1.000_001).then(|| if up { start * ratio } else { start / ratio })
        }
        Scale::Differences => {
            let unit = if start == 0.0 { 1.0 } else { start.abs() };
            // A twentieth at first, then wider and wider.
            let far = fun::pow(10.0, n / RATIO_STEPS) - 1.0;
            (far <= FARTHEST).then_some(start + sign * 0.25 * unit * far)
        }
        Scale::Between(low, high) => {
            let step = (high - low) / BETWEEN_STEPS;
            let place = (start + sign * n * step).clamp(low, high);
            let before = start + sign * (n - 1.0) * step;
            (low..=high).contains(&before).then_some(place)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(f: impl Fn(f64) -> Option<f64>, start: f64, scale: Scale, target: f64) -> Outcome {
        let outcome = seek(|x| Ok::<_, ()>(f(x)), start, scale, target);
        outcome.expect("no failure").expect("a figure at the start")
    }

    fn value(outcome: Outcome) -> f64 {
        match outcome {
            Outcome::Found { value, .. } => value,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn dividers_sources_and_knobs_are_solved() {
        // 100 V over 10 k and R: 25 V at R = 10 k / 3.
        let divider = |r: f64| Some(100.0 * r / (r + 10e3));
        let r = value(found(divider, 1e3, Scale::Ratios, 25.0));
        assert!((r / (10e3 / 3.0) - 1.0).abs() < 1e-9, "{r}");
        let v = value(found(|v| Some(2.0 * v), -40.0, Scale::Differences, 7.0));
        assert!((v - 3.5).abs() < 1e-9, "{v}");
        let v = value(found(|v| Some(2.0 * v), 0.0, Scale::Differences, -300.0));
        assert!((v + 150.0).abs() < 1e-7, "{v}");
        let k = value(found(|k| Some(k * k), 9.9, Scale::Between(0.0, 10.0), 2.0));
        assert!((k - 2f64.sqrt()).abs() < 1e-9, "{k}");
        let end = value(found(Some, 5.1, Scale::Between(0.0, 10.0), 10.0));
        assert_eq!(end, 10.0);
    }

    #[test]
    fn the_root_nearest_to_the_start_is_taken() {
        let hill = |r: f64| Some(-(r.log10() - 3.0).powi(2));
        let r = value(found(hill, 2e3, Scale::Ratios, -0.25));
        assert!((r.log10() - 3.5).abs() < 1e-6, "{r}");
    }

    #[test]
    fn what_cannot_be_reached_is_told_with_its_range() {
        let outcome = found(|r| Some(r / (r + 1.0)), 1.0, Scale::Ratios, 2.0);
        let Outcome::OutOfReach {
            from, to, highest, ..
        } = outcome
        else {
            panic!("{outcome:?}");
        };
        assert!((from - 1e-4).abs() < 1e-9 && (to - 1e4).abs() < 1e-3);
        assert!((highest.1 - 1e4 / (1e4 + 1.0)).abs() < 1e-9);
    }

    #[test]
    fn a_jump_is_no_solution() {
        let step = |v: f64| Some(if v < 0.3 { 0.0 } else { 1.0 });
        let outcome = found(step, 1.0, Scale::Between(0.0, 10.0), 0.5);
        assert!(matches!(outcome, Outcome::Jumps { value, .. } if (value - 0.3).abs() < 1e-9));
    }

    #[test]
    fn where_there_is_no_figure_the_search_turns() {
        let half = |r: f64| (r < 2.0).then_some(r);
        let outcome = found(half, 1.0, Scale::Ratios, 3.0);
        assert!(matches!(outcome, Outcome::OutOfReach { to, .. } if to < 2.0));
        let nothing = seek(|_| Ok::<_, ()>(None), 1.0, Scale::Ratios, 3.0);
        assert_eq!(nothing, Ok(None));
    }
}
