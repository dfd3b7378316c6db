//! How a circuit stands with nothing playing: at an operating point, or, where it is fed from
//! the mains, on the average of a mains cycle.

use super::chart::{self, ChartRow};
use super::inverse;
use crate::analysis::NoSolution;
use crate::analysis::mains::{self, Mains};
use crate::analysis::operating_point::{self, Point};
use crate::analysis::periodic::{self, Cycle};
use crate::circuit::{Circuit, Element, Node, Piece};
use crate::device::role::DeviceRole;
use crate::math::crests::Crests;
use crate::system::assemble::{Assembly, SourceState};
use crate::system::probe::{Moment, Observable};

/// What was solved.
// One is made a run: its size does not matter.
#[allow(clippy::large_enum_variant)]
#[derive(Debug)]
pub enum AtRest {
    /// An operating point.
    Point(Point),
    /// A mains cycle that repeats itself.
    Cycle(Mains, Cycle),
}

/// A circuit with nothing playing.
#[derive(Debug)]
pub struct Quiescent {
    /// What was solved.
    pub found: AtRest,
    /// The unknowns: at the operating point, or on the average of the cycle.
    pub x: Vec<f64>,
    /// The largest voltage across each capacitor, V, by element, once the valves draw; and
    /// before, unless that could not be solved.
    pub capacitors: Vec<(usize, f64, Option<f64>)>,
    /// Likewise the largest volts that each semiconductor diode blocks.
    pub blocked: Vec<(usize, f64, Option<f64>)>,
}

/// Solves a circuit and its capacitors' volts with cold valves.
///
/// # Errors
/// If there is no operating point, or no mains cycle that repeats itself.
pub fn solve(circuit: &Circuit) -> Result<(Quiescent, Assembly<'_>), Box<NoSolution>> {
    solve_near(circuit, None, true)
}

/// The same, the search begun at a neighbour's rest if there is one: the same circuit with other
/// values. The capacitors' volts with cold valves are worked out only if they are wanted.
///
/// # Errors
/// Those of [`solve`].
pub fn solve_near<'c>(
    circuit: &'c Circuit,
    near: Option<&AtRest>,
    wants_cold: bool,
) -> Result<(Quiescent, Assembly<'c>), Box<NoSolution>> {
    let mains = mains::find(circuit);
    let (found, mut assembly) = with_near(Assembly::new(circuit), mains.as_ref(), near)?;
    switch(&mut assembly, &found);
    let hot = peaks(&assembly, &found);
    let cold = match circuit.elements.iter().any(warms_up) {
        true if wants_cold => cold(circuit, mains.as_ref(), &found),
        true => None,
        false => Some(hot.clone()),
    };
    let of = |n: usize| (hot[n], cold.as_ref().map(|c| c[n]));
    let named = |elements: Vec<usize>, first: usize| {
        let all = elements.into_iter().enumerate();
        all.map(|(n, element)| (element, of(first + n).0, of(first + n).1))
            .collect::<Vec<_>>()
    };
    let watched: Vec<usize> = capacitors(circuit).map(|c| c.0).collect();
    let blocking: Vec<usize> = diodes(circuit).map(|d| d.0).collect();
    let count = watched.len();
    let capacitors = named(watched, 0);
    let blocked = named(blocking, count);
    let x = middle(&found);
    let quiescent = Quiescent {
        found,
        x,
        capacitors,
        blocked,
    };
    Ok((quiescent, assembly))
}

/// Solves a circuit for what moves a little about it: the unknowns at the operating point, or
/// on the average of a mains cycle.
///
/// # Errors
/// Those of [`solve`].
pub fn at_rest(circuit: &Circuit) -> Result<(Vec<f64>, Assembly<'_>), Box<NoSolution>> {
    let (found, mut assembly) = with(Assembly::new(circuit), mains::find(circuit).as_ref())?;
    switch(&mut assembly, &found);
    let assembly = with_swings(assembly, &found);
    Ok((middle(&found), assembly))
}

/// Notes what a mains cycle makes of small changes, which tells whether the supply swings by itself.
pub fn with_swings<'c>(assembly: Assembly<'c>, found: &AtRest) -> Assembly<'c> {
    let AtRest::Cycle(mains, cycle) = found else {
        return assembly;
    };
    let (multiplier, mut assembly) = periodic::multiplier(assembly, mains, cycle);
    if let Some(switching) = &mut assembly.switching {
        switching.multiplier = multiplier;
    }
    assembly
}

fn middle(found: &AtRest) -> Vec<f64> {
    match found {
        AtRest::Point(point) => point.x.clone(),
        AtRest::Cycle(_, cycle) => cycle.mean(),
    }
}

/// Lets rectifiers conduct in small changes as they do on the average of a cycle.
fn switch(assembly: &mut Assembly<'_>, found: &AtRest) {
    if let AtRest::Cycle(_, cycle) = found {
        assembly.switching = Some(cycle.switching(assembly));
    }
}

fn with_near<'c>(
    mut assembly: Assembly<'c>,
    mains: Option<&Mains>,
    near: Option<&AtRest>,
) -> Result<(AtRest, Assembly<'c>), Box<NoSolution>> {
    match (mains, near) {
        (None, Some(AtRest::Point(known))) if known.x.len() == assembly.len() => {
            let found = operating_point::near(&mut assembly, SourceState::DC, &known.x)?;
            Ok((AtRest::Point(found), assembly))
        }
        (Some(mains), Some(AtRest::Cycle(_, near))) => {
            let (cycle, assembly) = periodic::cycle_near(assembly, mains, near)?;
            Ok((AtRest::Cycle(mains.clone(), cycle), assembly))
        }
        _ => with(assembly, mains),
    }
}

fn with<'c>(
    mut assembly: Assembly<'c>,
    mains: Option<&Mains>,
) -> Result<(AtRest, Assembly<'c>), Box<NoSolution>> {
    match mains {
        None => {
            let point = operating_point::solve(&mut assembly, SourceState::DC, &[])?;
            Ok((AtRest::Point(point), assembly))
        }
        Some(mains) => {
            let (cycle, assembly) = periodic::cycle(assembly, mains)?;
            Ok((AtRest::Cycle(mains.clone(), cycle), assembly))
        }
    }
}

/// A valve that draws nothing until it is warm. A rectifier counts as warm: the worst case.
fn warms_up(element: &Element) -> bool {
    element.role() == Some(DeviceRole::Valve)
}

/// The capacitors' largest volts with every valve pulled.
fn cold(circuit: &Circuit, mains: Option<&Mains>, hot: &AtRest) -> Option<Vec<f64>> {
    let mut assembly = Assembly::new(circuit);
    for element in circuit.elements.iter().filter(|e| warms_up(e)) {
        for port in &element.ports {
            if let Piece::Law(law, _) = port.piece {
                assembly.unplugged[law] = true;
            }
        }
    }
    let (found, assembly) = match (mains, hot) {
        (Some(mains), AtRest::Cycle(_, hot)) => {
            let (cycle, assembly) = periodic::cycle_near(assembly, mains, hot).ok()?;
            (AtRest::Cycle(mains.clone(), cycle), assembly)
        }
        _ => with(assembly, mains).ok()?,
    };
    Some(peaks(&assembly, &found))
}

/// Elements that are capacitors, with their nodes.
fn capacitors(circuit: &Circuit) -> impl Iterator<Item = (usize, Node, Node)> {
    let all = circuit.elements.iter().enumerate();
    all.filter(|(_, e)| e.role() == Some(DeviceRole::Capacitor))
        .map(|(k, e)| (k, e.terminals[0], e.terminals[1]))
}

/// Semiconductor diodes, with cathode and anode: the volts from one to the other are blocked.
fn diodes(circuit: &Circuit) -> impl Iterator<Item = (usize, Node, Node)> {
    let all = circuit.elements.iter().enumerate();
    all.filter(|(_, e)| e.role() == Some(DeviceRole::Diode))
        .map(|(k, e)| (k, e.terminals[1], e.terminals[0]))
}

/// The largest volts across the capacitors, either way, and then those that the diodes block.
fn peaks(assembly: &Assembly<'_>, found: &AtRest) -> Vec<f64> {
    let circuit = assembly.circuit;
    let watched: Vec<_> = capacitors(circuit).chain(diodes(circuit)).collect();
    let mut across = vec![Crests::default(); watched.len()];
    let mut look = |time_s: f64, x: &[f64]| {
        let v = |node: Node| assembly.unknowns.voltage(x, node);
        for (across, &(_, a, b)) in across.iter_mut().zip(&watched) {
            across.take(time_s, v(a) - v(b));
        }
    };
    match found {
        AtRest::Point(point) => look(0.0, &point.x),
        AtRest::Cycle(_, cycle) => cycle.round().for_each(|r| look(r.time_s, r.moment().x)),
    }
    let either_way = capacitors(circuit).count();
    let all = across.iter().enumerate();
    all.map(|(n, c)| {
        if n < either_way {
            c.high.max(-c.low)
        } else {
            c.high
        }
    })
    .collect()
}

impl Quiescent {
    /// The mains, if the circuit is fed from them.
    pub fn mains(&self) -> Option<&Mains> {
        match &self.found {
            AtRest::Cycle(mains, _) => Some(mains),
            AtRest::Point(_) => None,
        }
    }

    /// The chart: nodes, valves, resistors, capacitors, sources, and last the probes. In a
    /// mains cycle each figure is its average; ripple and what the cycle does to the
    /// rectifiers are added.
    pub fn rows(&self, assembly: &mut Assembly<'_>, probes: &[Observable]) -> Vec<ChartRow> {
        let mut rows = chart::rows(assembly, &self.x, probes);
        if let AtRest::Cycle(mains, cycle) = &self.found {
            assembly.moving = Some(mains.sources.clone());
            rows = averaged(assembly, cycle, rows, probes);
            assembly.moving = None;
        }
        let circuit = assembly.circuit;
        if let AtRest::Point(_) = &self.found {
            let place = rows.len() - probes.len();
            let blocking = self.blocking(circuit);
            rows.splice(place..place, blocking);
        }
        let first = circuit.elements.iter().find(|e| chart::is_source(e));
        let place = first
            .and_then(|e| {
                rows.iter()
                    .position(|r| r.subject == e.name && r.quantity == "current")
            })
            .unwrap_or(rows.len() - probes.len());
        let of_capacitors = self.capacitors.iter().flat_map(|&(k, hot, cold)| {
            let element = &circuit.elements[k];
            let row = |quantity: &'static str, value: f64| ChartRow {
                subject: element.name.clone(),
                quantity,
                value,
                unit: "V",
                limit: element.rated,
            };
            let cold = cold.map(|v| row("voltage cold", v));
            cold.into_iter().chain([row("voltage hot", hot)])
        });
        let of_capacitors: Vec<ChartRow> = of_capacitors.collect();
        rows.splice(place..place, of_capacitors);
        rows
    }

    /// The volts of the diodes that block at an operating point, as far as it is known what they may.
    fn blocking(&self, circuit: &Circuit) -> Vec<ChartRow> {
        let blocked = self.blocked.iter().filter(|b| b.1 > 0.0);
        let row = |&(k, volts, _): &(usize, f64, Option<f64>)| {
            let element = &circuit.elements[k];
            Some(ChartRow {
                subject: element.name.clone(),
                quantity: "inverse voltage",
                value: volts,
                unit: "V",
                limit: Some(inverse::most(element)?),
            })
        };
        blocked.filter_map(row).collect()
    }
}

/// A node carries AC if its volts without their mean come to this, V rms, and to this part of the
/// mean: an average near zero says nothing of a line that kills.
const AC: (f64, f64) = (1.0, 0.25);

/// The average of each row over the cycle. `rows` are those of the averages, from which the
/// ones that do not move are kept.
fn averaged(
    assembly: &mut Assembly<'_>,
    cycle: &Cycle,
    mut rows: Vec<ChartRow>,
    probes: &[Observable],
) -> Vec<ChartRow> {
    let circuit = assembly.circuit;
    // Of each row the mean, the mean square and the crests.
    let mut sums: Vec<(f64, f64, Crests)> = Vec::new();
    let rectifiers: Vec<&Element> = circuit.elements.iter().filter(|e| rectifies(e)).collect();
    let mut strain = vec![Strain::default(); rectifiers.len()];
    let mut now = Vec::new();
    for reading in cycle.round() {
        chart::moving_values(assembly, reading.moment(), probes, &mut now);
        sums.resize(now.len(), (0.0, 0.0, Crests::default()));
        for ((sum, squares, crests), value) in sums.iter_mut().zip(&now) {
            *sum += reading.weight * value;
            *squares += reading.weight * value * value;
            crests.take(reading.time_s, *value);
        }
        for (strain, element) in strain.iter_mut().zip(&rectifiers) {
            strain.look(assembly, &reading, element);
        }
    }
    let mut sums = sums.into_iter();
    let mut ripples = Vec::new();
    for (k, row) in rows.iter_mut().enumerate() {
        if row.quantity == "grid circuit resistance" {
            continue;
        }
        let Some((mean, square, crests)) = sums.next() else {
            continue;
        };
        row.value = if chart::is_rms(row) {
            square.sqrt()
        } else {
            mean
        };
        if row.quantity == "voltage" && row.subject.starts_with("v(") {
            ripples.push((
                k,
                crests.high - crests.low,
                (square - mean * mean).max(0.0).sqrt(),
            ));
        }
    }
    for (k, ripple, ac) in ripples.into_iter().rev() {
        let subject = rows[k].subject.clone();
        let row = ChartRow {
            subject,
            quantity: "ripple",
            value: ripple,
            unit: "V",
            limit: None,
        };
        // A probe repeats a node's row at the end; what it shows is the average alone.
        if k < rows.len() - probes.len() {
            if ac >= AC.0 && ac >= AC.1 * rows[k].value.abs() {
                let shown = ChartRow {
                    subject: rows[k].subject.clone(),
                    quantity: "ac voltage",
                    value: ac,
                    unit: "V",
                    limit: None,
                };
                rows.insert(k + 1, shown);
            }
            rows.insert(k + 1, row);
        }
    }
    let place = rows.len() - probes.len();
    let more: Vec<ChartRow> = rectifiers
        .iter()
        .zip(strain)
        .flat_map(|(element, strain)| strain.rows(element))
        .collect();
    rows.splice(place..place, more);
    rows
}

/// A valve or semiconductor diode.
fn rectifies(element: &Element) -> bool {
    element.role().is_some_and(DeviceRole::rectifies)
}

/// The current of each plate of a rectifier at a moment, A.
pub(super) fn rectified(
    assembly: &mut Assembly<'_>,
    moment: Moment<'_>,
    element: &Element,
) -> Vec<f64> {
    let of_plates = element.readings.iter();
    match element.role() {
        Some(DeviceRole::RectifierValve) => of_plates
            .map(|&(_, law, output)| assembly.law_currents(law, moment.x).i[output])
            .collect(),
        _ => vec![Observable::current(element).read(assembly, moment)],
    }
}

/// What a cycle does to a rectifier.
#[derive(Debug, Clone, Default)]
struct Strain {
    mean: f64,
    /// Of each plate: its current, and the volts that it blocks.
    currents: Vec<Crests>,
    blocked: Vec<Crests>,
}

impl Strain {
    fn look(
        &mut self,
        assembly: &mut Assembly<'_>,
        reading: &periodic::Reading<'_>,
        element: &Element,
    ) {
        let (moment, time_s) = (reading.moment(), reading.time_s);
        let volts = |node: Node| assembly.unknowns.voltage(moment.x, node);
        let Some((&cathode, plates)) = element.terminals.split_last() else {
            return;
        };
        self.blocked.resize(plates.len(), Crests::default());
        for (blocked, &plate) in self.blocked.iter_mut().zip(plates) {
            blocked.take(time_s, volts(cathode) - volts(plate));
        }
        let currents = rectified(assembly, moment, element);
        self.mean += reading.weight * currents.iter().sum::<f64>();
        self.currents.resize(currents.len(), Crests::default());
        for (crests, amperes) in self.currents.iter_mut().zip(currents) {
            crests.take(time_s, amperes);
        }
    }

    fn rows(self, element: &Element) -> Vec<ChartRow> {
        let is_valve = element.role() == Some(DeviceRole::RectifierValve);
        let row =
            |quantity: &'static str, value: f64, unit: &'static str, limit: Option<f64>| ChartRow {
                subject: element.name.clone(),
                quantity,
                value,
                unit,
                limit,
            };
        let inverse = inverse::most(element);
        let most = |all: &[Crests]| all.iter().fold(0.0f64, |most, c| most.max(c.high));
        let mut rows = vec![
            row(
                "peak plate current",
                most(&self.currents),
                "A",
                element.rating("peak plate current"),
            ),
            row("inverse voltage", most(&self.blocked), "V", inverse),
        ];
        if !is_valve {
            rows[0].quantity = "peak current";
            let most = element.rating("direct current");
            rows.insert(0, row("direct current", self.mean, "A", most));
        }
        rows
    }
}
