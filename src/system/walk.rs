//! A walk over all parts of a circuit: what the currents add up to at each node, from each part's own
//! law. The audit judges by it, and the solvers learn from it how large a residual may be.

use super::accuracy::{LEAK_S, RELATIVE, ROUNDING, SOCKET_S};
use super::sources::{Driven, SourceState, source_value};
use super::unknowns::Unknowns;
use crate::circuit::{Branch, BranchKind, Circuit, Node, Sense, Sink};
use crate::device::Answer;

/// A circuit's parts as they stand: what an assembly knows of them besides its equations.
#[derive(Debug, Clone, Copy)]
pub struct Parts<'a> {
    /// The circuit.
    pub circuit: &'a Circuit,
    /// Its unknowns.
    pub unknowns: Unknowns,
    /// Discrete state of each law.
    pub memory: &'a [f64],
    /// A source that is driven from outside, and its value now.
    pub external: Option<(Driven, f64)>,
    /// The sources that follow the time, if not all do.
    pub moving: Option<&'a [Driven]>,
    /// Unknowns of nodes that leak to ground.
    pub leaks: &'a [usize],
    /// Linear resistances that are taken out.
    pub taken_out: &'a [usize],
    /// Laws whose devices are pulled from their sockets.
    pub unplugged: &'a [bool],
}

/// One walk over all parts at a moment.
#[derive(Debug, Clone, Default)]
pub struct Walk {
    /// What the currents out of each node add up to, A; by how much the voltage of each branch
    /// is not what it should be, V. `[n]`
    pub(super) residual: Vec<f64>,
    /// The same sums without signs.
    pub(super) magnitude: Vec<f64>,
    /// What those sums would move by if every voltage and current moved by all of itself.
    pub(super) rounding: Vec<f64>,
    /// What they would move by if every voltage moved by a volt, charges kept.
    pub(super) slope_sum: Vec<f64>,
    /// Charges and fluxes: capacitances, then inductive branches, then the laws' outputs.
    pub stored: Vec<f64>,
    /// Which of `stored` is a branch's.
    flux: Vec<usize>,
    /// The sum of all powers, W, and that without signs.
    pub(super) watts: f64,
    pub(super) power_abs: f64,
    law: Buffers,
}

#[derive(Debug, Clone, Default)]
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
    pub fn add_parts(&mut self, parts: Parts<'_>, x: &[f64], ask: SourceState, a: f64) {
        let circuit = parts.circuit;
        let at = parts.unknowns;
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
        for (k, r) in circuit.resistances.iter().enumerate() {
            if parts.taken_out.contains(&k) {
                continue;
            }
            let (across, size) = (v(r.a) - v(r.b), v(r.a).abs() + v(r.b).abs());
            let siemens = 1.0 / r.ohms;
            self.flow(r.a, r.b, across / r.ohms, across);
            self.add_slope(Into::Nodes(r.a, r.b), siemens.abs(), size);
        }
        for &k in parts.leaks {
            let node = Node(k + 1);
            self.flow(node, Node::GROUND, LEAK_S * x[k], x[k]);
            self.add_slope(Into::Nodes(node, Node::GROUND), LEAK_S, x[k].abs());
        }
        for c in &circuit.capacitances {
            let (across, size) = (v(c.a) - v(c.b), v(c.a).abs() + v(c.b).abs());
            self.stored.push(c.farads * across);
            self.add_charge(Into::Nodes(c.a, c.b), a * c.farads * size);
        }
        let value = |drive, which| match parts.external {
            Some((driven, value)) if driven == which => value,
            _ => ask.sources * source_value(drive, which, ask.time, parts.moving),
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
        self.laws(parts, x, a);
    }

    fn laws(&mut self, parts: Parts<'_>, x: &[f64], a: f64) {
        let at = parts.unknowns;
        let v = |node: Node| at.voltage(x, node);
        let mut law = std::mem::take(&mut self.law);
        for (index, part) in parts.circuit.laws.iter().enumerate() {
            let (controls, outputs) = (part.controls.len(), part.outputs.len());
            if parts.unplugged[index] {
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
            part.law.answer(&u, parts.memory[index], &mut answer);
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
    pub(super) fn drift(&mut self, parts: Parts<'_>, x: &[f64], rates: &[f64]) -> Vec<f64> {
        let (circuit, at) = (parts.circuit, parts.unknowns);
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
            if parts.unplugged[index] {
                flows.extend(std::iter::repeat_n(0.0, outputs));
                continue;
            }
            let at_x = |&of: &Sense| sense(&at, x, of).0;
            let at_rates = |&of: &Sense| sense(&at, rates, of).0;
            let u: Vec<f64> = part.controls.iter().map(at_x).collect();
            let moves: Vec<f64> = part.controls.iter().map(at_rates).collect();
            let mut answer = self.law.clear(controls, outputs);
            part.law.answer(&u, parts.memory[index], &mut answer);
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

    /// A share of the voltage that a branch with N amperes should have.
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
