//! `book`: the amplifier on paper, for the bench.
//!
//! The book asks the commands themselves and keeps what they put out (`report::kept`), so that
//! each figure in it is the command's own to the last byte (the voltage chart's in four digits):
//! charts are typeset, not computed anew. What a circuit has to show is found first (`found`);
//! what each section asks of which command stands in `sections`. Sections are answered on all
//! processors; their order on paper, and every byte, does not depend on which is done first.

mod answer;
mod found;
mod page;
mod played;
mod schematic;
mod sections;
mod sheets;
mod typeset;

use super::command::Command;
use super::common::{PendingText, Session, out_option};
use super::failure::Failure;
use super::outcome::Outcome;
use super::render::job;
use super::{check, driven, driven_source, interrupt, parallel};
use crate::report::progress::Progress;
use answer::{Answer, Request};
use clap::builder::TypedValueParser as _;
use clap::{Arg, ArgAction, ArgMatches};
use page::Book;
use sections::{Choice, Section};
use serde_json::json;
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "book",
    about: "The amplifier on paper: one printable page with all that the bench needs",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(out_option(
            "FILE.html",
            "Where the book goes; - is standard output",
        ))
        .arg(driven_source::option(
            "The source that is the input; without it the one with an AC value",
        ))
        .arg(
            Arg::new("sheet")
                .long("sheet")
                .value_name("SHEET.toml")
                .action(ArgAction::Append)
                .help("Add the verdicts of a regression sheet"),
        )
        .arg(
            Arg::new("runs")
                .long("runs")
                .value_name("N")
                .value_parser(
                    clap::value_parser!(i64)
                        .range(1..=1_000_000)
                        .map(|n| n as u64),
                )
                .help("Amplifiers whose voltages make the ranges of the chart (200)"),
        )
        .arg(
            Arg::new("sound")
                .long("sound")
                .action(ArgAction::SetTrue)
                .help("Add the circuit's sound, with its first pot at three settings"),
        )
        .arg(
            Arg::new("clip")
                .long("clip")
                .value_name("IN.wav")
                .requires("sound")
                .help("The sound that goes in; without it a built-in plucked phrase"),
        )
}

/// Amplifiers whose voltages make the ranges, unless said.
const RUNS: u64 = 200;

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let mut outputs = session.guards.outputs();
    let path = session.text("out").expect("required");
    let page = PendingText::stage(&mut outputs, Some(Path::new(path)))?;
    let csv = PendingText::stage(&mut outputs, session.csv().as_deref())?;
    let files = session.draft.files.files().map(|file| {
        let of = |text: &str| text.to_string();
        (
            of(session.draft.files.name(file)),
            of(session.draft.files.text(file)),
        )
    });
    let files: Vec<(String, String)> = files.filter(|f| !OWN.contains(&f.0.as_str())).collect();
    let settings = answer::settings(matches);
    let choice = Choice {
        netlist: session.text("netlist").expect("required"),
        settings: &settings,
        runs: matches.get_one::<u64>("runs").copied().unwrap_or(RUNS),
        sheets: session.texts("sheet"),
        sound: matches.get_flag("sound"),
        clip: session.text("clip"),
    };
    if let Some(clip) = choice.clip {
        job::open_wav(Path::new(clip), session.guards.sandbox.as_ref())?;
    }
    for sheet in &choice.sheets {
        // A mistake in it is reported before the work.
        check::ready(sheet, &session.guards)?;
    }
    let progress = Progress::new("book", 100.0, session.quiet);
    progress.says("looking at the circuit".to_string());
    let found = found::find(&mut session)?;
    let asked = sections::all(&found, &choice);
    let answered = answered(asked, &progress)?;
    drop(progress);
    let book = Book {
        found: &found,
        choice: &choice,
        sections: &answered,
        files,
    };
    if let Some(page) = page {
        page.fill(&book.html())?;
    }
    if let Some(csv) = csv {
        let form = answered.iter().find(|s| s.0.id == "voltages");
        csv.fill(&page::csv(&found, form.and_then(|s| s.1.first())))?;
    }
    let shown = || {
        if path == "-" {
            String::new()
        } else {
            printed(&book, path)
        }
    };
    session.finish(outputs, || record(&book), shown)?;
    Ok(Outcome::Done)
}

/// Texts of the command line among the files read.
const OWN: [&str; 2] = ["command line", "--probe"];

/// Answers all that the sections ask, on all processors.
fn answered(
    sections: Vec<Section>,
    progress: &Progress,
) -> Result<Vec<(Section, Vec<Answer>)>, Failure> {
    // What shares a survey is one job. Long ones first, so that none is left alone at the end.
    let mut jobs: Vec<Vec<(usize, usize)>> = Vec::new();
    for (s, section) in sections.iter().enumerate() {
        let each = (0..section.requests.len()).map(|k| (s, k));
        if s > 0 && sections::share(&sections[s - 1], section) {
            jobs.last_mut().expect("one before").extend(each);
        } else {
            jobs.extend(each.map(|one| vec![one]));
        }
    }
    let rank = |job: &Vec<(usize, usize)>| {
        let id = sections[job[0].0].id;
        LONG.iter().position(|l| *l == id).unwrap_or(LONG.len())
    };
    jobs.sort_by_key(rank);
    let whole = jobs.iter().map(Vec::len).sum::<usize>() as f64;
    let done = std::sync::atomic::AtomicUsize::new(0);
    let results = parallel::map(&jobs, parallel::processors(), |job| {
        driven::sharing(|| {
            let one = |&(s, k): &(usize, usize)| {
                let section = &sections[s];
                progress.says(format!("book: {}", section.title));
                let answer = asked(&section.requests[k]);
                let so_far = 1 + done.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                progress.at(100.0 * so_far as f64 / whole);
                answer.map(|a| ((s, k), a))
            };
            job.iter().map(one).collect::<Result<Vec<_>, _>>()
        })
    });
    interrupt::check()?;
    let mut all = Vec::new();
    for result in results {
        all.extend(result?);
    }
    all.sort_by_key(|a| a.0);
    let mut answered: Vec<(Section, Vec<Answer>)> = Vec::new();
    let mut all = all.into_iter().peekable();
    for (s, section) in sections.into_iter().enumerate() {
        let mut own = Vec::new();
        while let Some((_, answer)) = all.next_if(|a| a.0.0 == s) {
            own.push(answer);
        }
        answered.push((section, own));
    }
    Ok(answered)
}

/// Sections that take longest, the longest first.
const LONG: [&str; 5] = ["sounds", "verdicts", "voltages", "distortion", "feedback"];

/// Answers a request. One that finds no driven state is answered without its drive: what stands
/// at rest is still worth a page.
fn asked(request: &Request) -> Result<Answer, Failure> {
    let answer = answer::ask(request)?;
    let Err(why) = &answer.ended else {
        return Ok(answer);
    };
    let Some(at) = request.words.iter().position(|w| w == "--drive") else {
        return Ok(answer);
    };
    let mut silent = request.clone();
    // --drive V --source NAME
    silent.words.drain(at..at + 4);
    let mut again = answer::ask(&silent)?;
    again.kept.messages += &format!("note: not driven: {why}\n");
    Ok(again)
}

fn record(book: &Book<'_>) -> serde_json::Value {
    let section = |(section, answers): &(Section, Vec<Answer>)| {
        let left_out = book.why_not(section, answers);
        let answers = answers.iter().map(|a| {
            json!({
                "command": a.line,
                "about": a.heading,
                "failed": a.ended.as_ref().err(),
                "figures": a.figures,
                "messages": a.kept.messages,
            })
        });
        json!({
            "section": section.id,
            "title": section.title,
            "left_out": left_out,
            "answers": answers.collect::<Vec<_>>(),
        })
    };
    json!({
        "title": book.found.title,
        "netlist": book.choice.netlist,
        "version": env!("GRIDLEAK_VERSION"),
        "source": book.found.source.as_ref().ok(),
        "probe": book.found.probe.as_ref().ok(),
        "load": book.found.load,
        "frequency_hz": book.found.freq_hz,
        "level": book.found.level.map(|l| l.peak()),
        "points_at_rest": book.found.still,
        "sections": book.sections.iter().map(section).collect::<Vec<_>>(),
    })
}

fn printed(book: &Book<'_>, path: &str) -> String {
    let mut text = format!(
        "{}\n{path}: print it on A4, or to PDF, from a browser\n",
        book.found.title
    );
    for (section, answers) in book.sections {
        match book.why_not(section, answers) {
            None => text += &format!("  {}\n", section.title),
            Some(why) => text += &format!("  {}: left out, {why}\n", section.title),
        }
    }
    text += &format!("{}\n", super::command::SAFETY);
    text
}
