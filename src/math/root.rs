//! A root of one function of one number, between two places where its sign differs.
//!
//! Source: R. P. Brent, "Algorithms for Minimization without Derivatives", Prentice-Hall 1973,
//! chapter 4 (from memory): inverse quadratic interpolation and the secant where they keep
//! within the bracket and close it fast enough, halving where they do not.

/// Evaluations at most; halving alone needs about 60.
const MOST: usize = 200;

/// The place and the value there, at most `settled` from zero or at the last place that the
/// bracket can tell apart. `a` and `b` are places with their values, of opposite sign.
///
/// # Errors
/// Those of `f`.
pub fn find<E>(
    mut f: impl FnMut(f64) -> Result<f64, E>,
    a: (f64, f64),
    b: (f64, f64),
    settled: f64,
) -> Result<(f64, f64), E> {
    let (mut a, mut b) = (a, b);
    if a.1.abs() < b.1.abs() {
        std::mem::swap(&mut a, &mut b);
    }
    // b is the best place so far, c the one before, d the one before that.
    let (mut c, mut d) = (a, a.0);
    let mut halved = true;
    for _ in 0..MOST {
        let close = 4.0 * f64::EPSILON * b.0.abs().max(f64::MIN_POSITIVE);
        if b.1.abs() <= settled || (b.0 - a.0).abs() <= close {
            break;
        }
        let mut next = if a.1 != c.1 && b.1 != c.1 {
            a.0 * b.1 * c.1 / ((a.1 - b.1) * (a.1 - c.1))
                + b.0 * a.1 * c.1 / ((b.1 - a.1) * (b.1 - c.1))
                + c.0 * a.1 * b.1 / ((c.1 - a.1) * (c.1 - b.1))
        } else {
            b.0 - b.1 * (b.0 - a.0) / (b.1 - a.1)
        };
        let quarter = 0.25 * (3.0 * a.0 + b.0);
        let within = (next > quarter.min(b.0)) && (next < quarter.max(b.0));
        let before = if halved {
            (b.0 - c.0).abs()
        } else {
            (c.0 - d).abs()
        };
        halved = !within || (next - b.0).abs() >= 0.5 * before || before < close;
        if halved {
            next = 0.5 * (a.0 + b.0);
        }
        let value = f(next)?;
        d = c.0;
        c = b;
        if (a.1 < 0.0) == (value < 0.0) {
            a = (next, value);
        } else {
            b = (next, value);
        }
        if a.1.abs() < b.1.abs() {
            std::mem::swap(&mut a, &mut b);
        }
    }
    Ok(b)
}

#[cfg(test)]
mod tests {
    use super::find;

    /// The root between two places, and how often the function was asked.
    fn root(f: impl Fn(f64) -> f64, a: f64, b: f64) -> (f64, usize) {
        let mut asked = 0;
        let counted = |x: f64| {
            asked += 1;
            Ok::<f64, ()>(f(x))
        };
        let (x, _) = find(counted, (a, f(a)), (b, f(b)), 0.0).expect("no failure");
        (x, asked)
    }

    #[test]
    fn known_roots_are_found_to_the_last_digits() {
        type Function = fn(f64) -> f64;
        let cases: [(Function, f64, f64, f64); 4] = [
            (|x| x * x - 2.0, 0.0, 2.0, 2f64.sqrt()),
            (|x| x.cos() - x, 0.0, 1.0, 0.739_085_133_215_160_6),
            (|x| x.exp() - 5.0, -10.0, 10.0, 5f64.ln()),
            (|x| (x - 1.0).powi(3), -3.0, 10.0, 1.0),
        ];
        for (f, a, b, exact) in cases {
            let (x, asked) = root(f, a, b);
            let error = (x - exact).abs();
            // A triple root is only told apart to the cube root of a rounding.
            assert!(error < 1e-14 || f(x).abs() < 1e-15, "{x} for {exact}");
            assert!(asked < 130, "{asked}");
        }
    }

    #[test]
    fn smooth_functions_take_few_evaluations() {
        assert!(root(|x| x.exp() - 5.0, 0.0, 3.0).1 < 15);
    }

    #[test]
    fn a_jump_is_closed_in_on() {
        let (x, asked) = root(|x| if x < 0.3 { -1.0 } else { 1.0 }, 0.0, 1.0);
        assert!((x - 0.3).abs() < 1e-14 && asked < 120, "{x} {asked}");
    }

    #[test]
    fn a_failure_is_passed_on() {
        let failed = find(|_| Err("no"), (0.0, -1.0), (1.0, 1.0), 0.0);
        assert_eq!(failed, Err("no"));
    }
}
