//! Four numbers side by side, as one: what is done to each never depends on the others.

use super::lu::{Scalar, of_one_size};
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

/// Four numbers.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Four(pub [f64; 4]);

macro_rules! each {
    ($trait:ident, $name:ident, $op:tt) => {
        impl $trait for Four {
            type Output = Four;
            #[inline(always)]
            fn $name(self, other: Four) -> Four {
                let (a, b) = (self.0, other.0);
                Four([a[0] $op b[0], a[1] $op b[1], a[2] $op b[2], a[3] $op b[3]])
            }
        }
    };
}
each!(Add, add, +);
each!(Sub, sub, -);
each!(Mul, mul, *);
each!(Div, div, /);

impl Neg for Four {
    type Output = Four;
    #[inline(always)]
    fn neg(self) -> Four {
        Four(self.0.map(|x| -x))
    }
}

impl AddAssign for Four {
    #[inline(always)]
    fn add_assign(&mut self, other: Four) {
        *self = *self + other;
    }
}

impl SubAssign for Four {
    #[inline(always)]
    fn sub_assign(&mut self, other: Four) {
        *self = *self - other;
    }
}

impl Four {
    /// The same number four times.
    #[inline(always)]
    pub fn all(x: f64) -> Four {
        Four([x; 4])
    }

    /// Sizes.
    #[inline(always)]
    pub fn abs(self) -> Four {
        Four(self.0.map(f64::abs))
    }
}

impl Scalar for Four {
    of_one_size!();
    const ONE: Four = Four([1.0; 4]);
    /// The same for all: a pivot that is bad for one of them must not turn the others away from
    /// their order. Whoever solves so judges each by its residual.
    fn magnitude(self) -> f64 {
        1.0
    }
    fn real(x: f64) -> Four {
        Four::all(x)
    }
}
