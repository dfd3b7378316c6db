//! What each part must stand: watts, volts and amperes over all that an amplifier goes through.
//!
//! At rest is not enough to judge a part by: a screen that idles at half a watt can take three
//! when the amplifier is driven, and a capacitor stands at the winding's crest before the valves
//! draw. So the circuit is put into one [`State`] after the other (at rest, with cold valves, in
//! standby, at low and high mains, driven), and of each part the worst is kept, with the state
//! that it belongs to.
//!
//! Means of power are what heats; they are taken over the whole common period of signal and mains.
//! A driven state is the periodic solution that `distortion` finds (`analysis::periodic`), and its
//! means are the quadrature of its own Radau steps; against `scope` integrated by a script of its
//! own (tests/stress.rs) they agree within 0.2 %.

mod full;
mod gauge;
mod state;
mod wanted;

pub use full::{BEYOND, full_level};
pub use gauge::Statistic;
pub use state::{Cold, Sine, State};
pub use wanted::{REVERSED_V, body_volts};

use super::chart::{ROUNDING, Verdict};
use crate::analysis::periodic::Trouble;
use crate::circuit::Circuit;

/// A figure of one part over all states.
#[derive(Debug, Clone, PartialEq)]
pub struct Stress {
    /// The part's place among the circuit's elements.
    pub element: usize,
    /// Its name.
    pub subject: String,
    /// `driven dissipation`, `peak voltage` ...
    pub quantity: &'static str,
    /// V, A or W.
    pub unit: &'static str,
    /// The most that is allowed, if the model or a comment says.
    pub limit: Option<f64>,
    /// In each state, in the order of [`Survey::states`]; none where it could not be solved.
    pub values: Vec<Option<f64>>,
}

impl Stress {
    /// The worst value and the number of its state; none where no state was solved.
    pub fn worst(&self) -> Option<(f64, usize)> {
        let all = self.values.iter().enumerate();
        let known = all.filter_map(|(k, v)| v.map(|v| (v, k)));
        known.fold(None, |worst, (value, k)| match worst {
            Some((most, _)) if value.abs() <= f64::abs(most) => worst,
            _ => Some((value, k)),
        })
    }

    /// Whether the worst stays within the limit; none where there is no limit.
    pub fn verdict(&self) -> Option<Verdict> {
        let limit = self.limit?;
        let (worst, _) = self.worst()?;
        Some(if worst.abs() <= limit * ROUNDING {
            Verdict::Ok
        } else {
            Verdict::Over
        })
    }
}

/// What a circuit's parts went through.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// The states.
    pub states: Vec<State>,
    /// Why a state has no figures, in the order of the states.
    pub failed: Vec<Option<Trouble>>,
    /// All figures, in the order of the netlist.
    pub figures: Vec<Stress>,
}

impl Survey {
    /// The figure of a part.
    pub fn find(&self, subject: &str, quantity: &str) -> Option<&Stress> {
        let mut all = self.figures.iter();
        all.find(|f| f.subject.eq_ignore_ascii_case(subject) && f.quantity == quantity)
    }

    /// The survey of some of the states alone; none if one of them was not looked at. Each state
    /// is solved by itself, so it is what a survey of those would have found.
    pub fn only(&self, states: &[State]) -> Option<Survey> {
        let place = |s: &State| self.states.iter().position(|known| known == s);
        let places: Vec<usize> = states.iter().map(place).collect::<Option<_>>()?;
        let figures = self.figures.iter().map(|f| Stress {
            values: places.iter().map(|&k| f.values[k]).collect(),
            ..f.clone()
        });
        Some(Survey {
            states: states.to_vec(),
            failed: places.iter().map(|&k| self.failed[k].clone()).collect(),
            figures: figures.collect(),
        })
    }
}

/// Takes a circuit through states and reads all its parts. The circuit is as before afterwards.
/// `poll` is asked now and then whether to go on; `done` is called after each state.
///
/// # Errors
/// What the poll says. A state that is not found leaves its figures out and says why.
pub fn survey<E>(
    circuit: &mut Circuit,
    states: Vec<State>,
    mut poll: impl FnMut() -> Result<(), E>,
    mut done: impl FnMut(),
) -> Result<Survey, E> {
    let blank = wanted::gauge(circuit);
    let mut figures: Vec<Stress> = blank
        .wanted
        .iter()
        .map(|w| Stress {
            element: w.element,
            subject: circuit.elements[w.element].name.clone(),
            quantity: w.quantity,
            unit: w.unit,
            limit: w.limit,
            values: Vec::new(),
        })
        .collect();
    let mut failed = Vec::new();
    for state in &states {
        poll()?;
        let mut gauge = blank.clone();
        let read = state::put(circuit, state, |c| {
            state::read(c, state, &mut gauge, &mut poll)
        });
        let trouble = match read {
            Ok(Ok(())) => None,
            Ok(Err(stopped)) => return Err(stopped),
            Err(trouble) => Some(trouble),
        };
        let values = gauge.values();
        for (figure, value) in figures.iter_mut().zip(values) {
            figure.values.push(trouble.is_none().then_some(value));
        }
        failed.push(trouble);
        done();
    }
    Ok(Survey {
        states,
        failed,
        figures: joined(figures),
    })
}

/// Figures of one part and name joined into the worse of them: a rectifier's two plates.
fn joined(figures: Vec<Stress>) -> Vec<Stress> {
    let mut all: Vec<Stress> = Vec::with_capacity(figures.len());
    for figure in figures {
        let same = |f: &&mut Stress| f.element == figure.element && f.quantity == figure.quantity;
        let last = all.len().saturating_sub(12);
        match all[last..].iter_mut().find(same) {
            Some(known) => {
                for (a, b) in known.values.iter_mut().zip(figure.values) {
                    *a = match (*a, b) {
                        (Some(a), Some(b)) => Some(a.max(b)),
                        (a, b) => a.or(b),
                    };
                }
            }
            None => all.push(figure),
        }
    }
    all
}

/// Toggles that put the amplifier into standby, by their places among the elements: those that
/// are called so, and are closed.
pub fn standby(circuit: &Circuit) -> Vec<usize> {
    let all = circuit.elements.iter().enumerate();
    all.filter(|(_, e)| {
        let toggle = e.kind.is_some_and(|k| k.name == "toggle") && e.position == Some(1.0);
        let name = e.name.to_lowercase();
        toggle
            && ["standby", "stdby", "stby"]
                .iter()
                .any(|word| name.contains(word))
    })
    .map(|(k, _)| k)
    .collect()
}

/// Of the sine where nothing says otherwise, Hz.
const FREQUENCY_HZ: f64 = 1e3;
/// Beside the mains a multiple of it, so that both share a short period.
const OF_MAINS: f64 = 8.0;

/// The frequency to drive a circuit at: eight times that of the mains, or `own`, or 1 kHz.
pub fn frequency(circuit: &Circuit, own: Option<f64>) -> f64 {
    let mains = circuit.drives().filter(|d| d.ac.is_none());
    match mains.filter_map(|d| d.mains_hz()).next() {
        Some(mains_hz) => OF_MAINS * mains_hz,
        None => own.unwrap_or(FREQUENCY_HZ),
    }
}

/// Whether a circuit has a source that is the mains.
pub fn has_mains(circuit: &Circuit) -> bool {
    circuit
        .drives()
        .any(|d| d.mains_hz().is_some() && d.ac.is_none())
}

/// What an amplifier goes through: at rest, switched on with cold valves, in standby, at both ends
/// of `mains` (per cent; none where it is not varied), and driven by `sine`, at nominal and high
/// mains.
pub fn ordinary(circuit: &Circuit, sine: Option<Sine>, mains: Option<(f64, f64)>) -> Vec<State> {
    let rest = State::at_rest();
    let named = |name: &str, state: State| State {
        name: name.into(),
        ..state
    };
    let mut states = vec![rest.clone()];
    let has_valves = circuit.elements.iter().any(crate::measure::chart::is_valve);
    let at = |percent: f64, state: &State| State {
        mains_percent: percent,
        ..state.clone()
    };
    let range = mains.filter(|_| has_mains(circuit));
    let off = |percent: f64| format!("mains {:+} %", percent - 100.0);
    let high = range.map_or(100.0, |r| r.1);
    if let Some((low, high)) = range {
        states.push(named(&off(low), at(low, &rest)));
        states.push(named(&off(high), at(high, &rest)));
    }
    let cold = |cold: Cold| State {
        cold,
        ..at(high, &rest)
    };
    if has_valves {
        let valve_rectifier =
            |e: &crate::circuit::Element| e.kind.is_some_and(|k| k.name == "rectifier");
        states.push(named("warming up", cold(Cold::Signal)));
        if circuit.elements.iter().any(valve_rectifier) {
            states.push(named("all cold", cold(Cold::All)));
        }
    }
    let open = standby(circuit);
    if !open.is_empty() {
        states.push(named(
            "standby",
            State {
                open,
                ..at(high, &rest)
            },
        ));
    }
    if let Some(sine) = sine {
        states.push(named("driven", rest.clone().driven(sine)));
        if range.is_some() {
            let name = format!("driven, {}", off(high));
            states.push(named(&name, at(high, &rest).driven(sine)));
        }
    }
    states
}
