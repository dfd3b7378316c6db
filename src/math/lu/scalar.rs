//! The numbers that a solver works in, and where it finds no pivot.

use num_complex::Complex;
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

/// A field to factor over: f64, or complex numbers for small-signal work.
pub trait Scalar:
    Copy
    + PartialEq
    + Default
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + AddAssign
    + SubAssign
    + std::fmt::Debug
{
    /// The number one.
    const ONE: Self;
    /// Size for pivoting.
    fn magnitude(self) -> f64;
    /// From a real number.
    fn real(x: f64) -> Self;
}

impl Scalar for f64 {
    const ONE: f64 = 1.0;
    fn magnitude(self) -> f64 {
        self.abs()
    }
    fn real(x: f64) -> f64 {
        x
    }
}

impl Scalar for Complex<f64> {
    const ONE: Self = Complex { re: 1.0, im: 0.0 };
    /// The sum of both parts' sizes: within a factor of 1.4 of the modulus, without its root.
    fn magnitude(self) -> f64 {
        self.re.abs() + self.im.abs()
    }
    fn real(x: f64) -> Self {
        Complex { re: x, im: 0.0 }
    }
}

/// No usable pivot was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Singular {
    /// A row (equation) that depends on the others.
    pub row: usize,
    /// A column (unknown) that the equations do not fix.
    pub column: usize,
}
