//! What every part stands in all states of the amplifier, where `--drive` or a range of `--mains`
//! asks for it.

use super::super::common::Session;
use super::super::driven;
use super::super::failure::Failure;
use super::figures::shown;
use super::findings::Findings;
use crate::circuit::Circuit;
use crate::measure::chart::{ChartRow, Verdict};
use crate::measure::findings::{self, Finding};
use crate::measure::stress::{self, Cold, Stress, Survey};
use crate::report::table::{Side, Table};

/// What the parts stand over all states, where `--drive` asks for it.
pub fn stressed(session: &Session<'_>, circuit: &Circuit) -> Result<Option<Stressed>, Failure> {
    let drive = driven::asked(session, circuit)?;
    let range = session.mains_range()?;
    let is_range = session.text("mains").is_some() && range.is_some();
    if is_range && !stress::has_mains(circuit) {
        return Err(Failure::usage("there is no mains source to change").into());
    }
    if drive.is_none() && !is_range {
        return Ok(None);
    }
    if drive.is_some() {
        session.fits(circuit)?;
    }
    let states = stress::ordinary(circuit, drive.as_ref().map(|d| d.sine), range);
    let survey = driven::survey(circuit, states, ("bias", session.quiet))?;
    let unsolved = driven::unsolved(&survey)?;
    let mut words = drive.map_or("nothing plays".into(), |d| format!("driven by {}", d.words));
    if circuit.elements.iter().any(|e| e.position.is_some()) {
        words += "; switches and knobs as they stand";
    }
    Ok(Some(Stressed {
        unsolved,
        doubtful: findings::doubtful(circuit, &survey),
        survey,
        words,
    }))
}

/// A survey of all states.
pub struct Stressed {
    /// All states and figures.
    pub survey: Survey,
    /// What is to be said of states without a solution.
    pub unsolved: Vec<Finding>,
    /// What was played.
    pub words: String,
    /// Of each state, whether a diode conducts backward in it.
    doubtful: Vec<bool>,
}

impl Stressed {
    /// Whether a diode conducts backward in any state: then the worst of no figure is known.
    pub fn is_doubtful(&self) -> bool {
        self.doubtful.contains(&true)
    }

    /// The mains other than the netlist's own at which the amplifier is warm with nothing playing, per
    /// cent of them.
    pub fn mains_percent(&self) -> Vec<f64> {
        let states = self.survey.states.iter();
        states
            .filter(|s| s.sine.is_none() && s.cold == Cold::None && s.open.is_empty())
            .map(|s| s.mains_percent)
            .filter(|&percent| percent != 100.0)
            .collect()
    }

    /// The worst of each figure.
    pub fn rows(&self) -> Vec<ChartRow> {
        self.survey.figures.iter().filter_map(Stress::row).collect()
    }

    /// Those that the chart at rest does not say: the same figure, no worse in any other state, is left out.
    pub fn news(&self) -> Vec<ChartRow> {
        let repeats = |f: &&Stress| {
            let charted = f.quantity.starts_with("driven ");
            charted && f.worst().is_some_and(|(_, state)| state == 0)
        };
        let figures = self.survey.figures.iter();
        figures
            .filter(|f| !repeats(f))
            .filter_map(Stress::row)
            .collect()
    }

    /// A table of what was judged, and of valves and iron besides: at rest, the worst, and where.
    pub fn table(&self, findings: &Findings) -> Table {
        let mut table = Table::new(&[
            ("part", Side::Left),
            ("what", Side::Left),
            ("at rest", Side::Right),
            ("worst", Side::Right),
            ("when", Side::Left),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        let survey = &self.survey;
        // A resistor's watts are judged by what it should be rated for.
        let said = |f: &&Stress| {
            f.quantity == "driven dissipation"
                && survey.find(&f.subject, "driven wattage needed").is_some()
        };
        let judged = survey.figures.iter().filter(|f| f.limit.is_some());
        for figure in judged.filter(|f| !said(f)) {
            let Some((worst, state)) = figure.worst() else {
                continue;
            };
            let show = |value: f64| shown(value, figure.unit, 3);
            let verdict = match figure.verdict() {
                Some(Verdict::Over) => "OVER",
                _ if findings.reversed(&figure.subject).is_some() => "reversed",
                _ if self.is_doubtful() => "not known",
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
