//! A supply fed from the mains: the steady state of one mains cycle.
//!
//! Where sines of the mains reach a rectifier, a DC operating point says nothing of the supply:
//! at t = 0 the mains are zero and every reservoir is empty. What a meter shows is the average
//! over a cycle once the cycle repeats itself. It is found by shooting (T. J. Aprille and
//! T. N. Trick, Proc. IEEE 60, 1972, p. 108; from memory): a cycle is integrated, and with it
//! what a small change of the state at its start makes of its end; Newton then seeks the state
//! that comes back to itself. So a dropping chain of seconds costs a handful of cycles.
//!
//! All other sources rest at their DC values. Steps are even ones of TR-BDF2, [`STEPS`] a
//! cycle: averages are within 0.01 % and ripple within 0.1 % of a run of `scope` over seconds
//! (measured, tests/supply.rs).

use super::{NoSolution, operating_point, transient};
use crate::circuit::{Branch, BranchKind, Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::math::dense;
use crate::math::lu::{LinearSolver, Singular, StaticLu};
use crate::math::newton::{self, Equations, Failure, NewtonSettings};
use crate::math::tr_bdf2::{self, GAMMA};
use crate::system::assemble::{ABSOLUTE, Assembly, Driven, SourceState};
use crate::system::audit::Auditor;
use std::collections::BTreeSet;
use std::f64::consts::TAU;

/// Steps of a cycle.
pub const STEPS: usize = 400;
/// Resistances above this feed no supply, ohm.
const FEEDS: f64 = 100e3;
/// The least capacitance that makes a reservoir, F: no clipper of a signal has one.
const RESERVOIR: f64 = 0.5e-6;
/// Cycles integrated before Newton begins: the worst of the inrush.
const SETTLING: usize = 3;
/// Cycles integrated at the most.
const MOST: usize = 60;
/// A cycle repeats itself if no unknown would have to move by more than this, V or A,
/// and this part of itself.
const REPEATS: (f64, f64) = (1e-5, 2e-6);
/// Newton settles within a step to this, V or A.
const SETTLED: f64 = 1e-8;
/// A step is divided by four so often at the most.
const DIVISIONS: usize = 8;

/// The sources that bring in the mains.
#[derive(Debug, Clone, PartialEq)]
pub struct Mains {
    /// Their frequency.
    pub freq_hz: f64,
    /// Sines of that frequency that reach a rectifier with a reservoir behind it.
    pub sources: Vec<Driven>,
}

/// A moment of the cycle.
#[derive(Debug, Clone)]
pub struct Instant {
    /// Since the start of the cycle, s.
    pub time_s: f64,
    /// Unknowns.
    pub x: Vec<f64>,
    /// Their rates, 1/s.
    pub x_rate: Vec<f64>,
    /// Charges and fluxes.
    pub q: Vec<f64>,
    /// Their rates.
    pub q_rate: Vec<f64>,
}

/// A cycle that repeats itself.
#[derive(Debug, Clone)]
pub struct Cycle {
    /// How often.
    pub freq_hz: f64,
    /// `[STEPS]`, evenly spaced; the first one step after t = 0, the last at the end, which is
    /// the state to start from at t = 0.
    pub instants: Vec<Instant>,
    /// Cycles integrated to find it.
    pub cycles: usize,
}

impl Cycle {
    /// The state at t = 0, to start a transient from.
    pub fn start(&self) -> &Instant {
        self.instants.last().expect("a cycle has steps")
    }

    /// The average of every unknown.
    pub fn mean(&self) -> Vec<f64> {
        let mut mean = vec![0.0; self.start().x.len()];
        for instant in &self.instants {
            for (m, x) in mean.iter_mut().zip(&instant.x) {
                *m += x;
            }
        }
        let per = 1.0 / self.instants.len() as f64;
        mean.iter_mut().for_each(|m| *m *= per);
        mean
    }
}

/// The mains of a circuit, if it has a supply that is fed from them: sines without a DC value
/// of their own, of 40 to 70 Hz, which reach a rectifier through wires, windings and small
/// resistances, with a reservoir behind it. Of several frequencies the first counts.
pub fn find(circuit: &Circuit) -> Option<Mains> {
    let mut mains: Option<Mains> = None;
    let graph = Conductors::new(circuit);
    for (k, branch) in circuit.branches.iter().enumerate() {
        let BranchKind::Source(drive) = &branch.kind else {
            continue;
        };
        let Some(freq_hz) = drive.mains_hz() else {
            continue;
        };
        if mains.as_ref().is_some_and(|m| m.freq_hz != freq_hz) {
            continue;
        }
        let reached = graph.reach([branch.a, branch.b]);
        if feeds_a_reservoir(circuit, &graph, &reached) {
            let found = mains.get_or_insert(Mains {
                freq_hz,
                sources: Vec::new(),
            });
            found.sources.push(Driven::Voltage(k));
        }
    }
    mains
}

/// What carries a supply's current: nodes joined by small resistances and windings.
struct Conductors {
    joined: Vec<Vec<usize>>,
}

impl Conductors {
    fn new(circuit: &Circuit) -> Self {
        let mut joined = vec![Vec::new(); circuit.nodes.len()];
        let mut join = |a: Node, b: Node| {
            joined[a.0].push(b.0);
            joined[b.0].push(a.0);
        };
        for r in circuit.resistances.iter().filter(|r| r.ohms.abs() < FEEDS) {
            join(r.a, r.b);
        }
        let carries = |b: &Branch| !matches!(circuit.branches[b.0].kind, BranchKind::Source(_));
        for branch in (0..circuit.branches.len()).map(Branch).filter(carries) {
            join(circuit.branches[branch.0].a, circuit.branches[branch.0].b);
        }
        for &(a, b, _) in &circuit.mutuals {
            join(circuit.branches[a.0].a, circuit.branches[b.0].a);
            join(circuit.branches[a.0].b, circuit.branches[b.0].b);
        }
        // A device's windings share their core.
        for element in circuit.elements.iter().filter(|e| e.kind.is_some()) {
            if circuit.branch_of(element).is_some() {
                // Ground among them joins nothing: a primary's end there is no way to it.
                let live: Vec<Node> = element
                    .terminals
                    .iter()
                    .copied()
                    .filter(|n| n.0 != 0)
                    .collect();
                for pair in live.windows(2) {
                    join(pair[0], pair[1]);
                }
            }
        }
        Conductors { joined }
    }

    /// All nodes to be reached without passing ground.
    fn reach(&self, from: impl IntoIterator<Item = Node>) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        let mut open: Vec<usize> = from.into_iter().map(|n| n.0).collect();
        while let Some(node) = open.pop() {
            if node != 0 && found.insert(node) {
                open.extend(&self.joined[node]);
            }
        }
        found
    }
}

fn feeds_a_reservoir(circuit: &Circuit, graph: &Conductors, fed: &BTreeSet<usize>) -> bool {
    let is_rectifier = |e: &&Element| e.role().is_some_and(DeviceRole::rectifies);
    circuit.elements.iter().filter(is_rectifier).any(|e| {
        let (inside, outside): (Vec<Node>, Vec<Node>) =
            e.terminals.iter().partition(|n| fed.contains(&n.0));
        let behind = graph.reach(outside);
        !inside.is_empty()
            && behind.is_disjoint(fed)
            && circuit
                .capacitances
                .iter()
                .filter(|c| c.farads >= RESERVOIR)
                .any(|c| behind.contains(&c.a.0) || behind.contains(&c.b.0))
    })
}

/// The inner nodes of mains transformers: volts of the primary's turns, and their flux.
fn cores(circuit: &Circuit) -> Vec<(Node, Node)> {
    let transformers = circuit.elements.iter();
    let transformers = transformers.filter(|e| e.role() == Some(DeviceRole::MainsTransformer));
    let inner = |name: String| circuit.nodes.iter().position(|n| n.inner && n.name == name);
    transformers
        .filter_map(|e| {
            let core = inner(format!("{}#1", e.name))?;
            Some((Node(core), Node(inner(format!("{}#2", e.name))?)))
        })
        .collect()
}

/// The cycle that repeats itself.
///
/// # Errors
/// If a step could not be solved, or the cycle does not come to repeat itself.
pub fn cycle(assembly: &mut Assembly<'_>, mains: &Mains) -> Result<Cycle, Box<NoSolution>> {
    assembly.moving = Some(mains.sources.clone());
    let found = Shooting::new(assembly, mains.freq_hz).and_then(|mut s| s.solve());
    assembly.moving = None;
    found
}

/// A cycle on its way to repeat itself.
struct Shooting<'a, 'c> {
    assembly: &'a mut Assembly<'c>,
    lu: StaticLu<f64>,
    period_s: f64,
    now: Instant,
    /// Unknowns whose charge is not nothing: what a start can differ in.
    states: Vec<usize>,
    auditor: Option<Auditor>,
}

/// What a small change of each state at the start has become: unknowns, charges and
/// their rates, one change after the other.
struct Spread {
    x: Vec<f64>,
    q: Vec<f64>,
    q_rate: Vec<f64>,
}

impl<'a, 'c> Shooting<'a, 'c> {
    fn new(assembly: &'a mut Assembly<'c>, freq_hz: f64) -> Result<Self, Box<NoSolution>> {
        let period_s = 1.0 / freq_hz;
        // Held at its crest the mains leave a supply nearly as full as it will be; the flux of a
        // mains transformer is nothing then. Where that cannot be solved, or where coupled
        // inductors pass no direct current, it fills up anew.
        let crest = SourceState::at(0.25 * period_s);
        let cores = cores(assembly.circuit);
        let held: Vec<(Node, f64)> = cores.iter().map(|&(_, flux)| (flux, 0.0)).collect();
        let mut point = match operating_point::solve(assembly, crest, &held) {
            Ok(point) => point,
            Err(_) => operating_point::solve(assembly, SourceState::at(0.0), &[])?,
        };
        // At t = 0 it stands at its lowest: no inrush.
        for (core, flux) in cores {
            let volts = assembly.unknowns.voltage(&point.x, core);
            if let Some(k) = assembly.unknowns.node(flux) {
                point.x[k] = -volts * period_s / TAU;
            }
        }
        let n = assembly.len();
        assembly.evaluate(&point.x, crest, 0.0, false);
        let now = Instant {
            time_s: 0.0,
            q: assembly.q.clone(),
            x: point.x,
            x_rate: vec![0.0; n],
            q_rate: vec![0.0; n],
        };
        let (indptr, indices) = assembly.pattern();
        let lu = StaticLu::new(n, indptr, indices);
        let auditor = Auditor::new(assembly.circuit, "mains cycle", transient::ALLOWED);
        let mut shooting = Shooting {
            auditor,
            assembly,
            lu,
            period_s,
            now,
            states: Vec::new(),
        };
        let (_, c) = shooting.slopes();
        let mut stores = vec![false; n];
        let (_, indices) = shooting.assembly.pattern();
        for (&column, &c) in indices.iter().zip(&c) {
            stores[column] |= c != 0.0;
        }
        shooting.states = (0..n).filter(|&k| stores[k]).collect();
        Ok(shooting)
    }

    fn solve(&mut self) -> Result<Cycle, Box<NoSolution>> {
        let n = self.now.x.len();
        let (mut last, mut restless) = (f64::INFINITY, 0);
        for cycles in 1..=MOST {
            let start = self.now.x.clone();
            self.consistent_start()?;
            let shoots = cycles > SETTLING;
            let mut spread = match shoots {
                true => Some(self.spread()?),
                false => None,
            };
            let mut instants = Vec::with_capacity(STEPS);
            for k in 0..STEPS {
                let h = self.period_s / STEPS as f64;
                self.advance(h, &mut spread, 0)?;
                self.now.time_s = h * (k + 1) as f64;
                instants.push(self.now.clone());
            }
            self.now.time_s = 0.0;
            let Some(spread) = spread else {
                continue;
            };
            // (1 - M) d = x(T) - x(0), M what the states' changes have become.
            let mut matrix = vec![0.0; n * n];
            for (j, &state) in self.states.iter().enumerate() {
                for i in 0..n {
                    matrix[state * n + i] = -spread.x[j * n + i];
                }
            }
            // What does not move by itself (a capacitor that nothing discharges) is kept where it is.
            (0..n).for_each(|k| matrix[k * n + k] += 1.0 + 1e-9);
            let mut step: Vec<f64> = self.now.x.iter().zip(&start).map(|(b, a)| b - a).collect();
            let mut moved = 0.0f64;
            for (k, d) in step.iter().enumerate().filter(|(_, d)| d.is_finite()) {
                if d.abs() > moved {
                    (moved, restless) = (d.abs(), k);
                }
            }
            let solved = dense::solve_columns(&mut matrix, &mut step);
            let repeats = solved
                && step
                    .iter()
                    .zip(&self.now.x)
                    .all(|(d, x)| d.abs() <= REPEATS.0 + REPEATS.1 * x.abs());
            if repeats {
                return Ok(Cycle {
                    freq_hz: 1.0 / self.period_s,
                    instants,
                    cycles,
                });
            }
            // Where Newton led away, the cycles are left to settle by themselves for once.
            let sound = solved && step.iter().all(|d| d.is_finite()) && moved < 3.0 * last;
            last = moved;
            if sound {
                for ((x, s), d) in self.now.x.iter_mut().zip(&start).zip(&step) {
                    *x = s + d;
                }
                let x = self.now.x.clone();
                self.assembly.evaluate(&x, SourceState::at(0.0), 0.0, false);
                self.now.q.copy_from_slice(&self.assembly.q);
            }
        }
        Err(self.failed(&Failure::Unsettled {
            unknown: restless,
            equation: restless,
            residual_ratio: f64::INFINITY,
            iterations: MOST,
        }))
    }

    fn failed(&self, failure: &Failure) -> Box<NoSolution> {
        Box::new(NoSolution::new(
            "mains cycle",
            self.assembly.circuit,
            failure,
            vec!["shooting", "cycle after cycle"],
            Some(self.now.time_s),
        ))
    }

    /// One stage: unknowns for which f + a q + offset = 0.
    fn stage(&mut self, time_s: f64, a: f64, offset: &[f64], x: &mut [f64]) -> Result<(), Failure> {
        let ask = SourceState::at(time_s);
        let settings = NewtonSettings {
            max_iterations: 40,
            ..NewtonSettings::default()
        };
        let mut stage = Stage {
            assembly: self.assembly,
            lu: &mut self.lu,
            ask,
            a,
            offset,
        };
        newton::solve(&mut stage, x, &settings).map(|_| ())
    }

    /// A very short step from the charges alone: voltages and rates that agree with them.
    fn consistent_start(&mut self) -> Result<(), Box<NoSolution>> {
        let a = self.first();
        let offset: Vec<f64> = self.now.q.iter().map(|q| -a * q).collect();
        let mut x = self.now.x.clone();
        if let Err(failure) = self.stage(0.0, a, &offset, &mut x) {
            return Err(self.failed(&failure));
        }
        for ((rate, new), old) in self
            .now
            .q_rate
            .iter_mut()
            .zip(&self.assembly.q)
            .zip(&self.now.q)
        {
            *rate = a * (new - old);
        }
        self.now.q.copy_from_slice(&self.assembly.q);
        self.now.x = x;
        if let Some(auditor) = &mut self.auditor {
            auditor.forget();
        }
        Ok(())
    }

    /// The factor of that very short step, 1/s.
    fn first(&self) -> f64 {
        1e2 * STEPS as f64 / self.period_s
    }

    /// G and C in the order of the pattern, where the assembly was last asked.
    fn slopes(&mut self) -> (Vec<f64>, Vec<f64>) {
        let (x, ask) = (self.now.x.clone(), SourceState::at(self.now.time_s));
        slopes(self.assembly, &x, ask)
    }

    /// What small changes of the states have become after [`consistent_start`](Self::let_go).
    fn spread(&mut self) -> Result<Spread, Box<NoSolution>> {
        let (n, a) = (self.now.x.len(), self.first());
        let (g, c) = self.slopes();
        let matrix: Vec<f64> = g.iter().zip(&c).map(|(g, c)| g + a * c).collect();
        if let Err(singular) = self.lu.factor(&matrix) {
            return Err(self.failed(&Failure::Singular(singular)));
        }
        let size = n * self.states.len();
        let mut spread = Spread {
            x: vec![0.0; size],
            q: vec![0.0; size],
            q_rate: vec![0.0; size],
        };
        let mut unit = vec![0.0; n];
        for (j, &state) in self.states.iter().enumerate() {
            let at = j * n..(j + 1) * n;
            unit[state] = 1.0;
            let x = &mut spread.x[at.clone()];
            times(self.assembly, &c, &unit, x);
            x.iter_mut().for_each(|v| *v *= a);
            self.lu.solve(x);
            unit[state] = 0.0;
            let x = &spread.x[at.clone()];
            times(self.assembly, &c, x, &mut spread.q[at.clone()]);
            times(self.assembly, &g, x, &mut spread.q_rate[at.clone()]);
            spread.q_rate[at].iter_mut().for_each(|v| *v = -*v);
        }
        Ok(spread)
    }

    /// A step of `h`; where Newton does not settle it is made in four.
    fn advance(
        &mut self,
        h: f64,
        spread: &mut Option<Spread>,
        divided: usize,
    ) -> Result<(), Box<NoSolution>> {
        match self.step(h, spread) {
            Ok(()) => Ok(()),
            Err(failure) if divided == DIVISIONS => Err(self.failed(&failure)),
            Err(_) => (0..4).try_for_each(|_| self.advance(0.25 * h, spread, divided + 1)),
        }
    }

    fn step(&mut self, h: f64, spread: &mut Option<Spread>) -> Result<(), Failure> {
        let a = tr_bdf2::factor(h);
        let (t1, t2) = (self.now.time_s + GAMMA * h, self.now.time_s + h);
        let start = self.now.clone();
        let n = start.x.len();
        let mut inner = start.x.clone();
        for (x, v) in inner.iter_mut().zip(&start.x_rate) {
            *x += GAMMA * h * v;
        }
        let offset: Vec<f64> = (0..n)
            .map(|k| tr_bdf2::inner_rate(a, 0.0, start.q[k], start.q_rate[k]))
            .collect();
        self.stage(t1, a, &offset, &mut inner)?;
        let inner_q = self.assembly.q.clone();
        let mut made = None;
        if let Some(before) = spread.as_ref() {
            let (_, c) = slopes(self.assembly, &inner, SourceState::at(t1));
            self.assembly
                .evaluate(&inner, SourceState::at(t1), a, false);
            self.lu
                .factor(&self.assembly.jacobian)
                .map_err(Failure::Singular)?;
            let mut x: Vec<f64> = before
                .q
                .iter()
                .zip(&before.q_rate)
                .map(|(q, rate)| a * q + rate)
                .collect();
            let c = stored(self.assembly, &c);
            let mut q = vec![0.0; x.len()];
            for (x, q) in x.chunks_exact_mut(n).zip(q.chunks_exact_mut(n)) {
                self.lu.solve(x);
                charge(&c, x, q);
            }
            made = Some(q);
        }
        let mut end: Vec<f64> = (0..n)
            .map(|k| start.x[k] + (inner[k] - start.x[k]) / GAMMA)
            .collect();
        let offset: Vec<f64> = (0..n)
            .map(|k| tr_bdf2::end_rate(a, 0.0, inner_q[k], start.q[k]))
            .collect();
        self.stage(t2, a, &offset, &mut end)?;
        let end_q = self.assembly.q.clone();
        if let (Some(before), Some(inner_spread)) = (spread.as_mut(), made) {
            let (_, c) = slopes(self.assembly, &end, SourceState::at(t2));
            self.assembly.evaluate(&end, SourceState::at(t2), a, false);
            self.lu
                .factor(&self.assembly.jacobian)
                .map_err(Failure::Singular)?;
            let c = stored(self.assembly, &c);
            for (x, (q1, q0)) in before.x.iter_mut().zip(inner_spread.iter().zip(&before.q)) {
                *x = -tr_bdf2::end_rate(a, 0.0, *q1, *q0);
            }
            let columns = before.x.chunks_exact_mut(n);
            let charges = before.q.chunks_exact_mut(n);
            let rates = before.q_rate.chunks_exact_mut(n);
            for ((x, q), rate) in columns.zip(charges).zip(rates) {
                // (aC + G) x = r tells -G x = aC x - r.
                rate.copy_from_slice(x);
                self.lu.solve(x);
                charge(&c, x, q);
                for (rate, q) in rate.iter_mut().zip(q) {
                    *rate = a * *q - *rate;
                }
            }
        }
        let rates = |to: &mut [f64], end: &[f64], inner: &[f64], start: &[f64]| {
            for (k, rate) in to.iter_mut().enumerate() {
                *rate = tr_bdf2::end_rate(a, end[k], inner[k], start[k]);
            }
        };
        rates(&mut self.now.q_rate, &end_q, &inner_q, &start.q);
        rates(&mut self.now.x_rate, &end, &inner, &start.x);
        if let Some(auditor) = &mut self.auditor {
            let (inner, end) = (
                (&inner[..], SourceState::at(t1)),
                (&end[..], SourceState::at(t2)),
            );
            auditor.step(self.assembly, h, inner, end);
        }
        self.assembly.settle_memory(&end);
        self.now.time_s = t2;
        (self.now.x, self.now.q) = (end, end_q);
        Ok(())
    }
}

/// G and C of the circuit at a point.
fn slopes(assembly: &mut Assembly<'_>, x: &[f64], ask: SourceState) -> (Vec<f64>, Vec<f64>) {
    assembly.evaluate(x, ask, 0.0, false);
    let g = assembly.jacobian.clone();
    // So large a factor that the difference keeps the digits of a picofarad beside a siemens.
    let large = 1e6;
    assembly.evaluate(x, ask, large, false);
    let c = assembly
        .jacobian
        .iter()
        .zip(&g)
        .map(|(j, g)| (j - g) / large)
        .collect();
    (g, c)
}

/// The entries of C that are not zero: row, column, value.
fn stored(assembly: &Assembly<'_>, c: &[f64]) -> Vec<(usize, usize, f64)> {
    let (indptr, indices) = assembly.pattern();
    let rows = indptr.windows(2).enumerate();
    rows.flat_map(|(row, ends)| (ends[0]..ends[1]).map(move |e| (row, e)))
        .filter(|&(_, e)| c[e] != 0.0)
        .map(|(row, e)| (row, indices[e], c[e]))
        .collect()
}

/// C x.
fn charge(c: &[(usize, usize, f64)], x: &[f64], to: &mut [f64]) {
    to.fill(0.0);
    for &(row, column, c) in c {
        to[row] += c * x[column];
    }
}

/// A matrix in the circuit's pattern times a vector.
fn times(assembly: &Assembly<'_>, matrix: &[f64], x: &[f64], to: &mut [f64]) {
    let (indptr, indices) = assembly.pattern();
    for (row, sum) in to.iter_mut().enumerate() {
        let at = indptr[row]..indptr[row + 1];
        *sum = matrix[at.clone()]
            .iter()
            .zip(&indices[at])
            .map(|(m, &column)| m * x[column])
            .sum();
    }
}

/// The equations of one stage.
struct Stage<'a, 'c> {
    assembly: &'a mut Assembly<'c>,
    lu: &'a mut StaticLu<f64>,
    ask: SourceState,
    a: f64,
    offset: &'a [f64],
}

/// Part of the currents at a node that may be left over.
const LEFT_OVER: f64 = 1e-7;

impl Equations for Stage<'_, '_> {
    fn size(&self) -> usize {
        self.assembly.len()
    }

    fn linearise(&mut self, x: &[f64], residual: &mut [f64]) -> bool {
        let limited = self.assembly.evaluate(x, self.ask, self.a, true);
        for (k, r) in residual.iter_mut().enumerate() {
            *r = self.assembly.f[k] + self.a * self.assembly.q[k] + self.offset[k];
        }
        limited
    }

    fn solve(&mut self, residual: &mut [f64]) -> Result<(), Singular> {
        self.lu.factor(&self.assembly.jacobian)?;
        self.lu.solve(residual);
        Ok(())
    }

    fn step_tolerance(&self, _: usize, x: f64) -> f64 {
        SETTLED + SETTLED * x.abs()
    }

    fn residual_ratio(&mut self, x: &[f64]) -> (f64, usize) {
        self.assembly.evaluate(x, self.ask, self.a, false);
        self.assembly.residual_scale(x, self.ask, self.a);
        let mut worst = (0.0, 0);
        for k in 0..x.len() {
            let charge = (self.a * self.assembly.q[k]).abs();
            let r = self.assembly.f[k] + self.a * self.assembly.q[k] + self.offset[k];
            let tolerated =
                ABSOLUTE + LEFT_OVER * self.assembly.scale[k] + 64.0 * f64::EPSILON * charge;
            let ratio = r.abs() / tolerated;
            // Written so that NaN counts as the worst.
            let better = ratio <= worst.0;
            if !better {
                worst = (ratio, k);
            }
        }
        worst
    }
}
