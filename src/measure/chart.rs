//! The voltage chart of an operating point: what a builder would measure with a meter,
//! and what the data sheets allow.

use super::grid_circuit::GridCircuits;
use super::impedance::{self, Resistances};
use super::windings::{self, into_terminal};
use crate::circuit::{BranchKind, Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::system::assemble::Assembly;
use crate::system::probe::{self, Moment, Observable};
use std::collections::BTreeMap;

/// One figure.
#[derive(Debug, Clone, PartialEq)]
pub struct ChartRow {
    /// `v(plate1)`, `XV1A`, or a probe's expression.
    pub subject: String,
    /// `voltage`, `plate dissipation` ...
    pub quantity: &'static str,
    /// In its base unit.
    pub value: f64,
    /// V, A, W or ohm.
    pub unit: &'static str,
    /// The most that is allowed, if the model says.
    pub limit: Option<f64>,
}

impl ChartRow {
    /// Whether it stays within its limit; none where there is no limit.
    pub fn verdict(&self) -> Option<Verdict> {
        self.limit.map(|limit| {
            if self.value.abs() <= limit * ROUNDING {
                Verdict::Ok
            } else {
                Verdict::Over
            }
        })
    }
}

/// The judgement on a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Within its limit.
    Ok,
    /// Past it.
    Over,
}

impl Verdict {
    /// As result files have it.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Ok => "ok",
            Verdict::Over => "over",
        }
    }
}

/// A figure is within its limit up to this part of it: a grid leak of just what is allowed comes
/// out in the last digits of its solution.
pub const ROUNDING: f64 = 1.0 + 1e-9;

/// Watts a resistor should be rated for over those that it turns into heat (common practice,
/// no published source): a film resistor's rating holds up to 70 C, and inside a chassis it is
/// warmer.
pub const DERATING: f64 = 2.0;

/// A mean of this part of the AC at a node is shown beside it.
pub const BESIDE_AC: f64 = 0.1;

/// The rows of one operating point: nodes, valves, resistors, sources, and last the probes.
pub fn rows(assembly: &mut Assembly<'_>, x: &[f64], probes: &[Observable]) -> Vec<ChartRow> {
    let moment = Moment {
        time: None,
        x,
        rates: None,
    };
    let mut rows = moving_rows(assembly, moment, probes);
    let root = |row: &mut ChartRow| row.value = row.value.abs();
    rows.iter_mut().filter(|r| is_rms(r)).for_each(root);
    let Some(lu) = impedance::factored(assembly, x) else {
        return rows;
    };
    let laws = assembly.currents(x);
    let circuit = assembly.circuit;
    let mut seen = Resistances::new(assembly, laws, &lu);
    let grids = GridCircuits::new(circuit);
    let mut found: BTreeMap<&str, ChartRow> = BTreeMap::new();
    for element in circuit.elements.iter().filter(|e| is_valve(e)) {
        if let Some(grid) = grids.of(assembly, x, &mut seen, element) {
            let row = ChartRow {
                subject: element.name.clone(),
                quantity: "grid circuit resistance",
                value: grid.ohms,
                unit: "ohm",
                limit: grid.limit,
            };
            found.insert(&element.name, row);
        }
    }
    // Each follows the last row of its valve.
    let mut last: BTreeMap<&str, usize> = BTreeMap::new();
    for (k, row) in rows.iter().enumerate() {
        if let Some((name, _)) = found.get_key_value(row.subject.as_str()) {
            last.insert(name, k);
        }
    }
    let mut after: Vec<(usize, ChartRow)> = found
        .into_iter()
        .map(|(name, row)| (last.get(name).map_or(rows.len(), |&k| k + 1), row))
        .collect();
    after.sort_by_key(|(k, _)| *k);
    let mut after = after.into_iter().peekable();
    let mut whole = Vec::with_capacity(rows.len() + after.len());
    for (k, row) in rows.into_iter().enumerate() {
        whole.extend(after.next_if(|(at, _)| *at == k).map(|(_, row)| row));
        whole.push(row);
    }
    whole.extend(after.map(|(_, row)| row));
    whole
}

/// A figure whose subject is not written out: a cycle's moments have the same rows.
struct Row<'a> {
    subject: Subject<'a>,
    quantity: &'static str,
    value: f64,
    unit: &'static str,
    limit: Option<f64>,
}

/// What a row is about.
enum Subject<'a> {
    Node(&'a str),
    Named(&'a str),
}

impl From<Row<'_>> for ChartRow {
    fn from(row: Row<'_>) -> Self {
        ChartRow {
            subject: match row.subject {
                Subject::Node(name) => format!("v({name})"),
                Subject::Named(name) => name.to_string(),
            },
            quantity: row.quantity,
            value: row.value,
            unit: row.unit,
            limit: row.limit,
        }
    }
}

/// Takes rows as they are worked out.
type Taker<'t> = &'t mut dyn FnMut(Row<'_>);

/// Those of the rows that change from moment to moment: all but the grid circuits' resistance.
/// Their order and number depend on the circuit alone.
pub(super) fn moving_rows(
    assembly: &mut Assembly<'_>,
    moment: Moment<'_>,
    probes: &[Observable],
) -> Vec<ChartRow> {
    let mut rows = Vec::new();
    moving(assembly, moment, probes, &mut |row| rows.push(row.into()));
    rows
}

/// The values of those rows alone, which take the place of what `values` holds.
pub fn moving_values(
    assembly: &mut Assembly<'_>,
    moment: Moment<'_>,
    probes: &[Observable],
    values: &mut Vec<f64>,
) {
    values.clear();
    moving(assembly, moment, probes, &mut |row| values.push(row.value));
}

fn moving(assembly: &mut Assembly<'_>, moment: Moment<'_>, probes: &[Observable], take: Taker<'_>) {
    let (circuit, x) = (assembly.circuit, moment.x);
    for (k, node) in circuit
        .nodes
        .iter()
        .enumerate()
        .skip(1)
        .filter(|(_, n)| !n.inner)
    {
        take(Row {
            subject: Subject::Node(&node.name),
            quantity: "voltage",
            value: assembly.unknowns.voltage(x, Node(k)),
            unit: "V",
            limit: None,
        });
    }
    for element in circuit.elements.iter().filter(|e| is_valve(e)) {
        valve(assembly, moment, element, take);
    }
    for element in circuit.elements.iter().filter(|e| is_transistor(e)) {
        transistor(assembly, moment, element, take);
    }
    for element in &circuit.elements {
        windings(assembly, moment, element, take);
    }
    for element in circuit.elements.iter().filter(|e| is_resistor(e)) {
        let watts = Observable::power(element).read(assembly, moment);
        let wanted = (element.letter == 'R').then_some(("wattage needed", DERATING * watts.abs()));
        for (quantity, value) in [("dissipation", watts)].into_iter().chain(wanted) {
            take(Row {
                subject: Subject::Named(&element.name),
                quantity,
                value,
                unit: "W",
                limit: element.rated,
            });
        }
    }
    for element in circuit.elements.iter().filter(|e| is_source(e)) {
        take(Row {
            subject: Subject::Named(&element.name),
            quantity: "current",
            value: Observable::current(element).read(assembly, moment),
            unit: "A",
            limit: None,
        });
        if is_mains(circuit, element) {
            take(Row {
                subject: Subject::Named(&element.name),
                quantity: "rms current",
                value: Observable::current(element).read(assembly, moment),
                unit: "A",
                limit: None,
            });
        }
    }
    for probe in probes {
        take(Row {
            subject: Subject::Named(&probe.label),
            quantity: probe.kind.word(),
            value: probe.read(assembly, moment),
            unit: probe.kind.unit(),
            limit: None,
        });
    }
}

/// Whether a row is a root mean square: over a cycle it is not the mean that counts.
pub fn is_rms(row: &ChartRow) -> bool {
    row.quantity.ends_with("rms current")
}

/// Whether an element is a bipolar or field-effect transistor.
pub fn is_transistor(element: &Element) -> bool {
    matches!(element.letter, 'Q' | 'J' | 'M')
}

/// The watts that a transistor stands: what its line says, which knows its heat sink, or its model.
pub fn transistor_watts(element: &Element) -> Option<f64> {
    element.rated.or_else(|| element.rating("dissipation"))
}

/// Whether an element is a source, a controlled one among them.
pub fn is_source(element: &Element) -> bool {
    let role = element.role();
    role.is_some_and(|r| r.is_source() || r == DeviceRole::ControlledSource)
}

/// Whether an element is a source that may be the mains.
fn is_mains(circuit: &Circuit, element: &Element) -> bool {
    let branch = circuit
        .branch_of(element)
        .map(|b| &circuit.branches[b.0].kind);
    matches!(branch, Some(BranchKind::Source(drive)) if drive.mains_hz().is_some())
}

/// Takes a part's rows: quantity, value, unit and limit.
fn part<'t>(
    element: &'t Element,
    take: Taker<'t>,
) -> impl FnMut(&'static str, f64, &'static str, Option<f64>) + 't {
    |quantity, value, unit, limit| {
        take(Row {
            subject: Subject::Named(&element.name),
            quantity,
            value,
            unit,
            limit,
        });
    }
}

/// A transistor's currents, volts and heat. Those of a p-channel or pnp part are negative.
fn transistor(assembly: &mut Assembly<'_>, moment: Moment<'_>, element: &Element, take: Taker<'_>) {
    let [first, control, last, ..] = element.terminals[..] else {
        return;
    };
    let volts = |node: Node| assembly.unknowns.voltage(moment.x, node);
    let (across, over) = (volts(first) - volts(last), volts(control) - volts(last));
    let names: [&'static str; 4] = match element.letter {
        'Q' => ["collector current", "base current", "vce", "vbe"],
        _ => ["drain current", "gate current", "vds", "vgs"],
    };
    let mut push = part(element, take);
    for (terminal, name) in names[..2].iter().enumerate() {
        let current: f64 = into_terminal(element, terminal)
            .iter()
            .map(|(port, sign)| sign * probe::current(assembly, moment, port))
            .sum();
        push(name, current, "A", element.rating(name));
    }
    push(names[2], across, "V", element.rating(names[2]));
    push(names[3], over, "V", element.rating(names[3]));
    if element.letter == 'J' {
        push("vgd", over - across, "V", element.rating("vgd"));
    }
    let watts = Observable::power(element).read(assembly, moment);
    push("dissipation", watts, "W", transistor_watts(element));
}

/// The direct currents of an inductor's, choke's or output transformer's windings, and the currents
/// of a mains transformer's, of which the root mean square counts.
fn windings(assembly: &mut Assembly<'_>, moment: Moment<'_>, element: &Element, take: Taker<'_>) {
    let role = element.role();
    let mut row = part(element, take);
    let mut push = |quantity: &'static str, value: f64| {
        row(quantity, value, "A", element.rating(quantity));
    };
    if matches!(role, Some(DeviceRole::Inductor | DeviceRole::Choke)) {
        push(
            "direct current",
            Observable::current(element).read(assembly, moment),
        );
        return;
    }
    for port in windings::windings(element) {
        let Some(name) = windings::winding_name(element, port) else {
            continue;
        };
        let value = name.sign * probe::current(assembly, moment, port);
        match name.direct {
            Some(direct) => push(direct, value),
            None if role == Some(DeviceRole::MainsTransformer) => push(name.rms, value),
            None => {}
        }
    }
}

/// Whether an element is a valve.
pub fn is_valve(element: &Element) -> bool {
    element.is_valve()
}

/// Whether an element is a resistor or a pot.
pub fn is_resistor(element: &Element) -> bool {
    element.role().is_some_and(DeviceRole::is_resistance)
}

fn valve(assembly: &mut Assembly<'_>, moment: Moment<'_>, element: &Element, take: Taker<'_>) {
    let volts = |node: Node| assembly.unknowns.voltage(moment.x, node);
    let Some(cathode) = element.terminal("cathode") else {
        return;
    };
    let vk = volts(cathode);
    let across = |name: &str| element.terminal(name).map(|n| volts(n) - vk);
    let mut push = part(element, take);
    let (vpk, vgk, vsk) = (across("plate"), across("grid"), across("screen"));
    let mut currents: Vec<(&'static str, f64)> = Vec::new();
    let mut laws: Vec<usize> = Vec::new();
    for &(reading, law, output) in &element.readings {
        currents.push((reading.name, assembly.law_currents(law, moment.x).i[output]));
        if !laws.contains(&law) {
            laws.push(law);
        }
    }
    let current = |name: &str| currents.iter().find(|c| c.0 == name).map(|c| c.1);
    for &(name, value) in &currents {
        push(name, value, "A", None);
    }
    if let (Some(v), Some(i)) = (vpk, current("plate current")) {
        push(
            "plate dissipation",
            v * i,
            "W",
            element.rating("plate dissipation"),
        );
    }
    if let (Some(v), Some(i)) = (vsk, current("screen current")) {
        push(
            "screen dissipation",
            v * i,
            "W",
            element.rating("screen dissipation"),
        );
    }
    if let Some(v) = vgk {
        push("vgk", v, "V", None);
    }
    if let Some(v) = vpk {
        push("vpk", v, "V", element.rating("plate voltage"));
    }
    if let Some(v) = vsk {
        push("vg2k", v, "V", element.rating("screen voltage"));
    }
    let total: f64 = currents.iter().map(|c| c.1).sum();
    if vpk.is_some() {
        push(
            "cathode current",
            total,
            "A",
            element.rating("cathode current"),
        );
    } else {
        // A rectifier: all of its plates feed one cathode.
        push(
            "direct current",
            total,
            "A",
            element.rating("direct current"),
        );
    }
    // The heater winding is taken to be at ground where no comment says what lifts it.
    push(
        "heater-cathode voltage",
        vk - volts(element.heater),
        "V",
        element.rating("heater-cathode voltage"),
    );
}

/// The valve's electrode volts to ground, for the printed chart: plate, screen, grid, cathode.
pub fn electrodes(
    assembly: &Assembly<'_>,
    x: &[f64],
    element: &Element,
) -> Vec<(&'static str, f64)> {
    let names = element.kind.map_or(&[][..], |k| k.terminals);
    names
        .iter()
        .zip(&element.terminals)
        .map(|(name, &node)| (*name, assembly.unknowns.voltage(x, node)))
        .collect()
}
