//! What one resistance in a feedback path does: gain, band, impedance, loop and stability.

use crate::analysis::natural::{self, Stability};
use crate::analysis::return_ratio::Probe;
use crate::analysis::small_signal::{Excitation, SmallSignal};
use crate::circuit::{BranchKind, Circuit, Element, Node, Piece};
use crate::math::fun;
use crate::math::lu::Singular;
use crate::measure::band::{self, Band};
use crate::measure::gain::{self, degrees, size};
use crate::system::assemble::{Assembly, Driven};
use crate::system::probe::{LinearProbe, ProbeKind};
use num_complex::Complex;

/// A loop as one figure each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loop {
    /// The return ratio at the frequency asked for; positive where feedback is negative.
    pub ratio: Complex<f64>,
    /// The least angle to -1 where the return ratio has size 1, degrees, and where, Hz;
    /// negative if the circuit is unstable. None if it never has.
    pub phase_margin: Option<(f64, f64)>,
    /// How much more loop gain makes it oscillate, dB, and where, Hz: of all places where the
    /// return ratio is real and negative the one that matters first. Negative if it is past
    /// that already. None if there is no such place.
    pub gain_margin: Option<(f64, f64)>,
}

/// The figures for one value of the element.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// From the source to the probe.
    pub gain: Complex<f64>,
    /// Where it is 3 dB less, downwards, Hz.
    pub low_hz: Option<f64>,
    /// Likewise upwards.
    pub high_hz: Option<f64>,
    /// The pass band round the greatest gain from 20 Hz to 20 kHz, as `response` finds it; none
    /// if nothing of the source arrives.
    pub band: Option<Band>,
    /// The gain without the element at the same bias; none if the element is not there, or if
    /// nothing else holds a node.
    pub without: Option<Complex<f64>>,
    /// Seen at the probe with the source at rest, ohms.
    pub impedance: Complex<f64>,
    /// The loop through the element; none if the element is not there.
    pub around: Option<Loop>,
    /// Whether anything grows.
    pub stability: Stability,
}

/// What is asked of each version of the circuit.
#[derive(Debug, Clone, Copy)]
pub struct Question<'a> {
    /// The source that gives 1 V or 1 A.
    pub driven: Driven,
    /// Where the output is read.
    pub pickup: &'a LinearProbe,
    /// The nodes of the output.
    pub output: (Node, Node),
    /// Hz.
    pub freq_hz: f64,
}

/// The sound, where the greatest gain is sought, Hz, and points a decade.
const HEARD_HZ: (f64, f64) = (20.0, 20e3);
const SOUGHT_PER_DECADE: f64 = 20.0;
/// A return ratio smaller than this feeds nothing back.
const NO_LOOP: f64 = 1e-3;

impl Loop {
    /// Whether what comes back adds to the signal and does not take from it.
    pub fn is_positive(&self) -> bool {
        self.ratio.re < -NO_LOOP && self.ratio.im.abs() < -self.ratio.re
    }
}

/// Between these the return ratio is followed, at this many points a decade.
const LOWEST_HZ: f64 = 1e-3;
const HIGHEST_HZ: f64 = 1e9;
const PER_DECADE: f64 = 60.0;

/// A plain resistance: its nodes and siemens.
pub fn resistance(circuit: &Circuit, element: &Element) -> Option<(Node, Node, f64)> {
    element.ports.iter().find_map(|p| match p.piece {
        Piece::Resistance(k) => {
            let r = &circuit.resistances[k];
            Some((r.a, r.b, 1.0 / r.ohms))
        }
        _ => None,
    })
}

/// Where the loop through a resistor is looked at: in its wire, or, if one of its ends stands
/// still, at the other. None if the element is no plain resistance or both ends stand still.
pub fn probe(assembly: &mut Assembly<'_>, x: &[f64], element: &Element) -> Option<Probe> {
    let circuit: &Circuit = assembly.circuit;
    let (a, b, siemens) = resistance(circuit, element)?;
    match (is_still(circuit, a), is_still(circuit, b)) {
        (false, false) => Some(Probe::Wire { a, b, siemens }),
        (true, false) => Probe::at_node(assembly, x, b),
        (false, true) => Probe::at_node(assembly, x, a),
        (true, true) => None,
    }
}

/// Ground, or held by a voltage source from ground.
fn is_still(circuit: &Circuit, node: Node) -> bool {
    node == Node::GROUND
        || circuit.branches.iter().any(|b| {
            let ends = [(b.a, b.b), (b.b, b.a)];
            matches!(b.kind, BranchKind::Source(_)) && ends.contains(&(node, Node::GROUND))
        })
}

/// All figures of one version of the circuit. `element` is the resistance in the feedback path:
/// nodes and siemens; `probe` where its loop is looked at.
pub fn figures(
    small: &mut SmallSignal,
    question: Question<'_>,
    element: Option<(Node, Node, f64)>,
    probe: Option<&Probe>,
) -> Result<Figures, Singular> {
    let excitation = Excitation::Source(question.driven);
    let f = question.freq_hz;
    let gain = small.at(f)?.transfer(excitation, question.pickup);
    let impedance = small.at(f)?.impedance(question.output.0, question.output.1);
    let level = size(gain) * std::f64::consts::FRAC_1_SQRT_2;
    let (mut low_hz, mut high_hz) = (None, None);
    if level > 0.0 {
        let mut at = |f| Ok(size(small.at(f)?.transfer(excitation, question.pickup)));
        low_hz = band::corner(&mut at, f, false, level)?;
        high_hz = band::corner(&mut at, f, true, level)?;
    }
    let heard = gain::decades(HEARD_HZ.0, HEARD_HZ.1, SOUGHT_PER_DECADE);
    let gains: Result<Vec<_>, Singular> = heard
        .iter()
        .map(|&f| Ok(small.at(f)?.transfer(excitation, question.pickup)))
        .collect();
    let band = gain::band(
        small,
        question.driven,
        question.pickup,
        &heard,
        &gains?,
        gain::least(ProbeKind::Current),
    )?;
    let without = element.and_then(|(a, b, siemens)| {
        let mut small = small.without(a, b, siemens);
        let gain = small.at(f).ok()?.transfer(excitation, question.pickup);
        gain.is_finite().then_some(gain)
    });
    let stability = natural::stability(small);
    let around = match probe {
        Some(probe) => Some(around(small, probe, f, stability)?),
        None => None,
    };
    Ok(Figures {
        gain,
        low_hz,
        high_hz,
        band,
        without,
        impedance,
        around,
        stability,
    })
}

/// Follows the return ratio over all frequencies for its margins.
pub fn around(
    small: &mut SmallSignal,
    probe: &Probe,
    freq_hz: f64,
    stability: Stability,
) -> Result<Loop, Singular> {
    let stable = matches!(stability, Stability::Stable | Stability::Unknown);
    let steps = (fun::log10(HIGHEST_HZ / LOWEST_HZ) * PER_DECADE) as usize;
    let mut last: Option<(f64, Complex<f64>)> = None;
    let mut phase: Option<(f64, f64)> = None;
    let mut gains: Vec<(f64, f64)> = Vec::new();
    for k in 0..=steps {
        let f = LOWEST_HZ * fun::pow(10.0, k as f64 / PER_DECADE);
        let t = probe.ratio(small, f)?;
        if let Some((before_hz, before)) = last {
            if (size(before) - 1.0) * (size(t) - 1.0) < 0.0 {
                let (at, z) = crossing(small, probe, before_hz, f, |z| size(z) - 1.0)?;
                let angle = degrees(-z).abs();
                if phase.is_none_or(|p| angle < p.0) {
                    phase = Some((angle, at));
                }
            }
            if before.im * t.im < 0.0 {
                let (at, z) = crossing(small, probe, before_hz, f, |z| z.im)?;
                // A dust of rounding has no phase.
                if z.re < -1e-9 {
                    gains.push((-gain::decibels(size(z)), at));
                }
            }
        }
        last = Some((f, t));
    }
    if !stable {
        phase = phase.map(|(angle, at)| (-angle, at));
    }
    Ok(Loop {
        ratio: probe.ratio(small, freq_hz)?,
        phase_margin: phase,
        gain_margin: first_to_matter(&gains, stable),
    })
}

/// Of a stable loop the least margin upwards, or if there is none the least downwards (a loop
/// that also oscillates with less gain); of an unstable one the farthest past the mark.
fn first_to_matter(gains: &[(f64, f64)], stable: bool) -> Option<(f64, f64)> {
    let least = |a: &&(f64, f64), b: &&(f64, f64)| a.0.total_cmp(&b.0);
    let upwards = gains.iter().filter(|g| g.0 > 0.0).min_by(least);
    let found = match (stable, upwards) {
        (true, Some(up)) => Some(up),
        (true, None) => gains.iter().max_by(least),
        (false, _) => gains.iter().min_by(least),
    };
    found.copied()
}

/// Where a figure of the return ratio changes its sign between two frequencies.
fn crossing(
    small: &mut SmallSignal,
    probe: &Probe,
    mut low: f64,
    mut high: f64,
    figure: impl Fn(Complex<f64>) -> f64,
) -> Result<(f64, Complex<f64>), Singular> {
    let at_low = figure(probe.ratio(small, low)?);
    for _ in 0..50 {
        let middle = (low * high).sqrt();
        if middle == low || middle == high {
            break;
        }
        if figure(probe.ratio(small, middle)?) * at_low > 0.0 {
            low = middle
        } else {
            high = middle
        }
    }
    let f = (low * high).sqrt();
    Ok((f, probe.ratio(small, f)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sign_of_a_return_ratio_tells_positive_from_negative() {
        let around = |re, im| Loop {
            ratio: Complex::new(re, im),
            phase_margin: None,
            gain_margin: None,
        };
        for (re, im, positive) in [
            (10.0, 0.0, false),
            (0.1, 0.0, false),
            (-0.5, 0.1, true),
            (-4.0, 1.0, true),
            (-0.1, -5.0, false),
            (-1e-5, 0.0, false),
        ] {
            assert_eq!(around(re, im).is_positive(), positive, "{re} {im}");
        }
    }

    #[test]
    fn the_margin_that_matters_first_is_told() {
        let places = [(12.0, 1.0), (-6.0, 2.0), (3.0, 3.0), (-20.0, 4.0)];
        assert_eq!(first_to_matter(&places, true), Some((3.0, 3.0)));
        assert_eq!(first_to_matter(&places, false), Some((-20.0, 4.0)));
        assert_eq!(first_to_matter(&places[1..2], true), Some((-6.0, 2.0)));
        assert_eq!(first_to_matter(&[], true), None);
    }
}
