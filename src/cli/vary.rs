//! `vary`: any figure against one or two stepped values.

use super::command::Command;
use super::common::{self, PendingText, Session};
use super::failure::Failure;
use super::outcome::Outcome;
use super::settings::name_span;
use super::sheet_folder::SheetFolder;
use super::{interrupt, parallel};
use crate::circuit::Circuit;
use crate::circuit::bind::Timing;
use crate::circuit::params::MAINS;
use crate::diag::Span;
use crate::figure::bench::{Bench, FigureValue, Judging, Reading, Trouble};
use crate::figure::choice::{Choice, TEMPERATURE, choose, sets_the_same};
use crate::figure::digits::shown;
use crate::figure::registry::Gives;
use crate::figure::{Figure, Words};
use crate::limits::Bound;
use crate::measure::findings::STABILITY;
use crate::num;
use crate::report::csv::Csv;
use crate::report::plot::{self, Trace};
use crate::report::progress::Progress;
use crate::report::table::{Side, Table};
use clap::{Arg, ArgAction, ArgMatches};
use serde_json::json;
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "vary",
    about: "Any figure against one or two stepped values, as a table, CSV and plot",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .arg(
            Arg::new("vary")
                .long("vary")
                .value_name("NAME=a,b,c")
                .action(ArgAction::Append)
                .required(true)
                .help(
                    "Step a value, NAME.parameter, pot, toggle, valve type, `temperature` or `mains` \
                     (per cent) through these; repeat it to run every combination",
                ),
        )
        .arg(
            Arg::new("figure")
                .long("figure")
                .value_name("FIGURE")
                .action(ArgAction::Append)
                .required(true)
                .help(
                    "What is measured, for example `plate dissipation of XV4`; `gridleak check \
                     --explain` lists every figure",
                ),
        )
        .arg(
            Arg::new("plot")
                .long("plot")
                .value_name("PATH")
                .help("Draw the figures against the first value, a curve for each second, as SVG"),
        )
}

/// Values that can be stepped at once.
const STEPS: usize = 2;

/// A value that is stepped.
struct Stepped {
    name: String,
    values: Vec<Choice>,
}

/// One combination, measured: a value for each figure; none where there is no solution.
type Combination = (Vec<Choice>, Vec<Result<Reading, String>>);

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let mut session = Session::open(matches)?;
    let steps = steps(&mut session)?;
    let figures = figures(&mut session)?;
    if !session.texts("probe").is_empty() {
        return Err(Failure::usage("vary takes no `--probe`")
            .hint("a probe is a figure too: `--figure v(out)`"));
    }
    let base = session.circuit(Timing::default())?;
    if let [one, other] = &steps[..]
        && sets_the_same(&base, &one.name, &other.name)
    {
        return Err(Failure::usage(format!(
            "`{}` and `{}` are one thing: it cannot be stepped twice",
            one.name, other.name
        ))
        .hint("give all of its values to one `--vary`"));
    }
    session.warn_of_supply(&base);
    let plot_path = session.text("plot").map(Path::new);
    if plot_path.is_some()
        && steps[0]
            .values
            .iter()
            .any(|v| num::parse(&v.text).is_none())
    {
        return Err(Failure::usage(format!(
            "`--plot` needs numbers to draw against, `{}` is stepped through names",
            steps[0].name
        ))
        .hint("step something with numbers first"));
    }
    let mut outputs = session.guards.outputs();
    let table = PendingText::stage(&mut outputs, session.csv().as_deref())?;
    let plot = PendingText::stage(&mut outputs, plot_path)?;

    let combinations: Vec<Vec<Choice>> = combinations(&steps);
    let figure_list: Vec<&Figure> = figures.iter().collect();
    let beside = SheetFolder::here(session.guards.sandbox.as_ref(), &session.guards.limits);
    let stopped = || interrupt::check().is_err();
    let given = session.settings();
    let (netlist, sources) = (&session.draft.netlist, &session.draft.files);
    let progress = Progress::new("vary", combinations.len() as f64, session.quiet);
    let measured = parallel::map(&combinations, parallel::processors(), |choices| {
        let (netlist, settings) = choose(netlist, &base, choices);
        let all = given.unused_yet(settings.list());
        let mut bench = Bench::new(&netlist, all, sources.clone(), &beside, &stopped);
        bench.judges = Judging::Stability;
        let found = readings(&mut bench, &figure_list);
        progress.one_more();
        let unstable = bench.findings.into_iter().find(|f| f.quantity == STABILITY);
        found.map(|found| (found, unstable))
    });
    drop(progress);
    let mut rows: Vec<Combination> = Vec::new();
    for (choices, values) in combinations.into_iter().zip(measured) {
        let (values, unstable) = values?;
        if let Some(found) = unstable {
            session.warning(&format!("{}: {}", label(&choices), found.told()));
        }
        rows.push((choices, values));
    }

    let chart = || printed(&base.title, &steps, &figures, &rows);
    let failed = rows.iter().filter_map(|(choices, values)| {
        let why = values.iter().find_map(|v| v.as_ref().err())?;
        Some(format!("error: {}: {why}\n", label(choices)))
    });
    let failed: String = failed.collect();
    if !failed.is_empty() {
        // What was found is shown; a file with gaps would pass for a result.
        session.show(chart)?;
        common::tell(&failed);
        return Ok(Outcome::NoSolution);
    }
    if let Some(table) = table {
        table.fill(&csv(&steps, &figures, &rows))?;
    }
    if let Some(plot) = plot {
        plot.fill(&drawn(&base, &steps, &figures, &rows))?;
    }
    session.finish(
        outputs,
        || record(&base.title, &steps, &figures, &rows),
        chart,
    )?;
    Ok(Outcome::Done)
}

/// What a bench measures of figures that are numbers: why not where there is no solution.
///
/// # Errors
/// If a figure cannot be asked of this circuit, or the run is to end.
pub(super) fn readings(
    bench: &mut Bench<'_>,
    figures: &[&Figure],
) -> Result<Vec<Result<Reading, String>>, Failure> {
    let found = match bench.measure(figures) {
        Ok(found) => found,
        Err(problems) => {
            return Err(Failure::Input(Box::new(bench.sources.clone()), problems));
        }
    };
    let reading = |found| match found {
        Ok(FigureValue::Number(reading)) => Ok(Ok(reading)),
        Ok(_) => unreachable!("only numbers are let through"),
        Err(Trouble::NoSolution(none)) => Ok(Err(none.to_string())),
        Err(Trouble::Unsolved(why) | Trouble::Absent(why)) => Ok(Err(why)),
        Err(Trouble::Stopped) => Err(Failure::Interrupted),
        Err(Trouble::Input(problem)) => {
            let sources = Box::new(bench.sources.clone());
            Err(Failure::Input(sources, vec![problem]))
        }
    };
    found.into_iter().map(reading).collect()
}

/// The values of every --vary.
fn steps(session: &mut Session<'_>) -> Result<Vec<Stepped>, Failure> {
    let mut steps: Vec<Stepped> = Vec::new();
    for text in session.texts("vary") {
        let wrong = |why: &str| {
            Failure::usage(format!("`--vary {text}` {why}"))
                .hint("expected NAME=a,b,c, for example `--vary RK1=1k,1.5k,2.2k`")
        };
        let (name, list) = text.split_once('=').ok_or_else(|| wrong("has no `=`"))?;
        let name = name.trim();
        if name.is_empty() || list.split(',').any(|v| v.trim().is_empty()) {
            return Err(wrong("lacks a name or a value"));
        }
        if steps.iter().any(|s| s.name.eq_ignore_ascii_case(name)) {
            return Err(wrong("names what another --vary does"));
        }
        let line = format!("--vary {text}");
        let file = session.draft.files.add("command line", line.as_str());
        let mut start = line.len() - list.len();
        let name_span = name_span(file, &line, text, name);
        let values = list
            .split(',')
            .map(|raw| {
                let at = start + raw.len() - raw.trim_start().len();
                let choice = Choice {
                    name: name.to_string(),
                    text: raw.trim().to_string(),
                    span: Span::new(file, at, at + raw.trim().len()),
                    name_span,
                };
                start += raw.len() + 1;
                choice
            })
            .collect();
        steps.push(Stepped {
            name: name.to_string(),
            values,
        });
    }
    if steps.len() > STEPS {
        return Err(Failure::usage(format!(
            "{} values are stepped, at most {STEPS} can be",
            steps.len()
        ))
        .into());
    }
    let count: f64 = steps.iter().map(|s| s.values.len() as f64).product();
    session
        .guards
        .within(Bound::Combinations, count, |count, most| {
            format!("{count} combinations are asked for, at most {most} can be")
        })?;
    Ok(steps)
}

/// The figures, all of which must be numbers.
pub(super) fn figures(session: &mut Session<'_>) -> Result<Vec<Figure>, Failure> {
    let mut figures = Vec::new();
    let mut problems = Vec::new();
    for text in session.texts("figure") {
        let file = session.draft.files.add("--figure", text);
        match Figure::parse(text, Words::whole(file, text)) {
            Ok(figure) if figure.quantity.gives != Gives::Number => {
                return Err(Failure::usage(format!(
                    "`{}` is not a single number",
                    figure.quantity.name
                ))
                .hint("expected a figure that is one number"));
            }
            Ok(figure) => figures.push(figure),
            Err(problem) => problems.push(problem),
        }
    }
    if problems.is_empty() {
        Ok(figures)
    } else {
        Err(session.failed(problems))
    }
}

/// Every combination, the last step's values changing first.
fn combinations(steps: &[Stepped]) -> Vec<Vec<Choice>> {
    steps.iter().fold(vec![Vec::new()], |all, step| {
        all.iter()
            .flat_map(|before| {
                step.values.iter().map(|value| {
                    let mut more = before.clone();
                    more.push(value.clone());
                    more
                })
            })
            .collect()
    })
}

fn label(choices: &[Choice]) -> String {
    let pairs = choices.iter().map(|c| format!("{}={}", c.name, c.text));
    pairs.collect::<Vec<_>>().join(", ")
}

/// One row a combination and figure; stepped numbers in base units.
fn csv(steps: &[Stepped], figures: &[Figure], rows: &[Combination]) -> String {
    let mut csv = Csv::empty();
    let mut write = |row: Vec<String>| csv.row(&row);
    let mut head: Vec<String> = steps.iter().map(|s| s.name.clone()).collect();
    head.extend(["figure", "value", "unit"].map(str::to_string));
    write(head);
    for (choices, values) in rows {
        for (figure, value) in figures.iter().zip(values) {
            let mut row: Vec<String> = choices.iter().map(base_units).collect();
            let number = value.as_ref().map(|v| num::full(v.value));
            row.push(figure.text.clone());
            row.push(number.unwrap_or_default());
            row.push(value.as_ref().map_or(figure.unit(), |v| v.unit).to_string());
            write(row);
        }
    }
    csv.text()
}

/// A stepped value as a plain number, or its name.
fn base_units(choice: &Choice) -> String {
    num::parse(&choice.text).map_or_else(|| choice.text.clone(), num::full)
}

fn record(
    title: &str,
    steps: &[Stepped],
    figures: &[Figure],
    rows: &[Combination],
) -> serde_json::Value {
    json!({
        "title": title.trim(),
        "steps": steps.iter().map(|s| json!({
            "name": s.name,
            "values": s.values.iter().map(|v| &v.text).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "rows": rows.iter().flat_map(|(choices, values)| {
            figures.iter().zip(values).map(|(figure, value)| json!({
                "at": choices.iter().map(|c| &c.text).collect::<Vec<_>>(),
                "figure": figure.text,
                "value": value.as_ref().ok().map(|v| v.value),
                "unit": value.as_ref().map_or(figure.unit(), |v| v.unit),
                "limit": value.as_ref().ok().and_then(|v| v.limit),
            })).collect::<Vec<_>>()
        }).collect::<Vec<_>>(),
    })
}

/// A table with a column a figure, and shares of ratings where there are any.
fn printed(title: &str, steps: &[Stepped], figures: &[Figure], rows: &[Combination]) -> String {
    let mut columns: Vec<(&str, Side)> = steps
        .iter()
        .map(|s| (s.name.as_str(), Side::Right))
        .collect();
    columns.extend(figures.iter().map(|f| (f.text.as_str(), Side::Right)));
    let mut table = Table::new(&columns);
    for (choices, values) in rows {
        let cells = choices.iter().map(|c| c.text.clone());
        table.row(cells.chain(values.iter().map(|value| match value {
            Ok(reading) => match reading.limit {
                Some(limit) => format!(
                    "{} ({:.0} %)",
                    shown(reading.value, reading.unit),
                    100.0 * reading.value / limit
                ),
                None => shown(reading.value, reading.unit),
            },
            Err(_) => "none".into(),
        })));
    }
    format!("{}\n\n{}", title.trim(), table.text())
}

/// The figures over the first value: a curve for each second value.
fn drawn(base: &Circuit, steps: &[Stepped], figures: &[Figure], rows: &[Combination]) -> String {
    let place = |choice: &Choice| num::parse(&choice.text).unwrap_or(f64::NAN);
    let mut x: Vec<f64> = steps[0].values.iter().map(place).collect();
    x.sort_by(f64::total_cmp);
    x.dedup();
    let family: Vec<Option<&Choice>> = match steps.get(1) {
        Some(second) => second.values.iter().map(Some).collect(),
        None => vec![None],
    };
    let mut traces = Vec::new();
    for (k, figure) in figures.iter().enumerate() {
        for member in &family {
            let own = rows
                .iter()
                .filter(|r| member.is_none_or(|m| r.0[1].text == m.text));
            let points: Vec<(f64, f64)> = own
                .map(|r| {
                    let value = r.1[k].as_ref().map_or(f64::NAN, |v| v.value);
                    (place(&r.0[0]), value)
                })
                .collect();
            let at = |x: f64| points.iter().find(|p| p.0 == x).map_or(f64::NAN, |p| p.1);
            let name = match (member, figures.len()) {
                (Some(m), 1) => format!("{}={}", m.name, m.text),
                (Some(m), _) => format!("{}={} {}", m.name, m.text, figure.text),
                (None, _) => figure.text.clone(),
            };
            let unit = rows
                .iter()
                .find_map(|r| r.1[k].as_ref().ok())
                .map_or(figure.unit(), |v| v.unit);
            let limit = |r: &Combination| r.1[k].as_ref().ok().and_then(|v| v.limit);
            let rating = rows.iter().find_map(limit);
            let values = x.iter().map(|&x| at(x)).collect();
            let trace = Trace::new(name, unit, values).dotted(rating);
            // A second value keeps its colour whichever figure is drawn.
            traces.push(match member {
                Some(member) => trace.in_family(&member.text),
                None => trace,
            });
        }
    }
    let title = match figures.len() {
        1 => format!("{}: {}", base.title.trim(), figures[0].text),
        _ => base.title.trim().to_string(),
    };
    let stepped = &steps[0].name;
    plot::against(&title, (stepped, unit_of(base, stepped)), &x, &traces)
}

/// The unit of what is stepped; none of a parameter, a knob or a valve.
fn unit_of(base: &Circuit, name: &str) -> &'static str {
    if name.eq_ignore_ascii_case(TEMPERATURE) {
        return "°C";
    }
    if name.eq_ignore_ascii_case(MAINS) {
        return "%";
    }
    match base.element(name).map(|element| element.letter) {
        Some('R') => "ohm",
        Some('C') => "F",
        Some('L') => "H",
        Some('V') => "V",
        Some('I') => "A",
        _ => "",
    }
}
