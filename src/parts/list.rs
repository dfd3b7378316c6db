//! The order list.

use super::capacitors::{self, Leads, Stands};
use super::line::{Line, show, written};
use super::semiconductors::{self, Semiconductor};
use super::{idle, power, ratings, resting, valves};
use crate::circuit::{Circuit, Element};
use crate::device::role::DeviceRole;
use crate::measure::chart::Verdict;
use crate::measure::findings::{self, Finding};
use crate::measure::stress::{Stress, Survey};
use crate::num;

/// Every part of a circuit as an order list: what the maker's shop sells first by kind, then by
/// value; bottles, sockets, iron and fuses last. What is found wrong with a part is in its notes; it
/// is not bought if the finding is grave. Of a part that an open switch leaves idle, one of the open
/// contacts among them, only what its line says is bought.
pub fn list(
    circuit: &Circuit,
    survey: &Survey,
    found: &[Finding],
    open_contacts: &[usize],
) -> Vec<Line> {
    let leads = Leads::of(circuit);
    let idle = idle::notes(circuit, survey, open_contacts);
    let resting = resting::carriers(circuit, survey);
    let is_dead = found.iter().any(findings::is_dead);
    let mut groups: Vec<Group> = Vec::new();
    for (k, element) in circuit.elements.iter().enumerate() {
        let Some(mut part) = part(circuit, leads.as_ref(), survey, element) else {
            continue;
        };
        if let Some(note) = idle.get(&k) {
            leave(&mut part.line, element, note);
        } else if resting.contains(&k) && element.role() == Some(DeviceRole::Resistor) {
            part.line.notes.push(resting::NOTE.to_string());
        }
        if is_dead && element.role() != Some(DeviceRole::Diode) {
            leave(&mut part.line, element, DEAD);
        }
        check(&mut part.line, element, survey, found);
        let same = |g: &&mut Group| {
            let (a, b) = (&g.line, &part.line);
            a.kind == b.kind && a.value == b.value && a.buy == b.buy && a.notes == b.notes
        };
        match groups.iter_mut().find(same) {
            Some(group) => {
                group.line.quantity += 1;
                group.line.names.push(element.name.clone());
                let watts = [group.unrated_w, part.unrated_w].into_iter().flatten();
                group.unrated_w = watts.reduce(f64::max);
                if part.stress > group.stress {
                    group.stress = part.stress;
                    group.line.needs = part.line.needs;
                }
            }
            None => groups.push(part),
        }
    }
    groups.sort_by(|a, b| {
        let key = |g: &Group| (place(g.line.kind), g.line.number.unwrap_or(0.0));
        let rating = |g: &Group| g.line.rating.unwrap_or(f64::INFINITY);
        let (ka, kb) = (key(a), key(b));
        ka.0.cmp(&kb.0)
            .then(ka.1.total_cmp(&kb.1))
            .then(a.line.value.cmp(&b.line.value))
            .then(rating(a).total_cmp(&rating(b)))
    });
    let named = groups.into_iter().map(|mut group| {
        if let Some(watts) = group.unrated_w {
            group.line.notes.push(format!(
                "no dissipation rating known: {}, check the sheet",
                show(watts, "W")
            ));
        }
        group.line
    });
    let mut lines: Vec<Line> = named.collect();
    lines.extend(valves::lines(circuit, survey, found));
    let first = lines.len();
    lines.extend(power::lines(circuit, survey, found));
    // In standby, what the transformer supplies says nothing of its fuses.
    let mut amplifying = (circuit.elements.iter().enumerate())
        .filter(|(_, e)| e.role() == Some(DeviceRole::Valve))
        .map(|(k, _)| idle.get(&k))
        .peekable();
    if let Some(Some(note)) = amplifying.peek().copied()
        && amplifying.all(|note| note.is_some())
    {
        let power = lines[first..].iter_mut();
        for line in power.filter(|l| ["fuse", "mains transformer"].contains(&l.kind)) {
            if line.rating.take().is_some() {
                line.buy.clear();
            }
            line.notes.insert(0, note.clone());
        }
    }
    if findings::doubtful(circuit, survey).contains(&true) {
        let all = lines.iter_mut().filter(|l| l.kind != "diode");
        all.for_each(|line| line.notes.push(DOUBTED.to_string()));
    }
    lines
}

/// Alike parts, and the worst stress among them.
struct Group {
    line: Line,
    stress: f64,
    /// The most watts of one of them, if nothing says how many they stand.
    unrated_w: Option<f64>,
}

/// Buys an idle part as its line rates it, and says that it is idle. What is bought by its type is; a
/// switch is listed by the volts that it holds off.
fn leave(line: &mut Line, element: &Element, note: &str) {
    if matches!(
        element.role(),
        Some(DeviceRole::Toggle | DeviceRole::Switch)
    ) {
        return;
    }
    if element.rated.is_none() && line.rating.take().is_some() {
        line.buy.clear();
    }
    line.notes.insert(0, note.to_string());
}

/// Notes what is found wrong with a part.
fn check(line: &mut Line, element: &Element, survey: &Survey, found: &[Finding]) {
    let own = found.iter().filter(|f| f.subject == element.name);
    // Its own line has said more.
    let said = |f: &&Finding| match element.role() {
        Some(DeviceRole::Capacitor) => reversed(survey, element).is_some(),
        Some(DeviceRole::Diode) => f.quantity.ends_with("inverse voltage"),
        _ => false,
    };
    for finding in own.filter(|f| !said(f)) {
        line.notes.push(format!("CHECK: {}", finding.text));
        if finding.grave {
            line.buy.clear();
            line.rating = None;
        }
    }
}

/// The volts by which an electrolytic is reversed, where they are more than it stands.
fn reversed(survey: &Survey, element: &Element) -> Option<f64> {
    let figure = survey.find(&element.name, "reverse voltage")?;
    let is_over = figure.verdict() == Some(Verdict::Over);
    Some(figure.worst()?.0.abs()).filter(|_| is_over)
}

/// What is said of every other part where a diode breaks down: what it clamps needs more than is shown,
/// what feeds it less.
const DOUBTED: &str = "what it needs is not known: a diode conducts backward";

/// What is said of a switch that is closed: the volts across it are those of its contact alone.
const CLOSED: &str = "closed as it stands: ask again with it open for the volts that it holds off";

/// What is said of every part where a rectifier delivers nothing: behind it all stand at 0 V.
const DEAD: &str = "what it needs is not known: a rectifier delivers nothing";

/// The order of kinds.
fn place(kind: &str) -> usize {
    const KINDS: [&str; 9] = [
        "resistor",
        "pot",
        "capacitor",
        "inductor",
        "diode",
        "transistor",
        "switch",
        "relay contact",
        "other",
    ];
    KINDS.iter().position(|k| *k == kind).unwrap_or(KINDS.len())
}

fn part(
    circuit: &Circuit,
    leads: Option<&Leads>,
    survey: &Survey,
    element: &Element,
) -> Option<Group> {
    let worst = |quantity: &str| {
        let found = survey.find(&element.name, quantity);
        found.and_then(Stress::worst).map_or(0.0, |w| w.0.abs())
    };
    let mut unrated_w = None;
    let mut semiconductor = |found: Semiconductor| {
        unrated_w = found.unrated_w;
        (found.line, found.stress)
    };
    let (mut line, stress) = match element.role()? {
        // It stands with the transformers.
        DeviceRole::Resistor if power::is_fuse(element) => return None,
        DeviceRole::Resistor => {
            resistor(element, worst("driven dissipation"), worst("peak voltage"))
        }
        DeviceRole::Capacitor => {
            let stands = Stands {
                volts: f64::max(worst("peak voltage"), worst("charging voltage")),
                alternating: worst("alternating voltage"),
                ripple: worst("ripple current"),
                reversed: reversed(survey, element),
            };
            let line = capacitors::line(circuit, leads, element, &stands);
            (line, stands.volts)
        }
        DeviceRole::Pot => pot(
            element,
            worst("driven dissipation"),
            worst("track dissipation"),
        ),
        DeviceRole::Inductor => (valued("inductor", element), 0.0),
        DeviceRole::Diode => semiconductor(semiconductors::diode(survey, element)),
        DeviceRole::Transistor(_) => semiconductor(semiconductors::transistor(survey, element)),
        DeviceRole::Switch => {
            let volts = worst("peak voltage");
            let mut line = Line::new("relay contact", "");
            line.needs = show(volts, "V");
            (line, volts)
        }
        DeviceRole::Toggle if element.position == Some(1.0) => {
            let amperes = worst("rms current");
            let mut line = Line::new("switch", "1 pole");
            line.needs = show(amperes, "A");
            line.notes.push(CLOSED.to_string());
            (line, amperes)
        }
        DeviceRole::Toggle => {
            let volts = worst("peak voltage");
            let mut line = Line::new("switch", "1 pole");
            line.needs = show(volts, "V");
            (line, volts)
        }
        _ => return None,
    };
    line.quantity = 1;
    line.names.push(element.name.clone());
    if matches!(element.letter, 'R' | 'C' | 'L')
        && let Some(value) = element.value
    {
        let unit = match element.letter {
            'R' => "Ω",
            'C' => "F",
            _ => "H",
        };
        line.notes.extend(if is_electrolytic(element) {
            ratings::unusual_electrolytic(value)
        } else {
            ratings::unpreferred(value, unit)
        });
    }
    Some(Group {
        line,
        stress,
        unrated_w,
    })
}

/// From this value on a capacitor is bought as an electrolytic, if nothing else is said (common
/// practice, no published source), F.
const ELECTROLYTIC: f64 = 4.9e-6;

fn is_electrolytic(element: &Element) -> bool {
    let large = element.value.is_some_and(|farads| farads >= ELECTROLYTIC);
    element.letter == 'C' && (element.notes.polar || large)
}

fn valued(kind: &'static str, element: &Element) -> Line {
    Line {
        number: element.value,
        ..Line::new(kind, element.value.map_or(String::new(), written))
    }
}

fn resistor(element: &Element, watts: f64, volts: f64) -> (Line, f64) {
    let mut line = valued("resistor", element);
    line.needs = show(watts, "W");
    line.rating = ratings::resistor(watts, volts, element.rated);
    match line.rating {
        Some(rating) => {
            line.buy = format!("{} W", num::full(rating));
            if ratings::resistor(watts, 0.0, element.rated) != line.rating {
                line.notes.push("rated for the volts across it".to_string());
            }
        }
        None => line.notes.push(format!(
            "{} across it and {}: no single resistor will do, use two or more in series",
            show(volts, "V"),
            show(watts, "W")
        )),
    }
    (line, watts)
}

fn pot(element: &Element, watts: f64, whole: f64) -> (Line, f64) {
    use crate::device::pot::Track;
    let track = element.track;
    let ohms = track.as_ref().map(Track::ohms);
    let taper = track.as_ref().map_or("", Track::taper);
    let mut line = Line::new(
        "pot",
        format!("{} {taper}", ohms.map_or(String::new(), written)),
    );
    line.number = ohms;
    line.needs = show(watts, "W");
    line.rating = ratings::resistor(watts.max(whole), 0.0, element.rated);
    match line.rating {
        Some(rating) => {
            line.buy = format!("{} W", num::full(rating));
            if ratings::resistor(watts, 0.0, element.rated) != line.rating {
                line.notes
                    .push("rated for the current in a part of its track".to_string());
            }
        }
        None => line.notes.push(format!(
            "its whole track would take {} at that current: no pot will do",
            show(watts.max(whole), "W")
        )),
    }
    (line, watts)
}
