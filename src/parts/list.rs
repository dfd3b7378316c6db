//! The order list.

use super::line::{Line, show, written};
use super::{power, ratings, valves};
use crate::analysis::mains;
use crate::circuit::{Circuit, Element};
use crate::device::role::DeviceRole;
use crate::measure::stress::{Stress, Survey};
use crate::num;

/// Every part of a circuit as an order list: what the maker's shop sells first by kind, then by
/// value; bottles, sockets, iron and fuses last.
pub fn list(circuit: &Circuit, survey: &Survey) -> Vec<Line> {
    let mut groups: Vec<Group> = Vec::new();
    for element in &circuit.elements {
        let Some(part) = part(circuit, survey, element) else {
            continue;
        };
        let same = |g: &&mut Group| {
            let (a, b) = (&g.line, &part.line);
            a.kind == b.kind && a.value == b.value && a.buy == b.buy && a.notes == b.notes
        };
        match groups.iter_mut().find(same) {
            Some(group) => {
                group.line.quantity += 1;
                group.line.names.push(element.name.clone());
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
    let mut lines: Vec<Line> = groups.into_iter().map(|g| g.line).collect();
    lines.extend(valves::lines(circuit, survey));
    lines.extend(power::lines(circuit, survey));
    lines
}

/// Alike parts, and the worst stress among them.
struct Group {
    line: Line,
    stress: f64,
}

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

fn part(circuit: &Circuit, survey: &Survey, element: &Element) -> Option<Group> {
    let worst = |quantity: &str| {
        let found = survey.find(&element.name, quantity);
        found.and_then(Stress::worst).map_or(0.0, |w| w.0.abs())
    };
    let (mut line, stress) = match element.role()? {
        DeviceRole::Resistor => {
            resistor(element, worst("driven dissipation"), worst("peak voltage"))
        }
        DeviceRole::Capacitor => capacitor(
            circuit,
            element,
            worst("peak voltage"),
            worst("ripple current"),
        ),
        DeviceRole::Pot => pot(
            element,
            worst("driven dissipation"),
            worst("track dissipation"),
        ),
        DeviceRole::Inductor => (valued("inductor", element), 0.0),
        DeviceRole::Diode => {
            let volts = worst("peak inverse voltage");
            let mut line = typed("diode", element);
            line.needs = show(volts, "V");
            (line, volts)
        }
        DeviceRole::Transistor(_) => {
            let watts = worst("driven dissipation");
            let mut line = typed("transistor", element);
            line.needs = show(watts, "W");
            (line, watts)
        }
        DeviceRole::Switch => {
            let volts = worst("peak voltage");
            let mut line = Line::new("relay contact", "");
            line.needs = show(volts, "V");
            (line, volts)
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
        line.notes.extend(match is_electrolytic(element) {
            true => ratings::unusual_electrolytic(value),
            false => ratings::unpreferred(value, unit),
        });
    }
    Some(Group { line, stress })
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

fn typed(kind: &'static str, element: &Element) -> Line {
    let model = element.model.clone().unwrap_or_default();
    Line {
        buy: model.clone(),
        ..Line::new(kind, model)
    }
}

fn resistor(element: &Element, watts: f64, volts: f64) -> (Line, f64) {
    let mut line = valued("resistor", element);
    line.needs = show(watts, "W");
    line.rating = ratings::resistor(watts, volts);
    match line.rating {
        Some(rating) => {
            line.buy = format!("{} W", num::full(rating));
            if ratings::resistor(watts, 0.0) != line.rating {
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

fn capacitor(circuit: &Circuit, element: &Element, volts: f64, ripple: f64) -> (Line, f64) {
    let mut line = valued("capacitor", element);
    line.needs = show(volts, "V");
    line.rating = ratings::capacitor(volts);
    match line.rating {
        Some(rating) => line.buy = format!("{} V", num::full(rating)),
        None => line.notes.push(format!(
            "{}: no single capacitor will do, use two in series with a resistor across each",
            show(volts, "V")
        )),
    }
    if is_across_mains(circuit, element) {
        line.notes.push(ACROSS_MAINS.to_string());
    }
    if element.notes.polar {
        let plus = &circuit.nodes[element.terminals[0].0].name;
        line.notes.push(format!("electrolytic, plus at `{plus}`"));
    }
    // A tenth of an ampere warms a capacitor; less is not worth a word.
    if ripple >= 0.05 {
        line.notes
            .push(format!("ripple current {} rms", show(ripple, "A")));
    }
    (line, volts)
}

/// What a capacitor between the mains' own two leads must be. Source: IEC 60384-14, from memory: a
/// class of its own, tested with surges, which no rating in volts says.
const ACROSS_MAINS: &str = "across the mains: class X2 for that voltage, nothing else";

fn is_across_mains(circuit: &Circuit, element: &Element) -> bool {
    let ends = |e: &Element| [e.terminals[0], e.terminals[1]];
    let own = ends(element);
    let is_beside = |e: &&Element| e.letter == 'V' && ends(e).iter().all(|n| own.contains(n));
    let mut beside = circuit.elements.iter().filter(is_beside).peekable();
    // The mains are looked for only where a source stands there.
    beside.peek().is_some()
        && mains::find(circuit).is_some_and(|mains| beside.any(|e| mains.are(circuit, e)))
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
    line.rating = ratings::resistor(watts.max(whole), 0.0);
    if let Some(rating) = line.rating {
        line.buy = format!("{} W", num::full(rating));
        if ratings::resistor(watts, 0.0) != line.rating {
            line.notes
                .push("rated for the current in a part of its track".to_string());
        }
    }
    (line, watts)
}
