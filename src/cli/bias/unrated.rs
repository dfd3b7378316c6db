//! What is not judged, as nothing says what it stands: named, so that no silence is taken for an `ok`.

use super::stressed::Stressed;
use crate::circuit::library;
use crate::circuit::{Circuit, Element};
use crate::device::base;
use crate::device::role::DeviceRole;
use crate::measure::chart::{ChartRow, is_transistor, transistor_watts};
use crate::measure::grid_circuit::{OPEN, is_small_triode};
use crate::measure::inverse;
use crate::measure::quiescent::Quiescent;

/// Volts between a heater at ground and a cathode from which on it matters what the valve stands.
const LIFTED_V: f64 = 50.0;
/// Watts that any zener stands, half of what the smallest in common use are rated for (400 mW; from memory).
const ANY_ZENER_W: f64 = 0.2;
/// Watts that any pot stands: the smallest for a panel (common practice, no published source).
const ANY_POT_W: f64 = 0.1;
/// Volts that any diode blocks: the least that sheets print, for light-emitting ones.
const ANY_BLOCKS_V: f64 = 5.0;

/// What has no rating where others like it have one: resistors and capacitors, and of valves at work the
/// grid circuit and a lifted cathode; transistors, diodes that block, and zeners and pots that get warm.
pub fn unrated(
    circuit: &Circuit,
    quiescent: &Quiescent,
    stressed: Option<&Stressed>,
    (rows, beside): (&[ChartRow], &[ChartRow]),
) -> Vec<String> {
    let rated = |letter: char| {
        let mut own = circuit.elements.iter().filter(move |e| e.letter == letter);
        own.any(|e| e.rated.is_some())
    };
    let (resistors, capacitors) = (rated('R'), rated('C'));
    let parts = circuit.elements.iter().filter(|e| {
        let counts = e.letter == 'R' && resistors || e.letter == 'C' && capacitors;
        counts && e.rated.is_none() && e.notes.fuse.is_none()
    });
    let parts = parts.map(|e| e.name.clone());
    let diodes = circuit.elements.iter().enumerate().filter(|(k, e)| {
        let is_unrated = e.role() == Some(DeviceRole::Diode)
            && !inverse::is_zener(e)
            && inverse::most(e).is_none();
        is_unrated && !library::is_of_block(e) && blocked(quiescent, stressed, *k, e) > ANY_BLOCKS_V
    });
    let diodes = diodes.map(|(_, e)| format!("inverse voltage of {}", e.name));
    let zeners = circuit.elements.iter().filter(|e| {
        let is_unrated = inverse::is_zener(e) && inverse::most_watts(e).is_none();
        let dissipation = "driven dissipation";
        is_unrated
            && !library::is_of_block(e)
            && taken(stressed, beside, (e, dissipation, dissipation)) > ANY_ZENER_W
    });
    let zeners = zeners.map(|e| format!("watts of {}", e.name));
    let pots = circuit.elements.iter().filter(|e| {
        let names = (*e, "dissipation", "track dissipation");
        let is_unrated = e.role() == Some(DeviceRole::Pot) && e.rated.is_none();
        is_unrated && taken(stressed, rows, names) > ANY_POT_W
    });
    let pots = pots.map(|e| format!("watts of {}", e.name));
    let transistors = circuit.elements.iter().filter_map(transistor);
    let valves = rows.iter().filter_map(|row| valve(circuit, row));
    // The list is cut off: what fails short comes first.
    transistors
        .chain(diodes)
        .chain(zeners)
        .chain(pots)
        .chain(parts)
        .chain(valves)
        .collect()
}

/// The most that a diode blocks, at rest, with cold valves and in any state that was looked at.
fn blocked(
    quiescent: &Quiescent,
    stressed: Option<&Stressed>,
    place: usize,
    element: &Element,
) -> f64 {
    let at_rest = quiescent.blocked.iter().filter(|b| b.0 == place);
    let at_rest = at_rest.map(|&(_, hot, cold)| hot.max(cold.unwrap_or(hot)));
    let survey = stressed.map(|s| &s.survey);
    let driven = survey.and_then(|s| s.find(&element.name, "peak inverse voltage"));
    let driven = driven.and_then(|figure| figure.worst()).map(|w| w.0);
    at_rest.chain(driven).fold(0.0, f64::max)
}

/// The most that a part takes, in any state that was looked at or at rest, W, by what its heat is called
/// among the rows at rest and in the survey.
fn taken(
    stressed: Option<&Stressed>,
    rows: &[ChartRow],
    (element, resting, driven): (&Element, &str, &str),
) -> f64 {
    let mut at_rest = rows.iter();
    let at_rest = at_rest.find(|r| r.subject == element.name && r.quantity == resting);
    let survey = stressed.map(|s| &s.survey);
    let worst = survey.and_then(|s| s.find(&element.name, driven)?.worst());
    worst
        .map(|w| w.0)
        .or(at_rest.map(|r| r.value))
        .unwrap_or(0.0)
}

/// What of a transistor has no rating.
fn transistor(element: &Element) -> Option<String> {
    if !is_transistor(element) {
        return None;
    }
    let known = |names: &[&str]| names.iter().any(|name| element.rating(name).is_some());
    let across = known(&["vce", "vds", "vgd"]);
    let missing = [
        (!across).then_some("volts"),
        (across && element.letter == 'M' && !known(&["vgs"])).then_some("gate volts"),
        transistor_watts(element).is_none().then_some("watts"),
    ];
    let missing: Vec<&str> = missing.into_iter().flatten().collect();
    (!missing.is_empty()).then(|| format!("{} of {}", missing.join(" and "), element.name))
}

/// What of a valve has no rating, by a row of the chart.
fn valve(circuit: &Circuit, row: &ChartRow) -> Option<String> {
    let element = || circuit.elements.iter().find(|e| e.name == row.subject);
    match row.quantity {
        _ if row.limit.is_some() => None,
        "grid circuit resistance" if row.value < OPEN => {
            // A triode with both ratings has neither applied where its own grid current makes the bias.
            let ways = ["fixed", "cathode"].map(|w| format!("grid circuit resistance ({w} bias)"));
            let rated = |e: &Element| ways.iter().all(|way| e.rating(way).is_some());
            let own = element().is_some_and(|e| is_small_triode(e) && rated(e));
            let why = if own {
                " (its own current biases it)"
            } else {
                ""
            };
            Some(format!("grid circuit of {}{why}", row.subject))
        }
        "heater-cathode voltage" if row.value.abs() > LIFTED_V => {
            let base = element().and_then(|e| base::of_value(e.parameter("base")?));
            let is_one = base.is_some_and(base::Base::joins_heater);
            (!is_one).then(|| format!("heater to cathode of {}", row.subject))
        }
        _ => None,
    }
}
