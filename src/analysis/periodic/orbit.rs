//! One period of a circuit, and waves read from it.

use crate::math::crests::Crests;
use crate::math::fun;
use crate::math::radau::{self, STAGES};
use crate::system::assemble::{Assembly, SourceState};
use crate::system::audit::Auditor;
use crate::system::probe::{Moment, Observable};
use std::f64::consts::TAU;

/// All unknowns over one period, as cubics from step to step.
#[derive(Debug, Clone)]
pub struct Orbit {
    /// Ends of the steps, s from the start of the period; 0 comes first.
    pub times: Vec<f64>,
    /// Unknowns of the stages, `[steps][STAGES][n]`.
    pub stages: Vec<f64>,
    /// Unknowns at the start, `[n]`; in the steady state those at the end.
    pub start: Vec<f64>,
    /// Discrete states of the laws after each step.
    pub memory: Vec<Vec<f64>>,
}

impl Orbit {
    /// An orbit of no steps yet, from the given unknowns.
    pub fn from(start: Vec<f64>) -> Self {
        Orbit {
            times: vec![0.0],
            stages: Vec::new(),
            start,
            memory: Vec::new(),
        }
    }

    /// Its steps.
    pub fn steps(&self) -> usize {
        self.times.len() - 1
    }

    /// The period, s.
    pub fn period_s(&self) -> f64 {
        self.times[self.steps()]
    }

    /// Unknowns of a stage of a step.
    pub fn stage(&self, step: usize, stage: usize) -> &[f64] {
        let n = self.start.len();
        let at = (step * STAGES + stage) * n;
        &self.stages[at..at + n]
    }

    /// Unknowns at the start of a step.
    pub fn before(&self, step: usize) -> &[f64] {
        match step {
            0 => &self.start,
            _ => self.stage(step - 1, STAGES - 1),
        }
    }

    /// Unknowns at the end.
    pub fn end(&self) -> &[f64] {
        self.before(self.steps())
    }

    /// The four points of a step, weighed.
    pub fn weighed(&self, step: usize, w: [f64; STAGES + 1], k: usize) -> f64 {
        let inner: f64 = (0..STAGES).map(|i| w[i + 1] * self.stage(step, i)[k]).sum();
        w[0] * self.before(step)[k] + inner
    }

    /// The step that holds a time, and how far into it the time lies, 0 to 1.
    pub fn find(&self, time_s: f64) -> (usize, f64) {
        let after = self.times.partition_point(|&t| t <= time_s);
        let step = after.clamp(1, self.steps()) - 1;
        let h = self.times[step + 1] - self.times[step];
        (step, (time_s - self.times[step]) / h)
    }

    /// Half of the distance between the lowest and the highest value of each unknown, `[n]`.
    pub fn swings(&self) -> Vec<f64> {
        let n = self.start.len();
        let (mut low, mut high) = (self.start.clone(), self.start.clone());
        for x in self.stages.chunks_exact(n) {
            for ((low, high), x) in low.iter_mut().zip(&mut high).zip(x) {
                *low = if *x < *low { *x } else { *low };
                *high = if *x > *high { *x } else { *high };
            }
        }
        (0..n).map(|k| 0.5 * (high[k] - low[k])).collect()
    }

    /// Enters every stage in the audit but those of the first step, which starts from the charges
    /// of a period before. `clock` and `drive` as for [`Orbit::wave`].
    pub fn audit(
        &self,
        auditor: &mut Auditor,
        assembly: &mut Assembly<'_>,
        clock: impl Fn(f64) -> f64,
        drive: impl Fn(f64) -> f64,
    ) {
        let d = radau::slopes();
        let kept = (assembly.memory.clone(), assembly.external);
        for step in 1..self.steps() {
            let h = self.times[step + 1] - self.times[step];
            // What a step remembers it does after its end.
            assembly.memory.clone_from(&self.memory[step - 1]);
            let start = auditor.charges(assembly, self.before(step));
            let stages: [Vec<f64>; STAGES] =
                std::array::from_fn(|stage| auditor.charges(assembly, self.stage(step, stage)));
            for (stage, row) in d.iter().enumerate() {
                let t = self.times[step] + radau::C[stage] * h;
                let rates: Vec<f64> = (0..start.len())
                    .map(|k| {
                        (0..STAGES)
                            .map(|j| row[j] * (stages[j][k] - start[k]))
                            .sum::<f64>()
                            / h
                    })
                    .collect();
                if let Some(external) = &mut assembly.external {
                    external.1 = drive(t);
                }
                let (x, ask) = (self.stage(step, stage), SourceState::at(clock(t)));
                auditor.moment(assembly, x, ask, row[stage] / h, &rates);
            }
        }
        (assembly.memory, assembly.external) = kept;
    }

    /// Reads the stages of every step, each with its part of the period: what is summed over them
    /// is the mean, as exact as the orbit itself. `clock` and `drive` as for [`Orbit::wave`].
    pub fn moments(
        &self,
        assembly: &mut Assembly<'_>,
        clock: impl Fn(f64) -> f64,
        drive: impl Fn(f64) -> f64,
        mut read: impl FnMut(&mut Assembly<'_>, Moment<'_>, f64),
    ) {
        let (d, weights) = (radau::slopes(), radau::weights());
        let kept = (assembly.memory.clone(), assembly.external);
        let mut rates = vec![0.0; self.start.len()];
        for step in 0..self.steps() {
            let h = self.times[step + 1] - self.times[step];
            assembly.memory.clone_from(&self.memory[step]);
            for stage in 0..STAGES {
                let t = self.times[step] + radau::C[stage] * h;
                self.rates(step, &d[stage], &mut rates);
                if let Some(external) = &mut assembly.external {
                    external.1 = drive(t);
                }
                let moment = Moment {
                    time: Some(clock(t)),
                    x: self.stage(step, stage),
                    rates: Some(&rates),
                };
                read(assembly, moment, weights[stage] * h / self.period_s());
            }
        }
        (assembly.memory, assembly.external) = kept;
    }

    /// The rates of all unknowns at a stage of a step, by the stage's weights, 1/s.
    fn rates(&self, step: usize, weights: &[f64], rates: &mut [f64]) {
        let h = self.times[step + 1] - self.times[step];
        for (k, rate) in rates.iter_mut().enumerate() {
            let start = self.before(step)[k];
            let rise = |j: usize| weights[j] * (self.stage(step, j)[k] - start);
            *rate = (0..STAGES).map(rise).sum::<f64>() / h;
        }
    }

    /// The wave of a probe. `clock` tells the time that sources are read at, `drive` the
    /// value of the driven one, for a time in s from the start of the period.
    pub fn wave(
        &self,
        probe: &Observable,
        assembly: &mut Assembly<'_>,
        clock: impl Fn(f64) -> f64,
        drive: impl Fn(f64) -> f64,
    ) -> Wave {
        let n = self.start.len();
        let d = radau::slopes();
        let kept = assembly.memory.clone();
        let mut rates = vec![0.0; n];
        let mut values = Vec::with_capacity(self.steps());
        for step in 0..self.steps() {
            let h = self.times[step + 1] - self.times[step];
            assembly.memory.clone_from(&self.memory[step]);
            let mut at = [0.0; STAGES + 1];
            for stage in 0..STAGES {
                let t = self.times[step] + radau::C[stage] * h;
                self.rates(step, &d[stage], &mut rates);
                if let Some(external) = &mut assembly.external {
                    external.1 = drive(t);
                }
                let moment = Moment {
                    time: Some(clock(t)),
                    x: self.stage(step, stage),
                    rates: Some(&rates),
                };
                at[stage + 1] = probe.read(assembly, moment);
            }
            values.push(at);
        }
        assembly.memory = kept;
        // The end of a step is the start of the next; the last one's that of the first.
        let ends: Vec<f64> = values.iter().map(|v| v[STAGES]).collect();
        for (step, v) in values.iter_mut().enumerate() {
            v[0] = ends[(step + ends.len() - 1) % ends.len()];
        }
        Wave {
            times: self.times.clone(),
            values,
        }
    }
}

/// One quantity over a period: a cubic in each step.
#[derive(Debug, Clone)]
pub struct Wave {
    /// Ends of the steps, s; 0 comes first.
    times: Vec<f64>,
    /// At the start and the stages of each step.
    values: Vec<[f64; STAGES + 1]>,
}

/// Places and weights of Gauss and Legendre's quadrature with eight points on -1..1
/// (M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions", table 25.4; from
/// memory, checked by the tests).
const GAUSS: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_5),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_26),
];

impl Wave {
    /// The period, s.
    pub fn period_s(&self) -> f64 {
        self.times[self.values.len()]
    }

    /// The mean over the period of what `of` makes of time (as a part of the period) and
    /// value.
    fn mean_of<const N: usize>(&self, of: impl Fn(f64, f64) -> [f64; N]) -> [f64; N] {
        let period = self.period_s();
        let nodes: Vec<(f64, f64, [f64; STAGES + 1])> = GAUSS
            .iter()
            .flat_map(|&(x, w)| [(-x, w), (x, w)])
            .map(|(x, w)| {
                let s = 0.5 * (1.0 + x);
                (s, 0.5 * w, radau::interpolate(s))
            })
            .collect();
        let mut sums = [0.0; N];
        for (step, v) in self.values.iter().enumerate() {
            let h = self.times[step + 1] - self.times[step];
            for (s, weight, cubic) in &nodes {
                let value: f64 = cubic.iter().zip(v).map(|(c, v)| c * v).sum();
                let part = (self.times[step] + s * h) / period;
                for (sum, x) in sums.iter_mut().zip(of(part, value)) {
                    *sum += weight * h / period * x;
                }
            }
        }
        sums
    }

    /// The mean.
    pub fn mean(&self) -> f64 {
        self.mean_of(|_, y| [y])[0]
    }

    /// The root of the mean square, without the mean.
    pub fn rms(&self) -> f64 {
        let mean = self.mean();
        self.mean_of(|_, y| [(y - mean) * (y - mean)])[0].sqrt()
    }

    /// The lowest and the highest value, by the computed points.
    pub fn extremes(&self) -> (f64, f64) {
        let mut crests = Crests::default();
        for (ends, values) in self.times.windows(2).zip(&self.values) {
            let h = ends[1] - ends[0];
            // A step's start is the end of the one before.
            for (c, value) in radau::C.iter().zip(&values[1..]) {
                crests.take(ends[0] + c * h, *value);
            }
        }
        (crests.low, crests.high)
    }

    /// The part that repeats `cycles` times in the period: cosine and sine amplitudes, peak.
    pub fn harmonic(&self, cycles: u64) -> (f64, f64) {
        let [a, b] = self.mean_of(|part, y| {
            // Whole turns are dropped first: the angle stays exact.
            let turns = part * cycles as f64;
            let angle = TAU * (turns - turns.floor());
            [2.0 * y * fun::cos(angle), 2.0 * y * fun::sin(angle)]
        });
        (a, b)
    }

    /// The amplitude of that part as rms.
    pub fn harmonic_rms(&self, cycles: u64) -> f64 {
        let (a, b) = self.harmonic(cycles);
        fun::hypot(a, b) * std::f64::consts::FRAC_1_SQRT_2
    }

    /// The value at a time in s within the period.
    pub fn at(&self, time_s: f64) -> f64 {
        let steps = self.values.len();
        let after = self.times.partition_point(|&t| t <= time_s);
        let step = after.clamp(1, steps) - 1;
        let h = self.times[step + 1] - self.times[step];
        let w = radau::interpolate((time_s - self.times[step]) / h);
        w.iter().zip(&self.values[step]).map(|(w, v)| w * v).sum()
    }
}

/// One pass through the period.
pub(super) struct Pass {
    pub orbit: Orbit,
    /// Charges at the end less those at the start, `[state]`, in V or A.
    pub moved: Vec<f64>,
    /// Charges at the end, `[n]`.
    pub end: Vec<f64>,
    /// Columns of the monodromy matrix, `[columns * state]`, in V or A: those that were asked for.
    pub monodromy: Vec<f64>,
    /// Charge of a volt or flux of an ampere, `[state]`.
    pub weights: Vec<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wave over uneven steps.
    fn wave(f: impl Fn(f64) -> f64, steps: usize) -> Wave {
        let times: Vec<f64> = (0..=steps)
            .map(|k| {
                let part = k as f64 / steps as f64;
                1e-3 * (part + 0.05 * (TAU * part).sin() / TAU)
            })
            .collect();
        let values = (0..steps)
            .map(|k| {
                let h = times[k + 1] - times[k];
                [0.0, radau::C[0], radau::C[1], 1.0].map(|c| f((times[k] + c * h) / 1e-3))
            })
            .collect();
        Wave { times, values }
    }

    #[test]
    fn a_sum_of_sines_gives_its_parts_back() {
        let f = |p: f64| {
            2.0 + 3.0 * (TAU * p).sin() + 1e-3 * (TAU * 2.0 * p + 0.3).cos()
                - 1e-4 * (TAU * 20.0 * p).sin()
        };
        let wave = wave(f, 160);
        assert!((wave.mean() - 2.0).abs() < 1e-9);
        let rms = ((9.0 + 1e-6 + 1e-8) / 2.0f64).sqrt();
        assert!((wave.rms() - rms).abs() < 1e-8);
        assert!((wave.harmonic(1).1 - 3.0).abs() < 1e-8);
        for (k, peak) in [(2, 1e-3), (3, 0.0), (19, 0.0), (20, 1e-4)] {
            let found = wave.harmonic_rms(k) * 2f64.sqrt();
            assert!((found - peak).abs() < 2e-8, "{k}: {found}");
        }
        assert!((wave.at(0.3e-3) - f(0.3)).abs() < 1e-7);
    }

    #[test]
    fn quadrature_is_exact_to_degree_15() {
        let integral = |power: i32| -> f64 {
            let both = GAUSS.iter().flat_map(|&(x, w)| [(x, w), (-x, w)]);
            both.map(|(x, w): (f64, f64)| w * x.powi(power)).sum()
        };
        for power in 0..=15 {
            let exact = if power % 2 == 0 {
                2.0 / f64::from(power + 1)
            } else {
                0.0
            };
            assert!((integral(power) - exact).abs() < 1e-14, "{power}");
        }
    }
}
