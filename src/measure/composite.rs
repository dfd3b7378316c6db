//! The composite characteristic of a push-pull pair.
//!
//! In an output transformer the currents of two valves that swing against each other subtract:
//! what one plate gains the other loses, and only the difference makes flux. So the pair works
//! like one valve whose characteristic is, at every signal voltage e on the grids and every swing
//! v of the plate, the difference of the two. Its load is a quarter of the impedance from plate to
//! plate. (B. J. Thompson, Graphical Determination of Performance of Push-Pull Audio Amplifiers,
//! Proceedings of the Institute of Radio Engineers 21, 1933, pages 591 to 600; from memory.)
//!
//! ```text
//! i(e, v) = ia(Vga + e, Va + v) - ib(Vgb - e, Vb - v)
//! v = -(Raa/4) (i(e, v) - i(0, 0))    the load
//! ```
//!
//! The pair is found from the circuit: with all valves out, current into one's plate moves the
//! other's as far the other way. Screens on taps of the primary follow their plates by the part
//! found so; cathodes and supply are held at their volts at rest.

use super::load_line::{Device, State};
use super::quiescent;
use crate::analysis::NoSolution;
use crate::analysis::small_signal::{self, Excitation, SmallSignal, no_solution};
use crate::circuit::{Circuit, Node};
use crate::math::fun;

/// One of the valves.
#[derive(Debug, Clone)]
pub struct Member<'c> {
    /// Its name.
    pub name: String,
    /// Its law.
    pub device: Device<'c>,
    /// At rest.
    pub rest: State,
    /// The part of its plate's swing that its screen follows.
    pub screen: f64,
}

impl Member<'_> {
    /// With `e` volts more on the grid and `v` volts more at the plate.
    pub fn at(&self, e: f64, v: f64) -> State {
        let rest = &self.rest;
        self.device
            .at(rest.vgk + e, rest.vpk + v, rest.vsk + self.screen * v)
    }
}

/// Valves that swing against each other; several a side work in parallel.
#[derive(Debug, Clone)]
pub struct Pair<'c> {
    /// The valve that was asked for, and those that swing with it.
    pub with: Vec<Member<'c>>,
    /// Those that swing against it.
    pub against: Vec<Member<'c>>,
    /// From plate to plate at the frequency asked for, ohm.
    pub raa_ohm: f64,
}

/// What the pair does with its grids driven to their cathodes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Full {
    /// Peak volts on each grid.
    pub grid: f64,
    /// Peak volts at each plate.
    pub plate: f64,
    /// Peak of the difference of the currents, A.
    pub amperes: f64,
    /// Into the impedance from plate to plate, while a sine drives the grids that far.
    pub watts: f64,
}

/// A plate that moves by less than this part of another's does not belong to it.
const TOGETHER: f64 = 0.7;
/// A screen that follows its plate by less is at a supply.
const TAPPED: f64 = 0.05;
/// Amperes below which a valve is switched off.
const WORKS: f64 = 10e-6;
/// Halvings of the interval in which the load is met: to a part in 1e15 of it.
const HALVINGS: usize = 52;
/// Moments of a cycle at which its power is taken.
const MOMENTS: usize = 96;

impl<'c> Pair<'c> {
    /// The pair that a valve is one of, with its load at a frequency; none if no valve swings
    /// against it.
    ///
    /// # Errors
    /// If the circuit has no operating point, or its equations are singular without its valves.
    pub fn find(
        circuit: &'c Circuit,
        valve: &str,
        freq_hz: f64,
    ) -> Result<Option<Pair<'c>>, Box<NoSolution>> {
        let (x, mut assembly) = quiescent::at_rest(circuit)?;
        let volts = |n: Node| assembly.unknowns.voltage(&x, n);
        let mut members = Vec::new();
        for element in &circuit.elements {
            let device = Device::new(circuit, element);
            let Some((device, grid)) = device.and_then(|d| Some((d.clone(), d.grid?))) else {
                continue;
            };
            let against = |n: Node| volts(n) - volts(device.cathode);
            let rest = device.at(
                against(grid),
                against(device.plate),
                device.screen.map_or(0.0, against),
            );
            let asked = element.name.eq_ignore_ascii_case(valve);
            if asked || rest.plate.abs() > WORKS {
                let member = Member {
                    name: element.name.clone(),
                    device,
                    rest,
                    screen: 0.0,
                };
                members.push((asked, member));
            }
        }
        let Some(first) = members.iter().position(|m| m.0) else {
            return Ok(None);
        };
        let own = members[first].1.device.clone();
        let before = assembly.unplugged.clone();
        for (_, member) in &members {
            for &law in member.device.laws() {
                assembly.unplugged[law] = true;
            }
        }
        let mut small = SmallSignal::new(&mut assembly, &x);
        assembly.unplugged = before;
        let unknowns = small.unknowns();
        let mut now = small.at(freq_hz).map_err(|s| no_solution(circuit, s))?;
        let moved = now
            .solve(Excitation::Injection(own.plate, Node::GROUND))
            .to_vec();
        let swing = |n: Node| small_signal::voltage(&unknowns, &moved, n);
        let part = |n: Node, of: Node| (swing(n) / swing(of)).re;
        let (mut with, mut against) = (Vec::new(), Vec::new());
        for (_, mut member) in members {
            let follows = part(member.device.plate, own.plate);
            if let Some(screen) = member.device.screen {
                let part = part(screen, member.device.plate);
                member.screen = if part.abs() < TAPPED { 0.0 } else { part };
            }
            if follows > TOGETHER {
                with.push(member);
            } else if follows < -TOGETHER {
                against.push(member);
            }
        }
        let Some(other) = against.first() else {
            return Ok(None);
        };
        let raa_ohm = now.impedance(own.plate, other.device.plate).re.max(0.0);
        // The valve that was asked for comes first.
        with.sort_by_key(|m| !m.name.eq_ignore_ascii_case(valve));
        Ok(Some(Pair {
            with,
            against,
            raa_ohm,
        }))
    }

    /// The difference of the currents, A, with a signal of `e` volts on the grids and plates that
    /// have swung by `v`.
    pub fn net(&self, e: f64, v: f64) -> f64 {
        let sum = |side: &[Member<'_>], sign: f64| -> f64 {
            side.iter().map(|m| m.at(sign * e, sign * v).plate).sum()
        };
        sum(&self.with, 1.0) - sum(&self.against, -1.0)
    }

    /// What one of the two sides would have as its load if it worked alone, ohm.
    pub fn load_ohm(&self) -> f64 {
        self.raa_ohm / 4.0
    }

    /// How far the plates can swing down and up until one has no volts left.
    pub fn reach(&self) -> (f64, f64) {
        (-self.with[0].rest.vpk, self.against[0].rest.vpk)
    }

    /// Where a characteristic meets the load: swing of the plate, V, and difference of the
    /// currents, A.
    pub fn at_load(&self, e: f64) -> (f64, f64) {
        let standing = self.net(0.0, 0.0);
        let (mut low, mut high) = self.reach();
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            // More volts at the plate draw more current: this rises with the swing.
            if middle + self.load_ohm() * (self.net(e, middle) - standing) > 0.0 {
                high = middle;
            } else {
                low = middle;
            }
        }
        let v = 0.5 * (low + high);
        (v, self.net(e, v) - standing)
    }

    /// With the grids driven to their cathodes; none where they are not below them at rest.
    pub fn full(&self) -> Option<Full> {
        let grid = -self.with[0].rest.vgk;
        if grid <= 0.0 {
            return None;
        }
        let ((up, less), (down, more)) = (self.at_load(-grid), self.at_load(grid));
        let given = (0..MOMENTS).map(|k| {
            let turn = std::f64::consts::TAU * (k as f64 + 0.5) / MOMENTS as f64;
            let (v, i) = self.at_load(grid * fun::sin(turn));
            -v * i
        });
        let watts = given.sum::<f64>() / MOMENTS as f64;
        let plate = 0.5 * (up - down);
        let amperes = 0.5 * (more - less);
        Some(Full {
            grid,
            plate,
            amperes,
            watts,
        })
    }
}
