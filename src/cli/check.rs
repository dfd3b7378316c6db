//! `check`: regression sheets run and judged.

mod checked;
mod explain;
mod files;
mod junit;
mod plots;
mod recording;
mod tables;

use super::command::{Command, SAFETY};
use super::common;
use super::failure::Failure;
use super::guards::{self, Guards};
use super::outcome::Outcome;
use super::sheet_folder::SheetFolder;
use super::tell::print;
use super::{interrupt, memory, parallel, shard};
use crate::circuit::ledger::Ledger;
use crate::circuit::read::Draft;
use crate::diag::{Diagnostic, Files, clean};
use crate::inputs;
use crate::netlist::Loader;
use crate::report::file::{FileProblem, STANDARD_OUTPUT};
use crate::report::progress::Progress;
use crate::sheet::Want;
use crate::sheet::cases::Case;
use crate::sheet::judge::of_case;
use crate::sheet::problem::SheetProblem;
use crate::sheet::run::{self, Ready};
use crate::sheet::verdict::Mark;
use crate::sheet::{self, schema};
pub(crate) use checked::Checked;
use clap::{Arg, ArgAction, ArgMatches};
use std::collections::HashSet;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The command's row.
pub const COMMAND: Command = Command {
    name: "check",
    about: "Regression sheets: does every circuit still measure what it should?",
    options,
    run,
};

/// A sheet brings its own netlist and settings, so the common options have no place here.
fn options(_common: clap::Command) -> clap::Command {
    let path = |name: &'static str, value: &'static str, help: &'static str| {
        Arg::new(name).long(name).value_name(value).help(help)
    };
    let flag = |name: &'static str, help: &'static str| {
        Arg::new(name)
            .long(name)
            .action(ArgAction::SetTrue)
            .help(help)
    };
    guards::options(clap::Command::new(COMMAND.name))
        .about(COMMAND.about)
        .after_help(SAFETY)
        .arg(
            Arg::new("paths")
                .value_name("PATH")
                .num_args(0..)
                .required_unless_present_any(["explain", "schema"])
                .help("Sheets (TOML), or folders in which every *.sheet.toml is one"),
        )
        .arg(path(
            "only",
            "PATTERN",
            "Only expectations whose `SHEET [CASE]: FIGURE` has this in it; * stands for anything",
        ))
        .arg(path(
            "shard",
            "K/N",
            "The K-th of N parts of the cases; outputs of all parts, one after another, are \
             those of the whole",
        ))
        .arg(flag(
            "record",
            "Store what is missing, and show what was stored",
        ))
        .arg(
            flag(
                "overwrite",
                "With --record: store what is off its tolerance too",
            )
            .requires("record"),
        )
        .arg(path(
            "csv",
            "PATH",
            "Write subject,expected,found,tolerance,verdict; - is standard output",
        ))
        .arg(path(
            "json",
            "PATH",
            "Write one JSON object a line for each expectation; - is standard output",
        ))
        .arg(path("junit", "PATH", "Write a JUnit XML file"))
        .arg(path(
            "plot-failures",
            "DIR",
            "Draw expected and found of every curve and sound that is off, as SVG",
        ))
        .arg(
            path("threads", "N", "Cases at once; without it one a processor")
                .value_parser(clap::value_parser!(u16).range(1..)),
        )
        .arg(flag("explain", "List every figure that can be expected"))
        .arg(flag("schema", "Print the JSON schema of a sheet"))
        .arg(flag("quiet", "Print errors only"))
        .arg(common::audit_option())
}

/// Bytes that a few cases take (measured).
const CHECKED: f64 = 24e6;

/// One thing to do: a case of a sheet that can be run, or a sheet that cannot.
enum Item<'r> {
    Case {
        ready: &'r Ready,
        beside: &'r SheetFolder,
        case: &'r Case,
        expected: Vec<usize>,
    },
    Bad(&'r str, &'r str),
}

/// A sheet that was opened.
enum Opened {
    Ready(Box<Ready>, Box<SheetFolder>),
    Bad(String, String),
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let quiet = matches.get_flag("quiet");
    if matches.get_flag("explain") {
        return print(&explain::text());
    }
    if matches.get_flag("schema") {
        let text = serde_json::to_string_pretty(&schema::schema()).expect("plain data");
        return print(&(text + "\n"));
    }
    let guards = Guards::new(matches)?;
    memory::require(CHECKED, "the sheets")?;
    let text = |name: &str| matches.get_one::<String>(name).map(String::as_str);
    let both = ["csv", "json", "junit"].map(|n| text(n) == Some(STANDARD_OUTPUT));
    if both.iter().filter(|b| **b).count() > 1 {
        return Err(Failure::usage("several outputs want standard output")
            .hint("give all but one a file name"));
    }
    let shard = text("shard").map(shard::part).transpose()?;
    let only = text("only").map(|p| format!("*{p}*"));
    let wanted = |subject: &str| only.as_ref().is_none_or(|p| sheet::cases::fits(p, subject));
    let threads = parallel::threads(matches);

    // Outputs are staged first: what cannot be written is reported before the work, not after.
    let mut outputs = guards.outputs();
    let mut stage = |name: &str| -> Result<Option<(PathBuf, std::fs::File)>, Failure> {
        let Some(path) = text(name).map(PathBuf::from) else {
            return Ok(None);
        };
        let file = outputs.stage(&path)?;
        Ok(Some((path, file)))
    };
    let (csv, json, junit) = (stage("csv")?, stage("json")?, stage("junit")?);

    let asked: Vec<&str> = matches
        .get_many::<String>("paths")
        .into_iter()
        .flatten()
        .map(String::as_str)
        .collect();
    let mut opened: Vec<Opened> =
        parallel::map(&files::find(&asked), threads, |path| open(path, &guards));
    for opened in &opened {
        if let Opened::Ready(ready, beside) = opened {
            reads(ready, beside);
        }
    }
    // Only now is it known what is read.
    guards.preflight(matches)?;
    let ledger = matches.get_flag("audit").then(Ledger::default);
    for opened in &mut opened {
        if let (Opened::Ready(ready, _), Some(ledger)) = (opened, &ledger) {
            ready.base.ledger = Some(ledger.clone());
        }
    }
    let mut items: Vec<Item<'_>> = Vec::new();
    for opened in &opened {
        match opened {
            Opened::Bad(path, message) => items.push(Item::Bad(path, message)),
            Opened::Ready(ready, beside) => {
                items.extend(ready.sheet.cases.iter().filter_map(|case| {
                    let expected = ready.expected_in(case, wanted);
                    (!expected.is_empty()).then_some(Item::Case {
                        ready,
                        beside,
                        case,
                        expected,
                    })
                }));
            }
        }
    }
    let whole = items.len();
    if let (0, Some(only)) = (whole, text("only")) {
        // Else a slip in the pattern would pass as well done.
        return Err(
            Failure::usage(format!("no expectation fits `--only {only}`"))
                .hint("the pattern is looked for in `SHEET [CASE]: FIGURE`"),
        );
    }
    if let Some((k, n)) = shard {
        // Parts that follow one another, so that their outputs do too.
        let cut = |k: usize| k * whole / n;
        items = items.drain(cut(k - 1)..cut(k)).collect();
    }
    let stopped = || interrupt::check().is_err();
    let progress = Progress::new("check", items.len() as f64, quiet);
    let checked: Vec<Checked<'_>> = parallel::map(&items, threads, |item| {
        let checked = match item {
            Item::Bad(path, message) => Checked::Bad(path, message),
            Item::Case {
                ready,
                beside,
                case,
                expected,
            } => Checked::Case {
                ready,
                beside,
                case,
                expected: expected.clone(),
                done: run::run(ready, case, expected, *beside, &stopped),
            },
        };
        progress.one_more();
        checked
    });
    drop(progress);
    interrupt::check()?;

    tell_messages(&checked, quiet);
    if let Some(ledger) = &ledger {
        common::audited(ledger, quiet)?;
    }
    // Where no sheet could be judged there are no results: what stood in the files stays. The report of
    // the run itself, for a CI server, is written whatever came of it.
    let is_judged = |checked: &Checked<'_>| match checked {
        Checked::Case { done, .. } => done.verdicts.iter().any(|v| v.mark.is_judged()),
        Checked::Bad(..) => false,
    };
    if !checked.iter().any(is_judged) {
        for path in ["csv", "json"].into_iter().filter_map(text) {
            if path != STANDARD_OUTPUT {
                outputs.leave(Path::new(path));
            }
        }
    }
    let put = |target: Option<(PathBuf, std::fs::File)>, text: &dyn Fn() -> String| {
        target.map_or(Ok(()), |(path, mut file)| {
            file.write_all(text().as_bytes())
                .map_err(|e| FileProblem::new(&path, e))
        })
    };
    let first = shard.is_none_or(|(k, _)| k == 1);
    put(csv, &|| tables::csv(&checked, first))?;
    put(json, &|| tables::json_lines(&checked))?;
    put(junit, &|| junit::text(&checked))?;
    if let Some(folder) = text("plot-failures") {
        plots::stage(&mut outputs, Path::new(folder), &checked)?;
    }
    let record = matches.get_flag("record");
    let recorded = if record {
        recording::stage(&mut outputs, &checked, matches.get_flag("overwrite"))?
    } else {
        recording::Recorded::default()
    };
    let shown = !quiet && !both.contains(&true);
    if shown {
        let text = tables::printed(&checked, &recorded);
        super::tell::chart(text)?;
    }
    common::commit(outputs)?;
    Ok(outcome(&checked, &recorded))
}

/// The gravest of all verdicts: a bad sheet, a circuit without solution, a figure that is off.
fn outcome(checked: &[Checked<'_>], recorded: &recording::Recorded) -> Outcome {
    let mut worst = Outcome::Done;
    let rank = |outcome: Outcome| match outcome {
        Outcome::Bad => 3,
        Outcome::NoSolution => 2,
        Outcome::FellShort => 1,
        _ => 0,
    };
    let mut note = |outcome: Outcome| {
        if rank(outcome) > rank(worst) {
            worst = outcome;
        }
    };
    for (at, checked) in checked.iter().enumerate() {
        let Checked::Case { done, .. } = checked else {
            note(Outcome::Bad);
            continue;
        };
        for (k, verdict) in done.verdicts.iter().enumerate() {
            note(match verdict.mark {
                Mark::Ok => Outcome::Done,
                Mark::Off | Mark::Missing if recorded.has(at, k) => Outcome::Done,
                Mark::Off | Mark::Missing => Outcome::FellShort,
                Mark::NoSolution => Outcome::NoSolution,
                Mark::Bad => Outcome::Bad,
            });
        }
    }
    worst
}

/// Messages about mistakes, each once, in the order of the cases.
fn tell_messages(checked: &[Checked<'_>], quiet: bool) {
    let mut told: HashSet<&str> = HashSet::new();
    // A part is named once a sheet, whatever its figures are in the other cases.
    let mut found: HashSet<(&str, &str, &str)> = HashSet::new();
    for checked in checked {
        let messages: Vec<&str> = match checked {
            Checked::Bad(_, message) => vec![message],
            Checked::Case { done, .. } => done.messages.iter().map(String::as_str).collect(),
        };
        for message in messages {
            if quiet && message.starts_with("warning") {
                continue;
            }
            if told.insert(message) {
                common::tell(&format!("{}\n", message.trim_end()));
            }
        }
        let Checked::Case {
            ready, case, done, ..
        } = checked
        else {
            continue;
        };
        for finding in done.findings.iter().filter(|_| !quiet) {
            if found.insert((&ready.path, &finding.subject, finding.quantity)) {
                let (case, finding) = (ready.case_name(case), finding.told());
                common::tell(&format!("warning: {case}: {finding}\n"));
            }
        }
    }
}

/// Notes the files that a sheet will be held against, so that no output takes their place.
fn reads(ready: &Ready, beside: &SheetFolder) {
    for expectation in &ready.sheet.expectations {
        let (Want::Curve { file, .. } | Want::Sound { file, .. }) = &expectation.want else {
            continue;
        };
        for case in &ready.sheet.cases {
            inputs::will_read(&beside.path(&of_case(file, &case.name)));
        }
    }
}

/// A sheet that can be run, with the folder that its names start from.
///
/// # Errors
/// What is wrong with it or its netlist.
pub(super) fn ready(path: &str, guards: &Guards) -> Result<(Ready, SheetFolder), Failure> {
    match open(&Ok(PathBuf::from(path)), guards) {
        Opened::Ready(ready, beside) => Ok((*ready, *beside)),
        Opened::Bad(_, message) => Err(Failure::Reported(message)),
    }
}

/// Opens a sheet: reads it and its netlist, and builds the circuit once. All mistakes of the
/// sheet are reported before those of its netlist.
fn open(path: &Result<PathBuf, String>, guards: &Guards) -> Opened {
    let path = match path {
        Ok(path) => path,
        Err(told) => {
            let told = clean::line(told).into_owned();
            return Opened::Bad(told.clone(), format!("error: {told}"));
        }
    };
    let name = path.display().to_string();
    let mut sources = Files::default();
    let bad = |sources: &Files, problems: &[Diagnostic]| {
        let all: Vec<String> = problems.iter().map(|p| sources.render(p)).collect();
        Opened::Bad(clean::line(&name).into_owned(), all.join("\n"))
    };
    let text = match guards.loader().load(&name, None) {
        Ok((_, text)) => text,
        Err(why) => {
            let name = clean::line(&name).into_owned();
            let message = format!("error: cannot read the sheet `{name}`: {why}");
            return Opened::Bad(name, message);
        }
    };
    let file = sources.add(name.as_str(), text);
    let sheet = match sheet::read_within(file, &sources, &guards.limits) {
        Ok(sheet) => sheet,
        Err(problems) => return bad(&sources, &problems),
    };
    let beside = SheetFolder::new(path, guards.sandbox.as_ref(), &guards.limits);
    let netlist_path = beside.path(&sheet.netlist).display().to_string();
    if let Err(why) = beside.loader().load(&netlist_path, None) {
        let problem = SheetProblem::Netlist {
            path: sheet.netlist.clone(),
            why: why.to_string(),
        };
        return bad(&sources, &[problem.at(sheet.netlist_span)]);
    }
    let mut draft = Draft::read_within(&netlist_path, &beside.loader(), &guards.limits, sources);
    // What a sheet names is its own only in its folder.
    let foreign = draft.files.files().filter(|&file| {
        let file = Path::new(draft.files.name(file));
        inputs::is_outside(file, path)
    });
    for file in foreign.collect::<Vec<_>>() {
        draft.files.keep_private(file);
    }
    match Ready::new(name.clone(), sheet, draft) {
        Ok(ready) => Opened::Ready(Box::new(ready), Box::new(beside)),
        Err((sources, problems)) => bad(&sources, &problems),
    }
}
