//! A reading taken in the amplifier: volts at the valve's pins, and the netlist's resistors.
//!
//! The valve is silenced in the netlist, every point that was read is held at what the meter
//! showed, and the circuit is solved: what then flows into the held plate is the current that
//! the valve must have drawn, by the plate resistor; what has to be pushed into the held cathode
//! is the current that it must have delivered, by the cathode resistor. Pins that were not read
//! stand where the circuit takes them with that current. How much each way is worth is found by
//! moving every reading by the meter's error, its last digit included, and every resistor at these
//! pins by its tolerance: zero volts across a closed switch say nothing of the current in it;
//! two ways are weighed accordingly. Where they contradict each other both are named, and the
//! current is as uncertain as they lie apart (Birge's ratio, as for measurements that disagree).

use super::given::{at, load_text};
use crate::circuit::bind::Timing;
use crate::circuit::params::What;
use crate::circuit::{Circuit, Element, Node};
use crate::cli::common::Session;
use crate::cli::failure::Failure;
use crate::cli::settings::setting;
use crate::fit::bottle::{self, State};
use crate::fit::problem::{FitProblem, Located};
use crate::fit::readings::{self, Reading};
use crate::fit::table;
use crate::limits::Limits;
use crate::measure::quiescent;
use crate::netlist::MemoryLoader;
use crate::num::{self, Role};
use crate::system::probe::{Moment, Observable};

/// A resistor's tolerance where its line says none.
const TOLERANCE: f64 = 0.05;
/// How far a supply may stand from the netlist's where it was not read.
const SUPPLY: f64 = 0.05;
/// What of an even spread between limits the standard deviation is.
const EVEN: f64 = 0.577_350_269_189_625_8;
/// The same of a screen's share of the current of its type.
const SHARE: f64 = 0.35;
/// Deviations beyond which two ways to the current contradict each other.
const APART: f64 = 4.0;
/// A reading that says less of the current than this is worth nothing.
const WORTHLESS: f64 = 0.4;

/// What was found, and what to say of it.
pub(super) struct Taken {
    /// The reading.
    pub reading: Reading,
    /// Remarks.
    pub notes: Vec<String>,
}

/// One line of the table.
#[derive(Debug, Clone)]
struct Point {
    line: usize,
    node: Node,
    volts: f64,
    /// What its last digit is worth, V.
    digit: f64,
}

/// The valve's pins.
struct Pins {
    plate: Node,
    screen: Option<Node>,
    grid: Node,
    cathode: Node,
}

/// What a solution gives: volts of plate, screen, grid and cathode, and the currents that the held
/// pins speak of, of plate, screen and cathode.
#[derive(Debug, Clone, Copy)]
struct Solved {
    volts: [f64; 4],
    currents: [Option<f64>; 3],
}

/// The model's name of the valve that is meant.
pub(super) fn model(session: &mut Session<'_>, name: &str) -> Result<String, Failure> {
    let circuit = session.circuit(Timing::default())?;
    let element = element(&circuit, name)?;
    element.model.clone().ok_or_else(|| {
        Failure::usage(format!("`{name}` has no model")).hint("name a valve, such as XV1A")
    })
}

pub(super) fn element<'c>(circuit: &'c Circuit, name: &str) -> Result<&'c Element, Failure> {
    let fits = |e: &&Element| e.kind.is_some_and(bottle::fits);
    match circuit.element(name) {
        Some(element) if fits(&element) => Ok(element),
        _ => {
            let names = circuit.elements.iter().filter(fits).map(|e| e.name.clone());
            let names: Vec<String> = names.collect();
            Err(Failure::usage(format!("no valve `{name}`"))
                .hint(format!("the netlist has {}", names.join(", "))))
        }
    }
}

/// Reads the table and works the reading out.
pub(super) fn take(
    session: &mut Session<'_>,
    path: &str,
    name: &str,
    meter: f64,
    accuracy: f64,
) -> Result<Taken, Failure> {
    let text = load_text(session, path)?;
    let circuit = session.circuit(Timing::default())?;
    let valve = element(&circuit, name)?;
    let pins = Pins {
        plate: valve.terminal("plate").expect("a valve"),
        screen: valve.terminal("screen"),
        grid: valve.terminal("grid").expect("a valve"),
        cathode: valve.terminal("cathode").expect("a valve"),
    };
    let points = points(&circuit, &text).map_err(|wrong| at(path, wrong))?;
    let bench = Bench {
        circuit: &circuit,
        valve,
        pins: &pins,
        meter,
    };
    let share = {
        let kind = valve.kind.expect("a valve");
        let law = bottle::Bottle::new(kind, &valve.made.model);
        let [plate, screen] = law.at(State {
            vpk: 250.0,
            vg2k: 250.0,
            vgk: -10.0,
        });
        match pins.screen {
            Some(_) if plate > 0.0 => screen / plate,
            _ => 0.0,
        }
    };
    // Pins that were not read move with the current, and the current with them.
    let mut drawn = [0.0; 2];
    let mut solved = bench.solve(session, &points, drawn, &[])?;
    for _ in 0..3 {
        let Some((plate, screen, _)) = weighed(&solved, None, share) else {
            return Err(
                Failure::usage(format!("{path} says nothing of the current of `{name}`"))
                    .hint("read the volts at its plate or its cathode, with a resistor behind"),
            );
        };
        drawn = [plate, screen];
        solved = bench.solve(session, &points, drawn, &[])?;
    }
    let deviations = bench.deviations(session, &points, drawn, &solved, accuracy)?;
    let (plate, screen, mut error) =
        weighed(&solved, Some(&deviations), share).expect("as a moment ago");
    let mut notes = Vec::new();
    let show = |i: f64| num::engineering(i, "A", 3);
    let mut apart = None;
    if let [Some(a), b, Some(k)] = solved.currents {
        let through_plate = k - b.unwrap_or(share * a);
        let sigma = (deviations[0].powi(2) + deviations[2].powi(2)).sqrt();
        let by = (through_plate - a).abs() / sigma;
        if by > APART {
            let found = format!(
                "{} by the plate, {} by the cathode; a reading, a resistor or the supply is not what the \
                 netlist says",
                show(a),
                show(through_plate)
            );
            notes.push(format!("the readings contradict each other: {found}"));
            apart = Some(found);
            // One of the two is wrong, nobody knows which: their mean is as uncertain as they lie apart.
            error *= by;
        }
    }
    if plate.is_nan() || plate <= 0.0 || error > WORTHLESS * plate {
        let message = format!("{path} does not fix the current of `{name}`");
        return Err(match apart {
            Some(found) => Failure::usage(format!("{message}: {found}"))
                .hint("read both again, signs included, and measure the resistors"),
            None if plate <= 0.0 => Failure::usage(format!(
                "{message}: by these volts none flows, {}",
                show(plate)
            ))
            .hint("check the signs, and the points: a plate stands below its supply"),
            None => Failure::usage(format!("{message}: {} +/- {}", show(plate), show(error)))
                .hint("read the volts at the cathode, or on both sides of the plate resistor"),
        });
    }
    let [p, s, g, k] = solved.volts;
    let state = State {
        vpk: p - k,
        vg2k: if pins.screen.is_some() {
            s - k
        } else {
            f64::NAN
        },
        vgk: g - k,
    };
    notes.push(format!(
        "in the amplifier: {} at the plate, grid {}, plate current {} +/- {:.1} %",
        num::engineering(state.vpk, "V", 4),
        num::engineering(state.vgk, "V", 3),
        show(plate),
        100.0 * error / plate
    ));
    let knows_screen = solved.currents[1].is_some() && deviations[1] < 0.2 * screen;
    Ok(Taken {
        reading: Reading {
            line: points[0].line,
            state,
            plate,
            screen: Some(screen).filter(|_| knows_screen),
            error: Some(error),
        },
        notes,
    })
}

/// The most likely plate and screen current and the deviation of the former. Without deviations
/// all ways count alike.
fn weighed(solved: &Solved, deviations: Option<&[f64; 3]>, share: f64) -> Option<(f64, f64, f64)> {
    let [plate, screen, cathode] = solved.currents;
    if plate.is_none() && cathode.is_none() {
        return None;
    }
    let weight = |k: usize| {
        let deviation = deviations.map_or(1e-4, |d| d[k]).max(1e-9);
        1.0 / (deviation * deviation)
    };
    // Normal equations of ip, ig2: each way a row, and the type's share of the screen.
    let (mut a, mut b) = ([0.0; 3], [0.0; 2]);
    let mut row = |x: f64, y: f64, value: f64, weight: f64| {
        a[0] += weight * x * x;
        a[1] += weight * x * y;
        a[2] += weight * y * y;
        b[0] += weight * x * value;
        b[1] += weight * y * value;
    };
    if let Some(i) = plate {
        row(1.0, 0.0, i, weight(0));
    }
    if let Some(i) = screen.filter(|_| share > 0.0) {
        row(0.0, 1.0, i, weight(1));
    }
    if let Some(i) = cathode {
        row(1.0, 1.0, i, weight(2));
    }
    let about = plate.or(cathode).unwrap_or(0.0).abs().max(1e-6);
    let usual = (SHARE * share * about).max(1e-9);
    row(-share, 1.0, 0.0, 1.0 / (usual * usual));
    let determinant = a[0] * a[2] - a[1] * a[1];
    let ip = (b[0] * a[2] - b[1] * a[1]) / determinant;
    let ig2 = (a[0] * b[1] - a[1] * b[0]) / determinant;
    Some((ip, ig2, (a[2] / determinant).max(0.0).sqrt()))
}

struct Bench<'c> {
    circuit: &'c Circuit,
    valve: &'c Element,
    pins: &'c Pins,
    meter: f64,
}

impl<'c> Bench<'c> {
    fn name(&self, node: Node) -> &str {
        match node {
            Node::GROUND => "0",
            node => &self.circuit.nodes[node.0].name,
        }
    }

    /// The independent source that holds a node against ground, if there is one.
    fn holder(&self, node: Node) -> Option<&Element> {
        let holds = |e: &&Element| e.letter == 'V' && e.terminals == [node, Node::GROUND];
        self.circuit.elements.iter().find(holds)
    }

    /// Solves the circuit with the valve silent, the points held and currents drawn at pins that
    /// are not. `changes` are further settings.
    fn solve(
        &self,
        session: &mut Session<'_>,
        points: &[Point],
        drawn: [f64; 2],
        changes: &[String],
    ) -> Result<Solved, Failure> {
        let mut lines = String::from("held\n");
        let mut settings = session.settings().clone();
        let mut texts = changes.to_vec();
        for (parameter, value) in [("kg1", "1e9"), ("kg2", "1e9"), ("gg", "0")] {
            let params = self.valve.kind.expect("a valve").model_params;
            if params.iter().any(|p| p.name == parameter) {
                texts.push(format!("{}.{parameter}={value}", self.valve.name));
            }
        }
        for (k, point) in points.iter().enumerate() {
            let volts = num::full(point.volts);
            match self.holder(point.node) {
                Some(source) => texts.push(format!("{}={volts}", source.name)),
                None => {
                    let node = self.name(point.node);
                    lines += &format!("VHELD{k}_FIT {node} 0 {volts}\n");
                    if self.meter.is_finite() {
                        lines += &format!("RHELD{k}_FIT {node} 0 {}\n", num::full(self.meter));
                    }
                }
            }
        }
        let held = |node: Node| points.iter().any(|p| p.node == node) || node == Node::GROUND;
        let sum = drawn[0] + drawn[1];
        let flows = [
            (Some(self.pins.plate), drawn[0]),
            (self.pins.screen, drawn[1]),
            (Some(self.pins.cathode), -sum),
        ];
        for (k, (node, amperes)) in flows.into_iter().enumerate() {
            if let Some(node) = node.filter(|n| !held(*n)) {
                let node = self.name(node);
                lines += &format!("IDRAWN{k}_FIT {node} 0 {}\n", num::full(amperes));
            }
        }
        for text in &texts {
            match setting(&mut session.draft.files, "set", What::Value, text) {
                Ok(setting) => settings.push(setting),
                Err(wrong) => return Err(session.failed(vec![wrong])),
            }
        }
        let loader = MemoryLoader::new("held.cir", lines);
        let reading = session
            .draft
            .another("held.cir", &loader, &Limits::default());
        let mut whole = session.draft.netlist.clone();
        whole.body.elements.extend(reading.netlist.body.elements);
        let built = session
            .draft
            .build_other(&whole, &settings)
            .map_err(|problems| session.failed(problems))?;
        let circuit = &built.circuit;
        let (x, mut assembly) = quiescent::at_rest(circuit)?;
        let volts = |node: Node| {
            let node = circuit.node(self.name(node)).unwrap_or(Node::GROUND);
            assembly.unknowns.voltage(&x, node)
        };
        let pins = self.pins;
        let volts = [
            volts(pins.plate),
            pins.screen.map_or(f64::NAN, volts),
            volts(pins.grid),
            volts(pins.cathode),
        ];
        let mut current = |node: Option<Node>, sign: f64| {
            let node = node?;
            let k = points.iter().position(|p| p.node == node)?;
            // Where a source of the netlist holds the pin, its current is not the valve's alone.
            let element = circuit.element(&format!("VHELD{k}_FIT"))?;
            let moment = Moment {
                time: None,
                x: &x,
                rates: None,
            };
            Some(sign * Observable::current(element).read(&mut assembly, moment))
        };
        Ok(Solved {
            volts,
            currents: [
                current(Some(pins.plate), 1.0),
                current(pins.screen, 1.0),
                current(Some(pins.cathode), -1.0),
            ],
        })
    }

    /// How far the currents of plate, screen and cathode may be off.
    fn deviations(
        &self,
        session: &mut Session<'_>,
        points: &[Point],
        drawn: [f64; 2],
        middle: &Solved,
        accuracy: f64,
    ) -> Result<[f64; 3], Failure> {
        let mut squares = [0.0; 3];
        let mut add = |moved: &Solved| {
            for (k, square) in squares.iter_mut().enumerate() {
                if let (Some(a), Some(b)) = (moved.currents[k], middle.currents[k]) {
                    *square += (a - b) * (a - b);
                }
            }
        };
        for k in 0..points.len() {
            let mut moved = points.to_vec();
            let part = accuracy * moved[k].volts.abs();
            let rounding = EVEN * 0.5 * moved[k].digit;
            moved[k].volts += (part * part + rounding * rounding).sqrt();
            add(&self.solve(session, &moved, drawn, &[])?);
        }
        let read = |n: &Node| *n != Node::GROUND && points.iter().any(|p| p.node == *n);
        for element in &self.circuit.elements {
            let (letter, value) = (element.letter, element.value);
            if let (true, Some(ohms)) = (letter == 'R' && element.terminals.iter().any(read), value)
            {
                let part = element.tolerance.map_or(TOLERANCE, |t| t.high.max(-t.low));
                let text = format!("{}={}", element.name, num::full(ohms * (1.0 + EVEN * part)));
                add(&self.solve(session, points, drawn, &[text])?);
            }
        }
        // Supplies that were not read.
        for (name, volts) in self.supplies(|node| !read(&node))? {
            if volts.abs() > 20.0 {
                let text = format!("{name}={}", num::full(volts * (1.0 + EVEN * SUPPLY)));
                add(&self.solve(session, points, drawn, &[text])?);
            }
        }
        Ok(squares.map(f64::sqrt))
    }

    /// The sources that hold a node against ground, and its volts at rest.
    fn supplies(&self, counts: impl Fn(Node) -> bool) -> Result<Vec<(&'c str, f64)>, Failure> {
        let held = |e: &'c Element| match e.terminals[..] {
            [node, Node::GROUND] if e.letter == 'V' && node != Node::GROUND => {
                counts(node).then_some((e.name.as_str(), node))
            }
            _ => None,
        };
        let held: Vec<(&str, Node)> = self.circuit.elements.iter().filter_map(held).collect();
        if held.is_empty() {
            return Ok(Vec::new());
        }
        let (x, assembly) = quiescent::at_rest(self.circuit)?;
        let volts = |(name, node)| (name, assembly.unknowns.voltage(&x, node));
        Ok(held.into_iter().map(volts).collect())
    }
}

/// The table of `probe,value`.
fn points(circuit: &Circuit, text: &str) -> Result<Vec<Point>, Located> {
    let expected = "probe,value (volts against ground)";
    let mut found: Vec<Point> = Vec::new();
    for row in table::rows(text, &["probe", "value"], expected, readings::MOST)? {
        let (line, probe) = (row.line, row.text(0));
        let inner = probe
            .strip_prefix(['v', 'V'])
            .and_then(|n| n.trim().strip_prefix('('));
        let name = inner
            .and_then(|n| n.strip_suffix(')'))
            .unwrap_or(probe)
            .trim();
        let Some(node) = circuit.node(name).filter(|_| !name.contains('.')) else {
            let name = probe.to_string();
            return Err(Located::new(line, FitProblem::NoPoint { name }));
        };
        let volts = row.number(1, "value", Role::Voltage)?;
        if node == Node::GROUND {
            continue;
        }
        if let Some(other) = found.iter().find(|p| p.node == node) {
            let other = other.line;
            return Err(Located::new(line, FitProblem::Twice { other }));
        }
        let written = num::last_digit(&row.pointed(1), volts);
        found.push(Point {
            line,
            node,
            volts,
            digit: num::of_three_digits(volts, written),
        });
    }
    if found.is_empty() {
        return Err(Located::new(1, FitProblem::Empty));
    }
    Ok(found)
}
