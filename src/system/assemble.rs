//! The equations' values: residual, charges and Jacobian.
//!
//! The pattern of the Jacobian is found once (as an sprs matrix); each evaluation
//! only writes values. Linear parts are kept apart: their Jacobian is summed once
//! for each step size, and their currents are worked out part by part from voltage
//! differences, because g va - g vb of a closed switch would lose the digits that
//! Kirchhoff's law is checked with.

mod small;

pub use super::accuracy::{ABSOLUTE, LEAK_S, RELATIVE, ROUNDING, SOCKET_S};
pub use super::pattern::Wires;
use super::pattern::{linear_entries, sense, sink};
pub use super::sources::{Driven, SourceState, source_value};
use super::unknowns::Unknowns;
use super::walk::{Parts, Walk};
use crate::circuit::{BranchKind, Circuit, Node, Sense, Sink};
use crate::device::source::Drive;
use crate::device::{Answer, Law};
use num_complex::Complex;
pub use small::LawCurrents;
use sprs::{CsMat, TriMat};

/// Where one entry of a law's Jacobian goes.
#[derive(Debug, Clone, Copy)]
struct Stamp {
    /// Place among the matrix values.
    place: u32,
    /// Place in the law's `g` and `c`.
    entry: u32,
    /// +1 or -1.
    sign: f64,
}

/// A law's connections in numbers of unknowns.
#[derive(Debug, Clone)]
struct Wiring {
    /// For each control: unknowns with sign.
    controls: Vec<Wires>,
    /// For each output: equations with sign.
    outputs: Vec<Wires>,
    stamps: Vec<Stamp>,
    /// First control among all laws' controls.
    first_control: usize,
}

/// What the mains' cycle makes of small changes about its average state. There a rectifier is off,
/// and says nothing of the pulses that hold its reservoir.
#[derive(Debug, Clone)]
pub struct Switching {
    /// How often the cycle repeats itself.
    pub freq_hz: f64,
    /// What laws that the mains switch conduct on the average: slopes by law.
    pub slopes: Vec<(usize, Vec<f64>)>,
    /// What a cycle makes of the change that lasts longest, if that was asked for.
    pub multiplier: Option<Complex<f64>>,
}

/// A circuit's equations and the values of their last evaluation.
#[derive(Debug, Clone)]
pub struct Assembly<'c> {
    /// The circuit.
    pub circuit: &'c Circuit,
    /// Its unknowns.
    pub unknowns: Unknowns,
    /// f(x, t), `[n]`.
    pub f: Vec<f64>,
    /// q(x), `[n]`.
    pub q: Vec<f64>,
    /// Jacobian values a C + G in the order of the pattern.
    pub jacobian: Vec<f64>,
    /// What the currents at each equation add up to without their signs, `[n]`, and
    /// the rounding error to be expected of them; filled by [`Assembly::residual_scale`].
    pub scale: Vec<f64>,
    /// Evaluations of all laws so far.
    pub evaluations: usize,
    /// Discrete state of each law.
    pub memory: Vec<f64>,
    /// A source that is driven from outside (a clip), and its value now, V or A.
    pub external: Option<(Driven, f64)>,
    /// The sources that follow the time, if not all do: the others keep their DC values.
    pub moving: Option<Vec<Driven>>,
    /// Unknowns of nodes that hang in the air and leak to ground through their sockets, with
    /// [`LEAK_S`]; see [`Assembly::leak`].
    pub leaks: Vec<usize>,
    /// Resistances that are taken out, and what G was with them; see [`Assembly::take_out`].
    taken_out: Option<(Vec<usize>, Vec<f64>)>,
    /// Laws whose devices are pulled from their sockets, `[laws]`: no current, no charge.
    pub unplugged: Vec<bool>,
    /// What the mains' cycle makes of small changes about its average state.
    pub switching: Option<Switching>,
    /// Where each law was last evaluated: controls of all laws, one after the other.
    last: Vec<f64>,
    has_last: bool,
    indptr: Vec<usize>,
    indices: Vec<usize>,
    wiring: Vec<Wiring>,
    /// Constant parts of G and C in the order of the pattern.
    g_linear: Vec<f64>,
    c_linear: Vec<f64>,
    node_diagonal: Vec<usize>,
    walk: Walk,
    work: Work,
}

/// Where the laws were last evaluated: what limiting starts from.
#[derive(Debug, Clone)]
pub struct LimitHistory {
    last: Vec<f64>,
    known: bool,
}

/// Buffers for one law.
#[derive(Debug, Clone, Default)]
struct Work {
    u: Vec<f64>,
    proposed: Vec<f64>,
    i: Vec<f64>,
    q: Vec<f64>,
    g: Vec<f64>,
    c: Vec<f64>,
}

impl<'c> Assembly<'c> {
    /// Finds the pattern.
    pub fn new(circuit: &'c Circuit) -> Self {
        let unknowns = Unknowns::of(circuit);
        let n = unknowns.len();
        let mut entries: Vec<(usize, usize, f64, f64)> = Vec::new();
        linear_entries(circuit, &unknowns, &mut entries);
        for k in 0..unknowns.nodes() {
            entries.push((k, k, 0.0, 0.0));
        }
        let mut wiring: Vec<Wiring> = Vec::new();
        let mut first_control = 0;
        let mut largest = (0, 0);
        for part in &circuit.laws {
            let controls: Vec<_> = part.controls.iter().map(|&s| sense(&unknowns, s)).collect();
            let outputs: Vec<_> = part.outputs.iter().map(|&s| sink(&unknowns, s)).collect();
            for rows in &outputs {
                for columns in &controls {
                    for &(r, _) in rows {
                        for &(c, _) in columns {
                            entries.push((r, c, 0.0, 0.0));
                        }
                    }
                }
            }
            largest = (largest.0.max(controls.len()), largest.1.max(outputs.len()));
            wiring.push(Wiring {
                first_control,
                controls,
                outputs,
                stamps: Vec::new(),
            });
            first_control += part.controls.len();
        }
        let mut triplets = TriMat::with_capacity((n, n), entries.len());
        for &(r, c, ..) in &entries {
            triplets.add_triplet(r, c, 1.0);
        }
        let pattern: CsMat<f64> = triplets.to_csr();
        let place = |r: usize, c: usize| pattern.nnz_index(r, c).expect("in the pattern").0;
        let mut g_linear = vec![0.0; pattern.nnz()];
        let mut c_linear = vec![0.0; pattern.nnz()];
        for &(r, c, g, q) in &entries {
            g_linear[place(r, c)] += g;
            c_linear[place(r, c)] += q;
        }
        for w in &mut wiring {
            let width = w.controls.len();
            for (o, rows) in w.outputs.iter().enumerate() {
                for (k, columns) in w.controls.iter().enumerate() {
                    for &(r, row_sign) in rows {
                        for &(c, column_sign) in columns {
                            w.stamps.push(Stamp {
                                place: place(r, c) as u32,
                                entry: (o * width + k) as u32,
                                sign: row_sign * column_sign,
                            });
                        }
                    }
                }
            }
        }
        Assembly {
            circuit,
            f: vec![0.0; n],
            q: vec![0.0; n],
            jacobian: vec![0.0; pattern.nnz()],
            scale: vec![0.0; n],
            evaluations: 0,
            memory: circuit.laws.iter().map(|l| l.memory).collect(),
            external: None,
            moving: None,
            leaks: Vec::new(),
            taken_out: None,
            unplugged: vec![false; circuit.laws.len()],
            switching: None,
            last: vec![0.0; first_control],
            has_last: false,
            node_diagonal: (0..unknowns.nodes()).map(|k| place(k, k)).collect(),
            indptr: pattern.indptr().raw_storage().to_vec(),
            indices: pattern.indices().to_vec(),
            unknowns,
            wiring,
            g_linear,
            c_linear,
            walk: Walk::default(),
            work: Work {
                u: vec![0.0; largest.0],
                proposed: vec![0.0; largest.0],
                i: vec![0.0; largest.1],
                q: vec![0.0; largest.1],
                g: vec![0.0; largest.0 * largest.1],
                c: vec![0.0; largest.0 * largest.1],
            },
        }
    }

    /// Takes linear resistances out of the equations, by their numbers in the circuit: switches that
    /// are open for good.
    pub fn take_out(&mut self, resistances: Vec<usize>) {
        self.put_back();
        let whole = self.g_linear.clone();
        for &k in &resistances {
            let r = &self.circuit.resistances[k];
            let ends = [
                (self.unknowns.node(r.a), 1.0),
                (self.unknowns.node(r.b), -1.0),
            ];
            for (row, sign) in ends {
                for (column, other) in ends {
                    let (Some(row), Some(column)) = (row, column) else {
                        continue;
                    };
                    let own = &self.indices[self.indptr[row]..self.indptr[row + 1]];
                    let place = own.iter().position(|&c| c == column);
                    let place = self.indptr[row] + place.expect("in the pattern");
                    self.g_linear[place] -= sign * other / r.ohms;
                }
            }
        }
        self.taken_out = Some((resistances, whole));
    }

    /// Puts back what was taken out.
    pub fn put_back(&mut self) {
        if let Some((_, whole)) = self.taken_out.take() {
            self.g_linear = whole;
        }
    }

    /// Whether nothing is taken out.
    pub fn is_whole(&self) -> bool {
        self.taken_out.is_none()
    }

    /// The Jacobian's pattern in compressed rows: row starts and columns.
    pub fn pattern(&self) -> (&[usize], &[usize]) {
        (&self.indptr, &self.indices)
    }

    /// The unknowns' number.
    pub fn len(&self) -> usize {
        self.unknowns.len()
    }

    /// Whether there is nothing to solve.
    pub fn is_empty(&self) -> bool {
        self.unknowns.is_empty()
    }

    /// Lets a node that nothing supplies leak to ground, so that it has a voltage.
    pub fn leak(&mut self, node: usize) {
        if !self.leaks.contains(&node) {
            self.leaks.push(node);
            self.g_linear[self.node_diagonal[node]] += LEAK_S;
        }
    }

    /// Forgets where the laws were last evaluated: the next limited evaluation starts
    /// from each law's own guess.
    pub fn forget(&mut self) {
        self.has_last = false;
    }

    /// Fills `f`, `q` and `jacobian` (= a C + G) at `x`. With `limit` the laws may draw
    /// their controls back and are then extended in a straight line to `x`; true if any did.
    pub fn evaluate(&mut self, x: &[f64], ask: SourceState, a: f64, limit: bool) -> bool {
        self.jacobian.copy_from_slice(&self.g_linear);
        if a != 0.0 {
            for (j, c) in self.jacobian.iter_mut().zip(&self.c_linear) {
                *j += a * c;
            }
        }
        self.linear(x, ask);
        if ask.gmin != 0.0 {
            for (k, &place) in self.node_diagonal.iter().enumerate() {
                self.jacobian[place] += ask.gmin;
                self.f[k] += ask.gmin * x[k];
            }
        }
        self.laws(x, a, limit, None)
    }

    /// Fills `f` and `q` at `x`, `jacobian` with G alone and `storage` with C, both in the
    /// order of the pattern: for methods that weigh the two differently. `limit` as in
    /// [`Assembly::evaluate`].
    pub fn evaluate_apart(
        &mut self,
        x: &[f64],
        ask: SourceState,
        limit: bool,
        storage: &mut [f64],
    ) -> bool {
        self.jacobian.copy_from_slice(&self.g_linear);
        storage.copy_from_slice(&self.c_linear);
        self.linear(x, ask);
        self.laws(x, 0.0, limit, Some(storage))
    }

    /// For each place of the pattern, whether C can be other than zero there: by a linear part, or
    /// by a law that declares a charge.
    pub fn stores(&self) -> Vec<bool> {
        let mut stores: Vec<bool> = self.c_linear.iter().map(|&c| c != 0.0).collect();
        for (wiring, part) in self.wiring.iter().zip(&self.circuit.laws) {
            if part.law.stores_charge() {
                for stamp in &wiring.stamps {
                    stores[stamp.place as usize] = true;
                }
            }
        }
        stores
    }

    /// Exchanges where the laws were last evaluated with another such trail: a method that
    /// solves for several moments at once keeps one for each.
    pub fn exchange_history(&mut self, history: &mut LimitHistory) {
        std::mem::swap(&mut self.last, &mut history.last);
        std::mem::swap(&mut self.has_last, &mut history.known);
    }

    /// A trail that stands at `x`, where a neighbour's solution was: limiting starts from there.
    pub fn stand_at(&self, x: &[f64], history: &mut LimitHistory) {
        let controls = self.wiring.iter().flat_map(|w| &w.controls);
        for (last, columns) in history.last.iter_mut().zip(controls) {
            *last = columns.iter().map(|&(c, sign)| sign * x[c]).sum();
        }
        history.known = true;
    }

    /// A trail without a past.
    pub fn fresh_history(&self) -> LimitHistory {
        LimitHistory {
            last: vec![0.0; self.last.len()],
            known: false,
        }
    }

    /// Currents and charges of the linear parts and sources, from voltage differences.
    fn linear(&mut self, x: &[f64], ask: SourceState) {
        self.f.fill(0.0);
        self.q.fill(0.0);
        let (f, q) = (&mut self.f[..], &mut self.q[..]);
        let at = self.unknowns;
        let (external, moving) = (self.external, self.moving.as_deref());
        let value = |drive: &Drive, which: Driven| match external {
            Some((driven, value)) if driven == which => value,
            _ => ask.sources * source_value(drive, which, ask.time, moving),
        };
        let v = |node: Node| at.voltage(x, node);
        for r in &self.circuit.resistances {
            flow(f, r.a, r.b, (v(r.a) - v(r.b)) / r.ohms);
        }
        for &k in self.taken_out.iter().flat_map(|(those, _)| those) {
            let r = &self.circuit.resistances[k];
            flow(f, r.a, r.b, -((v(r.a) - v(r.b)) / r.ohms));
        }
        for &k in &self.leaks {
            f[k] += LEAK_S * x[k];
        }
        for c in &self.circuit.capacitances {
            flow(q, c.a, c.b, (v(c.a) - v(c.b)) * c.farads);
        }
        for (k, s) in self.circuit.currents.iter().enumerate() {
            flow(f, s.a, s.b, value(&s.drive, Driven::Current(k)));
        }
        for (k, branch) in self.circuit.branches.iter().enumerate() {
            let row = at.nodes() + k;
            flow(f, branch.a, branch.b, x[row]);
            f[row] += v(branch.a) - v(branch.b);
            match &branch.kind {
                BranchKind::Source(drive) => f[row] -= value(drive, Driven::Voltage(k)),
                BranchKind::Inductance(henries) => q[row] -= henries * x[row],
                BranchKind::Controlled => {}
            }
        }
        for &(a, b, mutual) in &self.circuit.mutuals {
            let (a, b) = (at.branch(a), at.branch(b));
            q[a] -= mutual * x[b];
            q[b] -= mutual * x[a];
        }
        for gain in &self.circuit.gains {
            let sensed = match gain.sense {
                Sense::Voltage(a, b) => v(a) - v(b),
                Sense::Current(branch) => x[at.branch(branch)],
            };
            match gain.sink {
                Sink::Current(a, b) => flow(f, a, b, gain.gain * sensed),
                Sink::Branch(branch) => f[at.branch(branch)] -= gain.gain * sensed,
            }
        }
    }

    fn laws(&mut self, x: &[f64], a: f64, limit: bool, mut storage: Option<&mut [f64]>) -> bool {
        let mut limited = false;
        self.evaluations += 1;
        for (index, part) in self.circuit.laws.iter().enumerate() {
            let wiring = &self.wiring[index];
            if self.unplugged[index] {
                // What was connected to nothing but this device is still to be somewhere.
                let nodes = self.node_diagonal.len();
                for &(r, _) in wiring.outputs.iter().flatten().filter(|w| w.0 < nodes) {
                    self.f[r] += SOCKET_S * x[r];
                    self.jacobian[self.node_diagonal[r]] += SOCKET_S;
                }
                continue;
            }
            let (nc, no) = (wiring.controls.len(), wiring.outputs.len());
            let work = &mut self.work;
            let u = &mut work.u[..nc];
            let proposed = &mut work.proposed[..nc];
            for (p, columns) in proposed.iter_mut().zip(&wiring.controls) {
                *p = columns.iter().map(|&(c, sign)| sign * x[c]).sum();
            }
            u.copy_from_slice(proposed);
            let last = &mut self.last[wiring.first_control..wiring.first_control + nc];
            if limit {
                if self.has_last {
                    part.law.damp(u, last, self.memory[index]);
                } else {
                    part.law.start(u);
                }
            }
            last.copy_from_slice(u);
            let mut answer = blank(nc, no, &mut work.i, &mut work.q, &mut work.g, &mut work.c);
            part.law.answer(u, self.memory[index], &mut answer);
            if limit && u != proposed {
                limited = true;
                for o in 0..no {
                    for k in 0..nc {
                        let ahead = proposed[k] - u[k];
                        answer.i[o] += answer.g[o * nc + k] * ahead;
                        answer.q[o] += answer.c[o * nc + k] * ahead;
                    }
                }
            }
            for (o, rows) in wiring.outputs.iter().enumerate() {
                for &(r, sign) in rows {
                    self.f[r] += sign * answer.i[o];
                    self.q[r] += sign * answer.q[o];
                }
            }
            for stamp in &wiring.stamps {
                let e = stamp.entry as usize;
                self.jacobian[stamp.place as usize] += stamp.sign * (answer.g[e] + a * answer.c[e]);
            }
            if let Some(storage) = &mut storage {
                for stamp in &wiring.stamps {
                    storage[stamp.place as usize] += stamp.sign * answer.c[stamp.entry as usize];
                }
            }
        }
        self.has_last = true;
        limited
    }

    /// The circuit's parts as they stand.
    pub(super) fn parts(&self) -> Parts<'_> {
        Parts {
            circuit: self.circuit,
            unknowns: self.unknowns,
            memory: &self.memory,
            external: self.external,
            moving: self.moving.as_deref(),
            leaks: &self.leaks,
            taken_out: self.taken_out.as_ref().map_or(&[], |(those, _)| those),
            unplugged: &self.unplugged,
        }
    }

    /// Fills `scale` after an evaluation at `x`: for each equation the sum of its terms
    /// without signs, so that a residual can be judged, rounding included.
    pub fn residual_scale(&mut self, x: &[f64], ask: SourceState, a: f64) {
        let mut walk = std::mem::take(&mut self.walk);
        walk.add_parts(self.parts(), x, ask, a);
        walk.residual_scale(self.unknowns.nodes(), &mut self.scale);
        self.walk = walk;
    }

    /// What rounding leaves uncertain in each equation at `x`, A or V, charges weighed by `a`.
    pub fn rounding(&mut self, x: &[f64], ask: SourceState, a: f64, to: &mut [f64]) {
        let mut walk = std::mem::take(&mut self.walk);
        walk.add_parts(self.parts(), x, ask, a);
        walk.rounding(to);
        self.walk = walk;
    }

    /// Moves every law's discrete state on after the controls have settled at `x`; the first law
    /// whose state changed, if any did.
    pub fn settle_memory(&mut self, x: &[f64]) -> Option<usize> {
        self.next_memory(x, |law, u, memory| law.next_memory(u, memory))
    }

    /// The same at an operating point.
    pub fn settle_memory_at_rest(&mut self, x: &[f64]) -> Option<usize> {
        self.next_memory(x, |law, u, memory| law.next_memory_at_rest(u, memory))
    }

    fn next_memory(
        &mut self,
        x: &[f64],
        next: impl Fn(&dyn Law, &[f64], f64) -> f64,
    ) -> Option<usize> {
        let mut changed = None;
        for (index, part) in self.circuit.laws.iter().enumerate() {
            let nc = part.controls.len();
            let u = &mut self.work.u[..nc];
            for (p, columns) in u.iter_mut().zip(&self.wiring[index].controls) {
                *p = columns.iter().map(|&(c, sign)| sign * x[c]).sum();
            }
            let next = next(part.law.as_ref(), u, self.memory[index]);
            if next != self.memory[index] {
                self.memory[index] = next;
                changed.get_or_insert(index);
            }
        }
        changed
    }

    /// The linear parts of G and C, in the order of the pattern.
    pub fn linear_values(&self) -> (&[f64], &[f64]) {
        (&self.g_linear, &self.c_linear)
    }

    /// The unknown that a person would look for a law at: its first terminal that is not ground.
    pub fn place_of(&self, law: usize) -> usize {
        let (controls, outputs) = self.wires(law);
        let mut ends = outputs.iter().chain(controls).flatten();
        ends.next().map_or(0, |&(unknown, _)| unknown)
    }

    /// A law's connections: for each control the unknowns, for each output the equations,
    /// with their signs.
    pub fn wires(&self, law: usize) -> (&[Wires], &[Wires]) {
        (&self.wiring[law].controls, &self.wiring[law].outputs)
    }

    /// Places of the nodes' diagonal entries among the matrix values.
    pub fn node_diagonal(&self) -> &[usize] {
        &self.node_diagonal
    }
}

/// An answer to be filled, over buffers that are large enough.
fn blank<'a>(
    controls: usize,
    outputs: usize,
    i: &'a mut [f64],
    q: &'a mut [f64],
    g: &'a mut [f64],
    c: &'a mut [f64],
) -> Answer<'a> {
    let answer = Answer {
        i: &mut i[..outputs],
        q: &mut q[..outputs],
        g: &mut g[..controls * outputs],
        c: &mut c[..controls * outputs],
    };
    answer.i.fill(0.0);
    answer.q.fill(0.0);
    answer.g.fill(0.0);
    answer.c.fill(0.0);
    answer
}

fn flow(at: &mut [f64], a: Node, b: Node, amount: f64) {
    if a.0 != 0 {
        at[a.0 - 1] += amount;
    }
    if b.0 != 0 {
        at[b.0 - 1] -= amount;
    }
}
