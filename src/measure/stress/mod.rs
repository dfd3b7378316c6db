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
mod series;
mod state;
mod wanted;

pub use full::{BEYOND, full_level};
pub use gauge::Statistic;
pub use state::{Cold, Sine, State};
pub use wanted::{REVERSED_V, body_volts};

use super::chart::{ChartRow, ROUNDING, Verdict};
use super::inverse;
use super::quiescent::AtRest;
use crate::analysis::periodic::Trouble;
use crate::circuit::Circuit;
use crate::device::role::DeviceRole;
use crate::system::assemble::Assembly;
use gauge::Gauge;

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

    /// The worst as a row of the chart; none where no state was solved.
    pub fn row(&self) -> Option<ChartRow> {
        Some(ChartRow {
            subject: self.subject.clone(),
            quantity: self.quantity,
            value: self.worst()?.0,
            unit: self.unit,
            limit: self.limit,
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

    /// Surveys of the same circuit, each of states of its own, as one; none of no surveys.
    pub fn joined(surveys: impl IntoIterator<Item = Survey>) -> Option<Survey> {
        surveys.into_iter().reduce(|mut all, next| {
            all.states.extend(next.states);
            all.failed.extend(next.failed);
            for (known, more) in all.figures.iter_mut().zip(next.figures) {
                known.values.extend(more.values);
            }
            all
        })
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
    let unread = wanted::gauge(circuit);
    let mut figures = blank(circuit, &unread);
    let mut failed = Vec::new();
    for state in &states {
        poll()?;
        let mut gauge = unread.clone();
        let read = state::put(circuit, state, |c| {
            state::read(c, state, &mut gauge, &mut poll)
        });
        let trouble = match read {
            Ok(Ok(())) => None,
            Ok(Err(stopped)) => return Err(stopped),
            Err(trouble) => Some(trouble),
        };
        let draws = state.cold == Cold::None && state.open.is_empty();
        for ((figure, value), wanted) in figures.iter_mut().zip(gauge.values()).zip(&unread.wanted)
        {
            let counts = trouble.is_none() && (draws || !wanted.warm);
            figure.values.push(counts.then_some(value));
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

/// The figures at rest that have a rating and that the chart of a circuit does not have: fuses, ripple
/// currents, volts across resistors and switches, whole tracks of pots, what loudspeakers take. Zeners are
/// among them without one.
pub fn resting(assembly: &mut Assembly<'_>, found: &AtRest) -> Vec<Stress> {
    beside_chart(assembly, found, false)
}

/// The same figures, those of parts that nothing rates among them: beside another circuit, which may.
pub fn resting_unrated(assembly: &mut Assembly<'_>, found: &AtRest) -> Vec<Stress> {
    beside_chart(assembly, found, true)
}

fn beside_chart(assembly: &mut Assembly<'_>, found: &AtRest, unrated: bool) -> Vec<Stress> {
    let circuit = assembly.circuit;
    let mut gauge = wanted::gauge(circuit);
    let is_cycle = matches!(found, AtRest::Cycle(..));
    gauge.only(|w| {
        let element = &circuit.elements[w.element];
        let beside = match element.role() {
            Some(DeviceRole::Resistor) => ["rms current", "peak voltage"].contains(&w.quantity),
            Some(DeviceRole::Pot) => w.quantity == "track dissipation",
            Some(DeviceRole::Capacitor) => {
                ["ripple current", "charging voltage"].contains(&w.quantity)
            }
            // What a zener takes, judged or not; what a diode blocks is in the chart.
            Some(DeviceRole::Diode) => {
                return w.quantity == "driven dissipation" && inverse::is_zener(element);
            }
            // The chart has the averages of a mains cycle.
            Some(DeviceRole::Transistor(_)) => is_cycle && w.quantity.starts_with("peak "),
            Some(DeviceRole::Toggle | DeviceRole::Switch | DeviceRole::Loudspeaker) => true,
            _ => false,
        };
        beside && (unrated || w.limit.is_some())
    });
    if gauge.wanted.is_empty() {
        return Vec::new();
    }
    match found {
        AtRest::Point(point) => state::still(assembly, &point.x, &mut gauge),
        AtRest::Cycle(mains, cycle) => state::round(assembly, mains, cycle, &mut gauge),
    }
    let mut figures = blank(circuit, &gauge);
    for (figure, value) in figures.iter_mut().zip(gauge.values()) {
        figure.values.push(Some(value));
    }
    joined(figures)
}

/// The figures that a gauge shows, none of them read.
fn blank(circuit: &Circuit, gauge: &Gauge) -> Vec<Stress> {
    let figures = gauge.wanted.iter().map(|w| Stress {
        element: w.element,
        subject: circuit.elements[w.element].name.clone(),
        quantity: w.quantity,
        unit: w.unit,
        limit: w.limit,
        values: Vec::new(),
    });
    figures.collect()
}

/// Figures of one part and name joined into the worse of them: a rectifier's two plates.
fn joined(figures: Vec<Stress>) -> Vec<Stress> {
    let mut all: Vec<Stress> = Vec::with_capacity(figures.len());
    for figure in figures {
        let same = |f: &&mut Stress| f.element == figure.element && f.quantity == figure.quantity;
        let last = all.len().saturating_sub(14);
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
        let toggle = e.role() == Some(DeviceRole::Toggle) && e.position == Some(1.0);
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

/// Who plays loud plays less loud too, and a pair in class AB is hottest below full output: where a sine
/// drives it to full clipping, its plates are 14 % hotter with half of it, where they begin to clip.
const HALF: f64 = 0.5;

/// What an amplifier goes through: at rest, switched on with cold valves, in standby, at both ends
/// of `mains` (per cent; none where it is not varied), and driven by `sine` and half of it, at nominal
/// and high mains.
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
            |e: &crate::circuit::Element| e.role() == Some(DeviceRole::RectifierValve);
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
        let half = Sine {
            level: HALF * sine.level,
            ..sine
        };
        states.push(named("driven", rest.clone().driven(sine)));
        states.push(named("half driven", rest.clone().driven(half)));
        if range.is_some() {
            let name = |how: &str| format!("{how}, {}", off(high));
            states.push(named(&name("driven"), at(high, &rest).driven(sine)));
            states.push(named(&name("half driven"), at(high, &rest).driven(half)));
        }
    }
    states
}
