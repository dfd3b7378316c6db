//! Operating points of four amplifiers at a time.
//!
//! All amplifiers of a drawing share nodes, pattern and pivot order; only numbers differ. So four
//! of them go through Newton's method side by side: their matrices are eliminated by the same
//! list of places, and their triodes answered by the same instructions. Each starts at the
//! drawing's own operating point and stands still once it has settled, so that what comes out does
//! not depend on which others went with it: shards of any size have the same bytes. One that does
//! not settle, or whose residual is not what `operating_point` accepts, is left to that.

use super::change::Drawn;
use super::list::Variables;
use crate::analysis::operating_point;
use crate::circuit::{BranchKind, Circuit, Node, Sense, Sink};
use crate::device::{Banks, Enlisted, TRIODE_ANSWERS};
use crate::math::four::Four;
use crate::math::lu::{LinearSolver, StaticLu};
use crate::system::assemble::{ABSOLUTE, Assembly, LawCurrents, RELATIVE, SourceState};
use crate::system::unknowns::Unknowns;

/// Amplifiers side by side.
pub const WIDTH: usize = 4;
/// Newton's iterations at most; warm starts take four or five.
const MOST: usize = 15;

/// Places of the matrix with a sign.
type Places = Vec<(usize, f64)>;

/// A law's connections.
struct Wired {
    controls: Vec<Vec<(usize, f64)>>,
    outputs: Vec<Vec<(usize, f64)>>,
    /// Place of the matrix, entry of the law's slopes, sign.
    stamps: Vec<(usize, usize, f64)>,
    /// Its pack in the bank of triodes.
    triode: Option<usize>,
}

/// What solves four at a time.
pub struct Lanes {
    circuits: Vec<Circuit>,
    drawn: Drawn,
    unknowns: Unknowns,
    nominal: Vec<f64>,
    lu: StaticLu<Four>,
    /// Entries that never change: those of branches.
    fixed: Vec<Four>,
    resistances: Vec<Places>,
    gains: Vec<Places>,
    laws: Vec<Wired>,
    /// The laws' discrete states as drawn; an amplifier that would rest in others is not solved here.
    memory: Vec<f64>,
    triodes: usize,
    x: Vec<Four>,
    f: Vec<Four>,
    scale: Vec<Four>,
    jacobian: Vec<Four>,
    siemens: Vec<Four>,
    sources: Vec<Four>,
    currents: Vec<Four>,
    factors: Vec<Four>,
    u: Vec<[[f64; 4]; 2]>,
    answers: Vec<[[f64; 4]; TRIODE_ANSWERS]>,
}

impl Lanes {
    /// For a circuit with an operating point; none if that cannot be found again.
    pub fn new(
        mut make: impl FnMut() -> Circuit,
        variables: &Variables,
        nominal: &[f64],
    ) -> Option<Self> {
        let circuits: Vec<Circuit> = (0..WIDTH).map(|_| make()).collect();
        let circuit = &circuits[0];
        let mut assembly = Assembly::new(circuit);
        if assembly.len() != nominal.len() || assembly.is_empty() {
            return None;
        }
        operating_point::near(&mut assembly, SourceState::DC, nominal).ok()?;
        let memory = assembly.memory.clone();
        assembly.evaluate(nominal, SourceState::DC, 0.0, false);
        let (indptr, indices) = assembly.pattern();
        let mut lu: StaticLu<f64> = StaticLu::new(assembly.len(), indptr, indices);
        lu.factor(&assembly.jacobian).ok()?;
        let at = assembly.unknowns;
        let place = |r: usize, c: usize| {
            let row = &indices[indptr[r]..indptr[r + 1]];
            indptr[r] + row.iter().position(|&k| k == c).expect("in the pattern")
        };
        let ends = |a: Node, b: Node| -> Vec<(usize, f64)> {
            if a == b {
                return vec![];
            }
            let (plus, minus) = (at.node(a), at.node(b));
            let plus = plus.map(|k| (k, 1.0)).into_iter();
            plus.chain(minus.map(|k| (k, -1.0))).collect()
        };
        let product = |rows: &[(usize, f64)], columns: &[(usize, f64)]| -> Places {
            let each = rows.iter().flat_map(|&(r, s)| {
                let row = columns.iter();
                row.map(move |&(c, t)| (r, c, s * t))
            });
            each.map(|(r, c, sign)| (place(r, c), sign)).collect()
        };
        let mut fixed = vec![Four::default(); indices.len()];
        for (k, branch) in circuit.branches.iter().enumerate() {
            let (ends, own) = (ends(branch.a, branch.b), [(at.nodes() + k, 1.0)]);
            for (p, sign) in product(&ends, &own).into_iter().chain(product(&own, &ends)) {
                fixed[p] += Four::all(sign);
            }
        }
        let resistances = circuit.resistances.iter().map(|r| {
            let ends = ends(r.a, r.b);
            product(&ends, &ends)
        });
        let gains = circuit.gains.iter().map(|g| {
            let sense = match g.sense {
                Sense::Voltage(a, b) => ends(a, b),
                Sense::Current(branch) => vec![(at.branch(branch), 1.0)],
            };
            let sink = match g.sink {
                Sink::Current(a, b) => ends(a, b),
                Sink::Branch(branch) => vec![(at.branch(branch), -1.0)],
            };
            product(&sink, &sense)
        });
        let mut triodes = 0;
        let mut banks = Banks::default();
        let mut laws = Vec::new();
        for (k, part) in circuit.laws.iter().enumerate() {
            let (controls, outputs) = assembly.wires(k);
            let width = controls.len();
            let mut stamps = Vec::new();
            for (o, rows) in outputs.iter().enumerate() {
                for (c, columns) in controls.iter().enumerate() {
                    let places = product(rows, columns).into_iter();
                    stamps.extend(places.map(|(p, sign)| (p, o * width + c, sign)));
                }
            }
            let is_triode = banks.enlist(part.law.as_ref()) == Some(Enlisted::Triode);
            triodes += usize::from(is_triode);
            laws.push(Wired {
                controls: controls.to_vec(),
                outputs: outputs.to_vec(),
                stamps,
                triode: is_triode.then(|| triodes - 1),
            });
        }
        let (n, nonzero) = (assembly.len(), indices.len());
        let (resistances, gains) = (resistances.collect(), gains.collect());
        let drawn = Drawn::of(circuit, variables);
        let of = |count: usize| vec![Four::default(); count];
        let counts = [
            circuit.resistances.len(),
            circuit.branches.len(),
            circuit.currents.len(),
            circuit.gains.len(),
        ];
        drop(assembly);
        Some(Lanes {
            circuits,
            drawn,
            unknowns: at,
            nominal: nominal.to_vec(),
            lu: lu.recast()?,
            fixed,
            resistances,
            gains,
            laws,
            memory,
            triodes,
            x: of(n),
            f: of(n),
            scale: of(n),
            jacobian: of(nonzero),
            siemens: of(counts[0]),
            sources: of(counts[1]),
            currents: of(counts[2]),
            factors: of(counts[3]),
            u: vec![[[0.0; 4]; 2]; triodes],
            answers: vec![[[0.0; 4]; TRIODE_ANSWERS]; triodes],
        })
    }

    /// The operating points of as many as four amplifiers, each by its variables' values; none for
    /// one that did not settle.
    pub fn solve(&mut self, variables: &Variables, values: &[Vec<f64>]) -> Vec<Option<Vec<f64>>> {
        let banks = self.load(variables, values);
        for (x, nominal) in self.x.iter_mut().zip(&self.nominal) {
            *x = Four::all(*nominal);
        }
        let nodes = self.unknowns.nodes();
        let mut settled = [false; WIDTH];
        for _ in 0..MOST {
            self.evaluate(&banks);
            if self.lu.factor(&self.jacobian).is_err() {
                break;
            }
            self.lu.solve(&mut self.f);
            let mut worst = [0.0f64; WIDTH];
            for (k, (x, step)) in self.x.iter_mut().zip(&self.f).enumerate() {
                let least = if k < nodes { 1e-9 } else { 1e-12 };
                for lane in 0..WIDTH {
                    if settled[lane] {
                        continue;
                    }
                    let ratio = step.0[lane].abs() / (least + 1e-9 * x.0[lane].abs());
                    // Written so that NaN never settles.
                    worst[lane] = if ratio <= worst[lane] {
                        worst[lane]
                    } else {
                        ratio
                    };
                    x.0[lane] -= step.0[lane];
                }
            }
            for lane in 0..WIDTH {
                settled[lane] |= worst[lane] <= 1.0;
            }
            if settled == [true; WIDTH] {
                break;
            }
        }
        self.evaluate(&banks);
        let mut sound = settled;
        for (f, scale) in self.f.iter().zip(&self.scale) {
            for (lane, sound) in sound.iter_mut().enumerate() {
                *sound &= f.0[lane].abs() <= ABSOLUTE + RELATIVE * scale.0[lane];
            }
        }
        for k in (0..self.laws.len()).filter(|&k| self.circuits[0].laws[k].law.remembers()) {
            for (lane, sound) in sound.iter_mut().enumerate() {
                let (law, memory) = (&self.circuits[lane].laws[k].law, self.memory[k]);
                *sound &= law.next_memory(&self.controls(k, lane), memory) == memory;
            }
        }
        let lanes = 0..values.len().min(WIDTH);
        lanes
            .map(|lane| sound[lane].then(|| self.x.iter().map(|x| x.0[lane]).collect()))
            .collect()
    }

    /// A law's output current in a lane, at the points solved last.
    pub fn current(&self, law: usize, output: usize, lane: usize) -> f64 {
        match self.laws[law].triode {
            Some(pack) => self.answers[pack][output][lane],
            None => self.answer(law, lane).0[output],
        }
    }

    /// Puts the values into four circuits and their numbers side by side. Lanes without a value
    /// of their own repeat the first.
    fn load(&mut self, variables: &Variables, values: &[Vec<f64>]) -> Banks {
        let mut banks = Banks::default();
        for lane in 0..WIDTH {
            let own = values.get(lane).unwrap_or(&values[0]);
            self.drawn.put(&mut self.circuits[lane], variables, own);
        }
        for (k, law) in self
            .laws
            .iter()
            .enumerate()
            .filter(|l| l.1.triode.is_some())
        {
            debug_assert!(law.triode.is_some());
            for circuit in &self.circuits {
                banks.enlist(circuit.laws[k].law.as_ref());
            }
        }
        for (lane, circuit) in self.circuits.iter().enumerate() {
            for (to, r) in self.siemens.iter_mut().zip(&circuit.resistances) {
                to.0[lane] = 1.0 / r.ohms;
            }
            for (to, branch) in self.sources.iter_mut().zip(&circuit.branches) {
                if let BranchKind::Source(drive) = &branch.kind {
                    to.0[lane] = drive.dc;
                }
            }
            for (to, part) in self.currents.iter_mut().zip(&circuit.currents) {
                to.0[lane] = part.drive.dc;
            }
            for (to, gain) in self.factors.iter_mut().zip(&circuit.gains) {
                to.0[lane] = gain.gain;
            }
        }
        banks
    }

    fn volts(&self, node: Node) -> Four {
        self.unknowns
            .node(node)
            .map_or(Four::default(), |k| self.x[k])
    }

    /// Residual, its terms' sizes, and the matrix at `x`.
    fn evaluate(&mut self, banks: &Banks) {
        self.f.fill(Four::default());
        self.scale.fill(Four::default());
        self.jacobian.copy_from_slice(&self.fixed);
        let at = self.unknowns;
        let nodes = at.nodes();
        // Into the equations of two ends.
        fn flow(lanes: &mut Lanes, a: Node, b: Node, amount: Four) {
            let size = amount.abs();
            if let Some(k) = lanes.unknowns.node(a) {
                lanes.f[k] += amount;
                lanes.scale[k] += size;
            }
            if let Some(k) = lanes.unknowns.node(b) {
                lanes.f[k] -= amount;
                lanes.scale[k] += size;
            }
        }
        for k in 0..self.siemens.len() {
            let (a, b) = {
                let r = &self.circuits[0].resistances[k];
                (r.a, r.b)
            };
            let g = self.siemens[k];
            flow(self, a, b, (self.volts(a) - self.volts(b)) * g);
            for &(place, sign) in &self.resistances[k] {
                self.jacobian[place] += g * Four::all(sign);
            }
        }
        for k in 0..self.currents.len() {
            let (a, b) = {
                let part = &self.circuits[0].currents[k];
                (part.a, part.b)
            };
            flow(self, a, b, self.currents[k]);
        }
        for k in 0..self.sources.len() {
            let (a, b) = {
                let branch = &self.circuits[0].branches[k];
                (branch.a, branch.b)
            };
            let row = nodes + k;
            flow(self, a, b, self.x[row]);
            let (va, vb, source) = (self.volts(a), self.volts(b), self.sources[k]);
            self.f[row] += va - vb - source;
            self.scale[row] += va.abs() + vb.abs() + source.abs();
        }
        for k in 0..self.factors.len() {
            let (sense, sink) = {
                let gain = &self.circuits[0].gains[k];
                (gain.sense, gain.sink)
            };
            let factor = self.factors[k];
            let sensed = match sense {
                Sense::Voltage(a, b) => self.volts(a) - self.volts(b),
                Sense::Current(branch) => self.x[at.branch(branch)],
            };
            match sink {
                Sink::Current(a, b) => flow(self, a, b, factor * sensed),
                Sink::Branch(branch) => {
                    let row = at.branch(branch);
                    self.f[row] -= factor * sensed;
                    self.scale[row] += (factor * sensed).abs();
                }
            }
            for &(place, sign) in &self.gains[k] {
                self.jacobian[place] += factor * Four::all(sign);
            }
        }
        self.answered(banks);
    }

    /// What the laws add.
    fn answered(&mut self, banks: &Banks) {
        if self.triodes > 0 {
            for law in &self.laws {
                let Some(pack) = law.triode else { continue };
                for (to, wires) in self.u[pack].iter_mut().zip(&law.controls) {
                    let sum = wires.iter().fold(Four::default(), |sum, &(k, sign)| {
                        sum + self.x[k] * Four::all(sign)
                    });
                    *to = sum.0;
                }
            }
            banks.triodes.answer(&self.u, &mut self.answers);
        }
        for k in 0..self.laws.len() {
            let law = &self.laws[k];
            if let Some(pack) = law.triode {
                let [ip, ig, slopes @ ..] = self.answers[pack].map(Four);
                for (rows, i) in law.outputs.iter().zip([ip, ig]) {
                    for &(r, sign) in rows {
                        self.f[r] += i * Four::all(sign);
                        self.scale[r] += i.abs();
                    }
                }
                for &(place, entry, sign) in &law.stamps {
                    self.jacobian[place] += slopes[entry] * Four::all(sign);
                }
                continue;
            }
            for lane in 0..WIDTH {
                let (i, g) = self.answer(k, lane);
                let law = &self.laws[k];
                for (rows, i) in law.outputs.iter().zip(&i) {
                    for &(r, sign) in rows {
                        self.f[r].0[lane] += sign * i;
                        self.scale[r].0[lane] += i.abs();
                    }
                }
                for &(place, entry, sign) in &law.stamps {
                    self.jacobian[place].0[lane] += sign * g[entry];
                }
            }
        }
    }

    /// A law's controls in one lane.
    fn controls(&self, k: usize, lane: usize) -> Vec<f64> {
        let value = |wires: &Vec<(usize, f64)>| -> f64 {
            let terms = wires.iter().map(|&(c, sign)| sign * self.x[c].0[lane]);
            terms.sum()
        };
        self.laws[k].controls.iter().map(value).collect()
    }

    /// One law in one lane: currents and slopes.
    fn answer(&self, k: usize, lane: usize) -> (Vec<f64>, Vec<f64>) {
        let u = self.controls(k, lane);
        let law = self.circuits[lane].laws[k].law.as_ref();
        let found = LawCurrents::of(law, u, self.memory[k], self.laws[k].outputs.len());
        (found.i, found.g)
    }
}
