//! The audit: Kirchhoff's laws and the balance of powers, worked out anew from the circuit's
//! parts.
//!
//! Nothing of the equations' assembly is used. Each part's current is taken from its own law
//! at the solved voltages, the current of what stores charge from the rate that the method of
//! integration stands for; the currents are added up node by node (Kirchhoff), the voltages
//! part by part, and the powers over all parts (B. D. H. Tellegen, Philips Research Reports 7,
//! 1952, p. 259; from memory). A source's power is its own voltage times its current and not
//! the difference of its nodes' voltages, so that the sum of powers tests more than the
//! currents alone. What is left over is judged by the currents that meet, and by what
//! rounding of the voltages makes of it where a part is stiff.
//!
//! The same walk sets for the solvers how large a residual may be (`Walk::residual_scale`).
//!
//! What is accepted is ten times what Newton accepts (a part of 1e-8 of the currents that meet at
//! rest, 1e-6 on the move, 1e-5 in a render), and what rounding of the voltages makes of it.
//!
//! A circuit carries a `Ledger` (`Settings::audited`), which analyses write in; it keeps the worst,
//! in an order that does not depend on threads, and the command looks before it writes
//! (`Session::finish`). In unit tests and the dev profile every circuit has a strict one, which panics; in integration
//! tests `tests/common` runs the tool with `--audit`. An analysis that finds points makes an
//! `Auditor` and enters them: `rest`, `moment` with the rates of all stores, or `step` for TR-BDF2.
//! Cost: `check netlists` 8.7 to 9.4 s, 200 ms of `scope` on the preamp 1.5 to 1.9 s, its render 6.4
//! to 8.0 s, five levels of `distortion` 0.32 to 0.37 s, `bias` nothing to measure.

use super::accuracy::ABSOLUTE;
use super::assemble::Assembly;
use super::sources::SourceState;
use super::walk::Walk;
use crate::circuit::ledger::{Finding, Watts};
use crate::circuit::{Circuit, Node};
use crate::math::tr_bdf2;

/// How far a solution may be off.
#[derive(Debug, Clone, Copy)]
pub struct Allowance {
    /// Part of the currents that meet at a node, of the voltages that make up a branch's.
    pub part: f64,
    /// Part of itself by which a voltage or current may be off.
    pub known: f64,
    /// By how many volts a voltage may be off besides; through resistances and laws.
    pub volts: f64,
}

/// What one moment's sums come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Balance {
    /// The worst unknown's number: a node's or a branch's.
    pub worst: usize,
    /// What is missed there, A or V.
    pub missed: f64,
    /// What meets there, without signs.
    pub magnitude: f64,
    /// What is missed in multiples of what is accepted.
    pub excess: f64,
    /// Powers.
    pub watts: Watts,
}

/// Enters one analysis' solutions in the ledger that the circuit carries.
#[derive(Debug)]
pub struct Auditor {
    analysis: &'static str,
    allowance: Allowance,
    walk: Walk,
    /// Charges and fluxes at the end of the last step, and their rates where they are known.
    past: Option<(Vec<f64>, Option<Vec<f64>>)>,
}

impl Auditor {
    /// For a circuit that carries a ledger; none if it does not.
    pub fn new(circuit: &Circuit, analysis: &'static str, allowance: Allowance) -> Option<Self> {
        circuit.ledger.as_ref().map(|_| Auditor {
            analysis,
            allowance,
            walk: Walk::default(),
            past: None,
        })
    }

    /// Audits a point at rest; held nodes are fed from outside.
    pub fn rest(
        &mut self,
        assembly: &Assembly<'_>,
        x: &[f64],
        ask: SourceState,
        held: &[(Node, f64)],
    ) {
        let at = assembly.unknowns;
        let held: Vec<usize> = held.iter().filter_map(|h| at.node(h.0)).collect();
        self.rest_held(assembly, x, ask, &held);
    }

    /// The same with any unknowns held, by their numbers.
    pub fn rest_held(
        &mut self,
        assembly: &Assembly<'_>,
        x: &[f64],
        ask: SourceState,
        held: &[usize],
    ) {
        self.walk.add_parts(assembly.parts(), x, ask, 0.0);
        self.enter(assembly, x, ask.time.filter(|&t| t != 0.0), held);
    }

    /// Audits a moment in which the stores take so much, `[stored]`.
    pub fn moment(
        &mut self,
        assembly: &Assembly<'_>,
        x: &[f64],
        ask: SourceState,
        a: f64,
        rates: &[f64],
    ) {
        self.walk.add_parts(assembly.parts(), x, ask, a);
        self.walk
            .store(assembly.circuit, assembly.unknowns, x, rates);
        self.enter(assembly, x, ask.time, &[]);
    }

    /// Audits a moment in which the unknowns move at the rates given, 1/s.
    pub fn moving(
        &mut self,
        assembly: &Assembly<'_>,
        x: &[f64],
        ask: SourceState,
        a: f64,
        rates: &[f64],
    ) {
        let (circuit, at) = (assembly.circuit, assembly.unknowns);
        self.walk.add_parts(assembly.parts(), x, ask, a);
        let flows = self.walk.drift(assembly.parts(), x, rates);
        self.walk.store(circuit, at, x, &flows);
        self.enter(assembly, x, ask.time, &[]);
    }

    /// Charges and fluxes of all parts at `x`.
    pub fn charges(&mut self, assembly: &Assembly<'_>, x: &[f64]) -> Vec<f64> {
        self.walk
            .add_parts(assembly.parts(), x, SourceState::DC, 0.0);
        self.walk.stored.clone()
    }

    /// Rests at `x`: nothing flows into stores.
    pub fn stand(&mut self, assembly: &Assembly<'_>, x: &[f64]) {
        let charges = self.charges(assembly, x);
        let still = vec![0.0; charges.len()];
        self.past = Some((charges, Some(still)));
    }

    /// Forgets the last step: what comes next starts from charges that are not known yet.
    pub fn forget(&mut self) {
        self.past = None;
    }

    /// Audits a step of TR-BDF2 of `step_s` through its inner point to its end. Where the start
    /// is not known the step is only remembered; the inner point is left out where a source is
    /// driven from outside, because what that one was there is not known.
    pub fn step(
        &mut self,
        assembly: &Assembly<'_>,
        step_s: f64,
        inner: (&[f64], SourceState),
        end: (&[f64], SourceState),
    ) {
        let a = tr_bdf2::factor(step_s);
        let (circuit, at) = (assembly.circuit, assembly.unknowns);
        let past = self.past.take();
        self.walk.add_parts(assembly.parts(), inner.0, inner.1, a);
        let middle = self.walk.stored.clone();
        if let (Some((start, Some(rates))), None) = (&past, assembly.external) {
            let flows: Vec<f64> = (0..start.len())
                .map(|k| tr_bdf2::inner_rate(a, middle[k], start[k], rates[k]))
                .collect();
            self.walk.store(circuit, at, inner.0, &flows);
            self.enter(assembly, inner.0, inner.1.time, &[]);
        }
        self.walk.add_parts(assembly.parts(), end.0, end.1, a);
        let last = self.walk.stored.clone();
        let flows = past.map(|(start, _)| {
            let flows: Vec<f64> = (0..start.len())
                .map(|k| tr_bdf2::end_rate(a, last[k], middle[k], start[k]))
                .collect();
            self.walk.store(circuit, at, end.0, &flows);
            self.enter(assembly, end.0, end.1.time, &[]);
            flows
        });
        self.past = Some((last, flows));
    }

    /// What the last walk comes to.
    fn balance(&self, assembly: &Assembly<'_>, x: &[f64], held: &[usize]) -> Balance {
        let nodes = assembly.unknowns.nodes();
        let (walk, allowed) = (&self.walk, self.allowance);
        let mut balance = Balance {
            worst: 0,
            missed: 0.0,
            magnitude: 0.0,
            excess: 0.0,
            watts: Watts {
                excess: 0.0,
                missed: walk.watts,
                turned: 0.5 * walk.power_abs,
            },
        };
        let mut watts = ABSOLUTE + allowed.part * walk.power_abs;
        for (k, &x) in x.iter().enumerate() {
            let is_node = k < nodes;
            let own = if is_node { 0.0 } else { 1.0 };
            let accepted = ABSOLUTE
                + allowed.part * (walk.magnitude[k] + own)
                + allowed.known * walk.rounding[k]
                + allowed.volts * walk.slope_sum[k];
            if held.contains(&k) {
                // Whatever holds it gives what is missed.
                balance.watts.missed -= x * walk.residual[k];
                continue;
            }
            watts += accepted * x.abs();
            let excess = walk.residual[k].abs() / accepted;
            // Written so that NaN counts as the worst.
            let better = excess <= balance.excess;
            if !better {
                balance.excess = if excess.is_nan() {
                    f64::INFINITY
                } else {
                    excess
                };
                (balance.worst, balance.missed, balance.magnitude) =
                    (k, walk.residual[k], walk.magnitude[k]);
            }
        }
        let excess = balance.watts.missed.abs() / watts;
        balance.watts.excess = if excess.is_nan() {
            f64::INFINITY
        } else {
            excess
        };
        balance
    }

    fn enter(&self, assembly: &Assembly<'_>, x: &[f64], time: Option<f64>, held: &[usize]) {
        let circuit = assembly.circuit;
        let Some(ledger) = &circuit.ledger else {
            return;
        };
        let found = self.balance(assembly, x, held);
        ledger.enter(found.excess, found.watts, || Finding {
            excess: found.excess,
            analysis: self.analysis,
            time_s: time,
            place: match assembly.unknowns.name(circuit, found.worst) {
                // A branch has a law of its own, not a current that meets others.
                name if found.worst >= assembly.unknowns.nodes() => {
                    name.replacen("current of ", "", 1)
                }
                name => name,
            },
            missed: found.missed.abs(),
            unit: if found.worst < assembly.unknowns.nodes() {
                "A"
            } else {
                "V"
            },
            met: found.magnitude,
        });
    }
}
