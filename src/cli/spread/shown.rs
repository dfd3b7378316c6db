//! What `spread` prints: all that varies before the runs, what came of it after them.

use super::asked::Asked;
use super::board::Board;
use super::extremes::Corners;
use super::work::{Shares, Tally};
use crate::figure::digits::shown;
use crate::num;
use crate::report::table::{Side, Table};
use crate::tolerance::list::{Origin, Shape, Variable};
use crate::tolerance::sample::Order;
use crate::tolerance::statistics::wilson;

/// Parts that the chart of shares names, for each figure.
pub const NAMED: usize = 8;

/// A range as a builder writes it.
pub fn range(variable: &Variable) -> String {
    let (low, high) = (variable.range.low, variable.range.high);
    let (by, unit) = match variable.unit {
        None => (100.0, "%"),
        Some("C") => (1.0, "°C"),
        Some(unit) => (1.0, unit),
    };
    let say = |x: f64| num::full((x * by * 1e9).round() / 1e9);
    if low == -high {
        format!("±{} {unit}", say(high))
    } else {
        format!("{}..+{} {unit}", say(low), say(high))
    }
}

/// What varies, values of one range together.
pub fn before(asked: &Asked<'_>) -> String {
    let variables = &asked.plan.variables;
    let mut groups: Vec<(&'static str, String, String, &'static str, Vec<&str>)> = Vec::new();
    for variable in &variables.all {
        let quantity = match variable.name.rsplit_once('.') {
            Some((_, q)) if variable.name != element_name(variable, asked) => match q {
                "current" => "current",
                "mu" => "mu",
                "vct" => "contact potential",
                "mid" => "taper",
                "lp" | "l" => "inductance",
                "leak" => "leakage",
                "dcr" | "dcrs" | "r" | "rpri" | "rht" | "rbias" => "resistance",
                _ => "parameter",
            },
            _ if variable.class.name() == "pot" => "track",
            _ => "value",
        };
        let from = match variable.origin {
            Origin::Default(from) => from,
            Origin::Line => "its line",
            Origin::Option => "--tol",
        };
        let range = range(variable);
        let class = variable.class.name();
        let found = groups
            .iter_mut()
            .find(|g| g.0 == class && g.1 == quantity && g.2 == range && g.3 == from);
        match found {
            Some(group) => group.4.push(&variable.name),
            None => groups.push((
                class,
                quantity.to_string(),
                range,
                from,
                vec![&variable.name],
            )),
        }
    }
    let mut text = format!("{}\n\n", asked.title);
    if groups.is_empty() {
        return text + "Nothing varies: every amplifier is the one that is drawn.\n\n";
    }
    let left = Side::Left;
    let mut table = Table::new(&[
        ("kind", left),
        ("varies", left),
        ("range", Side::Right),
        ("from", left),
        ("parts", left),
    ]);
    for (class, quantity, range, from, names) in &groups {
        let mut line = String::new();
        let mut lines = Vec::new();
        for name in names {
            if line.chars().count() + name.chars().count() > 60 {
                lines.push(std::mem::take(&mut line));
            }
            line = [line.as_str(), name].join(if line.is_empty() { "" } else { " " });
        }
        lines.push(line);
        let mut lines = lines.into_iter();
        let first = lines.next().unwrap_or_default();
        table.row([
            *class,
            quantity.as_str(),
            range.as_str(),
            *from,
            first.as_str(),
        ]);
        for more in lines {
            table.row(["", "", "", "", more.as_str()]);
        }
    }
    let shape = match asked.plan.shape {
        Shape::Uniform => "evenly spread over their range",
        Shape::Normal => {
            "normally distributed, a third of the range the standard deviation, cut off at its ends"
        }
    };
    let even = match asked.order {
        Order::Chance => "",
        Order::Even => ", each part's evenly over the runs",
    };
    text += &format!(
        "{} values vary in {} parts, {shape}{even}.\n{}\n",
        variables.all.len(),
        variables.parts.len(),
        table.text()
    );
    text
}

/// The element's own name, whose dots are those of subcircuits.
fn element_name<'a>(variable: &'a Variable, asked: &'a Asked<'_>) -> &'a str {
    let parts = &asked.plan.variables.parts;
    // A resistor in a subcircuit is called `X1.R5`; its part has the same name.
    if parts[variable.part] == variable.name {
        &variable.name
    } else {
        &parts[variable.part]
    }
}

/// What the runs came to.
pub fn after(
    asked: &Asked<'_>,
    board: &Board,
    tally: &Tally,
    shares: &Shares,
    corners: &Option<Corners>,
) -> String {
    let mut text = if tally.runs == asked.runs {
        format!("{} amplifiers of seed {}\n", tally.runs, asked.seed)
    } else {
        format!(
            "amplifiers {} to {} of {} of seed {}\n",
            asked.range.start,
            asked.range.end - 1,
            asked.runs,
            asked.seed
        )
    };
    let right = Side::Right;
    let mut table = Table::new(&[
        ("figure", Side::Left),
        ("as drawn", right),
        ("mean", right),
        ("deviation", right),
        ("1 %", right),
        ("50 %", right),
        ("99 %", right),
        ("least", right),
        ("run", right),
        ("greatest", right),
        ("run", right),
    ]);
    for (k, column) in board.columns.iter().enumerate() {
        let summary = &tally.summaries[k];
        let say = |x: f64| {
            if x.is_finite() {
                shown(x, column.unit)
            } else {
                "none".to_string()
            }
        };
        let quantiles = summary.quantiles(&[0.01, 0.5, 0.99]);
        let mut row = vec![
            column.name.clone(),
            say(board.nominal[k].unwrap_or(f64::NAN)),
            say(if summary.count > 0 {
                summary.mean
            } else {
                f64::NAN
            }),
            say(summary.deviation()),
        ];
        row.extend(quantiles.into_iter().map(say));
        for (value, run) in [summary.least, summary.most] {
            row.push(say(value));
            row.push(if summary.count > 0 {
                run.to_string()
            } else {
                String::new()
            });
        }
        table.row(row);
    }
    text += &table.text();
    for (k, column) in board.columns.iter().enumerate() {
        let summary = &tally.summaries[k];
        if summary.missing == 0 {
            continue;
        }
        text += &format!(
            "  `{}` does not exist in {} of them",
            column.name, summary.missing
        );
        match &tally.why[k] {
            Some((run, why)) => text += &format!("; in run {run}: {why}\n"),
            None => text += "\n",
        }
    }
    text += &format!(
        "`gridleak spread {} --seed {} --show-run R` gives the settings of amplifier R.\n",
        asked.text("netlist").unwrap_or(""),
        asked.seed
    );
    text += &passed(asked, board, tally);
    text += &shared(asked, board, shares);
    if let Some(corners) = corners {
        text += &cornered(asked, board, corners);
    }
    text
}

fn passed(asked: &Asked<'_>, board: &Board, tally: &Tally) -> String {
    if !asked.is_sheet() {
        return String::new();
    }
    let right = Side::Right;
    let mut table = Table::new(&[
        ("expectation", Side::Left),
        ("met by", right),
        ("", right),
        ("95 % interval", right),
        ("as drawn", Side::Left),
    ]);
    let mut add = |name: &str, passed: u64, drawn: bool| {
        let (part, low, high) = wilson(passed, tally.runs);
        table.row([
            name.to_string(),
            passed.to_string(),
            format!("{:.1} %", 100.0 * part),
            format!("{:.1} to {:.1} %", 100.0 * low, 100.0 * high),
            if drawn { "met" } else { "not met" }.to_string(),
        ]);
    };
    for (k, name) in board.expectations.iter().enumerate() {
        add(name, tally.passed[k], board.nominal_passes[k]);
    }
    let all = board.nominal_passes.iter().all(|p| *p);
    add("all of them", tally.passed_all, all);
    format!("\n{}", table.text())
}

/// The parts of a column, the largest share first: names, own share, share in total.
pub fn ranked(asked: &Asked<'_>, shares: &Shares, column: usize) -> Vec<(String, f64, f64, f64)> {
    let parts = &asked.plan.variables.parts;
    let mut all: Vec<(String, f64, f64, f64)> = match shares {
        Shares::None => vec![],
        Shares::Straight(found) => {
            let Some((own, _)) = found.get(column) else {
                return vec![];
            };
            let own = parts.iter().zip(own);
            own.map(|(p, s)| (p.clone(), s.part, s.error, f64::NAN))
                .collect()
        }
        Shares::Exact(found) => {
            let Some(own) = found.get(column) else {
                return vec![];
            };
            let own = parts.iter().zip(own);
            own.map(|(p, (f, t))| (p.clone(), f.part, f.error, t.part))
                .collect()
        }
    };
    let size = |s: &(String, f64, f64, f64)| if s.3.is_nan() { s.1 } else { s.3.max(s.1) };
    all.sort_by(|a, b| size(b).total_cmp(&size(a)).then_with(|| a.0.cmp(&b.0)));
    all
}

fn shared(asked: &Asked<'_>, board: &Board, shares: &Shares) -> String {
    let percent = |part: f64, error: f64| {
        let (part, error) = (100.0 * part, 100.0 * error);
        if error < 1.0 {
            format!("{part:.1} ± {error:.1} %")
        } else {
            format!("{part:.0} ± {error:.0} %")
        }
    };
    let right = Side::Right;
    let mut text = String::new();
    for (k, column) in board.columns.iter().enumerate() {
        let ranked = ranked(asked, shares, k);
        if ranked.is_empty() {
            continue;
        }
        let mut table = match shares {
            Shares::Exact(_) => Table::new(&[
                ("part", Side::Left),
                ("alone", right),
                ("with all it acts on", right),
            ]),
            _ => Table::new(&[("part", Side::Left), ("share", right)]),
        };
        for (name, own, error, _) in ranked.iter().take(NAMED).filter(|r| r.1.max(r.3) > 0.001) {
            let mut row = vec![name.clone(), percent(*own, *error)];
            if let Shares::Exact(found) = shares {
                let at = asked.plan.variables.parts.iter().position(|p| p == name);
                let total = found[k][at.expect("a part")].1;
                row.push(percent(total.part, total.error));
            }
            table.row(row);
        }
        if let Shares::Straight(found) = shares {
            let rest = found[k].1;
            if rest.part > 0.01 {
                let name = "curvature and parts together".to_string();
                table.row([name, percent(rest.part, rest.error)]);
            }
        }
        if !table.is_empty() {
            text += &format!("\nWhat makes `{}` vary:\n{}", column.name, table.text());
        }
    }
    text
}

fn cornered(asked: &Asked<'_>, board: &Board, corners: &Corners) -> String {
    let variables = &asked.plan.variables.all;
    let mut text = String::from("\nThe extremes within all tolerances:\n");
    for (column, both) in board.columns.iter().zip(corners) {
        for (word, found) in ["least", "greatest"].into_iter().zip(both) {
            let Some(found) = found else {
                text += &format!(
                    "  `{}`: no {word}: there is none at that corner\n",
                    column.name
                );
                continue;
            };
            let ends = variables.iter().zip(&found.corner).zip(&found.acts);
            let signs: Vec<String> = ends
                .filter(|(_, acts)| **acts)
                .map(|((v, &up), _)| format!("{}{}", v.name, if up { "+" } else { "-" }))
                .collect();
            text += &format!(
                "  `{}`: {word} {} with {}\n",
                column.name,
                shown(found.figure, column.unit),
                signs.join(" ")
            );
        }
    }
    text
}
