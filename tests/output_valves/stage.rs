//! An output stage of the printed tables as a netlist: valves into an ideal transformer.
//!
//! The transformer is written with controlled sources: `w` is the volts of the load as one
//! valve sees them, the winding's currents flow into it. A sine at the grids is walked
//! through point by point (quasi-static); volts that depend on mean currents (cathode and
//! screen resistors, a single valve's resting plate) are found by the secant rule.

use gridleak::analysis::operating_point;
use gridleak::circuit::Circuit;
use gridleak::system::assemble::{Assembly, SourceState};
use gridleak::system::probe::{Moment, Observable};

/// Points of a period: room for harmonics 2 to 20.
const POINTS: usize = 64;
/// Rounds of the search for mean currents, and of that for a distortion limit.
const ROUNDS: usize = 40;
/// What an output transformer hands on: 3 % of its impedance in each winding's copper and an iron
/// loss of 25 times it, the tool's own where nothing is given.
const HANDED_ON: f64 = 0.905;

pub fn table() -> toml::Table {
    include_str!("../references/valves.toml")
        .parse()
        .expect("valves.toml is TOML")
}

pub fn number(row: &toml::Value, key: &str) -> Option<f64> {
    let value = row.get(key)?;
    value
        .as_float()
        .or_else(|| value.as_integer().map(|i| i as f64))
}

/// Mean currents of all valves of a stage, A.
#[derive(Debug, Clone, Copy)]
pub struct Mean {
    pub plate: f64,
    pub screen: f64,
}

/// A stage at full drive: mean currents (A), power in the load (W), THD (percent).
#[derive(Debug, Clone, Copy)]
pub struct Driven {
    pub plate: f64,
    pub screen: f64,
    pub watts: f64,
    pub thd: f64,
}

/// One row of the tables.
pub struct Stage {
    pub valve: String,
    pub label: String,
    pair: bool,
    /// Ohms that one valve sees while it works alone.
    load: f64,
    fixed: Option<f64>,
    rk: f64,
    /// Whether the printed volts are a supply to ground, and not from the cathode.
    grounded: bool,
    va: f64,
    vg2: f64,
    rg2: f64,
    tap: f64,
    drive: Option<f64>,
    limit: Option<f64>,
    /// The part of the plates' power that is printed.
    handed_on: f64,
}

impl Stage {
    /// Whether the row says all that is needed.
    pub fn is_whole(row: &toml::Value) -> bool {
        let has = |key| row.get(key).is_some();
        let pentode = has("vg2") || has("vg2_supply") || has("vb") || has("tap");
        has("po_w") && (pentode || !has("service"))
    }

    /// `tap`: where the screen sits on the winding, over what the row says.
    pub fn new(row: &toml::Value, tap: Option<f64>) -> Self {
        let of = |key: &str| number(row, key);
        let service = row
            .get("service")
            .and_then(|s| s.as_str())
            .unwrap_or("triode connection");
        let source = row["source"].as_str().expect("a source");
        let written = service
            .split("Rk=")
            .nth(1)
            .and_then(|rest| rest.split(' ').next()?.parse().ok());
        let rk = of("rk").or(written);
        let pair = of("raa").is_some();
        let plate = of("va").or(of("vb")).expect("plate volts");
        let strapped = tap == Some(1.0);
        let screen = of("vg2_supply").or(of("vg2")).filter(|_| !strapped);
        // Philips and Mullard print the output at 10 % (single) or 5 % (pairs) of distortion,
        // short of zero grid volts; the other makers drive the grid to the cathode.
        let limit = of("thd").filter(|thd| source.contains("Philips") && [5.0, 10.0].contains(thd));
        let bias = of("vg1").map_or(format!("{} ohm", rk.unwrap_or(0.0)), |v| format!("{v} V"));
        Stage {
            valve: row["valve"].as_str().expect("a name").to_string(),
            label: format!(
                "{service}, {plate} V, {bias}, {} ohm",
                of("raa").or(of("rl")).expect("a load")
            ),
            pair,
            load: of("raa").map_or_else(|| of("rl").expect("rl"), |raa| raa / 4.0),
            fixed: of("vg1").filter(|_| rk.is_none()),
            rk: rk.unwrap_or(0.0),
            grounded: of("va").is_none(),
            va: plate,
            vg2: screen.unwrap_or(plate),
            // With a single valve the printed screen volts are those at the screen: through
            // its 2 k, the EL34's 265 V would be 235 V, and its 100 mA no more than 70.
            rg2: of("rg2")
                .or(of("rg2_common"))
                .filter(|_| pair)
                .unwrap_or(0.0),
            tap: tap.or(of("tap")).unwrap_or(0.0),
            drive: of("drive"),
            limit,
            // The EL84's pairs are printed behind a transformer: their own currents carry more
            // (scripts/valve_fit/README.md has the figures).
            handed_on: if row["valve"].as_str() == Some("EL84")
                && pair
                && tap.or(of("tap")).is_none()
            {
                HANDED_ON
            } else {
                1.0
            },
        }
    }

    /// The same stage with another peak drive at each grid, V.
    pub fn driven_to(self, peak: f64) -> Self {
        Stage {
            drive: Some(peak),
            ..self
        }
    }

    fn bias(&self, mean: Mean) -> f64 {
        self.fixed.unwrap_or(-self.rk * (mean.plate + mean.screen))
    }

    /// The netlist at some mean currents and peak volts at each grid.
    fn netlist(&self, mean: Mean, amplitude: f64) -> String {
        let bias = self.bias(mean);
        let lift = if self.grounded { bias } else { 0.0 };
        let (va, vg2) = (self.va + lift, self.vg2 + lift - self.rg2 * mean.screen);
        let (tap, valve) = (self.tap, &self.valve);
        let mut text = format!(
            "stage\nVA a 0 {va:e}\nVS c 0 {vg2:e}\nRL w 0 {:e}\n",
            self.load
        );
        for (n, way) in (1..=if self.pair { 2 } else { 1 }).zip([1.0, -1.0]) {
            let (from, to) = if way > 0.0 { ("0", "w") } else { ("w", "0") };
            text += &format!(
                "EP{n} a x{n} w 0 {way}\nVP{n} x{n} p{n} 0\nFP{n} {from} {to} VP{n} 1\n\
                 ES{n} c y{n} w 0 {:e}\nVS{n} y{n} s{n} 0\nFS{n} {from} {to} VS{n} {tap:e}\n\
                 VG{n} g{n} 0 SIN({bias:e} {:e} 1)\nXV{n} p{n} s{n} g{n} 0 {valve}\n",
                way * tap,
                way * amplitude
            );
        }
        if !self.pair {
            text += &format!("IM w 0 {:e}\n", mean.plate + tap * mean.screen);
        }
        text + ".end\n"
    }

    /// Mean currents and the load's volts over a period.
    fn period(&self, mean: Mean, amplitude: f64, points: usize) -> (Mean, Vec<f64>) {
        let circuit = built(&self.netlist(mean, amplitude));
        let count = if self.pair { 2 } else { 1 };
        let sum = |name: &str, assembly: &mut Assembly<'_>, moment: Moment<'_>| -> f64 {
            (1..=count)
                .map(|n| {
                    let element = circuit
                        .element(&format!("{name}{n}"))
                        .expect("a sensing source");
                    Observable::current(element).read(assembly, moment)
                })
                .sum()
        };
        let load = Observable::voltage(&circuit, circuit.node("w").expect("the load"));
        let mut found = Mean {
            plate: 0.0,
            screen: 0.0,
        };
        let mut wave = Vec::new();
        for k in 0..points {
            let time = (k as f64 + 0.5) / points as f64;
            let mut assembly = Assembly::new(&circuit);
            let point = operating_point::solve(&mut assembly, SourceState::at(time), &[])
                .unwrap_or_else(|e| panic!("{e}\n{}", self.label));
            let moment = Moment {
                time: Some(time),
                x: &point.x,
                rates: None,
            };
            found.plate += sum("VP", &mut assembly, moment) / points as f64;
            found.screen += sum("VS", &mut assembly, moment) / points as f64;
            wave.push(load.read(&mut assembly, moment));
        }
        (found, wave)
    }

    /// Mean currents that keep themselves up, and the wave that goes with them.
    fn settle(&self, from: Mean, amplitude: f64, points: usize) -> (Mean, Vec<f64>) {
        let mut x = [from.plate, from.screen];
        let mut before: Option<([f64; 2], [f64; 2])> = None;
        for _ in 0..ROUNDS {
            let mean = Mean {
                plate: x[0],
                screen: x[1],
            };
            // The peak follows a bias that moves: the grid is driven to the cathode.
            let peak = if amplitude.is_nan() {
                self.bias(mean).abs()
            } else {
                amplitude
            };
            let (found, wave) = self.period(mean, peak, points);
            let miss = [found.plate - x[0], found.screen - x[1]];
            if miss[0].abs() + miss[1].abs() < 1e-7 {
                return (found, wave);
            }
            let mut next = x;
            for k in 0..2 {
                let slope = match before {
                    Some((old, was)) if (x[k] - old[k]).abs() > 1e-12 => {
                        ((miss[k] - was[k]) / (x[k] - old[k])).clamp(-8.0, -0.7)
                    }
                    Some(_) => -1.0,
                    None if self.rk > 0.0 => -4.0,
                    None => -1.0,
                };
                next[k] -= miss[k] / slope;
            }
            before = Some((x, miss));
            x = next;
        }
        panic!("{}: the mean currents do not settle", self.label);
    }

    /// Currents at rest.
    pub fn rest(&self) -> Mean {
        let each = if self.pair { 0.1 } else { 0.05 };
        let start = Mean {
            plate: each,
            screen: 0.1 * each,
        };
        self.settle(start, 0.0, 1).0
    }

    /// Full drive: to the cathode, to the printed peak, or to the printed distortion.
    pub fn driven(&self, rest: &Mean) -> Driven {
        let at = |amplitude: f64| {
            let (mean, wave) = self.settle(*rest, amplitude, POINTS);
            let power = wave.iter().map(|v| v * v).sum::<f64>() / POINTS as f64;
            let mid = wave.iter().sum::<f64>() / POINTS as f64;
            let driven = Driven {
                plate: mean.plate,
                screen: mean.screen,
                watts: self.handed_on * (power - mid * mid) / self.load,
                thd: thd_percent(&wave),
            };
            (driven, self.bias(mean).abs())
        };
        let (full, bias) = at(self.drive.unwrap_or(f64::NAN));
        let Some(limit) = self.limit.filter(|&limit| full.thd > limit) else {
            return full;
        };
        // From full drive downward: below, crossover may bring distortion back.
        let mut low = bias;
        while at(low).0.thd > limit {
            low *= 0.95;
            assert!(low > 0.2 * bias, "{}: never down to {limit} %", self.label);
        }
        let mut high = low / 0.95;
        let mut best = full;
        for _ in 0..ROUNDS {
            let middle = 0.5 * (low + high);
            best = at(middle).0;
            if (best.thd / limit - 1.0).abs() < 1e-4 {
                break;
            }
            if best.thd > limit {
                high = middle;
            } else {
                low = middle;
            }
        }
        best
    }
}

/// Plate and screen current (A) at given volts from the cathode.
pub fn currents(valve: &str, va: f64, vg2: f64, vg1: f64) -> [f64; 2] {
    let circuit = built(&format!(
        "point\nVP p 0 {va:e}\nVS s 0 {vg2:e}\nVG g 0 {vg1:e}\nXV p s g 0 {valve}\n.end\n"
    ));
    let (point, mut assembly) = operating_point::dc(&circuit).expect("a point");
    let moment = Moment {
        time: None,
        x: &point.x,
        rates: None,
    };
    ["VP", "VS"].map(|name| {
        -Observable::current(circuit.element(name).expect(name)).read(&mut assembly, moment)
    })
}

fn built(text: &str) -> Circuit {
    Circuit::from_text(text).unwrap_or_else(|why| panic!("{why}\n{text}"))
}

/// Harmonics 2 to 20 over the fundamental.
fn thd_percent(wave: &[f64]) -> f64 {
    let step = std::f64::consts::TAU / wave.len() as f64;
    let line = |h: usize| {
        let (mut c, mut s) = (0.0, 0.0);
        for (k, v) in wave.iter().enumerate() {
            let angle = step * (h * k) as f64;
            c += v * angle.cos();
            s += v * angle.sin();
        }
        c.hypot(s)
    };
    let rest: f64 = (2..=20).map(|h| line(h).powi(2)).sum();
    100.0 * rest.sqrt() / line(1)
}
