//! What the transformers must supply, and fuses.

use super::line::{Line, show};
use super::semiconductors::refuse;
use super::{ratings, resting, valves};
use crate::circuit::{Circuit, Element, Node};
use crate::device::role::DeviceRole;
use crate::measure::chart::ROUNDING;
use crate::measure::findings::{self, Finding};
use crate::measure::stress::{Stress, Survey};
use crate::num;

/// The caution that fuses carry.
const FUSES: &str = "by common practice: local codes and licensed practice decide";

fn worst(survey: &Survey, subject: &str, quantity: &str) -> Option<f64> {
    survey
        .find(subject, quantity)
        .and_then(Stress::worst)
        .map(|w| w.0)
}

/// Lines for chokes, transformers, loudspeakers and fuses.
pub(super) fn lines(circuit: &Circuit, survey: &Survey, found: &[Finding]) -> Vec<Line> {
    let mut lines = Vec::new();
    let resting = resting::carriers(circuit, survey);
    for (k, element) in circuit.elements.iter().enumerate() {
        let first = lines.len();
        let of = |quantity: &str| worst(survey, &element.name, quantity);
        match element.role() {
            Some(DeviceRole::MainsTransformer) => mains(&mut lines, circuit, survey, element),
            Some(DeviceRole::OutputTransformer) => {
                let mut line = one("output transformer", element);
                let watts = of("power delivered").unwrap_or(0.0);
                // Without a signal nothing is delivered but hum.
                if survey.states.iter().any(|s| s.sine.is_some()) {
                    line.needs = show(watts, "W");
                }
                let halves = ["plate1 direct current", "plate2 direct current"];
                let halves: Vec<f64> = halves.iter().filter_map(|q| of(q)).collect();
                if let [a, b] = halves[..] {
                    let (a, b) = (show(a.abs(), "A"), show(b.abs(), "A"));
                    line.notes
                        .push(format!("standing current up to {a} and {b} in the halves"));
                }
                if let Some(standing) = of("standing current") {
                    let standing = show(standing.abs(), "A");
                    line.notes
                        .push(format!("standing current up to {standing}"));
                }
                refuse(&mut line, survey, element);
                lines.push(line);
            }
            Some(DeviceRole::Choke) => {
                let mut line = one("choke", element);
                if let Some(amperes) = of("driven direct current") {
                    line.needs = show(amperes.abs(), "A");
                }
                refuse(&mut line, survey, element);
                lines.push(line);
            }
            Some(DeviceRole::Loudspeaker) => lines.push(one("loudspeaker", element)),
            // Those in the leads of a mains transformer stand with it.
            Some(DeviceRole::Resistor) if is_fuse(element) && !is_of_iron(circuit, element) => {
                lines.push(drawn(element, through(survey, element), None));
            }
            _ => {}
        }
        for line in &mut lines[first..] {
            let rests = match element.role() {
                Some(DeviceRole::MainsTransformer) => !resting.is_empty(),
                Some(DeviceRole::Choke | DeviceRole::Resistor) => resting.contains(&k),
                _ => false,
            };
            if rests {
                line.notes.insert(0, resting::NOTE.to_string());
            }
            check(line, element, found);
            let fuse = line.names.first().and_then(|name| circuit.element(name));
            if let Some(fuse) = fuse.filter(|e| e.name != element.name) {
                check(line, fuse, found);
            }
        }
    }
    // A fuse before two transformers was found by both.
    let mut seen = Vec::new();
    lines.retain(|line| {
        let is_again =
            line.kind == "fuse" && seen.contains(&(line.value.clone(), line.names.clone()));
        seen.push((line.value.clone(), line.names.clone()));
        !is_again
    });
    lines
}

/// Whether a resistor is a fuse alone: one whose line gives its watts too is a resistor that fuses.
pub(super) fn is_fuse(element: &Element) -> bool {
    element.letter == 'R' && element.notes.fuse.is_some() && element.rated.is_none()
}

/// Whether a fuse is drawn in a lead of a mains transformer.
fn is_of_iron(circuit: &Circuit, fuse: &Element) -> bool {
    let all = circuit.elements.iter();
    let mut iron = all.filter(|e| e.role() == Some(DeviceRole::MainsTransformer));
    iron.any(|e| {
        let leads = ["line", "neutral", "ht1", "ht2", "centre"];
        let own = fuses_in(circuit, e, &leads);
        own.iter().any(|f| f.name == fuse.name)
    })
}

/// The fuses in some leads of a mains transformer.
fn fuses_in<'c>(circuit: &'c Circuit, iron: &Element, leads: &[&str]) -> Vec<&'c Element> {
    let mut all = findings::in_lead(circuit, iron, leads);
    all.retain(|e| is_fuse(e));
    all
}

/// The most that a fuse carries, A rms.
fn through(survey: &Survey, fuse: &Element) -> f64 {
    worst(survey, &fuse.name, "rms current").unwrap_or(0.0)
}

/// Notes what is found wrong with iron, and does not buy it if that is grave. A load that is not
/// there is nothing against the transformer.
fn check(line: &mut Line, element: &Element, found: &[Finding]) {
    let own = found.iter().filter(|f| f.subject == element.name);
    let said = line.notes.clone();
    for finding in own.filter(|f| !said.contains(&f.text)) {
        if finding.grave && finding.quantity != findings::NO_LOAD {
            line.buy.clear();
            line.rating = None;
        }
        line.notes.push(format!("CHECK: {}", finding.text));
    }
}

fn one(kind: &'static str, element: &Element) -> Line {
    let value = element.model.clone().unwrap_or_default();
    Line {
        quantity: 1,
        names: vec![element.name.clone()],
        buy: value.clone(),
        ..Line::new(kind, value)
    }
}

/// A mains transformer by what it must give, and the fuses before and behind it.
fn mains(lines: &mut Vec<Line>, circuit: &Circuit, survey: &Survey, element: &Element) {
    let of = |quantity: &str| worst(survey, &element.name, quantity);
    let mut line = one("mains transformer", element);
    // The source that feeds it says how many volts that current is at.
    let source = findings::source_of(circuit, element);
    let volts = source.and_then(|s| worst(survey, &s.name, "rms voltage"));
    let heat = heaters(circuit, survey, element, source);
    let mut primary = of("primary rms current");
    if let (Some(volts), Some(amperes)) = (volts, &mut primary) {
        *amperes += heat.uncounted / volts;
        line.needs = show(volts * *amperes, "VA");
    }
    if heat.all > 0.0 {
        line.notes
            .push(format!("{} of it for the heaters", show(heat.all, "W")));
    }
    let sides = [of("ht1 rms current"), of("ht2 rms current")];
    if let [Some(a), Some(b)] = sides {
        line.notes
            .push(format!("high tension {} rms a side", show(a.max(b), "A")));
    }
    let delivered = circuit
        .elements
        .iter()
        .filter(|e| e.role() == Some(DeviceRole::RectifierValve));
    let direct: f64 = delivered
        .filter_map(|e| worst(survey, &e.name, "driven direct current"))
        .sum();
    if direct > 0.0 {
        line.notes.push(format!("{} direct", show(direct, "A")));
    }
    let heaters = valves::heaters(circuit);
    for (volts, amperes, _) in &heaters.sums {
        line.notes.push(format!(
            "heaters {} {}",
            show(*volts, "V"),
            show(*amperes, "A")
        ));
    }
    let overloaded = valves::overloaded(circuit).into_iter();
    let own = overloaded.filter(|f| f.subject == element.name);
    line.notes.extend(own.map(|f| f.text));
    refuse(&mut line, survey, element);
    lines.push(line);
    if let Some(amperes) = primary {
        // What the heaters take beside the model's own is no overload of its.
        let heaters = volts.map_or(0.0, |volts| heat.uncounted / volts);
        let advised = fuse(
            "mains fuse",
            (
                amperes,
                element.rating("primary rms current").map(|a| a + heaters),
            ),
            element,
            "slow, in the line before the switch",
        );
        let fuses = fuses_in(circuit, element, &["line", "neutral"]);
        if fuses.is_empty() {
            lines.push(advised);
        } else {
            // One before several transformers carries more than each of them.
            let carried = |e: &Element| amperes.max(through(survey, e));
            let own = fuses.iter().map(|e| drawn(e, carried(e), Some(&advised)));
            lines.extend(own);
        }
    }
    if let [Some(a), Some(b)] = sides
        && a.max(b) > 0.0
    {
        // A bridge across the whole winding, or one side alone: one current, one fuse.
        let is_one = a == 0.0 || b == 0.0 || is_free(circuit, element, "centre");
        let mut advised = fuse(
            "high-tension fuse",
            (a.max(b), element.rating("ht1 rms current")),
            element,
            if is_one {
                "slow, in one lead of the winding"
            } else {
                "slow, one in each side"
            },
        );
        let centre = fuses_in(circuit, element, &["centre"]);
        let sides = ["ht1", "ht2"].map(|end| fuses_in(circuit, element, &[end]));
        let bare = sides.iter().filter(|fuses| fuses.is_empty()).count();
        for own in sides.iter().flatten() {
            lines.push(drawn(own, through(survey, own), Some(&advised)));
        }
        // It carries the current of both sides, for which nothing is advised.
        for own in &centre {
            lines.push(drawn(own, through(survey, own), None));
        }
        let wanted = if is_one { bare / 2 } else { bare };
        if centre.is_empty() && wanted > 0 {
            advised.quantity = wanted;
            lines.push(advised);
        }
    }
}

/// A fuse that the netlist draws, which is bought as its line says, and what common practice would fit.
fn drawn(element: &Element, amperes: f64, advised: Option<&Line>) -> Line {
    let rating = element.notes.fuse.unwrap_or(0.0);
    let blows = amperes > rating * ROUNDING;
    let would = advised.filter(|a| a.rating.is_some_and(|r| r != rating));
    let would = would.map(|a| format!("usual here: {}, slow", a.buy));
    let note = if blows {
        format!(
            "does not do: drawn as {}, it blows at {}",
            show(rating, "A"),
            show(amperes, "A")
        )
    } else {
        "as drawn".to_string()
    };
    Line {
        quantity: 1,
        needs: show(amperes, "A"),
        buy: if blows {
            String::new()
        } else {
            format!("{} A", num::full(rating))
        },
        rating: (!blows).then_some(rating),
        names: vec![element.name.clone()],
        notes: std::iter::once(note)
            .chain(would)
            .chain([FUSES.to_string()])
            .collect(),
        ..Line::new("fuse", advised.map_or("fuse", |a| a.value.as_str()))
    }
}

/// Whether nothing is connected to a terminal.
fn is_free(circuit: &Circuit, element: &Element, terminal: &str) -> bool {
    let Some(node) = element.terminal(terminal) else {
        return true;
    };
    let leads = circuit.elements.iter().flat_map(|e| &e.terminals);
    node != Node::GROUND && leads.filter(|n| **n == node).count() == 1
}

/// What the heaters take, W, at the highest mains.
#[derive(Debug, Clone, Copy, Default)]
struct Heat {
    all: f64,
    /// Beyond what the transformer's model counts.
    uncounted: f64,
}

/// What the heaters take from a mains transformer: they are resistors, so it goes with the square of the
/// volts. Of several transformers none is known to be the one.
fn heaters(
    circuit: &Circuit,
    survey: &Survey,
    element: &Element,
    source: Option<&Element>,
) -> Heat {
    let is_mains = |e: &&Element| e.role() == Some(DeviceRole::MainsTransformer);
    if circuit.elements.iter().filter(is_mains).count() != 1 {
        return Heat::default();
    }
    let counted = element.rating("heater power");
    let watts = valves::heaters(circuit).watts();
    let uncounted = (watts - counted.unwrap_or(0.0)).max(0.0);
    let volts = source.and_then(|s| survey.find(&s.name, "rms voltage"));
    let rise = volts.and_then(|figure| {
        let nominal = survey
            .states
            .iter()
            .position(|s| s.mains_percent == 100.0)?;
        Some(figure.worst()?.0 / figure.values[nominal]?)
    });
    let rise = rise.filter(|r| r.is_finite()).unwrap_or(1.0);
    Heat {
        all: watts * rise * rise,
        uncounted: uncounted * rise * rise,
    }
}

/// A fuse for what flows, or for what the winding is rated for, if that is less: it protects the
/// winding, and one for the overload would not (common practice, no published source).
fn fuse(what: &str, (amperes, rated): (f64, Option<f64>), element: &Element, how: &str) -> Line {
    let over = rated.filter(|most| amperes > most * ROUNDING);
    let rating = ratings::fuse(over.unwrap_or(amperes));
    let too_much = over.map(|most| {
        format!(
            "for the winding's rated {}: it will blow at {}, and a larger one protects nothing",
            show(most, "A"),
            show(amperes, "A")
        )
    });
    let said = [how.to_string(), FUSES.to_string()];
    Line {
        quantity: 1,
        needs: show(amperes, "A"),
        buy: rating.map_or(String::new(), |r| format!("{} A", num::full(r))),
        rating,
        names: vec![element.name.clone()],
        notes: too_much.into_iter().chain(said).collect(),
        ..Line::new("fuse", what)
    }
}
