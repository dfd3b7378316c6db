//! A circuit's response over frequency: gains, group delay, impedances.

use crate::analysis::small_signal::{Excitation, SmallSignal};
use crate::circuit::{BranchKind, Circuit, Node};
use crate::math::fun;
use crate::math::lu::Singular;
use crate::measure::band::Band;
use crate::system::assemble::Driven;
use crate::system::probe::{LinearProbe, ProbeKind};
use num_complex::Complex;

/// Where an impedance is seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// Between two nodes, all sources at rest.
    Between(Node, Node),
    /// By a source that drives the circuit.
    By(Driven),
}

impl Seen {
    /// From a node to ground. At the node that a grounded voltage source drives it is what
    /// that source sees: with the source at rest there would be nothing but a short circuit.
    pub fn at(circuit: &Circuit, node: Node, driven: Driven) -> Self {
        if let Driven::Voltage(k) = driven {
            let branch = &circuit.branches[k];
            let ends = [(branch.a, branch.b), (branch.b, branch.a)];
            if matches!(branch.kind, BranchKind::Source(_)) && ends.contains(&(node, Node::GROUND))
            {
                return Seen::By(driven);
            }
        }
        Seen::Between(node, Node::GROUND)
    }

    /// The impedance in ohms at a frequency in Hz.
    pub fn impedance(
        self,
        small: &mut SmallSignal,
        freq_hz: f64,
    ) -> Result<Complex<f64>, Singular> {
        let mut at = small.at(freq_hz)?;
        Ok(match self {
            Seen::Between(a, b) => at.impedance(a, b),
            Seen::By(driven) => at.load(driven),
        })
    }
}

/// What is to be found at each frequency.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// The source that gives 1 V or 1 A.
    pub driven: Driven,
    /// What is looked at.
    pub pickups: Vec<LinearProbe>,
    /// Whether the group delay is wanted.
    pub delay: bool,
    /// Where impedances are wanted.
    pub seen: Vec<Seen>,
}

/// What was found, each list by frequency.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Response {
    /// `[pickups][frequencies]`: V/V, A/V, ohms or A/A.
    pub gains: Vec<Vec<Complex<f64>>>,
    /// `[pickups][frequencies]`: s; empty unless wanted, NaN where there is no gain.
    pub delays: Vec<Vec<f64>>,
    /// `[seen][frequencies]`: ohms.
    pub impedances: Vec<Vec<Complex<f64>>>,
}

/// Finds the response at each frequency, Hz; `solved` is called after each.
///
/// The group delay is -d(phase)/dw = -Re(H'(s)/H(s)), from the derivative itself and not
/// from differences.
///
/// # Errors
/// If the circuit has no unique solution at one of them.
pub fn sweep(
    small: &mut SmallSignal,
    wanted: &Wanted,
    frequencies_hz: &[f64],
    solved: &mut impl FnMut(),
) -> Result<Response, Singular> {
    let probes = wanted.pickups.len();
    let room = || Vec::with_capacity(frequencies_hz.len());
    let mut found = Response {
        gains: (0..probes).map(|_| room()).collect(),
        delays: if wanted.delay {
            (0..probes).map(|_| Vec::new()).collect()
        } else {
            Vec::new()
        },
        impedances: wanted.seen.iter().map(|_| room()).collect(),
    };
    let excitation = Excitation::Source(wanted.driven);
    for &freq in frequencies_hz {
        let mut at = small.at(freq)?;
        if wanted.delay {
            at.solve_slope(excitation)
        } else {
            _ = at.solve(excitation)
        }
        for (k, pickup) in wanted.pickups.iter().enumerate() {
            let h = at.read_solved(pickup, excitation);
            found.gains[k].push(h);
            if wanted.delay {
                let delay = -(at.read_slope(pickup) / h).re;
                found.delays[k].push(if size(h) > 0.0 { delay } else { f64::NAN });
            }
        }
        for (to, seen) in found.impedances.iter_mut().zip(&wanted.seen) {
            to.push(match *seen {
                Seen::Between(a, b) => at.impedance(a, b),
                Seen::By(driven) => at.load(driven),
            });
        }
        solved();
    }
    Ok(found)
}

/// A row so near to the last frequency is the last frequency.
const ROUNDING: f64 = 1e-9;

/// The frequencies `at(0), at(1), ...` up to and including `last_hz`; `at` rises.
pub fn up_to(last_hz: f64, at: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut found = Vec::new();
    for k in 0.. {
        let f = at(f64::from(k));
        if (f - last_hz).abs() <= ROUNDING * last_hz {
            found.push(last_hz);
            break;
        }
        if f > last_hz {
            break;
        }
        found.push(f);
    }
    found
}

/// `per_decade` frequencies in each decade from one frequency up to and including another.
pub fn decades(from_hz: f64, to_hz: f64, per_decade: f64) -> Vec<f64> {
    up_to(to_hz, |k| from_hz * fun::pow(10.0, k / per_decade))
}

/// Gains of volts below this are nothing, V/V or V/A: numbers of 16 digits leave errors of 1e-16 of the
/// source's volts and some more where they cancel, and -240 dB lie below the noise of any real circuit.
const NOTHING: f64 = 1e-12;

/// Gains of amperes below this are nothing, A/V or A/A: the errors are those of volts across the
/// resistances that currents flow in, a kilohm or more.
const NO_CURRENT: f64 = 1e-15;

/// The gain below which a probe of a kind shows nothing but rounding.
pub fn least(kind: ProbeKind) -> f64 {
    match kind {
        ProbeKind::Current => NO_CURRENT,
        ProbeKind::Voltage | ProbeKind::Power => NOTHING,
    }
}

/// A probe's pass band round the highest of the gains found at some frequencies; none where all are
/// below `least` (see [`least`]).
pub fn band(
    small: &mut SmallSignal,
    driven: Driven,
    pickup: &LinearProbe,
    frequencies_hz: &[f64],
    gains: &[Complex<f64>],
    least: f64,
) -> Result<Option<Band>, Singular> {
    let sizes: Vec<f64> = gains.iter().copied().map(size).collect();
    if sizes.iter().all(|gain| *gain < least) {
        return Ok(None);
    }
    let mut gain = |f| {
        Ok(size(
            small.at(f)?.transfer(Excitation::Source(driven), pickup),
        ))
    };
    Band::find(&mut gain, frequencies_hz, &sizes)
}

/// The modulus.
pub fn size(z: Complex<f64>) -> f64 {
    fun::hypot(z.re, z.im)
}

/// Decibels of a gain; minus infinity for none.
pub fn decibels(gain: f64) -> f64 {
    20.0 * fun::log10(gain)
}

/// The angle in degrees, above -180 and up to 180; zero for nothing.
pub fn degrees(z: Complex<f64>) -> f64 {
    let angle = fun::atan2(z.im, z.re).to_degrees();
    if angle <= -180.0 { 180.0 } else { angle + 0.0 }
}

/// The same angles without the leaps of whole turns.
pub fn continuous(degrees: &[f64]) -> Vec<f64> {
    let mut turns = 0.0;
    let mut last: Option<f64> = None;
    degrees
        .iter()
        .map(|&angle| {
            if let Some(last) = last {
                turns -= ((angle - last) / 360.0).round();
            }
            if angle.is_finite() {
                last = Some(angle);
            }
            angle + 360.0 * turns
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_lie_in_one_turn_and_are_made_continuous() {
        let z = |re, im| Complex::new(re, im);
        assert_eq!(degrees(z(-1.0, -0.0)), 180.0);
        assert_eq!(degrees(z(0.0, -2.0)), -90.0);
        assert_eq!(degrees(z(0.0, 0.0)), 0.0);
        let leaping = [170.0, -175.0, -90.0, 0.0, 100.0, 179.0, -179.0];
        let expected = [170.0, 185.0, 270.0, 360.0, 460.0, 539.0, 541.0];
        assert_eq!(continuous(&leaping), expected);
        assert_eq!(decibels(0.0), f64::NEG_INFINITY);
        assert_eq!(decibels(10.0), 20.0);
    }
}
