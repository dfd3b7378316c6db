//! The built-in loudspeaker: one invented 12-inch driver in a closed box,
//! heard close to the cone.
//!
//! Source of the low end: R. H. Small, "Closed-box loudspeaker systems, part I",
//! J. Audio Eng. Soc. 20(10), 1972 (from memory). A closed box is a high-pass of
//! the second order, s^2 / (s^2 + s wc/Qtc + wc^2); with the box's compliance
//! ratio alpha = Vas/Vb the driver's resonance and total Q both rise by
//! sqrt(1 + alpha). The driver here is our own, of the size common for guitars:
//!
//! | | | |
//! | --- | --- | --- |
//! | free-air resonance fs | 75 Hz | |
//! | Qes, Qms | 0.75, 7.0 | Qts = Qes Qms/(Qes + Qms) = 0.677 |
//! | Vas | 80 l | alpha = 1 |
//! | box Vb | 80 l | fc = 106.1 Hz, Qtc = 0.958 |
//!
//! Qes is that of a voltage drive: what the amplifier's output resistance does
//! to the voice coil's voltage is the netlist's business, with the `speaker` of
//! the device floor as its load: the same driver.
//!
//! Above it a paper cone no longer moves as one. That is not worked out but
//! voiced by hand (common practice, no published source), see [`CONE`]: the rim
//! moves against the middle about 450 Hz, break-up lifts 1.5 to 3.5 kHz, a hole
//! and a last mode follow, and the whole falls by 24 dB an octave from 4.7 kHz.
//!
//! Its level re 400 Hz (worked out from the formulas here with numpy):
//!
//! | Hz | 50 | 80 | 100 | 200 | 400 | 1k | 2k | 3k | 5k | 8k |
//! | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
//! | dB | -10.8 | -2.5 | +0.5 | +1.8 | 0 | +2.0 | +5.3 | +6.0 | -3.9 | -15.9 |
//!
//! Left out: distortion, compression, beaming, the room and the microphone.

use crate::math::fun;
use std::f64::consts::PI;

pub use crate::device::speaker::{BOX_L, COMPLIANCE_L, ELECTRICAL_Q, FREE_AIR_HZ, MECHANICAL_Q};

/// What the cone adds: frequency in Hz, Q, gain there in dB.
pub const CONE: [(f64, f64, f64); 6] = [
    (450.0, 0.8, -2.0),
    (1500.0, 1.5, 2.0),
    (2400.0, 2.2, 4.0),
    (3500.0, 3.0, 4.5),
    (5600.0, 4.0, -5.0),
    (7000.0, 4.0, 3.0),
];

/// Where the cone stops following, Hz: a low-pass of the fourth order, maximally flat.
pub const TOP_HZ: f64 = 4700.0;
/// The Qs of the two halves of such a low-pass: 1/(2 cos(pi/8)) and 1/(2 cos(3 pi/8)).
const TOP_QS: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_5];

/// Where the level is 0 dB, Hz.
pub const REFERENCE_HZ: f64 = 400.0;

/// The rate of [`response`], Hz: so far above hearing that the bilinear
/// transform hardly bends it (0.06 % at 10 kHz, 0.8 % at 38 kHz).
pub const RATE_HZ: u32 = 768_000;

/// How long the response is, s: the box rings with a time constant of
/// Qtc/(pi fc) = 2.9 ms and is 180 dB down by then.
const LENGTH_S: f64 = 0.06;

/// The resonance in the box, Hz, and the total Q there.
pub fn in_the_box() -> (f64, f64) {
    let total = ELECTRICAL_Q * MECHANICAL_Q / (ELECTRICAL_Q + MECHANICAL_Q);
    let stiffer = (1.0 + COMPLIANCE_L / BOX_L).sqrt();
    (FREE_AIR_HZ * stiffer, total * stiffer)
}

/// The loudspeaker's response to a single one at [`RATE_HZ`], without delay,
/// its gain at [`REFERENCE_HZ`] one.
pub fn response() -> Vec<f64> {
    let mut sections = sections();
    let mut samples = vec![0.0; (LENGTH_S * f64::from(RATE_HZ)) as usize];
    samples[0] = 1.0 / gain(&sections, REFERENCE_HZ);
    for section in &mut sections {
        section.run(&mut samples);
    }
    samples
}

/// A filter of the second order.
#[derive(Debug, Clone, Copy)]
struct Section {
    /// Weights of the input now, one and two samples ago.
    b: [f64; 3],
    /// Weights of the output one and two samples ago, to be subtracted.
    a: [f64; 2],
}

/// All of the loudspeaker but its level.
fn sections() -> Vec<Section> {
    let (fc, qtc) = in_the_box();
    let mut all = vec![Section::new(fc, [1.0, 0.0, 0.0], 1.0 / qtc)];
    for (freq_hz, q, gain_db) in CONE {
        // s^2 + s A w/q + w^2 over s^2 + s w/(A q) + w^2, A^2 being the gain.
        let a = fun::pow(10.0, gain_db / 40.0);
        all.push(Section::new(freq_hz, [1.0, a / q, 1.0], 1.0 / (a * q)));
    }
    for q in TOP_QS {
        all.push(Section::new(TOP_HZ, [0.0, 0.0, 1.0], 1.0 / q));
    }
    all
}

impl Section {
    /// The section (n0 s^2 + n1 s w + n2 w^2) / (s^2 + d s w + w^2) by the
    /// bilinear transform, exact at the frequency of w.
    fn new(freq_hz: f64, [n0, n1, n2]: [f64; 3], d: f64) -> Self {
        let k = fun::tan(PI * freq_hz / f64::from(RATE_HZ));
        let square = k * k;
        let whole = 1.0 + d * k + square;
        Section {
            b: [
                (n0 + n1 * k + n2 * square) / whole,
                2.0 * (n2 * square - n0) / whole,
                (n0 - n1 * k + n2 * square) / whole,
            ],
            a: [2.0 * (square - 1.0) / whole, (1.0 - d * k + square) / whole],
        }
    }

    /// Filters samples in place, from rest.
    fn run(&self, samples: &mut [f64]) {
        // The transposed form: two sums that wait for the next samples.
        let (mut one, mut two) = (0.0, 0.0);
        for x in samples {
            let y = self.b[0] * *x + one;
            one = self.b[1] * *x - self.a[0] * y + two;
            two = self.b[2] * *x - self.a[1] * y;
            *x = y;
        }
    }

    /// Gain for a sine.
    fn gain(&self, freq_hz: f64) -> f64 {
        let turn = 2.0 * PI * freq_hz / f64::from(RATE_HZ);
        // |c0 + c1 z^-1 + c2 z^-2| with z on the unit circle.
        let size = |c: [f64; 3]| {
            let re = c[0] + c[1] * fun::cos(turn) + c[2] * fun::cos(2.0 * turn);
            let im = c[1] * fun::sin(turn) + c[2] * fun::sin(2.0 * turn);
            fun::hypot(re, im)
        };
        size(self.b) / size([1.0, self.a[0], self.a[1]])
    }
}

/// Gain of all sections for a sine.
fn gain(sections: &[Section], freq_hz: f64) -> f64 {
    sections.iter().map(|s| s.gain(freq_hz)).product()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn db(ratio: f64) -> f64 {
        20.0 * ratio.log10()
    }

    #[test]
    fn the_box_raises_resonance_and_q_alike() {
        let (fc, qtc) = in_the_box();
        assert!((100.0..=120.0).contains(&fc) && (0.9..=1.1).contains(&qtc));
        // Small 1972 (from memory): fc/fs = Qtc/Qts.
        let qts = 1.0 / (1.0 / ELECTRICAL_Q + 1.0 / MECHANICAL_Q);
        assert!((fc / FREE_AIR_HZ - qtc / qts).abs() < 1e-12);
    }

    #[test]
    fn the_low_end_is_that_of_a_closed_box() {
        // Small 1972 (from memory), of the box alone: level Qtc at resonance; 3 dB down at
        // f3 = fc sqrt((b + sqrt(b^2 + 4))/2) with b = 1/Qtc^2 - 2; above Qtc = 0.707 a peak
        // of Qtc^2/sqrt(Qtc^2 - 0.25) at fc/sqrt(1 - 1/(2 Qtc^2)).
        let (fc, q) = in_the_box();
        let low = &sections()[..1];
        assert!(db(gain(low, fc) / q).abs() < 1e-6);
        let b = 1.0 / (q * q) - 2.0;
        let f3 = fc * ((b + (b * b + 4.0).sqrt()) / 2.0).sqrt();
        assert!((db(gain(low, f3)) + 3.0103).abs() < 1e-3, "f3 = {f3}");
        let top = fc / (1.0 - 0.5 / (q * q)).sqrt();
        let peak = q * q / (q * q - 0.25).sqrt();
        assert!(db(gain(low, top) / peak).abs() < 1e-4);
        assert!(gain(low, 0.98 * top) < gain(low, top) && gain(low, 1.02 * top) < gain(low, top));
    }

    #[test]
    fn the_response_dies_away() {
        let samples = response();
        let peak = samples.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
        let end = samples[samples.len() - 768..]
            .iter()
            .fold(0.0, |a: f64, x| a.max(x.abs()));
        assert!(end < 1e-8 * peak, "{end} of {peak}");
    }
}
