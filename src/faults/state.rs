//! How the amplifier stands while it is measured: working, with valves pulled or a switch thrown, or
//! with the mains off.

use super::change::Change;
use crate::circuit::{BranchKind, Circuit, Piece};
use crate::device::role::DeviceRole;
use crate::system::assemble::Driven;

/// How the amplifier stands while it is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum State {
    /// Working.
    #[default]
    Working,
    /// All amplifying valves pulled.
    Pulled,
    /// One element pulled: a valve and the other sections of its bottle.
    Without(usize),
    /// A switch opened.
    Opened(usize),
    /// A switch closed.
    Closed(usize),
    /// The mains off, everything discharged.
    Off,
}

/// The frequency of the tone that gains are measured with, Hz.
pub const TONE_HZ: f64 = 1000.0;

impl State {
    /// Reads the word of a state; none if it is not one.
    pub fn parse(text: &str, circuit: &Circuit) -> Option<Self> {
        let text = text.trim().to_lowercase();
        match text.as_str() {
            "" | "working" | "on" => return Some(State::Working),
            "pulled" | "valves pulled" => return Some(State::Pulled),
            "off" | "mains off" => return Some(State::Off),
            _ => {}
        }
        let (name, what) = text.rsplit_once(' ')?;
        let named = |role: DeviceRole| {
            circuit.elements.iter().position(|e| {
                let own = e.name.to_lowercase();
                let of_bottle =
                    role == DeviceRole::Valve && crate::tolerance::bottle(&own).0 == name;
                e.role() == Some(role)
                    && (own == name || own.strip_prefix('x') == Some(name) || of_bottle)
            })
        };
        match what {
            "pulled" => named(DeviceRole::Valve).map(State::Without),
            "open" => named(DeviceRole::Toggle).map(State::Opened),
            "closed" => named(DeviceRole::Toggle).map(State::Closed),
            _ => None,
        }
    }

    /// In words.
    pub fn words(self, circuit: &Circuit) -> String {
        let name = |k: usize| circuit.elements[k].name.as_str();
        match self {
            State::Working => String::new(),
            State::Pulled => "valves pulled".to_string(),
            State::Without(k) => format!("{} pulled", name(k)),
            State::Opened(k) => format!("{} open", name(k)),
            State::Closed(k) => format!("{} closed", name(k)),
            State::Off => "mains off".to_string(),
        }
    }

    /// What it changes in the circuit.
    pub(super) fn changes(self, circuit: &Circuit) -> Vec<Change> {
        let of = |k: usize| circuit.laws_of(k).into_iter().map(Change::Unplug);
        let switch = |k: usize, ohms: f64| match circuit.elements[k].ports.first().map(|p| p.piece)
        {
            Some(Piece::Resistance(r)) => vec![Change::Ohms(r, ohms)],
            _ => Vec::new(),
        };
        let valve = |k: &usize| circuit.elements[*k].role() == Some(DeviceRole::Valve);
        match self {
            State::Working => Vec::new(),
            State::Pulled => (0..circuit.elements.len())
                .filter(valve)
                .flat_map(of)
                .collect(),
            State::Without(k) => {
                let bottle = |k: usize| crate::tolerance::bottle(&circuit.elements[k].name).0;
                let mine = bottle(k);
                let all = (0..circuit.elements.len()).filter(valve);
                all.filter(|&j| j == k || bottle(j) == mine)
                    .flat_map(of)
                    .collect()
            }
            State::Opened(k) => switch(k, 1e12),
            State::Closed(k) => switch(k, 0.01),
            State::Off => {
                let mut all: Vec<Change> = (0..circuit.laws.len()).map(Change::Unplug).collect();
                for (k, branch) in circuit.branches.iter().enumerate() {
                    if matches!(branch.kind, BranchKind::Source(_)) {
                        all.push(Change::Source(k, 0.0));
                    }
                }
                all
            }
        }
    }
}

/// The source that a tone comes from: the only one with an AC value, or without direct volts.
pub fn tone_source(circuit: &Circuit) -> Option<Driven> {
    let sources = circuit.branches.iter().enumerate();
    let sources: Vec<(usize, bool, f64)> = sources
        .filter_map(|(k, b)| match &b.kind {
            BranchKind::Source(drive) => Some((k, drive.ac.is_some(), drive.dc)),
            _ => None,
        })
        .collect();
    let with_ac = sources.iter().find(|s| s.1);
    let found = with_ac.or_else(|| sources.iter().find(|s| s.2 == 0.0))?;
    Some(Driven::Voltage(found.0))
}
