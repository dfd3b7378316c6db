//! `fit --pairs`: which valves of a folder of readings make the best pair.

use super::given::{accuracy, at, load, load_text, named};
use crate::circuit::library::{self, Shipped};
use crate::circuit::params::What;
use crate::circuit::{Circuit, Element};
use crate::cli::command::SAFETY;
use crate::cli::common::{PendingText, Session};
use crate::cli::failure::Failure;
use crate::cli::interrupt;
use crate::cli::outcome::Outcome;
use crate::cli::settings::setting;
use crate::cli::sheet_folder::SheetFolder;
use crate::figure::bench::{Bench, FigureValue, Trouble};
use crate::figure::{Figure, Words};
use crate::fit::estimate::{Parameter, estimate};
use crate::fit::frame::Frame;
use crate::fit::pairs::{self, Candidate, Pair, Work};
use crate::fit::problem::{a, counted};
use crate::fit::readings::{self, Reading};
use crate::fit::{bottle, plausible};
use crate::inputs::InputProblem;
use crate::measure::quiescent;
use crate::num::{self, Role, engineering};
use crate::report::csv::Csv;
use crate::report::table::{Side, Table};
use serde_json::json;
use std::io::ErrorKind;

/// A pair in the amplifier.
#[derive(Debug, Clone, Copy, Default)]
struct Fitted {
    /// Difference of plate currents at rest, A.
    balance: f64,
    /// Hum at the probe, V peak to peak, or gain from the supply at 100 Hz.
    hum: Option<f64>,
    /// Per cent.
    thd: Option<f64>,
}

struct Findings {
    valve: String,
    work: Work,
    list: Vec<Candidate>,
    pairs: Vec<Pair>,
    /// Beside `pairs`, in its order; empty without a netlist.
    fitted: Vec<Fitted>,
    hum_unit: &'static str,
}

pub(super) fn run(session: &mut Session<'_>, folder: &str) -> Result<Outcome, Failure> {
    let accuracy = accuracy(session)?;
    let mut outputs = session.guards.outputs();
    let csv_path = session.csv();
    let csv = PendingText::stage(&mut outputs, csv_path.as_deref())?;
    let files = files(folder)?;
    let shipped = library::shipped();
    let valve = match session.text("type") {
        Some(name) => named(&shipped, name)?,
        None => guessed(session, &shipped, &files, accuracy)?,
    };
    let frames = Frame::sets(&shipped, valve);
    let mut all: Vec<(String, Vec<Reading>)> = Vec::new();
    for (name, path) in &files {
        interrupt::check()?;
        let readings = load(session, path, valve)?;
        plausible::check(&frames[0], &readings).map_err(|wrong| at(path, wrong))?;
        all.push((name.clone(), readings));
    }
    let work = pairs::work(all.iter().flat_map(|(_, r)| r));
    let mut list = Vec::new();
    for (name, readings) in all {
        interrupt::check()?;
        let found = estimate(&frames[..1], &readings, accuracy);
        for remark in crate::fit::model::remarks(&found) {
            session.note(&format!("{name}: {remark}"));
        }
        list.push(Candidate { name, found });
    }
    let mut pairs = pairs::rank(&list, &work);
    let mut fitted = Vec::new();
    let mut hum_unit = "";
    if session.text("netlist").is_some() {
        (fitted, hum_unit) = in_the_amplifier(session, &list, &pairs)?;
        let order = ordered(&fitted);
        pairs = order.iter().map(|&k| pairs[k]).collect();
        fitted = order.iter().map(|&k| fitted[k]).collect();
    }
    let findings = Findings {
        valve: valve.name.clone(),
        work,
        list,
        pairs,
        fitted,
        hum_unit,
    };
    if let Some(csv) = csv {
        csv.fill(&text(&findings))?;
    }
    session.finish(outputs, || record(&findings), || printed(&findings))?;
    Ok(Outcome::Done)
}

/// The tables of a folder by name, in the order of their names.
fn files(folder: &str) -> Result<Vec<(String, String)>, Failure> {
    let unreadable = |e: std::io::Error| {
        let why = match e.kind() {
            ErrorKind::NotFound => "there is no such folder".to_string(),
            ErrorKind::NotADirectory => "it is a file; name the folder that it is in".into(),
            _ => InputProblem::from(e).to_string(),
        };
        Failure::usage(format!("cannot read the folder `{folder}`: {why}"))
    };
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        let is_table = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("csv"))
            && !path.is_dir();
        if let (true, Some(name), Some(whole)) = (is_table, path.file_stem(), path.to_str()) {
            found.push((name.to_string_lossy().into_owned(), whole.to_string()));
        }
    }
    found.sort();
    match found.len() {
        0 | 1 => Err(Failure::usage(format!(
            "`{folder}` has {}, a pair takes two",
            counted(found.len(), "valve")
        ))
        .hint("put a CSV of readings there for each valve, such as el84_1.csv")),
        n if n > MOST => Err(
            Failure::usage(format!("`{folder}` has more than {MOST} valves"))
                .hint("sort them into folders by current first"),
        ),
        _ => Ok(found),
    }
}

/// Valves at most: they make 4950 pairs.
const MOST: usize = 100;

/// The type that the files' names begin with, or the one that their readings follow best.
fn guessed<'s>(
    session: &Session<'_>,
    shipped: &'s [Shipped],
    files: &[(String, String)],
    accuracy: f64,
) -> Result<&'s Shipped, Failure> {
    let own = || {
        let plain = |v: &&Shipped| !v.name.contains('_');
        shipped
            .iter()
            .filter(|v| bottle::fits(v.kind))
            .filter(plain)
    };
    let bears = |v: &&Shipped| {
        let start = v.name.to_lowercase();
        files
            .iter()
            .all(|(name, _)| name.to_lowercase().starts_with(&start))
    };
    // The longest: 6L6GC before 6L6.
    if let Some(valve) = own().filter(bears).max_by_key(|v| v.name.len()) {
        return Ok(valve);
    }
    let mut with_screen = None;
    let mut texts = Vec::new();
    for (_, path) in files {
        let text = load_text(session, path)?;
        let has = readings::tells_of_a_screen(&text);
        texts.push((path, text));
        let (first, other) = *with_screen.get_or_insert((path, has));
        if other != has {
            let (with, without) = if has { (path, first) } else { (first, path) };
            return Err(Failure::usage(format!(
                "{with} has a column `vg2k`, {without} has none: these are two kinds of valve"
            ))
            .hint("keep a folder for each type, and other tables elsewhere"));
        }
    }
    let with_screen = with_screen.is_some_and(|(_, has)| has);
    let mut best: Option<(f64, &Shipped)> = None;
    let of_that_kind =
        |v: &&Shipped| v.alias_of.is_none() && bottle::has_screen(v.kind) == with_screen;
    for valve in own().filter(of_that_kind) {
        interrupt::check()?;
        let mut cost = 0.0;
        let frame = Frame::of(valve);
        let mut fits = true;
        for (path, text) in &texts {
            let readings = readings::read(text, with_screen).map_err(|wrong| at(path, wrong))?;
            fits &= plausible::check(&frame, &readings).is_ok();
            if !fits {
                break;
            }
            cost += estimate(std::slice::from_ref(&frame), &readings, accuracy).cost();
        }
        if fits && best.is_none_or(|(least, _)| cost < least) {
            best = Some((cost, valve));
        }
    }
    let Some((_, valve)) = best else {
        return Err(
            Failure::usage("these readings are those of no built-in type")
                .hint("name the type: gridleak fit EL84 --pairs FOLDER"),
        );
    };
    session.note(&format!(
        "taken for {}, whose curves these readings follow best; name the type if it is another",
        valve.name
    ));
    Ok(valve)
}

/// Every pair in the place of two valves of the netlist.
fn in_the_amplifier(
    session: &mut Session<'_>,
    list: &[Candidate],
    pairs: &[Pair],
) -> Result<(Vec<Fitted>, &'static str), Failure> {
    let circuit = session.circuit(Default::default())?;
    let (sockets, types) = sockets(session, &circuit, list[0].found.frame())?;
    let asked = Asked::new(session, &circuit, &sockets)?;
    let folder = SheetFolder::here(session.guards.sandbox.as_ref(), &session.guards.limits);
    let mut found = Vec::new();
    for pair in pairs {
        interrupt::check()?;
        let mut settings = types.clone();
        for (socket, k) in sockets.iter().zip([pair.valves.0, pair.valves.1]) {
            let own = list[k].found.parameters.iter();
            let text = |p: &Parameter| format!("{socket}.{}={}", p.name, num::full(p.value));
            settings.extend(own.map(text));
        }
        let values = measured(session, &folder, &settings, &asked.figures)?;
        let value = |k: Option<usize>| k.and_then(|k| values[k]);
        found.push(Fitted {
            balance: (values[0].unwrap_or(f64::NAN) - values[1].unwrap_or(f64::NAN)).abs(),
            hum: value(asked.hum),
            thd: value(asked.thd),
        });
    }
    Ok((found, asked.hum_unit))
}

/// The two sockets of a pair, as the user wrote them, and the settings that put the type that was
/// read where the netlist has another.
fn sockets(
    session: &mut Session<'_>,
    circuit: &Circuit,
    frame: &Frame,
) -> Result<([String; 2], Vec<String>), Failure> {
    let names = session.texts("valve");
    let [first, second] = names[..] else {
        return Err(Failure::usage("a pair in an amplifier takes two places")
            .hint("name both: --valve XV4 --valve XV5"));
    };
    let sockets = [first.to_string(), second.to_string()];
    let mut places = Vec::new();
    let mut types = Vec::new();
    for name in &sockets {
        let element = super::amplifier::element(circuit, name)?;
        let own = element.model.as_deref().unwrap_or_default();
        if element.kind.is_none_or(|k| k.name != frame.kind.name) {
            return Err(
                Failure::usage(format!("`{name}` is {}, not {}", a(own), a(&frame.name)))
                    .hint("name the sockets of the pair, or a netlist for this type"),
            );
        }
        if places.contains(&element.name) {
            return Err(Failure::usage(format!("`{name}` is named twice"))
                .hint("a pair takes two places: --valve XV4 --valve XV5"));
        }
        places.push(element.name.clone());
        if !alike(own, &frame.name) {
            session.note(&format!(
                "`{name}` is {} in the netlist; the {} that were read take its place",
                a(own),
                frame.name
            ));
            types.push(format!("{name}={}", frame.name));
        }
    }
    Ok((sockets, types))
}

/// What each pair is measured by in the amplifier.
struct Asked {
    /// Both plate currents first.
    figures: Vec<String>,
    /// Which of them is the distortion.
    thd: Option<usize>,
    /// Which of them is the hum, and its unit.
    hum: Option<usize>,
    hum_unit: &'static str,
}

impl Asked {
    fn new(
        session: &Session<'_>,
        circuit: &Circuit,
        sockets: &[String; 2],
    ) -> Result<Self, Failure> {
        let mut asked = Asked {
            figures: sockets
                .iter()
                .map(|s| format!("plate current of {s}"))
                .collect(),
            thd: None,
            hum: None,
            hum_unit: "",
        };
        let has_mains = crate::analysis::mains::find(circuit).is_some();
        let supply = if has_mains { None } else { supply(circuit)? };
        let level = session.positive("level", Role::Voltage)?.map(num::full);
        let Some(probe) = session.texts("probe").first().copied() else {
            return Ok(asked);
        };
        if let Some(level) = level {
            let source = session.text("source");
            let source = source.map_or(String::new(), |s| format!(", source {s}"));
            let text = format!("thd of {probe} with level {level}{source}");
            asked.thd = Some(asked.add(text));
        }
        let node = probe.trim().strip_prefix(['v', 'V']);
        let node = node.map(|p| p.trim_matches(['(', ')', ' ']));
        if let (Some(node), true) = (node, has_mains) {
            asked.hum = Some(asked.add(format!("ripple of {node}")));
            asked.hum_unit = "V";
        } else if let Some(supply) = supply {
            let text = format!("gain of {probe} with frequency 100, source {supply}");
            asked.hum = Some(asked.add(text));
            asked.hum_unit = "dB";
        }
        Ok(asked)
    }

    fn add(&mut self, figure: String) -> usize {
        self.figures.push(figure);
        self.figures.len() - 1
    }
}

/// Figures of the netlist with settings beside those of the command line; none for one that the
/// circuit does not have.
fn measured(
    session: &mut Session<'_>,
    folder: &SheetFolder,
    own: &[String],
    figures: &[String],
) -> Result<Vec<Option<f64>>, Failure> {
    let mut settings = session.settings().clone();
    for text in own {
        match setting(&mut session.draft.files, "set", What::Value, text) {
            Ok(setting) => settings.push(setting),
            Err(wrong) => return Err(session.failed(vec![wrong])),
        }
    }
    let mut wanted = Vec::new();
    for text in figures {
        let file = session.draft.files.add("fit", text.as_str());
        match Figure::parse(text, Words::whole(file, text)) {
            Ok(figure) => wanted.push(figure),
            Err(wrong) => return Err(session.failed(vec![wrong])),
        }
    }
    let sources = session.draft.files.clone();
    let stopped = || interrupt::check().is_err();
    let mut bench = Bench::new(&session.draft.netlist, settings, sources, folder, &stopped);
    let wanted: Vec<&Figure> = wanted.iter().collect();
    let answers = match bench.measure(&wanted) {
        Ok(answers) => answers,
        Err(problems) => return Err(Failure::Input(Box::new(bench.sources), problems)),
    };
    let mut values = Vec::new();
    for answer in answers {
        values.push(match answer {
            Ok(FigureValue::Number(reading)) => Some(reading.value),
            Ok(_) | Err(Trouble::Unsolved(_) | Trouble::Absent(_)) => None,
            Err(Trouble::NoSolution(none)) => return Err(none.into()),
            Err(Trouble::Stopped) => return Err(Failure::Interrupted),
            Err(Trouble::Input(problem)) => {
                return Err(Failure::Input(Box::new(bench.sources), vec![problem]));
            }
        });
    }
    Ok(values)
}

/// Whether two names are those of one built-in model.
fn alike(one: &str, other: &str) -> bool {
    let shipped = library::shipped();
    let first = |name: &str| {
        let found = shipped.iter().find(|v| v.name.eq_ignore_ascii_case(name));
        found.map_or(name.to_uppercase(), |v| {
            v.alias_of.clone().unwrap_or(v.name.clone())
        })
    };
    first(one) == first(other)
}

/// The source with the highest voltage at rest: the high tension.
fn supply(circuit: &Circuit) -> Result<Option<String>, Failure> {
    let (x, assembly) = quiescent::at_rest(circuit)?;
    let volts = |e: &Element| {
        let v = |n: usize| assembly.unknowns.voltage(&x, e.terminals[n]);
        (v(0) - v(1)).abs()
    };
    let sources = circuit.elements.iter().filter(|e| e.letter == 'V');
    let highest = sources.max_by(|a, b| volts(a).total_cmp(&volts(b)));
    Ok(highest.filter(|e| volts(e) > 20.0).map(|e| e.name.clone()))
}

/// Places of the pairs, the best first: by the sum of each figure over its largest.
fn ordered(fitted: &[Fitted]) -> Vec<usize> {
    // Decibels count as what they stand for.
    let plain = |f: &Fitted| {
        let hum = f.hum.unwrap_or(0.0);
        let hum = if hum < 0.0 {
            crate::math::fun::pow(10.0, hum / 20.0)
        } else {
            hum
        };
        [f.balance, hum, f.thd.unwrap_or(0.0)]
    };
    let mut most = [1e-30f64; 3];
    for f in fitted {
        most.iter_mut()
            .zip(plain(f))
            .for_each(|(m, v)| *m = m.max(v));
    }
    let sum = |f: &Fitted| plain(f).iter().zip(most).map(|(v, m)| v / m).sum::<f64>();
    let mut order: Vec<usize> = (0..fitted.len()).collect();
    order.sort_by(|&a, &b| sum(&fitted[a]).total_cmp(&sum(&fitted[b])).then(a.cmp(&b)));
    order
}

const HEAD: [&str; 11] = [
    "rank",
    "first",
    "second",
    "current_percent",
    "gm_percent",
    "second_harmonic_percent",
    "difference_percent",
    "known_to_percent",
    "balance_a",
    "hum",
    "thd_percent",
];

/// The place, the names and the figures of a pair.
fn cells(found: &Findings, k: usize, pair: &Pair, percent: impl Fn(f64) -> String) -> Vec<String> {
    let name = |valve: usize| found.list[valve].name.clone();
    vec![
        (k + 1).to_string(),
        name(pair.valves.0),
        name(pair.valves.1),
        percent(pair.current),
        percent(pair.gm),
        percent(pair.second_harmonic),
        percent(pair.difference),
        percent(pair.known_to),
    ]
}

fn text(found: &Findings) -> String {
    let mut csv = Csv::empty();
    let columns = if found.fitted.is_empty() { 8 } else { 11 };
    csv.row(&HEAD[..columns]);
    for (k, pair) in found.pairs.iter().enumerate() {
        let percent = |part: f64| num::full(100.0 * part);
        let mut row = cells(found, k, pair, percent);
        if let Some(f) = found.fitted.get(k) {
            row.push(num::full(f.balance));
            row.push(f.hum.map_or(String::new(), num::full));
            row.push(f.thd.map_or(String::new(), num::full));
        }
        csv.row(row);
    }
    csv.text()
}

fn record(found: &Findings) -> serde_json::Value {
    let pairs = found.pairs.iter().enumerate();
    json!({
        "type": found.valve,
        "rest": { "vpk": found.work.rest.vpk, "vgk": found.work.rest.vgk, "swing": found.work.swing },
        "pairs": pairs.map(|(k, p)| {
            let fitted = found.fitted.get(k);
            json!({
                "first": found.list[p.valves.0].name,
                "second": found.list[p.valves.1].name,
                "current_percent": 100.0 * p.current,
                "gm_percent": 100.0 * p.gm,
                "second_harmonic_percent": 100.0 * p.second_harmonic,
                "difference_percent": 100.0 * p.difference,
                "known_to_percent": 100.0 * p.known_to,
                "balance_a": fitted.map(|f| f.balance),
                "hum": fitted.and_then(|f| f.hum),
                "thd_percent": fitted.and_then(|f| f.thd),
            })
        }).collect::<Vec<_>>(),
    })
}

/// Pairs that the chart shows at most.
const SHOWN: usize = 20;

fn printed(found: &Findings) -> String {
    let rest = found.work.rest;
    let mut text = format!(
        "{} valves of type {}, as pairs at {} on the plate, grid {} +/- {}\n\n",
        found.list.len(),
        found.valve,
        engineering(rest.vpk, "V", 3),
        engineering(rest.vgk, "V", 3),
        engineering(found.work.swing, "V", 3),
    );
    let mut columns = vec![
        ("", Side::Right),
        ("first", Side::Left),
        ("second", Side::Left),
        ("current", Side::Right),
        ("gm", Side::Right),
        ("2nd harmonic", Side::Right),
        ("in all", Side::Right),
        ("known to", Side::Right),
    ];
    if !found.fitted.is_empty() {
        columns.extend([
            ("out of balance", Side::Right),
            ("hum", Side::Right),
            ("THD", Side::Right),
        ]);
    }
    let mut table = Table::new(&columns);
    for (k, pair) in found.pairs.iter().take(SHOWN).enumerate() {
        let percent = |part: f64| format!("{:.1} %", 100.0 * part);
        let mut row = cells(found, k, pair, percent);
        if let Some(f) = found.fitted.get(k) {
            row.push(engineering(f.balance, "A", 3));
            row.push(
                f.hum
                    .map_or(String::new(), |h| engineering(h, found.hum_unit, 3)),
            );
            row.push(f.thd.map_or(String::new(), |t| format!("{t:.2} %")));
        }
        table.row(row);
    }
    text += &table.text();
    if found.pairs.len() > SHOWN {
        text += &format!("the best {SHOWN} of {} pairs\n", found.pairs.len());
    }
    text +=
        "differences over these grid volts; known to: 90 % interval of the current's difference\n";
    match (found.fitted.is_empty(), found.hum_unit) {
        (true, _) => {}
        (_, "dB") => text += "in the amplifier; hum: gain from the supply to the probe at 100 Hz\n",
        _ => text += "in the amplifier; hum: peak to peak at the probe with nothing playing\n",
    }
    text + &format!("{SAFETY}\n")
}
