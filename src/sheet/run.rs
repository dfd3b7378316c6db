//! One case of a sheet, measured and judged.

use super::cases::{Case, fits};
use super::judge::judge;
use super::read::Sheet;
use super::verdict::{Mark, Verdict};
use super::{Expectation, Stored};
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::circuit::params::Overrides;
use crate::circuit::read::Draft;
use crate::diag::clean;
use crate::diag::{Diagnostic, Files};
use crate::figure::Figure;
use crate::figure::bench::{Bench, FigureValue, Judging, Reading, Trouble};
use crate::figure::choice::choose;
use crate::measure::findings::{Finding, STABILITY, UNJUDGED};
use crate::netlist::statement::Netlist;

/// A sheet with its netlist.
#[derive(Debug)]
pub struct Ready {
    /// The sheet's path, as it was found.
    pub path: String,
    /// Texts for messages.
    pub sources: Files,
    /// The sheet.
    pub sheet: Sheet,
    /// Its netlist.
    pub netlist: Netlist,
    /// What was doubtful about it, in words.
    pub warnings: Vec<String>,
    /// The circuit as the netlist has it, which says what names stand for.
    pub base: Circuit,
}

impl Ready {
    /// A sheet whose netlist was read.
    ///
    /// # Errors
    /// What is wrong with the netlist by itself.
    pub fn new(
        path: String,
        sheet: Sheet,
        mut draft: Draft,
    ) -> Result<Self, (Files, Vec<Diagnostic>)> {
        match draft.build(&Overrides::default(), Timing::default()) {
            Ok(built) => Ok(Ready {
                path,
                warnings: draft
                    .problems
                    .iter()
                    .map(|w| draft.files.render(w))
                    .collect(),
                sources: draft.files,
                sheet,
                netlist: draft.netlist,
                base: built.circuit,
            }),
            Err(problems) => Err((draft.files, problems)),
        }
    }

    /// What a case is called: the sheet's path, and the case in brackets if it has a name.
    pub fn case_name(&self, case: &Case) -> String {
        if case.name.is_empty() {
            clean::line(&self.path).into_owned()
        } else {
            format!("{} [{}]", clean::line(&self.path), case.name)
        }
    }

    /// The expectations that are for a case and wanted, by number.
    pub fn expected_in(&self, case: &Case, wanted: impl Fn(&str) -> bool) -> Vec<usize> {
        let name = self.case_name(case);
        let all = self.sheet.expectations.iter().enumerate();
        all.filter(|(_, e)| {
            let here = e.cases.as_ref().is_none_or(|c| fits(&c.0, &case.name));
            here && wanted(&format!("{name}: {}", e.figure.text))
        })
        .map(|(k, _)| k)
        .collect()
    }
}

/// A case that was run.
#[derive(Debug, Clone, PartialEq)]
pub struct Done {
    /// One for each expectation that was asked for, in the order of the sheet; last, that the circuit
    /// is unstable, if it is.
    pub verdicts: Vec<Verdict>,
    /// Messages about mistakes, each once, with their places.
    pub messages: Vec<String>,
    /// What is grave about the circuit at rest, beside what is expected of it.
    pub findings: Vec<Finding>,
    /// Whether the user broke off.
    pub stopped: bool,
}

/// Runs a case: these expectations of it.
pub fn run(
    ready: &Ready,
    case: &Case,
    expected: &[usize],
    stored: &dyn Stored,
    stopped: &(dyn Fn() -> bool + Sync),
) -> Done {
    let choices: Vec<_> = [&ready.sheet.settings[..], &case.choices[..]].concat();
    let (netlist, settings) = choose(&ready.netlist, &ready.base, &choices);
    let mut bench = Bench::new(&netlist, settings, ready.sources.clone(), stored, stopped);
    // Knobs and switches in other positions are tried once a sheet: they would be the same in each case.
    let is_first = ready.sheet.cases.first() == Some(case);
    bench.judges = if is_first && !ready.sheet.may_be_unstable {
        Judging::Everywhere
    } else {
        Judging::All
    };
    let expectations: Vec<&Expectation> = expected
        .iter()
        .map(|&k| &ready.sheet.expectations[k])
        .collect();
    let figures: Vec<&Figure> = expectations.iter().map(|e| &e.figure).collect();
    let mut done = Done {
        verdicts: Vec::new(),
        messages: ready.warnings.clone(),
        findings: Vec::new(),
        stopped: false,
    };
    let found = match bench.measure(&figures) {
        Ok(found) => found,
        Err(problems) => {
            for problem in &problems {
                say(&mut done.messages, bench.sources.render(problem));
            }
            let told = problems.iter().find(|p| p.is_error());
            let why = told.map_or_else(String::new, |p| p.message.clone());
            done.verdicts = expectations
                .iter()
                .map(|e| Verdict {
                    message: Some(why.clone()),
                    ..Verdict::blank(e, Mark::Bad)
                })
                .collect();
            return done;
        }
    };
    for warning in &bench.warnings {
        say(&mut done.messages, bench.sources.render(warning));
    }
    let mut unstable = None;
    for finding in std::mem::take(&mut bench.findings) {
        if finding.quantity == STABILITY {
            unstable = Some(finding.text).filter(|_| !ready.sheet.may_be_unstable);
        } else if finding.grave || finding.quantity == UNJUDGED && !ready.sheet.may_be_unstable {
            done.findings.push(finding);
        }
    }
    for (expectation, found) in expectations.iter().zip(found) {
        let outcome = match found {
            Ok(found) => judge(expectation, &case.name, &found, stored).map_err(Trouble::Input),
            Err(trouble) => Err(trouble),
        };
        let without = |mark, message: String| Verdict {
            message: Some(message),
            ..Verdict::blank(expectation, mark)
        };
        done.verdicts.push(match outcome {
            Ok(verdict) => verdict,
            Err(Trouble::Input(diagnostic)) => {
                say(&mut done.messages, bench.sources.render(&diagnostic));
                without(Mark::Bad, diagnostic.message)
            }
            Err(Trouble::Absent(why)) => {
                // Held against nothing, for what was expected to be told.
                let nothing = FigureValue::Number(Reading {
                    value: f64::NAN,
                    unit: expectation.figure.unit(),
                    limit: None,
                });
                match judge(expectation, &case.name, &nothing, stored) {
                    Ok(verdict) => Verdict {
                        mark: Mark::Off,
                        found: String::new(),
                        shown_found: "none".into(),
                        by: why,
                        new: None,
                        ..verdict
                    },
                    Err(diagnostic) => {
                        say(&mut done.messages, bench.sources.render(&diagnostic));
                        without(Mark::Bad, diagnostic.message)
                    }
                }
            }
            Err(Trouble::Unsolved(why)) => without(Mark::NoSolution, why),
            Err(Trouble::NoSolution(none)) => without(Mark::NoSolution, none.to_string()),
            Err(Trouble::Stopped) => {
                done.stopped = true;
                without(Mark::Bad, "interrupted".into())
            }
        });
    }
    // What is said of a circuit that does not stay where it was measured is no verdict on it.
    done.verdicts
        .extend(unstable.map(|what| Verdict::unstable(&what)));
    done
}

fn say(messages: &mut Vec<String>, text: String) {
    if !messages.contains(&text) {
        messages.push(text);
    }
}
