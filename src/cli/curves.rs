//! `curves`: a valve's characteristics with the load lines of its circuit.

mod drawn;
mod findings;
mod pair;
mod pair_drawn;

use super::command::Command;
use super::common::{PendingText, Session, number_option};
use super::failure::Failure;
use super::outcome::Outcome;
use super::{driven_source, interrupt};
use crate::analysis::mains;
use crate::analysis::periodic::{Accuracy, Periodic, Signal};
use crate::circuit::bind::Timing;
use crate::circuit::{Circuit, Element, designation, library};
use crate::device;
use crate::device::role::DeviceRole;
use crate::diag::{Files, nearest};
use crate::measure::chart::is_transistor;
use crate::measure::load_line::{self, Device, State};
use crate::num::{self, Role};
use crate::report::csv::Csv;
use crate::system::probe::Observable;
use clap::{Arg, ArgAction, ArgMatches};
use findings::{Findings, LINE, line};
use serde_json::json;
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "curves",
    about: "Plate characteristics of a valve with its load lines",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    command
        .mut_arg("netlist", |a| a.required(false))
        .arg(
            Arg::new("valve")
                .long("valve")
                .value_name("NAME")
                .requires("netlist")
                .help("A valve or field-effect transistor of the netlist, such as XV1A"),
        )
        .arg(
            Arg::new("type")
                .long("type")
                .value_name("TYPE")
                .conflicts_with_all(["valve", "netlist"])
                .help("A built-in valve type, such as 12AX7, without a circuit"),
        )
        .arg(number_option(
            "screen",
            "V",
            "Screen volts against the cathode; those at rest if left out (250 with --type)",
        ))
        .arg(number_option(
            "frequency",
            "F",
            "Where the signal load is taken, Hz; 1 kHz if left out",
        ))
        .arg(number_option(
            "level",
            "V",
            "Add the path that a sine of this peak at --source takes, at --frequency",
        ))
        .arg(driven_source::option(
            "The source that --level drives; otherwise the only one with an AC value",
        ))
        .arg(
            Arg::new("pair")
                .long("pair")
                .requires("netlist")
                .action(ArgAction::SetTrue)
                .help(
                    "The composite characteristic of the push-pull pair that the valve is one of",
                ),
        )
        .arg(
            Arg::new("plot")
                .long("plot")
                .value_name("FILE.svg")
                .help("Draw the characteristics"),
        )
}

/// Points of a characteristic, and of a sine's path.
const POINTS: usize = 200;

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let type_name = matches.get_one::<String>("type");
    let mut session = match (type_name, matches.get_one::<String>("netlist")) {
        (Some(name), _) => Session::of_text(matches, "curves.cir", &bench(name)?)?,
        (None, Some(_)) => Session::open(matches)?,
        (None, None) => {
            return Err(Failure::usage("no valve is named")
                .hint("give a netlist and --valve XV1A, or --type 12AX7"));
        }
    };
    if !session.texts("probe").is_empty() {
        return Err(
            Failure::usage("curves takes no `--probe`").hint("name the valve: --valve XV1A")
        );
    }
    let circuit = session.circuit(Timing::default())?;
    session.warn_of_supply(&circuit);
    let name = match type_name {
        Some(_) => "X1".to_string(),
        None => chosen(&session, &circuit)?,
    };
    let element = circuit.element(&name).expect("just found");
    let Some(device) = Device::new(&circuit, element) else {
        return Err(Failure::usage(format!("`{name}` has no plate characteristics"))
            .hint("curves takes valves, rectifiers and field-effect transistors without series resistances"));
    };
    let freq_hz = session
        .positive("frequency", Role::Frequency)?
        .unwrap_or(1e3);
    let level = session.positive("level", Role::Voltage)?;
    if let (Some(_), true) = (level, type_name.is_some()) {
        return Err(Failure::usage("`--level` needs a circuit")
            .hint("give a netlist and --valve in place of --type"));
    }
    let mut outputs = session.guards.outputs();
    let csv_path = session.csv();
    let csv_file = PendingText::stage(&mut outputs, csv_path.as_deref())?;
    let plot = PendingText::stage(&mut outputs, session.text("plot").map(Path::new))?;
    let mut found = find(
        &session,
        &circuit,
        &device,
        freq_hz,
        level,
        type_name.is_some() || is_on_mains(&session, &circuit, element),
    )?;
    if is_transistor(element) {
        found.terms = ["drain", "gate", "source"];
    }
    found.name = type_name.cloned().unwrap_or(element.name.clone());
    if let (Some(model), None) = (&element.model, type_name) {
        found.name += &format!(" ({model})");
    }
    if session.flag("pair") {
        let family = (&found.family.grids[..], found.vsk);
        found.pair = Some(pair::find(&circuit, &element.name, freq_hz, family)?);
    }
    if type_name.is_some() {
        found.title = "One valve by itself".to_string();
    }
    if let Some(file) = csv_file {
        file.fill(&csv(&found))?;
    }
    if let Some(file) = plot {
        file.fill(&match &found.pair {
            Some(pushed) => pair_drawn::plot(&found, pushed),
            None => drawn::plot(&found),
        })?;
    }
    session.finish(outputs, || record(&found), || printed(&found))?;
    Ok(Outcome::Done)
}

/// Whether a rectifier is fed from the mains, which is said: it rests nowhere, and a line through
/// the averages of a cycle would show a load that it never has.
fn is_on_mains(session: &Session<'_>, circuit: &Circuit, element: &Element) -> bool {
    let fed = element.role().is_some_and(DeviceRole::rectifies) && mains::find(circuit).is_some();
    if fed {
        session.note(&format!(
            "`{}` is fed from the mains: its forward curve alone, without a load line",
            element.name
        ));
    }
    fed
}

/// A netlist with one valve of a built-in type.
fn bench(name: &str) -> Result<String, Failure> {
    let (library, _) = library::load(&mut Files::default());
    let is_valve = |kind: &str| {
        let kind = device::kind(kind);
        kind.filter(|k| k.letter == 'X' && k.terminals.contains(&"cathode"))
    };
    let names = || {
        let models = library
            .models
            .iter()
            .filter(|m| is_valve(&m.kind.text).is_some());
        models.map(|m| m.name.text.as_str())
    };
    let model = (library.models.iter()).find(|m| m.name.text.eq_ignore_ascii_case(name));
    let Some(kind) = model.and_then(|m| is_valve(&m.kind.text)) else {
        let failure = Failure::usage(format!("no built-in valve type `{name}`"));
        let near = designation::meant(name, names()).or_else(|| nearest(name, names()));
        return Err(failure.hint(match near {
            Some(near) => format!("did you mean `{near}`?"),
            None => "`gridleak valves` lists them".to_string(),
        }));
    };
    let nodes: Vec<String> = (kind.terminals.iter())
        .map(|t| {
            if *t == "cathode" {
                "0".to_string()
            } else {
                t.to_string()
            }
        })
        .collect();
    let sources = nodes.iter().filter(|n| *n != "0");
    let sources: String = sources.map(|n| format!("V{n} {n} 0 0\n")).collect();
    Ok(format!("{name}\nX1 {} {name}\n{sources}", nodes.join(" ")))
}

/// The valve that `--valve` names, or the only one.
fn chosen(session: &Session<'_>, circuit: &Circuit) -> Result<String, Failure> {
    let fits = |e: &&Element| Device::new(circuit, e).is_some();
    let all = || {
        circuit
            .elements
            .iter()
            .filter(fits)
            .map(|e| e.name.as_str())
    };
    let list = || {
        all()
            .map(|n| format!("`{n}`"))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let Some(name) = session.text("valve") else {
        return match all().collect::<Vec<_>>()[..] {
            [one] => Ok(one.to_string()),
            [] => Err(Failure::usage("the netlist has no valve").into()),
            _ => {
                Err(Failure::usage("which valve?")
                    .hint(format!("give --valve; there are {}", list())))
            }
        };
    };
    match circuit.element(name) {
        Some(element) => Ok(element.name.clone()),
        None => {
            let failure = Failure::usage(format!("no valve `{name}`"));
            Err(match nearest(name, all()) {
                Some(near) => failure.hint(format!("did you mean `{near}`?")),
                None => failure.hint(format!("there are {}", list())),
            })
        }
    }
}

fn find(
    session: &Session<'_>,
    circuit: &Circuit,
    device: &Device<'_>,
    freq_hz: f64,
    level: Option<f64>,
    alone: bool,
) -> Result<Findings, Failure> {
    let worked = if alone {
        None
    } else {
        Some(load_line::worked(circuit, device, freq_hz)?)
    };
    let asked = session.number("screen", Role::Voltage)?;
    let vsk = asked.or(worked.map(|w| w.point.vsk)).unwrap_or(250.0);
    let path = match level {
        Some(level) => path(session, circuit, device, freq_hz, level)?,
        None => vec![],
    };
    let highest = path.iter().map(|s| device.sign * s.vgk).fold(0.0, f64::max);
    let mut family = load_line::family(device, worked.as_ref(), vsk, highest);
    let far = path.iter().map(|s| (s.vpk.abs(), s.plate.abs()));
    for (v, i) in far {
        family.volts = family.volts.max(load_line::round_up(v));
        family.amperes = family.amperes.max(load_line::round_up(i));
    }
    let volts = |k: usize| device.sign * family.volts * k as f64 / POINTS as f64;
    let characteristics = (family.grids.iter())
        .map(|&vgk| {
            (0..=POINTS)
                .map(|k| device.at(vgk, volts(k), vsk))
                .collect()
        })
        .collect();
    let limit = match device.most_w {
        None => vec![],
        Some(watts) => {
            let least = (watts / family.amperes).min(family.volts);
            let at = |k: usize| least + (family.volts - least) * k as f64 / LINE as f64;
            (0..=LINE).map(|k| (at(k), watts / at(k))).collect()
        }
    };
    Ok(Findings {
        title: circuit.title.trim().to_string(),
        name: String::new(),
        vsk,
        has_screen: device.screen.is_some(),
        has_grid: device.grid.is_some(),
        freq_hz,
        family,
        characteristics,
        worked,
        limit,
        most_w: device.most_w,
        most_v: device.most_v,
        path,
        pair: None,
        terms: ["plate", "grid", "cathode"],
    })
}

/// The states that a valve goes through in a period of the steady state.
fn path(
    session: &Session<'_>,
    circuit: &Circuit,
    device: &Device<'_>,
    freq_hz: f64,
    level: f64,
) -> Result<Vec<State>, Failure> {
    session.fits(circuit)?;
    let question = "which source does --level drive?";
    let (_, driven, _) = driven_source::named(session, circuit, question)?;
    let mut search = Periodic::new(circuit, driven, Accuracy::default())
        .map_err(crate::analysis::periodic::Trouble::from)?;
    search.solve(&Signal::sine(freq_hz, level), interrupt::check)??;
    let mut wave = |n| search.wave(&Observable::voltage(circuit, n));
    let cathode = wave(device.cathode);
    let plate = wave(device.plate);
    let grid = device.grid.map(&mut wave);
    let screen = device.screen.map(&mut wave);
    let at = |k: usize| k as f64 / (POINTS as f64 * freq_hz);
    let states = (0..=POINTS).map(at).map(|t| {
        let against = |w: &crate::analysis::periodic::Wave| w.at(t) - cathode.at(t);
        device.at(
            grid.as_ref().map_or(0.0, against),
            against(&plate),
            screen.as_ref().map_or(0.0, against),
        )
    });
    Ok(states.collect())
}

fn csv(found: &Findings) -> String {
    let mut csv = Csv::empty();
    let mut row = |cells: [String; 5]| csv.row(cells);
    row(["curve", "vgk", "vpk", "plate_current", "screen_current"].map(String::from));
    let state = |curve: &str, s: &State| {
        let vgk = if found.has_grid {
            num::full(s.vgk)
        } else {
            String::new()
        };
        let screen = s.screen.map_or(String::new(), num::full);
        [
            curve.to_string(),
            vgk,
            num::full(s.vpk),
            num::full(s.plate),
            screen,
        ]
    };
    let plain = |curve: &str, (v, i): (f64, f64)| {
        let none = String::new;
        [
            curve.to_string(),
            none(),
            num::full(v),
            num::full(i),
            none(),
        ]
    };
    for s in found.characteristics.iter().flatten() {
        row(state("characteristic", s));
    }
    if let Some(worked) = &found.worked {
        line(found, worked.direct)
            .into_iter()
            .for_each(|p| row(plain("load line", p)));
        line(found, worked.signal)
            .into_iter()
            .for_each(|p| row(plain("signal load", p)));
    }
    found.limit.iter().for_each(|&p| row(plain("limit", p)));
    if let Some(worked) = &found.worked {
        row(state("point", &worked.point));
    }
    found.path.iter().for_each(|s| row(state("path", s)));
    if let Some(pair) = &found.pair {
        for (e, list) in &pair.curves {
            for &(v, i) in list {
                let mut cells = plain("composite", (v, i));
                cells[1] = num::full(pair.vgk + e);
                row(cells);
            }
        }
        pair.load
            .iter()
            .for_each(|&p| row(plain("composite load", p)));
    }
    csv.text()
}

fn record(found: &Findings) -> serde_json::Value {
    let state = |s: &State| json!({ "vgk": s.vgk, "vpk": s.vpk, "plate_current": s.plate, "screen_current": s.screen });
    json!({
        "title": found.title,
        "valve": found.name,
        "screen_volts": found.has_screen.then_some(found.vsk),
        "frequency_hz": found.freq_hz,
        "point": found.worked.as_ref().map(|w| state(&w.point)),
        "load_line_ohm": found.worked.map(|w| w.direct.ohms),
        "load_line_open_v": found.worked.map(|w| w.direct.open_v()),
        "signal_load_ohm": found.worked.map(|w| w.signal.ohms),
        "plate_dissipation_limit_w": found.most_w,
        "characteristics": found.characteristics.iter().map(|c| c.iter().map(state).collect::<Vec<_>>()).collect::<Vec<_>>(),
        "path": found.path.iter().map(state).collect::<Vec<_>>(),
        "pair": found.pair.as_ref().map(pair::record),
    })
}

fn printed(found: &Findings) -> String {
    let show = |v: f64, unit: &str| num::engineering(v, unit, 4);
    let mut text = format!("{}\nCharacteristics of {}\n\n", found.title, found.name);
    let [plate, grid, cathode] = found.terms;
    if let Some(w) = &found.worked {
        let p = w.point;
        text += &format!(
            "  at rest      {} at the {plate}, {}{}\n",
            show(p.vpk, "V"),
            show(p.plate, "A"),
            if found.has_grid {
                format!(", {grid} {}", show(p.vgk, "V"))
            } else {
                String::new()
            },
        );
        text += &format!(
            "  load line    {} behind {}\n  signal load  {} at {}\n",
            show(w.direct.open_v(), "V"),
            show(w.direct.ohms, "Ω"),
            show(w.signal.ohms, "Ω"),
            show(found.freq_hz, "Hz"),
        );
    }
    if found.has_screen {
        text += &format!("  screen       {}\n", show(found.vsk, "V"));
    }
    if let Some(watts) = found.most_w {
        text += &format!("  limit        {} at the {plate}\n", show(watts, "W"));
    }
    if let Some((low, high)) = extremes(&found.path) {
        text += &format!(
            "  path         {plate} {} to {}\n",
            show(low, "V"),
            show(high, "V")
        );
    }
    if let Some(pushed) = &found.pair {
        text += &pair::printed(pushed);
    }
    text += &format!("  volts against the {cathode}\n");
    text
}

fn extremes(path: &[State]) -> Option<(f64, f64)> {
    let volts = path.iter().map(|s| s.vpk);
    let low = volts.clone().reduce(f64::min)?;
    Some((low, volts.reduce(f64::max)?))
}
