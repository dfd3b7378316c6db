//! Which part causes how much of a figure's variance.
//!
//! Two ways. [`Straight`] is had from the runs themselves: the figure as a straight line in all
//! independent numbers, by least squares. A part's share is what its slopes make of the variance;
//! what no line explains (curvature, and parts that act together) is reported as a rest, so the
//! total share of any part lies between its own and its own with the rest. [`Exact`] takes runs
//! of its own, N (p + 2) for p parts, and gives first-order and total indices (I. M. Sobol',
//! Math. Comput. Simulation 55, 2001, p. 271) by the estimators of A. Saltelli and others,
//! Comput. Phys. Commun. 181, 2010, p. 259, table 2 (b) and (f), the latter of M. J. W. Jansen.

use super::list::{Shape, Variables};
use crate::math::normal;

/// A share of the variance with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// 0 to 1, but for chance.
    pub part: f64,
    /// Its standard error.
    pub error: f64,
}

/// Least squares on the runs themselves, for several figures.
#[derive(Debug, Clone)]
pub struct Straight {
    /// For each independent number, whether it stands for a normal one.
    is_normal: Vec<bool>,
    n: usize,
    /// Sums of products of the numbers, one row after the other, and a last one of ones; for runs
    /// that have every figure.
    products: Vec<f64>,
    /// For each figure: sums with the numbers, and of the figure and its square.
    figures: Vec<Vec<f64>>,
    squares: Vec<f64>,
    /// What is taken off each figure before it is summed up: its first value.
    about: Vec<f64>,
    count: u64,
    row: Vec<f64>,
}

impl Straight {
    /// For N figures of these variables.
    pub fn new(variables: &Variables, shape: Shape, figures: usize) -> Self {
        let n = variables.draws.len();
        let mut is_normal = vec![shape == Shape::Normal; n];
        for (own, bottle) in variables
            .all
            .iter()
            .filter_map(|v| Some((v.own, v.shared?.0)))
        {
            is_normal[own] = true;
            is_normal[bottle] = true;
        }
        Straight {
            is_normal,
            n,
            products: vec![0.0; (n + 1) * (n + 1)],
            figures: vec![vec![0.0; n + 1]; figures],
            squares: vec![0.0; figures],
            about: vec![f64::NAN; figures],
            count: 0,
            row: vec![1.0; n + 1],
        }
    }

    /// Takes a run in: its independent numbers and figures. A run that lacks one is left out.
    pub fn add(&mut self, numbers: &[f64], figures: &[Option<f64>]) {
        if figures.iter().any(|f| f.is_none_or(|f| !f.is_finite())) {
            return;
        }
        self.count += 1;
        let width = self.n + 1;
        for (k, number) in numbers.iter().enumerate().take(self.n) {
            self.row[k] = if self.is_normal[k] {
                normal::quantile(*number)
            } else {
                (number - 0.5) * 12f64.sqrt()
            };
        }
        for i in 0..width {
            let x = self.row[i];
            let to = &mut self.products[i * width + i..(i + 1) * width];
            for (to, y) in to.iter_mut().zip(&self.row[i..]) {
                *to += x * y;
            }
        }
        for (k, figure) in figures.iter().enumerate() {
            let Some(figure) = *figure else { continue };
            if self.about[k].is_nan() {
                self.about[k] = figure;
            }
            let figure = figure - self.about[k];
            self.squares[k] += figure * figure;
            for (to, x) in self.figures[k].iter_mut().zip(&self.row) {
                *to += figure * x;
            }
        }
    }

    /// For each figure, the share of each part (`part_of_draw`), and the rest that no line explains.
    /// None with fewer than two runs for each number: a line would fit anything.
    pub fn shares(&self, part_of_draw: &[usize], parts: usize) -> Option<Vec<(Vec<Share>, Share)>> {
        let (n, width) = (self.n, self.n + 1);
        if self.count < 2 * width as u64 {
            return None;
        }
        // Both sides of the matrix, and its inverse for the errors.
        let mut inverse = vec![0.0; width * width];
        for i in 0..width {
            for j in 0..width {
                let (a, b) = (i.min(j), i.max(j));
                inverse[i * width + j] = self.products[a * width + b];
            }
        }
        invert(&mut inverse, width)?;
        let count = self.count as f64;
        let of_figure = |(sums, squares): (&Vec<f64>, &f64)| {
            let mean = sums[n] / count;
            let variance = (squares / count - mean * mean) * count / (count - 1.0);
            let slope = |i: usize| -> f64 {
                let row = &inverse[i * width..(i + 1) * width];
                row.iter().zip(sums).map(|(a, b)| a * b).sum()
            };
            let slopes: Vec<f64> = (0..width).map(slope).collect();
            let explained: f64 = slopes.iter().zip(sums).map(|(b, s)| b * s).sum();
            let left = ((squares - explained) / (count - width as f64)).max(0.0);
            let mut shares = vec![
                Share {
                    part: 0.0,
                    error: 0.0
                };
                parts
            ];
            if variance <= 0.0 {
                return (shares.clone(), shares.pop().expect("one more"));
            }
            let mut straight = 0.0;
            for k in 0..n {
                let own = left * inverse[k * width + k];
                // The number's own variance, as it came out; a slope's square is too large by its own.
                let mean = self.products[k * width + n] / count;
                let came_out = self.products[k * width + k] / count - mean * mean;
                let part = (slopes[k] * slopes[k] - own) * came_out / variance;
                let share = &mut shares[part_of_draw[k]];
                share.part += part;
                // Of a square whose root is off by the slope's error.
                let error = 4.0 * slopes[k] * slopes[k] * own + 2.0 * own * own;
                share.error += error / (variance * variance);
                straight += part;
            }
            let mut errors = 0.0;
            for share in &mut shares {
                // What the others add to the variance is estimated as well.
                let others = share.part * (1.0 - share.part);
                share.error += 4.0 * others * others / count;
                errors += share.error;
                share.error = share.error.sqrt();
            }
            let rest = Share {
                part: (1.0 - straight).max(0.0),
                error: errors.sqrt(),
            };
            (shares, rest)
        };
        Some(
            self.figures
                .iter()
                .zip(&self.squares)
                .map(of_figure)
                .collect(),
        )
    }
}

/// Inverts a matrix in place by Gauss and Jordan, whole rows for pivots.
fn invert(a: &mut [f64], n: usize) -> Option<()> {
    let mut b = vec![0.0; n * n];
    (0..n).for_each(|k| b[k * n + k] = 1.0);
    for k in 0..n {
        let best = (k..n).max_by(|&i, &j| a[i * n + k].abs().total_cmp(&a[j * n + k].abs()))?;
        if a[best * n + k].abs() < 1e-12 * a.len() as f64 {
            return None;
        }
        for c in 0..n {
            a.swap(k * n + c, best * n + c);
            b.swap(k * n + c, best * n + c);
        }
        let per = 1.0 / a[k * n + k];
        for c in 0..n {
            a[k * n + c] *= per;
            b[k * n + c] *= per;
        }
        for r in (0..n).filter(|&r| r != k) {
            let factor = a[r * n + k];
            if factor == 0.0 {
                continue;
            }
            for c in 0..n {
                a[r * n + c] -= factor * a[k * n + c];
                b[r * n + c] -= factor * b[k * n + c];
            }
        }
    }
    a.copy_from_slice(&b);
    Some(())
}

/// First-order and total indices of several figures, from runs of their own.
#[derive(Debug, Clone)]
pub struct Exact {
    parts: usize,
    figures: Vec<Sums>,
}

#[derive(Debug, Clone)]
struct Sums {
    count: f64,
    about: f64,
    /// Of the plain runs: sum and sum of squares.
    plain: (f64, f64),
    /// For each part: sums and sums of squares of both estimators' terms.
    first: Vec<(f64, f64)>,
    total: Vec<(f64, f64)>,
}

impl Exact {
    /// For N parts and figures.
    pub fn new(parts: usize, figures: usize) -> Self {
        let sums = Sums {
            count: 0.0,
            about: f64::NAN,
            plain: (0.0, 0.0),
            first: vec![(0.0, 0.0); parts],
            total: vec![(0.0, 0.0); parts],
        };
        Exact {
            parts,
            figures: vec![sums; figures],
        }
    }

    /// The sets of numbers to be measured for one round: those of A, of B, and for each part A with
    /// that part's numbers of B.
    pub fn sets(&self, a: &[f64], b: &[f64], part_of_draw: &[usize]) -> Vec<Vec<f64>> {
        let mixed = (0..self.parts).map(|part| {
            let chosen = a.iter().zip(b).zip(part_of_draw);
            chosen
                .map(|((a, b), p)| if *p == part { *b } else { *a })
                .collect()
        });
        [a.to_vec(), b.to_vec()].into_iter().chain(mixed).collect()
    }

    /// Takes the figures of a round's sets in, `[set][figure]`. A figure that one of them lacks is
    /// left out of this round.
    pub fn add(&mut self, found: &[Vec<Option<f64>>]) {
        for (k, sums) in self.figures.iter_mut().enumerate() {
            let values: Option<Vec<f64>> = found
                .iter()
                .map(|set| set[k].filter(|v| v.is_finite()))
                .collect();
            let Some(values) = values else { continue };
            if sums.about.is_nan() {
                sums.about = values[0];
            }
            sums.count += 1.0;
            let (a, b) = (values[0] - sums.about, values[1] - sums.about);
            sums.plain.0 += a + b;
            sums.plain.1 += a * a + b * b;
            for part in 0..self.parts {
                let mixed = values[2 + part] - sums.about;
                let (first, total) = (b * (mixed - a), 0.5 * (a - mixed) * (a - mixed));
                sums.first[part].0 += first;
                sums.first[part].1 += first * first;
                sums.total[part].0 += total;
                sums.total[part].1 += total * total;
            }
        }
    }

    /// For each figure and part: first-order and total share.
    pub fn shares(&self) -> Vec<Vec<(Share, Share)>> {
        let of_figure = |sums: &Sums| {
            let n = sums.count;
            let mean = sums.plain.0 / (2.0 * n);
            let variance = (sums.plain.1 / (2.0 * n) - mean * mean) * 2.0 * n / (2.0 * n - 1.0);
            let share = |(sum, squares): (f64, f64)| {
                let term = sum / n;
                let spread = ((squares / n - term * term) / (n - 1.0)).max(0.0);
                Share {
                    part: if variance > 0.0 { term / variance } else { 0.0 },
                    error: if variance > 0.0 {
                        spread.sqrt() / variance
                    } else {
                        0.0
                    },
                }
            };
            let both = sums.first.iter().zip(&sums.total);
            both.map(|(&f, &t)| (share(f), share(t))).collect()
        };
        self.figures.iter().map(of_figure).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn chance(seed: &mut u64) -> f64 {
        // SplitMix64, for the tests alone.
        *seed = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = *seed;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (((z ^ (z >> 31)) >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    /// T. Ishigami and T. Homma, ISUMA 1990, p. 398: sin x1 + a sin^2 x2 + b x3^4 sin x1, x from
    /// -pi to pi. With a = 7, b = 0.1 the indices are 0.3139, 0.4424, 0 and in total 0.5576, 0.4424,
    /// 0.2437 (Saltelli and others, Global Sensitivity Analysis, 2008, p. 196).
    #[test]
    fn ishigamis_function_has_its_published_indices() {
        let f = |u: &[f64]| {
            let x: Vec<f64> = u.iter().map(|u| PI * (2.0 * u - 1.0)).collect();
            x[0].sin() + 7.0 * x[1].sin().powi(2) + 0.1 * x[2].powi(4) * x[0].sin()
        };
        let mut exact = Exact::new(3, 1);
        let mut seed = 1;
        for _ in 0..20_000 {
            let mut draw = || (0..3).map(|_| chance(&mut seed)).collect::<Vec<f64>>();
            let (a, b) = (draw(), draw());
            let sets = exact.sets(&a, &b, &[0, 1, 2]);
            let found: Vec<Vec<Option<f64>>> = sets.iter().map(|s| vec![Some(f(s))]).collect();
            exact.add(&found);
        }
        let shares = exact.shares().remove(0);
        let published = [(0.3139, 0.5576), (0.4424, 0.4424), (0.0, 0.2437)];
        for ((first, total), (f, t)) in shares.iter().zip(published) {
            assert!((first.part - f).abs() < 3.0 * first.error, "{first:?} {f}");
            assert!((total.part - t).abs() < 3.0 * total.error, "{total:?} {t}");
            assert!(first.error < 0.03 && total.error < 0.03);
        }
    }

    /// y = 3 x1 + 2 x2 + x1 x2 with uniform numbers of deviation one: 9/14, 4/14 and a rest of 1/14.
    #[test]
    fn a_line_has_its_shares_and_its_rest() {
        let variables = Variables {
            draws: vec!["a".into(), "b".into()],
            ..Variables::default()
        };
        let mut straight = Straight::new(&variables, Shape::Uniform, 1);
        let mut seed = 2;
        for _ in 0..20_000 {
            let u = [chance(&mut seed), chance(&mut seed)];
            let x = u.map(|u| (u - 0.5) * 12f64.sqrt());
            straight.add(&u, &[Some(3.0 * x[0] + 2.0 * x[1] + x[0] * x[1])]);
        }
        let (shares, rest) = straight.shares(&[0, 1], 2).expect("enough runs").remove(0);
        for (share, expected) in shares.iter().chain([&rest]).zip([9.0, 4.0, 1.0]) {
            let off = share.part - expected / 14.0;
            assert!(
                off.abs() < 3.0 * share.error && share.error < 0.02,
                "{share:?}"
            );
        }
    }
}
