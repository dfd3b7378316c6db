//! The circuit's other sources: what they repeat, and when they have come to rest.

use crate::circuit::{BranchKind, Circuit, Piece};
use crate::device::source::{Drive, Wave};
use crate::system::assemble::Driven;

/// A source that shares no period with the signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Incommensurate {
    /// Its name.
    pub source: String,
    /// Its frequency, Hz; NaN for a wave that never repeats.
    pub freq_hz: f64,
    /// The signal's, Hz.
    pub signal_hz: f64,
}

impl std::fmt::Display for Incommensurate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let hz = |x: f64| crate::num::engineering(x, "Hz", 6);
        write!(
            f,
            "no steady state: `{}` moves by itself, at {}, and shares no period of up to {MOST} \
             cycles with the signal's {}",
            self.source,
            hz(self.freq_hz),
            hz(self.signal_hz)
        )
    }
}

/// The period that all sources share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Common {
    /// Cycles of the signal in it.
    pub cycles: u64,
    /// When a period starts in which nothing but repeats, s.
    pub start_s: f64,
}

/// Cycles of the signal that a common period may hold.
const MOST: u64 = 64;
/// Time constants after which an exponential is over.
const OVER: f64 = 45.0;
/// Part of a cycle that may be missed in a period: rounding of what the user typed.
const MISSED: f64 = 1e-9;

/// The DC value of the driven source, V or A.
pub fn dc_value(circuit: &Circuit, driven: Driven) -> f64 {
    match driven {
        Driven::Voltage(k) => match &circuit.branches[k].kind {
            BranchKind::Source(drive) => drive.dc,
            _ => 0.0,
        },
        Driven::Current(k) => circuit.currents[k].drive.dc,
    }
}

/// The period that a signal of `signal_hz` shares with every source but the driven one.
pub fn common(circuit: &Circuit, driven: Driven, signal_hz: f64) -> Result<Common, Incommensurate> {
    let mut frequencies: Vec<(String, f64)> = Vec::new();
    let mut start_s = 0.0f64;
    for element in &circuit.elements {
        let drive: &Drive = match element.ports.first().map(|p| p.piece) {
            Some(Piece::Branch(k)) if driven != Driven::Voltage(k) => {
                match &circuit.branches[k].kind {
                    BranchKind::Source(drive) => drive,
                    _ => continue,
                }
            }
            Some(Piece::Current(k)) if driven != Driven::Current(k) => &circuit.currents[k].drive,
            _ => continue,
        };
        let Some(wave) = &drive.wave else {
            continue;
        };
        let mut own = |freq_hz: f64| frequencies.push((element.name.clone(), freq_hz));
        let ready = match *wave {
            Wave::Pulse {
                v1,
                v2,
                delay,
                period,
                ..
            } => {
                if v1 != v2 {
                    own(1.0 / period);
                }
                delay
            }
            Wave::Sin {
                amplitude,
                freq_hz,
                delay,
                damping,
                ..
            } => {
                if amplitude == 0.0 {
                    0.0
                } else if damping > 0.0 {
                    delay + OVER / damping
                } else {
                    // A growing one never repeats.
                    own(if damping < 0.0 { f64::NAN } else { freq_hz });
                    delay
                }
            }
            Wave::Exp {
                delay1,
                tau1,
                delay2,
                tau2,
                ..
            } => (delay1 + OVER * tau1).max(delay2 + OVER * tau2),
            Wave::Pwl(ref points) => points.last().map_or(0.0, |p| p.0),
            Wave::Sffm {
                amplitude,
                carrier_hz,
                signal_hz,
                ..
            } => {
                if amplitude != 0.0 {
                    own(carrier_hz);
                    own(signal_hz);
                }
                0.0
            }
        };
        start_s = start_s.max(ready);
    }
    let whole = |x: f64| (x - x.round()).abs() <= MISSED * x.abs().max(1.0);
    let fits = |cycles: u64| {
        let turns = |f: f64| f * cycles as f64 / signal_hz;
        frequencies.iter().all(|(_, f)| whole(turns(*f)))
    };
    match (1..=MOST).find(|&cycles| fits(cycles)) {
        Some(cycles) => {
            let period = cycles as f64 / signal_hz;
            Ok(Common {
                cycles,
                start_s: (start_s / period).ceil() * period,
            })
        }
        None => {
            let odd = |f: f64| (1..=MOST).all(|c| !whole(f * c as f64 / signal_hz));
            let culprit = frequencies.iter().find(|(_, f)| odd(*f));
            let (source, freq_hz) = culprit.or(frequencies.last()).expect("one at least");
            Err(Incommensurate {
                source: source.clone(),
                freq_hz: *freq_hz,
                signal_hz,
            })
        }
    }
}
