//! Where a transient starts: at rest, from initial values, or in a mains cycle under way.

use super::step::{ALLOWED, Accuracy, Effort, Sample, Stage, Stepper};
use crate::analysis::periodic::State;
use crate::analysis::{NoSolution, operating_point};
use crate::circuit::held::{self, Holding};
use crate::circuit::{BranchKind, Circuit, Node, Piece};
use crate::math::lu::StaticLu;
use crate::math::newton::{self, Failure, NewtonSettings};
use crate::system::assemble::{Assembly, SourceState};
use crate::system::audit::Auditor;

/// The longest step that is short enough to find out how a circuit starts, s.
const SOON_S: f64 = 1e-9;

impl<'c> Stepper<'c> {
    /// At rest at an operating point with every source at its t = 0 value; what `.ic` holds is
    /// held until it is released.
    pub fn at_rest(circuit: &'c Circuit, accuracy: Accuracy) -> Result<Self, Box<NoSolution>> {
        let mut assembly = Assembly::new(circuit);
        let holding = Holding::of(circuit);
        let point = operating_point::solve_held(&mut assembly, SourceState::at(0.0), &holding)?;
        for &(node, volts, _) in &holding.fixed {
            let found = assembly.unknowns.voltage(&point.x, node);
            if !held::agree(volts, found) {
                let no = NoSolution::held_otherwise(circuit, node, volts, found);
                return Err(Box::new(no));
            }
        }
        Ok(Self::from_point(assembly, point.x, accuracy))
    }

    /// Lets go what `.ic` holds: the charges and fluxes stay what they are, all else is free. `soon_s`
    /// is short beside the first step.
    pub fn release(&mut self, soon_s: f64) -> Result<(), Box<NoSolution>> {
        if self.assembly.circuit.held.is_empty() {
            return Ok(());
        }
        let charges = self.points[2].q.clone();
        self.consistent_start(&charges, soon_s)?;
        self.points[2].q = charges;
        Ok(())
    }

    /// From the `IC=` and `.ic` values alone: every other capacitor empty, every other
    /// inductor without current.
    pub fn from_initial_values(
        circuit: &'c Circuit,
        accuracy: Accuracy,
        soon_s: f64,
    ) -> Result<Self, Box<NoSolution>> {
        let assembly = Assembly::new(circuit);
        let charges = initial_charges(circuit, &assembly);
        let zero = vec![0.0; assembly.len()];
        let mut stepper = Self::from_point(assembly, zero, accuracy);
        stepper.assembly.forget();
        stepper.consistent_start(&charges, soon_s)?;
        Ok(stepper)
    }

    /// At rest at an operating point already found.
    pub fn from_point(mut assembly: Assembly<'c>, x: Vec<f64>, accuracy: Accuracy) -> Self {
        let n = assembly.len();
        assembly.evaluate(&x, SourceState::at(0.0), 0.0, false);
        let rest = Sample {
            time: 0.0,
            x_rate: vec![0.0; n],
            q: assembly.q.clone(),
            q_rate: vec![0.0; n],
            x: x.clone(),
        };
        let nodes = assembly.unknowns.nodes();
        let inductive: Vec<bool> = assembly
            .circuit
            .branches
            .iter()
            .map(|b| matches!(b.kind, BranchKind::Inductance(_)))
            .collect();
        let mut auditor = Auditor::new(assembly.circuit, "transient", ALLOWED);
        if let Some(auditor) = &mut auditor {
            auditor.stand(&assembly, &x);
        }
        let (indptr, indices) = assembly.pattern();
        Stepper {
            auditor,
            lu: StaticLu::new(n, indptr, indices),
            points: [rest.clone(), rest.clone(), rest],
            previous: None,
            time: 0.0,
            step_s: 0.0,
            effort: Effort::default(),
            accuracy,
            lowest: x.clone(),
            highest: x,
            differential: (0..n).map(|k| k < nodes || inductive[k - nodes]).collect(),
            work: vec![0.0; n],
            assembly,
        }
    }

    /// In the middle of a mains cycle that repeats itself: the supply is charged, its ripple
    /// under way. The clock stands at 0, the cycle's start.
    pub fn warm(assembly: Assembly<'c>, start: &State, accuracy: Accuracy) -> Self {
        let mut stepper = Self::from_point(assembly, start.x.clone(), accuracy);
        let end = &mut stepper.points[2];
        end.q.copy_from_slice(&start.q);
        end.q_rate.copy_from_slice(&start.q_rate);
        end.x_rate.copy_from_slice(&start.x_rate);
        stepper.forget_audit();
        stepper
    }

    /// Voltages and rates that agree with given charges, whatever held them before, from three
    /// backward-Euler steps of at most `soon_s` that are extrapolated to their start. What leaps
    /// there, a capacitor across a source for one, has leapt in the first of them.
    fn consistent_start(&mut self, charges: &[f64], soon_s: f64) -> Result<(), Box<NoSolution>> {
        let mut h = soon_s.min(SOON_S);
        // Rounding weighs more the shorter they are: where that is too much, longer ones.
        let [first, second, third] = loop {
            match self.three_steps(charges, h) {
                Ok(steps) => break steps,
                Err(failure) if h >= SOON_S => return Err(Box::new(self.no_solution(&failure))),
                Err(_) => h = (10.0 * h).min(SOON_S),
            }
        };
        // At two and three steps from the start, and at one and two.
        let x: Vec<f64> = back(3.0, &second.x, &third.x);
        let end = &mut self.points[2];
        end.q_rate = back(3.0, &second.q_rate, &third.q_rate);
        end.q = back(2.0, &first.q, &second.q);
        end.x_rate.fill(0.0);
        end.x.copy_from_slice(&x);
        self.forget_audit();
        self.lowest.copy_from_slice(&x);
        self.highest.copy_from_slice(&x);
        Ok(())
    }

    /// Three backward-Euler steps of `h` from given charges.
    fn three_steps(&mut self, charges: &[f64], h: f64) -> Result<[Sample; 3], Failure> {
        let a = 1.0 / h;
        let mut samples: [Sample; 3] = Default::default();
        let mut x = self.points[2].x.clone();
        let mut q = charges.to_vec();
        for (k, sample) in samples.iter_mut().enumerate() {
            let offset: Vec<f64> = q.iter().map(|q| -a * q).collect();
            newton::solve(
                &mut Stage {
                    assembly: &mut self.assembly,
                    lu: &mut self.lu,
                    ask: SourceState::at(0.0),
                    a,
                    offset: &offset,
                    tolerance: &vec![1e-9; charges.len()],
                },
                &mut x,
                &NewtonSettings::default(),
            )?;
            if k == 0 {
                self.assembly.settle_memory(&x);
            }
            // By Kirchhoff's law, as a difference of charges is little but rounding here. An
            // equation without charge has no rate.
            let rate = |k: usize| {
                let charged = self.assembly.q[k] != 0.0 || q[k] != 0.0;
                if charged { -self.assembly.f[k] } else { 0.0 }
            };
            sample.q_rate = (0..q.len()).map(rate).collect();
            sample.x.clone_from(&x);
            sample.q.clone_from(&self.assembly.q);
            q.clone_from(&sample.q);
        }
        Ok(samples)
    }
}

/// What lies `n` steps before the earlier of two points one step apart; `n` counts to the later.
fn back(n: f64, earlier: &[f64], later: &[f64]) -> Vec<f64> {
    let pairs = earlier.iter().zip(later);
    pairs.map(|(e, l)| n * e - (n - 1.0) * l).collect()
}

/// Charges and fluxes that the `IC=` and `.ic` values stand for.
fn initial_charges(circuit: &Circuit, assembly: &Assembly<'_>) -> Vec<f64> {
    let at = assembly.unknowns;
    let mut q = vec![0.0; at.len()];
    let held = |node: Node| {
        circuit
            .held
            .iter()
            .find(|h| h.0 == node)
            .map_or(0.0, |h| h.1)
    };
    let mut current = vec![0.0; circuit.branches.len()];
    for element in &circuit.elements {
        for port in &element.ports {
            match port.piece {
                Piece::Capacitance(k) => {
                    let c = &circuit.capacitances[k];
                    let own = element.initial.filter(|_| element.letter == 'C');
                    let volts = own.unwrap_or_else(|| held(c.a) - held(c.b));
                    if let Some(row) = at.node(c.a) {
                        q[row] += c.farads * volts;
                    }
                    if let Some(row) = at.node(c.b) {
                        q[row] -= c.farads * volts;
                    }
                }
                Piece::Branch(k) if element.letter == 'L' => {
                    current[k] = element.initial.unwrap_or(0.0);
                }
                _ => {}
            }
        }
    }
    for (k, branch) in circuit.branches.iter().enumerate() {
        if let BranchKind::Inductance(henries) = branch.kind {
            q[at.nodes() + k] -= henries * current[k];
        }
    }
    for &(a, b, mutual) in &circuit.mutuals {
        q[at.branch(a)] -= mutual * current[b.0];
        q[at.branch(b)] -= mutual * current[a.0];
    }
    q
}
