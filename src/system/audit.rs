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
//! The same walk tells the solvers how large a residual may be (`Walk::residual_scale`).
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

use super::accuracy::{ABSOLUTE, LEAK_S, RELATIVE, ROUNDING, SOCKET_S};
use super::assemble::Assembly;
use super::sources::{Driven, SourceState, source_value};
use super::unknowns::Unknowns;
use crate::circuit::ledger::{Finding, Watts};
use crate::circuit::{Branch, BranchKind, Circuit, Node, Sense, Sink};
use crate::device::Answer;
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

/// One walk over all parts at a moment.
#[derive(Debug, Default)]
pub struct Walk {
    /// What the currents out of each node add up to, A; by how much the voltage of each branch
    /// is not what it should be, V. `[n]`
    residual: Vec<f64>,
    /// The same sums without signs.
    magnitude: Vec<f64>,
    /// What those sums would move by if every voltage and current moved by all of itself.
    rounding: Vec<f64>,
    /// What they would move by if every voltage moved by a volt, charges kept.
    slope_sum: Vec<f64>,
    /// Charges and fluxes: capacitances, then inductive branches, then the laws' outputs.
    pub stored: Vec<f64>,
    /// Which of `stored` is a branch's.
    flux: Vec<usize>,
    /// The sum of all powers, W, and that without signs.
    watts: f64,
    power_abs: f64,
    law: Buffers,
}

#[derive(Debug, Default)]
struct Buffers {
    u: Vec<f64>,
    i: Vec<f64>,
    q: Vec<f64>,
    g: Vec<f64>,
    c: Vec<f64>,
}

impl Buffers {
    fn clear(&mut self, controls: usize, outputs: usize) -> Answer<'_> {
        for (of, length) in [
            (&mut self.i, outputs),
            (&mut self.q, outputs),
            (&mut self.g, controls * outputs),
            (&mut self.c, controls * outputs),
        ] {
            of.clear();
            of.resize(length, 0.0);
        }
        Answer {
            i: &mut self.i,
            q: &mut self.q,
            g: &mut self.g,
            c: &mut self.c,
        }
    }
}

/// Where the terms of one sum go: nodes, or a branch's own row.
#[derive(Debug, Clone, Copy)]
enum Into {
    Nodes(Node, Node),
    Row(usize),
}

impl Walk {
    /// Goes over all parts at `x`; what flows into stores is not added yet. `a` is the weight
    /// of a charge in its rate, 1/s, for what rounding makes of it.
    pub fn add_parts(&mut self, assembly: &Assembly<'_>, x: &[f64], ask: SourceState, a: f64) {
        let circuit = assembly.circuit;
        let at = assembly.unknowns;
        for of in [
            &mut self.residual,
            &mut self.magnitude,
            &mut self.rounding,
            &mut self.slope_sum,
        ] {
            of.clear();
            of.resize(at.len(), 0.0);
        }
        (self.watts, self.power_abs) = (0.0, 0.0);
        self.stored.clear();
        let v = |node: Node| at.voltage(x, node);
        for r in &circuit.resistances {
            let (across, size) = (v(r.a) - v(r.b), v(r.a).abs() + v(r.b).abs());
            let siemens = 1.0 / r.ohms;
            self.flow(r.a, r.b, across / r.ohms, across);
            self.add_slope(Into::Nodes(r.a, r.b), siemens.abs(), size);
        }
        for &k in &assembly.leaks {
            let node = Node(k + 1);
            self.flow(node, Node::GROUND, LEAK_S * x[k], x[k]);
            self.add_slope(Into::Nodes(node, Node::GROUND), LEAK_S, x[k].abs());
        }
        for c in &circuit.capacitances {
            let (across, size) = (v(c.a) - v(c.b), v(c.a).abs() + v(c.b).abs());
            self.stored.push(c.farads * across);
            self.add_charge(Into::Nodes(c.a, c.b), a * c.farads * size);
        }
        let value = |drive, which| match assembly.external {
            Some((driven, value)) if driven == which => value,
            _ => ask.sources * source_value(drive, which, ask.time, assembly.moving.as_deref()),
        };
        for (k, source) in circuit.currents.iter().enumerate() {
            let amperes = value(&source.drive, Driven::Current(k));
            self.flow(source.a, source.b, amperes, v(source.a) - v(source.b));
        }
        self.flux.clear();
        for (k, branch) in circuit.branches.iter().enumerate() {
            let row = at.nodes() + k;
            let (va, vb) = (v(branch.a), v(branch.b));
            self.flow(branch.a, branch.b, x[row], 0.0);
            self.residual[row] += va - vb;
            self.magnitude[row] += va.abs() + vb.abs();
            self.rounding[row] += va.abs() + vb.abs();
            self.flux.push(self.stored.len());
            match &branch.kind {
                BranchKind::Source(drive) => {
                    let volts = value(drive, Driven::Voltage(k));
                    self.add_voltage(row, volts, x[row]);
                }
                BranchKind::Inductance(henries) => {
                    self.stored.push(henries * x[row]);
                    self.add_charge(Into::Row(row), a * henries * x[row].abs());
                }
                BranchKind::Controlled => {}
            }
        }
        for &(Branch(one), Branch(other), mutual) in &circuit.mutuals {
            for (to, from) in [(one, other), (other, one)] {
                let current = x[at.nodes() + from];
                self.stored[self.flux[to]] += mutual * current;
                self.add_charge(Into::Row(at.nodes() + to), a * mutual * current.abs());
            }
        }
        for gain in &circuit.gains {
            let (sensed, size) = sense(&at, x, gain.sense);
            let output = gain.gain * sensed;
            match gain.sink {
                Sink::Current(p, q) => self.flow(p, q, output, v(p) - v(q)),
                Sink::Branch(b) => self.add_voltage(at.branch(b), output, x[at.branch(b)]),
            }
            self.add_slope(into(&at, gain.sink), gain.gain.abs(), size);
        }
        self.laws(assembly, x, a);
    }

    fn laws(&mut self, assembly: &Assembly<'_>, x: &[f64], a: f64) {
        let at = assembly.unknowns;
        let v = |node: Node| at.voltage(x, node);
        let mut law = std::mem::take(&mut self.law);
        for (index, part) in assembly.circuit.laws.iter().enumerate() {
            let (controls, outputs) = (part.controls.len(), part.outputs.len());
            if assembly.unplugged[index] {
                // What was connected to nothing but this device leaks to ground.
                for sink in &part.outputs {
                    if let Sink::Current(p, q) = *sink
                        && p != q
                    {
                        for pin in [p, q] {
                            self.flow(pin, Node::GROUND, SOCKET_S * v(pin), v(pin));
                        }
                    }
                    self.stored.push(0.0);
                }
                continue;
            }
            law.u.clear();
            let mut size = 0.0f64;
            for &control in &part.controls {
                let (sensed, of) = sense(&at, x, control);
                law.u.push(sensed);
                size = size.max(of);
            }
            let u = std::mem::take(&mut law.u);
            let mut answer = law.clear(controls, outputs);
            part.law.answer(&u, assembly.memory[index], &mut answer);
            law.u = u;
            for (o, &sink) in part.outputs.iter().enumerate() {
                let row = o * controls..(o + 1) * controls;
                match sink {
                    Sink::Current(p, q) => self.flow(p, q, law.i[o], v(p) - v(q)),
                    Sink::Branch(b) => self.add_voltage(at.branch(b), law.i[o], x[at.branch(b)]),
                }
                let slope: f64 = law.g[row.clone()].iter().map(|g| g.abs()).sum();
                let charge: f64 = law.c[row].iter().map(|c| c.abs()).sum();
                self.add_slope(into(&at, sink), slope, size);
                self.add_charge(into(&at, sink), a * charge * size);
                self.stored.push(law.q[o]);
            }
        }
        self.law = law;
    }

    /// Adds what flows into the stores, `[stored]`.
    pub fn store(&mut self, circuit: &Circuit, at: Unknowns, x: &[f64], rates: &[f64]) {
        let v = |node: Node| at.voltage(x, node);
        let mut rates = rates.iter().copied();
        let mut next = || rates.next().expect("a rate for each store");
        for c in &circuit.capacitances {
            self.flow(c.a, c.b, next(), v(c.a) - v(c.b));
        }
        for (k, branch) in circuit.branches.iter().enumerate() {
            if let BranchKind::Inductance(_) = branch.kind {
                self.add_voltage(at.nodes() + k, next(), x[at.nodes() + k]);
            }
        }
        for sink in circuit.laws.iter().flat_map(|part| &part.outputs) {
            match *sink {
                Sink::Current(p, q) => self.flow(p, q, next(), v(p) - v(q)),
                Sink::Branch(b) => self.add_voltage(at.branch(b), next(), x[at.branch(b)]),
            }
        }
    }

    /// What flows into the stores, `[stored]`, while the unknowns move at `rates` from `x`.
    fn drift(&mut self, assembly: &Assembly<'_>, x: &[f64], rates: &[f64]) -> Vec<f64> {
        let (circuit, at) = (assembly.circuit, assembly.unknowns);
        let v = |node: Node| at.voltage(rates, node);
        let mut flows: Vec<f64> = circuit
            .capacitances
            .iter()
            .map(|c| c.farads * (v(c.a) - v(c.b)))
            .collect();
        for (k, branch) in circuit.branches.iter().enumerate() {
            if let BranchKind::Inductance(henries) = branch.kind {
                flows.push(henries * rates[at.nodes() + k]);
            }
        }
        for &(Branch(one), Branch(other), mutual) in &circuit.mutuals {
            for (to, from) in [(one, other), (other, one)] {
                flows[self.flux[to]] += mutual * rates[at.nodes() + from];
            }
        }
        for (index, part) in circuit.laws.iter().enumerate() {
            let (controls, outputs) = (part.controls.len(), part.outputs.len());
            if assembly.unplugged[index] {
                flows.extend(std::iter::repeat_n(0.0, outputs));
                continue;
            }
            let at_x = |&of: &Sense| sense(&at, x, of).0;
            let at_rates = |&of: &Sense| sense(&at, rates, of).0;
            let u: Vec<f64> = part.controls.iter().map(at_x).collect();
            let moves: Vec<f64> = part.controls.iter().map(at_rates).collect();
            let mut answer = self.law.clear(controls, outputs);
            part.law.answer(&u, assembly.memory[index], &mut answer);
            flows.extend((0..outputs).map(|o| {
                let row = &self.law.c[o * controls..(o + 1) * controls];
                row.iter()
                    .zip(&moves)
                    .map(|(c, rate)| c * rate)
                    .sum::<f64>()
            }));
        }
        flows
    }

    /// A current from one node through a part with `across` volts to the other.
    fn flow(&mut self, from: Node, to: Node, amperes: f64, across: f64) {
        if from == to {
            return;
        }
        if let Some(k) = from.0.checked_sub(1) {
            self.residual[k] += amperes;
            self.magnitude[k] += amperes.abs();
        }
        if let Some(k) = to.0.checked_sub(1) {
            self.residual[k] -= amperes;
            self.magnitude[k] += amperes.abs();
        }
        self.power(amperes * across);
    }

    /// A share of the voltage that a branch with so many amperes should have.
    fn add_voltage(&mut self, row: usize, volts: f64, amperes: f64) {
        self.residual[row] -= volts;
        self.magnitude[row] += volts.abs();
        self.power(volts * amperes);
    }

    fn power(&mut self, watts: f64) {
        self.watts += watts;
        self.power_abs += watts.abs();
    }

    fn add_slope(&mut self, into: Into, slope: f64, size: f64) {
        self.rows(into, |walk, row| {
            walk.rounding[row] += slope * size;
            walk.slope_sum[row] += slope;
        });
    }

    fn add_charge(&mut self, into: Into, amount: f64) {
        self.rows(into, |walk, row| walk.rounding[row] += amount);
    }

    fn rows(&mut self, into: Into, add: impl Fn(&mut Self, usize)) {
        match into {
            Into::Row(row) => add(self, row),
            Into::Nodes(a, b) if a != b => {
                for node in [a, b] {
                    if let Some(row) = node.0.checked_sub(1) {
                        add(self, row);
                    }
                }
            }
            Into::Nodes(..) => {}
        }
    }

    /// What rounding to a last place or two leaves uncertain in each sum, `[n]`, after
    /// [`Walk::add_parts`].
    pub fn rounding(&self, to: &mut [f64]) {
        for (to, rounding) in to.iter_mut().zip(&self.rounding) {
            *to = 2.0 * f64::EPSILON * rounding;
        }
    }

    /// What a residual of each equation is to be judged by, `[n]`, after [`Walk::add_parts`]:
    /// the terms without signs, and the rounding to be expected of them.
    pub fn residual_scale(&self, nodes: usize, scale: &mut [f64]) {
        for (row, s) in scale.iter_mut().enumerate() {
            let own = if row < nodes { 0.0 } else { 1.0 };
            *s = self.magnitude[row] + own + self.rounding[row] * ROUNDING / RELATIVE;
        }
    }
}

fn into(at: &Unknowns, sink: Sink) -> Into {
    match sink {
        Sink::Current(p, q) => Into::Nodes(p, q),
        Sink::Branch(b) => Into::Row(at.branch(b)),
    }
}

/// What is sensed, and the size of what it is the difference of.
fn sense(at: &Unknowns, x: &[f64], sense: Sense) -> (f64, f64) {
    match sense {
        Sense::Voltage(a, b) => {
            let (a, b) = (at.voltage(x, a), at.voltage(x, b));
            (a - b, a.abs() + b.abs())
        }
        Sense::Current(branch) => {
            let i = x[at.branch(branch)];
            (i, i.abs())
        }
    }
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
        self.walk.add_parts(assembly, x, ask, 0.0);
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
        self.walk.add_parts(assembly, x, ask, a);
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
        self.walk.add_parts(assembly, x, ask, a);
        let flows = self.walk.drift(assembly, x, rates);
        self.walk.store(circuit, at, x, &flows);
        self.enter(assembly, x, ask.time, &[]);
    }

    /// Charges and fluxes of all parts at `x`.
    pub fn charges(&mut self, assembly: &Assembly<'_>, x: &[f64]) -> Vec<f64> {
        self.walk.add_parts(assembly, x, SourceState::DC, 0.0);
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
        self.walk.add_parts(assembly, inner.0, inner.1, a);
        let middle = self.walk.stored.clone();
        if let (Some((start, Some(rates))), None) = (&past, assembly.external) {
            let flows: Vec<f64> = (0..start.len())
                .map(|k| tr_bdf2::inner_rate(a, middle[k], start[k], rates[k]))
                .collect();
            self.walk.store(circuit, at, inner.0, &flows);
            self.enter(assembly, inner.0, inner.1.time, &[]);
        }
        self.walk.add_parts(assembly, end.0, end.1, a);
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
    fn balance(&self, assembly: &Assembly<'_>, x: &[f64], held: &[(Node, f64)]) -> Balance {
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
            if is_node && held.iter().any(|h| h.0.0 == k + 1) {
                // Whatever holds the node gives what is missed.
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

    fn enter(&self, assembly: &Assembly<'_>, x: &[f64], time: Option<f64>, held: &[(Node, f64)]) {
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
