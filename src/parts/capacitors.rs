//! Capacitors: volts, and what volts alone do not say: the class on the mains' side, alternating volts.

use super::line::{Line, show, written};
use super::ratings;
use crate::analysis::mains;
use crate::circuit::{Circuit, Element, Node};
use crate::device::role::DeviceRole;
use std::collections::BTreeSet;
use std::f64::consts::TAU;

/// What a capacitor stands.
pub(super) struct Stands {
    /// The most across it, V.
    pub volts: f64,
    /// Alternating volts, rms.
    pub alternating: f64,
    /// Ripple current, A rms.
    pub ripple: f64,
    /// Of an electrolytic, the volts of the wrong sign, where they are more than it stands, V.
    pub reversed: Option<f64>,
}

/// A capacitor's line. One on the mains' side is bought by its class, so no rating in volts is given
/// for it, and none is taken from a drawer.
pub(super) fn line(
    circuit: &Circuit,
    leads: Option<&Leads>,
    element: &Element,
    stands: &Stands,
) -> Line {
    let volts = stands.volts;
    let mut line = Line {
        number: element.value,
        needs: show(volts, "V"),
        ..Line::new("capacitor", element.value.map_or(String::new(), farads))
    };
    let plus = &circuit.nodes[element.terminals[0].0].name;
    if let Some(reversed) = stands.reversed {
        line.notes.push(format!(
            "does not do: reversed by {}, its plus is at `{plus}`: exchange its nodes on its line, then \
             order",
            show(reversed, "V")
        ));
        return line;
    }
    if let Some(class) = leads.and_then(|leads| leads.class(circuit, element)) {
        line.notes.push(class);
    } else {
        line.rating = ratings::capacitor(volts, element.rated);
        match line.rating {
            Some(rating) => line.buy = format!("{} V", crate::num::full(rating)),
            None => line.notes.push(format!(
                "{}: no single capacitor will do, use two in series with a resistor across each",
                show(volts, "V")
            )),
        }
        if is_alternating(stands) {
            line.notes.push(format!(
                "{} AC across it: choose it by its AC rating, which is far lower than its DC rating \
                 (common practice)",
                show(stands.alternating, "V")
            ));
        }
    }
    if element.notes.polar {
        line.notes.push(format!("electrolytic, plus at `{plus}`"));
    }
    // A tenth of an ampere warms a capacitor; less is not worth a word.
    if stands.ripple >= 0.05 {
        line.notes
            .push(format!("ripple current {} rms", show(stands.ripple, "A")));
    }
    line
}

/// Alternating volts that a film capacitor takes whatever its DC rating.
const FEW_V: f64 = 50.0;

/// A value as it is written where `m` would be read as the microfarads of old drawings.
fn farads(value: f64) -> String {
    if (1e-3..1.0).contains(&value) {
        let micro = (value * 1e9).round() / 1e3;
        return format!("{}u", crate::num::full(micro));
    }
    written(value)
}

/// Whether the alternating volts decide, and not the crest: makers rate 100 V DC at 63 V AC, 250 V at
/// 160 V, 630 V at 220 to 400 V and 1000 V at 250 to 600 V AC (from memory; common practice, no published
/// source).
fn is_alternating(stands: &Stands) -> bool {
    let rating = ratings::capacitor(stands.volts, None).unwrap_or(stands.volts);
    let part = if rating <= 250.0 { 0.6 } else { 0.35 };
    stands.alternating > FEW_V && stands.alternating > part * rating
}

/// Between line and neutral. Source of all classes: IEC 60384-14, from memory: X across the mains, Y
/// where a short would make metal live that can be touched; both tested with surges, which no
/// rating in volts says.
const ACROSS: &str = "across the mains: class X2 for that voltage, nothing else";

/// The most that is fitted from line to chassis, F: 4.7 nF pass 0.37 mA at 253 V 50 Hz, and more current
/// through the chassis can be felt where the earth is missing (common practice, no published source).
const MOST_F: f64 = 4.7e-9;

/// Resistances below this in a mains lead make it no other lead: fuses, inrush limiters, the resistor
/// of a snubber, ohm.
const LEAD_OHM: f64 = 1e3;

/// European mains at their highest, V: 230 V and 10 % (EN 50160, from memory).
const HIGH_V: f64 = 253.0;

/// The mains' side of a circuit.
pub(super) struct Leads {
    freq_hz: f64,
    /// Nodes of the mains' sources.
    ends: Vec<Node>,
    /// Nodes on their leads; of these the ones that no resistor leads to.
    leads: BTreeSet<usize>,
    certain: BTreeSet<usize>,
}

impl Leads {
    /// None where the circuit is not fed from the mains.
    pub fn of(circuit: &Circuit) -> Option<Self> {
        let mains = mains::find(circuit)?;
        let sources = circuit.elements.iter().filter(|e| mains.are(circuit, e));
        let ends: Vec<Node> = sources
            .flat_map(|e| [e.terminals[0], e.terminals[1]])
            .collect();
        Some(Leads {
            freq_hz: mains.freq_hz,
            leads: joined(circuit, &ends, |ohms| ohms < LEAD_OHM),
            certain: joined(circuit, &ends, |_| false),
            ends,
        })
    }

    /// What a capacitor on the mains' side must be; none for any other.
    fn class(&self, circuit: &Circuit, element: &Element) -> Option<String> {
        let [a, b] = [element.terminals[0], element.terminals[1]];
        let on_mains = |node: Node| node != Node::GROUND && self.leads.contains(&node.0);
        let other = match (on_mains(a), on_mains(b)) {
            (false, false) => return None,
            (true, true) if [a, b].iter().all(|n| self.certain.contains(&n.0)) => {
                return Some(ACROSS.to_string());
            }
            (true, _) => b,
            (false, true) => a,
        };
        let farads = element.value.unwrap_or(0.0);
        let too_large = if farads > MOST_F * 1.001 {
            let own = crate::num::engineering(farads, "F", 3);
            let leaks = show(TAU * self.freq_hz * farads * HIGH_V, "A");
            format!("; {own} is too much there: it passes {leaks}")
        } else {
            String::new()
        };
        let is_both = self.ends.contains(&Node::GROUND);
        Some(match (other, is_both) {
            (Node::GROUND, false) => format!(
                "from the mains to the chassis: class Y2 (Y1 where there is no earth), 4.7 nF at \
                 most{too_large}; if an X2 or an ordinary one fails short there, the chassis is live"
            ),
            (Node::GROUND, true) => format!(
                "on the mains, and node `0` may be the neutral or the chassis: line to neutral takes \
                 class X2; line or neutral to chassis takes class Y2 (Y1 where there is no earth), \
                 4.7 nF at most{too_large}; if an X2 or an ordinary one fails short there, the chassis \
                 is live; give the neutral a node of its own"
            ),
            (node, _) => format!(
                "on the mains: class X2 if `{}` is a mains lead too; class Y2 (Y1 where there is no \
                 earth), 4.7 nF at most{too_large}, if it is the chassis or anything else that can be \
                 touched",
                circuit.nodes[node.0].name
            ),
        })
    }
}

/// The nodes that wires lead to from some others without passing node 0: fuses, switches, coils, and
/// resistors that `passes` takes for a wire.
fn joined(circuit: &Circuit, from: &[Node], passes: impl Fn(f64) -> bool) -> BTreeSet<usize> {
    let leads = |e: &&Element| match e.role() {
        Some(DeviceRole::Resistor) => e.notes.fuse.is_some() || e.value.is_some_and(&passes),
        Some(role) => matches!(
            role,
            DeviceRole::Toggle | DeviceRole::Switch | DeviceRole::Inductor | DeviceRole::Choke
        ),
        None => false,
    };
    let wires: Vec<[Node; 2]> = (circuit.elements.iter())
        .filter(leads)
        .map(|e| [e.terminals[0], e.terminals[1]])
        .collect();
    let mut found: BTreeSet<usize> = from.iter().map(|n| n.0).collect();
    loop {
        let before = found.len();
        for [a, b] in &wires {
            for (a, b) in [(a, b), (b, a)] {
                if *a != Node::GROUND && found.contains(&a.0) {
                    found.insert(b.0);
                }
            }
        }
        if found.len() == before {
            return found;
        }
    }
}
