//! `bias`: the DC operating point as a voltage chart.

mod sought;

use super::common::{self, Session, number_option};
use super::driven;
use super::failure::Failure;
use super::{Command, Outcome, SAFETY, interrupt};
use crate::analysis::mains::{self, Mains};
use crate::analysis::operating_point::{self, Method};
use crate::circuit::bind::Timing;
use crate::circuit::{Circuit, Element};
use crate::measure::chart::{self, ChartRow, Verdict};
use crate::measure::findings::{self, Finding};
use crate::measure::quiescent::{self, AtRest, Quiescent};
use crate::measure::stress::{self, Survey};
use crate::num;
use crate::report::table::{Side, Table};
use crate::system::assemble::{Assembly, Driven};
use clap::{Arg, ArgAction, ArgMatches};
use serde_json::json;
use std::collections::{BTreeSet, HashMap};

/// The command's row.
pub const COMMAND: Command = Command {
    name: "bias",
    about: "DC operating point: the voltage chart, valve currents and dissipations",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    driven::options(command)
    .arg(number_option(
        "drive",
        "V",
        "Judge every part with a sine of this peak at the source too, over rest, warming up, \
         standby and mains 10 % low and high; `full` seeks full clipping",
    ))
    .arg(
        Arg::new("strict")
            .long("strict")
            .action(ArgAction::SetTrue)
            .help("Exit with 1 if a rating is exceeded"),
    )
    .arg(
        Arg::new("all")
            .long("all")
            .action(ArgAction::SetTrue)
            .help("Show every resistor, capacitor, diode and source too"),
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
    let mut circuit = session.circuit_with(&more, Timing::default())?;
    let stressed = stressed(&session, &mut circuit)?;
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
    let mains = match &quiescent.found {
        AtRest::Cycle(mains, _) => Some(mains),
        AtRest::Point(_) => None,
    };
    let still = mains::left_at_rest(&circuit, mains);
    if !still.is_empty() {
        let names: Vec<String> = still.iter().map(|n| format!("`{n}`")).collect();
        session.note(&format!(
            "{} at rest, at the DC value, whatever the wave on the line",
            match &names[..] {
                [one] => format!("{one} is"),
                _ => format!("{} are", names.join(", ")),
            }
        ));
    }
    let hanging = operating_point::in_the_air(&assembly);
    if quiescent.capacitors.iter().any(|c| c.2.is_none()) {
        session.note(
            "with the valves cold no solution was found: what capacitors stand then is left out",
        );
    }
    let mut rows = quiescent.rows(&mut assembly, &probes);
    let mains_hz = match &quiescent.found {
        AtRest::Cycle(mains, _) => Some(mains.freq_hz),
        AtRest::Point(_) => None,
    };
    let mut findings = findings::at_rest(&mut assembly, &quiescent.x, mains_hz);
    let charted = rows.len();
    if let Some(stressed) = &stressed {
        rows.extend(stressed.rows());
        if stressed.survey.states.iter().any(|s| s.sine.is_some()) {
            for finding in &mut findings {
                finding.grave |= finding.quantity == findings::NO_LOAD;
            }
        }
    }
    let findings = Findings::new(findings, &rows);
    rows.extend(sought.iter().map(|s| ChartRow {
        subject: s.name.clone(),
        quantity: "sought value",
        value: s.value,
        unit: s.unit,
        limit: None,
    }));
    let mut outputs = session.guards.outputs();
    if let Some(path) = session.csv() {
        outputs.text(&path, &csv(&rows, &findings))?;
    }
    session.finish(
        outputs,
        || record(&circuit, &quiescent, &rows, &findings, stressed.as_ref()),
        || {
            let (rows, stresses) = rows.split_at(charted);
            let shown = (&findings, stressed.as_ref(), session.flag("all"));
            let chart = printed(
                &circuit,
                &assembly,
                &quiescent,
                (rows, stresses),
                probes.len(),
                shown,
            );
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
        for pin in &hanging {
            common::tell(&format!("warning: {pin}\n"));
        }
        for row in &over {
            common::tell(&format!("warning: {}\n", exceeded(row)));
        }
    }
    if !session.quiet {
        for finding in &findings.all {
            let word = if finding.grave { "warning" } else { "note" };
            common::tell(&format!(
                "{word}: `{}`: {}\n",
                finding.subject, finding.text
            ));
        }
    }
    let grave = findings.all.iter().any(|f| f.grave);
    if session.flag("strict") && (grave || !over.is_empty() || !hanging.is_empty()) {
        return Ok(Outcome::FellShort);
    }
    Ok(Outcome::Done)
}

/// What the parts stand over all states, where `--drive` asks for it.
fn stressed(session: &Session<'_>, circuit: &mut Circuit) -> Result<Option<Stressed>, Failure> {
    let drive = driven::asked(session, circuit)?;
    let range = session.mains_range()?;
    let is_range = session.text("mains").is_some() && range.is_some();
    if is_range && !stress::has_mains(circuit) {
        return Err(Failure::usage("there is no mains source to change"));
    }
    if drive.is_none() && !is_range {
        return Ok(None);
    }
    if drive.is_some() {
        session.fits(circuit)?;
    }
    interrupt::watch();
    let states = stress::ordinary(circuit, drive.as_ref().map(|d| d.sine), range);
    let survey = driven::survey(circuit, states)?;
    driven::report(session, &survey)?;
    Ok(Some(Stressed {
        survey,
        words: drive.map_or("nothing plays".into(), |d| format!("driven by {}", d.words)),
    }))
}

/// A survey of all states.
struct Stressed {
    survey: Survey,
    /// What was played.
    words: String,
}

impl Stressed {
    /// The worst of each figure.
    fn rows(&self) -> Vec<ChartRow> {
        let figures = self.survey.figures.iter();
        figures
            .filter_map(|f| {
                Some(ChartRow {
                    subject: f.subject.clone(),
                    quantity: f.quantity,
                    value: f.worst()?.0,
                    unit: f.unit,
                    limit: f.limit,
                })
            })
            .collect()
    }

    /// A table of what was judged, and of valves and iron besides: at rest, the worst, and where.
    fn table(&self) -> Table {
        let mut table = Table::new(&[
            ("part", Side::Left),
            ("what", Side::Left),
            ("at rest", Side::Right),
            ("worst", Side::Right),
            ("when", Side::Left),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        for figure in self.survey.figures.iter().filter(|f| f.limit.is_some()) {
            let Some((worst, state)) = figure.worst() else {
                continue;
            };
            let show = |value: f64| shown(value, figure.unit, 3);
            let verdict = match figure.verdict() {
                Some(Verdict::Over) => "OVER",
                _ => "ok",
            };
            table.row([
                figure.subject.clone(),
                figure.quantity.to_string(),
                figure.values[0].map_or(String::new(), show),
                show(worst),
                self.survey.states[state].name.clone(),
                figure.limit.map_or(String::new(), show),
                verdict.to_string(),
            ]);
        }
        table
    }
}

/// What is wrong in words, and which rows say it.
struct Findings {
    all: Vec<Finding>,
    /// The row of each.
    rows: Vec<usize>,
}

impl Findings {
    /// Each finding belongs to the row that it is about, or to the part's first.
    fn new(all: Vec<Finding>, rows: &[ChartRow]) -> Self {
        let row = |f: &Finding| {
            let of_it = |r: &ChartRow| r.subject == f.subject;
            let named = rows
                .iter()
                .position(|r| of_it(r) && r.quantity == f.quantity);
            named
                .or_else(|| rows.iter().position(of_it))
                .unwrap_or(usize::MAX)
        };
        Findings {
            rows: all.iter().map(row).collect(),
            all,
        }
    }

    /// The verdict of a row: in words, or `ok` or `over`.
    fn verdict<'f>(&'f self, at: usize, row: &ChartRow) -> Option<&'f str> {
        let found = self.rows.iter().position(|&k| k == at);
        match found {
            Some(k) => Some(&self.all[k].text),
            None => row.verdict().map(Verdict::word),
        }
    }

    /// What is said of a part.
    fn of(&self, subject: &str) -> Option<String> {
        let texts: Vec<&str> = self
            .all
            .iter()
            .filter(|f| f.subject == subject)
            .map(|f| f.text.as_str())
            .collect();
        (!texts.is_empty()).then(|| texts.join("; "))
    }
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

fn csv(rows: &[ChartRow], findings: &Findings) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let write = |writer: &mut csv::Writer<Vec<u8>>, record: &[&str]| {
        writer.write_record(record).expect("writing to memory");
    };
    write(
        &mut writer,
        &["subject", "quantity", "value", "unit", "limit", "verdict"],
    );
    for (at, row) in rows.iter().enumerate() {
        let limit = row.limit.map(num::full).unwrap_or_default();
        write(
            &mut writer,
            &[
                &row.subject,
                row.quantity,
                &num::full(row.value),
                row.unit,
                &limit,
                findings.verdict(at, row).unwrap_or(""),
            ],
        );
    }
    String::from_utf8(writer.into_inner().expect("memory")).expect("text in, text out")
}

fn record(
    circuit: &Circuit,
    quiescent: &Quiescent,
    rows: &[ChartRow],
    findings: &Findings,
    stressed: Option<&Stressed>,
) -> serde_json::Value {
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
        "findings": findings.all.iter().map(|f| json!({
            "subject": f.subject,
            "quantity": f.quantity,
            "text": f.text,
            "grave": f.grave,
        })).collect::<Vec<_>>(),
        "states": stressed.map(|s| s.survey.states.iter().map(|s| &s.name).collect::<Vec<_>>()),
        "stresses": stressed.map(|s| s.survey.figures.iter().map(|f| json!({
            "subject": f.subject,
            "quantity": f.quantity,
            "unit": f.unit,
            "limit": f.limit,
            "values": f.values,
        })).collect::<Vec<_>>()),
        "rows": rows.iter().enumerate().map(|(at, r)| json!({
            "subject": r.subject,
            "quantity": r.quantity,
            "value": r.value,
            "unit": r.unit,
            "limit": r.limit,
            "ac": r.quantity == "ac voltage" || chart::is_rms(r),
            "verdict": findings.verdict(at, r),
        })).collect::<Vec<_>>(),
    })
}

/// The chart for the terminal.
fn printed(
    circuit: &Circuit,
    assembly: &Assembly<'_>,
    quiescent: &Quiescent,
    (rows, stresses): (&[ChartRow], &[ChartRow]),
    probed: usize,
    (findings, stressed, all): (&Findings, Option<&Stressed>, bool),
) -> String {
    let mut text = format!("{}\n", circuit.title.trim());
    let celsius = num::full(circuit.celsius);
    text += &match &quiescent.found {
        AtRest::Point(_) => format!("Operating point at {celsius} C\n"),
        AtRest::Cycle(mains, _) => format!(
            "Operating point at {celsius} C: averages over a cycle of the {} Hz mains\n",
            num::full(mains.freq_hz),
        ),
    };
    let controls = positions(circuit);
    if !controls.is_empty() {
        text += &format!("controls: {controls}\n");
    }
    text += &verdicts(circuit, &rows[..rows.len() - probed], stresses, findings);
    // Probes stand last and may repeat a subject: the first row of each counts.
    let mut found: HashMap<(&str, &str), &ChartRow> = HashMap::new();
    for row in rows {
        found
            .entry((row.subject.as_str(), row.quantity))
            .or_insert(row);
    }
    let value = |subject: &str, quantity: &str| found.get(&(subject, quantity)).copied();
    // What matters first comes first, and what is many comes only when asked for.
    let mut sections: Vec<(usize, String)> = Vec::new();
    let mut section = |title: &str, table: Table| {
        let place = ORDER.iter().position(|word| title.starts_with(word));
        if !table.is_empty() {
            let text = format!("\n{title}\n{}", table.text());
            sections.push((place.map_or(0, |k| k + 1), text));
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
        let ac = value(&row.subject, "ac voltage");
        let volts = match ac {
            Some(ac) => format!("{} AC", shown(ac.value, "V", 4)),
            None => shown(row.value, "V", 4),
        };
        let mut cells = vec![row.subject.clone(), volts];
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
        let said = findings.of(&valve.name);
        let verdict = match (judged, over.is_empty()) {
            (_, true) if said.is_some() => said.unwrap_or_default(),
            (_, false) if said.is_some() => {
                format!("OVER: {}; {}", over.join(", "), said.unwrap_or_default())
            }
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
            findings.of(&element.name).unwrap_or_else(|| verdict(worst)),
        ]);
    }
    section("Capacitors (cold: before the valves draw)", capacitors);

    let mut wound = Table::new(&[
        ("transformer or choke", Side::Left),
        ("type", Side::Left),
        ("current", Side::Left),
        ("", Side::Right),
        ("rated", Side::Right),
        ("verdict", Side::Left),
    ]);
    let mut transistors = Table::new(&[
        ("transistor", Side::Left),
        ("type", Side::Left),
        ("current", Side::Right),
        ("across", Side::Right),
        ("control", Side::Right),
        ("dissipation", Side::Right),
        ("rated", Side::Right),
        ("verdict", Side::Left),
    ]);
    for element in &circuit.elements {
        let model = element.model.clone().unwrap_or_default();
        if chart::is_transistor(element) {
            let of = |names: [&str; 2]| {
                let row = names.iter().find_map(|n| value(&element.name, n));
                row.map_or(String::new(), |r| shown(r.value, r.unit, 3))
            };
            transistors.row([
                element.name.clone(),
                model,
                of(["drain current", "collector current"]),
                of(["vds", "vce"]),
                of(["vgs", "vbe"]),
                of(["dissipation", "dissipation"]),
                rating(element, "W"),
                value(&element.name, "dissipation").map_or(String::new(), verdict),
            ]);
            continue;
        }
        if element.kind.is_none() && element.letter != 'L' {
            continue;
        }
        let mut said = findings.of(&element.name);
        let winds = |r: &&ChartRow| {
            let direct = r.quantity == "direct current" || r.quantity == "standing current";
            direct || chart::is_rms(r) || r.quantity.ends_with("direct current")
        };
        let rectifier =
            element.letter == 'D' || element.kind.is_some_and(|k| k.name == "rectifier");
        let own = of_nodes.iter().filter(|r| r.subject == element.name);
        for row in own.filter(winds).filter(|_| !rectifier) {
            let ac = if chart::is_rms(row) { " AC" } else { "" };
            wound.row([
                element.name.clone(),
                model.clone(),
                row.quantity.to_string(),
                format!("{}{ac}", shown(row.value, "A", 3)),
                row.limit.map_or(String::new(), |l| shown(l, "A", 3)),
                said.take().unwrap_or_else(|| verdict(row)),
            ]);
        }
    }
    section("Transformers and chokes", wound);
    section("Transistors", transistors);

    let mut sources = Table::new(&[("source", Side::Left), ("current", Side::Right)]);
    for element in circuit
        .elements
        .iter()
        .filter(|e| matches!(e.letter, 'V' | 'I'))
    {
        if let Some(rms) = value(&element.name, "rms current") {
            sources.row([
                element.name.clone(),
                format!("{} AC", shown(rms.value, "A", 3)),
            ]);
        } else if let Some(row) = value(&element.name, "current") {
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
    if let Some(stressed) = stressed {
        let title = format!("What is rated, at its worst; {}", stressed.words);
        section(&title, stressed.table());
    }
    sections.sort_by_key(|s| s.0);
    let is_shown = |s: &&(usize, String)| all || s.0 <= ALWAYS;
    text.extend(sections.iter().filter(is_shown).map(|s| s.1.as_str()));
    if sections.iter().any(|s| !is_shown(&s)) {
        text += "\nFor every resistor, capacitor, diode and source: --all (--csv and --json have them)\n";
    }
    text += &format!("\n{SAFETY}\n");
    text
}

/// How the tables of the chart begin, in their order; any other comes before them.
const ORDER: [&str; 8] = [
    "Valves",
    "Rectifiers",
    "Probes",
    "Voltages",
    "Diodes",
    "Resistors",
    "Capacitors",
    "Sources",
];

/// As many of them are always shown.
const ALWAYS: usize = 4;

/// Volts beyond which a node is named as dangerous: the limit of a supply that may be touched,
/// 60 V DC and 30 V AC (IEC 62368-1:2018, table 4, ES1; citation from memory, not checked).
const DANGEROUS_V: f64 = 60.0;
const DANGEROUS_AC_V: f64 = 30.0;

/// What stands high and what is beyond its rating, before all else.
fn verdicts(
    circuit: &Circuit,
    rows: &[ChartRow],
    stresses: &[ChartRow],
    findings: &Findings,
) -> String {
    let mut text = String::new();
    let is_high = |r: &&ChartRow| match r.quantity {
        "voltage" => r.value.abs() > DANGEROUS_V,
        "ac voltage" => r.value > DANGEROUS_AC_V,
        _ => false,
    };
    let high: Vec<&ChartRow> = rows.iter().filter(is_high).collect();
    let places: BTreeSet<&str> = high.iter().map(|r| r.subject.as_str()).collect();
    let highest = high
        .iter()
        .max_by(|a, b| a.value.abs().total_cmp(&b.value.abs()));
    if let Some(highest) = highest {
        text += &format!(
            "DANGER: {}{} at {}; {} of {} nodes stand at more than {DANGEROUS_V:.0} V DC or \
             {DANGEROUS_AC_V:.0} V AC\n",
            shown(highest.value, "V", 3),
            if highest.quantity == "voltage" {
                ""
            } else {
                " AC"
            },
            highest.subject,
            places.len(),
            circuit.node_names().count() - 1,
        );
    }
    // What is beyond its rating only while the amplifier plays is as bad.
    let all = || rows.iter().chain(stresses);
    let judged = all().filter(|r| r.verdict().is_some()).count();
    let over: Vec<&ChartRow> = all()
        .filter(|r| r.verdict() == Some(Verdict::Over))
        .collect();
    for row in &over {
        text += &format!("OVER: {}\n", exceeded(row));
    }
    for finding in &findings.all {
        text += &format!("CHECK: `{}`: {}\n", finding.subject, finding.text);
    }
    text += &match (judged, over.len()) {
        (0, _) => "no ratings are known\n".to_string(),
        (n, 0) => format!("all {n} figures that have a rating are within it\n"),
        (n, k) => format!("{k} of {n} figures that have a rating are over it\n"),
    };
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
