//! `bias`: the DC operating point as a voltage chart.

mod sought;

use super::common::{self, Session};
use super::failure::Failure;
use super::{Command, Outcome, SAFETY};
use crate::analysis::mains::{Cycle, Mains};
use crate::analysis::operating_point::Method;
use crate::circuit::bind::Timing;
use crate::circuit::{Circuit, Element};
use crate::measure::chart::{self, ChartRow, Verdict};
use crate::measure::quiescent::{self, AtRest, Quiescent};
use crate::num;
use crate::report::table::{Side, Table};
use crate::system::assemble::{Assembly, Driven};
use clap::{Arg, ArgAction, ArgMatches};
use serde_json::json;
use std::collections::HashMap;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "bias",
    about: "DC operating point: the voltage chart, valve currents and dissipations",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
    .arg(
        Arg::new("strict")
            .long("strict")
            .action(ArgAction::SetTrue)
            .help("Exit with 1 if a rating is exceeded"),
    )
    .arg(
        Arg::new("seek")
            .long("seek")
            .value_name("FIGURE=VALUE")
            .requires("by")
            .help(
                "Bring a figure to a value by moving --by, for example \"plate dissipation of XV4 \
                 = 70 %\"; the chart is drawn there",
            ),
    )
    .arg(
        Arg::new("by")
            .long("by")
            .value_name("NAME")
            .requires("seek")
            .help("The resistor, source or knob that --seek moves"),
    )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let sought = sought::sought(&mut session)?;
    let more: Vec<_> = sought.iter().map(|s| s.setting.clone()).collect();
    let circuit = session.circuit_with(&more, Timing::default())?;
    let probes = session.probes(&circuit, &["op", "dc"])?;
    let (quiescent, mut assembly) = quiescent::solve(&circuit)?;
    match &quiescent.found {
        AtRest::Point(point) if point.method != Method::Plain => session.note(&format!(
            "plain Newton did not settle; the operating point was found by {}",
            point.method.name()
        )),
        AtRest::Cycle(mains, _) => session.note(&format!(
            "{} a rectifier; the chart gives averages over a {} Hz cycle, found \
             without simulating how the supply charges; other sources rest at their DC values",
            of_mains(&circuit, mains),
            num::full(mains.freq_hz),
        )),
        AtRest::Point(_) => {}
    }
    if quiescent.capacitors.iter().any(|c| c.2.is_none()) {
        session.note(
            "with the valves cold no solution was found: what capacitors stand then is left out",
        );
    }
    let mut rows = quiescent.rows(&mut assembly, &probes);
    let charted = rows.len();
    rows.extend(sought.iter().map(|s| ChartRow {
        subject: s.name.clone(),
        quantity: "sought value",
        value: s.value,
        unit: s.unit,
        limit: None,
    }));
    let mut outputs = session.guards.outputs();
    if let Some(path) = session.csv() {
        outputs.text(&path, &csv(&rows))?;
    }
    session.finish(
        outputs,
        || record(&circuit, &quiescent, &rows),
        || {
            let rows = &rows[..charted];
            let chart = printed(&circuit, &assembly, &quiescent, rows, probes.len());
            match &sought {
                Some(sought) => format!("{}\n{chart}", sought.text),
                None => chart,
            }
        },
    )?;
    let over: Vec<&ChartRow> = rows
        .iter()
        .filter(|r| r.verdict() == Some(Verdict::Over))
        .collect();
    if !session.quiet {
        for row in &over {
            common::tell(&format!("warning: {}\n", exceeded(row)));
        }
    }
    if session.flag("strict") && !over.is_empty() {
        return Ok(Outcome::FellShort);
    }
    Ok(Outcome::Done)
}

/// The sources that are the mains, as the note names them.
fn of_mains(circuit: &Circuit, mains: &Mains) -> String {
    let is_mains = |e: &&Element| {
        let branch = circuit.branch_of(e);
        branch.is_some_and(|b| mains.sources.contains(&Driven::Voltage(b.0)))
    };
    let names: Vec<String> = circuit
        .elements
        .iter()
        .filter(|e| e.letter == 'V')
        .filter(is_mains)
        .map(|e| format!("`{}`", e.name))
        .collect();
    match names.as_slice() {
        [one] => format!("{one} is the mains and feeds"),
        many => format!("{} are the mains and feed", many.join(" and ")),
    }
}

fn exceeded(row: &ChartRow) -> String {
    format!(
        "{} of `{}` is {}, its rating {}",
        row.quantity,
        row.subject,
        num::engineering(row.value, unit(row.unit), 3),
        num::engineering(row.limit.unwrap_or(f64::NAN), unit(row.unit), 3)
    )
}

/// A figure as the chart shows it. What no meter could tell from nothing reads 0; the result
/// files keep every digit.
fn shown(value: f64, unit: &str, digits: usize) -> String {
    let least = match unit {
        "V" => 1e-6,
        "A" => 1e-12,
        "W" => 1e-9,
        _ => 0.0,
    };
    if value.abs() < least {
        return format!("0 {unit}");
    }
    num::engineering(value, unit, digits)
}

/// The unit as people write it.
fn unit(unit: &str) -> &str {
    if unit == "ohm" { "Ω" } else { unit }
}

fn csv(rows: &[ChartRow]) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let write = |writer: &mut csv::Writer<Vec<u8>>, record: &[&str]| {
        writer.write_record(record).expect("writing to memory");
    };
    write(
        &mut writer,
        &["subject", "quantity", "value", "unit", "limit", "verdict"],
    );
    for row in rows {
        let limit = row.limit.map(num::full).unwrap_or_default();
        write(
            &mut writer,
            &[
                &row.subject,
                row.quantity,
                &num::full(row.value),
                row.unit,
                &limit,
                row.verdict().map_or("", Verdict::word),
            ],
        );
    }
    String::from_utf8(writer.into_inner().expect("memory")).expect("text in, text out")
}

fn record(circuit: &Circuit, quiescent: &Quiescent, rows: &[ChartRow]) -> serde_json::Value {
    let solution = match &quiescent.found {
        AtRest::Point(point) => json!({
            "method": point.method.name(),
            "iterations": point.iterations,
            "largest_residual_a": point.residual_a,
            "largest_residual_node": circuit.nodes[point.residual_node.0].name,
        }),
        AtRest::Cycle(mains, cycle) => json!({
            "method": "mains cycle",
            "mains_hz": mains.freq_hz,
            "cycles": cycle.cycles,
        }),
    };
    json!({
        "title": circuit.title,
        "celsius": circuit.celsius,
        "solution": solution,
        "rows": rows.iter().map(|r| json!({
            "subject": r.subject,
            "quantity": r.quantity,
            "value": r.value,
            "unit": r.unit,
            "limit": r.limit,
            "verdict": r.verdict().map(Verdict::word),
        })).collect::<Vec<_>>(),
    })
}

/// The chart for the terminal.
fn printed(
    circuit: &Circuit,
    assembly: &Assembly<'_>,
    quiescent: &Quiescent,
    rows: &[ChartRow],
    probed: usize,
) -> String {
    let mut text = format!("{}\n", circuit.title.trim());
    let celsius = num::full(circuit.celsius);
    text += &match &quiescent.found {
        AtRest::Point(point) => format!(
            "operating point at {celsius} C: {} after {} iterations; Kirchhoff's law holds within {}\n",
            point.method.name(),
            point.iterations,
            num::engineering(point.residual_a, "A", 2),
        ),
        AtRest::Cycle(mains, Cycle { cycles, .. }) => format!(
            "averages over a mains cycle of {} Hz at {celsius} C; it repeats itself, found in {cycles} cycles\n",
            num::full(mains.freq_hz),
        ),
    };
    let controls = positions(circuit);
    if !controls.is_empty() {
        text += &format!("controls: {controls}\n");
    }
    // Probes stand last and may repeat a subject: the first row of each counts.
    let mut found: HashMap<(&str, &str), &ChartRow> = HashMap::new();
    for row in rows {
        found
            .entry((row.subject.as_str(), row.quantity))
            .or_insert(row);
    }
    let value = |subject: &str, quantity: &str| found.get(&(subject, quantity)).copied();
    let mut section = |title: &str, table: Table| {
        if !table.is_empty() {
            text += &format!("\n{title}\n{}", table.text());
        }
    };

    let mut columns = vec![("node", Side::Left), ("to ground", Side::Right)];
    let ripples = matches!(quiescent.found, AtRest::Cycle(..));
    if ripples {
        columns.push(("ripple", Side::Right));
    }
    let mut nodes = Table::new(&columns);
    let of_nodes = &rows[..rows.len() - probed];
    for row in of_nodes.iter().filter(|r| r.quantity == "voltage") {
        let mut cells = vec![row.subject.clone(), shown(row.value, "V", 4)];
        if ripples {
            let ripple = value(&row.subject, "ripple").map_or(0.0, |r| r.value);
            // Less than this no meter shows beside the voltage.
            cells.push(shown(if ripple < 1e-4 { 0.0 } else { ripple }, "V", 3));
        }
        nodes.row(cells);
    }
    section("Voltages", nodes);

    let valves: Vec<&Element> = circuit
        .elements
        .iter()
        .filter(|e| chart::is_valve(e))
        .collect();
    let mut grounds = Table::new(&[
        ("valve", Side::Left),
        ("type", Side::Left),
        ("plate", Side::Right),
        ("screen", Side::Right),
        ("grid", Side::Right),
        ("cathode", Side::Right),
        ("vpk", Side::Right),
        ("vg2k", Side::Right),
        ("vgk", Side::Right),
    ]);
    let mut currents = Table::new(&[
        ("valve", Side::Left),
        ("plate", Side::Right),
        ("screen", Side::Right),
        ("grid", Side::Right),
        ("plate watts", Side::Right),
        ("rated", Side::Right),
        ("used", Side::Right),
        ("screen watts", Side::Right),
        ("rated", Side::Right),
        ("verdict", Side::Left),
    ]);
    let mut rectifiers = Table::new(&[
        ("rectifier", Side::Left),
        ("type", Side::Left),
        ("plate 1", Side::Right),
        ("plate 2", Side::Right),
        ("cathode", Side::Right),
        ("current", Side::Right),
        ("peak", Side::Right),
        ("inverse", Side::Right),
        ("verdict", Side::Left),
    ]);
    for valve in valves {
        let volts = chart::electrodes(assembly, &quiescent.x, valve);
        let at = |name: &str| {
            volts
                .iter()
                .find(|v| v.0 == name)
                .map_or(String::new(), |v| shown(v.1, "V", 4))
        };
        let of = |quantity: &str, digits: usize| {
            value(&valve.name, quantity)
                .map_or(String::new(), |r| shown(r.value, unit(r.unit), digits))
        };
        let rated = |quantity: &str| {
            value(&valve.name, quantity)
                .and_then(|r| r.limit)
                .map_or(String::new(), |l| shown(l, "W", 3))
        };
        let model = valve.model.clone().unwrap_or_default();
        let over: Vec<&str> = rows
            .iter()
            .filter(|r| r.subject == valve.name && r.verdict() == Some(Verdict::Over))
            .map(|r| r.quantity)
            .collect();
        let judged = rows
            .iter()
            .any(|r| r.subject == valve.name && r.limit.is_some());
        let verdict = match (judged, over.is_empty()) {
            (false, _) => "no ratings known".to_string(),
            (true, true) => "ok".to_string(),
            (true, false) => format!("OVER: {}", over.join(", ")),
        };
        if value(&valve.name, "plate current").is_none() {
            rectifiers.row([
                valve.name.clone(),
                model,
                at("plate1"),
                at("plate2"),
                at("cathode"),
                of("direct current", 3),
                of("peak plate current", 3),
                of("inverse voltage", 3),
                verdict,
            ]);
            continue;
        }
        grounds.row([
            valve.name.clone(),
            model,
            at("plate"),
            at("screen"),
            at("grid"),
            at("cathode"),
            of("vpk", 4),
            of("vg2k", 4),
            of("vgk", 4),
        ]);
        let used = value(&valve.name, "plate dissipation")
            .and_then(|r| r.limit.map(|l| format!("{:.0} %", 100.0 * r.value / l)))
            .unwrap_or_default();
        currents.row([
            valve.name.clone(),
            of("plate current", 3),
            of("screen current", 3),
            of("grid current", 3),
            of("plate dissipation", 3),
            rated("plate dissipation"),
            used,
            of("screen dissipation", 3),
            rated("screen dissipation"),
            verdict,
        ]);
    }
    section("Valves: volts to ground, and to the cathode", grounds);
    section("Valves: currents and dissipation", currents);
    section("Rectifiers", rectifiers);

    let mut diodes = Table::new(&[
        ("diode", Side::Left),
        ("type", Side::Left),
        ("current", Side::Right),
        ("peak", Side::Right),
        ("inverse", Side::Right),
        ("rated", Side::Right),
        ("verdict", Side::Left),
    ]);
    for element in circuit.elements.iter().filter(|e| e.letter == 'D') {
        let of = |quantity: &str| {
            value(&element.name, quantity).map_or(String::new(), |r| shown(r.value, r.unit, 3))
        };
        let Some(inverse) = value(&element.name, "inverse voltage") else {
            continue;
        };
        diodes.row([
            element.name.clone(),
            element.model.clone().unwrap_or_default(),
            of("direct current"),
            of("peak current"),
            of("inverse voltage"),
            rating(element, "V"),
            verdict(inverse),
        ]);
    }
    section("Diodes", diodes);

    let mut resistors = Table::new(&[
        ("resistor", Side::Left),
        ("value", Side::Right),
        ("dissipation", Side::Right),
        ("needs", Side::Right),
        ("rated", Side::Right),
        ("verdict", Side::Left),
    ]);
    for element in circuit.elements.iter().filter(|e| chart::is_resistor(e)) {
        if let Some(row) = value(&element.name, "dissipation") {
            let ohms = element.value.map_or(String::new(), |v| shown(v, "Ω", 3));
            let needed = value(&element.name, "wattage needed");
            resistors.row([
                element.name.clone(),
                ohms,
                shown(row.value, "W", 3),
                needed.map_or(String::new(), |r| shown(r.value, "W", 3)),
                rating(element, "W"),
                verdict(needed.unwrap_or(row)),
            ]);
        }
    }
    section(
        "Resistors (needs: twice the dissipation, common practice)",
        resistors,
    );

    let mut capacitors = Table::new(&[
        ("capacitor", Side::Left),
        ("value", Side::Right),
        ("cold", Side::Right),
        ("hot", Side::Right),
        ("rated", Side::Right),
        ("verdict", Side::Left),
    ]);
    for element in circuit.elements.iter().filter(|e| e.letter == 'C') {
        let Some(hot) = value(&element.name, "voltage hot") else {
            continue;
        };
        let cold = value(&element.name, "voltage cold");
        let farads = element.value.map_or(String::new(), |v| shown(v, "F", 3));
        let worst = [Some(hot), cold].into_iter().flatten();
        let worst = worst.fold(hot, |a, b| if b.value > a.value { b } else { a });
        capacitors.row([
            element.name.clone(),
            farads,
            cold.map_or(String::new(), |r| shown(r.value, "V", 4)),
            shown(hot.value, "V", 4),
            rating(element, "V"),
            verdict(worst),
        ]);
    }
    section("Capacitors (cold: before the valves draw)", capacitors);

    let mut sources = Table::new(&[("source", Side::Left), ("current", Side::Right)]);
    for element in circuit
        .elements
        .iter()
        .filter(|e| matches!(e.letter, 'V' | 'I'))
    {
        if let Some(row) = value(&element.name, "current") {
            sources.row([element.name.clone(), shown(row.value, "A", 3)]);
        }
    }
    section(
        "Sources (a source that delivers has a negative current)",
        sources,
    );

    let mut probes = Table::new(&[("probe", Side::Left), ("value", Side::Right)]);
    for row in &rows[rows.len() - probed..] {
        probes.row([row.subject.clone(), shown(row.value, row.unit, 4)]);
    }
    section("Probes", probes);
    text += &format!("\n{SAFETY}\n");
    text
}

/// What a comment in the netlist says an element stands.
fn rating(element: &Element, unit: &str) -> String {
    element.rated.map_or(String::new(), |r| shown(r, unit, 3))
}

fn verdict(row: &ChartRow) -> String {
    match row.verdict() {
        None => String::new(),
        Some(Verdict::Ok) => "ok".to_string(),
        Some(Verdict::Over) => "OVER".to_string(),
    }
}

fn positions(circuit: &Circuit) -> String {
    circuit
        .elements
        .iter()
        .filter_map(|e| e.position.map(|p| format!("{}={}", e.name, num::full(p))))
        .collect::<Vec<_>>()
        .join(" ")
}
