//! Random circuits of every kind of device, within builders' values: netlists by a seed.

use gridleak::device::{Kind, REGISTRY};
use std::fmt::Write;

/// A small deterministic generator (multiplier: D. E. Knuth, TAOCP vol. 2, 3.3.4, line 26).
struct Chance(u64);

impl Chance {
    fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }

    fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }

    /// Evenly spread.
    fn even(&mut self, from: f64, to: f64) -> f64 {
        round(from + (to - from) * self.unit())
    }

    /// Evenly spread on a scale of decades.
    fn decades(&mut self, from: f64, to: f64) -> f64 {
        round(from * (to / from).powf(self.unit()))
    }

    fn of<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[self.below(list.len())]
    }
}

/// Three digits, so that the netlist says exactly what is meant.
fn round(value: f64) -> f64 {
    format!("{value:.2e}").parse().expect("just written")
}

/// A netlist being written.
struct Sheet {
    chance: Chance,
    text: String,
    /// Nodes that have a way to ground.
    nodes: Vec<String>,
    supplies: Vec<String>,
    /// Elements so far: their number makes names.
    count: usize,
    driven: bool,
}

/// The netlist of a seed. With `driven` the source VIN moves (a step or a sine).
pub fn netlist(seed: u64, driven: bool) -> String {
    let mut chance = Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5bd1_e995);
    for _ in 0..8 {
        chance.unit();
    }
    let mut sheet = Sheet {
        chance,
        text: format!("Generated circuit {seed}\n"),
        nodes: vec![],
        supplies: vec![],
        count: 0,
        driven,
    };
    sheet.supplies();
    let size = 3 + sheet.chance.below(10);
    for _ in 0..size {
        sheet.node();
    }
    let devices = 2 + sheet.chance.below(8);
    for k in 0..devices {
        // Every kind comes round; the rest is chance.
        let kind = match k {
            0 => REGISTRY[seed as usize % REGISTRY.len()],
            _ => sheet.chance.of(REGISTRY),
        };
        sheet.device(kind);
    }
    for _ in 0..sheet.chance.below(4) {
        sheet.source();
    }
    for _ in 0..sheet.chance.below(6) {
        sheet.passive();
    }
    sheet.finish();
    sheet.text
}

impl Sheet {
    fn line(&mut self, line: &str) {
        let _ = writeln!(self.text, "{line}");
    }

    fn number(&mut self) -> usize {
        self.count += 1;
        self.count
    }

    fn supplies(&mut self) {
        let volts = match self.chance.below(3) {
            0 => self.chance.even(9.0, 60.0),
            _ => self.chance.even(90.0, 450.0),
        };
        self.line(&format!("VB bplus 0 {volts}"));
        self.supplies.push("bplus".into());
        if self.chance.one_in(2) {
            let volts = self.chance.even(3.0, 70.0);
            self.line(&format!("VN bminus 0 -{volts}"));
            self.supplies.push("bminus".into());
        }
        let volts = self.chance.even(0.01, 5.0);
        let wave = match (self.driven, self.chance.one_in(2)) {
            (false, _) => String::new(),
            (true, true) => format!(" SIN(0 {volts} {})", self.chance.decades(80.0, 8e3)),
            (true, false) => format!(" PULSE(0 {volts} 0.2m 10u 10u 0.7m 2m)"),
        };
        self.line(&format!("VIN in 0 DC 0{wave}"));
        self.supplies.push("in".into());
        self.supplies.push("0".into());
    }

    /// A new node with a resistor to what is there.
    fn node(&mut self) -> String {
        let node = format!("n{}", self.nodes.len());
        let to = if self.nodes.is_empty() || self.chance.one_in(2) {
            self.chance.of(&self.supplies).clone()
        } else {
            self.chance.of(&self.nodes).clone()
        };
        let (k, ohms) = (self.number(), self.chance.decades(47.0, 2.2e6));
        self.line(&format!("R{k} {node} {to} {ohms}"));
        self.nodes.push(node.clone());
        node
    }

    fn somewhere(&mut self) -> String {
        if self.chance.one_in(5) {
            self.chance.of(&self.supplies).clone()
        } else {
            self.chance.of(&self.nodes).clone()
        }
    }

    /// So many different places, as far as there are enough; one supply among them at most:
    /// nobody puts a junction or a winding straight across two.
    fn places(&mut self, count: usize) -> Vec<String> {
        let mut places: Vec<String> = vec![];
        for _ in 0..count {
            let mut place = self.somewhere();
            for _ in 0..20 {
                let fed = |p: &String| self.supplies.contains(p);
                let shorts = fed(&place) && places.iter().any(fed);
                if !places.contains(&place) && !shorts {
                    break;
                }
                place = self.chance.of(&self.nodes).clone();
            }
            places.push(place);
        }
        places
    }

    /// A node with nothing but one element on it would be refused: it gets a resistor to ground.
    fn finish(&mut self) {
        let places: Vec<String> = [&self.nodes[..], &self.supplies[..]].concat();
        for place in places.iter().filter(|p| *p != "0") {
            let uses = self.text.split_whitespace().filter(|w| w == place).count();
            if uses < 2 {
                let (k, ohms) = (self.number(), self.chance.decades(1e4, 1e7));
                self.line(&format!("R{k} {place} 0 {ohms}"));
            }
        }
        self.line(".end");
    }

    fn device(&mut self, kind: &'static Kind) {
        let (k, model) = (self.number(), format!("m{}", self.count));
        if kind.name == "toggle" {
            let places = self.places(2).join(" ");
            let at = self.chance.below(2);
            self.line(&format!("X{k} {places} toggle at={at}"));
            return;
        }
        let terminals = match kind.name {
            "csw" => 2,
            _ => kind.terminals.len(),
        };
        let mut places = self.places(terminals);
        if kind.name == "csw" {
            places.push("VB".into());
        }
        let instance = match kind.name {
            "pot" => format!(" knob={}", self.chance.even(0.0, 10.0)),
            "nmos" | "pmos" => format!(
                " w={}u l={}u",
                self.chance.decades(10.0, 10e3),
                self.chance.decades(1.0, 10.0)
            ),
            _ => String::new(),
        };
        let letter = kind.letter;
        self.line(&format!(
            "{letter}{k} {} {model}{instance}",
            places.join(" ")
        ));
        let params = self.parameters(kind.name);
        self.line(&format!(".model {model} {}({params})", kind.name));
    }

    /// Parameters of parts that can be bought.
    fn parameters(&mut self, kind: &str) -> String {
        let c = &mut self.chance;
        let grid = |c: &mut Chance| {
            if c.one_in(2) {
                format!(
                    " gg={:e} cg={} xi={}",
                    c.decades(1e-4, 2e-3),
                    c.even(5.0, 15.0),
                    c.even(1.1, 1.5)
                )
            } else {
                String::new()
            }
        };
        let capacitance = |c: &mut Chance| {
            if c.one_in(2) {
                " cgp=1.7p cgk=1.6p cpk=0.5p"
            } else {
                ""
            }
        };
        match kind {
            "triode" => format!(
                "mu={} ex={} kg1={} kp={} kvb={} vct={}{}{}",
                c.decades(4.0, 110.0),
                c.even(1.2, 1.6),
                c.decades(250.0, 3000.0),
                c.decades(60.0, 600.0),
                c.decades(10.0, 2000.0),
                c.even(0.0, 0.6),
                grid(c),
                capacitance(c)
            ),
            "pentode" => format!(
                "mu={} ex={} kg1={} kg2={} kp={} kvb={}{}{}",
                c.decades(6.0, 40.0),
                c.even(1.25, 1.5),
                c.decades(400.0, 3000.0),
                c.decades(2e3, 1e4),
                c.decades(25.0, 120.0),
                c.even(5.0, 30.0),
                grid(c),
                capacitance(c)
            ),
            "output" => format!(
                "mu={} kg1={} kg2={} knee={} alphas={}{}{}",
                c.decades(5.0, 20.0),
                c.decades(250.0, 1500.0),
                c.decades(2e3, 7e3),
                c.even(4.0, 15.0),
                c.even(0.0, 4.0),
                grid(c),
                capacitance(c)
            ),
            "rectifier" => format!("perv={:e}", c.decades(1e-4, 3e-3)),
            "pushpull" | "ultralinear" => format!(
                "raa={} power={}",
                c.decades(2e3, 12e3),
                c.decades(3.0, 100.0)
            ),
            "singleended" => format!(
                "ra={} power={} idc={}",
                c.decades(2e3, 10e3),
                c.decades(2.0, 15.0),
                c.even(0.02, 0.12)
            ),
            "mains" => format!(
                "vpri={} vht={} iht={} vbias={} iron={}",
                c.of(&["120", "230"]),
                c.even(150.0, 400.0),
                c.decades(0.03, 0.4),
                c.even(20.0, 80.0),
                c.below(2)
            ),
            "choke" => format!("l={} idc={}", c.decades(0.5, 30.0), c.even(0.03, 0.3)),
            "speaker" => format!("re={}", c.even(3.0, 14.0)),
            "pot" => format!(
                "r={} taper={}",
                c.decades(1e3, 2e6),
                c.of(&["linear", "audio", "reverse"])
            ),
            "d" => {
                let zener = if c.one_in(2) {
                    format!(
                        " bv={} ibv={:e}",
                        c.decades(2.4, 200.0),
                        c.decades(1e-4, 1e-2)
                    )
                } else {
                    String::new()
                };
                format!(
                    "is={:e} n={} rs={} cjo={:e} tt=5n{zener}",
                    c.decades(1e-16, 1e-6),
                    c.even(1.0, 2.0),
                    c.decades(0.01, 10.0),
                    c.decades(1e-12, 1e-10)
                )
            }
            "npn" | "pnp" => format!(
                "is={:e} bf={} br={} vaf={} ikf={} rb={} cje=10p cjc=5p tf=0.4n",
                c.decades(1e-16, 1e-13),
                c.decades(20.0, 600.0),
                c.decades(0.5, 10.0),
                c.even(30.0, 150.0),
                c.decades(0.01, 1.0),
                c.decades(1.0, 300.0)
            ),
            "njf" | "pjf" => format!(
                "vto={} beta={:e} lambda={} cgs=3p cgd=2p",
                -c.even(0.4, 6.0),
                c.decades(1e-4, 1e-2),
                c.even(0.0, 0.05)
            ),
            "nmos" => format!(
                "vto={} kp={:e} lambda={}",
                c.even(-2.0, 4.0),
                c.decades(1e-5, 2e-4),
                c.even(0.0, 0.05)
            ),
            "pmos" => format!(
                "vto={} kp={:e} lambda={}",
                -c.even(0.5, 4.0),
                c.decades(1e-5, 2e-4),
                c.even(0.0, 0.05)
            ),
            "sw" => format!(
                "vt={} vh={} ron={} roff={:e}",
                c.even(0.2, 5.0),
                c.even(0.0, 1.0),
                c.decades(1e-3, 100.0),
                c.decades(1e6, 1e12)
            ),
            "csw" => format!(
                "it={:e} ih={:e} ron={} roff={:e}",
                -c.decades(1e-4, 1e-1),
                c.decades(1e-5, 1e-4),
                c.decades(1e-3, 100.0),
                c.decades(1e6, 1e12)
            ),
            other => panic!("say within which values builders have a `{other}`"),
        }
    }

    /// A controlled or independent source; a voltage gets a node of its own and a resistor.
    fn source(&mut self) {
        let k = self.number();
        let (a, b) = (self.somewhere(), "0");
        let (sensed, other) = (self.somewhere(), self.somewhere());
        let own = format!("o{k}");
        let gain = self.chance.even(-8.0, 3.0);
        let siemens = -self.chance.decades(1e-6, 2e-3);
        let small = self.chance.decades(1e-5, 5e-3);
        let ohms = self.chance.decades(47.0, 1e5);
        let line = match self.chance.below(11) {
            0 => format!("I{k} {b} {a} {small}"),
            1 => format!("E{k} {own} 0 {sensed} {other} {gain}"),
            // What they sense is measured in a resistor's path.
            2 => format!("VM{k} {sensed} s{k} 0\nRM{k} s{k} 0 {ohms}\nH{k} {own} 0 VM{k} {ohms}"),
            3 => format!("VM{k} {sensed} s{k} 0\nRM{k} s{k} 0 {ohms}\nF{k} {a} {b} VM{k} {gain}"),
            // Flowing out where it senses, so that it is a conductance of its own.
            4 => format!("G{k} {b} {a} {a} {b} {siemens}"),
            5 => format!("E{k} {own} 0 POLY(2) {sensed} 0 {other} 0 1 0.1 -0.2 1e-4 2e-4"),
            6 => format!("G{k} {b} {a} POLY(1) {a} {b} 0 {siemens} 0 -1e-9"),
            7 => format!("B{k} {own} 0 V={}*atan(v({sensed})/{})", gain, small * 1e4),
            8 => format!("B{k} {a} {b} I={small}*tanh2(v({a}))").replace("tanh2", "atan"),
            9 => format!("B{k} {own} 0 V=sqrt(1+v({sensed})*v({sensed}))-uramp(v({other})/50)"),
            _ => format!("B{k} {a} {b} I={small}*sinh(atan(v({a})/20))"),
        };
        let voltage = line.contains(&format!(" {own} "));
        self.line(&line);
        if voltage {
            let (k, to) = (self.number(), self.chance.of(&self.nodes).clone());
            self.line(&format!("R{k} {own} {to} {ohms}"));
        }
    }

    fn passive(&mut self) {
        let k = self.number();
        let places = self.places(2).join(" ");
        match self.chance.below(6) {
            0 | 1 => {
                let ohms = self.chance.decades(10.0, 10e6);
                self.line(&format!("R{k} {places} {ohms}"));
            }
            2 => {
                // A coil and another coupled to it, each behind its wire.
                let (one, other) = (self.somewhere(), self.somewhere());
                let henries = self.chance.decades(1e-3, 10.0);
                let ohms = self.chance.decades(1.0, 300.0);
                self.line(&format!(
                    "R{k}A {one} w{k} {ohms}\nL{k}A w{k} 0 {henries}\nR{k}B {other} x{k} {ohms}\n\
                     L{k}B x{k} 0 {henries}\nK{k} L{k}A L{k}B {}",
                    0.95
                ));
            }
            _ => {
                let farads = self.chance.decades(10e-12, 47e-6);
                self.line(&format!("C{k} {places} {farads:e}"));
            }
        }
    }
}
