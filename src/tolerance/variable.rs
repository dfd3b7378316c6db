//! One number of the circuit that may be off, and how far.

use crate::math::normal;
use crate::netlist::statement::Tolerance;

/// How values lie within their tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Shape {
    /// Everywhere alike.
    #[default]
    Uniform,
    /// A third of the tolerance is the deviation, cut off at the tolerance; where the sides
    /// differ, each side by itself.
    Normal,
}

impl Shape {
    /// How far off the nominal value a number between 0 and 1 stands for.
    pub fn off(self, range: Tolerance, number: f64) -> f64 {
        match self {
            Shape::Uniform => range.low + number * (range.high - range.low),
            Shape::Normal => {
                let beyond = normal::below(-3.0);
                let z = normal::quantile(beyond + number * (1.0 - 2.0 * beyond));
                z / 3.0 * if z < 0.0 { -range.low } else { range.high }
            }
        }
    }

    /// The deviation of values within a range.
    pub fn deviation(self, range: Tolerance) -> f64 {
        match self {
            Shape::Uniform => (range.high - range.low) / 12f64.sqrt(),
            // Of a normal distribution cut off at three deviations; sides of different width
            // make a mean of their own.
            Shape::Normal => {
                let (low, high) = (-range.low / 3.0, range.high / 3.0);
                let square = 0.973_330_1 * 0.5 * (low * low + high * high);
                let mean = 0.397_615_7 * (high - low);
                (square - mean * mean).max(0.0).sqrt()
            }
        }
    }
}

/// What sort of part it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// R.
    Resistor,
    /// C.
    Capacitor,
    /// L.
    Inductor,
    /// A pot's track or taper.
    Pot,
    /// Output and mains transformers and chokes.
    Transformer,
    /// Valves.
    Valve,
    /// What comes out of the wall.
    Mains,
    /// Another source.
    Source,
    /// The temperature of everything.
    Temperature,
    /// Another device's parameter.
    Other,
}

impl Class {
    /// As `--tol` and the list have it.
    pub fn name(self) -> &'static str {
        match self {
            Class::Resistor => "R",
            Class::Capacitor => "C",
            Class::Inductor => "L",
            Class::Pot => "pot",
            Class::Transformer => "transformer",
            Class::Valve => "valve",
            Class::Mains => "mains",
            Class::Source => "source",
            Class::Temperature => "temperature",
            Class::Other => "part",
        }
    }
}

/// Those that a rule may name.
pub const CLASSES: [Class; 7] = [
    Class::Resistor,
    Class::Capacitor,
    Class::Inductor,
    Class::Pot,
    Class::Transformer,
    Class::Valve,
    Class::Mains,
];

/// Where a range comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// What is usual.
    Default(&'static str),
    /// The part's own line.
    Line,
    /// The command line.
    Option,
}

/// What a variable moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// An element's own value, or all that a source gives.
    Value,
    /// A model parameter by its place, times the value.
    Times(usize),
    /// A model parameter by its place, plus the value.
    Plus(usize),
    /// An instance parameter by its place, times the value.
    InstanceTimes(usize),
    /// A valve's current at the same volts.
    Current,
    /// Its amplification factor at the same current.
    Mu,
    /// The temperature of everything, plus the value, degrees.
    Celsius,
}

/// One number of the circuit that may be off.
#[derive(Debug, Clone, PartialEq)]
pub struct Variable {
    /// `R1`, `XV1A.current`, `XVOL.mid`.
    pub name: String,
    /// What sort of part.
    pub class: Class,
    /// Which element; none for the temperature.
    pub element: Option<usize>,
    /// What of it.
    pub target: Target,
    /// How far it may be off: a part of itself, or V or degrees where `unit` says so.
    pub range: Tolerance,
    /// `V` or `C` if the range is an amount and no part.
    pub unit: Option<&'static str>,
    /// As drawn, in its base unit; NaN where there is not a single number.
    pub drawn: f64,
    /// Where the range comes from.
    pub origin: Origin,
    /// Its part, an index into `Variables::parts`.
    pub part: usize,
    /// Its own independent number, an index into `Variables::draws`.
    pub own: usize,
    /// That of its bottle, and the correlation of two sections of one bottle.
    pub shared: Option<(usize, f64)>,
}

impl Variable {
    /// The value of the amplifier as drawn.
    pub fn nominal(&self) -> f64 {
        if self.unit.is_some() { 0.0 } else { 1.0 }
    }

    /// The least and the greatest value.
    pub fn ends(&self) -> (f64, f64) {
        let at = self.nominal();
        (at + self.range.low, at + self.range.high)
    }
}
