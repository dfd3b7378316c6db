//! `--level`: levels one by one and sweeps.

use super::super::failure::Failure;
use super::super::guards::Guards;
use crate::limits::Bound;
use crate::math::fun;
use crate::num::{self, Role};

/// Levels of a sweep in each decade, unless said.
const PER_DECADE: f64 = 10.0;

/// `V`, `FROM..TO` or `FROM..TO/N`, with commas between.
pub fn parse(text: &str, guards: &Guards) -> Result<Vec<f64>, Failure> {
    let mut levels = Vec::new();
    let enough = |count: f64| {
        guards.within(Bound::Values, count, |count, most| {
            format!("`--level` asks for {count} levels, at most {most} are measured")
        })
    };
    for word in text.split(',').map(str::trim) {
        let bad = |why: &str| {
            Failure::usage(format!("`--level {text}`: `{word}` {why}")).hint(
                "expected peaks of more than zero with commas between, as in 0.1,0.2; \
                 10m..1 for ten a decade, 10m..1/21 for 21 in equal ratios",
            )
        };
        let number = |text: &str| {
            let (value, _) = num::parse_value(text.trim(), Role::Voltage)
                .map_err(|why| bad(&format!("is {why}")))?;
            if value > 0.0 && value.is_finite() {
                Ok(value)
            } else {
                Err(bad("is not more than zero"))
            }
        };
        let Some((from, rest)) = word.split_once("..") else {
            levels.push(number(word)?);
            continue;
        };
        let (to, count) = match rest.split_once('/') {
            Some((to, count)) => {
                let count: usize = count
                    .trim()
                    .parse()
                    .map_err(|_| bad("has no whole number of levels"))?;
                (number(to)?, Some(count))
            }
            None => (number(rest)?, None),
        };
        let from = number(from)?;
        if to <= from {
            return Err(bad("does not run upwards"));
        }
        let decades = fun::log10(to / from);
        let count = count.unwrap_or((decades * PER_DECADE - 1e-9).ceil() as usize + 1);
        if count < 2 {
            return Err(bad("asks for fewer than 2 levels"));
        }
        enough(count as f64)?;
        let last = (count - 1) as f64;
        levels.extend((0..count).map(|k| {
            if k + 1 == count {
                to
            } else {
                from * fun::pow(to / from, k as f64 / last)
            }
        }));
    }
    enough(levels.len() as f64)?;
    Ok(levels)
}

/// Levels of a plot in each decade: each costs a steady state.
const DRAWN_PER_DECADE: f64 = 5.0;
/// And levels that it fills in, at most.
const FILLED: usize = 12;

/// Levels that fill the gaps between others for a plot, so that its curves are curves; coarser
/// where that would be many. None if there is only one level.
pub fn between(levels: &[f64]) -> Vec<f64> {
    let mut all = levels.to_vec();
    all.sort_by(f64::total_cmp);
    all.dedup();
    let (Some(&low), Some(&high)) = (all.first(), all.last()) else {
        return Vec::new();
    };
    let decades = fun::log10(high / low);
    let step = (1.0 / DRAWN_PER_DECADE).max(decades / FILLED as f64);
    let gaps = all.windows(2).flat_map(|pair| {
        let wide = fun::log10(pair[1] / pair[0]);
        let pieces = (wide / step - 1e-6).ceil().max(1.0);
        let at = move |k: usize| pair[0] * fun::pow(10.0, wide * k as f64 / pieces);
        (1..pieces as usize).map(at)
    });
    gaps.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_come_singly_and_in_sweeps() {
        let parsed = |text: &str| {
            parse(text, &Guards::default()).unwrap_or_else(|f| panic!("{}", f.message()))
        };
        assert_eq!(parsed("100m, 2,0.5"), [0.1, 2.0, 0.5]);
        let sweep = parsed("10m..1");
        assert_eq!(sweep.len(), 21);
        assert_eq!((sweep[0], sweep[20]), (0.01, 1.0));
        assert!((sweep[10] - 0.1).abs() < 1e-15);
        let three = parsed("1..4/3,7");
        assert!((three[1] - 2.0).abs() < 1e-15);
        assert_eq!((three[0], three[2], three[3]), (1.0, 4.0, 7.0));
    }

    #[test]
    fn gaps_of_a_plot_are_filled_and_no_more() {
        assert!(between(&[1.0]).is_empty() && between(&[]).is_empty());
        assert!(
            between(&parsed_sweep()).is_empty(),
            "a sweep is fine enough"
        );
        let filled = between(&[1.0, 0.1]);
        assert_eq!(filled.len(), 4);
        assert!(filled.iter().all(|l| (0.1..1.0).contains(l)));
        assert!(between(&[1e-6, 1.0, 1e3]).len() <= FILLED);
    }

    fn parsed_sweep() -> Vec<f64> {
        parse("10m..1", &Guards::default()).unwrap_or_default()
    }

    #[test]
    fn what_is_no_level_is_named() {
        for (text, why) in [
            ("", "is not a number"),
            ("0", "not more than zero"),
            ("1,-2", "not more than zero"),
            ("1..", "is not a number"),
            ("2..1", "does not run upwards"),
            ("1..2/x", "whole number"),
            ("1..2/1", "fewer than 2"),
            ("1..2/100000", "at most 1000"),
            ("nan", "is not a number"),
        ] {
            let message = parse(text, &Guards::default()).expect_err(text).message();
            assert!(message.contains(why), "{text}: {message}");
        }
    }
}
