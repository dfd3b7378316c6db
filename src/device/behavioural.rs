//! B sources: an expression of node voltages and source currents.
//!
//! Source: SPICE 3 User's Manual, University of California, Berkeley, section
//! "Non-linear dependent sources" (from memory). As published there, ln, log and
//! sqrt take the absolute value of a negative argument. `log` is base ten, `u` the
//! unit step (1 for x > 0), `uramp` the ramp (x for x > 0). Not published there: tanh, sgn (-1, 0
//! or 1), max, min and limit, with the slope of whichever argument they pass on.
//! Derivatives: reverse accumulation over the steps of the expression.
//! Overflow: exp, sinh and cosh go on in a straight line past an argument of 300;
//! a divisor nearer to zero than 1e-300 counts as that; results are kept within
//! +-1e300. So the law is finite wherever its controls are. Slopes over the controls are
//! kept within +-1e12: that of sqrt at 0 would drown all else in the matrix.

use super::law::{Answer, Law};
use crate::math::fun;

/// One step of a program; operands are earlier steps.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)] // the names say it
pub enum Operation {
    Number(f64),
    /// The n-th control value.
    Control(usize),
    Negate(usize),
    Add(usize, usize),
    Subtract(usize, usize),
    Multiply(usize, usize),
    Divide(usize, usize),
    Power(usize, usize),
    Abs(usize),
    Acos(usize),
    Acosh(usize),
    Asin(usize),
    Asinh(usize),
    Atan(usize),
    Atanh(usize),
    Cos(usize),
    Cosh(usize),
    Exp(usize),
    Ln(usize),
    Log(usize),
    Max(usize, usize),
    Min(usize, usize),
    Sgn(usize),
    Sin(usize),
    Sinh(usize),
    Sqrt(usize),
    Tan(usize),
    Tanh(usize),
    U(usize),
    Uramp(usize),
}

/// An expression as steps; the last is its value.
#[derive(Debug, Clone)]
pub struct Program {
    controls: usize,
    steps: Vec<Operation>,
}

const LARGEST: f64 = 1e300;
/// Slopes steeper than this are of no use to a linear solver.
const STEEPEST: f64 = 1e12;
const SMALLEST: f64 = 1e-300;
/// Past this argument the exponential goes on in a straight line.
const STRAIGHT: f64 = 300.0;

impl Program {
    /// Of N control values.
    ///
    /// # Panics
    /// If there are no steps.
    pub fn new(controls: usize, steps: Vec<Operation>) -> Self {
        assert!(!steps.is_empty());
        Program { controls, steps }
    }

    /// The value at `u`; its slopes are added to `slope`.
    pub fn value(&self, u: &[f64], slope: &mut [f64]) -> f64 {
        let n = self.steps.len();
        let mut small = [(0.0, 0.0, 0.0); 48];
        let mut large = Vec::new();
        // Value of each step, and its slopes over its first and second operand.
        let tape: &mut [(f64, f64, f64)] = if n <= small.len() {
            &mut small[..n]
        } else {
            large.resize(n, (0.0, 0.0, 0.0));
            &mut large
        };
        for k in 0..n {
            let (v, a, b) = step(self.steps[k], u, tape);
            tape[k] = (tame(v), tame(a), tame(b));
        }
        let mut small = [0.0; 48];
        let mut large = Vec::new();
        let weight: &mut [f64] = if n <= small.len() {
            &mut small[..n]
        } else {
            large.resize(n, 0.0);
            &mut large
        };
        weight[n - 1] = 1.0;
        for k in (0..n).rev() {
            let w = weight[k];
            let (first, second) = operands(self.steps[k]);
            if let Operation::Control(c) = self.steps[k] {
                slope[c] = tame(slope[c] + w);
            }
            if let Some(a) = first {
                weight[a] = tame(weight[a] + tame(w * tape[k].1));
            }
            if let Some(b) = second {
                weight[b] = tame(weight[b] + tame(w * tape[k].2));
            }
        }
        for s in slope {
            *s = s.clamp(-STEEPEST, STEEPEST);
        }
        tape[n - 1].0
    }

    /// Whether zero controls may be where it has no value or no slope.
    fn shuns_zero(&self) -> bool {
        use Operation::*;
        self.steps
            .iter()
            .any(|s| matches!(s, Divide(..) | Power(..) | Ln(_) | Log(_) | Sqrt(_)))
    }
}

fn tame(x: f64) -> f64 {
    if x.is_nan() {
        0.0
    } else {
        x.clamp(-LARGEST, LARGEST)
    }
}

fn operands(step: Operation) -> (Option<usize>, Option<usize>) {
    use Operation::*;
    match step {
        Number(_) | Control(_) => (None, None),
        Add(a, b)
        | Subtract(a, b)
        | Multiply(a, b)
        | Divide(a, b)
        | Power(a, b)
        | Max(a, b)
        | Min(a, b) => (Some(a), Some(b)),
        Negate(a) | Abs(a) | Acos(a) | Acosh(a) | Asin(a) | Asinh(a) | Atan(a) | Atanh(a)
        | Cos(a) | Cosh(a) | Exp(a) | Ln(a) | Log(a) | Sgn(a) | Sin(a) | Sinh(a) | Sqrt(a)
        | Tan(a) | Tanh(a) | U(a) | Uramp(a) => (Some(a), None),
    }
}

/// A step's value and its slopes over its operands.
fn step(step: Operation, u: &[f64], tape: &[(f64, f64, f64)]) -> (f64, f64, f64) {
    let v = |k: usize| tape[k].0;
    let one = |(value, slope): (f64, f64)| (value, slope, 0.0);
    match step {
        Operation::Number(x) => (x, 0.0, 0.0),
        Operation::Control(c) => (u[c], 0.0, 0.0),
        Operation::Negate(a) => (-v(a), -1.0, 0.0),
        Operation::Add(a, b) => (v(a) + v(b), 1.0, 1.0),
        Operation::Subtract(a, b) => (v(a) - v(b), 1.0, -1.0),
        Operation::Multiply(a, b) => (v(a) * v(b), v(b), v(a)),
        Operation::Divide(a, b) => {
            let d = v(b).abs().max(SMALLEST).copysign(v(b));
            (v(a) / d, 1.0 / d, -v(a) / d / d)
        }
        Operation::Power(a, b) => power(v(a), v(b)),
        Operation::Abs(a) => one((v(a).abs(), if v(a) < 0.0 { -1.0 } else { 1.0 })),
        Operation::Acos(a) => one(inside(v(a), |x| {
            (fun::acos(x), -1.0 / (1.0 - x * x).sqrt())
        })),
        Operation::Asin(a) => one(inside(v(a), |x| (fun::asin(x), 1.0 / (1.0 - x * x).sqrt()))),
        Operation::Atanh(a) => one(inside(v(a), |x| (fun::atanh(x), 1.0 / (1.0 - x * x)))),
        Operation::Acosh(a) => {
            let x = v(a).max(1.0);
            one((fun::acosh(x), 1.0 / (x * x - 1.0).max(1e-18).sqrt()))
        }
        Operation::Asinh(a) => one((fun::asinh(v(a)), 1.0 / fun::hypot(v(a), 1.0))),
        Operation::Atan(a) => one((fun::atan(v(a)), 1.0 / (1.0 + v(a) * v(a)))),
        Operation::Cos(a) => one((fun::cos(v(a)), -fun::sin(v(a)))),
        Operation::Sin(a) => one((fun::sin(v(a)), fun::cos(v(a)))),
        Operation::Tan(a) => {
            let y = fun::tan(v(a));
            one((y, 1.0 + y * y))
        }
        Operation::Tanh(a) => {
            let y = fun::tanh(v(a));
            one((y, 1.0 - y * y))
        }
        // At a corner the slope of the first.
        Operation::Max(a, b) if v(a) >= v(b) => (v(a), 1.0, 0.0),
        Operation::Min(a, b) if v(a) <= v(b) => (v(a), 1.0, 0.0),
        Operation::Max(_, b) | Operation::Min(_, b) => (v(b), 0.0, 1.0),
        Operation::Sgn(a) if v(a) == 0.0 => one((0.0, 0.0)),
        Operation::Sgn(a) => one((1f64.copysign(v(a)), 0.0)),
        Operation::Exp(a) => one(exponential(v(a))),
        Operation::Cosh(a) => {
            let ((p, dp), (m, dm)) = (exponential(v(a)), exponential(-v(a)));
            one((0.5 * (p + m), 0.5 * (dp - dm)))
        }
        Operation::Sinh(a) => {
            // Near zero the difference of exponentials would lose digits.
            if v(a).abs() < 1.0 {
                return (fun::sinh(v(a)), fun::cosh(v(a)), 0.0);
            }
            let ((p, dp), (m, dm)) = (exponential(v(a)), exponential(-v(a)));
            one((0.5 * (p - m), 0.5 * (dp + dm)))
        }
        Operation::Ln(a) => one(logarithm(v(a))),
        Operation::Log(a) => {
            let (y, d) = logarithm(v(a));
            one((y / std::f64::consts::LN_10, d / std::f64::consts::LN_10))
        }
        Operation::Sqrt(a) => {
            let y = v(a).abs().sqrt();
            one((y, 0.5f64.copysign(v(a)) / y.max(1e-150)))
        }
        Operation::U(a) => one((if v(a) > 0.0 { 1.0 } else { 0.0 }, 0.0)),
        Operation::Uramp(a) => one(if v(a) > 0.0 { (v(a), 1.0) } else { (0.0, 0.0) }),
    }
}

/// A function of -1..1: the argument is kept inside, where the slope is finite.
fn inside(x: f64, f: impl Fn(f64) -> (f64, f64)) -> (f64, f64) {
    f(x.clamp(-1.0 + 1e-15, 1.0 - 1e-15))
}

fn exponential(x: f64) -> (f64, f64) {
    if x > STRAIGHT {
        let e = fun::exp(STRAIGHT);
        (e * (1.0 + (x - STRAIGHT)), e)
    } else {
        let e = fun::exp(x);
        (e, e)
    }
}

fn logarithm(x: f64) -> (f64, f64) {
    let size = x.abs().max(SMALLEST);
    (fun::ln(size), 1.0 / size.copysign(x))
}

/// a^b with slopes; a negative base with a broken exponent takes the absolute value.
fn power(a: f64, b: f64) -> (f64, f64, f64) {
    let whole = b == b.trunc();
    let base = if whole { a } else { a.abs() };
    let value = fun::pow(base, b);
    let over_a = if b == 0.0 {
        0.0
    } else {
        let slope = b * fun::pow(base, b - 1.0);
        if whole || a >= 0.0 { slope } else { -slope }
    };
    let over_b = if a == 0.0 {
        0.0
    } else {
        value * fun::ln(a.abs().max(SMALLEST))
    };
    (value, over_a, over_b)
}

impl Law for Program {
    fn controls(&self) -> usize {
        self.controls
    }
    fn outputs(&self) -> usize {
        1
    }
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        out.i[0] = self.value(u, out.g);
    }
    fn start(&self, u: &mut [f64]) {
        if self.shuns_zero() {
            // No two alike, for their difference may be the divisor.
            for (k, u) in u.iter_mut().enumerate().filter(|(_, u)| **u == 0.0) {
                *u = 1.0 + 0.125 * k as f64;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn every_function() -> Vec<Operation> {
        use Operation::*;
        vec![
            Abs(0),
            Acos(0),
            Acosh(0),
            Asin(0),
            Asinh(0),
            Atan(0),
            Atanh(0),
            Cos(0),
            Cosh(0),
            Exp(0),
            Ln(0),
            Log(0),
            Max(0, 1),
            Max(1, 0),
            Min(0, 1),
            Sgn(0),
            Sin(0),
            Sinh(0),
            Sqrt(0),
            Tan(0),
            Tanh(0),
            U(0),
            Uramp(0),
            Negate(0),
            Add(0, 1),
            Subtract(0, 1),
            Multiply(0, 1),
            Divide(0, 1),
            Divide(1, 0),
            Power(0, 1),
            Power(1, 0),
        ]
    }

    #[test]
    fn slopes_agree_with_differences() {
        for step in every_function() {
            for x in [-3.1, -0.7, -0.2, 0.3, 0.8, 1.7, 2.5] {
                let program =
                    Program::new(1, vec![Operation::Control(0), Operation::Number(1.3), step]);
                let f = |x: f64| program.value(&[x], &mut [0.0]);
                let mut slope = [0.0];
                program.value(&[x], &mut slope);
                let unclamped = match step {
                    Operation::Acos(_) | Operation::Asin(_) | Operation::Atanh(_) => x.abs() < 1.0,
                    Operation::Acosh(_) => x > 1.0,
                    _ => true,
                };
                let h = 1e-6;
                let difference = (f(x + h) - f(x - h)) / (2.0 * h);
                if unclamped {
                    assert!(
                        (slope[0] - difference).abs() < 1e-7 * (1.0 + difference.abs()),
                        "{step:?} at {x}: {} against {difference}",
                        slope[0]
                    );
                }
            }
        }
    }

    #[test]
    fn every_function_is_finite_everywhere() {
        for step in every_function() {
            for x in [0.0, 1e-300, 1.0, 709.0, 1e6, 1e300] {
                for x in [x, -x] {
                    let program =
                        Program::new(1, vec![Operation::Control(0), Operation::Number(0.5), step]);
                    let mut slope = [0.0];
                    let v = program.value(&[x], &mut slope);
                    assert!(v.is_finite() && slope[0].is_finite(), "{step:?} at {x}");
                }
            }
        }
    }
}
