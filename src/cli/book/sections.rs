//! The sections of the book, and what each asks of which command.

use super::answer::Request;
use super::found::{Found, Level, rounded};
use crate::cli::command::Command;
use crate::cli::{bias, check, distortion, draw, feedback, listen, noise, parts, response, spread};
use crate::num;

/// A section.
pub struct Section {
    /// Its name in the JSON, and its anchor.
    pub id: &'static str,
    /// Its heading.
    pub title: &'static str,
    /// Why it is not there.
    pub left_out: Option<String>,
    /// What it asks.
    pub requests: Vec<Request>,
}

/// What the user chose.
pub struct Choice<'a> {
    /// The netlist as typed.
    pub netlist: &'a str,
    /// Settings that all requests share.
    pub settings: &'a [String],
    /// Amplifiers whose voltages make the ranges.
    pub runs: u64,
    /// Sheets as typed.
    pub sheets: Vec<&'a str>,
    /// Whether it is played.
    pub sound: bool,
    /// What is played, as typed.
    pub clip: Option<&'a str>,
}

/// Levels of the distortion sweep, and where supply and signal are solved together.
const LEVELS: usize = 9;
const LEVELS_ON_MAINS: usize = 4;
/// The end of the sweep over its start.
const SWEPT: f64 = 100.0;
const SWEPT_ON_MAINS: f64 = 20.0;
/// Positions of a knob that are drawn: at 0 a volume leaves nothing, and would take most of the plot.
const POSITIONS: &str = "1,3,5,8,10";
/// And those of the first that are played.
const PLAYED: &str = "2,5,8";

/// All sections, in the order of the book.
pub fn all(found: &Found, choice: &Choice<'_>) -> Vec<Section> {
    vec![
        schematic(choice),
        voltages(found, choice),
        verdicts(found, choice),
        buy(found, choice),
        small_signals(found, choice),
        harmonics(found, choice),
        loops(found, choice),
        hiss(found, choice),
        knobs(found, choice),
        sounds(found, choice),
        sheets(choice),
    ]
}

/// Sections whose requests share what they find, and are answered one after another.
pub fn share(a: &Section, b: &Section) -> bool {
    a.id == "verdicts" && b.id == "parts"
}

fn request(
    command: &'static Command,
    choice: &Choice<'_>,
    own: impl IntoIterator<Item = String>,
) -> Request {
    let mut words = vec![choice.netlist.to_string()];
    words.extend(choice.settings.iter().cloned());
    words.extend(own);
    Request {
        command,
        words,
        picture: None,
        heading: String::new(),
    }
}

fn pair(option: &str, value: impl Into<String>) -> [String; 2] {
    [format!("--{option}"), value.into()]
}

fn section(id: &'static str, title: &'static str, asked: Result<Vec<Request>, String>) -> Section {
    let (requests, left_out) = match asked {
        Ok(requests) => (requests, None),
        Err(why) => (vec![], Some(why)),
    };
    Section {
        id,
        title,
        left_out,
        requests,
    }
}

fn schematic(choice: &Choice<'_>) -> Section {
    let mut request = request(&draw::COMMAND, choice, ["--volts".to_string()]);
    request.picture = Some(("out", "schematic.svg"));
    section("schematic", "Schematic with voltages", Ok(vec![request]))
}

fn voltages(found: &Found, choice: &Choice<'_>) -> Section {
    let mut own: Vec<String> = pair("runs", choice.runs.to_string()).to_vec();
    own.extend(figures(found).into_iter().flat_map(|f| pair("figure", f)));
    let asked = if found.points.is_empty() {
        Err("no point of this circuit stands at a voltage at rest".to_string())
    } else {
        Ok(vec![request(&spread::COMMAND, choice, own)])
    };
    section("voltages", "Voltage chart for the bench", asked)
}

/// The figures of the voltage chart: one for each point, then two for each valve.
pub fn figures(found: &Found) -> Vec<String> {
    let of_point = |p: &super::found::Point| {
        if p.ac {
            format!("ac voltage of {}", p.node)
        } else {
            format!("v({})", p.node)
        }
    };
    let of_valve = |v: &String| {
        [
            format!("plate current of {v}"),
            format!("plate dissipation of {v}"),
        ]
    };
    let points = found.points.iter().map(of_point);
    points
        .chain(found.valves.iter().flat_map(of_valve))
        .collect()
}

/// What drives it, if it can be driven.
fn drive(found: &Found) -> Vec<String> {
    match (&found.source, found.level) {
        (Ok(source), Some(Level::Full(level) | Level::Reached(level))) => {
            let [a, b] = pair("drive", num::full(level));
            let [c, d] = pair("source", source.clone());
            vec![a, b, c, d]
        }
        _ => vec![],
    }
}

fn verdicts(found: &Found, choice: &Choice<'_>) -> Section {
    let own = ["--all".to_string()].into_iter().chain(drive(found));
    let asked = request(&bias::COMMAND, choice, own);
    section("verdicts", "Verdicts at rest and driven", Ok(vec![asked]))
}

fn buy(found: &Found, choice: &Choice<'_>) -> Section {
    let asked = request(&parts::COMMAND, choice, drive(found));
    section("parts", "Parts to buy", Ok(vec![asked]))
}

/// Source and output, or why one of them is not known.
fn through(found: &Found) -> Result<Vec<String>, String> {
    let source = found.source.clone()?;
    let probe = found.probe.clone()?;
    Ok([pair("source", source), pair("probe", probe)].concat())
}

fn small_signals(found: &Found, choice: &Choice<'_>) -> Section {
    let asked = through(found).map(|own| {
        let mut asked = request(&response::COMMAND, choice, own);
        asked.picture = Some(("plot", "response.svg"));
        vec![asked]
    });
    section("response", "Response", asked)
}

fn harmonics(found: &Found, choice: &Choice<'_>) -> Section {
    let asked = through(found).and_then(|mut own| {
        let level = found.level.ok_or("no level is known to drive it with")?;
        let (count, swept) = if found.mains {
            (LEVELS_ON_MAINS, SWEPT_ON_MAINS)
        } else {
            (LEVELS, SWEPT)
        };
        let from = rounded(level.peak() / swept);
        let sweep = format!("{}..{}/{count}", num::full(from), num::full(level.peak()));
        own.extend(pair("frequency", num::full(found.freq_hz)));
        own.extend(pair("level", sweep));
        own.extend(found.load.iter().flat_map(|l| pair("load", l.clone())));
        if !found.mains {
            own.push("--onset".to_string());
        }
        let mut asked = request(&distortion::COMMAND, choice, own);
        asked.picture = Some(("plot", "distortion.svg"));
        Ok(vec![asked])
    });
    section("distortion", "Distortion and power", asked)
}

fn loops(found: &Found, choice: &Choice<'_>) -> Section {
    let asked = through(found).and_then(|own| {
        let of = |(name, ohms): &(String, f64)| {
            // Each value takes several steady states; beside the mains there is time for its own.
            let values = if found.mains {
                num::full(*ohms)
            } else {
                [2.0 * ohms, *ohms, ohms / 2.0].map(num::full).join(",")
            };
            let own = own.iter().cloned();
            let own = own.chain(pair("element", name.clone()));
            let own = own.chain(pair("values", format!("open,{values}")));
            let own = own.chain(pair("frequency", num::full(found.freq_hz)));
            let mut asked = request(&feedback::COMMAND, choice, own);
            asked.heading = name.clone();
            asked
        };
        let all: Vec<Request> = found.loops.iter().map(of).collect();
        if all.is_empty() {
            Err("no resistor feeds the output back to an earlier stage".to_string())
        } else {
            Ok(all)
        }
    });
    section("feedback", "Feedback", asked)
}

fn hiss(found: &Found, choice: &Choice<'_>) -> Section {
    let asked = through(found).map(|own| {
        let mut asked = request(&noise::COMMAND, choice, own);
        asked.picture = Some(("plot", "noise.svg"));
        vec![asked]
    });
    section("noise", "Hum and noise", asked)
}

fn knobs(found: &Found, choice: &Choice<'_>) -> Section {
    let asked = through(found).and_then(|own| {
        let of = |name: &String| {
            let own = own.iter().cloned();
            let own = own.chain(pair("vary", format!("{name}={POSITIONS}")));
            let mut asked = request(&response::COMMAND, choice, own);
            asked.picture = Some(("plot", "knob.svg"));
            asked.heading = name.clone();
            asked
        };
        if found.knobs.is_empty() {
            Err("the circuit has no knobs".to_string())
        } else {
            Ok(found.knobs.iter().map(of).collect())
        }
    });
    section("knobs", "What each knob does", asked)
}

fn sounds(found: &Found, choice: &Choice<'_>) -> Section {
    let asked = if choice.sound {
        through(found)
    } else {
        Err("none were asked for (--sound)".to_string())
    };
    let asked = asked.map(|mut own| {
        own.extend(choice.clip.iter().flat_map(|c| pair("clip", *c)));
        let first = found.knobs.first().map(|k| format!("{k}={PLAYED}"));
        own.extend(first.into_iter().flat_map(|v| pair("vary", v)));
        let mut asked = request(&listen::COMMAND, choice, own);
        asked.picture = Some(("out", "sounds.html"));
        vec![asked]
    });
    section("sounds", "Sounds", asked)
}

fn sheets(choice: &Choice<'_>) -> Section {
    let of = |sheet: &&str| {
        let mut words = vec![sheet.to_string()];
        // A sheet brings its own settings; where files may lie and how much is allowed goes on.
        for pair in choice.settings.chunks(2) {
            if matches!(pair[0].as_str(), "--sandbox" | "--limit") {
                words.extend(pair.iter().cloned());
            }
        }
        Request {
            command: &check::COMMAND,
            words,
            picture: None,
            heading: String::new(),
        }
    };
    let asked: Vec<Request> = choice.sheets.iter().map(of).collect();
    let asked = if asked.is_empty() {
        Err("no sheet was given (--sheet)".to_string())
    } else {
        Ok(asked)
    };
    section("sheet", "Regression sheet", asked)
}
