//! A circuit with a fault in it, as a meter sees it, and how far tolerances move what it sees.
//!
//! The circuit is solved from the solution of the sound one; the meter's load is taken in by the
//! resistance that each point shows (v R/(R + r)), and by a solution of its own where that is not
//! small. Readings move with the tolerances of all parts in a straight line about the *faulty*
//! circuit: J dx/dp = -df/dp, with df/dp of the parts alone.

use super::change::{Change, Undo};
use super::supply::{self, Supply};
use crate::analysis::NoSolution;
use crate::analysis::operating_point;
use crate::circuit::{BranchKind, Circuit, Node, Sense, Sink};
use crate::device::swept::Swept;
use crate::device::{Answer, Law};
use crate::math::lu::{LinearSolver, StaticLu};
use crate::system::assemble::{Assembly, SourceState};
use crate::tolerance::change::Drawn;
use crate::tolerance::list::{Class, Shape, Variables};

/// Where a meter is held.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// `v(plate1)`, as the netlist writes the node.
    pub label: String,
    /// The red lead.
    pub a: Node,
    /// The black lead: ground unless said.
    pub b: Node,
}

/// What a meter sees.
#[derive(Debug, Clone)]
pub struct Seen {
    /// The unknowns, without the meter.
    pub x: Vec<f64>,
    /// V at each point, with the meter's load.
    pub reads: Vec<f64>,
    /// What each independent tolerance moves each point by, V for one deviation, `[point][column]`.
    pub spread: Vec<Vec<f64>>,
    /// The same for the fault's own value, V for a natural logarithm of it.
    pub own: Vec<f64>,
    /// How far each reading may be off because a supply is not solved cycle by cycle, V.
    pub doubt: Vec<f64>,
    /// Nodes of the circuit that `x` belongs to: leads in the air are the last of them.
    nodes: usize,
}

/// A part of the equations that one variable moves, by so much a deviation.
#[derive(Debug)]
enum Push {
    /// Of a resistance, as a part of itself.
    Resistance(usize, f64),
    Gain(usize, f64),
    Source(usize, f64),
    Current(usize, f64),
    Law(usize, Box<dyn Law>, Box<dyn Law>, f64),
}

/// A variable's pushes, and the columns that it moves in, each with its part.
#[derive(Debug)]
struct Slope {
    variable: Option<usize>,
    pushes: Vec<Push>,
    columns: Vec<(usize, f64)>,
}

/// The circuit under test.
#[derive(Debug)]
pub struct Bench {
    /// As drawn, between two looks.
    pub circuit: Circuit,
    /// What varies.
    pub variables: Variables,
    drawn: Drawn,
    /// Unknowns of the sound circuit.
    pub sound: Vec<f64>,
    memory: Vec<f64>,
    /// What feeds it from the mains, if anything does.
    pub supply: Option<Supply>,
    /// The means of a mains cycle less the sound operating point, by unknown.
    offset: Vec<f64>,
    slopes: Vec<Slope>,
    columns: usize,
    /// The meter's resistance, ohm.
    pub meter_ohms: f64,
    /// Solutions so far.
    pub solutions: usize,
}

/// How far a DC supply may be off that is drawn as an ideal source, a part of itself (common
/// practice, no published source: it stands for a supply on the mains, 5 % like these).
const SUPPLY: f64 = 0.05;
/// How far rectifiers and their transformers differ, a part of what they drop.
const RECTIFIER: f64 = 0.1;
/// What a source in place of a rectifier leaves out, a part of how far a fault moves a reading.
const DOUBT: f64 = 0.03;
/// Sources below this are signals and no supplies, V or A.
const LEAST: f64 = 1e-9;
/// The step of differences of laws.
const SMALL: f64 = 1e-4;
/// A meter that moves a point by more than this part is put into the circuit.
const LOADED: f64 = 0.02;

impl Bench {
    /// Solves the sound circuit.
    ///
    /// # Errors
    /// If it has no operating point.
    pub fn new(
        mut circuit: Circuit,
        variables: Variables,
        meter_ohms: f64,
    ) -> Result<Self, Box<NoSolution>> {
        let supply = supply::settle(&mut circuit)?;
        let (x, memory) = match &supply {
            None => {
                let (point, assembly) = operating_point::dc(&circuit)?;
                (point.x, assembly.memory)
            }
            Some(supply) => {
                let mut assembly = Assembly::new(&circuit);
                for &law in &supply.unplugged {
                    assembly.unplugged[law] = true;
                }
                let found = operating_point::near(&mut assembly, SourceState::DC, &supply.mean)?;
                (found.x, assembly.memory)
            }
        };
        let offset = match &supply {
            None => vec![0.0; x.len()],
            Some(supply) => supply.mean.iter().zip(&x).map(|(m, x)| m - x).collect(),
        };
        let mut bench = Bench {
            drawn: Drawn::of(&circuit, &variables),
            circuit,
            variables,
            sound: x,
            memory,
            supply,
            offset,
            slopes: Vec::new(),
            columns: 0,
            meter_ohms,
            solutions: 1,
        };
        bench.learn();
        Ok(bench)
    }

    /// Works out what each variable moves.
    fn learn(&mut self) {
        let nominal = self.variables.nominal();
        self.drawn.put(&mut self.circuit, &self.variables, &nominal);
        let mut shared: Vec<(usize, usize)> = Vec::new();
        for k in 0..nominal.len() {
            let pushes = self.pushes(k, &nominal);
            if pushes.is_empty() {
                continue;
            }
            let own = self.column();
            let columns = match self.variables.all[k].shared {
                None => vec![(own, 1.0)],
                Some((draw, common)) => {
                    let column = match shared.iter().find(|s| s.0 == draw) {
                        Some(s) => s.1,
                        None => {
                            let column = self.column();
                            shared.push((draw, column));
                            column
                        }
                    };
                    vec![(own, (1.0 - common).sqrt()), (column, common.sqrt())]
                }
            };
            self.slopes.push(Slope {
                variable: Some(k),
                pushes,
                columns,
            });
        }
        if let Some(supply) = self.supply.clone() {
            let mains = self.variables.all.iter().find(|v| v.class == Class::Mains);
            let part = mains.map_or(0.0, |v| Shape::Uniform.deviation(v.range));
            let own = self.column();
            let pushes = supply.outputs.iter();
            self.slopes.push(Slope {
                variable: None,
                pushes: pushes
                    .map(|o| Push::Current(o.current, part * o.short()))
                    .collect(),
                columns: vec![(own, 1.0)],
            });
            // The transformer's copper and the rectifier differ too.
            for output in &supply.outputs {
                let own = self.column();
                let push = Push::Current(output.current, RECTIFIER * output.amperes);
                self.slopes.push(Slope {
                    variable: None,
                    pushes: vec![push],
                    columns: vec![(own, 1.0)],
                });
            }
        }
        for k in 0..self.circuit.branches.len() {
            let BranchKind::Source(drive) = &self.circuit.branches[k].kind else {
                continue;
            };
            let dc = drive.dc;
            let known = self.slopes.iter().flat_map(|s| &s.pushes);
            let known = known
                .filter(|p| matches!(p, Push::Source(n, _) if *n == k))
                .count();
            if dc.abs() < LEAST || known > 0 {
                continue;
            }
            let own = self.column();
            self.slopes.push(Slope {
                variable: None,
                pushes: vec![Push::Source(k, dc * SUPPLY / 3f64.sqrt())],
                columns: vec![(own, 1.0)],
            });
        }
    }

    fn column(&mut self) -> usize {
        self.columns += 1;
        self.columns - 1
    }

    /// What one variable moves, a deviation of it.
    fn pushes(&mut self, k: usize, nominal: &[f64]) -> Vec<Push> {
        let variable = &self.variables.all[k];
        if matches!(
            variable.class,
            Class::Capacitor | Class::Inductor | Class::Temperature
        ) {
            return Vec::new();
        }
        let deviation = Shape::Uniform.deviation(variable.range);
        let Some(element) = variable.element else {
            return Vec::new();
        };
        let before = Numbers::of(&self.circuit);
        let laws = self.circuit.laws_of(element);
        let base = self.take(&laws);
        let mut values = nominal.to_vec();
        values[k] += SMALL;
        self.drawn.put(&mut self.circuit, &self.variables, &values);
        let after = Numbers::of(&self.circuit);
        let moved = self.take(&laws);
        self.drawn.put(&mut self.circuit, &self.variables, nominal);
        let per = deviation / SMALL;
        let mut pushes = before.pushes(&after, per);
        let pairs = laws.into_iter().zip(base.into_iter().zip(moved));
        pushes.extend(pairs.map(|(k, (base, moved))| Push::Law(k, base, moved, per)));
        pushes
    }

    /// Takes laws out; they are put in again with the variables' values.
    fn take(&mut self, laws: &[usize]) -> Vec<Box<dyn Law>> {
        let laws = laws.iter();
        laws.map(|&k| {
            let blank: Box<dyn Law> = Box::new(Swept::new(1.0).0);
            std::mem::replace(&mut self.circuit.laws[k].law, blank)
        })
        .collect()
    }

    /// The circuit with a fault, seen at some points; none if no solution was found. `start` is
    /// another solution to begin from. Slopes are worked out only if asked for.
    pub fn look(
        &mut self,
        changes: &[Change],
        points: &[Point],
        start: Option<&Seen>,
        slopes: bool,
    ) -> Option<Seen> {
        let nominal = changes
            .iter()
            .any(Change::is_of_variable)
            .then(|| self.variables.nominal());
        if let Some(mut values) = nominal.clone() {
            for change in changes {
                change.put(&mut values);
            }
            self.drawn.put(&mut self.circuit, &self.variables, &values);
        }
        let mut undo = Undo::default();
        let done = changes
            .iter()
            .all(|c| c.apply(&mut self.circuit, &mut undo));
        let seen = if done {
            self.solved(changes, points, start, slopes, &undo)
        } else {
            None
        };
        undo.back(&mut self.circuit);
        if let Some(values) = nominal {
            self.drawn.put(&mut self.circuit, &self.variables, &values);
        }
        seen
    }

    fn assembly(&self, undo: &Undo) -> Assembly<'_> {
        let mut assembly = Assembly::new(&self.circuit);
        let known = self.memory.len().min(assembly.memory.len());
        assembly.memory[..known].copy_from_slice(&self.memory[..known]);
        let pulled = self.supply.iter().flat_map(|s| &s.unplugged);
        for &law in pulled.chain(&undo.unplugged) {
            assembly.unplugged[law] = true;
        }
        assembly
    }

    /// What a mains cycle adds to the operating point at a point, where it stands at some volts.
    fn added(&self, point: &Point, read: f64) -> f64 {
        if self.supply.is_none() {
            return 0.0;
        }
        let sound = volts(&self.sound, point.a) - volts(&self.sound, point.b);
        let added = volts(&self.offset, point.a) - volts(&self.offset, point.b);
        // A supply that collapsed has no ripple.
        let part = if sound.abs() > 1.0 {
            (read / sound).abs().min(1.0)
        } else {
            1.0
        };
        added * part
    }

    fn solved(
        &mut self,
        changes: &[Change],
        points: &[Point],
        start: Option<&Seen>,
        slopes: bool,
        undo: &Undo,
    ) -> Option<Seen> {
        let nodes = self.circuit.nodes.len();
        let start = match start.filter(|s| s.nodes == nodes) {
            Some(seen) => seen.x.clone(),
            None => undo.extended(&self.sound, nodes),
        };
        self.solutions += 1;
        let mut seen = {
            let mut assembly = self.assembly(undo);
            let point = operating_point::near(&mut assembly, SourceState::DC, &start).ok()?;
            self.seen(assembly, point.x, changes, points, slopes)?
        };
        // Where the meter moves the point a good deal, it is put there.
        for (k, point) in points.iter().enumerate() {
            let bare = volts(&seen.x, point.a) - volts(&seen.x, point.b);
            let moved = (seen.reads[k] - bare).abs();
            if moved <= LOADED * bare.abs() || moved < 2e-3 {
                continue;
            }
            self.circuit.join(point.a, point.b, self.meter_ohms);
            self.solutions += 1;
            let mut assembly = self.assembly(undo);
            let found = operating_point::near(&mut assembly, SourceState::DC, &seen.x);
            drop(assembly);
            self.circuit.part();
            if let Ok(found) = found {
                let x = &found.x;
                seen.reads[k] = volts(x, point.a) - volts(x, point.b);
            }
        }
        if self.supply.is_some() {
            for (k, point) in points.iter().enumerate() {
                let sound = volts(&self.sound, point.a) - volts(&self.sound, point.b);
                seen.doubt[k] = DOUBT * (seen.reads[k] - sound).abs();
                seen.reads[k] += self.added(point, seen.reads[k]);
            }
        }
        Some(seen)
    }

    /// Reads a solution.
    fn seen(
        &self,
        mut assembly: Assembly<'_>,
        x: Vec<f64>,
        changes: &[Change],
        points: &[Point],
        slopes: bool,
    ) -> Option<Seen> {
        let n = assembly.len();
        assembly.evaluate(&x, SourceState::DC, 0.0, false);
        let (indptr, indices) = assembly.pattern();
        let mut lu: StaticLu<f64> = StaticLu::new(n, indptr, indices);
        lu.factor(&assembly.jacobian).ok()?;
        let mut work = vec![0.0; n];
        let mut pass = Vec::with_capacity(points.len());
        let mut reads = Vec::with_capacity(points.len());
        for point in points {
            work.fill(0.0);
            feed(&mut work, point.a, point.b, 1.0);
            lu.solve(&mut work);
            let ohms = (volts(&work, point.a) - volts(&work, point.b)).max(0.0);
            let part = self.meter_ohms / (self.meter_ohms + ohms);
            pass.push(part);
            reads.push(part * (volts(&x, point.a) - volts(&x, point.b)));
        }
        let mut seen = Seen {
            nodes: self.circuit.nodes.len(),
            x,
            reads,
            spread: Vec::new(),
            own: vec![0.0; points.len()],
            doubt: vec![0.0; points.len()],
        };
        if !slopes {
            return Some(seen);
        }
        let at = |work: &[f64], k: usize| {
            pass[k] * (volts(work, points[k].a) - volts(work, points[k].b))
        };
        seen.spread = vec![vec![0.0; self.columns]; points.len()];
        for slope in &self.slopes {
            work.fill(0.0);
            let mut any = false;
            for push in &slope.pushes {
                any |= self.push(push, &seen.x, &mut work, &assembly);
            }
            if !any {
                continue;
            }
            lu.solve(&mut work);
            for (k, row) in seen.spread.iter_mut().enumerate() {
                let moved = at(&work, k);
                for &(column, part) in &slope.columns {
                    row[column] += part * moved;
                }
            }
        }
        work.fill(0.0);
        let mut pushed = false;
        for change in changes {
            pushed |= match change {
                Change::Variable(k, value) => {
                    let slope = self.slopes.iter().find(|s| s.variable == Some(*k));
                    let deviation = Shape::Uniform.deviation(self.variables.all[*k].range);
                    let mut own = vec![0.0; n];
                    for push in slope.iter().flat_map(|s| &s.pushes) {
                        self.push(push, &seen.x, &mut own, &assembly);
                    }
                    let pairs = work.iter_mut().zip(own);
                    pairs.for_each(|(w, own)| *w += own * value / deviation);
                    slope.is_some()
                }
                _ => change.push(&self.circuit, &seen.x, assembly.unknowns, &mut work),
            };
        }
        if pushed {
            lu.solve(&mut work);
            for k in 0..points.len() {
                seen.own[k] = at(&work, k);
            }
        }
        Some(seen)
    }

    /// Adds -df of one push; false if it moves nothing.
    fn push(&self, push: &Push, x: &[f64], work: &mut [f64], assembly: &Assembly<'_>) -> bool {
        match push {
            Push::Resistance(k, part) => {
                let r = self.circuit.resistances[*k];
                let amperes = (volts(x, r.a) - volts(x, r.b)) / r.ohms * part;
                if amperes.abs() < 1e-15 {
                    return false;
                }
                feed(work, r.a, r.b, amperes);
            }
            Push::Gain(k, by) => {
                let gain = self.circuit.gains[*k];
                let sensed = match gain.sense {
                    Sense::Voltage(a, b) => volts(x, a) - volts(x, b),
                    Sense::Current(branch) => x[assembly.unknowns.branch(branch)],
                };
                match gain.sink {
                    Sink::Current(a, b) => feed(work, a, b, -by * sensed),
                    Sink::Branch(branch) => work[assembly.unknowns.branch(branch)] += by * sensed,
                }
            }
            Push::Source(k, by) => work[assembly.unknowns.nodes() + k] += by,
            Push::Current(k, by) => {
                let source = &self.circuit.currents[*k];
                feed(work, source.a, source.b, -by);
            }
            Push::Law(k, base, moved, per) => {
                if assembly.unplugged[*k] {
                    return false;
                }
                let part = &self.circuit.laws[*k];
                let u: Vec<f64> = part
                    .controls
                    .iter()
                    .map(|sense| match *sense {
                        Sense::Voltage(a, b) => volts(x, a) - volts(x, b),
                        Sense::Current(branch) => x[assembly.unknowns.branch(branch)],
                    })
                    .collect();
                let memory = assembly.memory[*k];
                let (before, after) = (answer(&**base, &u, memory), answer(&**moved, &u, memory));
                for ((sink, before), after) in part.outputs.iter().zip(before).zip(after) {
                    let by = (after - before) * per;
                    match *sink {
                        Sink::Current(a, b) => feed(work, a, b, -by),
                        Sink::Branch(branch) => work[assembly.unknowns.branch(branch)] += by,
                    }
                }
            }
        }
        true
    }

    /// The columns of the spread.
    pub fn columns(&self) -> usize {
        self.columns
    }
}

/// A law's currents.
fn answer(law: &dyn Law, u: &[f64], memory: f64) -> Vec<f64> {
    let (nc, no) = (law.controls(), law.outputs());
    let (mut i, mut q) = (vec![0.0; no], vec![0.0; no]);
    let (mut g, mut c) = (vec![0.0; no * nc], vec![0.0; no * nc]);
    let mut out = Answer {
        i: &mut i,
        q: &mut q,
        g: &mut g,
        c: &mut c,
    };
    law.answer(u, memory, &mut out);
    i
}

/// A node's volts.
pub fn volts(x: &[f64], node: Node) -> f64 {
    node.0.checked_sub(1).map_or(0.0, |k| x[k])
}

/// A current fed into `a` and drawn from `b`, on the right-hand side.
pub fn feed(work: &mut [f64], a: Node, b: Node, amperes: f64) {
    if let Some(k) = a.0.checked_sub(1) {
        work[k] += amperes;
    }
    if let Some(k) = b.0.checked_sub(1) {
        work[k] -= amperes;
    }
}

/// The linear numbers of a circuit.
struct Numbers {
    resistances: Vec<f64>,
    gains: Vec<f64>,
    sources: Vec<f64>,
    currents: Vec<f64>,
}

impl Numbers {
    fn of(circuit: &Circuit) -> Self {
        let branches = circuit.branches.iter();
        Numbers {
            resistances: circuit.resistances.iter().map(|r| r.ohms).collect(),
            gains: circuit.gains.iter().map(|g| g.gain).collect(),
            sources: branches
                .map(|b| match &b.kind {
                    BranchKind::Source(drive) => drive.dc,
                    _ => 0.0,
                })
                .collect(),
            currents: circuit.currents.iter().map(|c| c.drive.dc).collect(),
        }
    }

    fn pushes(&self, after: &Numbers, per: f64) -> Vec<Push> {
        let moved = |a: &[f64], b: &[f64]| -> Vec<(usize, f64)> {
            let pairs = a.iter().zip(b).enumerate();
            pairs
                .filter(|(_, (a, b))| a != b)
                .map(|(k, (a, b))| (k, b - a))
                .collect()
        };
        let mut all = Vec::new();
        for (k, by) in moved(&self.resistances, &after.resistances) {
            all.push(Push::Resistance(k, by / self.resistances[k] * per));
        }
        for (k, by) in moved(&self.gains, &after.gains) {
            all.push(Push::Gain(k, by * per));
        }
        for (k, by) in moved(&self.sources, &after.sources) {
            all.push(Push::Source(k, by * per));
        }
        for (k, by) in moved(&self.currents, &after.currents) {
            all.push(Push::Current(k, by * per));
        }
        all
    }
}
