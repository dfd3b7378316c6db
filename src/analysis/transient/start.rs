//! Where a transient starts: at rest, from initial values, or in a mains cycle under way.

use super::step::{ALLOWED, Accuracy, Effort, Sample, Stage, Stepper};
use crate::analysis::periodic::State;
use crate::analysis::{NoSolution, operating_point};
use crate::circuit::{BranchKind, Circuit, Node, Piece};
use crate::math::lu::StaticLu;
use crate::math::newton::{self, NewtonSettings};
use crate::system::assemble::{Assembly, SourceState};
use crate::system::audit::Auditor;

impl<'c> Stepper<'c> {
    /// At rest at an operating point with every source at its t = 0 value; `.ic` nodes are
    /// held meanwhile and then released.
    pub fn at_rest(
        circuit: &'c Circuit,
        accuracy: Accuracy,
    ) -> Result<(Self, operating_point::Point), Box<NoSolution>> {
        let mut assembly = Assembly::new(circuit);
        let point = operating_point::solve(&mut assembly, SourceState::at(0.0), &circuit.held)?;
        let mut stepper = Self::from_point(assembly, point.x.clone(), accuracy);
        if !circuit.held.is_empty() {
            let charges = stepper.points[2].q.clone();
            stepper.consistent_start(&charges)?;
        }
        Ok((stepper, point))
    }

    /// From the `IC=` and `.ic` values alone: every other capacitor empty, every other
    /// inductor without current.
    pub fn from_initial_values(
        circuit: &'c Circuit,
        accuracy: Accuracy,
    ) -> Result<Self, Box<NoSolution>> {
        let assembly = Assembly::new(circuit);
        let charges = initial_charges(circuit, &assembly);
        let zero = vec![0.0; assembly.len()];
        let mut stepper = Self::from_point(assembly, zero, accuracy);
        stepper.assembly.forget();
        stepper.consistent_start(&charges)?;
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

    /// A very short backward-Euler step from given charges: finds voltages and rates that
    /// agree with them whatever held them before.
    fn consistent_start(&mut self, charges: &[f64]) -> Result<(), Box<NoSolution>> {
        let h = 1e-9;
        let a = 1.0 / h;
        let offset: Vec<f64> = charges.iter().map(|q| -a * q).collect();
        let tolerance = vec![1e-9; charges.len()];
        let mut x = self.points[2].x.clone();
        let found = newton::solve(
            &mut Stage {
                assembly: &mut self.assembly,
                lu: &mut self.lu,
                ask: SourceState::at(0.0),
                a,
                offset: &offset,
                tolerance: &tolerance,
            },
            &mut x,
            &NewtonSettings::default(),
        );
        if let Err(failure) = found {
            return Err(Box::new(self.no_solution(&failure)));
        }
        self.assembly.settle_memory(&x);
        let end = &mut self.points[2];
        for (k, q) in charges.iter().enumerate() {
            end.q_rate[k] = a * (self.assembly.q[k] - q);
        }
        end.q.copy_from_slice(&self.assembly.q);
        end.x_rate.fill(0.0);
        end.x.copy_from_slice(&x);
        self.forget_audit();
        self.lowest.copy_from_slice(&x);
        self.highest.copy_from_slice(&x);
        Ok(())
    }
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
