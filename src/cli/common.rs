//! What all commands share: the netlist, settings, probes and outputs.

use super::failure::Failure;
use super::guards::{self, Guards};
use super::heading::heading;
use super::settings::{self, Mains};
pub use super::tell::tell;
use super::{interrupt, memory};
use crate::analysis::natural::Stability;
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::circuit::ledger::Ledger;
use crate::circuit::params::{self, Overrides, Setting};
use crate::circuit::read::Draft;
use crate::diag::{Diagnostic, Files};
use crate::limits::Bound;
use crate::measure::findings;
use crate::netlist::statement::{ControlKind, Netlist};
use crate::netlist::{self, MemoryLoader};
use crate::num::{self, Doubt, Role};
use crate::report::file::{FileProblem, Outputs, STANDARD_OUTPUT};
use crate::report::json;
use crate::system::probe::{self, Observable};
use clap::{Arg, ArgAction, ArgMatches};
use std::collections::HashSet;
use std::fs::File;
use std::io::Write;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

/// Adds the options that every command takes.
pub fn options(command: clap::Command) -> clap::Command {
    let many = |name: &'static str, value: &'static str, help: &'static str| {
        Arg::new(name)
            .long(name)
            .value_name(value)
            .action(ArgAction::Append)
            .help(help)
    };
    guards::options(command)
        .arg(
            Arg::new("netlist")
                .value_name("NETLIST")
                .required(true)
                .help("SPICE netlist"),
        )
        .arg(many(
            "set",
            "NAME=VALUE",
            "Set a value, a valve type (XV1A=12AY7) or a parameter (XV1A.mu=90, 12AX7.mu=90); X1.R5 \
             reaches into a subcircuit",
        ))
        .arg(many("knob", "NAME=0..10", "Turn a pot"))
        .arg(many("switch", "NAME=0|1", "Open (0) or close (1) a toggle"))
        .arg(
            Arg::new("mains")
                .long("mains")
                .value_name("PERCENT")
                .allow_hyphen_values(true)
                .help(
                    "Scale every mains source, for example 90 or 110; in bias and parts also a \
                     range, 90..110",
                ),
        )
        .arg(
            many(
                "probe",
                "EXPR",
                "What to look at: v(a), v(a,b), i(R1), p(R1)",
            )
            .allow_hyphen_values(true),
        )
        .arg(
            Arg::new("csv")
                .long("csv")
                .value_name("PATH")
                .help("Write the figures as CSV; - is standard output"),
        )
        .arg(
            Arg::new("json")
                .long("json")
                .value_name("PATH")
                .help("Write the figures as JSON; - is standard output"),
        )
        .arg(
            Arg::new("quiet")
                .long("quiet")
                .action(ArgAction::SetTrue)
                .help("Print errors only"),
        )
        .arg(audit_option())
}

/// The option that has every solution audited.
pub fn audit_option() -> Arg {
    Arg::new("audit").long("audit").action(ArgAction::SetTrue).help(
        "Check every solution anew by Kirchhoff's laws and the balance of powers, from the parts \
         alone, and report where they hold worst; nothing is written if they do not hold (exit \
         code 3)",
    )
}

/// An option that takes a number with SPICE suffixes.
pub fn number_option(name: &'static str, value: &'static str, help: &'static str) -> Arg {
    word_option(name, value, help).allow_hyphen_values(true)
}

/// `--vary`, which may be repeated.
pub fn vary_option(help: &'static str) -> Arg {
    word_option("vary", "NAME=a,b,c", help).action(ArgAction::Append)
}

/// An option that takes a word.
pub fn word_option(name: &'static str, value: &'static str, help: &'static str) -> Arg {
    Arg::new(name).long(name).value_name(value).help(help)
}

/// `--out`, of the commands that make one file for people to look at; `-` is standard output.
pub fn out_option(value: &'static str, help: &'static str) -> Arg {
    word_option("out", value, help).required(true)
}

/// Bytes that a circuit takes, solved and charted, for each byte of its lines (measured on
/// ladders of 10 000 and 100 000 nodes). Comments take nothing.
const BUILT: f64 = 70.0;

/// A netlist as read, with the settings of the command line.
pub struct Session<'m> {
    matches: &'m ArgMatches,
    /// Its lines, and the texts for messages.
    pub draft: Draft,
    settings: Overrides,
    /// What the run may take, and where it may read.
    pub guards: Guards,
    /// Whether to print errors only.
    pub quiet: bool,
    /// Warnings that were printed: one that several circuits share is printed once.
    warned: HashSet<String>,
    /// Values with the suffix M that are read as milliohms, where few builders mean them.
    pub milliohms: Vec<Diagnostic>,
}

impl<'m> Session<'m> {
    /// Reads the netlist and the settings.
    pub fn open(matches: &'m ArgMatches) -> Result<Self, Failure> {
        Session::open_with(matches, Mains::Value)
    }

    /// Reads the netlist and the settings, for a command that goes through a range of mains.
    pub fn open_with(matches: &'m ArgMatches, mains: Mains) -> Result<Self, Failure> {
        let path = matches.get_one::<String>("netlist").expect("required");
        Failure::if_misspelt(path)?;
        Session::over(matches, mains, |guards| {
            Draft::read_within(path, &guards.loader(), &guards.limits, Files::default())
        })
    }

    /// Reads another netlist with the same settings; both write in one audit.
    pub fn beside(&self, path: &str) -> Result<Self, Failure> {
        Failure::if_misspelt(path)?;
        let mut session = Session::over(self.matches, Mains::Value, |guards| {
            Draft::read_within(path, &guards.loader(), &guards.limits, Files::default())
        })?;
        session.settings.ledger.clone_from(&self.settings.ledger);
        Ok(session)
    }

    /// Takes a text of the tool's own for the netlist, and reads the settings.
    pub fn of_text(matches: &'m ArgMatches, name: &str, text: &str) -> Result<Self, Failure> {
        let loader = MemoryLoader::new(name, text);
        Session::over(matches, Mains::Value, |_| Draft::read(name, &loader))
    }

    fn over(
        matches: &'m ArgMatches,
        mains: Mains,
        read: impl FnOnce(&Guards) -> Draft,
    ) -> Result<Self, Failure> {
        let guards = Guards::new(matches)?;
        let quiet = matches.get_flag("quiet");
        one_at_standard_output(matches)?;
        let mut draft = read(&guards);
        let mut problems = std::mem::take(&mut draft.problems);
        let mut settings = Overrides::audited(matches.get_flag("audit").then(Ledger::default));
        match settings::read(matches, mains, &mut draft.files) {
            Ok(given) => {
                draft.netlist.controls.extend(given.temperatures);
                given.all.into_iter().for_each(|s| settings.push(s));
            }
            Err(wrong) => problems.extend(wrong),
        }
        if problems.iter().any(Diagnostic::is_error) {
            return Err(Failure::Input(Box::new(draft.files), problems));
        }
        let bytes = draft.netlist.body.length();
        memory::require(bytes as f64 * BUILT, "the circuit")?;
        let mut session = Session {
            matches,
            draft,
            settings,
            guards,
            quiet,
            warned: HashSet::new(),
            milliohms: Vec::new(),
        };
        session.warn(&problems);
        Ok(session)
    }

    /// Reads one more netlist; warnings are printed.
    pub fn another(&mut self, path: &str) -> Result<Netlist, Failure> {
        let loader = self.guards.loader();
        let reading = self.draft.another(path, &loader, &self.guards.limits);
        if reading.diagnostics.iter().any(Diagnostic::is_error) {
            return Err(self.failed(reading.diagnostics));
        }
        self.warn(&reading.diagnostics);
        Ok(reading.netlist)
    }

    /// Builds the circuit; warnings are printed.
    pub fn circuit(&mut self, timing: Timing) -> Result<Circuit, Failure> {
        self.circuit_with(&[], timing)
    }

    /// Builds the circuit with more settings than the command line's own.
    pub fn circuit_with(&mut self, more: &[Setting], timing: Timing) -> Result<Circuit, Failure> {
        let mut settings = self.settings.clone();
        more.iter().for_each(|s| settings.push(s.clone()));
        match self.draft.build(&settings, timing) {
            Ok(built) => {
                self.warn(&built.warnings);
                let mut circuit = built.circuit;
                circuit.title = heading(&circuit.title, &self.settings);
                Ok(circuit)
            }
            Err(problems) => Err(self.failed(problems)),
        }
    }

    /// Warns of mains that the circuit is solved without, or is not made for.
    pub fn warn_of_supply(&self, circuit: &Circuit) {
        for finding in findings::supply(circuit) {
            self.warning(&finding.told());
        }
    }

    /// Warns, before anything is played, of output transformers without a load.
    pub fn warn_of_loads(&self, circuit: &Circuit) {
        for finding in findings::unloaded(circuit) {
            self.warning(&finding.told());
        }
    }

    /// Builds the circuit with no rule of wiring applied: enough to draw it.
    pub fn circuit_as_wired(&mut self) -> Result<Circuit, Failure> {
        self.draft
            .build_unwired(&self.settings)
            .map(|built| {
                let mut circuit = built.circuit;
                circuit.title = heading(&circuit.title, &self.settings);
                circuit
            })
            .map_err(|problems| self.failed(problems))
    }

    /// Refuses a circuit whose waves would take too long.
    pub fn fits(&self, circuit: &Circuit) -> Result<(), Failure> {
        let stores = circuit.stores() as f64;
        self.guards.within(Bound::Stores, stores, |found, most| {
            format!(
                "the circuit has {found} capacitors, windings, sources and valves: at most {most} \
                 can take part in a steady state or a sound"
            )
        })
    }

    /// The settings of the command line.
    pub fn settings(&self) -> &Overrides {
        &self.settings
    }

    /// The failure of input with its places.
    pub fn failed(&self, problems: Vec<Diagnostic>) -> Failure {
        Failure::Input(Box::new(self.draft.files.clone()), problems)
    }

    /// Prints warnings, each once.
    pub fn warn(&mut self, warnings: &[Diagnostic]) {
        let (word, _) = Doubt::MilliohmSuffix.remark();
        for warning in warnings {
            let misread = warning.cause == "Doubtful" && warning.message.ends_with(word);
            if misread && !self.milliohms.contains(warning) {
                self.milliohms.push(warning.clone());
            }
        }
        if !self.quiet {
            for warning in warnings {
                let text = self.draft.files.render(warning);
                if !self.warned.contains(&text) {
                    tell(&format!("{text}\n"));
                    self.warned.insert(text);
                }
            }
        }
    }

    /// Ends a run: stages the record where JSON was asked for, reports what the audit found, shows
    /// the chart, and puts the outputs in place.
    ///
    /// # Errors
    /// If a solution does not hold, or an output cannot be written.
    pub fn finish<V: serde::Serialize>(
        &self,
        mut outputs: Outputs,
        record: impl FnOnce() -> V,
        chart: impl FnOnce() -> String,
    ) -> Result<(), Failure> {
        if let Some(path) = self.json() {
            outputs.text(&path, &json::text(&record()))?;
        }
        if let Some(ledger) = &self.settings.ledger {
            audited(ledger, self.quiet)?;
        }
        self.show(chart)?;
        commit(outputs)
    }

    /// Says that a circuit whose figures were asked for is unstable where it stands. `of` says
    /// which version of it, and is empty for the only one.
    pub fn warn_unstable(&self, of: &str, stability: Stability) {
        let Some(what) = stability.trouble() else {
            return;
        };
        self.warning(&format!(
            "{of}the circuit is unstable: {what}; these figures say nothing"
        ));
    }

    /// A warning that has no place in a file.
    pub fn warning(&self, text: &str) {
        if !self.quiet {
            tell(&format!("warning: {text}\n"));
        }
    }

    /// A remark to the user that is no fault.
    pub fn note(&self, text: &str) {
        if !self.quiet {
            tell(&format!("note: {text}\n"));
        }
    }

    /// The probes of the command line, or else those of the netlist's `.print` lines for one of
    /// these analyses.
    pub fn probes(
        &mut self,
        circuit: &Circuit,
        analyses: &[&str],
    ) -> Result<Vec<Observable>, Failure> {
        let mut found = Vec::new();
        let mut problems = Vec::new();
        for text in self
            .matches
            .get_many::<String>("probe")
            .into_iter()
            .flatten()
        {
            let file = self.draft.files.add("--probe", text.as_str());
            let probe = netlist::parse_probe(text, file)
                .and_then(|probe| Observable::new(circuit, &probe, text));
            match probe {
                Ok(probe) => found.push(probe),
                Err(diagnostic) => problems.push(match probe::likely(circuit, text) {
                    Some(likely) => diagnostic.hint(format!("did you mean `'{likely}'`?")),
                    None => diagnostic,
                }),
            }
        }
        if found.is_empty() && problems.is_empty() {
            for statement in &self.draft.netlist.controls {
                let ControlKind::Print(print) = &statement.kind else {
                    continue;
                };
                if !analyses.contains(&print.analysis.key().as_str()) {
                    continue;
                }
                for (probe, words) in &print.probes {
                    match Observable::new(circuit, probe, &words.text) {
                        Ok(probe) => found.push(probe),
                        Err(diagnostic) => problems.push(diagnostic),
                    }
                }
            }
        }
        if problems.is_empty() {
            Ok(found)
        } else {
            Err(self.failed(problems))
        }
    }

    /// Between what per cent the mains may vary: 90 and 110, or as `--mains 90..110` says; none
    /// where it is set to one value.
    ///
    /// # Errors
    /// If the range is not one.
    pub fn mains_range(&self) -> Result<Option<(f64, f64)>, Failure> {
        let Some(text) = self.text("mains") else {
            return Ok(Some((90.0, 110.0)));
        };
        let Some((low, high)) = text.split_once("..") else {
            return Ok(None);
        };
        match (num::percent(low), num::percent(high)) {
            (Some(low), Some(high))
                if params::LEAST_MAINS <= low && low < high && high <= params::MOST_MAINS =>
            {
                Ok(Some((low, high)))
            }
            _ => Err(
                Failure::usage(format!("`--mains {text}` is not a range of per cents"))
                    .hint("for example `--mains 90..110`: 100 is nominal"),
            ),
        }
    }

    /// The texts of an option that may be repeated.
    pub fn texts(&self, name: &str) -> Vec<&'m str> {
        let given = self.matches.get_many::<String>(name);
        given.into_iter().flatten().map(String::as_str).collect()
    }

    /// An option's number, if it was given; its role says what an M between digits is.
    pub fn number(&self, name: &str, role: Role) -> Result<Option<f64>, Failure> {
        let Some(text) = self.matches.get_one::<String>(name) else {
            return Ok(None);
        };
        match num::parse_value(text, role) {
            Ok((value, _)) => Ok(Some(value)),
            Err(_) => Err(
                Failure::usage(format!("`--{name} {text}` is not a number")).hint(
                    num::comma_hint(text)
                        .unwrap_or("numbers may carry SPICE suffixes, as in 20m or 1k".into()),
                ),
            ),
        }
    }

    /// An option's number, which must be more than zero.
    pub fn positive(&self, name: &str, role: Role) -> Result<Option<f64>, Failure> {
        match self.number(name, role)? {
            Some(value) if value <= 0.0 => Err(Failure::usage(format!(
                "`--{name}` is {}, expected more than zero",
                num::full(value)
            ))
            .into()),
            value => Ok(value),
        }
    }

    /// An option's percentage, with or without the sign, as a part.
    pub fn percent(
        &self,
        name: &str,
        allowed: RangeInclusive<f64>,
    ) -> Result<Option<f64>, Failure> {
        let Some(text) = self.text(name) else {
            return Ok(None);
        };
        match num::percent(text).filter(|percent| allowed.contains(percent)) {
            Some(percent) => Ok(Some(percent / 100.0)),
            None => Err(Failure::usage(format!(
                "`--{name} {text}` is not a percentage from {} to {}",
                num::full(*allowed.start()),
                num::full(*allowed.end())
            ))
            .hint(format!(
                "for example `--{name} 2%`; the sign may be left out"
            ))),
        }
    }

    /// An option's text.
    pub fn text(&self, name: &str) -> Option<&'m str> {
        self.matches.get_one::<String>(name).map(String::as_str)
    }

    /// Whether a flag is set.
    pub fn flag(&self, name: &str) -> bool {
        self.matches.get_flag(name)
    }

    /// Where the CSV goes.
    pub fn csv(&self) -> Option<PathBuf> {
        self.text("csv").map(PathBuf::from)
    }

    /// Where the JSON goes.
    pub fn json(&self) -> Option<PathBuf> {
        self.text("json").map(PathBuf::from)
    }

    /// Whether the chart may go to standard output: it is not quiet, and no file goes there.
    pub fn shows_chart(&self) -> bool {
        let taken = |name: &str| self.text(name) == Some(STANDARD_OUTPUT);
        !self.quiet && !taken("csv") && !taken("json")
    }

    /// Prints the chart where it may go. A reader that went away is no failure: the files
    /// are made all the same.
    pub fn show(&self, chart: impl FnOnce() -> String) -> Result<(), Failure> {
        if !self.shows_chart() {
            return Ok(());
        }
        super::tell::chart(chart()).map(|_| ())
    }
}

/// Refuses to write two tables to standard output.
///
/// # Errors
/// If both are to go there.
pub fn one_at_standard_output(matches: &ArgMatches) -> Result<(), Failure> {
    let asked = |name: &str| matches.get_one::<String>(name).map(String::as_str);
    if ["csv", "json"].map(asked) != [Some(STANDARD_OUTPUT); 2] {
        return Ok(());
    }
    Err(
        Failure::usage("`--csv -` and `--json -` both want standard output")
            .hint("give one of them a file name"),
    )
}

/// Reports what an audit found.
///
/// # Errors
/// If a solution does not hold.
pub fn audited(ledger: &Ledger, quiet: bool) -> Result<(), Failure> {
    let tally = ledger.tally();
    if let Some(message) = tally.failure() {
        return Err(Failure::Unsolved {
            message,
            hint: "this is a fault of the tool and not of your circuit: please report it with \
                   the netlist; nothing was written"
                .to_string(),
        });
    }
    if !quiet {
        tell(&format!("{}\n", tally.text()));
    }
    Ok(())
}

/// A file for a text that is not known yet: staged before the work, so that what cannot be
/// written is reported at once.
pub struct PendingText {
    file: File,
    path: PathBuf,
}

impl PendingText {
    /// A place for it, if it was asked for.
    pub fn stage(outputs: &mut Outputs, path: Option<&Path>) -> Result<Option<Self>, Failure> {
        let Some(path) = path else {
            return Ok(None);
        };
        let file = outputs.stage(path)?;
        let path = path.to_owned();
        Ok(Some(PendingText { file, path }))
    }

    /// Writes the text.
    pub fn fill(mut self, text: &str) -> Result<(), Failure> {
        let written = self.file.write_all(text.as_bytes());
        Ok(written.map_err(|e| FileProblem::new(&self.path, e))?)
    }
}

/// Puts the outputs in place. A reader of standard output that went away is no failure.
pub fn commit(outputs: Outputs) -> Result<(), Failure> {
    interrupt::check()?;
    Ok(outputs.commit()?)
}

/// What is said of a circuit whose waves are shown or heard as they are, if it is unstable where it
/// stands: what it would do, and when that is right.
pub fn unstable_words(of: &str, circuit: &Circuit) -> Option<String> {
    let found = findings::stability(circuit);
    let (what, advice) = (found.trouble()?, findings::advice(found));
    Some(format!("{of}the circuit is unstable: {what}; {advice}"))
}
