//! Figures of small signals: gains, impedances, loops and noise about the operating point.

use super::super::Figure;
use super::super::driven_source;
use super::super::problem::FigureProblem;
use super::super::registry::OfSmall;
use super::named::{driving, element, probe};
use super::value::{Across, Curve, FigureValue, MOST_POINTS, Reading, Trouble};
use crate::analysis::natural::{self, Stability};
use crate::analysis::small_signal::{Excitation, SmallSignal, no_solution};
use crate::circuit::{Circuit, Node, Piece};
use crate::diag::Diagnostic;
use crate::math::fun;
use crate::math::lu::Singular;
use crate::measure::band::Band;
use crate::measure::feedback::{self, Loop};
use crate::measure::gain::{self, Seen, decibels, degrees, size};
use crate::measure::noise::{self, Listener, Origin, Total};
use crate::num;
use crate::system::assemble::{Assembly, Driven};
use crate::system::probe::{Observable, ProbeKind};
use num_complex::Complex;

/// Where it is taken unless said, Hz.
const FREQUENCY_HZ: f64 = 1e3;
/// The band unless said, Hz.
const BAND_HZ: (f64, f64) = (20.0, 20e3);
/// Points of a curve in each decade unless said.
const PER_DECADE: f64 = 10.0;
/// Points in each decade among which the greatest gain is sought; as `response` has it.
const SOUGHT_PER_DECADE: f64 = 50.0;

/// What it takes to measure a figure of small signals.
#[derive(Debug)]
pub struct Small {
    of: OfSmall,
    what: What,
}

#[derive(Debug)]
enum What {
    /// From a source to a probe at a frequency.
    Gain(Driven, Observable, f64),
    /// The same over a band, with N points a decade.
    Band(Driven, Observable, (f64, f64), f64),
    /// An impedance at a frequency.
    Seen(Seen, f64),
    /// The loop through a resistor at a frequency.
    Loop(String, f64),
    /// Noise between two nodes over a band, referred to a source.
    Noise((Node, Node), (f64, f64), Option<Driven>),
}

impl Small {
    /// Looks up what a figure asks for.
    ///
    /// # Errors
    /// What the circuit does not have.
    pub fn new(figure: &Figure, circuit: &Circuit, of: OfSmall) -> Result<Self, Diagnostic> {
        let freq_hz = figure.number("frequency").unwrap_or(FREQUENCY_HZ);
        let what = match of {
            OfSmall::Gain | OfSmall::Phase => {
                let probe = signal(figure, circuit)?;
                What::Gain(driving(figure, circuit)?.driven, probe, freq_hz)
            }
            OfSmall::Response | OfSmall::LowCorner | OfSmall::HighCorner => {
                let probe = signal(figure, circuit)?;
                let per_decade = match of {
                    OfSmall::Response => figure.number("points-per-decade").unwrap_or(PER_DECADE),
                    _ => SOUGHT_PER_DECADE,
                };
                let band = band(figure)?;
                let points = per_decade * fun::log10(band.1 / band.0);
                if points > MOST_POINTS {
                    return Err(FigureProblem::TooLong {
                        points: format!("{points:.1e}"),
                        most: format!("{MOST_POINTS:.0e}"),
                    }
                    .at(figure.span));
                }
                What::Band(driving(figure, circuit)?.driven, probe, band, per_decade)
            }
            OfSmall::InputImpedance => {
                let element = element(figure, circuit)?;
                let found = driven_source::find(circuit, Some(&element.name)).ok_or_else(|| {
                    let names = driven_source::sources(circuit).into_iter();
                    let known: Vec<String> = names.map(|s| format!("`{}`", s.name)).collect();
                    FigureProblem::UnknownSource {
                        name: element.name.clone(),
                        near: None,
                        known: known.join(", "),
                    }
                    .at(figure.subject_span)
                })?;
                What::Seen(Seen::By(found.driven), freq_hz)
            }
            OfSmall::OutputImpedance => {
                let (a, b) = nodes(figure, circuit)?;
                What::Seen(Seen::Between(a, b), freq_hz)
            }
            OfSmall::LoopGain | OfSmall::Feedback | OfSmall::PhaseMargin | OfSmall::GainMargin => {
                let element = element(figure, circuit)?;
                let is_resistance =
                    |p: &crate::circuit::Port| matches!(p.piece, Piece::Resistance(_));
                if element.letter != 'R' || !element.ports.iter().any(is_resistance) {
                    return Err(FigureProblem::NotResistor {
                        quantity: figure.quantity.name,
                        name: element.name.clone(),
                    }
                    .at(figure.subject_span));
                }
                What::Loop(element.name.clone(), freq_hz)
            }
            OfSmall::Noise
            | OfSmall::WeightedNoise
            | OfSmall::InputNoise
            | OfSmall::WeightedInputNoise => {
                let driven = match of {
                    OfSmall::Noise | OfSmall::WeightedNoise => None,
                    _ => Some(driving(figure, circuit)?.driven),
                };
                What::Noise(nodes(figure, circuit)?, band(figure)?, driven)
            }
        };
        Ok(Small { of, what })
    }
}

/// A probe that small signals can be read at.
fn signal(figure: &Figure, circuit: &Circuit) -> Result<Observable, Diagnostic> {
    let probe = probe(figure, circuit)?;
    match probe.kind {
        ProbeKind::Power => {
            Err(FigureProblem::SmallPower { text: probe.label }.at(figure.subject_span))
        }
        _ => Ok(probe),
    }
}

fn nodes(figure: &Figure, circuit: &Circuit) -> Result<(Node, Node), Diagnostic> {
    let probe = probe(figure, circuit)?;
    Ok(probe.nodes().expect("the quantity is of nodes"))
}

fn band(figure: &Figure) -> Result<(f64, f64), Diagnostic> {
    let (from, to) = (
        figure.number("from").unwrap_or(BAND_HZ.0),
        figure.number("to").unwrap_or(BAND_HZ.1),
    );
    if from < to {
        Ok((from, to))
    } else {
        Err(FigureProblem::Downwards {
            from: num::full(from),
            to: num::full(to),
        }
        .at(figure.span))
    }
}

/// A circuit made linear where it stands, and what was found so far, so that figures which ask
/// for the same are worked out once.
#[derive(Debug)]
pub struct Quiet<'c> {
    circuit: &'c Circuit,
    x: Vec<f64>,
    assembly: Assembly<'c>,
    small: SmallSignal,
    stability: Option<Stability>,
    origins: Option<Vec<Origin>>,
    bands: Vec<(Passing, Option<Band>)>,
    loops: Vec<((String, f64), Loop)>,
    totals: Vec<(Listened, Total)>,
}

/// Source, probe and the frequencies between which it is looked at.
type Passing = (Driven, String, (f64, f64));
/// Nodes, band and source of a noise total.
type Listened = ((Node, Node), (f64, f64), Option<Driven>);

impl<'c> Quiet<'c> {
    /// About the unknowns `x`.
    pub fn new(circuit: &'c Circuit, mut assembly: Assembly<'c>, x: Vec<f64>) -> Self {
        let small = SmallSignal::new(&mut assembly, &x);
        Quiet {
            circuit,
            x,
            assembly,
            small,
            stability: None,
            origins: None,
            bands: Vec::new(),
            loops: Vec::new(),
            totals: Vec::new(),
        }
    }

    /// A figure.
    pub fn measure(&mut self, wanted: &Small, figure: &Figure) -> Result<FigureValue, Trouble> {
        let unit = figure.unit();
        let number = |value: f64| {
            Ok(FigureValue::Number(Reading {
                value,
                unit,
                limit: None,
            }))
        };
        let of = wanted.of;
        match &wanted.what {
            What::Gain(driven, probe, freq_hz) => {
                let gain = self.gain(*driven, probe, *freq_hz);
                let gain = gain.map_err(|s| self.singular(s))?;
                number(match of {
                    OfSmall::Phase => degrees(gain),
                    _ => decibels(size(gain)),
                })
            }
            What::Band(driven, probe, band, per_decade) if of == OfSmall::Response => {
                let x = gain::decades(band.0, band.1, *per_decade);
                let gains: Result<Vec<f64>, Singular> = x
                    .iter()
                    .map(|&f| Ok(decibels(size(self.gain(*driven, probe, f)?))))
                    .collect();
                Ok(FigureValue::Curve(Curve {
                    across: Across::Frequency,
                    x,
                    y: gains.map_err(|s| self.singular(s))?,
                    unit,
                    heading: format!("{}.db", probe.label),
                }))
            }
            What::Band(driven, probe, range, _) => {
                let band = self.band(*driven, probe, *range);
                let Some(band) = band.map_err(|s| self.singular(s))? else {
                    return Err(Trouble::Absent(
                        "nothing of the source is heard there".into(),
                    ));
                };
                let (corner, way) = match of {
                    OfSmall::LowCorner => (band.low_hz, "downwards"),
                    _ => (band.high_hz, "upwards"),
                };
                match corner {
                    Some(hz) => number(hz),
                    None => Err(Trouble::Absent(format!(
                        "from {} {way} the gain does not fall by 3 dB",
                        num::engineering(band.peak_hz, "Hz", 3)
                    ))),
                }
            }
            What::Seen(seen, freq_hz) => {
                let seen = seen.impedance(&mut self.small, *freq_hz);
                number(size(seen.map_err(|s| self.singular(s))?))
            }
            What::Loop(name, freq_hz) => {
                let around = self.around(name, *freq_hz, figure)?;
                match of {
                    OfSmall::LoopGain => number(decibels(size(around.ratio))),
                    OfSmall::Feedback => {
                        number(decibels(size(Complex::new(1.0, 0.0) + around.ratio)))
                    }
                    OfSmall::PhaseMargin => match around.phase_margin {
                        Some(margin) => number(margin.0),
                        None => Err(Trouble::Absent("the loop gain is never 1".into())),
                    },
                    _ => match around.gain_margin {
                        Some(margin) => number(margin.0),
                        None => Err(Trouble::Absent(
                            "the loop's phase never turns its feedback round".into(),
                        )),
                    },
                }
            }
            What::Noise(nodes, band, driven) => {
                let total = self.noise((*nodes, *band, *driven));
                let total = total.map_err(|s| self.singular(s))?;
                let rms = match of {
                    OfSmall::Noise => Some(total.output_rms),
                    OfSmall::WeightedNoise => Some(total.weighted_rms),
                    OfSmall::InputNoise => total.input_rms,
                    _ => total.input_weighted_rms,
                };
                match rms {
                    Some(rms) => number(rms),
                    None => Err(Trouble::Absent(
                        "nothing of the source is heard there".into(),
                    )),
                }
            }
        }
    }

    fn singular(&self, singular: Singular) -> Trouble {
        Trouble::NoSolution(no_solution(self.circuit, singular))
    }

    fn gain(
        &mut self,
        driven: Driven,
        probe: &Observable,
        freq_hz: f64,
    ) -> Result<Complex<f64>, Singular> {
        let pickup = probe
            .pickup(&mut self.assembly, &self.x)
            .expect("power was refused");
        let mut at = self.small.at(freq_hz)?;
        Ok(at.transfer(Excitation::Source(driven), &pickup))
    }

    /// The pass band round the greatest gain between two frequencies.
    fn band(
        &mut self,
        driven: Driven,
        probe: &Observable,
        range: (f64, f64),
    ) -> Result<Option<Band>, Singular> {
        let key = (driven, probe.label.clone(), range);
        if let Some(known) = self.bands.iter().find(|b| b.0 == key) {
            return Ok(known.1);
        }
        let points = gain::decades(range.0, range.1, SOUGHT_PER_DECADE);
        let gains: Result<Vec<_>, Singular> = points
            .iter()
            .map(|&f| self.gain(driven, probe, f))
            .collect();
        let pickup = probe
            .pickup(&mut self.assembly, &self.x)
            .expect("power was refused");
        let least = gain::least(probe.kind);
        let band = gain::band(&mut self.small, driven, &pickup, &points, &gains?, least)?;
        self.bands.push((key, band));
        Ok(band)
    }

    fn around(&mut self, name: &str, freq_hz: f64, figure: &Figure) -> Result<Loop, Trouble> {
        let key = (name.to_string(), freq_hz);
        if let Some(known) = self.loops.iter().find(|l| l.0 == key) {
            return Ok(known.1);
        }
        let element = self.circuit.element(name).expect("looked up before");
        let probe = feedback::probe(&mut self.assembly, &self.x, element).ok_or_else(|| {
            let name = name.to_string();
            Trouble::Input(FigureProblem::NoLoop { name }.at(figure.subject_span))
        })?;
        let small = &mut self.small;
        let stability = *self
            .stability
            .get_or_insert_with(|| natural::stability(small));
        let found = feedback::around(small, &probe, freq_hz, stability);
        let found = found.map_err(|s| self.singular(s))?;
        self.loops.push((key, found));
        Ok(found)
    }

    fn noise(&mut self, key: Listened) -> Result<Total, Singular> {
        if let Some(known) = self.totals.iter().find(|t| t.0 == key) {
            return Ok(known.1.clone());
        }
        let ((a, b), band, driven) = key;
        let pickup = crate::system::probe::LinearProbe::voltage(&self.assembly.unknowns, a, b);
        if self.origins.is_none() {
            self.origins = Some(noise::origins(&mut self.assembly, &self.x));
        }
        let origins = self.origins.as_deref().unwrap_or_default();
        let mut listener = Listener::new(&mut self.small, &pickup, origins, driven);
        let total = listener.total(band.0, band.1)?;
        self.totals.push((key, total.clone()));
        Ok(total)
    }
}
