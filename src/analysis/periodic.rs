//! The steady state under a periodic drive, found directly.
//!
//! A period is integrated with Radau IIA of order five (`math::radau`), and with it the
//! monodromy matrix: what the circuit makes, in one period, of a small change of the charges
//! at its start. Newton then seeks the charges that come back to themselves (shooting:
//! T. J. Aprille and T. N. Trick, Proc. IEEE 60, 1972, p. 108; from memory). So a coupling
//! capacitor of any size costs nothing: what would take seconds of simulation is one linear
//! system. The steps of the period are laid out anew from pass to pass until the cubic
//! through each lies within the error allowed (as in collocation codes: U. Ascher,
//! J. Christiansen and R. D. Russell, Math. Comp. 33, 1979, p. 659; from memory).
//!
//! A supply fed from the mains takes part like any other source that moves: where its period and
//! the signal's have a common multiple, that is the period, and sag and hum are in the orbit. The
//! search starts from the cycle of `mains`, the supply charged.
//!
//! Where Newton does not lead there, plain periods are integrated until the circuit is at
//! rest, and the answer says so.

mod apart;
mod common_period;
mod cycle;
mod krylov;
mod mesh;
mod monodromy;
mod orbit;
mod outcome;
mod pass;
mod search;
mod seek;
mod settle;
mod shooting;
mod signal;
mod spread;
mod step;
mod tactics;
mod trouble;

pub use common_period::Incommensurate;
pub use cycle::{Cycle, Instant, Reading, State, cycle, cycle_near, multiplier, supply};
pub use orbit::{Orbit, Wave};
pub use outcome::{Accuracy, Effort, Method, PeriodicState};
pub use signal::Signal;
pub use trouble::Trouble;

use super::natural::Stability;
use super::{NoSolution, mains, operating_point};
use crate::circuit::Circuit;
use crate::system::assemble::{Assembly, Driven, SourceState};
use crate::system::probe::{Moment, Observable};
use search::{Rest, Search};
use signal::{Clock, Driving, Sources};
use step::Stepper;
use tactics::Tactics;

/// Beside the mains unknowns may be off by this many times more: hum hides the rest, and a period
/// holds many cycles.
const BESIDE_MAINS: f64 = 10.0;
/// What [`Periodic::loosen`] allows at most, a part of an amplitude.
const ROUGHEST: f64 = 1e-4;

/// A circuit whose steady states are sought, one after the other: each starts from the last.
#[derive(Debug, Clone)]
pub struct Periodic<'c> {
    search: Search<'c>,
    /// The driven source at rest, V or A.
    driven_rest: f64,
    /// What small changes are about: the operating point, or the average of the mains cycle.
    middle: Vec<f64>,
    /// Evaluations of the operating point, until they are reported.
    unreported_evaluations: usize,
    /// What was asked for.
    exact: (Accuracy, Tactics),
}

impl<'c> Periodic<'c> {
    /// For a circuit whose source `driven` is to move about its DC value. The operating point
    /// is sought here, or the mains cycle where the mains feed its supply; errors may then be ten
    /// times `accuracy`.
    ///
    /// # Errors
    /// If there is none.
    pub fn new(
        circuit: &'c Circuit,
        driven: Driven,
        mut accuracy: Accuracy,
    ) -> Result<Self, Box<NoSolution>> {
        let rest = common_period::dc_value(circuit, driven);
        let mut assembly = Assembly::new(circuit);
        assembly.external = Some((driven, rest));
        // A supply fed from the mains is charged: at t = 0 alone it would stand empty.
        let supply = mains::find(circuit).filter(|m| !m.sources.contains(&driven));
        let (x, middle) = match &supply {
            Some(mains) => {
                let (cycle, back) = cycle::cycle(assembly, mains)?;
                assembly = back;
                assembly.switching = Some(cycle.switching(&assembly));
                let middle = cycle.mean();
                (cycle.start.x, middle)
            }
            None => {
                let x = operating_point::solve(&mut assembly, SourceState::at(0.0), &[])?.x;
                (x.clone(), x)
            }
        };
        assembly.evaluate(&x, SourceState::at(0.0), 0.0, false);
        if supply.is_some() {
            accuracy.relative *= BESIDE_MAINS;
        }
        let mut stepper = Stepper::new(assembly);
        let mut tactics = Tactics::SIGNAL;
        if supply.is_some() {
            // As in the mains cycle: a winding between blocked diodes swings by hundreds of volts, and
            // settled to a part of those it leaves noise that no mesh smooths.
            stepper.coarsest = cycle::COARSEST;
            tactics = Tactics::beside_mains(accuracy.relative);
        }
        Ok(Periodic {
            driven_rest: rest,
            middle,
            unreported_evaluations: stepper.assembly.evaluations,
            exact: (accuracy, tactics),
            search: Search {
                rest: Rest {
                    x,
                    charge: stepper.assembly.q.clone(),
                    memory: stepper.assembly.memory.clone(),
                },
                stepper,
                accuracy,
                tactics,
                last: None,
                keeps: 0.0,
            },
        })
    }

    /// The circuit.
    pub fn circuit(&self) -> &'c Circuit {
        self.search.stepper.assembly.circuit
    }

    /// Whether anything grows about the operating point, or the average of the mains cycle: an
    /// amplifier that oscillates by itself has a steady state that no measurement will ever show.
    pub fn stability(&mut self) -> Stability {
        self.search.stability(&self.middle)
    }

    /// Forgets the last steady state: the next one starts from the operating point.
    pub fn forget(&mut self) {
        self.search.last = None;
    }

    /// Lets the steady states to come be off by N times what was asked for, but by a ten-thousandth of
    /// an amplitude at most; with N = 1 they are as asked for again.
    pub fn loosen(&mut self, times: f64) {
        let (accuracy, tactics) = self.exact;
        let times = times.min((ROUGHEST / accuracy.relative).max(1.0));
        self.search.accuracy.relative = times * accuracy.relative;
        self.search.tactics.closed = times * tactics.closed;
        self.search.tactics.loosest = (tactics.loosest / times).max(1.0);
    }

    /// Seeks the steady state under a signal. `poll` is asked now and then whether to go on.
    ///
    /// # Errors
    /// See [`Trouble`]; the inner result is the poll's own.
    pub fn solve<E>(
        &mut self,
        signal: &Signal,
        mut poll: impl FnMut() -> Result<(), E>,
    ) -> Result<Result<PeriodicState, E>, Trouble> {
        let search = &mut self.search;
        let driven = search.stepper.assembly.external.expect("driven").0;
        let common = common_period::common(search.stepper.assembly.circuit, driven, signal.base_hz)
            .map_err(Trouble::Incommensurate)?;
        let clock = Clock {
            period_s: common.cycles as f64 / signal.base_hz,
            cycles: common.cycles,
            start_s: common.start_s,
            rest: self.driven_rest,
        };
        let before = search.stepper.assembly.evaluations;
        let mut effort = Effort::default();
        let known = search.last.take().filter(|l| l.clock == clock);
        let driving = Driving { signal, clock };
        let found = match search.seek(driving, known, &mut effort, &mut poll)? {
            Ok(found) => found,
            Err(stopped) => return Ok(Err(stopped)),
        };
        effort.evaluations =
            search.stepper.assembly.evaluations - before + self.unreported_evaluations;
        self.unreported_evaluations = 0;
        Ok(Ok(PeriodicState { effort, ..found }))
    }

    /// The wave of a probe in the steady state found last.
    ///
    /// # Panics
    /// If none was found.
    pub fn wave(&mut self, probe: &Observable) -> Wave {
        let last = self.search.last.as_ref().expect("a steady state was found");
        let driving = Driving {
            signal: &last.signal,
            clock: last.clock,
        };
        last.orbit.wave(
            probe,
            &mut self.search.stepper.assembly,
            |t| driving.clock(t),
            |t| driving.value(t),
        )
    }

    /// Reads every moment of the steady state found last, each with its part of the period.
    ///
    /// # Panics
    /// If none was found.
    pub fn moments(&mut self, read: impl FnMut(&mut Assembly<'_>, Moment<'_>, f64)) {
        let last = self.search.last.as_ref().expect("a steady state was found");
        let driving = Driving {
            signal: &last.signal,
            clock: last.clock,
        };
        last.orbit.moments(
            &mut self.search.stepper.assembly,
            |t| driving.clock(t),
            |t| driving.value(t),
            read,
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::bind::Timing;
    use crate::circuit::params::Overrides;
    use crate::circuit::{self, Piece};
    use crate::diag::Files;
    use crate::netlist::{self, loader::LoadProblem, loader::Loader};
    use std::f64::consts::TAU;

    struct Text(&'static str);

    impl Loader for Text {
        fn load(&self, path: &str, _: Option<&str>) -> Result<(String, String), LoadProblem> {
            Ok((path.to_string(), self.0.to_string()))
        }
    }

    fn built(text: &'static str) -> Circuit {
        let mut sources = Files::default();
        let reading = netlist::read("test.cir", &Text(text), &mut sources);
        let settings = Overrides::default();
        circuit::build(&reading.netlist, &settings, Timing::default(), &mut sources)
            .unwrap_or_else(|problems| panic!("{problems:?}"))
            .circuit
    }

    /// The steady state with `V1` driven, found, and the wave at `out`.
    fn solved(circuit: &Circuit, signal: &Signal) -> Result<(PeriodicState, Wave), Trouble> {
        let driven = match circuit.element("V1").expect("there").ports[0].piece {
            Piece::Branch(k) => Driven::Voltage(k),
            _ => panic!("no source"),
        };
        let mut search = Periodic::new(circuit, driven, Accuracy::default())?;
        let found = search.solve(signal, || Ok::<(), ()>(()))?;
        let out = Observable::voltage(circuit, circuit.node("out").expect("there"));
        Ok((found.expect("nobody stops it"), search.wave(&out)))
    }

    /// 1 k and 1 u at 1 kHz behind a coupling capacitor that takes days to settle.
    #[test]
    fn a_huge_coupling_capacitor_costs_nothing() {
        let circuit = built("t\nV1 a 0 DC 5\nC1 a b 100\nRB b 0 10k\nR1 b out 1k\nC2 out 0 1u\n");
        let (found, wave) = solved(&circuit, &Signal::sine(1e3, 2.0)).unwrap();
        assert_eq!(found.method, Method::Direct);
        assert!(found.effort.passes <= 4, "{found:?}");
        let wrc = TAU * 1e3 * 1e-3;
        let (a, b) = wave.harmonic(1);
        // 2 sin through 1/(1 + j w R C); C1, of 1.6 u ohm, changes 2e-9 of it.
        let exact = (-2.0 * wrc / (1.0 + wrc * wrc), 2.0 / (1.0 + wrc * wrc));
        let peak = exact.0.hypot(exact.1);
        assert!(
            (a - exact.0).hypot(b - exact.1) < 1e-6 * peak,
            "{a} {b} {exact:?}"
        );
        assert!(wave.mean().abs() < 1e-6 * peak, "{}", wave.mean());
        for k in 2..=20 {
            assert!(wave.harmonic_rms(k) < 1e-7 * peak, "{k}");
        }
        // The slowest multiplier is that of 100 F into 10 k: e^-1e-9.
        assert!((found.growth.unwrap() - 1.0).abs() < 1e-8, "{found:?}");
    }

    /// R C R with a bias: q = 1e-6 v + 1e-8 v^2 is not there in SPICE, so a B source squares.
    #[test]
    fn the_parts_of_a_square_are_those_of_the_binomial() {
        let circuit = built("t\nV1 a 0 DC 1\nB1 out 0 V=v(a)*v(a)\nR1 out 0 1k\n");
        let (_, wave) = solved(&circuit, &Signal::sine(50.0, 3.0)).unwrap();
        // (1 + 3 sin)^2 = 1 + 4.5 + 6 sin - 4.5 cos 2x
        assert!((wave.mean() - 5.5).abs() < 1e-7);
        assert!((wave.harmonic(1).1 - 6.0).abs() < 1e-7);
        assert!((wave.harmonic(2).0 + 4.5).abs() < 1e-7);
        assert!(wave.harmonic_rms(3) < 1e-7);
    }

    #[test]
    fn another_source_with_a_common_period_moves_on() {
        let circuit =
            built("t\nV1 a 0 0\nV2 b 0 SIN(3 1 50 7m)\nR1 a out 1k\nR2 b out 1k\nC1 out 0 1u\n");
        let (found, wave) = solved(&circuit, &Signal::sine(1e3, 2.0)).unwrap();
        assert_eq!(found.cycles, 20);
        let half = |hz: f64| 0.5 / (1.0 + (TAU * hz * 5e-4).powi(2)).sqrt();
        let peak = |k| wave.harmonic_rms(k) * 2f64.sqrt();
        assert!((peak(1) - half(50.0)).abs() < 1e-6, "{}", peak(1));
        assert!((peak(20) - 2.0 * half(1e3)).abs() < 1e-6, "{}", peak(20));
        assert!((wave.mean() - 1.5).abs() < 1e-6);
    }

    #[test]
    fn a_source_without_a_common_period_is_named() {
        let circuit = built("t\nV1 a 0 0\nVHUM b 0 SIN(0 1 50)\nR1 a out 1k\nR2 b out 1k\n");
        let trouble = solved(&circuit, &Signal::sine(997.3, 1.0)).unwrap_err();
        assert!(matches!(trouble, Trouble::Incommensurate(_)));
        let text = trouble.to_string();
        assert!(text.contains("`VHUM`") && text.contains("50"), "{text}");
        // At rest it does not matter.
        let circuit = built("t\nV1 a 0 0\nVHUM b 0 SIN(3 0 50)\nR1 a out 1k\nR2 b out 1k\n");
        assert!(solved(&circuit, &Signal::sine(997.3, 1.0)).is_ok());
    }

    /// 2 k against -1 k leaves -2 k over 1 u: a disturbance grows by e^(T/2 ms).
    #[test]
    fn an_unstable_steady_state_is_told() {
        let circuit = built("t\nV1 a 0 0\nR1 a out 2k\nR2 out 0 -1k\nC1 out 0 1u\n");
        let (found, wave) = solved(&circuit, &Signal::sine(1e3, 1.0)).unwrap();
        assert!(
            (found.growth.unwrap() - 0.5f64.exp()).abs() < 1e-4,
            "{found:?}"
        );
        // The orbit is the linear answer all the same: 1/(2k (jwC - 1/2k)).
        let wrc = TAU * 1e3 * 2e-3;
        let peak = 1.0 / (1.0 + wrc * wrc).sqrt();
        assert!((wave.harmonic_rms(1) * 2f64.sqrt() - peak).abs() < 1e-6);
    }

    /// A switch with hysteresis turns on above 1.5 V and off below 0.5 V: asin gives the times.
    #[test]
    fn a_switch_that_remembers_comes_back_to_where_it_was() {
        let circuit = built(
            "t\nV1 a 0 0\nVS s 0 1\nS1 s out a 0 sw1\nR1 out 0 1k\n.model sw1 sw(vt=1 vh=0.5 ron=1m roff=1g)\n",
        );
        let (found, wave) = solved(&circuit, &Signal::sine(100.0, 2.0)).unwrap();
        // Newton found it directly until switches flipped at the edge of their band; plain periods
        // find it since, and must find the same.
        println!("{:?}", found.method);
        // On from asin(0.75) to pi - asin(0.25), but for the width of the switch's band.
        let on = (std::f64::consts::PI - 0.25f64.asin() - 0.75f64.asin()) / TAU;
        assert!((wave.mean() - on).abs() < 2e-3, "{} {on}", wave.mean());
    }

    /// What plain periods settle to is what Newton finds.
    #[test]
    fn the_fallback_settles_to_the_same_state() {
        let circuit = built(
            "t\nV1 a 0 0\nR1 a b 1k\nC1 b 0 1u\nD1 b out dx\nR2 out 0 1k\nC2 out 0 1u\n.model dx d(is=1n)\n",
        );
        let signal = Signal::sine(1e3, 5.0);
        let (direct, wave) = solved(&circuit, &signal).unwrap();
        let Piece::Branch(k) = circuit.element("V1").unwrap().ports[0].piece else {
            panic!("no source");
        };
        let driven = Driven::Voltage(k);
        let mut search = Periodic::new(&circuit, driven, Accuracy::default()).unwrap();
        let clock = Clock {
            period_s: 1e-3,
            cycles: 1,
            start_s: 0.0,
            rest: 0.0,
        };
        let mut effort = Effort::default();
        let driving = Driving {
            signal: &signal,
            clock,
        };
        let settled = search
            .search
            .settle(driving, &mut effort, &mut || Ok::<(), ()>(()))
            .unwrap()
            .unwrap();
        assert!(
            matches!(settled.method, Method::Settled { periods } if periods > direct.effort.passes)
        );
        let out = Observable::voltage(&circuit, circuit.node("out").unwrap());
        let other = search.wave(&out);
        let h1 = wave.harmonic_rms(1);
        for k in 1..=10 {
            let off = (wave.harmonic_rms(k) - other.harmonic_rms(k)).abs() / h1;
            assert!(off < 1e-6, "{k}: {off:e}");
        }
        assert!((wave.mean() - other.mean()).abs() < 1e-5);
    }

    /// Two waves in one signal.
    #[test]
    fn two_tones_meet_in_one_period() {
        let circuit = built("t\nV1 a 0 0\nB1 out 0 V=v(a)*v(a)\nR1 out 0 1k\n");
        let signal = Signal {
            base_hz: 1e3,
            parts: vec![(19, 1.0), (20, 1.0)],
        };
        let (_, wave) = solved(&circuit, &signal).unwrap();
        // 2 sin 19x sin 20x = cos x - cos 39x
        assert!((wave.harmonic(1).0 - 1.0).abs() < 1e-6);
        assert!((wave.harmonic(39).0 + 1.0).abs() < 1e-6);
    }
}
