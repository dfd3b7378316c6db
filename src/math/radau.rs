//! Radau IIA with three stages: one step of an L-stable collocation method of order five
//! whose last stage is the step's end, so that equations without rates hold there exactly.
//!
//! Source: E. Hairer and G. Wanner, "Solving Ordinary Differential Equations II", 2nd ed.
//! 1996, section IV.5 (from memory; the tests check the order).
//!
//! For d/dt q + f = 0 with a step h from t the stages lie at t + c_i h, and
//!   q'(stage i) = sum_j D_ij (q_j - q_0)/h
//! is the slope of the cubic through the start and the three stages. D is the inverse of the
//! method's usual matrix A.

/// Stages.
pub const STAGES: usize = 3;

/// The stages' places in the step: (4 - sqrt 6)/10, (4 + sqrt 6)/10, 1.
pub const C: [f64; STAGES] = [0.155_051_025_721_682_2, 0.644_948_974_278_317_8, 1.0];

/// Weights of the stages for the mean over the step (the last row of A): exact up to the fourth
/// power of time.
pub fn weights() -> [f64; STAGES] {
    let s = 6f64.sqrt();
    [(16.0 - s) / 36.0, (16.0 + s) / 36.0, 1.0 / 9.0]
}

/// The matrix D.
pub fn slopes() -> [[f64; STAGES]; STAGES] {
    let nodes = [0.0, C[0], C[1], C[2]];
    let mut d = [[0.0; STAGES]; STAGES];
    for (row, at) in d.iter_mut().zip(1..) {
        for (entry, of) in row.iter_mut().zip(1..) {
            *entry = slope(&nodes, of, at);
        }
    }
    d
}

/// The slope of the `of`-th Lagrange polynomial at node `at`.
fn slope(nodes: &[f64; 4], of: usize, at: usize) -> f64 {
    let others = |skip: usize| (0..4).filter(move |&k| k != of && k != skip);
    if of == at {
        return others(of).map(|k| 1.0 / (nodes[of] - nodes[k])).sum();
    }
    let over: f64 = others(at).map(|k| nodes[at] - nodes[k]).product();
    let under: f64 = others(of).map(|k| nodes[of] - nodes[k]).product();
    over / under
}

/// Weights of the start and the stages for the value at fraction `s` of the step: the cubic
/// through the four. Outside 0..1 it extrapolates.
pub fn interpolate(s: f64) -> [f64; STAGES + 1] {
    let nodes = [0.0, C[0], C[1], C[2]];
    std::array::from_fn(|of| {
        (0..4)
            .filter(|&k| k != of)
            .map(|k| (s - nodes[k]) / (nodes[of] - nodes[k]))
            .product()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// q' = cos(t) - 50 (q - sin t) in n steps from 0 to 1: the error against sin 1.
    fn error(n: usize) -> f64 {
        let h = 1.0 / n as f64;
        let d = slopes();
        let mut q = 0.0;
        for step in 0..n {
            // (D/h + 50) Y = D 1 q/h + cos + 50 sin, three equations.
            let mut a = [0.0; 9];
            let mut b = [0.0; 3];
            for i in 0..3 {
                let t: f64 = (step as f64 + C[i]) * h;
                b[i] = t.cos() + 50.0 * t.sin() + d[i].iter().sum::<f64>() * q / h;
                for j in 0..3 {
                    a[j * 3 + i] = d[i][j] / h + if i == j { 50.0 } else { 0.0 };
                }
            }
            assert!(crate::math::dense::solve_columns(&mut a, &mut b));
            q = b[2];
        }
        (q - 1f64.sin()).abs()
    }

    #[test]
    fn the_matrix_is_the_inverse_of_the_published_one() {
        let s = 6f64.sqrt();
        let a = [
            [
                (88.0 - 7.0 * s) / 360.0,
                (296.0 - 169.0 * s) / 1800.0,
                (-2.0 + 3.0 * s) / 225.0,
            ],
            [
                (296.0 + 169.0 * s) / 1800.0,
                (88.0 + 7.0 * s) / 360.0,
                (-2.0 - 3.0 * s) / 225.0,
            ],
            [(16.0 - s) / 36.0, (16.0 + s) / 36.0, 1.0 / 9.0],
        ];
        let d = slopes();
        for (i, row) in a.iter().enumerate() {
            let product = |j: usize| row.iter().zip(&d).map(|(a, d)| a * d[j]).sum::<f64>();
            for j in 0..3 {
                let unit = if i == j { 1.0 } else { 0.0 };
                assert!((product(j) - unit).abs() < 1e-13, "{i} {j}");
            }
        }
    }

    #[test]
    fn the_method_is_of_fifth_order() {
        let ratio = error(80) / error(160);
        assert!((25.0..40.0).contains(&ratio), "{ratio}");
    }

    #[test]
    fn a_cubic_is_interpolated_exactly() {
        let f = |s: f64| 3.0 - 2.0 * s + 5.0 * s * s - s * s * s;
        for s in [0.0, 0.3, 0.9, 1.0, 1.7] {
            let w = interpolate(s);
            let y = w[0] * f(0.0) + w[1] * f(C[0]) + w[2] * f(C[1]) + w[3] * f(1.0);
            assert!((y - f(s)).abs() < 1e-12);
        }
    }
}
