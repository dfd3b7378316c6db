//! Sample rate conversion by a whole factor, streaming, without latency.
//!
//! Source: J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh
//! window function", ISCAS 1974 (from memory): beta = 0.1102 (A - 8.7) for a
//! stop band A dB down, and order = (A - 7.95) / (2.285 dw) for a transition dw
//! radians a sample wide. The window is laid on sin(pi t)/(pi t), t in periods
//! of the lower rate, so the filter is symmetric (no phase error) and falls
//! through its half at the lower rate's Nyquist frequency.
//!
//! With [`REACH`] = 44 and A = 120 dB the pass band ends at 0.456 and the stop
//! band begins at 0.544 of the lower rate: 21.9 and 26.1 kHz at 48 kHz, 20.1
//! and 24.0 kHz at 44.1 kHz.
//!
//! A filter of our own and not a library: the FFT resampler that was tried had
//! as good a response, but its transforms choose their instructions by the
//! processor found (2009 of 2048 bins differed in their last bits between its
//! vector and its scalar path), and the same input must give the same bytes
//! everywhere. Here every output is one sum in one fixed order, whichever instructions work it out.

use super::fun;
use pulp::{Arch, Simd, WithSimd};
use std::f64::consts::PI;

/// How many samples of the lower rate the filter reaches to either side.
pub const REACH: usize = 44;

/// Depth of the stop band that the window is shaped for, dB.
const STOP_BAND_DB: f64 = 120.0;

/// Terms summed side by side, so that the compiler may use vector instructions
/// without changing the order of the additions.
const LANES: usize = 8;

/// Raises the sample rate by a whole factor: output sample `factor * n` answers
/// input sample `n`, and what lies between is interpolated.
///
/// The stream is taken as silent before its start and after its end.
#[derive(Debug, Clone)]
pub struct Interpolator {
    /// One row of `2 * REACH` taps for each output that is not an input.
    phases: Vec<[f64; 2 * REACH]>,
    window: Window,
    arch: Arch,
}

impl Interpolator {
    /// An interpolator at the start of a stream.
    ///
    /// # Panics
    /// If the factor is zero.
    pub fn new(factor: usize) -> Self {
        Self::at(factor, &[0.0])
    }

    /// One that gives the signal at several `points` of each step of the higher rate, the
    /// first of them 0, the others rising below 1: as many outputs for each step.
    ///
    /// # Panics
    /// If the factor is zero.
    pub fn at(factor: usize, points: &[f64]) -> Self {
        assert!(factor > 0, "a sample rate cannot be changed by zero");
        debug_assert_eq!(points.first(), Some(&0.0));
        let times =
            (0..factor).flat_map(|p| points.iter().map(move |s| (p as f64 + s) / factor as f64));
        Interpolator {
            // The sample itself passes untouched: the filter is zero at all other inputs.
            phases: times.skip(1).map(taps_at).collect(),
            window: Window::new(REACH - 1),
            arch: Arch::new(),
        }
    }

    /// Takes samples and appends to `out` all that can be said already: it
    /// lags by [`REACH`] input samples until [`Interpolator::finish`].
    pub fn push(&mut self, samples: &[f64], out: &mut Vec<f64>) {
        if self.phases.is_empty() {
            out.extend_from_slice(samples);
            return;
        }
        self.window.extend(samples);
        while let Some(near) = self.window.take(2 * REACH, 1) {
            out.push(near[REACH - 1]);
            let phases = &self.phases;
            self.arch.dispatch(Phases { phases, near, out });
        }
    }

    /// Ends the stream and appends the rest: `factor` times as many samples
    /// as were pushed will have come out for each point of a step.
    pub fn finish(&mut self, out: &mut Vec<f64>) {
        if !self.phases.is_empty() {
            self.push(&[0.0; REACH], out);
        }
    }
}

/// Lowers the sample rate by a whole factor: output sample `n` answers input
/// sample `factor * n`, everything above the new Nyquist frequency removed.
///
/// The stream is taken as silent before its start and after its end, so a
/// standing voltage must be subtracted first: left in, it would be heard as a
/// step at both ends.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f64>,
    window: Window,
    pushed: usize,
    arch: Arch,
}

impl Decimator {
    /// A decimator at the start of a stream.
    ///
    /// # Panics
    /// If the factor is zero.
    pub fn new(factor: usize) -> Self {
        let mut taps = prototype(factor);
        taps.pop();
        for tap in &mut taps {
            *tap /= factor as f64;
        }
        Decimator {
            factor,
            taps,
            window: Window::new(REACH * factor),
            pushed: 0,
            arch: Arch::new(),
        }
    }

    /// Takes samples and appends to `out` all that can be said already: it
    /// lags by [`REACH`] output samples until [`Decimator::finish`].
    pub fn push(&mut self, samples: &[f64], out: &mut Vec<f64>) {
        if self.factor == 1 {
            out.extend_from_slice(samples);
            return;
        }
        self.pushed = (self.pushed + samples.len()) % self.factor;
        self.window.extend(samples);
        while let Some(near) = self.window.take(self.taps.len(), self.factor) {
            let phases = std::slice::from_ref(&self.taps);
            self.arch.dispatch(Phases { phases, near, out });
        }
    }

    /// Ends the stream and appends the rest: one sample for every `factor`
    /// pushed, a broken last group counting as whole.
    pub fn finish(&mut self, out: &mut Vec<f64>) {
        if self.factor == 1 {
            return;
        }
        // Complete a broken group first; then the window of its first sample is still short
        // of what the filter reaches forward to, less the group itself.
        let broken = (self.factor - self.pushed) % self.factor;
        let tail = broken + REACH * self.factor - self.factor;
        self.push(&vec![0.0; tail], out);
    }
}

/// What an interpolator's inputs weigh `t` periods after one of them, `t` below 1.
fn taps_at(t: f64) -> [f64; 2 * REACH] {
    let mut taps: [f64; 2 * REACH] =
        std::array::from_fn(|k| kernel(t + (REACH - 1) as f64 - k as f64));
    // A steady input must come out steady: without this its images stand 120 dB below it.
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|tap| *tap /= sum);
    taps
}

/// The filter at the higher rate, `2 * REACH * factor + 1` taps, symmetric; the
/// taps that meet the input in any one phase add up to one.
fn prototype(factor: usize) -> Vec<f64> {
    assert!(factor > 0, "a sample rate cannot be changed by zero");
    let middle = REACH * factor;
    let mut taps: Vec<f64> = (0..=2 * middle)
        .map(|n| kernel(n.abs_diff(middle) as f64 / factor as f64))
        .collect();
    // A steady input must come out steady: without this its images stand 120 dB below it.
    for phase in 0..factor {
        let sum: f64 = taps.iter().skip(phase).step_by(factor).sum();
        for tap in taps.iter_mut().skip(phase).step_by(factor) {
            *tap /= sum;
        }
    }
    taps
}

/// The filter's impulse response at `t` periods of the lower rate from its
/// middle: one there, exactly zero at all other whole periods and beyond [`REACH`].
pub fn kernel(t: f64) -> f64 {
    if t == t.trunc() {
        // Exactly zero where the sine is, whatever its rounding says.
        return if t == 0.0 { 1.0 } else { 0.0 };
    }
    let edge = t / REACH as f64;
    if edge.abs() >= 1.0 {
        return 0.0;
    }
    let beta = 0.1102 * (STOP_BAND_DB - 8.7);
    let turn = PI * t;
    fun::sin(turn) / turn * bessel_i0(beta * (1.0 - edge * edge).sqrt()) / bessel_i0(beta)
}

/// Modified Bessel function of the first kind, order zero, by its power
/// series: the sum over k of ((x/2)^k / k!)^2 (Abramowitz and Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * 1e-17 {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

/// Sums of products of the same samples with several rows of taps, in the processor's best instruction set.
struct Phases<'a, T> {
    phases: &'a [T],
    near: &'a [f64],
    out: &'a mut Vec<f64>,
}

impl<T: AsRef<[f64]>> WithSimd for Phases<'_, T> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _simd: S) {
        for taps in self.phases {
            self.out.push(dot(taps.as_ref(), self.near));
        }
    }
}

/// The sum of products, in an order that does not depend on the machine.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut lanes = [0.0; LANES];
    for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
        for lane in 0..LANES {
            lanes[lane] += a[lane] * b[lane];
        }
    }
    let [a, b, c, d, e, f, g, h] = lanes;
    ((a + b) + (c + d)) + ((e + f) + (g + h))
}

/// The stretch of a stream that is still needed.
#[derive(Debug, Clone)]
struct Window {
    samples: Vec<f64>,
    start: usize,
}

impl Window {
    /// A window with N samples of silence before the stream.
    fn new(silence: usize) -> Self {
        Window {
            samples: vec![0.0; silence],
            start: 0,
        }
    }

    fn extend(&mut self, samples: &[f64]) {
        // Old samples go when they outweigh the rest, so that each is moved once on average.
        if self.start > self.samples.len() / 2 {
            self.samples.drain(..self.start);
            self.start = 0;
        }
        self.samples.extend_from_slice(samples);
    }

    /// The next `length` samples, and a step of `step` on; none if they are not here yet.
    fn take(&mut self, length: usize, step: usize) -> Option<&[f64]> {
        let near = self.samples.get(self.start..self.start + length)?;
        self.start += step;
        Some(near)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FACTORS: [usize; 5] = [1, 2, 4, 8, 16];

    /// Taps of the filter for a factor of four, by their distance from its middle.
    const TAPS: [(usize, f64); 7] = [
        (1, 0.900145677185014),
        (2, 0.6361369529106075),
        (3, 0.2995934454529245),
        (5, -0.17921107214284926),
        (50, 0.015696751369866185),
        (101, -0.0010718328492803418),
        (175, -3.103541407265451e-07),
    ];

    fn interpolate(factor: usize, samples: &[f64]) -> Vec<f64> {
        let (mut up, mut out) = (Interpolator::new(factor), Vec::new());
        up.push(samples, &mut out);
        up.finish(&mut out);
        out
    }

    fn decimate(factor: usize, samples: &[f64]) -> Vec<f64> {
        let (mut down, mut out) = (Decimator::new(factor), Vec::new());
        down.push(samples, &mut out);
        down.finish(&mut out);
        out
    }

    fn sine(freq_hz: f64, rate_hz: usize, length: usize) -> Vec<f64> {
        (0..length)
            .map(|n| (2.0 * PI * freq_hz * n as f64 / rate_hz as f64).sin())
            .collect()
    }

    /// Amplitude of a sine and the rms of all that is not it, in dB re that sine's
    /// rms at amplitude one. The stretch must hold whole periods.
    fn measure(samples: &[f64], freq_hz: f64, rate_hz: usize) -> (f64, f64) {
        let turn = |n: usize| 2.0 * PI * freq_hz * n as f64 / rate_hz as f64;
        let half = samples.len() as f64 / 2.0;
        let fold = |f: fn(f64) -> f64| -> f64 {
            let all = samples.iter().enumerate();
            all.map(|(n, x)| x * f(turn(n))).sum::<f64>() / half
        };
        let (re, im) = (fold(f64::cos), fold(f64::sin));
        let rest: f64 = samples
            .iter()
            .enumerate()
            .map(|(n, x)| (x - re * turn(n).cos() - im * turn(n).sin()).powi(2))
            .sum();
        (re.hypot(im), 10.0 * (rest / half + 1e-40).log10())
    }

    /// The middle tenth of a second: whole periods of every multiple of 10 Hz.
    fn middle(samples: &[f64], rate_hz: usize) -> &[f64] {
        &samples[rate_hz / 20..rate_hz / 20 + rate_hz / 10]
    }

    #[test]
    fn the_filter_is_the_one_that_scipy_designs() {
        // COMPUTED: numpy.sinc(n/4) * numpy.kaiser(353, 0.1102 * (120 - 8.7)), each
        // phase divided by its sum, numpy with scipy 1.17.1.
        let taps = prototype(4);
        for (n, expected) in TAPS {
            for tap in [taps[4 * REACH + n], taps[4 * REACH - n]] {
                assert!((tap - expected).abs() < 1e-13, "tap {n}: {tap}");
            }
        }
    }

    #[test]
    fn an_impulse_stays_where_it_was() {
        for factor in FACTORS {
            let mut pulse = vec![0.0; 300];
            pulse[123] = 1.0;
            let up = interpolate(factor, &pulse);
            assert_eq!(up.len(), 300 * factor);
            for (n, x) in pulse.iter().enumerate() {
                assert_eq!(up[n * factor], *x, "factor {factor}, sample {n}");
            }
            let down = decimate(factor, &up);
            assert_eq!(down.len(), 300);
            for away in 0..100 {
                let (before, after) = (down[123 - away], down[123 + away]);
                assert!((before - after).abs() < 1e-15, "factor {factor}: {away}");
                assert!(before.abs() <= down[123]);
            }
        }
    }

    #[test]
    fn the_pass_band_is_flat_to_20_khz() {
        for rate_hz in [44_100, 48_000] {
            for factor in FACTORS {
                for freq_hz in [20.0, 1000.0, 10_000.0, 18_000.0, 20_000.0] {
                    let there = interpolate(factor, &sine(freq_hz, rate_hz, rate_hz / 5));
                    let back = decimate(factor, &there);
                    let (gain, rest_db) = measure(middle(&back, rate_hz), freq_hz, rate_hz);
                    let gain_db = 20.0 * gain.log10();
                    assert!(
                        gain_db.abs() < 0.001 && rest_db < -110.0,
                        "{rate_hz} Hz x {factor}, {freq_hz} Hz: {gain_db} dB, rest {rest_db} dB"
                    );
                }
            }
        }
    }

    #[test]
    fn interpolation_leaves_no_images() {
        let rate_hz = 48_000;
        for factor in [2, 4, 8, 16] {
            for freq_hz in [20.0, 1000.0, 10_000.0, 18_000.0, 20_000.0] {
                let up = interpolate(factor, &sine(freq_hz, rate_hz, rate_hz / 5));
                let fast_hz = rate_hz * factor;
                let (_, rest_db) = measure(middle(&up, fast_hz), freq_hz, fast_hz);
                assert!(rest_db < -110.0, "x {factor}, {freq_hz} Hz: {rest_db} dB");
            }
        }
    }

    #[test]
    fn decimation_leaves_no_aliases() {
        let rate_hz = 48_000;
        for factor in [2, 4, 8, 16] {
            let fast_hz = rate_hz * factor;
            let top_hz = fast_hz / 2;
            // Not whole multiples of the rate's fractions, so the aliases fall all over the band.
            for freq_hz in (28_000..top_hz).step_by(top_hz / 20 + 130) {
                let down = decimate(factor, &sine(freq_hz as f64, fast_hz, fast_hz / 5));
                let part = middle(&down, rate_hz);
                let power = part.iter().map(|x| x * x).sum::<f64>() / part.len() as f64;
                let level_db = 10.0 * (2.0 * power + 1e-40).log10();
                assert!(level_db < -110.0, "/ {factor}, {freq_hz} Hz: {level_db} dB");
            }
        }
    }

    #[test]
    fn the_size_of_the_blocks_changes_nothing() {
        let clip: Vec<f64> = (0..1000).map(|n| ((n * n) as f64).sin()).collect();
        for factor in FACTORS {
            let whole = interpolate(factor, &clip);
            let back = decimate(factor, &whole);
            for block in [1, 3, 64, 999] {
                let (mut up, mut out) = (Interpolator::new(factor), Vec::new());
                let (mut down, mut end) = (Decimator::new(factor), Vec::new());
                clip.chunks(block).for_each(|part| up.push(part, &mut out));
                up.finish(&mut out);
                out.chunks(block).for_each(|part| down.push(part, &mut end));
                down.finish(&mut end);
                assert_eq!(out, whole, "factor {factor}, blocks of {block}");
                assert_eq!(end, back, "factor {factor}, blocks of {block}");
            }
        }
    }

    #[test]
    fn a_steady_level_stays_and_silence_stays_silent() {
        for factor in FACTORS {
            let up = interpolate(factor, &[0.5; 400]);
            assert!(
                up[100 * factor..300 * factor]
                    .iter()
                    .all(|x| (x - 0.5).abs() < 1e-15)
            );
            let down = decimate(factor, &vec![0.5; 400 * factor]);
            assert!(down[100..300].iter().all(|x| (x - 0.5).abs() < 1e-14));
            assert!(interpolate(factor, &[0.0; 99]).iter().all(|&x| x == 0.0));
            assert!(decimate(factor, &[0.0; 160]).iter().all(|&x| x == 0.0));
        }
    }

    #[test]
    fn lengths_follow_from_the_factor_alone() {
        for factor in FACTORS {
            for length in [0, 1, 2, 17, 500] {
                assert_eq!(
                    interpolate(factor, &vec![1.0; length]).len(),
                    length * factor
                );
                assert_eq!(
                    decimate(factor, &vec![1.0; length]).len(),
                    length.div_ceil(factor)
                );
            }
        }
    }
}
