//! The discrete Fourier transform of a length that is a power of two.
//!
//! Source: J. W. Cooley and J. W. Tukey, "An algorithm for the machine
//! calculation of complex Fourier series", Mathematics of Computation 19, 1965
//! (from memory): radix two, decimation in time.
//!
//! One of our own and not a library, because the same input must give the same
//! bytes everywhere. The library that was looked at (rustfft 6.4) can do
//! without the processor's special instructions, but takes its twiddle factors
//! from the system's sine and cosine: with and without fused multiplication
//! glibc 2.36 gives 362 of the 524 284 values for lengths 2 to 131 072
//! differently in the last bit, and other systems differ again.

use super::fun;
use std::f64::consts::PI;

/// A transform of one length, its factors worked out once.
#[derive(Debug, Clone)]
pub struct Fft {
    length: usize,
    /// cos(pi k / half) at `half + k` for every stage that joins halves of `half` points.
    cos: Vec<f64>,
    /// sin(pi k / half), laid out in the same way.
    sin: Vec<f64>,
}

impl Fft {
    /// A transform of `length` points.
    ///
    /// # Panics
    /// If the length is not a power of two.
    pub fn new(length: usize) -> Self {
        assert!(length.is_power_of_two(), "{length} is not a power of two");
        let (mut cos, mut sin) = (vec![0.0], vec![0.0]);
        let mut half = 1;
        while half < length {
            for k in 0..half {
                let turn = PI * k as f64 / half as f64;
                cos.push(fun::cos(turn));
                sin.push(fun::sin(turn));
            }
            half *= 2;
        }
        Fft { length, cos, sin }
    }

    /// Replaces point k by the sum over n of `x[n] e^(-2 pi i k n / length)`, where `x[n]` is
    /// point n as given, `re[n] + i im[n]`.
    ///
    /// # Panics
    /// If a slice is not as long as the transform.
    pub fn forward(&self, re: &mut [f64], im: &mut [f64]) {
        assert!(re.len() == self.length && im.len() == self.length);
        reverse_bits(re, im);
        let mut half = 1;
        while half < self.length {
            let (cos, sin) = (&self.cos[half..2 * half], &self.sin[half..2 * half]);
            for (re, im) in re
                .chunks_exact_mut(2 * half)
                .zip(im.chunks_exact_mut(2 * half))
            {
                let (re_low, re_high) = re.split_at_mut(half);
                let (im_low, im_high) = im.split_at_mut(half);
                for k in 0..half {
                    let re_turned = re_high[k] * cos[k] + im_high[k] * sin[k];
                    let im_turned = im_high[k] * cos[k] - re_high[k] * sin[k];
                    re_high[k] = re_low[k] - re_turned;
                    im_high[k] = im_low[k] - im_turned;
                    re_low[k] += re_turned;
                    im_low[k] += im_turned;
                }
            }
            half *= 2;
        }
    }

    /// Undoes [`Fft::forward`]: replaces point n by the sum over k of
    /// `X[k] e^(2 pi i k n / length) / length`, where `X[k]` is point k as given.
    ///
    /// # Panics
    /// If a slice is not as long as the transform.
    pub fn inverse(&self, re: &mut [f64], im: &mut [f64]) {
        // Exchanging the parts before and after conjugates the transform.
        self.forward(im, re);
        let scale = 1.0 / self.length as f64;
        re.iter_mut().chain(im).for_each(|x| *x *= scale);
    }
}

/// Moves every point to the place whose number has the same bits, last first.
fn reverse_bits(re: &mut [f64], im: &mut [f64]) {
    let length = re.len();
    let mut to = 0;
    for from in 0..length {
        if from < to {
            re.swap(from, to);
            im.swap(from, to);
        }
        // Count `to` up by one from its highest bit downwards.
        let mut bit = length / 2;
        while bit > 0 && to & bit != 0 {
            to ^= bit;
            bit /= 2;
        }
        to |= bit;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(length: usize, seed: u64) -> Vec<f64> {
        let mut state = seed;
        let next = |_| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1);
            (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        };
        (0..length).map(next).collect()
    }

    #[test]
    fn it_is_the_sum_that_defines_it() {
        for length in [1, 2, 4, 8, 32, 256] {
            let (re, im) = (noise(length, 1), noise(length, 2));
            let (mut found_re, mut found_im) = (re.clone(), im.clone());
            Fft::new(length).forward(&mut found_re, &mut found_im);
            for k in 0..length {
                let (mut sum_re, mut sum_im) = (0.0, 0.0);
                for n in 0..length {
                    let turn = 2.0 * PI * ((k * n) % length) as f64 / length as f64;
                    sum_re += re[n] * turn.cos() + im[n] * turn.sin();
                    sum_im += im[n] * turn.cos() - re[n] * turn.sin();
                }
                let off = (found_re[k] - sum_re).hypot(found_im[k] - sum_im);
                assert!(off < 1e-13 * length as f64, "{length} points, {k}: {off}");
            }
        }
    }

    #[test]
    fn the_inverse_brings_the_samples_back() {
        for length in [1, 2, 64, 8192] {
            let (re, im) = (noise(length, 3), noise(length, 4));
            let (mut back_re, mut back_im) = (re.clone(), im.clone());
            let fft = Fft::new(length);
            fft.forward(&mut back_re, &mut back_im);
            fft.inverse(&mut back_re, &mut back_im);
            for n in 0..length {
                let off = (back_re[n] - re[n]).hypot(back_im[n] - im[n]);
                assert!(off < 1e-14, "{length} points, {n}: {off}");
            }
        }
    }

    #[test]
    fn energy_is_the_same_on_both_sides() {
        // Parseval: the sum of |x|^2 is that of |X|^2 over the length.
        let (mut re, mut im) = (noise(4096, 5), vec![0.0; 4096]);
        let before: f64 = re.iter().map(|x| x * x).sum();
        Fft::new(4096).forward(&mut re, &mut im);
        let after: f64 = re.iter().chain(&im).map(|x| x * x).sum();
        assert!((after / 4096.0 / before - 1.0).abs() < 1e-13);
    }
}
