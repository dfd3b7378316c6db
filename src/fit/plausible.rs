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
    let State { vpk, vg2k, vgk } = reading.state;
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
    for (electrode, v) in [("plate", vpk), ("screen", vg2k)] {
        if v <= 0.0 && reading.plate > 0.0 {
            return Some(FitProblem::NoVolts {
                electrode,
                volts: volts(v),
            });
        }
    }
    let of = |state: State, output: usize| bottle.at(state)[output];
    let slack = GRID * frame.reference.vpk / parameter(frame, "mu");
    let (little, faint) = (LITTLE * frame.currents[0], FAINT * frame.currents[0]);
    let between = |state: State, output: usize, read: f64, weak: f64, strong: f64| {
        let least = of(
            State {
                vgk: state.vgk - slack,
                ..state
            },
            output,
        ) / weak;
        let most = of(
            State {
                vgk: state.vgk + slack,
                ..state
            },
            output,
        ) * strong;
        (least < little || read >= least) && read <= most.max(faint)
    };
    let usual = amperes(of(reading.state, 0));
    let valve = frame.name.clone();
    let close =
        |state: State, read: f64| between(state, 0, read, CLOSE, CLOSE) && of(state, 0) > little;
    // A positive grid is rare on a bench, and a lost minus is not.
    let mirrored = State {
        vgk: -vgk,
        ..reading.state
    };
    let lost = vgk > 0.0
        && reading.plate > 0.0
        && of(reading.state, 0) > CLOSE * reading.plate
        && close(mirrored, reading.plate);
    if lost || !between(reading.state, 0, reading.plate, WEAK, STRONG) {
        if reading.plate == 0.0 {
            return Some(FitProblem::Dead { valve, usual });
        }
        let state = reading.state;
        let unit = |column, meant: String| Slip::Unit { column, meant };
        let currents = [1e-3, 1e3, 1e-6].map(|by| {
            let read = reading.plate * by;
            (state, read, unit("plate_current", amperes(read)))
        });
        let plates = [1e3, 1e-3].map(|by| {
            let vpk = vpk * by;
            (
                State { vpk, ..state },
                reading.plate,
                unit("vpk", volts(vpk)),
            )
        });
        let grids = [1e-3, 1e3].map(|by| {
            let vgk = vgk * by;
            (
                State { vgk, ..state },
                reading.plate,
                unit("vgk", volts(vgk)),
            )
        });
        let screens = [1e3, 1e-3].map(|by| {
            let vg2k = vg2k * by;
            (
                State { vg2k, ..state },
                reading.plate,
                unit("vg2k", volts(vg2k)),
            )
        });
        let sign = Slip::Sign { meant: volts(-vgk) };
        let sign = (State { vgk: -vgk, ..state }, reading.plate, sign);
        let slips = currents
            .into_iter()
            .chain([sign])
            .chain(plates)
            .chain(grids);
        let mut slips = slips.chain(screens.into_iter().filter(|_| !vg2k.is_nan()));
        let meant = slips
            .find(|(state, read, _)| close(*state, *read))
            .map(|s| s.2);
        let read = amperes(reading.plate);
        return Some(FitProblem::Unlikely {
            column: "plate_current",
            read,
            valve,
            usual,
            meant,
        });
    }
    let most = rating(frame, "vamax");
    if vpk > HIGH * most {
        return Some(FitProblem::TooHigh {
            volts: volts(vpk),
            valve: frame.name.clone(),
            most: volts(most),
        });
    }
    let screen = reading.screen?;
    let least = little * frame.currents[1] / frame.currents[0].max(1e-12);
    let expected = of(reading.state, 1);
    let moved = |by: f64| {
        let vgk = vgk + by;
        of(
            State {
                vgk,
                ..reading.state
            },
            1,
        )
    };
    let (low, high) = (moved(-slack), moved(slack));
    let fits = |read: f64| {
        (read >= low / WEAK_SCREEN || low < 10.0 * least)
            && read <= (high * WEAK_SCREEN / 2.0).max(10.0 * least)
    };
    if fits(screen) || screen <= 0.0 || is_cut_off(reading.state, screen, all) {
        return None;
    }
    let meant = [1e-3, 1e3, 1e-6]
        .map(|by| screen * by)
        .into_iter()
        .find(|&i| fits(i));
    Some(FitProblem::Unlikely {
        column: "screen_current",
        read: amperes(screen),
        valve,
        usual: amperes(expected),
        meant: meant.map(|i| Slip::Unit {
            column: "screen_current",
            meant: amperes(i),
        }),
    })
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
