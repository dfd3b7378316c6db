//! The book as one page that prints on A4.

use super::answer::{self, Answer};
use super::found::{Found, Level};
use super::sections::{self, Choice, Section};
use super::{played, schematic, typeset};
use crate::cli::command::SAFETY;
use crate::cli::heading::in_case;
use crate::num;
use crate::report::csv::Csv;
use crate::report::page::{self, escaped};
use crate::report::player;
use crate::report::table::{Side, Table};
use serde_json::Value;
use std::collections::HashSet;
use std::fmt::Write;

const STYLE: &str = include_str!("book.css");

/// All that goes into it.
pub struct Book<'a> {
    /// What the circuit has.
    pub found: &'a Found,
    /// What the user chose.
    pub choice: &'a Choice<'a>,
    /// Sections with their answers.
    pub sections: &'a [(Section, Vec<Answer>)],
    /// Names and texts of the files that the circuit is read from.
    pub files: Vec<(String, String)>,
}

impl Book<'_> {
    /// The whole document.
    pub fn html(&self) -> String {
        // In a string of a style sheet backslashes and quotes mean something, and `<` could end it.
        let plain = |c: char| c.is_alphanumeric() || " .,:;()+-/'_&".contains(c);
        let running: String = self.found.title.chars().filter(|c| plain(*c)).collect();
        let is_played = |(section, answers): &(Section, Vec<Answer>)| {
            section.id == "sounds" && self.why_not(section, answers).is_none()
        };
        let mut body = self.first();
        let mut said: HashSet<String> = HashSet::new();
        for (section, answers) in self.sections {
            if self.why_not(section, answers).is_some() {
                continue;
            }
            body += &self.section(section, answers, &mut said);
        }
        body += &self.method();
        body += &self.annex();
        let own = STYLE.replace("TITLE", &running);
        let (player, script) = (played::style(), player::SCRIPT);
        let (styles, scripts) = if self.sections.iter().any(is_played) {
            (vec![own.as_str(), player.as_str()], vec![script])
        } else {
            (vec![own.as_str()], vec![])
        };
        page::paper(&self.found.title, &styles, &body, &scripts)
    }

    /// Cautions, contents, and what is left out.
    fn first(&self) -> String {
        let mut html = format!(
            "<h1>{}</h1>\n<p>Bench book, computed from the netlist <code>{}</code>{}.</p>\n",
            escaped(&self.found.title),
            escaped(self.choice.netlist),
            if self.choice.settings.is_empty() {
                String::new()
            } else {
                format!(
                    " with <code>{}</code>",
                    escaped(&self.choice.settings.join(" "))
                )
            }
        );
        html +=
            "<section class=\"cautions\" id=\"cautions\">\n<h2>Before you touch it</h2>\n<ul>\n";
        html += &format!("<li><strong>{}</strong></li>\n", escaped(SAFETY));
        let verdicts = self
            .answer("verdicts")
            .map_or("", |a| a.kept.chart.as_str());
        for line in verdicts.lines().filter(|l| l.starts_with("DANGER")) {
            html += &format!("<li><strong>{}</strong></li>\n", escaped(line));
        }
        for line in CAUTIONS {
            html += &format!("<li>{line}</li>\n");
        }
        html += "</ul>\n</section>\n<section>\n<h2>Contents</h2>\n<ol class=\"contents\">\n";
        let there = self
            .sections
            .iter()
            .filter(|s| self.why_not(&s.0, &s.1).is_none());
        let own = there.map(|s| (s.0.id, s.0.title));
        for (id, title) in own.chain(LAST) {
            html += &format!("<li><a href=\"#{id}\">{title}</a></li>\n");
        }
        html += "</ol>\n";
        let mut left = String::new();
        for (section, answers) in self.sections {
            if let Some(why) = self.why_not(section, answers) {
                left += &format!("<li>{}: {}</li>\n", section.title, escaped(&why));
            }
        }
        if !left.is_empty() {
            html += &format!("<h3>Left out</h3>\n<ul>\n{left}</ul>\n");
        }
        html + "</section>\n"
    }

    fn answer(&self, id: &str) -> Option<&Answer> {
        self.sections.iter().find(|s| s.0.id == id)?.1.first()
    }

    /// Why a section is not there.
    pub fn why_not(&self, section: &Section, answers: &[Answer]) -> Option<String> {
        if let Some(why) = &section.left_out {
            return Some(why.clone());
        }
        let failed = answers.iter().map(|a| a.ended.as_ref().err());
        let failed: Option<Vec<&String>> = failed.collect();
        failed.map(|all| all.first().map_or(String::new(), |why| why.to_string()))
    }

    fn section(&self, section: &Section, answers: &[Answer], said: &mut HashSet<String>) -> String {
        let mut html = format!(
            "<section class=\"new\" id=\"{}\">\n<h2>{}</h2>\n",
            section.id, section.title
        );
        html += "<p class=\"command\">";
        let lines = answers.iter().map(|a| escaped(&short(section, &a.line)));
        html += &lines.collect::<Vec<_>>().join("<br>\n");
        html += "</p>\n";
        html += &self.opening(section);
        for answer in answers {
            html += &messages(answer, said);
        }
        if section.id == "knobs" {
            html += &knobs(answers);
        } else {
            for answer in answers {
                html += &self.answered(section, answer);
            }
        }
        if section.id == "noise" {
            html += &self.hum();
        }
        html + "</section>\n"
    }

    /// What a reader should know first.
    fn opening(&self, section: &Section) -> String {
        let found = self.found;
        let volts = |level: f64| num::engineering(level, "V", 3);
        let hertz = num::engineering(found.freq_hz, "Hz", 3);
        let text = match section.id {
            "verdicts" => match found.level {
                Some(Level::Full(level)) if self.was_driven() => format!(
                    "At rest, while the valves warm up, and driven to full clipping: a sine of {} peak at {hertz} at \
                     the input, 6 dB beyond the level at which the grids of the output valves reach their cathodes \
                     (without output valves: of the valves driven hardest).",
                    volts(level)
                ),
                Some(Level::Reached(level)) if self.was_driven() => format!(
                    "At rest, while the valves warm up, and driven into clipping: a sine of {} peak at {hertz} at \
                     the input, the level at which the grids of the output valves reach their cathodes \
                     (without output valves: of the valves driven hardest). \
                     Supply and signal are solved together.",
                    volts(level)
                ),
                _ => "At rest and while the valves warm up. Nothing plays: no source or level is \
                      known that drives a valve to clipping, or no driven state was found."
                    .to_string(),
            },
            "parts" => {
                "Compare every rating with the data sheet of the part that you buy.".to_string()
            }
            "distortion" if found.mains => format!(
                "Supply and signal are solved together, so sag and hum are in all figures; {hertz} shares a period \
                 with the mains."
            ),
            "knobs" => "One knob is turned, all others stay where the netlist or the command line \
                        has them."
                .to_string(),
            "sounds" => "To be heard from a browser; paper has the table, the waveforms and the \
                         spectra. Equally loud, for a fair comparison."
                .to_string(),
            "sheet" => "The sheet brings its own netlist and settings; those of this book do not \
                        act on it."
                .to_string(),
            _ => return String::new(),
        };
        format!("<p>{}</p>\n", escaped(&text))
    }

    fn was_driven(&self) -> bool {
        let asked = self.answer("verdicts");
        asked.is_some_and(|a| a.line.contains("--drive"))
    }

    fn answered(&self, section: &Section, answer: &Answer) -> String {
        let mut html = String::new();
        if !answer.heading.is_empty() {
            html += &format!("<h3>{}</h3>\n", escaped(&answer.heading));
        }
        if let Err(why) = &answer.ended {
            return html + &format!("<p>Left out: {}</p>\n", escaped(why));
        }
        match section.id {
            "schematic" => {
                let drawn = answer.picture.as_deref();
                let pages = drawn.and_then(|svg| schematic::pages(svg, &self.found.title));
                return html + &pages.unwrap_or_default();
            }
            "voltages" => return html + &self.form(answer),
            "sounds" => return html + &played::markup(answer),
            _ => {}
        }
        if let Some(svg) = &answer.picture {
            html += &picture(svg, section.title, "");
        }
        html += &typeset::chart(&answer.kept, &self.found.title);
        if section.id == "sheet" {
            html += &judged(answer);
        }
        html
    }

    /// The voltage chart with a column for own readings.
    fn form(&self, answer: &Answer) -> String {
        let Some(figures) = answer.figures["figures"].as_array() else {
            return String::new();
        };
        let points = &self.found.points;
        let cells = |figure: &Value| {
            let unit = figure["unit"].as_str().unwrap_or_default();
            let shown = |v: &Value| match v.as_f64() {
                Some(v) => format!(
                    "<td class=\"right\">{}</td>",
                    escaped(&num::engineering(v, unit, DIGITS))
                ),
                None => "<td class=\"right\"></td>".to_string(),
            };
            let least = shown(&figure["least"]["value"]);
            let greatest = shown(&figure["greatest"]["value"]);
            let drawn = shown(&figure["drawn"]);
            format!("{drawn}{least}{greatest}<td class=\"own\"></td></tr>\n")
        };
        let top = |first: &str, second: &str| {
            format!(
                "<div class=\"scrolls\"><table class=\"form\">\n<thead><tr><th scope=\"col\">{first}</th><th scope=\"col\">\
                 {second}</th><th scope=\"col\" class=\"right\">expected</th><th scope=\"col\" class=\"right\">\
                 least</th><th scope=\"col\" class=\"right\">greatest</th><th scope=\"col\">own reading</th></tr>\
                 </thead>\n<tbody>\n"
            )
        };
        let mut html = format!(
            "<p>To ground, nothing playing, controls as the schematic says. Least and greatest: of {} amplifiers \
             whose parts, valves and mains lie within their tolerances. A reading outside is a reason to \
             look, not yet a fault; a meter of 10 MΩ loads high-impedance points. Clip the meter on \
             with the amplifier off and its capacitors discharged.</p>\n",
            self.choice.runs
        );
        html += &top("point", "where");
        for (point, figure) in points.iter().zip(figures) {
            let has_ac = points.iter().any(|p| p.ac && p.node == point.node);
            let meter = match (point.ac, has_ac) {
                (true, _) => " AC",
                (false, true) => " DC",
                (false, false) => "",
            };
            let _ = write!(
                html,
                "<tr><td>{}{meter}</td><td>{}</td>{}",
                escaped(&point.node),
                escaped(&point.place),
                cells(figure)
            );
        }
        html += "</tbody>\n</table></div>\n";
        if points.iter().any(|p| p.ac) {
            html += "<p class=\"note\">AC: V rms at the mains or a winding, the meter set to AC; a point that \
                     has DC too has a row for each. Do not probe these without need; leave mains wiring to \
                     licensed practice.</p>\n";
        }
        if !self.found.still.is_empty() {
            let names = self.found.still.iter().map(|n| escaped(n));
            let names = names.collect::<Vec<_>>().join(", ");
            html += &format!(
                "<p class=\"note\">These points stand at 0 V when all is well (measure them all the same): {names}</p>\n"
            );
        }
        if !self.found.valves.is_empty() {
            html += "<h3>Valves</h3>\n";
            html += &top("valve", "what");
            let rows = figures.iter().skip(points.len());
            let what = ["plate current", "plate dissipation"];
            let asked = self.found.valves.iter().flat_map(|v| what.map(|w| (v, w)));
            for ((valve, what), figure) in asked.zip(rows) {
                let _ = write!(
                    html,
                    "<tr><td>{}</td><td>{what}</td>{}",
                    escaped(valve),
                    cells(figure)
                );
            }
            html += "</tbody>\n</table></div>\n";
            html += "<p class=\"note\">Plate current: volts across a plate or cathode resistor divided by its \
                     ohms; at the cathode the screen's current is in it.</p>\n";
        }
        html
    }

    /// What the mains leave at the output.
    fn hum(&self) -> String {
        if !self.found.mains {
            return "<h3>Hum</h3>\n<p>The netlist has no mains: its supplies are steady, so there is \
                    no hum to compute.</p>\n"
                .to_string();
        }
        let (Some(verdicts), Ok(probe)) = (self.answer("verdicts"), &self.found.probe) else {
            return String::new();
        };
        let ripple = verdicts.kept.tables.iter().find_map(|t| {
            let column = t.rows()[0].iter().position(|h| h == "ripple")?;
            let row = t.rows().iter().find(|r| r[0].eq_ignore_ascii_case(probe))?;
            Some(row[column].clone())
        });
        match ripple {
            Some(ripple) => format!(
                "<h3>Hum</h3>\n<p>{} peak to peak at {} with nothing playing, from the supply's ripple alone \
                 (<code>gridleak bias</code>). Heaters, wiring and unequal valves add to it.</p>\n",
                escaped(&ripple),
                escaped(probe)
            ),
            None => String::new(),
        }
    }

    /// How it was computed.
    fn method(&self) -> String {
        let mut html = format!(
            "<section class=\"new\" id=\"method\">\n<h2>How this was computed</h2>\n<p>gridleak {}. The same netlist, \
             settings and version give this document byte for byte. Each figure is what the command named \
             under its section prints by itself; <code>--json</code> has all of them in full precision.</p>\n",
            escaped(env!("GRIDLEAK_VERSION"))
        );
        html += "<p>Each circuit is solved from its own equations: the operating point (or, on the mains, the \
                 cycle that repeats itself), small signals about it, the steady state of a sine. Valves follow \
                 models fitted to data sheets; real ones differ by 20 to 30 % in current. Wiring, heat and \
                 leakage between windings are not in it unless the netlist has them. <code>gridleak guide \
                 accuracy</code> says how well the models fit.</p>\n<h3>Commands</h3>\n<p class=\"command\">";
        let answers = self.sections.iter().flat_map(|s| &s.1);
        let lines = answers
            .filter(|a| a.ended.is_ok())
            .map(|a| escaped(&a.line));
        html += &lines.collect::<Vec<_>>().join("<br>\n");
        html + "</p>\n</section>\n"
    }

    /// The netlist.
    fn annex(&self) -> String {
        let mut html =
            "<section class=\"new\" id=\"annex\">\n<h2>Annex: the netlist</h2>\n".to_string();
        for (name, text) in &self.files {
            html += &format!("<h3>{}</h3>\n<pre>", escaped(name));
            let tabs = text.replace('\t', "        ");
            let lines = tabs.lines().map(escaped);
            html += &lines.collect::<Vec<_>>().join("\n");
            html += "</pre>\n";
        }
        html + "</section>\n"
    }
}

/// Sections that every book has at its end.
const LAST: [(&str, &str); 2] = [
    ("method", "How this was computed"),
    ("annex", "Annex: the netlist"),
];

/// Digits of the voltage chart: as a meter has them. The CSV has all.
const DIGITS: usize = 4;

/// What is common practice at such a bench (no published source).
const CAUTIONS: [&str; 5] = [
    "Pull the mains plug before you open it. Let every capacitor discharge through a resistor, \
     then measure that each is below 10 V before your hands go in.",
    "Readings under power: one hand, meter clipped on beforehand, leads and meter rated for the \
     volts, nobody alone in the room. If you are not used to it, have somebody who is.",
    "First power through a lamp or a variable transformer, valves out, the supply measured first.",
    "Never run it without a load on the output transformer.",
    "Figures here are computed for the parts and wiring of the netlist. The meter is right, not \
     the paper: stop where they disagree and find out why.",
];

/// A command line without the figures that the rows of its table name, and the knobs' without
/// those that differ in the knob alone.
fn short(section: &Section, line: &str) -> String {
    match line.split_once(" --figure ") {
        Some((before, _)) if section.id == "voltages" => {
            format!("{before} --figure ... (one for each row; in full at the end)")
        }
        _ => line.to_string(),
    }
}

/// A plot, as wide as the page, without its rules for dark screens: paper is white.
fn picture(svg: &str, name: &str, class: &str) -> String {
    let Some((head, rest)) = svg.split_once('>') else {
        return String::new();
    };
    let view = head.split_once(" viewBox=\"");
    let view = view.and_then(|(_, after)| after.split_once('"'));
    let view = view.map_or("0 0 960 728", |(view, _)| view);
    let drawn = rest.split_once("</style>").map_or(rest, |(_, drawn)| drawn);
    format!(
        "<div class=\"picture {class}\"><svg role=\"img\" aria-label=\"{}\" viewBox=\"{view}\">{drawn}</div>\n",
        escaped(name)
    )
}

/// What a sheet expected and what was found, as people read it.
fn judged(answer: &Answer) -> String {
    let text = answer.kept.text(answer::JSON).unwrap_or_default();
    let mut table = Table::new(&[
        ("figure", Side::Left),
        ("expected", Side::Right),
        ("found", Side::Right),
        ("tolerance", Side::Right),
        ("verdict", Side::Left),
    ]);
    for verdict in text
        .lines()
        .filter_map(|l| serde_json::from_str::<Value>(l).ok())
    {
        let cell = |key: &str| verdict[key].as_str().unwrap_or_default().to_string();
        table.row([
            in_case(&cell("case"), &cell("figure")),
            cell("expected_text"),
            cell("found_text"),
            cell("tolerance"),
            cell("verdict"),
        ]);
    }
    if table.is_empty() {
        return String::new();
    }
    typeset::table(&table, "")
}

/// Families of curves, and which knobs do nothing here.
fn knobs(answers: &[Answer]) -> String {
    let (mut html, mut idle) = (String::new(), Vec::new());
    for answer in answers {
        if let Err(why) = &answer.ended {
            html += &format!(
                "<h3>{}</h3>\n<p>Left out: {}</p>\n",
                escaped(&answer.heading),
                escaped(why)
            );
            continue;
        }
        if !acts(answer) {
            idle.push(escaped(&answer.heading));
            continue;
        }
        html += "<div class=\"picture\">\n";
        html += &format!("<h3>{}</h3>\n", escaped(&answer.heading));
        if let Some(svg) = &answer.picture {
            html += &picture(svg, &answer.heading, "small");
        }
        let heads = |t: &&Table| t.rows()[0].first().is_some_and(|head| head == "variant");
        if let Some(table) = answer.kept.tables.iter().find(heads) {
            html += &typeset::table(table, "");
        }
        html += "</div>\n";
    }
    if !idle.is_empty() {
        html += &format!(
            "<p>These change the response by less than {ACTS_DB} dB as the switches stand: {}.</p>\n",
            idle.join(", ")
        );
    }
    html
}

/// Less than this nobody hears, dB.
const ACTS_DB: f64 = 0.1;

/// Whether a knob changes the response.
fn acts(answer: &Answer) -> bool {
    let curves: Vec<Vec<f64>> = (answer.figures["variants"].as_array().into_iter().flatten())
        .map(|v| {
            let db = v["probes"][0]["db"].as_array();
            let db = db.into_iter().flatten();
            db.map(|d| d.as_f64().unwrap_or(f64::NEG_INFINITY))
                .collect()
        })
        .collect();
    let Some((first, others)) = curves.split_first() else {
        return true;
    };
    let far = |(a, b): (&f64, &f64)| {
        let near = (a - b).abs() < ACTS_DB;
        a != b && !near
    };
    others.iter().any(|o| o.iter().zip(first).any(far))
}

/// Notes and warnings, each once in the book.
fn messages(answer: &Answer, said: &mut HashSet<String>) -> String {
    let mut html = String::new();
    let mut add = |message: &str| {
        let message = message.trim_end();
        let text = message.strip_prefix("note: ").unwrap_or(message);
        // A verdict stands in the chart itself.
        let bare = text.strip_prefix("warning: ").unwrap_or(text);
        let charted = ["OVER: ", "CHECK: "].iter().any(|word| {
            let mut lines = answer.kept.chart.lines();
            lines.any(|line| line.strip_prefix(word) == Some(bare))
        });
        if !text.is_empty() && !charted && said.insert(text.to_string()) {
            html += "<p class=\"message\">";
            html += &text.lines().map(escaped).collect::<Vec<_>>().join("\n");
            html += "</p>\n";
        }
    };
    // Each begins with its kind; what is indented or framed belongs to the one before.
    let mut current = String::new();
    for line in answer.kept.messages.lines() {
        let begins = ["note: ", "warning: ", "error: ", "audit"]
            .iter()
            .any(|w| line.starts_with(w));
        if begins {
            add(&std::mem::take(&mut current));
        }
        current += line;
        current.push('\n');
    }
    add(&current);
    html
}

/// The form's figures for a table of one's own.
pub fn csv(found: &Found, answer: Option<&Answer>) -> String {
    let mut csv = Csv::empty();
    let mut row = |cells: [&str; 6]| csv.row(cells);
    row(["figure", "place", "expected", "least", "greatest", "unit"]);
    let figures = answer.and_then(|a| a.figures["figures"].as_array());
    for (k, (name, figure)) in sections::figures(found)
        .iter()
        .zip(figures.into_iter().flatten())
        .enumerate()
    {
        let number = |v: &Value| v.as_f64().map_or(String::new(), num::full);
        row([
            name,
            found.points.get(k).map_or("", |p| p.place.as_str()),
            &number(&figure["drawn"]),
            &number(&figure["least"]["value"]),
            &number(&figure["greatest"]["value"]),
            figure["unit"].as_str().unwrap_or_default(),
        ]);
    }
    csv.text()
}
