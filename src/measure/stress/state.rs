//! The states that a circuit is put into, and the moments of each.

use super::gauge::Gauge;
use crate::analysis::mains::{self, Mains};
use crate::analysis::operating_point;
use crate::analysis::periodic::{self, Accuracy, Cycle, Periodic, Signal, Trouble};
use crate::circuit::{BranchKind, Circuit, Element, Piece};
use crate::device::role::DeviceRole;
use crate::device::toggle;
use crate::system::assemble::{Assembly, Driven, SourceState};
use crate::system::probe::Moment;

/// Which valves are cold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cold {
    /// None: the amplifier has warmed up.
    None,
    /// All but the rectifiers, which warm up first or are silicon: nothing draws, and every
    /// capacitor charges to the crest.
    Signal,
    /// All.
    All,
}

/// A sine at a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sine {
    /// The source.
    pub driven: Driven,
    /// Hz.
    pub freq_hz: f64,
    /// Peak, V or A.
    pub level: f64,
}

/// A state of the circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// In words: `at rest`, `cold valves`, `standby` ...
    pub name: String,
    /// The mains in per cent of what the netlist says.
    pub mains_percent: f64,
    /// Which valves are cold.
    pub cold: Cold,
    /// Toggles that are open, by their places among the elements.
    pub open: Vec<usize>,
    /// What plays.
    pub sine: Option<Sine>,
}

impl State {
    /// Warm, at the netlist's own mains, with nothing playing.
    pub fn at_rest() -> Self {
        State {
            name: "at rest".into(),
            mains_percent: 100.0,
            cold: Cold::None,
            open: Vec::new(),
            sine: None,
        }
    }

    /// The same with a sine.
    pub fn driven(self, sine: Sine) -> Self {
        State {
            sine: Some(sine),
            ..self
        }
    }
}

/// Puts a circuit into a state, lets `measure` look at it, and puts it back.
pub(super) fn put<R>(
    circuit: &mut Circuit,
    state: &State,
    measure: impl FnOnce(&Circuit) -> R,
) -> R {
    let drives: Vec<(usize, BranchKind)> = circuit
        .branches
        .iter()
        .enumerate()
        .filter(|(_, b)| matches!(&b.kind, BranchKind::Source(d) if d.mains_hz().is_some()))
        .map(|(k, b)| (k, b.kind.clone()))
        .collect();
    if state.mains_percent != 100.0 {
        circuit.scale_mains(state.mains_percent);
    }
    let mut closed = Vec::new();
    for &contact in &state.open {
        if let Some(k) = circuit.elements[contact].resistances().next() {
            closed.push((k, circuit.resistances[k].ohms));
            circuit.resistances[k].ohms = toggle::OPEN;
        }
    }
    let found = measure(circuit);
    for (k, kind) in drives {
        circuit.branches[k].kind = kind;
    }
    for (k, ohms) in closed {
        circuit.resistances[k].ohms = ohms;
    }
    found
}

/// Whether a valve is cold in a state.
fn is_cold(element: &Element, cold: Cold) -> bool {
    let rectifier = element.role() == Some(DeviceRole::RectifierValve);
    match cold {
        Cold::None => false,
        Cold::Signal => crate::measure::chart::is_valve(element) && !rectifier,
        Cold::All => crate::measure::chart::is_valve(element),
    }
}

/// Solves a state and reads every moment of it. `poll` is asked now and then whether to go on.
///
/// # Errors
/// If there is no such state; the inner result is the poll's own.
pub(super) fn read<E>(
    circuit: &Circuit,
    state: &State,
    gauge: &mut Gauge,
    poll: impl FnMut() -> Result<(), E>,
) -> Result<Result<(), E>, Trouble> {
    if let Some(sine) = state.sine {
        return driven(circuit, sine, gauge, poll);
    }
    let mut assembly = Assembly::new(circuit);
    for element in circuit.elements.iter().filter(|e| is_cold(e, state.cold)) {
        for port in &element.ports {
            if let Piece::Law(law, _) = port.piece {
                assembly.unplugged[law] = true;
            }
        }
    }
    match mains::find(circuit) {
        None => {
            let point = operating_point::solve(&mut assembly, SourceState::DC, &[])?;
            still(&mut assembly, &point.x, gauge);
        }
        Some(mains) => supplied(assembly, &mains, gauge)?,
    }
    Ok(Ok(()))
}

/// A mains cycle.
fn supplied(assembly: Assembly<'_>, mains: &Mains, gauge: &mut Gauge) -> Result<(), Trouble> {
    let (cycle, mut assembly) = periodic::cycle(assembly, mains)?;
    round(&mut assembly, mains, &cycle, gauge);
    Ok(())
}

/// Reads an operating point.
pub(super) fn still(assembly: &mut Assembly<'_>, x: &[f64], gauge: &mut Gauge) {
    let moment = Moment {
        time: None,
        x,
        rates: None,
    };
    gauge.look(assembly, moment, (0.0, 1.0));
}

/// Reads a mains cycle.
pub(super) fn round(assembly: &mut Assembly<'_>, mains: &Mains, cycle: &Cycle, gauge: &mut Gauge) {
    let before = assembly.moving.replace(mains.sources.clone());
    for reading in cycle.round() {
        let part = (reading.time_s, reading.weight);
        gauge.look(assembly, reading.moment(), part);
    }
    assembly.moving = before;
}

/// The steady state of a sine, the mains taking part.
fn driven<E>(
    circuit: &Circuit,
    sine: Sine,
    gauge: &mut Gauge,
    poll: impl FnMut() -> Result<(), E>,
) -> Result<Result<(), E>, Trouble> {
    let mut search = Periodic::new(circuit, sine.driven, ACCURACY)?;
    let signal = Signal::sine(sine.freq_hz, sine.level);
    if let Err(stopped) = search.solve(&signal, poll)? {
        return Ok(Err(stopped));
    }
    search.moments(|assembly, moment, weight| {
        let time_s = moment.time.unwrap_or_default();
        gauge.look(assembly, moment, (time_s, weight));
    });
    Ok(Ok(()))
}

/// Stresses are wanted to a thousandth, not to what distortion needs.
const ACCURACY: Accuracy = Accuracy {
    relative: 1e-5,
    volts: 1e-7,
    amperes: 1e-10,
};
