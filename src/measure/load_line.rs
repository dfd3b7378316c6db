//! A valve's characteristics with the lines that its circuit draws into them.
//!
//! The direct load line: with the valve out of its socket, what its plate sees at rest against its
//! cathode is a voltage behind a resistance (Thevenin), so plate volts fall by that resistance for
//! each ampere. It is found from the circuit's equations about the operating point, whatever the
//! parts are called. The signal load line has the slope of the impedance that the plate sees at a
//! frequency. Both go through the operating point. (The construction is that of every handbook,
//! e.g. F. E. Terman, Electronic and Radio Engineering, 1955, chapter 10; from memory.)

use super::quiescent;
use super::windings::common_of;
use crate::analysis::NoSolution;
use crate::analysis::small_signal::{SmallSignal, no_solution};
use crate::circuit::{Circuit, Element, Node, Sense};
use crate::device::currents;
use crate::device::role::{DeviceRole, Polarity};
use crate::math::lu::{LinearSolver, StaticLu};
use crate::system::assemble::Assembly;

/// What conducts between two electrodes, steered by a third.
#[derive(Debug, Clone)]
pub struct Device<'c> {
    circuit: &'c Circuit,
    /// Plate or drain.
    pub plate: Node,
    /// Grid or gate; a rectifier has none.
    pub grid: Option<Node>,
    /// Screen.
    pub screen: Option<Node>,
    /// Cathode or source.
    pub cathode: Node,
    /// Law and output of the plate's and the screen's current.
    plate_current: (usize, usize),
    screen_current: Option<(usize, usize)>,
    /// All of its laws.
    laws: Vec<usize>,
    /// Watts and volts that it stands at its plate.
    pub most_w: Option<f64>,
    /// The latter.
    pub most_v: Option<f64>,
    /// -1 for a P channel.
    pub sign: f64,
}

/// A state of a valve: volts against its cathode, amperes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Grid.
    pub vgk: f64,
    /// Plate.
    pub vpk: f64,
    /// Screen; 0 where there is none.
    pub vsk: f64,
    /// Plate current.
    pub plate: f64,
    /// Screen current; none where there is no screen.
    pub screen: Option<f64>,
}

impl<'c> Device<'c> {
    /// The electrodes of an element; none if it is not a valve or field-effect transistor, or
    /// has resistances of its own behind its terminals.
    pub fn new(circuit: &'c Circuit, element: &Element) -> Option<Device<'c>> {
        let kind = element.kind?;
        let terminal = |names: &[&str]| names.iter().find_map(|name| element.terminal(name));
        let reading = |names: &[&str]| {
            let found = element
                .readings
                .iter()
                .find(|r| names.contains(&r.0.name))?;
            Some((found.1, found.2))
        };
        let mut laws: Vec<usize> = element.readings.iter().map(|r| r.1).collect();
        laws.sort_unstable();
        laws.dedup();
        let device = Device {
            circuit,
            plate: terminal(&["plate", "drain", "plate1"])?,
            grid: terminal(&["grid", "gate"]),
            screen: element.terminal("screen"),
            cathode: terminal(&["cathode", "source"])?,
            plate_current: reading(&["plate current", "drain current", "plate 1 current"])?,
            screen_current: reading(&["screen current"]),
            laws,
            most_w: element.rating("plate dissipation"),
            most_v: element.rating("vpk"),
            sign: if kind.role == DeviceRole::Transistor(Polarity::P) {
                -1.0
            } else {
                1.0
            },
        };
        let own = [
            Some(device.plate),
            device.grid,
            device.screen,
            Some(device.cathode),
        ];
        let known = |n: Node| {
            own.contains(&Some(n)) || n == Node::GROUND || kind.role == DeviceRole::RectifierValve
        };
        let (law, _) = device.plate_current;
        let senses = &circuit.laws[law].controls;
        let fits = senses.iter().all(|s| match s {
            Sense::Voltage(a, b) => known(*a) && known(*b),
            Sense::Current(_) => false,
        });
        fits.then_some(device)
    }

    /// All of its laws.
    pub fn laws(&self) -> &[usize] {
        &self.laws
    }

    /// Currents at some volts against the cathode.
    pub fn at(&self, vgk: f64, vpk: f64, vsk: f64) -> State {
        let volts = |n: Node| {
            if n == self.cathode {
                0.0
            } else if n == self.plate {
                vpk
            } else if Some(n) == self.screen {
                vsk
            } else if Some(n) == self.grid {
                vgk
            } else {
                0.0
            }
        };
        let read = |(law, output): (usize, usize)| {
            let part = &self.circuit.laws[law];
            let u: Vec<f64> = (part.controls.iter())
                .map(|s| match s {
                    Sense::Voltage(a, b) => volts(*a) - volts(*b),
                    Sense::Current(_) => 0.0,
                })
                .collect();
            currents(&*part.law, &u, part.memory)[output]
        };
        State {
            vgk,
            vpk,
            vsk,
            plate: read(self.plate_current),
            screen: self.screen_current.map(read),
        }
    }
}

/// A line through the operating point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Volts lost for each ampere.
    pub ohms: f64,
    /// The point, V and A.
    pub through: (f64, f64),
}

impl Line {
    /// The volts where no current flows.
    pub fn open_v(&self) -> f64 {
        self.through.0 + self.ohms * self.through.1
    }

    /// Plate volts at a current.
    pub fn volts(&self, amperes: f64) -> f64 {
        self.open_v() - self.ohms * amperes
    }

    /// Plate current at some volts.
    pub fn amperes(&self, volts: f64) -> f64 {
        self.through.1 + (self.through.0 - volts) / self.ohms
    }
}

/// What the circuit does with a valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Worked {
    /// At rest.
    pub point: State,
    /// Direct current.
    pub direct: Line,
    /// Signal of the frequency asked for.
    pub signal: Line,
}

/// What holds a mains-fed supply's volts over a cycle, S: at its rectifier's cathode the average
/// state says nothing of the pulses that charge it.
const HELD: f64 = 1e3;

/// The operating point of a valve and its load lines.
///
/// # Errors
/// If the circuit has no operating point, or its equations are singular without the valve.
pub fn worked(
    circuit: &Circuit,
    device: &Device<'_>,
    freq_hz: f64,
) -> Result<Worked, Box<NoSolution>> {
    let (x, mut assembly) = quiescent::at_rest(circuit)?;
    let (direct, signal) = loads(circuit, &mut assembly, &x, device, freq_hz)?;
    let against =
        |n: Node| assembly.unknowns.voltage(&x, n) - assembly.unknowns.voltage(&x, device.cathode);
    let point = device.at(
        device.grid.map_or(0.0, against),
        against(device.plate),
        device.screen.map_or(0.0, against),
    );
    let line = |ohms: f64| Line {
        ohms,
        through: (point.vpk, point.plate),
    };
    Ok(Worked {
        point,
        direct: line(direct),
        signal: line(signal),
    })
}

/// Ohms between plate and cathode with the valve out: of direct current, and of signal (the real
/// part of the impedance).
fn loads(
    circuit: &Circuit,
    assembly: &mut Assembly<'_>,
    x: &[f64],
    device: &Device<'_>,
    freq_hz: f64,
) -> Result<(f64, f64), Box<NoSolution>> {
    assembly.evaluate_small(x);
    for &law in &device.laws {
        assembly.unplug_from_jacobian(law, x);
    }
    let reservoirs: Vec<usize> = circuit
        .elements
        .iter()
        .filter(|e| e.role() == Some(DeviceRole::RectifierValve))
        .filter_map(|e| assembly.unknowns.node(*e.terminals.last()?))
        .collect();
    let held: Vec<usize> = reservoirs
        .iter()
        .map(|&n| assembly.node_diagonal()[n])
        .collect();
    let mut jacobian = assembly.jacobian.clone();
    held.iter().for_each(|&k| jacobian[k] += HELD);
    let (indptr, indices) = assembly.pattern();
    let mut lu: StaticLu<f64> = StaticLu::new(assembly.len(), indptr, indices);
    lu.factor(&jacobian).map_err(|s| no_solution(circuit, s))?;
    let mut right = vec![0.0; assembly.len()];
    let places = [device.plate, device.cathode].map(|n| assembly.unknowns.node(n));
    let [plate, cathode] = places;
    plate.iter().for_each(|&k| right[k] += 1.0);
    cathode.iter().for_each(|&k| right[k] -= 1.0);
    lu.solve(&mut right);
    let at = |k: Option<usize>| k.map_or(0.0, |k| right[k]);
    let direct = at(plate) - at(cathode);
    let plugged = assembly.unplugged.clone();
    for law in device.laws.iter().copied().chain(drivers(circuit, device)) {
        assembly.unplugged[law] = true;
    }
    let mut small = SmallSignal::new(assembly, x);
    assembly.unplugged = plugged;
    let mut now = small.at(freq_hz).map_err(|s| no_solution(circuit, s))?;
    let signal = now.impedance(device.plate, device.cathode).re;
    Ok((direct.max(0.0), signal.max(0.0)))
}

/// The laws of the valves that drive one on an output transformer: what comes back through them is the amplifier's
/// feedback, and no part of its load. Elsewhere another valve may be the load.
fn drivers(circuit: &Circuit, device: &Device<'_>) -> Vec<usize> {
    let transformers = circuit.elements.iter().filter_map(|e| {
        let primary = &e.terminals[..common_of(e)?];
        primary.contains(&device.plate).then_some(primary)
    });
    let primaries: Vec<Node> = transformers.flatten().copied().collect();
    if primaries.is_empty() {
        return Vec::new();
    }
    let beside = |e: &&Element| {
        let on_iron = e.terminals.iter().any(|n| primaries.contains(n));
        e.role() == Some(DeviceRole::Valve) && !on_iron
    };
    let valves = circuit.elements.iter().filter(beside);
    valves
        .flat_map(|e| e.readings.iter().map(|r| r.1))
        .collect()
}

/// What is drawn: volts and amperes that fill a plot, and grid volts in round steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Family {
    /// The most plate volts.
    pub volts: f64,
    /// The most plate current.
    pub amperes: f64,
    /// From the highest down.
    pub grids: Vec<f64>,
}

/// A round number not below a value: 1, 1.5, 2, 2.5, 3, 4, 5, 6 or 8 times a power of ten.
pub fn round_up(value: f64) -> f64 {
    let mut decade = 1e-12;
    while decade * 10.0 <= value {
        decade *= 10.0;
    }
    let steps = [1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0];
    let fits = steps
        .iter()
        .map(|s| s * decade)
        .find(|s| *s >= value * 0.999_999);
    fits.unwrap_or(10.0 * decade)
}

/// Part of a valve's usual current below which it is switched off.
const SWITCHED_OFF: f64 = 1e-3;

/// Chooses what to draw. `highest` is a grid voltage that is to be on it, beside 0.
pub fn family(device: &Device<'_>, worked: Option<&Worked>, vsk: f64, highest: f64) -> Family {
    let mut volts: f64 = device.most_v.unwrap_or(0.0);
    if let Some(w) = worked {
        let far = w
            .direct
            .open_v()
            .max(w.signal.open_v().min(2.2 * w.point.vpk));
        volts = 1.1 * far.abs().max(1.15 * w.point.vpk.abs());
    }
    if volts <= 0.0 {
        volts = if device.most_w.is_some() { 300.0 } else { 20.0 };
    }
    let volts = round_up(volts);
    let v = |part: f64| device.sign * part * volts;
    let hot = device.at(0.0, v(0.4), vsk).plate.abs();
    let by_itself = match device.most_w {
        Some(watts) => hot.min(4.0 * watts / (0.5 * volts)),
        None => hot,
    };
    let amperes = worked.map(|w| {
        let crossing = w.signal.amperes(0.0).abs().min(4.0 * w.point.plate.abs());
        crossing
            .max(2.2 * w.point.plate.abs())
            .min(hot.max(1e-6) * 2.0)
    });
    // A valve that is switched off is drawn as it would work: its own current gives no scale.
    let amperes = amperes.filter(|i| *i > SWITCHED_OFF * by_itself);
    let amperes = amperes.unwrap_or(by_itself);
    let amperes = round_up(amperes.max(1e-6));
    // Down to where hardly anything flows at the right edge.
    let mut cut_off = 1e-3;
    let flows = |vgk: f64| device.at(-device.sign * vgk, v(1.0), vsk).plate.abs() > 0.01 * amperes;
    while flows(cut_off) && cut_off < 1e4 {
        cut_off *= 1.2;
    }
    let step = round_up(cut_off / 9.0);
    let from = (highest / step).ceil().max(0.0) as i32;
    let to = (cut_off / step).ceil() as i32;
    let grids = match device.grid {
        None => vec![0.0],
        Some(_) => (-from..=to)
            .map(|k| -device.sign * f64::from(k) * step + 0.0)
            .collect(),
    };
    Family {
        volts,
        amperes,
        grids,
    }
}
