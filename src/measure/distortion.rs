//! Harmonic and intermodulation distortion in the steady state.
//!
//! Words and formulas are those of IEC 60268-3, "Sound system equipment: Amplifiers" (from
//! memory): harmonic distortion of order n, total harmonic distortion, distortion-limited
//! output, modulation distortion, difference-frequency distortion. The standard refers the
//! total to the whole output; most of the trade refers it to the fundamental. Both are here.

use crate::analysis::natural::Stability;
use crate::analysis::periodic::{Accuracy, Periodic, PeriodicState, Signal, Trouble};
use crate::circuit::{Circuit, Element, Piece, Port};
use crate::device::{Pin, speaker};
use crate::math::fun;
use crate::system::assemble::Driven;
use crate::system::probe::Observable;

/// Harmonics that are measured, the fundamental being the first.
pub const HARMONICS: usize = 20;

/// Why a measurement ended without a result.
#[derive(Debug, Clone, PartialEq)]
pub enum Halt<E> {
    /// The circuit has no steady state to tell.
    Trouble(Trouble),
    /// An output level was asked for that no input level gives.
    OutOfReach(OutOfReach),
    /// Whoever was polled said stop.
    Stopped(E),
}

impl<E> From<Trouble> for Halt<E> {
    fn from(trouble: Trouble) -> Self {
        Halt::Trouble(trouble)
    }
}

/// An output level that cannot be reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfReach {
    /// The level asked for, rms without DC, in the probe's unit.
    pub wanted: f64,
    /// The greatest that was seen.
    pub most: f64,
    /// The input peak that gave it, V or A.
    pub at_level: f64,
}

impl std::fmt::Display for OutOfReach {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let show = |x: f64| crate::num::engineering(x, "", 4);
        let (wanted, most) = (show(self.wanted), show(self.most));
        let at = show(self.at_level);
        if self.most > self.wanted {
            write!(
                f,
                "the output cannot come down to {wanted} rms: with next to no input it is {most}"
            )
        } else {
            write!(
                f,
                "the output cannot reach {wanted} rms: it comes to {most} at an input peak of {at}"
            )
        }
    }
}

/// What one level of a sine gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Peak at the source, V or A.
    pub level: f64,
    /// The output's mean, in the probe's unit.
    pub mean: f64,
    /// The output's rms without its mean.
    pub rms: f64,
    /// Its lowest and highest value.
    pub extremes: (f64, f64),
    /// Rms of the harmonics, the fundamental first; `[HARMONICS]`.
    pub harmonics: Vec<f64>,
    /// Power in the load without DC, W.
    pub load_w: Option<f64>,
    /// How it was found.
    pub found: PeriodicState,
}

impl Reading {
    /// Total harmonic distortion relative to the fundamental, harmonics 2 to 20, as a ratio;
    /// NaN where there is no fundamental.
    pub fn thd(&self) -> f64 {
        if self.harmonics[0] > 0.0 {
            self.residue() / self.harmonics[0]
        } else {
            f64::NAN
        }
    }

    /// The same relative to the whole output, as IEC 60268-3 has it.
    pub fn thd_of_output(&self) -> f64 {
        if self.rms > 0.0 {
            self.residue() / self.rms
        } else {
            f64::NAN
        }
    }

    fn residue(&self) -> f64 {
        let squares = self.harmonics[1..].iter().map(|h| h * h);
        squares.sum::<f64>().sqrt()
    }

    /// A harmonic (the fundamental is 1) in dB re 1 V rms (or A, or W); minus infinity for
    /// nothing.
    pub fn harmonic_db(&self, order: usize) -> f64 {
        20.0 * fun::log10(self.harmonics[order - 1])
    }
}

/// Two tones at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pair {
    /// 60 Hz and 7 kHz, four to one (SMPTE RP 120; modulation distortion in IEC 60268-3).
    Smpte,
    /// 19 and 20 kHz, one to one (CCIF; difference-frequency distortion in IEC 60268-3).
    Ccif,
}

impl Pair {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Pair::Smpte => "60 Hz and 7 kHz, 4:1 (SMPTE)",
            Pair::Ccif => "19 and 20 kHz, 1:1 (CCIF)",
        }
    }

    /// The signal whose two peaks add up to `level`.
    fn signal(self, level: f64) -> Signal {
        match self {
            Pair::Smpte => Signal {
                base_hz: 20.0,
                parts: vec![(3, 0.8 * level), (350, 0.2 * level)],
            },
            Pair::Ccif => Signal {
                base_hz: 1e3,
                parts: vec![(19, 0.5 * level), (20, 0.5 * level)],
            },
        }
    }
}

/// What one level of two tones gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Intermodulation {
    /// Sum of the two peaks at the source, V or A.
    pub level: f64,
    /// The output's rms without its mean.
    pub rms: f64,
    /// Rms of the two tones in the output, the lower first.
    pub tones: (f64, f64),
    /// Distortion of second order, as a ratio to the upper tone (SMPTE) or to the sum of both
    /// tones (CCIF).
    pub second: f64,
    /// The same of third order.
    pub third: f64,
    /// How it was found.
    pub found: PeriodicState,
}

impl Intermodulation {
    /// Both orders together.
    pub fn total(&self) -> f64 {
        fun::hypot(self.second, self.third)
    }
}

/// A resistor or loudspeaker whose power is measured.
#[derive(Debug, Clone)]
pub struct Load {
    current: Observable,
    ohms: f64,
}

impl Load {
    /// Reads the current through it, A.
    pub fn current(&self) -> &Observable {
        &self.current
    }

    /// Its resistance, ohms; a loudspeaker's is that of its voice coil.
    pub fn ohms(&self) -> f64 {
        self.ohms
    }

    /// A resistor, or a loudspeaker, whose power is what its wire takes: nearly all of what goes
    /// in, as the air takes a few per cent. None if it is neither.
    pub fn new(circuit: &Circuit, element: &Element) -> Option<Load> {
        let wire = |port: &Port| match (port.from, port.piece) {
            (Pin::T(0), Piece::Resistance(k)) => Some(circuit.resistances[k].ohms),
            _ => None,
        };
        let is_speaker = element.kind.is_some_and(|k| k.name == speaker::KIND.name);
        let ohms = match element.letter {
            'R' => element.value,
            _ if is_speaker => element.ports.iter().find_map(wire),
            _ => None,
        };
        let ohms = ohms.filter(|&r| r > 0.0)?;
        Some(Load {
            current: Observable::current(element),
            ohms,
        })
    }
}

/// A circuit on the test bench: a source that gives sines and a probe. A copy starts from what was
/// measured so far.
#[derive(Debug, Clone)]
pub struct Tester<'c> {
    search: Periodic<'c>,
    probe: Observable,
    load: Option<Load>,
}

/// Levels at which searches give up, V or A.
const LOWEST: f64 = 1e-9;
const HIGHEST: f64 = 1e4;
/// Searches end when the figure they seek is met to this part of it.
const MET: f64 = 1e-5;
/// Steps of a search between two ends.
const STEPS: usize = 60;
/// Far from what is sought a reading may be off by N times more ...
const ROUGHLY: f64 = 100.0;
/// ... which is nearer than this part of the figure.
const NEAR_IT: f64 = 0.02;
/// Distortion below this is not read so.
const LEAST_ROUGH: f64 = 1e-2;

impl<'c> Tester<'c> {
    /// For a source, which moves about its DC value, and a probe.
    ///
    /// # Errors
    /// If the circuit has no operating point.
    pub fn new(circuit: &'c Circuit, driven: Driven, probe: Observable) -> Result<Self, Trouble> {
        Ok(Tester {
            search: Periodic::new(circuit, driven, Accuracy::default())?,
            probe,
            load: None,
        })
    }

    /// With a load whose power is measured too.
    pub fn with_load(mut self, load: Load) -> Self {
        self.load = Some(load);
        self
    }

    /// Whether anything grows about the operating point.
    pub fn stability(&mut self) -> Stability {
        self.search.stability()
    }

    /// Forgets what was measured: the next reading starts from the operating point and depends on
    /// nothing that came before.
    pub fn forget(&mut self) {
        self.search.forget();
    }

    /// The wave at the probe in the steady state that was measured last.
    pub fn wave(&mut self) -> crate::analysis::periodic::Wave {
        self.search.wave(&self.probe)
    }

    /// The output for a sine of `level` (peak, V or A, more than zero). Starts from the state
    /// measured last, so that neighbouring levels are cheap.
    ///
    /// # Errors
    /// If there is no steady state, or `poll` says stop.
    pub fn at_level<E>(
        &mut self,
        freq_hz: f64,
        level: f64,
        poll: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Reading, Halt<E>> {
        let signal = Signal::sine(freq_hz, level);
        let found = self.search.solve(&signal, poll)?.map_err(Halt::Stopped)?;
        let wave = self.search.wave(&self.probe);
        let load_w = self.load.as_ref().map(|load| {
            let amperes = self.search.wave(&load.current).rms();
            amperes * amperes * load.ohms
        });
        Ok(Reading {
            level,
            mean: wave.mean(),
            rms: wave.rms(),
            extremes: wave.extremes(),
            harmonics: (1..=HARMONICS as u64)
                .map(|k| wave.harmonic_rms(k * found.cycles))
                .collect(),
            load_w,
            found,
        })
    }

    /// The same on the way to what is sought, N times less exact.
    fn roughly<E>(
        &mut self,
        times: f64,
        freq_hz: f64,
        level: f64,
        poll: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Reading, Halt<E>> {
        self.search.loosen(times);
        let reading = self.at_level(freq_hz, level, poll);
        self.search.loosen(1.0);
        reading
    }

    /// The output for two tones whose peaks add up to `level`.
    ///
    /// # Errors
    /// If there is no steady state, or `poll` says stop.
    pub fn two_tones<E>(
        &mut self,
        pair: Pair,
        level: f64,
        poll: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Intermodulation, Halt<E>> {
        let signal = pair.signal(level);
        let found = self.search.solve(&signal, poll)?.map_err(Halt::Stopped)?;
        let wave = self.search.wave(&self.probe);
        let at = |k: u64| wave.harmonic_rms(k * found.cycles);
        let (low, high) = (signal.parts[0].0, signal.parts[1].0);
        let tones = (at(low), at(high));
        let (second, third) = match pair {
            Pair::Smpte => (
                (at(high - low) + at(high + low)) / tones.1,
                (at(high - 2 * low) + at(high + 2 * low)) / tones.1,
            ),
            Pair::Ccif => {
                let sum = tones.0 + tones.1;
                (
                    at(high - low) / sum,
                    (at(2 * low - high) + at(2 * high - low)) / sum,
                )
            }
        };
        Ok(Intermodulation {
            level,
            rms: wave.rms(),
            tones,
            second,
            third,
            found,
        })
    }

    /// The reading at which the output is `wanted` (rms without DC, in the probe's unit): the
    /// input level is sought, the lowest that gives it. `near` is a level to start from.
    ///
    /// # Errors
    /// [`Halt::OutOfReach`] if the output limits below it, or there is none.
    pub fn at_output<E>(
        &mut self,
        freq_hz: f64,
        wanted: f64,
        near: f64,
        poll: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Reading, Halt<E>> {
        let met = |r: &Reading| (r.rms / wanted - 1.0).abs() <= MET;
        let mut below: Option<Reading> = None;
        let mut level = near;
        let mut best = OutOfReach {
            wanted,
            most: 0.0,
            at_level: near,
        };
        // How far the level has risen since the output last rose.
        let mut in_vain = 1.0;
        let above = loop {
            let mut reading = self.roughly(ROUGHLY, freq_hz, level, poll)?;
            if (reading.rms / wanted - 1.0).abs() <= NEAR_IT {
                reading = self.at_level(freq_hz, level, poll)?;
            }
            if met(&reading) {
                return Ok(reading);
            }
            if reading.rms > wanted {
                if below.is_some() {
                    break reading;
                }
                if level <= LOWEST {
                    // Something else makes this output.
                    best.most = reading.rms;
                    best.at_level = level;
                    return Err(Halt::OutOfReach(best));
                }
                level = (level * 0.9 * wanted / reading.rms).max(LOWEST);
                continue;
            }
            if reading.rms > 1.005 * best.most {
                best.most = reading.rms;
                best.at_level = level;
                in_vain = 1.0;
            }
            let factor = if reading.rms > 0.0 {
                (1.02 * wanted / reading.rms).clamp(1.02, 3.0)
            } else {
                3.0
            };
            in_vain *= factor;
            if in_vain > 30.0 || level >= HIGHEST {
                return Err(Halt::OutOfReach(best));
            }
            level = (level * factor).min(HIGHEST);
            below = Some(reading);
        };
        let Some(below) = below else {
            return Ok(above);
        };
        self.between(freq_hz, below, above, |r| r.rms / wanted, poll)
    }

    /// The lowest level at which the total harmonic distortion (relative to the fundamental)
    /// comes to each of `ratios`, which rise: where clipping begins. `near` is a level to start
    /// from; steps of 3 dB are taken, so that a dip narrower than that may be stepped over.
    /// None where no level up to 80 dB above the quiet start reaches it.
    ///
    /// # Errors
    /// If there is no steady state, or `poll` says stop.
    pub fn onsets<E>(
        &mut self,
        freq_hz: f64,
        ratios: &[f64],
        near: f64,
        poll: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Vec<Option<Reading>>, Halt<E>> {
        let mut found: Vec<Option<Reading>> = vec![None; ratios.len()];
        let least = ratios.iter().copied().fold(f64::INFINITY, f64::min);
        let times = if least >= LEAST_ROUGH { ROUGHLY } else { 1.0 };
        let mut reading = self.roughly(times, freq_hz, near, poll)?;
        // Down to where it is clean.
        while reading.thd() >= 0.5 * least && reading.level > LOWEST {
            reading = self.roughly(times, freq_hz, 0.25 * reading.level, poll)?;
        }
        if reading.thd() >= least {
            // Never clean: no onset to tell.
            return Ok(found);
        }
        let highest = (1e4 * reading.level).min(HIGHEST);
        for (ratio, found) in ratios.iter().zip(&mut found) {
            while reading.thd() < *ratio && reading.level < highest {
                let thd = reading.thd();
                // Where it is clean still, strides may be longer.
                let stride = if thd < 0.1 * ratio { 2.0 } else { 2f64.sqrt() };
                let next = self.roughly(times, freq_hz, stride * reading.level, poll)?;
                if next.thd() >= *ratio {
                    let [mut low, mut high] = [reading, next];
                    for end in [&mut low, &mut high] {
                        if (end.thd() / ratio - 1.0).abs() <= NEAR_IT {
                            *end = self.at_level(freq_hz, end.level, poll)?;
                        }
                    }
                    // What was read roughly may have stood on the other side.
                    while low.thd() >= *ratio && low.level > LOWEST {
                        high = low;
                        low = self.at_level(freq_hz, (1.0 - NEAR_IT) * high.level, poll)?;
                    }
                    while high.thd() < *ratio && high.level < highest {
                        low = high;
                        high = self.at_level(freq_hz, (1.0 + NEAR_IT) * low.level, poll)?;
                    }
                    let met = self.between(freq_hz, low, high, |r| r.thd() / ratio, poll)?;
                    *found = Some(met);
                    // The next ratio is sought from here on.
                    reading = found.clone().expect("just found");
                    break;
                }
                reading = next;
            }
        }
        Ok(found)
    }

    /// The reading between two others where `figure` is one: regula falsi on logarithms, the
    /// standing end's weight halved (the Illinois variant).
    fn between<E>(
        &mut self,
        freq_hz: f64,
        low: Reading,
        high: Reading,
        figure: impl Fn(&Reading) -> f64,
        poll: &mut dyn FnMut() -> Result<(), E>,
    ) -> Result<Reading, Halt<E>> {
        let height = |r: &Reading| fun::ln(figure(r).max(1e-300));
        let (mut a, mut b) = (fun::ln(low.level), fun::ln(high.level));
        let (mut at_a, mut at_b) = (height(&low), height(&high));
        let mut last = if at_b.abs() < at_a.abs() { high } else { low };
        let mut side = 0;
        for _ in 0..STEPS {
            if height(&last).abs() <= MET || b - a <= 1e-12 {
                break;
            }
            let part = (-at_a / (at_b - at_a)).clamp(0.02, 0.98);
            let x = a + part * (b - a);
            last = self.at_level(freq_hz, fun::exp(x), poll)?;
            let y = height(&last);
            if y < 0.0 {
                (a, at_a) = (x, y);
                at_b *= if side < 0 { 0.5 } else { 1.0 };
                side = -1;
            } else {
                (b, at_b) = (x, y);
                at_a *= if side > 0 { 0.5 } else { 1.0 };
                side = 1;
            }
        }
        Ok(last)
    }
}
