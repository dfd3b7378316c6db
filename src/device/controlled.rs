//! Polynomials of control values: POLY(n) on E, F, G and H, and POLY capacitors
//! and inductors.
//!
//! Source: SPICE 2G6 User's Guide, University of California, Berkeley, section
//! "Dependent sources" and appendix on nonlinear dependent sources (from memory).
//! The coefficients p0 p1 ... belong to the monomials in the published order: for
//! two controls a and b: 1, a, b, a^2, ab, b^2, a^3, a^2 b, a b^2, b^3 ...
//! Derivatives: term by term.
//! Valid for: any n and any number of coefficients; missing ones are zero.

use super::law::{Answer, Law};

/// Sum of p_k times the k-th monomial of the controls; one output.
#[derive(Debug, Clone)]
pub struct Polynomial {
    controls: usize,
    /// Exponents of each control, and the coefficient.
    terms: Vec<(Vec<u32>, f64)>,
}

impl Polynomial {
    /// Of `controls` values with the coefficients p0 p1 ...
    pub fn new(controls: usize, coefficients: &[f64]) -> Self {
        let mut terms = Vec::new();
        let mut degree = 0;
        let mut exponents = vec![0u32; controls];
        let mut order = Vec::new();
        while order.len() < coefficients.len() {
            monomials(
                controls,
                0,
                degree,
                &mut exponents,
                &mut order,
                coefficients.len(),
            );
            degree += 1;
        }
        for (e, &p) in order.into_iter().zip(coefficients) {
            if p != 0.0 {
                terms.push((e, p));
            }
        }
        Polynomial { controls, terms }
    }

    fn value(&self, u: &[f64], slope: &mut [f64]) -> f64 {
        let mut sum = 0.0;
        for (exponents, p) in &self.terms {
            sum += p * product(exponents, u, None);
            for (k, s) in slope.iter_mut().enumerate() {
                if exponents[k] > 0 {
                    *s += p * f64::from(exponents[k]) * product(exponents, u, Some(k));
                }
            }
        }
        sum
    }
}

/// All exponent sets of one degree, the first control's power falling, until there are `most`
/// in all: of a hundred controls there are millions of the fourth degree.
fn monomials(
    n: usize,
    at: usize,
    degree: u32,
    e: &mut Vec<u32>,
    out: &mut Vec<Vec<u32>>,
    most: usize,
) {
    if out.len() >= most {
        return;
    }
    if at + 1 == n {
        e[at] = degree;
        out.push(e.clone());
        return;
    }
    for first in (0..=degree).rev() {
        e[at] = first;
        monomials(n, at + 1, degree - first, e, out, most);
    }
}

/// The product of powers, one of them lowered by one.
fn product(exponents: &[u32], u: &[f64], lowered: Option<usize>) -> f64 {
    exponents
        .iter()
        .zip(u)
        .enumerate()
        .map(|(k, (&e, &x))| whole_power(x, e - u32::from(lowered == Some(k))))
        .product()
}

/// x^n by multiplication, the same on every machine. High powers are squared up: a polynomial
/// of thousands of terms would otherwise cost millions of products.
fn whole_power(x: f64, n: u32) -> f64 {
    match n {
        0..=8 => (0..n).fold(1.0, |product, _| product * x),
        _ => {
            let half = whole_power(x, n / 2);
            half * half * whole_power(x, n % 2)
        }
    }
}

impl Law for Polynomial {
    fn controls(&self) -> usize {
        self.controls
    }
    fn outputs(&self) -> usize {
        1
    }
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        out.i[0] = self.value(u, out.g);
    }
}

/// A charge (or flux) q(u) = c0 u + c1 u^2/2 + c2 u^3/3 ..., so that dq/du is the
/// published value c0 + c1 u + c2 u^2 ...
#[derive(Debug, Clone)]
pub struct Storage {
    polynomial: Polynomial,
}

impl Storage {
    /// With the coefficients of the incremental value, F or H.
    pub fn new(coefficients: &[f64]) -> Self {
        let mut integrated = vec![0.0];
        integrated.extend(
            coefficients
                .iter()
                .enumerate()
                .map(|(k, c)| c / (k + 1) as f64),
        );
        Storage {
            polynomial: Polynomial::new(1, &integrated),
        }
    }
}

impl Law for Storage {
    fn controls(&self) -> usize {
        1
    }
    fn outputs(&self) -> usize {
        1
    }
    fn answer(&self, u: &[f64], _memory: f64, out: &mut Answer<'_>) {
        out.q[0] = self.polynomial.value(u, out.c);
    }
    fn stores_charge(&self) -> bool {
        !self.polynomial.terms.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(law: &dyn Law, u: &[f64]) -> (f64, Vec<f64>) {
        let mut g = vec![0.0; u.len()];
        let (mut i, mut q, mut c) = ([0.0], [0.0], vec![0.0; u.len()]);
        law.answer(
            u,
            0.0,
            &mut Answer {
                i: &mut i,
                q: &mut q,
                g: &mut g,
                c: &mut c,
            },
        );
        if q[0] != 0.0 { (q[0], c) } else { (i[0], g) }
    }

    #[test]
    fn monomials_come_in_the_published_order() {
        // 1, a, b, a^2, ab, b^2 at a = 2, b = 3.
        for (k, expected) in [1.0, 2.0, 3.0, 4.0, 6.0, 9.0].into_iter().enumerate() {
            let mut p = vec![0.0; k + 1];
            p[k] = 1.0;
            assert_eq!(at(&Polynomial::new(2, &p), &[2.0, 3.0]).0, expected);
        }
    }

    #[test]
    fn slopes_are_those_of_the_polynomial() {
        let (_, g) = at(
            &Polynomial::new(2, &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]),
            &[2.0, 3.0],
        );
        assert_eq!(
            g,
            [2.0 + 8.0 * 2.0 + 5.0 * 3.0, 3.0 + 5.0 * 2.0 + 12.0 * 3.0]
        );
    }

    #[test]
    fn a_poly_capacitor_has_its_published_incremental_value() {
        let (q, c) = at(&Storage::new(&[1.0, 2.0]), &[3.0]);
        assert_eq!((q, c[0]), (3.0 + 9.0, 1.0 + 2.0 * 3.0));
    }
}
