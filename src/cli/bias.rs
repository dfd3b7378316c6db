//! `bias`: the DC operating point as a voltage chart.

mod figures;
mod findings;
mod misread;
mod output;
mod printed;
mod sought;
mod stressed;
mod tables;
mod unrated;

use super::command::Command;
use super::common::{Session, number_option};
use super::driven;
use super::failure::Failure;
use super::outcome::Outcome;
use super::{interrupt, parallel, settings};
use crate::analysis::mains::{self, Mains};
use crate::analysis::operating_point::{self, Method};
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::figure::findings as found;
use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::findings::{self as measured, Trial};
use crate::measure::quiescent::{self, AtRest};
use crate::measure::stress::{self, Stress};
use crate::num;
use crate::report::file::STANDARD_OUTPUT;
use crate::report::progress::Progress;
use clap::{Arg, ArgAction, ArgMatches};
use figures::exceeded;
use findings::Findings;
use output::{csv, record};
use printed::printed;
use std::io::IsTerminal;
use stressed::Stressed;
use tables::Tables;

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
    let mut session = Session::open_with(matches, settings::Mains::ValueOrRange)?;
    let sought = sought::sought(&mut session)?;
    let more: Vec<_> = sought.iter().map(|s| s.setting.clone()).collect();
    let circuit = session.circuit_with(&more, Timing::default())?;
    let stressed = stressed::stressed(&session, &circuit)?;
    let probes = session.probes(&circuit, &["op", "dc"])?;
    let progress = Progress::new("bias", 1.0, session.quiet);
    let (quiescent, mut assembly) = quiescent::solve(&circuit)?;
    drop(progress);
    match &quiescent.found {
        AtRest::Point(point) if point.method != Method::Plain => session.note(&format!(
            "plain Newton did not settle; the operating point was found by {}",
            point.method.name()
        )),
        AtRest::Cycle(mains, _) => session.note(&format!(
            "{}; the chart gives averages over a {} Hz cycle, found without simulating how \
             the supply charges; other sources rest at their DC values",
            of_mains(&circuit, mains),
            num::full(mains.freq_hz),
        )),
        AtRest::Point(_) => {}
    }
    let still = mains::left_at_rest(&circuit, quiescent.mains());
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
        session.note("no solution with cold valves; cold capacitor voltages are omitted");
    }
    let mut rows = quiescent.rows(&mut assembly, &probes);
    let charted = rows.len();
    // What is rated, but not in the chart.
    let beside = match &stressed {
        Some(stressed) => {
            rows.extend(stressed.rows());
            stressed.news()
        }
        None => {
            let resting = stress::resting(&mut assembly, &quiescent.found);
            rows.extend(resting.iter().filter_map(Stress::row));
            rows[charted..].to_vec()
        }
    };
    let survey = stressed.as_ref().map(|s| &s.survey);
    let (mut findings, mut assembly) = found::of(&quiescent, assembly, survey);
    let trial = Trial {
        threads: parallel::processors(),
        mains_percent: &stressed.as_ref().map_or(vec![], Stressed::mains_percent),
        stopped: &|| interrupt::check().is_err(),
    };
    findings.extend(found::elsewhere(
        &quiescent,
        &mut assembly,
        &findings,
        &trial,
    ));
    interrupt::check()?;
    findings.extend(misread::milliohms(&session, &circuit));
    findings.extend(stressed.iter().flat_map(|s| s.unsolved.clone()));
    let mut findings = Findings::new(findings, &rows);
    if !measured::backward(&circuit, Some(&quiescent), None).is_empty() {
        findings.doubt(0..rows.len());
    } else if stressed.as_ref().is_some_and(Stressed::is_doubtful) {
        findings.doubt(charted..rows.len());
    }
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
            let rows = (&rows[..charted], &beside[..]);
            let probed = probes.len();
            let tables = Tables::new(&circuit, &assembly, &quiescent, &findings, rows, probed);
            let (stressed, all) = (stressed.as_ref(), session.flag("all"));
            let chart = printed(
                &circuit, &quiescent, &tables, &findings, stressed, &beside, all,
            );
            match &sought {
                Some(sought) => format!("{}\n{chart}", sought.text),
                None => chart,
            }
        },
    )?;
    let over: Vec<&ChartRow> = rows[..charted]
        .iter()
        .chain(&beside)
        .filter(|r| r.verdict() == Some(Verdict::Over))
        .collect();
    for pin in &hanging {
        session.warning(&pin.to_string());
    }
    // On a terminal the chart has just said so.
    let is_shown = std::io::stdout().is_terminal()
        && ["csv", "json"]
            .iter()
            .all(|option| session.text(option) != Some(STANDARD_OUTPUT));
    if !is_shown {
        for row in &over {
            session.warning(&exceeded(row));
        }
        for finding in &findings.all {
            if finding.grave {
                session.warning(&finding.told());
            } else {
                session.note(&finding.told());
            }
        }
    }
    let grave = findings.all.iter().any(|f| f.grave);
    if session.flag("strict") && (grave || !over.is_empty() || !hanging.is_empty()) {
        return Ok(Outcome::FellShort);
    }
    Ok(Outcome::Done)
}

/// The sources that are the mains, as the note names them.
fn of_mains(circuit: &Circuit, mains: &Mains) -> String {
    let names: Vec<String> = circuit
        .elements
        .iter()
        .filter(|e| mains.are(circuit, e))
        .map(|e| format!("`{}`", e.name))
        .collect();
    match names.as_slice() {
        [one] => format!("{one} is the mains"),
        many => format!("{} are the mains", many.join(" and ")),
    }
}
