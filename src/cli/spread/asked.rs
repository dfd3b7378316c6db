//! What the command line asks for: the circuits, what varies in them, and the runs.

use super::super::check;
use super::super::common::{self, Session, one_at_standard_output};
use super::super::failure::Failure;
use super::super::guards::Guards;
use super::super::heading::in_case;
use super::super::parallel;
use super::super::settings;
use super::super::shard;
use super::super::sheet_folder::SheetFolder;
use super::super::tell;
use crate::circuit::bind::Timing;
use crate::circuit::ledger::Ledger;
use crate::circuit::params::Setting;
use crate::diag::{Files, Span};
use crate::figure::choice::choose;
use crate::figure::registry::Gives;
use crate::figure::target::Target;
use crate::figure::{Figure, Words};
use crate::netlist::statement::{Name, Netlist};
use crate::num;
use crate::report::file::STANDARD_OUTPUT;
use crate::sheet::Expectation;
use crate::tolerance::list::{Rule, Shape};
use crate::tolerance::measure::{Around, Plan, Setup, Trim, Watch};
use crate::tolerance::sample::{Order, Sampler};
use clap::ArgMatches;
use std::ops::Range;

/// Everything that is asked for.
pub struct Asked<'m> {
    matches: &'m ArgMatches,
    /// What the run may take.
    pub guards: Guards,
    /// Whether to print errors only.
    pub quiet: bool,
    /// Texts for messages.
    pub sources: Files,
    /// Where solutions are audited.
    pub ledger: Option<Ledger>,
    /// The netlist's title, or the sheet's name.
    pub title: String,
    /// The circuits and what varies.
    pub plan: Plan,
    /// What each circuit's figures are held against: empty, or an expectation for each figure, and
    /// the case's name.
    pub expected: Vec<(String, Vec<Expectation>)>,
    /// Where clips and stored files are.
    pub beside: SheetFolder,
    /// Amplifiers in all.
    pub runs: u64,
    /// Those of this shard; counted from 1.
    pub range: Range<u64>,
    /// Which ones.
    pub seed: u64,
    /// How a part's values go together.
    pub order: Order,
    /// Threads.
    pub threads: usize,
    /// Rounds of the exact shares.
    pub shares: Option<u64>,
    /// Whether corners are sought.
    pub corners: bool,
    /// The amplifier whose settings are wanted.
    pub show_run: Option<u64>,
}

/// Amplifiers at most.
const MOST: u64 = 1_000_000_000;

impl<'m> Asked<'m> {
    /// Reads the command line, the netlist or sheet, and builds each circuit once.
    ///
    /// # Errors
    /// All that is wrong with them.
    pub fn read(matches: &'m ArgMatches) -> Result<Self, Failure> {
        let text = |name: &str| matches.get_one::<String>(name).map(String::as_str);
        let count = |name: &str, least: u64| -> Result<Option<u64>, Failure> {
            let Some(text) = text(name) else {
                return Ok(None);
            };
            let number = text.parse::<u64>().ok().or_else(|| {
                let number = num::parse(text)?;
                (number >= 0.0 && number.fract() == 0.0 && number < 1e15).then_some(number as u64)
            });
            let fits = number.filter(|n| (least..=MOST).contains(n));
            fits.map(Some).ok_or_else(|| {
                Failure::usage(format!(
                    "`--{name} {text}`: expected a whole number from {least} to {MOST}"
                ))
                .into()
            })
        };
        let runs = count("runs", 1)?.unwrap_or(1000);
        let seed = match text("seed") {
            None => 1,
            Some(text) => text.parse().map_err(|_| {
                Failure::usage(format!(
                    "`--seed {text}`: expected a whole number from 0 on"
                ))
            })?,
        };
        let shares = count("shares", 2)?;
        let show_run = count("show-run", 1)?;
        let (shard, shards) = text("shard").map_or(Ok((1, 1)), shard::part)?;
        if matches.get_many::<String>("probe").is_some() {
            return Err(Failure::usage("spread takes no `--probe`")
                .hint("a probe is a figure too: `--figure v(out)`"));
        }
        one_at_standard_output(matches)?;
        let shape = match text("shape") {
            Some("normal") => Shape::Normal,
            _ => Shape::Uniform,
        };
        let order = if matches.get_flag("even") {
            Order::Even
        } else {
            Order::Chance
        };
        let subject = match text("netlist") {
            Some(path) if path.to_lowercase().ends_with(".toml") => of_sheet(matches, path)?,
            _ => of_netlist(matches)?,
        };
        let Subject {
            guards,
            mut sources,
            ledger,
            title,
            circuits,
            beside,
            may_be_unstable,
        } = subject;
        let rules = rules(matches, &mut sources)?;
        let fail = |sources: &Files, problems| Failure::Input(Box::new(sources.clone()), problems);
        let trims = trims(matches, &mut sources)?;
        let stopped = || super::super::interrupt::check().is_err();
        let quiet = matches.get_flag("quiet");
        let mut setups = Vec::new();
        let mut expected = Vec::new();
        for circuit in circuits {
            let around = Around {
                sources: &sources,
                clips: &beside,
                stopped: &stopped,
            };
            let made = Setup::new(
                circuit.netlist,
                circuit.given,
                ledger.clone(),
                circuit.figures,
                &trims,
                &rules,
                around,
            );
            let (mut setup, warnings) = made.map_err(|problems| fail(&sources, problems))?;
            if !quiet {
                for warning in &warnings {
                    common::tell(&format!("{}\n", sources.render(warning)));
                }
                if let Some(what) = setup.stability.trouble().filter(|_| !may_be_unstable) {
                    let warning = format!(
                        "the circuit as drawn is unstable: {what}; these figures say nothing"
                    );
                    let warning = in_case(&circuit.expected.0, &warning);
                    common::tell(&format!("warning: {warning}\n"));
                }
            }
            setup.watch = match circuit.expected.1.is_empty() {
                _ if may_be_unstable => Watch::Never,
                true => Watch::IfSlow,
                false => Watch::Always,
            };
            setups.push(setup);
            expected.push(circuit.expected);
        }
        let of_shard = |k: usize| 1 + (runs as u128 * k as u128 / shards as u128) as u64;
        if show_run.is_some_and(|r| r > runs && text("runs").is_some()) {
            return Err(Failure::usage(format!("there are only {runs} runs")).into());
        }
        Ok(Asked {
            matches,
            guards,
            quiet,
            sources,
            ledger,
            title,
            plan: Plan::new(setups, shape),
            expected,
            beside,
            runs,
            range: of_shard(shard - 1)..of_shard(shard),
            seed,
            order,
            threads: parallel::threads(matches),
            shares,
            corners: matches.get_flag("corners"),
            show_run,
        })
    }

    /// An option's text.
    pub fn text(&self, name: &str) -> Option<&'m str> {
        self.matches.get_one::<String>(name).map(String::as_str)
    }

    /// The texts of an option that may be repeated.
    pub fn texts(&self, name: &str) -> Vec<&'m str> {
        let given = self.matches.get_many::<String>(name);
        given.into_iter().flatten().map(String::as_str).collect()
    }

    /// Whether a flag is set.
    pub fn flag(&self, name: &str) -> bool {
        self.matches.get_flag(name)
    }

    /// Draws the values.
    pub fn sampler(&self, more: &str) -> Sampler {
        let variables = &self.plan.variables;
        Sampler::keyed(variables, self.seed, self.order, self.plan.shape, more)
    }

    /// Whether it is a sheet that is asked about.
    pub fn is_sheet(&self) -> bool {
        self.expected.iter().any(|e| !e.1.is_empty())
    }

    /// Prints to standard output, unless it is quiet or a table goes there.
    pub fn show(&self, text: impl FnOnce() -> String) -> Result<(), Failure> {
        let taken = |name: &str| self.text(name) == Some(STANDARD_OUTPUT);
        if self.quiet || taken("csv") || taken("json") {
            return Ok(());
        }
        tell::chart(text()).map(|_| ())
    }
}

/// A circuit on its way to be set up.
struct Circuit {
    netlist: Netlist,
    given: Vec<Setting>,
    figures: Vec<Figure>,
    expected: (String, Vec<Expectation>),
}

struct Subject {
    guards: Guards,
    sources: Files,
    ledger: Option<Ledger>,
    title: String,
    circuits: Vec<Circuit>,
    beside: SheetFolder,
    /// Whether a sheet says that it is meant to.
    may_be_unstable: bool,
}

fn of_netlist(matches: &ArgMatches) -> Result<Subject, Failure> {
    let mut session = Session::open(matches)?;
    let mut figures = Vec::new();
    let mut problems = Vec::new();
    for text in session.texts("figure") {
        let file = session.draft.files.add("--figure", text);
        match Figure::parse(text, Words::whole(file, text)) {
            Ok(figure) if figure.quantity.is_run_time() => {
                return Err(Failure::usage(
                    "`run time` is one of the computer, not of the circuit",
                )
                .into());
            }
            Ok(figure) => figures.push(figure),
            Err(problem) => problems.push(problem),
        }
    }
    if !problems.is_empty() {
        return Err(session.failed(problems));
    }
    if figures.is_empty() && session.text("show-run").is_none() {
        return Err(Failure::usage("spread needs at least one `--figure`").hint(
            "for example `--figure \"v(plate1)\"` or `--figure \"plate dissipation of XV4\"`",
        ));
    }
    // Warns once, and reports what is wrong before anything else.
    session.circuit(Timing::default())?;
    let settings = session.settings().clone();
    let beside = SheetFolder::here(session.guards.sandbox.as_ref(), &session.guards.limits);
    Ok(Subject {
        sources: session.draft.files,
        ledger: settings.ledger.clone(),
        title: session.draft.netlist.title.trim().to_string(),
        circuits: vec![Circuit {
            netlist: session.draft.netlist,
            given: settings.list().to_vec(),
            figures,
            expected: (String::new(), Vec::new()),
        }],
        beside,
        may_be_unstable: false,
        guards: session.guards,
    })
}

fn of_sheet(matches: &ArgMatches, path: &str) -> Result<Subject, Failure> {
    if matches.get_many::<String>("figure").is_some() {
        return Err(Failure::usage("a sheet brings its own figures")
            .hint("leave `--figure` away, or name the netlist"));
    }
    let guards = Guards::new(matches)?;
    let (mut ready, beside) = check::ready(path, &guards)?;
    let ledger = matches.get_flag("audit").then(Ledger::default);
    ready.base.ledger = ledger.clone();
    let more = match settings::read(matches, settings::Mains::Value, &mut ready.sources) {
        Ok(more) => more,
        Err(problems) => return Err(Failure::Input(Box::new(ready.sources), problems)),
    };
    let mut circuits = Vec::new();
    for case in &ready.sheet.cases {
        let expected = ready.expected_in(case, |_| true);
        let expected: Vec<Expectation> = expected
            .into_iter()
            .map(|k| ready.sheet.expectations[k].clone())
            .filter(|e| !e.figure.quantity.is_run_time())
            .collect();
        if expected.is_empty() {
            continue;
        }
        let choices: Vec<_> = [&ready.sheet.settings[..], &case.choices[..]].concat();
        let (mut netlist, settings) = choose(&ready.netlist, &ready.base, &choices);
        // The command line's own come last: the later one of a name counts.
        netlist.controls.extend(more.temperatures.iter().cloned());
        let given = [settings.list(), &more.all[..]].concat();
        circuits.push(Circuit {
            netlist,
            given,
            figures: expected.iter().map(|e| e.figure.clone()).collect(),
            expected: (case.name.clone(), expected),
        });
    }
    Ok(Subject {
        guards,
        title: path.to_string(),
        ledger,
        circuits,
        beside,
        may_be_unstable: ready.sheet.may_be_unstable,
        sources: ready.sources,
    })
}

fn rules(matches: &ArgMatches, sources: &mut Files) -> Result<Vec<Rule>, Failure> {
    let mut rules = Vec::new();
    let mut problems = Vec::new();
    for text in matches.get_many::<String>("tol").into_iter().flatten() {
        let line = format!("--tol {text}");
        let file = sources.add("command line", line.as_str());
        match Rule::parse(text, Span::new(file, 6, line.len())) {
            Ok(rule) => rules.push(rule),
            Err(problem) => problems.push(problem),
        }
    }
    if problems.is_empty() {
        Ok(rules)
    } else {
        Err(Failure::Input(Box::new(sources.clone()), problems))
    }
}

fn trims(matches: &ArgMatches, sources: &mut Files) -> Result<Vec<Trim>, Failure> {
    let mut trims = Vec::new();
    for text in matches.get_many::<String>("trim").into_iter().flatten() {
        let wrong = |why: &str| {
            Failure::usage(format!("`--trim {text}` {why}"))
                .hint("for example `--trim 'RBIAS: plate dissipation of XV4 = 70 %'`")
        };
        let colon = text.find(':').ok_or_else(|| wrong("has no `:`"))?;
        let equals = text.rfind('=').ok_or_else(|| wrong("has no `=`"))?;
        if equals < colon {
            return Err(wrong("has no figure between `:` and `=`"));
        }
        let file = sources.add("--trim", text.as_str());
        let inner = &text[colon + 1..equals];
        let words = Words {
            start: colon + 1,
            end: equals,
            ..Words::whole(file, text)
        };
        let fail = |sources: &Files, d| Failure::Input(Box::new(sources.clone()), vec![d]);
        let figure = Figure::parse(inner, words).map_err(|d| fail(sources, d))?;
        if figure.quantity.gives != Gives::Number {
            return Err(wrong("is set by a figure that is not a single number"));
        }
        let wanted = text[equals + 1..].trim();
        let start = text.len() - text[equals + 1..].trim_start().len();
        let span = Span::new(file, start, start + wanted.len());
        let target = Target::read(wanted, &figure);
        let target = target.map_err(|problem| fail(sources, problem.at(span)))?;
        let part = text[..colon].trim();
        let start = colon - text[..colon].trim_start().len();
        trims.push(Trim {
            part: Name {
                text: part.to_string(),
                span: Span::new(file, start, start + part.len()),
            },
            figure,
            target,
            target_span: span,
        });
    }
    Ok(trims)
}
