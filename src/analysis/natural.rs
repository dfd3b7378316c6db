//! Natural frequencies of a circuit about its operating point: where (G + s C) x = 0.
//!
//! The eigenvalues of G^-1 C are -1/s. Only columns of C that hold anything count, so the
//! dense matrix is no larger than the number of places with a capacitance or inductance.
//! What looks unstable there is then found in the sparse system itself by inverse iteration;
//! rounding of a value that belongs to no natural frequency does not survive that.

use super::small_signal::SmallSignal;
use crate::math::eigen::eigenvalues;
use crate::math::fun;
use crate::math::lu::Singular;
use crate::num;
use num_complex::Complex;
use std::f64::consts::TAU;

/// Larger dense matrices are not looked at: their time grows with the third power. In [`stores`].
pub const MOST: usize = 400;
/// Growth slower than this is none, 1/s: a node that hangs in the air is no oscillator.
const SLOWEST: f64 = 1e-3;
/// Two dense values within this part of their size are one natural frequency and its mirror
/// image, or the same one twice.
const SAME: f64 = 1e-6;

/// What a circuit does when it is left alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stability {
    /// Everything dies away.
    Stable,
    /// A swing grows.
    Oscillates {
        /// At this frequency while it is small, Hz.
        freq_hz: f64,
        /// By e, N times a second.
        growth_per_s: f64,
    },
    /// It runs away to one side.
    RunsAway {
        /// By e, N times a second.
        growth_per_s: f64,
    },
    /// The circuit is too large for the answer, or has none.
    Unknown,
}

impl Stability {
    /// What an unstable circuit would do, in words.
    pub fn trouble(self) -> Option<String> {
        match self {
            Stability::Oscillates { freq_hz, .. } => Some(format!(
                "it would oscillate near {}",
                num::engineering(freq_hz, "Hz", 3)
            )),
            Stability::RunsAway { .. } => Some("it would run away from its bias point".to_string()),
            Stability::Stable | Stability::Unknown => None,
        }
    }
}

/// Whether what a period makes of a small change lies above one, rounding set aside: what nothing
/// discharges has one itself.
pub fn grows(multiplier: f64) -> bool {
    multiplier > 1.0 + 1e-6
}

fn size(z: Complex<f64>) -> f64 {
    fun::hypot(z.re, z.im)
}

/// The fastest growth that the circuit allows. What is slower than the mains' cycle about which it
/// was made linear is judged by the cycle's multiplier, if that is known: there an average says
/// little.
pub fn stability(small: &mut SmallSignal) -> Stability {
    let cycle = small.cycle;
    let slowest = cycle.map_or(0.0, |(mains_hz, _)| TAU * mains_hz);
    let Some(worst) = growing(small, slowest) else {
        return Stability::Unknown;
    };
    match (worst, cycle) {
        (None, Some((mains_hz, Some(multiplier)))) if grows(size(multiplier)) => {
            let turned = fun::atan2(multiplier.im, multiplier.re);
            let grown = fun::ln(size(multiplier));
            judged(Some(mains_hz * Complex::new(grown, turned)))
        }
        _ => judged(worst),
    }
}

fn judged(worst: Option<Complex<f64>>) -> Stability {
    match worst {
        None => Stability::Stable,
        Some(s) if s.im.abs() > 1e-6 * s.re => Stability::Oscillates {
            freq_hz: s.im.abs() / TAU,
            growth_per_s: s.re,
        },
        Some(s) => Stability::RunsAway { growth_per_s: s.re },
    }
}

/// The natural frequency with the fastest growth, rad/s, if any grows at `slowest`, rad/s, or faster;
/// none if that cannot be told.
fn growing(small: &mut SmallSignal, slowest: f64) -> Option<Option<Complex<f64>>> {
    let candidates = candidates(small).ok()??;
    let mut worst: Option<Complex<f64>> = None;
    for guess in candidates {
        let Some(s) = refined(small, guess) else {
            continue;
        };
        let grows = s.re > SLOWEST.max(1e-9 * s.im.abs());
        if grows && size(s) >= slowest && worst.is_none_or(|w| s.re > w.re) {
            worst = Some(s);
        }
    }
    Some(worst)
}

/// Each column of C: the rows in which it holds something, and what.
fn columns(small: &SmallSignal) -> Vec<Vec<(usize, f64)>> {
    let (indptr, indices, _, c) = small.matrices();
    let n = indptr.len() - 1;
    let mut columns: Vec<Vec<(usize, f64)>> = vec![Vec::new(); n];
    for row in 0..n {
        for e in indptr[row]..indptr[row + 1] {
            if c[e] != 0.0 {
                columns[indices[e]].push((row, c[e]));
            }
        }
    }
    columns
}

/// Unknowns that a capacitance or inductance stores energy by.
pub fn stores(small: &SmallSignal) -> usize {
    columns(small).iter().filter(|c| !c.is_empty()).count()
}

/// What the dense matrix says may grow, rad/s, mirrored into the upper half plane.
///
/// The steps that find the values are complex, so a real one comes back with an imaginary part of
/// rounding size, on either side. Nothing is judged by that sign: an amplifier that ran away was
/// once called stable because its only growing value had come out just below the axis.
fn candidates(small: &mut SmallSignal) -> Result<Option<Vec<Complex<f64>>>, Singular> {
    let columns = columns(small);
    let n = columns.len();
    let stored: Vec<usize> = (0..n).filter(|&k| !columns[k].is_empty()).collect();
    let size = stored.len();
    if size > MOST {
        return Ok(None);
    }
    let mut dense = vec![0.0; size * size];
    let mut right = vec![Complex::default(); n];
    let mut at = small.at(0.0)?;
    for (j, &column) in stored.iter().enumerate() {
        right.fill(Complex::default());
        for &(row, value) in &columns[column] {
            right[row].re += value;
        }
        let x = at.solve_for(&right);
        for (i, &row) in stored.iter().enumerate() {
            dense[i * size + j] = x[row].re;
        }
    }
    let Some(values) = eigenvalues(size, &dense) else {
        return Ok(None);
    };
    Ok(Some(upper_half(values)))
}

/// Natural frequencies -1/m that may grow, one of each pair.
fn upper_half(values: Vec<Complex<f64>>) -> Vec<Complex<f64>> {
    let largest = values.iter().map(|m| m.l1_norm()).fold(0.0, f64::max);
    let mut found: Vec<Complex<f64>> = Vec::new();
    for m in values.into_iter().filter(|m| m.l1_norm() > 1e-17 * largest) {
        let s = -m.inv();
        let s = Complex::new(s.re, s.im.abs());
        // A little into the stable half, for the dense values are rounded.
        let may_grow = s.re > -1e-3 * s.im;
        let known = |f: &Complex<f64>| (f - s).l1_norm() <= SAME * s.l1_norm();
        if may_grow && !found.iter().any(known) {
            found.push(s);
        }
    }
    found
}

/// The natural frequency that inverse iteration finds from a guess: near it, or elsewhere if two
/// starts agree on it (the dense value was poor, the growth is real); none if there is none.
fn refined(small: &mut SmallSignal, guess: Complex<f64>) -> Option<Complex<f64>> {
    let first = iterated(small, guess, 7)?;
    if (first - guess).l1_norm() < 0.1 * guess.l1_norm() {
        return Some(first);
    }
    let again = iterated(small, guess, 5)?;
    ((first - again).l1_norm() <= SAME * first.l1_norm()).then_some(first)
}

/// Inverse iteration with the shift of Rayleigh's quotient; none if it does not settle. `odd`
/// makes the start.
fn iterated(small: &mut SmallSignal, guess: Complex<f64>, odd: usize) -> Option<Complex<f64>> {
    let n = small.unknowns().len();
    // No symmetry that a mode could be blind to.
    let mut x: Vec<Complex<f64>> = (0..n)
        .map(|k| Complex::new(1.0, 0.3 + 0.1 * (k % odd) as f64))
        .collect();
    // Off the guess by a hair: exactly there the matrix may have no inverse.
    let mut s = guess * (1.0 + 1e-7);
    let mut settled = 0;
    for round in 0..30 {
        let Ok(mut at) = small.at_s(s) else {
            return Some(s);
        };
        let before = x.clone();
        at.iterate(&mut x);
        let overlap: Complex<f64> = before.iter().zip(&x).map(|(b, z)| b.conj() * z).sum();
        let size: f64 = before.iter().map(|b| b.norm_sqr()).sum();
        let mu = overlap / size;
        let length = x.iter().map(|z| z.norm_sqr()).sum::<f64>().sqrt();
        if length.is_nan() || length <= 0.0 || length.is_infinite() {
            return None;
        }
        x.iter_mut().for_each(|z| *z /= length);
        let next = s - mu.inv();
        if !(next.re.is_finite() && next.im.is_finite()) {
            return None;
        }
        let moved = (next - s).l1_norm();
        // First the vector is let find its direction with the shift left where it is.
        if round < 2 {
            continue;
        }
        if moved <= 1e-9 * next.l1_norm() {
            settled += 1;
            if settled == 2 {
                return Some(next);
            }
        }
        s = next;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::operating_point;
    use crate::circuit::Circuit;

    fn of(text: &str) -> Stability {
        let circuit = Circuit::from_text(text).unwrap();
        let (point, mut assembly) = operating_point::dc(&circuit).unwrap();
        stability(&mut SmallSignal::new(&mut assembly, &point.x))
    }

    /// Three equal buffered RC sections round an inverter of gain K: (1 + sRC)^3 = -K, so
    /// s RC = K^(1/3) e^(+-i pi/3) - 1: it grows from K = 8 on, at w = sqrt 3 K^(1/3)/(2 RC).
    #[test]
    fn a_phase_shifter_grows_from_eight_on() {
        let ring = |k: f64| {
            format!(
                "t\nE1 a 0 0 d {k}\nR1 a b 10k\nC1 b 0 1n\nE2 b2 0 b 0 1\nR2 b2 c 10k\nC2 c 0 1n\n\
                 E3 c2 0 c 0 1\nR3 c2 d 10k\nC3 d 0 1n\n"
            )
        };
        assert_eq!(of(&ring(7.99)), Stability::Stable);
        for k in [8.01f64, 64.0] {
            let root = k.cbrt();
            let Stability::Oscillates {
                freq_hz,
                growth_per_s,
            } = of(&ring(k))
            else {
                panic!("{k} is unstable");
            };
            let expected = 3f64.sqrt() / 2.0 * root / 1e-5 / TAU;
            assert!(
                (freq_hz / expected - 1.0).abs() < 1e-9,
                "{freq_hz} {expected}"
            );
            let expected = (0.5 * root - 1.0) / 1e-5;
            assert!(
                (growth_per_s / expected - 1.0).abs() < 1e-6,
                "{growth_per_s}"
            );
        }
    }

    /// The sign of an imaginary part of rounding size decides nothing.
    #[test]
    fn a_real_root_just_below_the_axis_is_kept() {
        let z = Complex::new;
        // m = -1/s: a real growing value on either side of the axis, a growing pair, a stable one.
        let found = upper_half(vec![
            z(-1e-3, 3e-20),
            z(-1e-5, -2e-22),
            z(-1e-4, 2e-4),
            z(-1e-4, -2e-4),
            z(1e-2, 0.0),
        ]);
        assert_eq!(found.len(), 3, "{found:?}");
        let real: Vec<f64> = found.iter().map(|s| s.re).collect();
        assert!((real[0] - 1e3).abs() < 1e-6 && (real[1] - 1e5).abs() < 1e-4);
        assert!((found[2] - z(2e3, 4e3)).l1_norm() < 1e-6, "{found:?}");
        let below = upper_half(vec![z(-1e-3, -3e-20)]);
        assert_eq!(below.len(), 1, "{below:?}");
    }

    /// Twin sections whose feedback makes one real root grow among many that do not: whatever the
    /// order in which the values come out, the growth is found.
    #[test]
    fn a_growing_real_root_is_found_at_every_gain() {
        for k in 0..48 {
            let gain = 1.05 + 0.35 * f64::from(k);
            let text = format!(
                "t\nE1 a 0 d 0 {gain}\nR1 a b 10k\nC1 b 0 1n\nR2 b c 47k\nC2 c 0 4.7n\n\
                 R3 c d 100k\nC3 d 0 220p\nC4 b d 33p\nR4 a x 1k\nC5 x 0 10u\nL1 x y 3\n\
                 R5 y 0 8\nC6 y a 100n\n"
            );
            let found = of(&text);
            assert!(
                matches!(found, Stability::RunsAway { .. }),
                "{gain}: {found:?}"
            );
        }
    }

    #[test]
    fn passive_and_odd_circuits_are_judged_too() {
        let ring =
            "t\nV1 a 0 1\nR1 a b 1\nL1 b c 1m\nC1 c 0 1u\nC2 a 0 1u\nC3 c d 1n\nR2 d 0 1meg\n";
        assert_eq!(of(ring), Stability::Stable);
        assert_eq!(of("t\nV1 a 0 1\nR1 a 0 1\n"), Stability::Stable);
        // A negative resistance across a capacitor: 1/(RC) to one side.
        let away = of("t\nC1 a 0 1u\nR1 a 0 -1k\n");
        let Stability::RunsAway { growth_per_s } = away else {
            panic!("{away:?}");
        };
        assert!((growth_per_s - 1e3).abs() < 1e-6);
    }
}
