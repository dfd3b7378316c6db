//! A circuit with a fault in it, as a meter sees it, and how far tolerances move what it sees.
//!
//! The circuit is solved from the solution of the sound one; the meter's load is taken in by the
//! resistance that each point shows (v R/(R + r)), and by a solution of its own where that is not
//! small. Readings move with the tolerances of all parts in a straight line about the *faulty*
//! circuit: J dx/dp = -df/dp, with df/dp of the parts alone.

use super::change::{Change, Undo};
use super::harmonic::Known;
use super::node::{feed, loaded, volts};
use super::point::Point;
use super::seen::Seen;
use super::slope::{Numbers, Push, Slope};
use super::supply::{self, Supply};
use crate::analysis::NoSolution;
use crate::analysis::operating_point;
use crate::circuit::hanging::hanging;
use crate::circuit::{BranchKind, Circuit};
use crate::device::Law;
use crate::math::lu::{LinearSolver, StaticLu};
use crate::system::assemble::{Assembly, SourceState};
use crate::tolerance::change::Drawn;
use crate::tolerance::list::{Class, Shape, Variables};
use std::sync::Arc;

/// A solution, and what it was found with.
pub(super) struct Solved<'b> {
    /// The circuit with its fault.
    pub assembly: Assembly<'b>,
    /// The unknowns.
    pub x: Vec<f64>,
    /// Eliminates its equations.
    pub lu: StaticLu<f64>,
}

/// The circuit under test.
#[derive(Debug, Clone)]
pub struct Bench {
    /// As drawn, between two looks.
    pub circuit: Circuit,
    /// What varies.
    pub variables: Variables,
    drawn: Drawn,
    /// Unknowns of the sound circuit.
    pub sound: Vec<f64>,
    /// Eliminates its equations: the order serves for every fault that leaves their pattern.
    ordered: StaticLu<f64>,
    memory: Vec<f64>,
    /// What feeds it from the mains, if anything does.
    pub supply: Option<Supply>,
    /// The means of a mains cycle less the sound operating point, by unknown.
    offset: Vec<f64>,
    slopes: Vec<Slope>,
    columns: usize,
    /// What is known of ripples at some points.
    pub(super) ripple: Known,
    /// The meter's resistance, ohm.
    pub meter_ohms: f64,
    /// Solutions so far.
    pub solutions: usize,
}

/// How far a DC supply may be off that is drawn as an ideal source, a part of itself (common
/// practice, no published source: it stands for a supply on the mains, 5 % like these).
const SUPPLY: f64 = 0.05;
/// What a source in place of a rectifier leaves out, a part of how far a fault moves a reading.
const DOUBT: f64 = 0.03;
/// The same where nothing is left of the supply: then no rectifier is in doubt.
const DOUBT_DEAD: f64 = 1e-3;

/// How far a reading may be off for a supply that is not solved as it is, V: a part of how far it was
/// moved, in proportion to what is left of it.
pub(super) fn doubt(part: f64, read: f64, sound: f64) -> f64 {
    let left = if sound.abs() > 1.0 {
        (read / sound).abs().min(1.0)
    } else {
        1.0
    };
    (part * left + DOUBT_DEAD) * (read - sound).abs()
}

/// Valves at the ends of their range go beyond what a straight line says: measured on generated
/// amplifiers, of which too many were called weak without it.
const VALVES: f64 = 1.2;
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
            ordered: StaticLu::new(0, &[], &[]),
            circuit,
            variables,
            sound: x,
            memory,
            supply,
            offset,
            slopes: Vec::new(),
            columns: 0,
            ripple: Known::default(),
            meter_ohms,
            solutions: 1,
        };
        let (_, ordered) = {
            let mut assembly = bench.assembly(&Undo::default());
            operating_point::near_in_order(&mut assembly, SourceState::DC, &bench.sound, None)
        };
        bench.ordered = ordered;
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
        if let Some(supply) = self.supply.take() {
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
            for k in 0..supply.outputs.len() {
                let own = self.column();
                self.slopes.push(Slope {
                    variable: None,
                    pushes: vec![Push::Output(k)],
                    columns: vec![(own, 1.0)],
                });
            }
            self.supply = Some(supply);
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
        let mut deviation = Shape::Uniform.deviation(variable.range);
        if variable.class == Class::Valve {
            deviation *= VALVES;
        }
        let Some(element) = variable.element else {
            return Vec::new();
        };
        let before = Numbers::of(&self.circuit);
        let laws = self.circuit.laws_of(element);
        let base = self.laws(&laws);
        let mut values = nominal.to_vec();
        values[k] += SMALL;
        self.drawn.put(&mut self.circuit, &self.variables, &values);
        let after = Numbers::of(&self.circuit);
        let moved = self.laws(&laws);
        self.drawn.put(&mut self.circuit, &self.variables, nominal);
        let per = deviation / SMALL;
        let mut pushes = before.pushes(&after, per);
        let pairs = laws.into_iter().zip(base.into_iter().zip(moved));
        pushes.extend(pairs.map(|(k, (base, moved))| Push::Law(k, base, moved, per)));
        pushes
    }

    /// The circuit's laws as they are now.
    fn laws(&self, laws: &[usize]) -> Vec<Arc<dyn Law>> {
        let laws = laws.iter();
        laws.map(|&k| Arc::clone(&self.circuit.laws[k].law))
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
        if points.iter().all(Point::is_plain) {
            self.once(changes, points, start, slopes)
        } else {
            self.look_in_states(changes, points, start, slopes)
        }
    }

    /// The working amplifier's direct volts.
    pub(super) fn once(
        &mut self,
        changes: &[Change],
        points: &[Point],
        start: Option<&Seen>,
        slopes: bool,
    ) -> Option<Seen> {
        self.with(changes, |bench, undo| {
            bench.solved(changes, points, start, slopes, undo)
        })
    }

    /// Makes changes for the time of some work.
    pub(super) fn with<T>(
        &mut self,
        changes: &[Change],
        work: impl FnOnce(&mut Self, &Undo) -> Option<T>,
    ) -> Option<T> {
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
        let found = if done { work(self, &undo) } else { None };
        undo.back(&mut self.circuit);
        if let Some(values) = nominal {
            self.drawn.put(&mut self.circuit, &self.variables, &values);
        }
        found
    }

    /// With the rectifiers in their places.
    pub(super) fn bare_assembly(&self) -> Assembly<'_> {
        let mut assembly = Assembly::new(&self.circuit);
        let known = self.memory.len().min(assembly.memory.len());
        assembly.memory[..known].copy_from_slice(&self.memory[..known]);
        assembly
    }

    pub(super) fn assembly(&self, undo: &Undo) -> Assembly<'_> {
        let mut assembly = self.bare_assembly();
        let pulled = self.supply.iter().flat_map(|s| &s.unplugged);
        for &law in pulled.chain(&undo.unplugged) {
            assembly.unplugged[law] = true;
        }
        // Grids whose bias is off: their currents are too small for Newton to move them by.
        for group in hanging(&self.circuit) {
            if let Some(k) = assembly.unknowns.node(group.node) {
                assembly.leak(k);
            }
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
        let found = self.solve(undo, &start)?;
        let mut seen = self.seen(found, changes, points, slopes, self.meter_ohms)?;
        // Where the meter moves the point a good deal, it is put there.
        for (k, point) in points.iter().enumerate() {
            let bare = volts(&seen.x, point.a) - volts(&seen.x, point.b);
            let moved = (seen.reads[k] - bare).abs();
            if moved <= LOADED * bare.abs() || moved < 2e-3 {
                continue;
            }
            self.circuit.join(point.a, point.b, self.meter_ohms);
            self.solutions += 1;
            let there = self.solve(undo, &seen.x).and_then(|found| {
                let one = std::slice::from_ref(point);
                // The meter is in the circuit: no other load.
                self.seen(found, changes, one, slopes, f64::INFINITY)
            });
            self.circuit.part();
            if let Some(mut there) = there {
                seen.reads[k] = there.reads[0];
                if slopes {
                    seen.spread[k] = there.spread.swap_remove(0);
                    seen.own[k] = there.own[0];
                    seen.second[k] = there.second[0];
                }
            }
        }
        if self.supply.is_some() {
            for (k, point) in points.iter().enumerate() {
                let sound = volts(&self.sound, point.a) - volts(&self.sound, point.b);
                seen.doubt[k] = doubt(DOUBT, seen.reads[k], sound);
                seen.added[k] = self.added(point, seen.reads[k]);
                seen.reads[k] += seen.added[k];
            }
        }
        Some(seen)
    }

    /// The operating point of the circuit as it is now, from one near it; none if there is none.
    pub(super) fn solve(&self, undo: &Undo, start: &[f64]) -> Option<Solved<'_>> {
        let mut assembly = self.assembly(undo);
        let ordered = Some(&self.ordered);
        let (found, lu) =
            operating_point::near_in_order(&mut assembly, SourceState::DC, start, ordered);
        Some(Solved {
            x: found.ok()?.x,
            assembly,
            lu,
        })
    }

    /// Reads a solution.
    fn seen(
        &self,
        solved: Solved<'_>,
        changes: &[Change],
        points: &[Point],
        slopes: bool,
        meter_ohms: f64,
    ) -> Option<Seen> {
        let Solved {
            mut assembly,
            x,
            mut lu,
        } = solved;
        let n = assembly.len();
        assembly.evaluate(&x, SourceState::DC, 0.0, false);
        lu.factor(&assembly.jacobian).ok()?;
        let mut work = vec![0.0; n];
        let mut pass = Vec::with_capacity(points.len());
        let mut reads = Vec::with_capacity(points.len());
        for point in points {
            work.fill(0.0);
            feed(&mut work, point.a, point.b, 1.0);
            lu.solve(&mut work);
            let ohms = volts(&work, point.a) - volts(&work, point.b);
            let part = loaded(ohms, meter_ohms);
            pass.push(part);
            reads.push(part * (volts(&x, point.a) - volts(&x, point.b)));
        }
        let mut seen = Seen {
            nodes: self.circuit.nodes.len(),
            reads,
            ..Seen::blank(x, points.len())
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
                any |= push.add(self.supply.as_ref(), &seen.x, &mut work, &assembly);
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
        let mut faults = changes.split(|c| *c == Change::Besides);
        if let Some(first) = faults.next() {
            seen.own = self.slope(first, &seen.x, &assembly, &mut lu, &at, points.len());
        }
        if let Some(second) = faults.next() {
            seen.second = self.slope(second, &seen.x, &assembly, &mut lu, &at, points.len());
        }
        Some(seen)
    }

    /// What a natural logarithm of a fault's value moves each point by.
    fn slope(
        &self,
        changes: &[Change],
        x: &[f64],
        assembly: &Assembly<'_>,
        lu: &mut StaticLu<f64>,
        at: &dyn Fn(&[f64], usize) -> f64,
        points: usize,
    ) -> Vec<f64> {
        let mut work = vec![0.0; x.len()];
        let mut pushed = false;
        for change in changes {
            pushed |= match change {
                Change::Variable(k, value) => {
                    let slope = self.slopes.iter().find(|s| s.variable == Some(*k));
                    // Variables of this kind are valves: their pushes are that much larger.
                    let range = self.variables.all[*k].range;
                    let deviation = VALVES * Shape::Uniform.deviation(range);
                    let mut own = vec![0.0; x.len()];
                    for push in slope.iter().flat_map(|s| &s.pushes) {
                        push.add(self.supply.as_ref(), x, &mut own, assembly);
                    }
                    let pairs = work.iter_mut().zip(own);
                    pairs.for_each(|(w, own)| *w += own * value / deviation);
                    slope.is_some()
                }
                _ => change.push(&self.circuit, x, assembly.unknowns, &mut work),
            };
        }
        if !pushed {
            return vec![0.0; points];
        }
        lu.solve(&mut work);
        (0..points).map(|k| at(&work, k)).collect()
    }

    /// What each variable moves.
    pub(super) fn slopes(&self) -> &[Slope] {
        &self.slopes
    }

    /// The columns of the spread.
    pub fn columns(&self) -> usize {
        self.columns
    }
}
