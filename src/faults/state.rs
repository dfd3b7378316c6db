//! Readings of other kinds than direct volts of the working amplifier: with valves pulled or a
//! switch thrown, ohms to ground with the mains off, and the gain of a tone.

use super::bench::{Bench, Point, Seen, feed, volts};
use super::change::Change;
use super::slope::Push;
use crate::analysis::operating_point;
use crate::analysis::small_signal::{Excitation, SmallSignal};
use crate::circuit::{BranchKind, Circuit, Node, Piece};
use crate::device::role::DeviceRole;
use crate::math::fun;
use crate::math::lu::{LinearSolver, StaticLu};
use crate::system::assemble::{Driven, SourceState};

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Quantity {
    /// Direct volts.
    #[default]
    Volts,
    /// Ohms to ground, everything discharged, the valves cold.
    Ohms,
    /// V of a tone per V at the source.
    Gain,
}

/// How the amplifier stands while it is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum State {
    /// Working.
    #[default]
    Working,
    /// All amplifying valves pulled.
    Pulled,
    /// One element pulled: a valve and the other sections of its bottle.
    Without(usize),
    /// A switch opened.
    Opened(usize),
    /// A switch closed.
    Closed(usize),
    /// The mains off, everything discharged.
    Off,
}

/// The frequency of the tone that gains are measured with, Hz.
pub const TONE_HZ: f64 = 1000.0;
/// How far the tolerances of valves and parts move a gain, a part of it (common practice).
const GAIN: f64 = 0.08;
/// Ohms that a meter's leads may add.
const LEADS: f64 = 0.5;

impl State {
    /// Reads the word of a state; none if it is not one.
    pub fn parse(text: &str, circuit: &Circuit) -> Option<Self> {
        let text = text.trim().to_lowercase();
        match text.as_str() {
            "" | "working" | "on" => return Some(State::Working),
            "pulled" | "valves pulled" => return Some(State::Pulled),
            "off" | "mains off" => return Some(State::Off),
            _ => {}
        }
        let (name, what) = text.rsplit_once(' ')?;
        let named = |role: DeviceRole| {
            circuit.elements.iter().position(|e| {
                let own = e.name.to_lowercase();
                let of_bottle =
                    role == DeviceRole::Valve && crate::tolerance::bottle(&own).0 == name;
                e.role() == Some(role)
                    && (own == name || own.strip_prefix('x') == Some(name) || of_bottle)
            })
        };
        match what {
            "pulled" => named(DeviceRole::Valve).map(State::Without),
            "open" => named(DeviceRole::Toggle).map(State::Opened),
            "closed" => named(DeviceRole::Toggle).map(State::Closed),
            _ => None,
        }
    }

    /// In words.
    pub fn words(self, circuit: &Circuit) -> String {
        let name = |k: usize| circuit.elements[k].name.as_str();
        match self {
            State::Working => String::new(),
            State::Pulled => "valves pulled".to_string(),
            State::Without(k) => format!("{} pulled", name(k)),
            State::Opened(k) => format!("{} open", name(k)),
            State::Closed(k) => format!("{} closed", name(k)),
            State::Off => "mains off".to_string(),
        }
    }

    /// What it changes in the circuit.
    fn changes(self, circuit: &Circuit) -> Vec<Change> {
        let of = |k: usize| circuit.laws_of(k).into_iter().map(Change::Unplug);
        let switch = |k: usize, ohms: f64| match circuit.elements[k].ports.first().map(|p| p.piece)
        {
            Some(Piece::Resistance(r)) => vec![Change::Ohms(r, ohms)],
            _ => Vec::new(),
        };
        let valve = |k: &usize| circuit.elements[*k].role() == Some(DeviceRole::Valve);
        match self {
            State::Working => Vec::new(),
            State::Pulled => (0..circuit.elements.len())
                .filter(valve)
                .flat_map(of)
                .collect(),
            State::Without(k) => {
                let bottle = |k: usize| crate::tolerance::bottle(&circuit.elements[k].name).0;
                let mine = bottle(k);
                let all = (0..circuit.elements.len()).filter(valve);
                all.filter(|&j| j == k || bottle(j) == mine)
                    .flat_map(of)
                    .collect()
            }
            State::Opened(k) => switch(k, 1e12),
            State::Closed(k) => switch(k, 0.01),
            State::Off => {
                let mut all: Vec<Change> = (0..circuit.laws.len()).map(Change::Unplug).collect();
                for (k, branch) in circuit.branches.iter().enumerate() {
                    if matches!(branch.kind, BranchKind::Source(_)) {
                        all.push(Change::Source(k, 0.0));
                    }
                }
                all
            }
        }
    }
}

impl Bench {
    /// As [`Bench::look`], for points of any kind in any state.
    pub(super) fn look_in_states(
        &mut self,
        changes: &[Change],
        points: &[Point],
        start: Option<&Seen>,
        slopes: bool,
    ) -> Option<Seen> {
        let place = |wanted: &dyn Fn(&Point) -> bool| -> Vec<usize> {
            (0..points.len()).filter(|&k| wanted(&points[k])).collect()
        };
        let some = |places: &[usize]| -> Vec<Point> {
            places.iter().map(|&k| points[k].clone()).collect()
        };
        let plain = place(&|p| p.is_plain());
        let mut whole = self.once(changes, &some(&plain), start, slopes)?;
        let part = whole.clone();
        whole.widen(points.len(), if slopes { self.columns() } else { 0 });
        whole.fill(&part, &plain);
        let gains = place(&|p| p.quantity == Quantity::Gain);
        if !gains.is_empty() {
            let found = self.gains(changes, &some(&gains), &part)?;
            for (&k, gain) in gains.iter().zip(found) {
                whole.reads[k] = gain;
                whole.doubt[k] = GAIN * gain.abs() + 1e-3;
            }
        }
        let mut states: Vec<State> = Vec::new();
        for point in points.iter().filter(|p| p.state != State::Working) {
            if !states.contains(&point.state) {
                states.push(point.state);
            }
        }
        for state in states {
            let mut all = changes.to_vec();
            all.extend(state.changes(&self.circuit));
            let of_volts = place(&|p| p.state == state && p.quantity == Quantity::Volts);
            if !of_volts.is_empty() {
                let found = self.once(&all, &some(&of_volts), None, slopes)?;
                whole.fill(&found, &of_volts);
            }
            let of_ohms = place(&|p| p.state == state && p.quantity == Quantity::Ohms);
            if !of_ohms.is_empty() {
                let found = self.ohms(&all, changes, &some(&of_ohms), slopes)?;
                whole.fill(&found, &of_ohms);
            }
        }
        Some(whole)
    }

    /// Ohms between the ends of each point, in a circuit without any source.
    fn ohms(
        &mut self,
        all: &[Change],
        changes: &[Change],
        points: &[Point],
        slopes: bool,
    ) -> Option<Seen> {
        self.with(all, |bench, undo| {
            let mut assembly = bench.assembly(undo);
            let n = assembly.len();
            let ask = SourceState {
                gmin: 1e-12,
                ..SourceState::DC
            };
            assembly.evaluate(&vec![0.0; n], ask, 0.0, false);
            let (indptr, indices) = assembly.pattern();
            let mut lu: StaticLu<f64> = StaticLu::new(n, indptr, indices);
            lu.factor(&assembly.jacobian).ok()?;
            let mut seen = Seen::blank(vec![0.0; n], points.len());
            for (k, point) in points.iter().enumerate() {
                let mut x = vec![0.0; n];
                feed(&mut x, point.a, point.b, 1.0);
                lu.solve(&mut x);
                let at = |x: &[f64]| volts(x, point.a) - volts(x, point.b);
                seen.reads[k] = at(&x);
                seen.doubt[k] = LEADS;
                if !slopes {
                    continue;
                }
                let mut row = vec![0.0; bench.columns()];
                let mut work = vec![0.0; n];
                for slope in bench.slopes() {
                    work.fill(0.0);
                    let passive = |p: &&Push| matches!(p, Push::Resistance(..) | Push::Gain(..));
                    let mut any = false;
                    for push in slope.pushes.iter().filter(passive) {
                        any |= bench.push(push, &x, &mut work, &assembly);
                    }
                    if any {
                        lu.solve(&mut work);
                        for &(column, part) in &slope.columns {
                            row[column] += part * at(&work);
                        }
                    }
                }
                seen.spread.push(row);
                work.fill(0.0);
                let passive = |c: &&Change| matches!(c, Change::Ohms(..) | Change::Join(..));
                for change in changes.iter().filter(passive) {
                    change.push(&bench.circuit, &x, assembly.unknowns, &mut work);
                }
                lu.solve(&mut work);
                seen.own[k] = at(&work);
            }
            Some(seen)
        })
    }

    /// The gain to each point at the tone's frequency.
    fn gains(&mut self, changes: &[Change], points: &[Point], near: &Seen) -> Option<Vec<f64>> {
        self.with(changes, |bench, undo| {
            let mut assembly = bench.assembly(undo);
            let found = operating_point::near(&mut assembly, SourceState::DC, &near.x).ok()?;
            let source = tone_source(&bench.circuit)?;
            let mut small = SmallSignal::new(&mut assembly, &found.x);
            let mut at = small.at(TONE_HZ).ok()?;
            let x = at.solve(Excitation::Source(source));
            let amplitude = |n: Node| {
                n.0.checked_sub(1)
                    .map_or((0.0, 0.0), |k| (x[k].re, x[k].im))
            };
            let gains = points.iter().map(|p| {
                let (a, b) = (amplitude(p.a), amplitude(p.b));
                fun::hypot(a.0 - b.0, a.1 - b.1)
            });
            Some(gains.collect())
        })
    }
}

/// The source that a tone comes from: the only one with an AC value, or without direct volts.
pub fn tone_source(circuit: &Circuit) -> Option<Driven> {
    let sources = circuit.branches.iter().enumerate();
    let sources: Vec<(usize, bool, f64)> = sources
        .filter_map(|(k, b)| match &b.kind {
            BranchKind::Source(drive) => Some((k, drive.ac.is_some(), drive.dc)),
            _ => None,
        })
        .collect();
    let with_ac = sources.iter().find(|s| s.1);
    let found = with_ac.or_else(|| sources.iter().find(|s| s.2 == 0.0))?;
    Some(Driven::Voltage(found.0))
}
