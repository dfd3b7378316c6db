//! The answers in a builder's words.

use crate::cli::command::SAFETY;
use crate::device::role::DeviceRole;
use crate::faults::diagnosis::{Action, Answer, Cause, Deed, Diagnosis, UNEXPLAINED, Verdict};
use crate::faults::fault::Fault;
use crate::faults::hypothesis::{BLOWN, Named};
use crate::faults::next::Next;
use crate::faults::point::Quantity;
use crate::faults::readings::Reading;
use crate::num;
use crate::report::table::{Side, Table};

/// Volts, to four digits.
pub fn volts(value: f64) -> String {
    if value.abs() < 5e-4 {
        return "0 V".to_string();
    }
    num::engineering(value, "V", 4)
}

/// What was read at a point, in its unit.
pub fn shown(reading: &Reading, value: f64) -> String {
    match reading.point.quantity {
        Quantity::Volts => volts(value),
        _ => num::engineering(value, reading.point.unit(), 4),
    }
}

/// A cause in words: `RK2 is shorted`.
pub fn cause(cause: &Cause) -> String {
    let (name, lead) = (&cause.element, &cause.lead);
    let about = |unit: &str| {
        let value = cause.value.map(|v| num::engineering(v, unit, 2));
        value.map(|v| format!(", about {v}")).unwrap_or_default()
    };
    match (cause.fault, lead.as_str()) {
        (Fault::None, _) => "nothing is wrong that these readings show".to_string(),
        (Fault::Open, "") => format!("{name} is open, or one of its joints is dry"),
        (Fault::Open, lead) => format!("{name}: no contact at {}", of_lead(lead)),
        (Fault::Short, lead) if lead.ends_with(BLOWN) => format!(
            "{name} is shorted and has blown the fuse: find the short before you fit another"
        ),
        (Fault::Short, "") => format!("{name} is shorted, or its ends are bridged"),
        (Fault::Short, lead) => format!("{name}: {lead} bridged"),
        (Fault::Leaky, _) => format!("{name} leaks{}", about("Ω")),
        (Fault::WrongValue, _) => format!("{name} has the wrong value{}", about("Ω")),
        (Fault::Interchanged, _) => format!("{} are interchanged", name.replacen(' ', " and ", 1)),
        (Fault::DriedOut, _) => format!("{name} has dried out{}", left(cause)),
        (Fault::Dead, "no heater") => format!("{name} is dead (no heater?)"),
        (Fault::Dead, _) => format!("{name} passes no current: dead valve, or not in its socket"),
        (Fault::Weak, _) => {
            let part = cause.value.map_or(String::new(), |v| {
                format!(": about {:.0} % of its current", 100.0 * v)
            });
            format!("{name} is weak{part}")
        }
        (Fault::Gassy, _) => format!("{name} is gassy: grid current{}", about("A")),
        (Fault::WrongValve, _) => format!(
            "{} are in each other's sockets",
            name.replacen(' ', " and ", 1)
        ),
        (Fault::Supply, "missing") => format!("supply {name} is missing, pulled to 0 V"),
        (Fault::Supply, "disconnected") => {
            format!("supply {name} is not connected: fuse, standby or joint")
        }
        (Fault::Supply, lead) => format!("supply {name} is too {lead}{}", about("V")),
        (Fault::TwoFaults, both) => match &cause.both[..] {
            [one, two] => format!(
                "two faults at once: {}, and {}",
                self::cause(one),
                self::cause(two)
            ),
            _ => format!("two faults at once: {both}"),
        },
    }
}

/// A lead with its article, unless it has a number or a name of its own: `the plate`, `plate1`.
fn of_lead(lead: &str) -> String {
    if lead.ends_with(|c: char| c.is_ascii_digit()) {
        lead.to_string()
    } else {
        format!("the {lead}")
    }
}

/// What is left of a capacitor.
fn left(cause: &Cause) -> String {
    let farads = cause.value.map(|v| num::engineering(v, "F", 2));
    farads.map_or(String::new(), |f| format!(": about {f} left"))
}

/// An action in words.
pub fn action(action: &Action) -> String {
    let name = &action.element;
    match action.deed {
        Deed::Ohms(sound) => format!(
            "measure {name}, the ohms to ground: {} if it is sound; add it to the readings",
            num::engineering(sound, "Ω", 2)
        ),
        Deed::Without(DeviceRole::Capacitor) => {
            format!("lift one lead of {name} and measure again")
        }
        Deed::Without(DeviceRole::Valve) => {
            format!("put another valve in the place of {name} and measure again")
        }
        Deed::Without(_) => format!("lift one lead of {name} and measure its ohms"),
    }
}

/// What to mind at a point, or nothing.
pub fn caution(next: &Next) -> String {
    let most = next.volts.abs().max(next.most);
    // The limit for direct volts of IEC 61140 that may be touched (from memory).
    if most > 60.0 {
        format!(
            "up to {} stand here, also after switch-off: one hand, insulated probe",
            volts(most)
        )
    } else {
        String::new()
    }
}

fn percent(probability: f64) -> String {
    match 100.0 * probability {
        p if p >= 99.95 => "> 99.9 %".to_string(),
        p if p < 0.05 => "< 0.1 %".to_string(),
        p => format!("{p:.1} %"),
    }
}

/// The causes of an answer in words, each once with its probability.
fn alternatives(answer: &Answer) -> Vec<(String, f64)> {
    let mut all: Vec<(String, f64)> = Vec::new();
    for it in &answer.causes {
        let words = cause(it);
        match all.iter_mut().find(|a| a.0 == words) {
            Some(known) => known.1 += it.probability,
            None => all.push((words, it.probability)),
        }
    }
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    all
}

/// Whether a fuse may have blown.
fn may_have_blown(answer: &Answer) -> bool {
    answer.causes.iter().any(|c| c.lead.ends_with(BLOWN))
}

/// What to mind where a fuse may have blown.
const FUSE: &str = "Pull the mains plug and look at the fuse first. If it has blown, something is shorted: fit no \
                    other before that is found, and never a larger one.\n";

/// How many alternatives are named.
const NAMED: usize = 10;

fn short_list(names: &[String]) -> String {
    let mut text = names
        .iter()
        .take(NAMED)
        .cloned()
        .collect::<Vec<_>>()
        .join(", ");
    if names.len() > NAMED {
        text.push_str(&format!(" and {} more", names.len() - NAMED));
    }
    text
}

/// Names under their faults: `open: CK1, CC1`.
fn by_kind(names: &[Named]) -> String {
    let mut kinds: Vec<(Fault, Vec<String>)> = Vec::new();
    for name in names {
        let place = if name.fault.is_exchange() {
            name.place.replacen(' ', " and ", 1)
        } else {
            name.place.clone()
        };
        match kinds.iter_mut().find(|k| k.0 == name.fault) {
            Some(found) => found.1.push(place),
            None => kinds.push((name.fault, vec![place])),
        }
    }
    let lines = kinds
        .iter()
        .map(|(kind, places)| format!("  {kind}: {}\n", short_list(places)));
    lines.collect()
}

/// The chart.
pub fn printed(title: &str, diagnosis: &Diagnosis, readings: &[Reading]) -> String {
    let mut text = format!("{title}\n\n");
    let Some(first) = diagnosis.answers.first() else {
        return text;
    };
    if diagnosis.is_sound() {
        let which = if first.slipped.is_some() {
            "All readings but one"
        } else {
            "These readings"
        };
        text.push_str(&format!(
            "{which} are those of a sound circuit ({}).\n",
            percent(first.probability)
        ));
        let names = diagnosis.others(first);
        if !names.is_empty() {
            text.push_str("They could not have shown:\n");
            text.push_str(&by_kind(&names));
        }
    } else {
        let sure = if first.probability > 0.5 {
            "Most likely"
        } else {
            "Perhaps"
        };
        let chance = percent(first.probability);
        match &alternatives(first)[..] {
            [(one, _)] => text.push_str(&format!("{sure} ({chance}): {one}.\n")),
            all => {
                text.push_str(&format!(
                    "{sure} ({chance}) one of these; the readings cannot tell them apart:\n"
                ));
                for (words, probability) in all.iter().take(NAMED) {
                    text.push_str(&format!("  {:>8}  {words}\n", percent(*probability)));
                }
                if all.len() > NAMED {
                    text.push_str(&format!("            and {} more\n", all.len() - NAMED));
                }
            }
        }
    }
    if may_have_blown(first) {
        text.push_str(FUSE);
    }
    if let Some(slipped) = first.slipped {
        text.push_str(&format!(
            "One reading does not fit: {} was read as {}, expected {}. Measure it again.\n",
            readings[slipped].point.label,
            shown(&readings[slipped], readings[slipped].value),
            shown(&readings[slipped], first.expected[slipped])
        ));
    }
    if first.misfit > UNEXPLAINED {
        text.push_str(
            "Even this does not explain the readings well: there may be two faults, a slipped \
             reading, or a knob or switch in another position than in the netlist.\n",
        );
    }
    text.push('\n');
    text.push_str(&why(first, diagnosis, readings));
    text.push('\n');
    text.push_str(&ranks(diagnosis));
    text.push_str(&measure_next(diagnosis));
    if diagnosis.unsolved > 0 {
        text.push_str(&format!(
            "\nnote: {} no solution, and no verdict\n",
            match diagnosis.unsolved {
                1 => "one case has".to_string(),
                n => format!("{n} cases have"),
            }
        ));
    }
    text + "\n" + SAFETY + "\n"
}

/// Why readings come to nothing, and what to do; none if they come to something.
pub fn unanswered(diagnosis: &Diagnosis, readings: &[Reading]) -> Option<(String, String)> {
    let (message, hint) = match diagnosis.verdict() {
        Verdict::Sound | Verdict::Fault => return None,
        Verdict::NoSound => match diagnosis.unseen.map(|k| &readings[k].point.label) {
            Some(label) => (
                format!("no verdict: `{label}` could not be computed for the circuit as drawn"),
                "leave this reading out (`#` before its line); a ripple is computed behind the rectifiers, not \
                 on a winding".to_string(),
            ),
            None => (
                "no verdict: the circuit as drawn could not be computed with these readings".to_string(),
                "look at the circuit with `gridleak bias` first, and try fewer readings".to_string(),
            ),
        },
        Verdict::Unsolved => (
            format!(
                "no verdict: {:.0} % of all faults, by how often they happen, could not be computed",
                100.0 * diagnosis.unsolved_part
            ),
            "leave out readings of ripple, gain and other states (`#` before their lines), and look \
             at the circuit with `gridleak bias`"
                .to_string(),
        ),
        Verdict::Unexplained(misfit) => (
            format!(
                "no verdict: nothing that was tried explains these readings: neither a sound circuit \
                 ({misfit:.1} standard deviations off) nor any fault"
            ),
            "measure again, set knobs and switches as they stand (`--knob`, `--switch`), and check the \
             netlist against the amplifier"
                .to_string(),
        ),
    };
    Some((message, hint))
}

/// Read, expected with the fault, and sound.
fn why(first: &Answer, diagnosis: &Diagnosis, readings: &[Reading]) -> String {
    let mut table = Table::new(&[
        ("point", Side::Left),
        ("read", Side::Right),
        ("with this", Side::Right),
        ("+/-", Side::Right),
        ("sound", Side::Right),
    ]);
    for (k, reading) in readings.iter().enumerate() {
        table.row([
            reading.point.label.clone(),
            shown(reading, reading.value),
            shown(reading, first.expected[k]),
            give(first, reading, k),
            diagnosis
                .sound
                .get(k)
                .map_or(String::new(), |v| shown(reading, *v)),
        ]);
    }
    table.text()
}

/// How far a reading may be from what an answer explains: twice its deviation.
pub fn give(answer: &Answer, reading: &Reading, k: usize) -> String {
    num::engineering(2.0 * answer.deviation[k], reading.point.unit(), 2)
}

/// Characters of a line of a cell, so that the whole table is no wider than a terminal of 100.
const CAUSE_WIDE: usize = 36;
const OTHERS_WIDE: usize = 29;
const CAUTION_WIDE: usize = 46;

fn ranks(diagnosis: &Diagnosis) -> String {
    let mut table = Table::new(&[
        ("rank", Side::Right),
        ("probability", Side::Right),
        ("cause", Side::Left),
        ("same readings", Side::Left),
        ("misfit", Side::Right),
    ]);
    for (k, answer) in diagnosis.answers.iter().enumerate().take(8) {
        let cells = [
            (k + 1).to_string(),
            percent(answer.probability),
            cause(&answer.causes[0]),
            short_list(
                &diagnosis
                    .others(answer)
                    .iter()
                    .map(Named::to_string)
                    .collect::<Vec<_>>(),
            ),
            format!("{:.1}", answer.misfit),
        ];
        table.row_within(cells, &[0, 0, CAUSE_WIDE, OTHERS_WIDE, 0]);
    }
    table.text()
}

fn measure_next(diagnosis: &Diagnosis) -> String {
    let points = points_next(diagnosis);
    let mut deeds = String::new();
    for it in &diagnosis.actions {
        deeds.push_str(&format!("  {} ({:.2} bits)\n", action(it), it.gain));
    }
    let first = diagnosis.answers.first();
    // Behind a blown fuse nothing is looked for under power.
    let (lead, is_blown) = match first {
        Some(a) if may_have_blown(a) => ("Next", true),
        _ => ("Or", false),
    };
    if !deeds.is_empty() {
        let heading = "switched off, with every capacitor discharged and checked:";
        deeds = format!("\n{lead}, {heading}\n{deeds}");
    }
    if is_blown {
        deeds + &points
    } else {
        points + &deeds
    }
}

fn points_next(diagnosis: &Diagnosis) -> String {
    let telling: Vec<&Next> = diagnosis.next.iter().filter(|n| n.gain > 0.02).collect();
    if telling.is_empty() {
        return "\nNo other point would tell more.\n".to_string();
    }
    let mut table = Table::new(&[
        ("measure next", Side::Left),
        ("tells, bits", Side::Right),
        ("sound", Side::Right),
        ("", Side::Left),
    ]);
    for next in telling.iter().take(5) {
        let cells = [
            next.point.label.clone(),
            format!("{:.2}", next.gain),
            match next.point.quantity {
                Quantity::Volts => volts(next.volts),
                _ => String::new(),
            },
            caution(next),
        ];
        table.row_within(cells, &[0, 0, 0, CAUTION_WIDE]);
    }
    format!("\n{}", table.text())
}
