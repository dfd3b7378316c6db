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
    /// Sizes of a row of the matrix.
    type Sizes: Copy;
    /// This one's sizes alone.
    fn sizes(self) -> Self::Sizes;
    /// The larger of both, row by row.
    fn largest(a: Self::Sizes, b: Self::Sizes) -> Self::Sizes;
    /// Whether this pivot, whose inverse is given, is larger than the part `worn_out` of its row.
    /// False for NaN.
    fn is_sound(self, inverse: Self, row: Self::Sizes, worn_out: f64) -> bool;
    /// One over it.
    #[inline(always)]
    fn reciprocal(self) -> Self {
        Self::ONE / self
    }
    /// From a real number.
    fn real(x: f64) -> Self;
}

/// For numbers that have a single size: [`Scalar::sizes`] and what is read from them.
macro_rules! of_one_size {
    () => {
        type Sizes = f64;
        fn sizes(self) -> f64 {
            self.magnitude()
        }
        fn largest(a: f64, b: f64) -> f64 {
            a.max(b)
        }
        fn is_sound(self, _: Self, row: f64, worn_out: f64) -> bool {
            self.magnitude() > worn_out * row
        }
    };
}
pub(in crate::math) use of_one_size;

impl Scalar for f64 {
    const ONE: f64 = 1.0;
    fn magnitude(self) -> f64 {
        self.abs()
    }
    fn real(x: f64) -> f64 {
        x
    }
    of_one_size!();
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
    of_one_size!();
}

/// What a matrix over a field multiplies: its numbers, or what stands for a block's columns.
pub trait Vector<T>: Copy {
    /// Takes `x` times another away.
    fn take(&mut self, x: T, other: &Self);
    /// This one multiplied by `x`.
    fn times(self, x: T) -> Self;
}

impl<T: Scalar> Vector<T> for T {
    #[inline(always)]
    fn take(&mut self, x: T, other: &Self) {
        *self -= x * *other;
    }
    #[inline(always)]
    fn times(self, x: T) -> Self {
        self * x
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
