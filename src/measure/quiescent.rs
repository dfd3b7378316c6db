//! How a circuit stands with nothing playing: at an operating point, or, where it is fed from
//! the mains, on the average of a mains cycle.

use super::chart::{self, ChartRow};
use crate::analysis::NoSolution;
use crate::analysis::mains::{self, Cycle, Mains};
use crate::analysis::operating_point::{self, Point};
use crate::circuit::{Circuit, Element, Node, Piece};
use crate::device::role::DeviceRole;
use crate::system::assemble::{Assembly, SourceState};
use crate::system::probe::{Moment, Observable};

/// What was solved.
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
    let mut assembly = Assembly::new(circuit);
    let mains = mains::find(circuit);
    let found = with_near(&mut assembly, mains.as_ref(), near)?;
    let hot = peaks(&assembly, &found);
    let cold = match circuit.elements.iter().any(warms_up) {
        true if wants_cold => cold(circuit, mains.as_ref()),
        true => None,
        false => Some(hot.clone()),
    };
    let across = capacitors(circuit).enumerate();
    let capacitors = across
        .map(|(n, (element, ..))| (element, hot[n], cold.as_ref().map(|c| c[n])))
        .collect();
    let x = middle(&found);
    let quiescent = Quiescent {
        found,
        x,
        capacitors,
    };
    Ok((quiescent, assembly))
}

/// Solves a circuit for what moves a little about it: the unknowns at the operating point, or
/// on the average of a mains cycle.
///
/// # Errors
/// Those of [`find`].
pub fn at_rest(circuit: &Circuit) -> Result<(Vec<f64>, Assembly<'_>), Box<NoSolution>> {
    let mut assembly = Assembly::new(circuit);
    let found = with(&mut assembly, mains::find(circuit).as_ref())?;
    Ok((middle(&found), assembly))
}

fn middle(found: &AtRest) -> Vec<f64> {
    match found {
        AtRest::Point(point) => point.x.clone(),
        AtRest::Cycle(_, cycle) => cycle.mean(),
    }
}

fn with_near(
    assembly: &mut Assembly<'_>,
    mains: Option<&Mains>,
    near: Option<&AtRest>,
) -> Result<AtRest, Box<NoSolution>> {
    match (mains, near) {
        (None, Some(AtRest::Point(known))) if known.x.len() == assembly.len() => {
            let found = operating_point::near(assembly, SourceState::DC, &known.x)?;
            Ok(AtRest::Point(found))
        }
        _ => with(assembly, mains),
    }
}

fn with(assembly: &mut Assembly<'_>, mains: Option<&Mains>) -> Result<AtRest, Box<NoSolution>> {
    Ok(match mains {
        None => AtRest::Point(operating_point::solve(assembly, SourceState::DC, &[])?),
        Some(mains) => AtRest::Cycle(mains.clone(), mains::cycle(assembly, mains)?),
    })
}

/// A valve that draws nothing until it is warm. A rectifier counts as warm: the worst case.
fn warms_up(element: &Element) -> bool {
    element.role() == Some(DeviceRole::Valve)
}

/// The capacitors' largest volts with every valve pulled.
fn cold(circuit: &Circuit, mains: Option<&Mains>) -> Option<Vec<f64>> {
    let mut assembly = Assembly::new(circuit);
    for element in circuit.elements.iter().filter(|e| warms_up(e)) {
        for port in &element.ports {
            if let Piece::Law(law, _) = port.piece {
                assembly.unplugged[law] = true;
            }
        }
    }
    let found = with(&mut assembly, mains).ok()?;
    Some(peaks(&assembly, &found))
}

/// Elements that are capacitors, with their nodes.
fn capacitors(circuit: &Circuit) -> impl Iterator<Item = (usize, Node, Node)> {
    let all = circuit.elements.iter().enumerate();
    all.filter(|(_, e)| e.role() == Some(DeviceRole::Capacitor))
        .map(|(k, e)| (k, e.terminals[0], e.terminals[1]))
}

fn peaks(assembly: &Assembly<'_>, found: &AtRest) -> Vec<f64> {
    let circuit = assembly.circuit;
    let mut most = vec![0.0f64; capacitors(circuit).count()];
    let mut look = |x: &[f64]| {
        let v = |node: Node| assembly.unknowns.voltage(x, node);
        for (most, (_, a, b)) in most.iter_mut().zip(capacitors(circuit)) {
            *most = most.max((v(a) - v(b)).abs());
        }
    };
    match found {
        AtRest::Point(point) => look(&point.x),
        AtRest::Cycle(_, cycle) => cycle.instants.iter().for_each(|i| look(&i.x)),
    }
    most
}

impl Quiescent {
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
        let sources = |e: &&Element| e.role().is_some_and(DeviceRole::is_source);
        let first = circuit.elements.iter().find(sources);
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
}

/// The average of each row over the cycle. `rows` are those of the averages, from which the
/// ones that do not move are kept.
fn averaged(
    assembly: &mut Assembly<'_>,
    cycle: &Cycle,
    mut rows: Vec<ChartRow>,
    probes: &[Observable],
) -> Vec<ChartRow> {
    let circuit = assembly.circuit;
    let mut sums: Vec<(f64, f64, f64)> = Vec::new();
    let rectifiers: Vec<&Element> = circuit.elements.iter().filter(|e| rectifies(e)).collect();
    let mut strain = vec![Strain::default(); rectifiers.len()];
    for instant in &cycle.instants {
        let moment = Moment {
            time: Some(instant.time_s),
            x: &instant.x,
            rates: Some(&instant.x_rate),
        };
        let now = chart::moving_rows(assembly, moment, probes);
        sums.resize(now.len(), (0.0, f64::INFINITY, f64::NEG_INFINITY));
        for (sum, row) in sums.iter_mut().zip(&now) {
            *sum = (
                sum.0 + row.value,
                sum.1.min(row.value),
                sum.2.max(row.value),
            );
        }
        for (strain, element) in strain.iter_mut().zip(&rectifiers) {
            strain.look(assembly, moment, element);
        }
    }
    let per = 1.0 / cycle.instants.len() as f64;
    let mut sums = sums.into_iter();
    let mut ripples = Vec::new();
    for (k, row) in rows.iter_mut().enumerate() {
        if row.quantity == "grid circuit resistance" {
            continue;
        }
        let Some((sum, low, high)) = sums.next() else {
            continue;
        };
        row.value = sum * per;
        if row.quantity == "voltage" && row.subject.starts_with("v(") {
            ripples.push((k, high - low));
        }
    }
    for (k, ripple) in ripples.into_iter().rev() {
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
            rows.insert(k + 1, row);
        }
    }
    let place = rows.len() - probes.len();
    let more: Vec<ChartRow> = rectifiers
        .iter()
        .zip(strain)
        .flat_map(|(element, strain)| strain.rows(element, per))
        .collect();
    rows.splice(place..place, more);
    rows
}

/// A valve or semiconductor diode.
fn rectifies(element: &Element) -> bool {
    element.role().is_some_and(DeviceRole::rectifies)
}

/// What a cycle does to a rectifier.
#[derive(Debug, Clone, Copy, Default)]
struct Strain {
    sum: f64,
    peak: f64,
    inverse: f64,
}

impl Strain {
    fn look(&mut self, assembly: &mut Assembly<'_>, moment: Moment<'_>, element: &Element) {
        let volts = |node: Node| assembly.unknowns.voltage(moment.x, node);
        let Some((&cathode, plates)) = element.terminals.split_last() else {
            return;
        };
        for &plate in plates {
            self.inverse = self.inverse.max(volts(cathode) - volts(plate));
        }
        let currents: Vec<f64> = match element.role() {
            Some(DeviceRole::RectifierValve) => element
                .readings
                .iter()
                .map(|&(_, law, output)| assembly.law_currents(law, moment.x).i[output])
                .collect(),
            _ => vec![Observable::current(element).read(assembly, moment)],
        };
        self.sum += currents.iter().sum::<f64>();
        self.peak = currents.iter().fold(self.peak, |m, i| m.max(*i));
    }

    fn rows(self, element: &Element, per: f64) -> Vec<ChartRow> {
        let is_valve = element.role() == Some(DeviceRole::RectifierValve);
        let limit = |quantity: &str| {
            let table = element.limits.iter();
            table
                .clone()
                .find(|l| l.quantity == quantity)
                .map(|l| l.max)
        };
        let row =
            |quantity: &'static str, value: f64, unit: &'static str, limit: Option<f64>| ChartRow {
                subject: element.name.clone(),
                quantity,
                value,
                unit,
                limit,
            };
        let inverse = limit("inverse voltage").or(element.rated);
        let mut rows = vec![
            row(
                "peak plate current",
                self.peak,
                "A",
                limit("peak plate current"),
            ),
            row("inverse voltage", self.inverse, "V", inverse),
        ];
        if !is_valve {
            rows[0].quantity = "peak current";
            rows.insert(0, row("direct current", self.sum * per, "A", None));
        }
        rows
    }
}
