//! Push-pull primaries: what stands at their ends, and whether both halves carry as much.

use super::finding::{Finding, show};
use crate::circuit::{BranchKind, Circuit, Element, Node};
use crate::device::Pin;
use crate::device::role::DeviceRole;
use crate::measure::groups::Groups;
use crate::measure::windings::{winding_name, windings};
use crate::system::assemble::Assembly;
use crate::system::probe::{self, Moment};

/// Direct current of a half from which on its pair works, A.
const WORKS: f64 = 1e-3;
/// A valve's plate current from which on it is one of a pair, A.
const DRAWS: f64 = 10e-6;
/// How many times one half may carry what the other does. Two 6V6GTs at the opposite limits of production
/// (tests/references/spread.toml: current +/- 27 %; mu +/- 10 % and 0.1 V of contact potential, common practice)
/// come to 1.9 with cathode bias and, in the Lapwing's cold fixed bias, to 2.6.
const UNEQUAL: f64 = 3.0;
/// Part of the other half's current below which a half carries none.
const NONE: f64 = 0.01;
/// Part of it that is no leakage, where it flows the wrong way.
const BACKWARD: f64 = 0.05;
/// Stoppers at plates and screens have no more, ohm (common practice, no published source).
const STOPPER: f64 = 5e3;
/// Valves in parallel have their grids joined by no more than that, or by a coupling capacitor of this size:
/// their stoppers, ohm, F (common practice, no published source).
const JOINED: (f64, f64) = (33e3, 1e-9);

/// Nodes that are one lead, but for stoppers, closed switches and ammeters.
pub(super) fn leads(circuit: &Circuit) -> Groups {
    let resistances = circuit.resistances.iter();
    let stoppers = resistances.filter(|r| (0.0..=STOPPER).contains(&r.ohms));
    let ammeters = circuit.branches.iter().filter(
        |b| matches!(&b.kind, BranchKind::Source(drive) if drive.dc == 0.0 && drive.wave.is_none()),
    );
    let all = stoppers.map(|r| (r.a, r.b));
    Groups::new(circuit, all.chain(ammeters.map(|b| (b.a, b.b))))
}

/// Where output transformers feed plates, as groups of [`leads`]: the ends of their primaries out of which direct
/// current flows at the solution `x`, so that a primary with its ends exchanged counts too.
pub(super) fn plate_ends(assembly: &mut Assembly<'_>, x: &[f64], leads: &Groups) -> Vec<usize> {
    let circuit = assembly.circuit;
    let all = circuit.elements.iter();
    let iron = all.filter(|e| e.role() == Some(DeviceRole::OutputTransformer));
    let mut ends = Vec::new();
    for element in iron {
        for end in ["plate1", "plate2", "plate"] {
            let amperes = towards(assembly, x, element, end);
            let end = match end {
                "plate" if amperes < 0.0 => "supply",
                _ if amperes < 0.0 => continue,
                _ => end,
            };
            ends.extend(element.terminal(end));
        }
    }
    ends.retain(|&node| node != Node::GROUND);
    ends.into_iter().map(|node| leads.of(node)).collect()
}

/// Direct current out of an end of a primary, A.
fn towards(assembly: &mut Assembly<'_>, x: &[f64], element: &Element, end: &str) -> f64 {
    let moment = Moment {
        time: None,
        x,
        rates: None,
    };
    let place = element.place(end);
    let own = windings(element).find_map(|port| {
        let name = winding_name(element, port)?;
        let pins = [port.from, port.to];
        let is_own =
            name.direct.is_some() && pins.into_iter().any(|pin| place.map(Pin::T) == Some(pin));
        is_own.then_some((port, name.sign))
    });
    own.map_or(0.0, |(port, sign)| {
        sign * probe::current(assembly, moment, port)
    })
}

/// One half of a primary.
struct Half<'c> {
    end: &'static str,
    /// Direct current towards the plate, A.
    amperes: f64,
    /// All valves whose plates are at its end, and those that draw current.
    valves: usize,
    drawing: Vec<&'c Element>,
}

/// What is wrong with the push-pull primaries of a circuit at the solution `x`.
pub(super) fn halves(assembly: &mut Assembly<'_>, x: &[f64]) -> Vec<Finding> {
    let circuit = assembly.circuit;
    let leads = leads(circuit);
    let mut found = Vec::new();
    for element in &circuit.elements {
        let ends = ("plate1", "plate2");
        let nodes = (element.terminal(ends.0), element.terminal(ends.1));
        let (Some(first), Some(second)) = nodes else {
            continue;
        };
        let halves = [(ends.0, first), (ends.1, second)]
            .map(|(end, node)| half(assembly, x, element, end, (&leads, leads.of(node))));
        let texts = [unequal(circuit, &halves, first == second), unlike(&halves)];
        found.extend(texts.into_iter().flatten().map(|(at, text)| Finding {
            subject: element.name.clone(),
            quantity: ["plate1 direct current", "plate2 direct current"][at],
            text,
            grave: true,
        }));
    }
    found
}

fn half<'c>(
    assembly: &mut Assembly<'c>,
    x: &[f64],
    element: &Element,
    end: &'static str,
    (leads, group): (&Groups, usize),
) -> Half<'c> {
    let circuit = assembly.circuit;
    let amperes = towards(assembly, x, element, end);
    let plate_here = |e: &&Element| {
        let plate = e.terminal("plate").filter(|&node| node != Node::GROUND);
        e.role() == Some(DeviceRole::Valve) && plate.is_some_and(|node| leads.of(node) == group)
    };
    let valves: Vec<&Element> = circuit.elements.iter().filter(plate_here).collect();
    let draws = |e: &&&Element| {
        let mut readings = e.readings.iter();
        let plate = readings.find(|r| r.0.name == "plate current");
        plate.is_some_and(|r| assembly.law_currents(r.1, x).i[r.2] > DRAWS)
    };
    Half {
        end,
        amperes,
        valves: valves.len(),
        drawing: valves.iter().filter(draws).copied().collect(),
    }
}

/// Halves that do not carry as much: the half that is the odd one, and the words.
fn unequal(circuit: &Circuit, halves: &[Half<'_>; 2], is_one: bool) -> Option<(usize, String)> {
    let [a, b] = halves;
    let least = a.amperes.abs().min(b.amperes.abs());
    let most = a.amperes.abs().max(b.amperes.abs());
    if most < WORKS {
        return None;
    }
    if is_one {
        let text = "`plate1` and `plate2` are at one node: the primary is shorted";
        return Some((1, text.to_string()));
    }
    let carry = format!(
        "its halves carry {} (`{}`) and {} (`{}`)",
        show(a.amperes, "A"),
        a.end,
        show(b.amperes, "A"),
        b.end
    );
    let less = usize::from(b.amperes.abs() < a.amperes.abs());
    if a.amperes * b.amperes < 0.0 && least > BACKWARD * most {
        // The wrong way flows what both valves draw.
        let odd = 1 - less;
        let text = format!(
            "{carry}, one the wrong way: are the leads of `centre` and `{}` exchanged?",
            halves[odd].end
        );
        return Some((odd, text));
    }
    if most <= UNEQUAL * least {
        return None;
    }
    let (odd, other) = (&halves[less], &halves[1 - less]);
    let advice = if odd.valves > 0 || least > NONE * most {
        "valves of one type do not differ that much: check the bias, the cathode resistor and the valve of each half"
            .to_string()
    } else if driven_apart(circuit, &other.drawing) {
        let names: Vec<String> = other
            .drawing
            .iter()
            .map(|e| format!("`{}`", e.name))
            .collect();
        format!(
            "the plates of {} are all at `{}`, none at `{}`: is a plate lead at the wrong end?",
            names.join(" and "),
            other.end,
            odd.end
        )
    } else {
        // A half that is not used.
        return None;
    };
    Some((less, format!("{carry}; {advice}")))
}

/// Whether some valves are more than one in parallel.
fn driven_apart(circuit: &Circuit, valves: &[&Element]) -> bool {
    let resistances = circuit.resistances.iter();
    let stoppers = resistances.filter(|r| (0.0..=JOINED.0).contains(&r.ohms));
    let coupling = circuit.capacitances.iter().filter(|c| c.farads >= JOINED.1);
    let pairs = stoppers
        .map(|r| (r.a, r.b))
        .chain(coupling.map(|c| (c.a, c.b)));
    let groups = Groups::new(circuit, pairs);
    let mut grids = valves.iter().filter_map(|e| e.terminal("grid"));
    let first = grids.next();
    first.is_some_and(|first| grids.any(|grid| groups.of(grid) != groups.of(first)))
}

/// Halves with valves of different types, or with different numbers of them.
fn unlike(halves: &[Half<'_>; 2]) -> Option<(usize, String)> {
    let [a, b] = halves;
    if a.drawing.is_empty() || b.drawing.is_empty() {
        return None;
    }
    let mut left = b.drawing.clone();
    let paired = a.drawing.iter().all(|one| {
        let twin = left.iter().position(|other| is_one_type(one, other));
        twin.map(|k| left.swap_remove(k)).is_some()
    });
    if paired && left.is_empty() {
        return None;
    }
    let listed = |half: &Half<'_>| {
        let of = |e: &&Element| match &e.model {
            Some(model) => format!("`{}` ({model})", e.name),
            None => format!("`{}`", e.name),
        };
        let names: Vec<String> = half.drawing.iter().map(of).collect();
        format!("{} at `{}`", names.join(" and "), half.end)
    };
    let text = format!(
        "its halves have different valves at work, {} and {}: both need the same",
        listed(a),
        listed(b)
    );
    Some((1, text))
}

/// Whether two valves may be of one type: they have the same model, or models with the same ratings, as that of
/// one bottle that was measured has those of its type.
fn is_one_type(a: &Element, b: &Element) -> bool {
    let name = |e: &Element| e.model.as_deref().unwrap_or_default().to_lowercase();
    if name(a) == name(b) {
        return true;
    }
    let kinds = |e: &Element| e.terminal("screen").is_some();
    let is_alike = |quantity: &str| match (a.rating(quantity), b.rating(quantity)) {
        (Some(a), Some(b)) => a == b,
        _ => true,
    };
    kinds(a) == kinds(b)
        && ["plate dissipation", "screen dissipation", "vpk", "vg2k"]
            .into_iter()
            .all(is_alike)
}
