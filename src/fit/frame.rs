//! What may differ between a valve and its type, and by how much.
//!
//! Each coordinate is counted in standard deviations of its prior, so that 0 is the type. The
//! current of every valve is compared at one reference point of the type: whatever else moves,
//! kg1 is chosen so that the current there is what the first coordinate says, for makers sort
//! valves by their current at a test point. A model's mu moves as in `device::production`, with
//! the drive at the test volts held.
//!
//! Widths: current and mu from the type's limits of production, as if even between them (a
//! limit over the root of 3), contact potential likewise, each with what the type's own fit
//! misses of its sheets (netlists/valves/RESIDUALS.md) added in squares; the shape of the curves
//! from what the law misses of the printed charts, 4 to 10 %, which is the order of these widths'
//! effect on a curve. They are wide enough for a valve of another maker to be followed once
//! there are ten readings, and narrow enough for three not to bend the curves.

use super::bottle::{Bottle, State, has_screen};
use crate::circuit::library::Shipped;
use crate::device::Kind;
use crate::math::fun;

/// How a coordinate moves the parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
enum How {
    /// Plate current at the reference point, by kg1.
    Current,
    /// Screen current there, by kg2.
    Screen,
    /// Mu, with the drive at the test volts held by vct.
    Mu,
    /// Contact potential, V.
    Contact,
    /// A parameter by a factor.
    Factor(usize),
    /// A parameter by a part of itself, which may end at 0.
    Part(usize),
}

/// One way in which a valve may differ.
#[derive(Debug, Clone, PartialEq)]
pub struct Coordinate {
    /// In a few words.
    pub name: &'static str,
    /// Standard deviation of the prior: of a logarithm, of a part, or V.
    pub width: f64,
    how: How,
}

impl Coordinate {
    /// Whether production moves it, and not only the law's own misses.
    pub fn is_production(&self) -> bool {
        matches!(
            self.how,
            How::Current | How::Screen | How::Mu | How::Contact
        )
    }
}

/// A type with all the ways in which its valves may differ.
#[derive(Debug, Clone)]
pub struct Frame {
    /// The type's name.
    pub name: String,
    /// Its kind.
    pub kind: &'static Kind,
    /// Its parameters.
    pub values: Vec<f64>,
    /// The ways, current first.
    pub list: Vec<Coordinate>,
    /// Where currents are compared.
    pub reference: State,
    /// The type's currents there.
    pub currents: [f64; 2],
}

/// What of the spread the limits of production are.
const EVEN: f64 = 0.577_350_269_189_625_8;
/// How far the fits of the types lie from their sheets in mu, in the median of RESIDUALS.md.
const MU_OF_TYPE: f64 = 0.04;
/// The same for contact potential, as a part of the grid base (test volts over mu): a mu that
/// differs without the drive being held looks like this.
const CONTACT_OF_TYPE: f64 = 0.03;
/// Part of the full current at which valves are compared.
const REFERENCE: f64 = 0.4;

/// Widths of the shape: a factor (ln) or a part.
const FACTORS: &[(&str, &str, f64)] = &[
    ("exponent", "ex", 0.04),
    ("sharpness of cut-off", "kp", 0.3),
    ("bend at low plate volts", "kvb", 0.7),
    ("knee", "knee", 0.3),
    ("widening of cut-off", "wide", 0.3),
    ("space before the plate", "perv", 0.5),
    ("pull of the plate", "mup", 0.2),
    ("rise with the plate's volts", "vrise", 0.4),
];
const PARTS: &[(&str, &str, f64)] = &[
    ("unevenness of the grid", "isl", 0.5),
    ("where mu turns", "turn", 0.3),
    ("current lost at low plate volts", "knee", 0.5),
    ("current that a positive grid takes", "take", 0.3),
    ("screen's share at low plate volts", "alphas", 0.3),
    ("how soon the plate takes it over", "lams", 0.3),
    ("levelling of the plate's pull", "fade", 0.3),
    ("part that a low plate turns back", "back", 0.3),
    ("volts up to which it does", "vback", 0.15),
];

/// What readings of plate and screen currents say nothing of.
const KEPT: [&str; 8] = ["gg", "cg", "xi", "alphag", "lamg", "cgp", "cgk", "cpk"];

impl Frame {
    /// The ways in which valves of a type differ. The type is one of those that
    /// [`super::bottle::fits`].
    pub fn of(valve: &Shipped) -> Frame {
        let value = |name: &str| valve.value(name);
        let mut values = valve.values.clone();
        let place = |name: &str| valve.kind.model_params.iter().position(|p| p.name == name);
        let vtest = value("vtest").unwrap_or(250.0);
        let mu = value("mu").unwrap_or(100.0);
        let squares = |a: f64, b: f64| (a * a + b * b).sqrt();
        let limit = |name: &str| value(name).unwrap_or(0.1) * EVEN;
        let row = |name, width, how| Coordinate { name, width, how };
        let mut list = vec![
            row("plate current", limit("tolip"), How::Current),
            row("mu", squares(limit("tolmu"), MU_OF_TYPE), How::Mu),
            row(
                "contact potential",
                squares(limit("tolvct"), CONTACT_OF_TYPE * vtest / mu),
                How::Contact,
            ),
        ];
        let screen = has_screen(valve.kind);
        if screen {
            // Screen currents are not sorted: published limits run from nothing to twice the mean.
            list.push(row("screen current", 0.35, How::Screen));
        }
        // A parameter that is switched off in the type stays off.
        let active = |name: &str| place(name).filter(|&k| values[k] > 0.0 && values[k] < 1e6);
        for &(name, parameter, width) in FACTORS {
            if let Some(k) = active(parameter).filter(|_| screen || parameter != "knee") {
                list.push(row(name, width, How::Factor(k)));
            }
        }
        for &(name, parameter, width) in PARTS {
            if let Some(k) = active(parameter).filter(|_| !screen || parameter != "knee") {
                list.push(row(name, width, How::Part(k)));
            }
        }
        if let Some(k) = place("vtest") {
            values[k] = vtest;
        }
        let mut frame = Frame {
            name: valve.name.clone(),
            kind: valve.kind,
            values,
            list,
            reference: State {
                vpk: vtest,
                vg2k: if screen { vtest } else { f64::NAN },
                vgk: 0.0,
            },
            currents: [0.0; 2],
        };
        frame.settle(value("pamax"));
        frame
    }

    /// The frame of a type and those of the other sets that the library has of it.
    pub fn sets(shipped: &[Shipped], valve: &Shipped) -> Vec<Frame> {
        let own = valve.alias_of.as_deref().unwrap_or(&valve.name);
        let names = ["_1996", "_PLAIN"].map(|ending| format!("{own}{ending}"));
        let others = shipped
            .iter()
            .filter(|v| names.iter().any(|n| n.eq_ignore_ascii_case(&v.name)));
        let of = |other: &Shipped| {
            let mut frame = Frame::of(other);
            // What such a set leaves out, the type knows.
            let params = frame.kind.model_params.iter();
            for (param, value) in params.zip(&mut frame.values) {
                if let (true, Some(known)) = (KEPT.contains(&param.name), valve.value(param.name)) {
                    *value = known;
                }
            }
            frame
        };
        [valve].into_iter().chain(others).map(of).collect()
    }

    /// Finds the reference point: a part of the current at no bias, or of what the plate stands.
    fn settle(&mut self, most_w: Option<f64>) {
        let bottle = Bottle::new(self.kind, &self.values);
        let full = bottle.at(self.reference)[0];
        let stands = most_w.map_or(f64::INFINITY, |w| 1.5 * w / self.reference.vpk);
        let wanted = REFERENCE * full.min(stands);
        let (mut low, mut high) = (-10.0 * self.reference.vpk, 0.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            let state = State {
                vgk: middle,
                ..self.reference
            };
            if bottle.at(state)[0] < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.reference.vgk = high;
        self.currents = bottle.at(self.reference);
    }

    /// The least that each coordinate may be.
    pub fn least(&self) -> Vec<f64> {
        let least = |c: &Coordinate| match c.how {
            How::Part(_) => -1.0 / c.width,
            _ => f64::NEG_INFINITY,
        };
        self.list.iter().map(least).collect()
    }

    /// The names of the parameters that a coordinate moves. `kg1` follows all that bend the plate's
    /// curves, so that the current at the reference point stays.
    pub fn moves(&self, coordinate: usize) -> Vec<&'static str> {
        match self.list[coordinate].how {
            How::Current => vec!["kg1"],
            How::Screen => vec!["kg2"],
            How::Mu => vec!["kg1", "mu", "vct"],
            How::Contact => vec!["kg1", "vct"],
            How::Factor(k) | How::Part(k) => vec!["kg1", self.kind.model_params[k].name],
        }
    }

    /// Model parameters at some coordinates, each within what its kind allows.
    pub fn parameters(&self, z: &[f64]) -> Vec<f64> {
        let place = |name: &str| self.kind.model_params.iter().position(|p| p.name == name);
        let mut values = self.values.clone();
        let (mut current, mut screen) = (1.0, 1.0);
        for (c, &z) in self.list.iter().zip(z) {
            let by = c.width * z;
            match c.how {
                How::Current => current = fun::exp(by),
                How::Screen => screen = fun::exp(by),
                How::Mu => {
                    let (Some(mu), Some(vct)) = (place("mu"), place("vct")) else {
                        continue;
                    };
                    let before = values[mu];
                    values[mu] *= fun::exp(by);
                    values[vct] += self.reference.vpk * (1.0 / before - 1.0 / values[mu]);
                }
                How::Contact => {
                    if let Some(vct) = place("vct") {
                        values[vct] += by;
                    }
                }
                How::Factor(k) => values[k] *= fun::exp(by),
                How::Part(k) => values[k] = (values[k] * (1.0 + by)).max(0.0),
            }
        }
        for (value, param) in values.iter_mut().zip(self.kind.model_params) {
            if !value.is_nan() {
                *value = value.clamp(*param.range.start(), *param.range.end());
            }
        }
        // Twice, for the knee of an output valve moves with its current.
        let wanted = [
            self.currents[0] * current,
            self.currents[1] * screen * current,
        ];
        for _ in 0..2 {
            let found = Bottle::new(self.kind, &values).at(self.reference);
            for (name, k) in [("kg1", 0), ("kg2", 1)] {
                if let Some(p) = place(name).filter(|_| found[k] > 0.0 && wanted[k] > 0.0) {
                    values[p] = (values[p] * found[k] / wanted[k]).clamp(1e-3, 1e9);
                }
            }
        }
        values
    }
}
