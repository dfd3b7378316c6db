//! Convolution of a stream with a long finite response, block by block.
//!
//! Source: T. G. Stockham, "High-speed convolution and correlation", AFIPS
//! Spring Joint Computer Conference, 1966 (products of transforms, keeping the
//! part that does not wrap round); the response cut into equal parts whose
//! spectra meet those of past blocks, as in W. G. Gardner, "Efficient
//! convolution without input-output delay", J. Audio Eng. Soc. 43(3), 1995
//! (both from memory). Nothing here runs in real time, so the stream waits for
//! a block to fill; what comes out is not shifted by that.

use super::fft::Fft;

/// Longest part that a response is cut into, samples. Longer parts cost less
/// for each sample and more memory; from here on the gain is small.
const LONGEST_PART: usize = 4096;
/// Shortest part, samples.
const SHORTEST_PART: usize = 64;

/// A spectrum of a real signal: frequencies from zero to half the rate.
#[derive(Debug, Clone)]
struct Spectrum {
    re: Vec<f64>,
    im: Vec<f64>,
}

/// Convolves a stream with a finite response: output sample n is the sum over
/// k of `taps[k]` times input sample n + `before` - k, the input being silent
/// before its start and after its end.
///
/// Memory: about 32 bytes for each tap, whatever the length of the stream.
#[derive(Debug, Clone)]
pub struct Convolver {
    part: usize,
    fft: Fft,
    /// Spectra of the response's parts, first part first.
    parts: Vec<Spectrum>,
    /// Spectra of as many past blocks, in a ring.
    past: Vec<Spectrum>,
    /// Place of the newest block in the ring.
    newest: usize,
    /// The last block, and the one that is being filled.
    window: Vec<f64>,
    filled: usize,
    /// Outputs still to be dropped because they answer the time before the stream.
    early: usize,
    /// Samples taken and not yet answered.
    owed: usize,
    /// Room for a transform: its real and imaginary part.
    work: (Vec<f64>, Vec<f64>),
}

impl Convolver {
    /// A convolver at the start of a stream; `taps[before]` answers the sample itself.
    pub fn new(taps: &[f64], before: usize) -> Self {
        let part = taps.len().next_power_of_two();
        let part = part.clamp(SHORTEST_PART, LONGEST_PART);
        let fft = Fft::new(2 * part);
        let mut work = (vec![0.0; 2 * part], vec![0.0; 2 * part]);
        let spectrum = |taps: &[f64]| {
            work.0.fill(0.0);
            work.1.fill(0.0);
            work.0[..taps.len()].copy_from_slice(taps);
            fft.forward(&mut work.0, &mut work.1);
            Spectrum {
                re: work.0[..=part].to_vec(),
                im: work.1[..=part].to_vec(),
            }
        };
        let parts: Vec<Spectrum> = taps.chunks(part).map(spectrum).collect();
        let silence = Spectrum {
            re: vec![0.0; part + 1],
            im: vec![0.0; part + 1],
        };
        Convolver {
            part,
            fft,
            past: vec![silence; parts.len()],
            parts,
            newest: 0,
            window: vec![0.0; 2 * part],
            filled: 0,
            early: before,
            owed: 0,
            work,
        }
    }

    /// Takes samples and appends to `out` all that can be said already: it
    /// lags by `before` and a part of the response, at most 4096 samples,
    /// until [`Convolver::finish`]. How the stream is cut up makes no difference.
    pub fn push(&mut self, mut samples: &[f64], out: &mut Vec<f64>) {
        self.owed += samples.len();
        while !samples.is_empty() {
            let room = self.part - self.filled;
            let (now, later) = samples.split_at(room.min(samples.len()));
            let at = self.part + self.filled;
            self.window[at..at + now.len()].copy_from_slice(now);
            self.filled += now.len();
            samples = later;
            if self.filled == self.part {
                self.turn(out);
            }
        }
    }

    /// Ends the stream and appends the rest: exactly as many samples as were
    /// pushed will have come out. What would sound on after the end is dropped.
    pub fn finish(mut self, out: &mut Vec<f64>) {
        let end = out.len() + self.owed;
        let silence = vec![0.0; self.part];
        while out.len() < end {
            let room = self.part - self.filled;
            self.push(&silence[..room], out);
        }
        out.truncate(end);
    }

    /// Answers a full block.
    fn turn(&mut self, out: &mut Vec<f64>) {
        let part = self.part;
        let (re, im) = (&mut self.work.0, &mut self.work.1);
        if let Some(oldest) = (self.newest + 1).checked_rem(self.past.len()) {
            self.newest = oldest;
            re.copy_from_slice(&self.window);
            im.fill(0.0);
            self.fft.forward(re, im);
            self.past[oldest].re.copy_from_slice(&re[..=part]);
            self.past[oldest].im.copy_from_slice(&im[..=part]);
        }
        re.fill(0.0);
        im.fill(0.0);
        // The first part of the response meets the newest block, the next the one before it.
        let (recent, older) = self.past.split_at(self.past.len().min(self.newest + 1));
        let past = recent.iter().rev().chain(older.iter().rev());
        for (h, x) in self.parts.iter().zip(past) {
            add_product(&mut re[..=part], &mut im[..=part], h, x);
        }
        // The spectrum of a real signal is its own conjugate mirror image.
        for k in 1..part {
            re[2 * part - k] = re[k];
            im[2 * part - k] = -im[k];
        }
        self.fft.inverse(re, im);
        // The first half has wrapped round.
        let early = self.early.min(part);
        out.extend_from_slice(&re[part + early..]);
        self.early -= early;
        self.owed = self.owed.saturating_sub(part - early);
        self.window.copy_within(part.., 0);
        self.filled = 0;
    }
}

/// Adds the product of two spectra.
fn add_product(re: &mut [f64], im: &mut [f64], a: &Spectrum, b: &Spectrum) {
    // Slices of one known length let the compiler drop the bounds checks of the loop.
    let n = re.len();
    let (im, a_re, a_im) = (&mut im[..n], &a.re[..n], &a.im[..n]);
    let (b_re, b_im) = (&b.re[..n], &b.im[..n]);
    for k in 0..n {
        re[k] += a_re[k] * b_re[k] - a_im[k] * b_im[k];
        im[k] += a_re[k] * b_im[k] + a_im[k] * b_re[k];
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

    fn convolved(taps: &[f64], before: usize, samples: &[f64], block: usize) -> Vec<f64> {
        let (mut convolver, mut out) = (Convolver::new(taps, before), Vec::new());
        samples
            .chunks(block)
            .for_each(|part| convolver.push(part, &mut out));
        convolver.finish(&mut out);
        out
    }

    /// The sum that defines it.
    fn direct(taps: &[f64], before: usize, samples: &[f64], n: usize) -> f64 {
        let meets = |(k, tap): (usize, &f64)| {
            let x = (n + before).checked_sub(k).and_then(|m| samples.get(m));
            tap * x.unwrap_or(&0.0)
        };
        taps.iter().enumerate().map(meets).sum()
    }

    #[test]
    fn it_is_the_sum_that_defines_it() {
        for (taps, before, length) in [
            (1, 0, 10),
            (3, 2, 100),
            (64, 0, 1000),
            (65, 7, 1000),
            (300, 299, 2000),
            (9000, 0, 14_000),
            (13_000, 5000, 9000),
            (500, 0, 20),
        ] {
            let (h, x) = (noise(taps, 7), noise(length, 8));
            let found = convolved(&h, before, &x, 777);
            assert_eq!(found.len(), length);
            for n in (0..length).step_by(1 + length / 300) {
                let off = (found[n] - direct(&h, before, &x, n)).abs();
                assert!(off < 1e-11, "{taps} taps, {before} before, {n}: {off}");
            }
        }
    }

    #[test]
    fn the_size_of_the_blocks_changes_nothing() {
        let (h, x) = (noise(5000, 1), noise(10_000, 2));
        let whole = convolved(&h, 40, &x, x.len());
        for block in [1, 64, 999, 4096] {
            assert_eq!(convolved(&h, 40, &x, block), whole, "blocks of {block}");
        }
    }

    #[test]
    fn an_answer_comes_when_it_can_be_given() {
        let (h, x) = (noise(5000, 1), noise(10_000, 2));
        let (mut convolver, mut out) = (Convolver::new(&h, 40), Vec::new());
        convolver.push(&x, &mut out);
        assert_eq!(out.len(), 2 * LONGEST_PART - 40);
    }

    #[test]
    fn silence_stays_silent_and_nothing_stays_nothing() {
        assert!(
            convolved(&noise(5000, 1), 3, &[0.0; 9000], 500)
                .iter()
                .all(|&x| x == 0.0)
        );
        assert!(convolved(&noise(500, 1), 3, &[], 1).is_empty());
        assert_eq!(convolved(&[], 0, &[1.0; 200], 7), [0.0; 200]);
    }
}
