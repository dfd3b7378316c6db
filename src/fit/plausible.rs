//! Whether a valve of the type could give a reading, and what slip would explain it.
//!
//! A current is believed between a twelfth of what the type gives and six times as much, with the
//! grid a few per cent of its base lower or higher: worn valves and strangers pass, a unit that is
//! wrong by a thousand does not. Near cut-off, where a little of grid voltage is a lot of current,
//! less passes where the type gives below a hundredth of the reference current, and more as long as it
//! is below a sixteenth. A screen that is little beside the others of the table passes too, unless it
//! had more than that with fewer volts on screen and grid: some valves' screens are cut off where the
//! type's, or another law's, still draw.

use super::bottle::{Bottle, State};
use super::frame::Frame;
use super::problem::{FitProblem, Located, Slip, amperes, volts};
use super::readings::Reading;

/// How far the grid may be off, as a part of the grid base (test volts over mu).
const GRID: f64 = 0.06;
/// How weak and how strong a valve is still believed.
const WEAK: f64 = 12.0;
/// The latter.
const STRONG: f64 = 6.0;
/// Both, for what a slip would explain.
const CLOSE: f64 = 4.0;
/// Part of the reference current below which no reading is too small.
const LITTLE: f64 = 0.01;
/// Part of it below which none is too large: valves that differ as `Frame` says have up to a twentieth
/// where the type is all but cut off (12AX7 at 50 V, three in 180 drawn at random).
const FAINT: f64 = 1.0 / 16.0;
/// How weak a screen is still believed, for their currents differ more.
const WEAK_SCREEN: f64 = 40.0;

/// Times its rating that a plate may have stood for a reading: curves are traced by pulses far
/// beyond what a valve stands for long, but not by kilovolts.
const HIGH: f64 = 6.0;

/// Checks every reading.
///
/// # Errors
/// The first that no valve of the type could give; or that none has a current from which anything could
/// be learnt.
pub fn check(frame: &Frame, readings: &[Reading]) -> Result<(), Located> {
    let bottle = Bottle::new(frame.kind, &frame.values);
    for reading in readings {
        if let Some(problem) = wrong(frame, &bottle, reading, readings) {
            return Err(Located::new(reading.line, problem));
        }
    }
    let most = readings.iter().max_by(|a, b| a.plate.total_cmp(&b.plate));
    match most {
        Some(most) if most.plate < LITTLE * frame.currents[0] => {
            let problem = FitProblem::NoCurrent {
                most: amperes(most.plate),
                valve: frame.name.clone(),
                vpk: volts(frame.reference.vpk),
                vgk: volts(frame.reference.vgk),
                usual: amperes(frame.currents[0]),
            };
            Err(Located::new(most.line, problem))
        }
        _ => Ok(()),
    }
}

fn wrong(frame: &Frame, bottle: &Bottle, reading: &Reading, all: &[Reading]) -> Option<FitProblem> {
    let held = Held {
        frame,
        bottle,
        reading,
        slack: GRID * frame.reference.vpk / parameter(frame, "mu"),
        little: LITTLE * frame.currents[0],
        faint: FAINT * frame.currents[0],
    };
    impossible(reading)
        .or_else(|| held.plate())
        .or_else(|| held.too_high())
        .or_else(|| held.screen(all))
}

/// What no valve does, of whatever type.
fn impossible(reading: &Reading) -> Option<FitProblem> {
    for (column, value) in [
        ("plate_current", Some(reading.plate)),
        ("screen_current", reading.screen),
    ] {
        let value = value.unwrap_or(0.0);
        // A screen may give electrons back, a little.
        if value < 0.0 && (column == "plate_current" || -value > 0.1 * reading.plate) {
            return Some(FitProblem::Backwards {
                column,
                value: amperes(value),
            });
        }
    }
    for (electrode, v) in [("plate", reading.state.vpk), ("screen", reading.state.vg2k)] {
        if v <= 0.0 && reading.plate > 0.0 {
            return Some(FitProblem::NoVolts {
                electrode,
                volts: volts(v),
            });
        }
    }
    None
}

/// A reading held against the type.
struct Held<'a> {
    frame: &'a Frame,
    bottle: &'a Bottle,
    reading: &'a Reading,
    /// How far a valve's grid volts may be from the type's, V.
    slack: f64,
    /// Plate currents up to this say nothing, A.
    little: f64,
    /// A plate current that any valve may give in cut-off, A.
    faint: f64,
}

impl Held<'_> {
    fn of(&self, state: State, output: usize) -> f64 {
        self.bottle.at(state)[output]
    }

    /// The least and the most of a current with grid volts as far off as a valve's may be, A.
    fn range(&self, state: State, output: usize) -> (f64, f64) {
        let moved = |by: f64| {
            let vgk = state.vgk + by;
            self.of(State { vgk, ..state }, output)
        };
        (moved(-self.slack), moved(self.slack))
    }

    /// Whether a plate's current is what a valve of this type could give, as many times weaker or
    /// stronger than usual.
    fn gives(&self, state: State, read: f64, weak: f64, strong: f64) -> bool {
        let (least, most) = self.range(state, 0);
        let least = least / weak;
        (least < self.little || read >= least) && read <= (most * strong).max(self.faint)
    }

    /// Whether a plate's current is about the usual one.
    fn is_close(&self, state: State, read: f64) -> bool {
        self.gives(state, read, CLOSE, CLOSE) && self.of(state, 0) > self.little
    }

    /// A plate current that this type does not give there.
    fn plate(&self) -> Option<FitProblem> {
        let Reading { state, plate, .. } = *self.reading;
        let vgk = -state.vgk;
        // A positive grid is rare on a bench, and a lost minus is not.
        let lost = state.vgk > 0.0
            && plate > 0.0
            && self.of(state, 0) > CLOSE * plate
            && self.is_close(State { vgk, ..state }, plate);
        if !lost && self.gives(state, plate, WEAK, STRONG) {
            return None;
        }
        let valve = self.frame.name.clone();
        let usual = amperes(self.of(state, 0));
        if plate == 0.0 {
            return Some(FitProblem::Dead { valve, usual });
        }
        Some(FitProblem::Unlikely {
            column: "plate_current",
            read: amperes(plate),
            valve,
            usual,
            meant: self.slip(),
        })
    }

    /// The slip of the pen that explains a plate's current: a unit or a sign.
    fn slip(&self) -> Option<Slip> {
        let Reading { state, plate, .. } = *self.reading;
        let unit = |column, meant: String| Slip::Unit { column, meant };
        let mut slips = Vec::new();
        for by in [1e-3, 1e3, 1e-6] {
            let read = plate * by;
            slips.push((state, read, unit("plate_current", amperes(read))));
        }
        let vgk = -state.vgk;
        let sign = Slip::Sign { meant: volts(vgk) };
        slips.push((State { vgk, ..state }, plate, sign));
        for by in [1e3, 1e-3] {
            let vpk = state.vpk * by;
            slips.push((State { vpk, ..state }, plate, unit("vpk", volts(vpk))));
        }
        for by in [1e-3, 1e3] {
            let vgk = state.vgk * by;
            slips.push((State { vgk, ..state }, plate, unit("vgk", volts(vgk))));
        }
        if !state.vg2k.is_nan() {
            for by in [1e3, 1e-3] {
                let vg2k = state.vg2k * by;
                slips.push((State { vg2k, ..state }, plate, unit("vg2k", volts(vg2k))));
            }
        }
        let mut slips = slips.into_iter();
        let found = slips.find(|(state, read, _)| self.is_close(*state, *read));
        found.map(|(_, _, slip)| slip)
    }

    /// More plate volts than the type is made for.
    fn too_high(&self) -> Option<FitProblem> {
        let (vpk, most) = (self.reading.state.vpk, rating(self.frame, "vamax"));
        (vpk > HIGH * most).then(|| FitProblem::TooHigh {
            volts: volts(vpk),
            valve: self.frame.name.clone(),
            most: volts(most),
        })
    }

    /// A screen current that this type does not give there.
    fn screen(&self, all: &[Reading]) -> Option<FitProblem> {
        let state = self.reading.state;
        let screen = self.reading.screen?;
        let currents = self.frame.currents;
        let least = self.little * currents[1] / currents[0].max(1e-12);
        let (low, high) = self.range(state, 1);
        let fits = |read: f64| {
            (read >= low / WEAK_SCREEN || low < 10.0 * least)
                && read <= (high * WEAK_SCREEN / 2.0).max(10.0 * least)
        };
        if fits(screen) || screen <= 0.0 || is_cut_off(state, screen, all) {
            return None;
        }
        let column = "screen_current";
        let meant = [1e-3, 1e3, 1e-6].map(|by| screen * by);
        let meant = meant.into_iter().find(|&i| fits(i));
        Some(FitProblem::Unlikely {
            column,
            read: amperes(screen),
            valve: self.frame.name.clone(),
            usual: amperes(self.of(state, 1)),
            meant: meant.map(amperes).map(|meant| Slip::Unit { column, meant }),
        })
    }
}

/// Whether a screen's current is little beside others of the table, and none with as few volts on
/// screen and grid had much more.
fn is_cut_off(state: State, screen: f64, all: &[Reading]) -> bool {
    let much = |r: &&Reading| r.screen.is_some_and(|other| other > WEAK_SCREEN * screen);
    let lower = |r: &Reading| r.state.vg2k <= state.vg2k && r.state.vgk <= state.vgk;
    let mut others = all.iter().filter(much).peekable();
    others.peek().is_some() && !others.any(lower)
}

/// A rating, infinite where there is none.
fn rating(frame: &Frame, name: &str) -> f64 {
    let value = parameter(frame, name);
    if value > 0.0 { value } else { f64::INFINITY }
}

fn parameter(frame: &Frame, name: &str) -> f64 {
    let place = frame.kind.model_params.iter().position(|p| p.name == name);
    place.map_or(f64::NAN, |k| frame.values[k])
}
