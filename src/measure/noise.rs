//! Noise at a probe: its density over frequency, its total and what it is made of.
//!
//! Every resistance and every noise current of a law acts by itself; their powers add. The
//! adjoint solution gives the transfer from all of them to the probe at once (R. Rohrer,
//! L. Nagel, R. Meyer and L. Weber, IEEE J. Solid-State Circuits SC-6, 1971, p. 204; from
//! memory).
//!
//! Totals are sums by Simpson's rule over the logarithm of frequency on points of their own,
//! so they do not depend on the rows asked for; where a resonance bends the density the points
//! come closer. A-weighting: IEC 61672-1, annex with the pole
//! frequencies.

use crate::analysis::small_signal::{Excitation, SmallSignal};
use crate::circuit::{Circuit, Element, Node, Piece, Sense, Sink};
use crate::device::noise::{self, Rest};
use crate::math::fun;
use crate::math::lu::Singular;
use crate::measure::gain::size;
use crate::system::assemble::{Assembly, Driven};
use crate::system::probe::LinearProbe;
use num_complex::Complex;

/// A source of noise somewhere in the circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct Origin {
    /// The element, as the user named it.
    pub element: String,
    /// `thermal`, `shot`, `grid`, `partition` ...
    pub kind: &'static str,
    /// Where its current leaves the circuit and returns, with its part in it.
    ports: Vec<(Node, Node, f64)>,
    /// The winding in whose wire it is a voltage instead, V^2/Hz.
    winding: Option<usize>,
    /// A^2/Hz at high frequencies.
    white: f64,
    /// A^2/Hz more at 1 Hz, falling with 1/f.
    flicker: f64,
}

/// All noise of a circuit at its operating point `x`, in the order of its elements.
pub fn origins(assembly: &mut Assembly<'_>, x: &[f64]) -> Vec<Origin> {
    let circuit = assembly.circuit;
    let mut found = Vec::new();
    for element in &circuit.elements {
        let mut asked: Vec<usize> = Vec::new();
        for port in &element.ports {
            match port.piece {
                Piece::Resistance(k) => {
                    let r = &circuit.resistances[k];
                    found.push(Origin {
                        element: element.name.clone(),
                        kind: "thermal",
                        ports: vec![(r.a, r.b, 1.0)],
                        winding: None,
                        white: noise::thermal(1.0 / r.ohms, circuit.celsius),
                        flicker: 0.0,
                    });
                }
                Piece::Law(index, _) if !asked.contains(&index) => {
                    asked.push(index);
                    found.extend(of_law(assembly, x, index, &element.name));
                }
                _ => {}
            }
        }
        found.extend(of_windings(circuit, element));
    }
    found
}

/// Copper and iron of a transformer or choke: each winding's resistance is a voltage in its wire;
/// what the iron loses lies across the node of one turn, inside the device, as a resistance does.
fn of_windings(circuit: &Circuit, element: &Element) -> Vec<Origin> {
    let mut found = Vec::new();
    if element.kind.is_none() {
        return found;
    }
    let thermal = |ports, winding, per: f64| Origin {
        element: element.name.clone(),
        kind: "thermal",
        ports,
        winding,
        white: noise::thermal(per, circuit.celsius),
        flicker: 0.0,
    };
    let own = |k: usize| element.ports.iter().any(|p| p.piece == Piece::Branch(k));
    for gain in &circuit.gains {
        if let (Sense::Current(a), Sink::Branch(b)) = (gain.sense, gain.sink)
            && a == b
            && own(a.0)
        {
            found.push(thermal(Vec::new(), Some(a.0), gain.gain));
        }
    }
    let inside = format!("{}#", element.name);
    let is_inside = |n: Node| {
        let name = &circuit.nodes[n.0];
        name.inner && name.name.starts_with(&inside)
    };
    let own = |k: usize| {
        let piece = Piece::Resistance(k);
        element.ports.iter().any(|p| p.piece == piece)
    };
    for (k, r) in circuit.resistances.iter().enumerate() {
        if (is_inside(r.a) || is_inside(r.b)) && !own(k) {
            found.push(thermal(vec![(r.a, r.b, 1.0)], None, 1.0 / r.ohms));
        }
    }
    found
}

fn of_law(assembly: &mut Assembly<'_>, x: &[f64], index: usize, element: &str) -> Vec<Origin> {
    let law = assembly.law_currents(index, x);
    let circuit: &Circuit = assembly.circuit;
    let rest = Rest {
        u: &law.u,
        i: &law.i,
        g: &law.g,
        celsius: circuit.celsius,
    };
    let part = &circuit.laws[index];
    let currents = part.law.noise(&rest).into_iter();
    let origin = |noise: noise::Noise| Origin {
        element: element.to_string(),
        kind: noise.kind,
        ports: noise
            .through
            .iter()
            .filter_map(|&(output, share)| match part.outputs[output] {
                Sink::Current(a, b) => Some((a, b, share)),
                Sink::Branch(_) => None,
            })
            .collect(),
        winding: None,
        white: noise.white,
        flicker: noise.flicker,
    };
    currents
        .map(origin)
        .filter(|o| o.white > 0.0 || o.flicker > 0.0)
        .collect()
}

/// The density at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Density {
    /// At the probe, V^2/Hz.
    pub output: f64,
    /// From the source to the probe, as a plain size; NaN without a source.
    pub gain: f64,
}

/// What a total is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// The element.
    pub element: String,
    /// `thermal`, `shot`, ..., `flicker`.
    pub kind: &'static str,
    /// At the probe over the band, V rms.
    pub output_rms: f64,
}

/// Sums over a band.
#[derive(Debug, Clone, PartialEq)]
pub struct Total {
    /// At the probe, V rms.
    pub output_rms: f64,
    /// The same A-weighted, V rms.
    pub weighted_rms: f64,
    /// What a source alone would have to give for it: density over gain, V (or A) rms; none
    /// without a source, or where the source does not reach the probe.
    pub input_rms: Option<f64>,
    /// The same A-weighted.
    pub input_weighted_rms: Option<f64>,
    /// Largest first; what makes less than nothing is left out.
    pub parts: Vec<Part>,
}

/// The noise at one probe.
#[derive(Debug)]
pub struct Listener<'a> {
    small: &'a mut SmallSignal,
    pickup: &'a LinearProbe,
    origins: &'a [Origin],
    source: Option<Driven>,
}

/// Points of a total for each decade, where nothing bends.
const PER_DECADE: f64 = 96.0;

/// Second difference of a panel, as a part of the sum of its values, from which it is divided. Slopes
/// of 12 dB an octave stay below it.
const BEND: f64 = 0.004;

/// A panel that holds less than this part of what was summed before it is not divided.
const NEGLIGIBLE: f64 = 1e-7;

/// How often a panel is halved at most: a resonance with a Q of a million is resolved.
const DEEPEST: usize = 20;

/// Panels of a total that are divided at most.
const MOST_REFINED: usize = 5000;

/// What is heard at one frequency.
#[derive(Debug)]
struct Sample {
    freq_hz: f64,
    density: Density,
    /// Squared transfers of the origins.
    squared: Vec<f64>,
}

impl Sample {
    /// What is integrated over the logarithm of the frequency: at the probe, and referred to the source.
    fn integrands(&self) -> [f64; 2] {
        let output = self.density.output * self.freq_hz;
        [output, output / (self.density.gain * self.density.gain)]
    }
}

/// Sums over a band so far.
#[derive(Debug)]
struct Sums {
    output: f64,
    weighted: f64,
    input: f64,
    input_weighted: f64,
    white: Vec<f64>,
    flicker: Vec<f64>,
    refined: usize,
}

impl Sums {
    fn new(origins: usize) -> Self {
        Sums {
            output: 0.0,
            weighted: 0.0,
            input: 0.0,
            input_weighted: 0.0,
            white: vec![0.0; origins],
            flicker: vec![0.0; origins],
            refined: 0,
        }
    }

    /// A sample that stands for this stretch of the logarithm of the frequency.
    fn add(&mut self, sample: &Sample, stretch: f64) {
        let df = stretch * sample.freq_hz;
        for (k, squared) in sample.squared.iter().enumerate() {
            self.white[k] += squared * df;
            self.flicker[k] += squared * df / sample.freq_hz;
        }
        let a = a_weighting(sample.freq_hz) * a_weighting(sample.freq_hz);
        let [output, input] = sample.integrands();
        self.output += output * stretch;
        self.weighted += output * a * stretch;
        self.input += input * stretch;
        self.input_weighted += input * a * stretch;
    }

    /// Whether what a panel holds counts and is not straight enough for Simpson's rule.
    fn bends(&self, panel: [&Sample; 3]) -> bool {
        let [low, middle, high] = panel.map(Sample::integrands);
        let span = fun::ln(panel[2].freq_hz / panel[0].freq_hz);
        [self.output, self.input]
            .iter()
            .enumerate()
            .any(|(k, sum)| {
                let size = low[k] + 2.0 * middle[k] + high[k];
                let bend = (low[k] - 2.0 * middle[k] + high[k]).abs();
                size.is_finite() && bend > BEND * size && 0.25 * size * span > NEGLIGIBLE * sum
            })
    }
}

impl<'a> Listener<'a> {
    /// A voltage probe that hears these origins; `source` is what its noise is referred to.
    pub fn new(
        small: &'a mut SmallSignal,
        pickup: &'a LinearProbe,
        origins: &'a [Origin],
        source: Option<Driven>,
    ) -> Self {
        Listener {
            small,
            pickup,
            origins,
            source,
        }
    }

    /// At a frequency in Hz; `each` gets the squared transfer (ohms squared) of every origin.
    fn hear(
        &mut self,
        freq_hz: f64,
        mut each: impl FnMut(usize, f64),
    ) -> Result<Density, Singular> {
        let mut at = self.small.at(freq_hz)?;
        at.solve_adjoint(self.pickup);
        let mut output = 0.0;
        for (k, origin) in self.origins.iter().enumerate() {
            let mut transfer: Complex<f64> = origin
                .ports
                .iter()
                .map(|&(a, b, share)| at.received(Excitation::Injection(b, a)) * share)
                .sum();
            if let Some(winding) = origin.winding {
                transfer += at.received(Excitation::Source(Driven::Voltage(winding)));
            }
            let squared = transfer.norm_sqr();
            output += squared * (origin.white + origin.flicker / freq_hz);
            each(k, squared);
        }
        let gain = self.source.map_or(f64::NAN, |driven| {
            size(at.received(Excitation::Source(driven)))
        });
        Ok(Density { output, gain })
    }

    /// The density at a frequency in Hz, more than zero.
    pub fn density(&mut self, freq_hz: f64) -> Result<Density, Singular> {
        self.hear(freq_hz, |_, _| {})
    }

    /// All at a frequency in Hz.
    fn sample(&mut self, freq_hz: f64) -> Result<Sample, Singular> {
        let mut squared = vec![0.0; self.origins.len()];
        let density = self.hear(freq_hz, |k, value| squared[k] = value)?;
        Ok(Sample {
            freq_hz,
            density,
            squared,
        })
    }

    /// Adds the panel from `low` to `high` with `middle` half way between (of the logarithm), by
    /// Simpson's rule, in parts where it bends.
    fn add_panel(
        &mut self,
        [low, middle, high]: [&Sample; 3],
        depth: usize,
        sums: &mut Sums,
    ) -> Result<(), Singular> {
        let quarter = 0.25 * fun::ln(high.freq_hz / low.freq_hz);
        if depth < DEEPEST && sums.refined < MOST_REFINED && sums.bends([low, middle, high]) {
            sums.refined += 1;
            let left = self.sample(low.freq_hz * fun::exp(quarter))?;
            let right = self.sample(middle.freq_hz * fun::exp(quarter))?;
            self.add_panel([low, &left, middle], depth + 1, sums)?;
            return self.add_panel([middle, &right, high], depth + 1, sums);
        }
        for (sample, weight) in [(low, 1.0), (middle, 4.0), (high, 1.0)] {
            sums.add(sample, weight * 2.0 * quarter / 3.0);
        }
        Ok(())
    }

    /// Sums over a band, Hz; nothing where both ends are one.
    pub fn total(&mut self, low_hz: f64, high_hz: f64) -> Result<Total, Singular> {
        let span = fun::ln(high_hz / low_hz);
        let panels = (span / std::f64::consts::LN_10 * PER_DECADE / 2.0)
            .ceil()
            .max(1.0) as usize;
        let step = span / (2 * panels) as f64;
        let mut sums = Sums::new(self.origins.len());
        let mut low = self.sample(low_hz)?;
        for n in 0..panels {
            let middle = self.sample(low_hz * fun::exp(step * (2 * n + 1) as f64))?;
            let high = self.sample(if n + 1 == panels {
                high_hz
            } else {
                low_hz * fun::exp(step * (2 * n + 2) as f64)
            })?;
            self.add_panel([&low, &middle, &high], 0, &mut sums)?;
            low = high;
        }
        let Sums {
            output,
            weighted,
            input,
            input_weighted,
            white,
            flicker,
            ..
        } = sums;
        let mut powers_of = Vec::new();
        for (k, origin) in self.origins.iter().enumerate() {
            let powers = [
                (origin.kind, origin.white * white[k]),
                ("flicker", origin.flicker * flicker[k]),
            ];
            for (kind, power) in powers {
                if power > 0.0 {
                    powers_of.push((&origin.element, kind, power));
                }
            }
        }
        // Both halves of a pot's track are one part.
        let mut parts: Vec<Part> = Vec::new();
        for (element, kind, power) in powers_of {
            match parts
                .iter_mut()
                .find(|p| p.element == *element && p.kind == kind)
            {
                Some(part) => part.output_rms = (part.output_rms * part.output_rms + power).sqrt(),
                None => parts.push(Part {
                    element: element.clone(),
                    kind,
                    output_rms: power.sqrt(),
                }),
            }
        }
        parts.sort_by(|a, b| b.output_rms.total_cmp(&a.output_rms));
        let known = |power: f64| power.is_finite().then(|| power.sqrt());
        Ok(Total {
            output_rms: output.sqrt(),
            weighted_rms: weighted.sqrt(),
            input_rms: known(input),
            input_weighted_rms: known(input_weighted),
            parts,
        })
    }
}

/// The A-weighting as a factor, 1 at 1 kHz (IEC 61672-1; poles at 20.598997, 107.65265,
/// 737.86223 and 12194.217 Hz).
pub fn a_weighting(freq_hz: f64) -> f64 {
    let plain = |f: f64| {
        let squared = f * f;
        let pole = |p: f64| squared + p * p;
        let low = pole(20.598997);
        let high = pole(12194.217);
        let middle = (pole(107.65265) * pole(737.86223)).sqrt();
        12194.217 * 12194.217 * squared * squared / (low * middle * high)
    };
    plain(freq_hz) / plain(1000.0)
}

/// Decibels above 0.7746 V, 1 mW in 600 ohms.
pub fn dbu(volts: f64) -> f64 {
    20.0 * fun::log10(volts / 0.6f64.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61672-1 by the table in tests/references/valves.toml (secondary source), which is
    /// rounded to 0.1 dB.
    #[test]
    fn the_weighting_is_that_of_the_standard() {
        let table: toml::Table = include_str!("../../tests/references/valves.toml")
            .parse()
            .expect("TOML");
        let row = &table["a_weighting"].as_array().expect("a table")[0];
        let numbers = |key: &str| -> Vec<f64> {
            let list = row[key].as_array().expect("a list").iter();
            list.map(|v| v.as_float().or(v.as_integer().map(|i| i as f64)).unwrap())
                .collect()
        };
        let (f, db) = (numbers("f_hz"), numbers("db"));
        assert_eq!(f.len(), 33);
        for (f, db) in f.into_iter().zip(db) {
            // The table's frequencies are nominal ones: exact are powers of ten to 1/10.
            let exact = 10f64.powf((10.0 * f.log10()).round() / 10.0);
            let found = 20.0 * a_weighting(exact).log10();
            assert!((found - db).abs() < 0.06, "{f} Hz: {found} {db}");
        }
        assert!((dbu(0.774_596_669) - 0.0).abs() < 1e-8);
    }
}
