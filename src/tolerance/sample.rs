//! Values by seed, run and name alone.
//!
//! Each name has a key of its own in ChaCha with eight rounds (D. J. Bernstein, "ChaCha, a
//! variant of Salsa20", 2008; the crate `chacha20`), whose stream is read at the place of the
//! run. So a run's values hang neither on other runs nor on what else varies, and any shard
//! has them without counting up to it.
//!
//! With [`Order::Even`] each name's numbers fill the range evenly: a van der Corput sequence,
//! shuffled and scrambled by nested digit permutations keyed by the same name (A. B. Owen 1995;
//! hashed as by B. Burley, JCGT 9(4), 2020; mixing function of N. Vegdahl's variant, from
//! memory). Each power of two of runs then has one value in each of as many parts of the range.

use super::list::{Shape, Variables};
use crate::math::normal;
use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};

/// How one name's numbers of several runs go together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Order {
    /// Independently.
    #[default]
    Chance,
    /// Filling the range evenly.
    Even,
}

/// The numbers of one name: for each run one between 0 and 1.
#[derive(Debug)]
struct Stream {
    rng: ChaCha8Rng,
    /// The run that it stands at.
    at: u64,
    even: Option<[u32; 2]>,
}

impl Stream {
    fn new(seed: u64, name: &str, order: Order) -> Self {
        let mut key = [0u8; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        let lower = name.to_lowercase();
        for (part, to) in key[8..].chunks_exact_mut(8).enumerate() {
            to.copy_from_slice(&hash(lower.as_bytes(), part as u64).to_le_bytes());
        }
        let mut rng = ChaCha8Rng::from_seed(key);
        let even = (order == Order::Even).then(|| {
            rng.set_stream(1);
            let seeds = [rng.next_u32(), rng.next_u32()];
            rng.set_stream(0);
            seeds
        });
        rng.set_word_pos(0);
        Stream { rng, at: 0, even }
    }

    fn number(&mut self, run: u64) -> f64 {
        if let Some([shuffle, scramble]) = self.even {
            // Shuffled first, or the sequences of two names would move together.
            let place = nested(run as u32, shuffle);
            // Runs beyond 2^32 begin anew with other digits.
            let digits = nested(place.reverse_bits(), scramble ^ (run >> 32) as u32);
            return (f64::from(digits) + 0.5) / 4_294_967_296.0;
        }
        if self.at != run {
            self.rng.set_word_pos(2 * u128::from(run));
        }
        self.at = run + 1;
        ((self.rng.next_u64() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }
}

/// FNV-1a, 64 bits, with a part's number before the bytes.
fn hash(bytes: &[u8], part: u64) -> u64 {
    let mut state = 0xcbf2_9ce4_8422_2325_u64;
    for byte in part.to_le_bytes().iter().chain(bytes) {
        state = (state ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    state
}

/// Permutes the digits of a number read from its highest bit down: what a bit becomes depends on
/// the bits above it alone. (The mixing works from the lowest up, so it is turned about.)
fn nested(high_first: u32, seed: u32) -> u32 {
    let mut x = high_first.reverse_bits();
    x ^= x.wrapping_mul(0x3d20_adea);
    x = x.wrapping_add(seed);
    x = x.wrapping_mul((seed >> 16) | 1);
    x ^= x.wrapping_mul(0x0552_6c56);
    x ^= x.wrapping_mul(0x53a2_2864);
    x.reverse_bits()
}

/// Draws the values of all variables.
#[derive(Debug)]
pub struct Sampler {
    streams: Vec<Stream>,
    shape: Shape,
}

impl Sampler {
    /// For the variables' independent numbers ([`Variables::draws`]).
    pub fn new(variables: &Variables, seed: u64, order: Order, shape: Shape) -> Self {
        Sampler::keyed(variables, seed, order, shape, "")
    }

    /// The same with other numbers: names get an addition.
    pub fn keyed(variables: &Variables, seed: u64, order: Order, shape: Shape, more: &str) -> Self {
        let stream = |name: &String| Stream::new(seed, &format!("{name}{more}"), order);
        Sampler {
            streams: variables.draws.iter().map(stream).collect(),
            shape,
        }
    }

    /// The independent numbers of a run, between 0 and 1, `[draws]`.
    pub fn numbers(&mut self, run: u64, to: &mut [f64]) {
        for (to, stream) in to.iter_mut().zip(&mut self.streams) {
            *to = stream.number(run);
        }
    }

    /// The variables' values of a run. `numbers` is room for the independent numbers.
    pub fn values(&mut self, variables: &Variables, run: u64, numbers: &mut [f64], to: &mut [f64]) {
        self.numbers(run, numbers);
        variables.values(self.shape, numbers, to);
    }
}

impl Variables {
    /// The variables' values that independent numbers between 0 and 1 stand for.
    pub fn values(&self, shape: Shape, numbers: &[f64], to: &mut [f64]) {
        for (to, variable) in to.iter_mut().zip(&self.all) {
            let own = numbers[variable.own];
            let number = match variable.shared {
                None => own,
                Some((bottle, common)) => {
                    let both = common.sqrt() * normal::quantile(numbers[bottle])
                        + (1.0 - common).sqrt() * normal::quantile(own);
                    normal::below(both)
                }
            };
            *to = variable.nominal() + shape.off(variable.range, number);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_has_its_numbers_in_any_order() {
        for order in [Order::Chance, Order::Even] {
            let mut forward = Stream::new(7, "R1", order);
            let all: Vec<f64> = (0..200).map(|run| forward.number(run)).collect();
            let mut any = Stream::new(7, "r1", order);
            for run in [150, 3, 4, 199, 0, 64] {
                assert_eq!(any.number(run), all[run as usize]);
            }
            assert_ne!(Stream::new(8, "R1", order).number(3), all[3]);
            assert_ne!(Stream::new(7, "R2", order).number(3), all[3]);
        }
    }

    #[test]
    fn even_numbers_fill_every_part_of_the_range_once() {
        let mut stream = Stream::new(1, "C4", Order::Even);
        let mut seen = [0; 64];
        for run in 128..192 {
            seen[(stream.number(run) * 64.0) as usize] += 1;
        }
        assert_eq!(seen, [1; 64]);
    }

    /// The correlation of two names over 4096 runs is a normal number of deviation 1/64.
    #[test]
    fn names_do_not_move_together() {
        for order in [Order::Chance, Order::Even] {
            let names = ["R1", "R2", "C1", "XV1A.current", "XV1.current"];
            let mut streams: Vec<_> = names.iter().map(|n| Stream::new(3, n, order)).collect();
            let mut sums = [[0.0; 5]; 5];
            for run in 0..4096 {
                let x: Vec<f64> = streams.iter_mut().map(|s| s.number(run) - 0.5).collect();
                for (row, a) in sums.iter_mut().zip(&x) {
                    for (sum, b) in row.iter_mut().zip(&x) {
                        *sum += a * b * 12.0 / 4096.0;
                    }
                }
            }
            for (i, row) in sums.iter().enumerate() {
                for (j, sum) in row.iter().enumerate() {
                    let expected = if i == j { 1.0 } else { 0.0 };
                    assert!(
                        (sum - expected).abs() < 4.0 / 64.0,
                        "{order:?} {i} {j} {sum}"
                    );
                }
            }
        }
    }
}
