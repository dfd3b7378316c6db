//! What a kind of device is: its parameters, its pins and the parts it is made of.

use super::law::{Law, thermal_voltage};
use super::role::DeviceRole;
use std::ops::RangeInclusive;

/// A parameter of a model or of an instance.
#[derive(Debug, Clone)]
pub struct Param {
    /// Lower case.
    pub name: &'static str,
    /// What it is, in a few words.
    pub meaning: &'static str,
    /// Unit, `1` for none.
    pub unit: &'static str,
    /// Value where the model is silent; NaN where absence itself has a meaning.
    pub default: f64,
    /// What is accepted. For a parameter with words: `0..=words.len() - 1`.
    pub range: RangeInclusive<f64>,
    /// Whether the model has to give it.
    pub required: bool,
    /// Words it is written with; the value is the place of the word. Empty for a number.
    pub words: &'static [&'static str],
}

impl Param {
    /// A parameter row.
    pub const fn new(
        name: &'static str,
        meaning: &'static str,
        unit: &'static str,
        default: f64,
        range: RangeInclusive<f64>,
    ) -> Self {
        Param {
            name,
            meaning,
            unit,
            default,
            range,
            required: false,
            words: &[],
        }
    }

    /// A parameter that the model has to give.
    pub const fn required(
        name: &'static str,
        meaning: &'static str,
        unit: &'static str,
        range: RangeInclusive<f64>,
    ) -> Self {
        Param {
            required: true,
            ..Param::new(name, meaning, unit, f64::NAN, range)
        }
    }

    /// A parameter written as one of some words; `default` is the place of the word.
    pub const fn words(
        name: &'static str,
        meaning: &'static str,
        words: &'static [&'static str],
        default: usize,
    ) -> Self {
        Param {
            words,
            ..Param::new(
                name,
                meaning,
                "1",
                default as f64,
                0.0..=(words.len() - 1) as f64,
            )
        }
    }
}

/// Where a part is fixed: a terminal of the device or a node inside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pin {
    /// The n-th terminal.
    T(usize),
    /// The n-th inner node.
    Inner(usize),
    /// Node 0, whatever the device is connected to: what magnetic quantities are counted from.
    Ground,
}

/// Turns of wire: a current of its own, with resistance and leakage inductance, and the
/// turns that couple it to a core. With v the voltage of the core's pin (volts of a winding of
/// one turn) and i the current from `from` to `to`,
///
/// ```text
/// v(from) - v(to) = turns v + ohms i + henries di/dt
/// ```
///
/// and `turns` i flows into the core's pin: the ideal transformer, which neither takes nor
/// gives power. Turns may be counted in any unit, such as those of the whole primary.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Winding {
    /// The dotted end.
    pub from: Pin,
    /// The other end.
    pub to: Pin,
    /// Resistance of the wire.
    pub ohms: f64,
    /// Inductance that no other winding shares.
    pub henries: f64,
    /// The core's pin and the turns round it, if there is a core.
    pub core: Option<(Pin, f64)>,
}

/// A piece a device is made of. Currents flow from the first pin into the part.
#[derive(Debug)]
pub enum Part {
    /// Ohms between two pins.
    Resistance(Pin, Pin, f64),
    /// Farads between two pins.
    Capacitance(Pin, Pin, f64),
    /// Turns of wire, an inductance or both.
    Winding(Winding),
    /// A current of `siemens` times v of the first pair, through the part from the first
    /// to the second pin of the second pair.
    Transfer {
        /// What is sensed.
        sense: (Pin, Pin),
        /// Where the current flows.
        sink: (Pin, Pin),
        /// Amperes for each volt.
        siemens: f64,
    },
    /// A law whose controls are voltages `v(a) - v(b)` and whose outputs are currents
    /// that leave the circuit at the first pin and return at the second.
    Law {
        /// Control voltages.
        controls: Vec<(Pin, Pin)>,
        /// Output ports.
        outputs: Vec<(Pin, Pin)>,
        /// The law.
        law: Box<dyn Law>,
    },
}

/// A number a device can report at an operating point, in words of the trade.
#[derive(Debug, Clone, Copy)]
pub struct Readout {
    /// `plate current`
    pub name: &'static str,
    /// Which output of which law: index into `Device::parts`, index of the output.
    pub output: (usize, usize),
}

/// A maximum from the data sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rating {
    /// The quantity it is for, e.g. `plate dissipation`.
    pub quantity: &'static str,
    /// Base unit.
    pub max: f64,
}

/// A device as built from its model and instance parameters.
#[derive(Debug, Default)]
pub struct Device {
    /// How many nodes it has inside.
    pub inner: usize,
    /// What it is made of.
    pub parts: Vec<Part>,
    /// What it can report.
    pub readings: Vec<Readout>,
    /// Its ratings.
    pub limits: Vec<Rating>,
    /// What it needs about it: `max` is then the least that will do, or what it is made for.
    pub needs: Vec<Rating>,
    /// The discrete state it wakes up in, for the laws that have one.
    pub memory: f64,
}

/// Parameters of one instance: values by the order of the kind's tables.
#[derive(Debug, Clone)]
pub struct Given<'a> {
    /// The kind whose tables the values follow.
    pub kind: &'static Kind,
    /// Model parameters; NaN where not given and without default.
    pub model: &'a [f64],
    /// Instance parameters; NaN likewise.
    pub instance: &'a [f64],
    /// Degrees Celsius.
    pub celsius: f64,
}

impl Given<'_> {
    /// A model parameter by name.
    ///
    /// # Panics
    /// On a name that the kind does not have.
    pub fn model(&self, name: &str) -> f64 {
        self.model[index(self.kind.model_params, name)]
    }

    /// An instance parameter by name.
    ///
    /// # Panics
    /// On a name that the kind does not have.
    pub fn instance(&self, name: &str) -> f64 {
        self.instance[index(self.kind.instance_params, name)]
    }

    /// The ratings that the model gives, by parameter name and quantity.
    pub(super) fn limits(&self, table: &[(&str, &'static str)]) -> Vec<Rating> {
        table
            .iter()
            .map(|&(name, quantity)| Rating {
                quantity,
                max: self.model(name),
            })
            .filter(|limit| !limit.max.is_nan())
            .collect()
    }

    /// The linear capacitances that the model gives, by parameter name and pins.
    pub(super) fn capacitances(&self, table: &[(&str, Pin, Pin)]) -> Vec<Part> {
        table
            .iter()
            .map(|&(name, a, b)| (a, b, self.model(name)))
            .filter(|&(.., farads)| farads > 0.0)
            .map(|(a, b, farads)| Part::Capacitance(a, b, farads))
            .collect()
    }

    /// Thermal voltage kT/q in V: 0.0258649 at 27 C.
    pub fn vt(&self) -> f64 {
        thermal_voltage(self.celsius)
    }
}

pub(super) fn index(table: &[Param], name: &str) -> usize {
    table
        .iter()
        .position(|p| p.name == name)
        .unwrap_or_else(|| panic!("no parameter `{name}`"))
}

/// A kind of device: the letter of its line, its tables and how it is built.
#[derive(Debug)]
pub struct Kind {
    /// Model kind as on the `.model` statement (`d`, `npn`, `triode`); lower case.
    pub name: &'static str,
    /// Letter of its line, upper case.
    pub letter: char,
    /// A line for help and README.
    pub title: &'static str,
    /// What it is in a circuit.
    pub role: DeviceRole,
    /// Terminals in the order of its line.
    pub terminals: &'static [&'static str],
    /// How many of the last terminals may be left out; they are then at ground.
    pub optional: usize,
    /// Pairs of terminals between which direct current can pass, for the topology checks.
    pub dc_paths: &'static [(usize, usize)],
    /// Parameters of the `.model` statement.
    pub model_params: &'static [Param],
    /// Parameters on the part's line.
    pub instance_params: &'static [Param],
    /// Model and instance parameters in, parts out.
    pub build: fn(&Given<'_>) -> Device,
}
