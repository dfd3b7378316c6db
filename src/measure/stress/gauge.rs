//! What is read of each part while a circuit goes through its states: watts, volts and amperes,
//! each as a mean, a root mean square and its two extremes.

use crate::circuit::{Node, Port};
use crate::math::crests::Crests;
use crate::system::assemble::Assembly;
use crate::system::probe::{self, Moment};

/// A quantity of a moment.
#[derive(Debug, Clone)]
pub(super) enum Read {
    /// From the first node to the second, V.
    Volts(Node, Node),
    /// Through ports, each with its sign, A.
    Amperes(Vec<(Port, f64)>),
    /// Outputs of laws, added, A: what an electrode draws without its capacitances.
    Drawn(Vec<(usize, usize)>),
    /// Volts from the first node to the second, times the outputs of laws, W.
    Heat(Node, Node, Vec<(usize, usize)>),
    /// Heat of ports' currents, each in its own ohms, W.
    Heated(Vec<(Port, f64)>),
    /// Volts times amperes of all ports, W.
    Power(Vec<Port>),
    /// Volts from the first node to the second, times the amperes through ports, each with its sign, W.
    Taken(Node, Node, Vec<(Port, f64)>),
    /// The largest volts between any two of some nodes, V.
    Widest(Vec<Node>),
}

impl Read {
    fn at(&self, assembly: &mut Assembly<'_>, moment: Moment<'_>) -> f64 {
        let volts = |assembly: &Assembly<'_>, node: Node| assembly.unknowns.voltage(moment.x, node);
        let drawn = |assembly: &mut Assembly<'_>, laws: &[(usize, usize)]| -> f64 {
            laws.iter()
                .map(|&(law, output)| assembly.law_currents(law, moment.x).i[output])
                .sum()
        };
        match self {
            Read::Volts(a, b) => volts(assembly, *a) - volts(assembly, *b),
            Read::Amperes(ports) => amperes(assembly, moment, ports),
            Read::Taken(a, b, ports) => {
                (volts(assembly, *a) - volts(assembly, *b)) * amperes(assembly, moment, ports)
            }
            Read::Drawn(laws) => drawn(assembly, laws),
            Read::Heat(a, b, laws) => {
                (volts(assembly, *a) - volts(assembly, *b)) * drawn(assembly, laws)
            }
            Read::Heated(ports) => ports
                .iter()
                .map(|(port, ohms)| {
                    let amperes = probe::current(assembly, moment, port);
                    ohms * amperes * amperes
                })
                .sum(),
            Read::Power(ports) => ports
                .iter()
                .map(|port| {
                    let across = volts(assembly, port.nodes.0) - volts(assembly, port.nodes.1);
                    across * probe::current(assembly, moment, port)
                })
                .sum(),
            Read::Widest(nodes) => {
                let all = nodes.iter().map(|&n| volts(assembly, n));
                let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                    (l.min(v), h.max(v))
                });
                high - low
            }
        }
    }
}

fn amperes(assembly: &mut Assembly<'_>, moment: Moment<'_>, ports: &[(Port, f64)]) -> f64 {
    let each = ports.iter();
    each.map(|(port, sign)| sign * probe::current(assembly, moment, port))
        .sum()
}

/// What is made of the moments of a period.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Statistic {
    /// The mean: what heats, and what a meter for direct current shows.
    Mean,
    /// The root of the mean square, direct current included.
    Rms,
    /// The root of the mean square without direct current.
    Alternating,
    /// The largest value without its sign.
    Peak,
    /// The most negative value, without its sign; 0 if it never is.
    Reverse,
    /// The greatest value.
    Highest,
}

/// One quantity over a period.
#[derive(Debug, Clone)]
struct Meter {
    read: Read,
    sum: f64,
    squares: f64,
    crests: Crests,
}

impl Meter {
    fn new(read: Read) -> Self {
        Meter {
            read,
            sum: 0.0,
            squares: 0.0,
            crests: Crests::default(),
        }
    }

    fn value(&self, statistic: Statistic) -> f64 {
        match statistic {
            Statistic::Mean => self.sum,
            Statistic::Rms => self.squares.max(0.0).sqrt(),
            Statistic::Alternating => (self.squares - self.sum * self.sum).max(0.0).sqrt(),
            Statistic::Peak => self.crests.high.abs().max(self.crests.low.abs()),
            Statistic::Reverse => (-self.crests.low).max(0.0),
            Statistic::Highest => self.crests.high,
        }
    }
}

/// A figure of a part, and which meter and statistic give it.
#[derive(Debug, Clone)]
pub(super) struct Wanted {
    /// By its place among the circuit's elements.
    pub element: usize,
    /// In words: `dissipation`, `peak voltage` ...
    pub quantity: &'static str,
    /// V, A or W.
    pub unit: &'static str,
    /// The most that is allowed, if the model or a comment says.
    pub limit: Option<f64>,
    /// Whether it is only for valves that draw: cold ones stand more.
    pub warm: bool,
    meter: usize,
    statistic: Statistic,
    /// What the meter's figure is multiplied by.
    factor: f64,
}

/// Meters on all parts of a circuit.
#[derive(Debug, Clone, Default)]
pub(super) struct Gauge {
    meters: Vec<Meter>,
    /// What they are to show, in the order of the netlist.
    pub wanted: Vec<Wanted>,
}

impl Gauge {
    /// Reads a moment at a time, s, which only rises; `weight` is its part of the period.
    pub fn look(
        &mut self,
        assembly: &mut Assembly<'_>,
        moment: Moment<'_>,
        (time_s, weight): (f64, f64),
    ) {
        for meter in &mut self.meters {
            let value = meter.read.at(assembly, moment);
            meter.sum += weight * value;
            meter.squares += weight * value * value;
            meter.crests.take(time_s, value);
        }
    }

    /// The figures, in the order of [`wanted`](Self::wanted).
    pub fn values(&self) -> Vec<f64> {
        let of = |w: &Wanted| w.factor * self.meters[w.meter].value(w.statistic);
        self.wanted.iter().map(of).collect()
    }

    /// Leaves out all figures but some, and the meters that these do not need.
    pub fn only(&mut self, mut keeps: impl FnMut(&Wanted) -> bool) {
        self.wanted.retain(&mut keeps);
        let mut kept = Vec::new();
        for wanted in &mut self.wanted {
            let at = kept.iter().position(|&meter| meter == wanted.meter);
            wanted.meter = at.unwrap_or_else(|| {
                kept.push(wanted.meter);
                kept.len() - 1
            });
        }
        self.meters = kept
            .iter()
            .map(|&meter| self.meters[meter].clone())
            .collect();
    }

    /// Puts a meter on, and gives its number.
    pub fn meter(&mut self, read: Read) -> usize {
        self.meters.push(Meter::new(read));
        self.meters.len() - 1
    }

    /// Has a meter show a figure.
    pub fn show(
        &mut self,
        element: usize,
        (meter, statistic): (usize, Statistic),
        (quantity, unit): (&'static str, &'static str),
        limit: Option<f64>,
    ) {
        self.wanted.push(Wanted {
            element,
            quantity,
            unit,
            limit,
            warm: false,
            meter,
            statistic,
            factor: 1.0,
        });
    }

    /// Has the last figure shown only where valves draw.
    pub fn when_warm(&mut self) {
        if let Some(last) = self.wanted.last_mut() {
            last.warm = true;
        }
    }

    /// Shows the last figure multiplied by a factor.
    pub fn times(&mut self, factor: f64) {
        if let Some(last) = self.wanted.last_mut() {
            last.factor = factor;
        }
    }
}
