//! What a part is in a circuit, in the trade's words: what drawings, ratings, faults and lists
//! of parts go by, so that none of them needs to know the name of a kind.

/// What an element is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum DeviceRole {
    /// A resistor.
    Resistor,
    /// A capacitor.
    Capacitor,
    /// An inductor without iron.
    Inductor,
    /// An independent voltage source.
    VoltageSource,
    /// An independent current source.
    CurrentSource,
    /// A source that is controlled by something else in the circuit, or by an expression.
    ControlledSource,
    /// An amplifying valve: plate, grid, cathode, and a screen where it has one.
    Valve,
    /// A valve that rectifies.
    RectifierValve,
    /// A semiconductor diode.
    Diode,
    /// A bipolar or field-effect transistor.
    Transistor(Polarity),
    /// A potentiometer.
    Pot,
    /// A switch that is set by hand.
    Toggle,
    /// A switch that is worked by a voltage or a current of the circuit.
    Switch,
    /// An output transformer.
    OutputTransformer,
    /// A mains transformer.
    MainsTransformer,
    /// A choke with iron.
    Choke,
    /// A loudspeaker.
    Loudspeaker,
}

/// Which way round a transistor is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Polarity {
    /// npn or n-channel.
    N,
    /// pnp or p-channel.
    P,
}

impl DeviceRole {
    /// The role of an element that is written without a model, by the letter of its line.
    pub fn of_letter(letter: char) -> Option<DeviceRole> {
        Some(match letter {
            'R' => DeviceRole::Resistor,
            'C' => DeviceRole::Capacitor,
            'L' => DeviceRole::Inductor,
            'V' => DeviceRole::VoltageSource,
            'I' => DeviceRole::CurrentSource,
            'E' | 'F' | 'G' | 'H' | 'B' => DeviceRole::ControlledSource,
            _ => return None,
        })
    }

    /// Whether it is a valve with a heated cathode, rectifiers among them.
    pub fn is_valve(self) -> bool {
        matches!(self, DeviceRole::Valve | DeviceRole::RectifierValve)
    }

    /// Whether it lets current through one way only: a valve or semiconductor rectifier.
    pub fn rectifies(self) -> bool {
        matches!(self, DeviceRole::RectifierValve | DeviceRole::Diode)
    }

    /// Whether it is a resistance between its terminals: a resistor or a pot.
    pub fn is_resistance(self) -> bool {
        matches!(self, DeviceRole::Resistor | DeviceRole::Pot)
    }

    /// Whether it is an independent source.
    pub fn is_source(self) -> bool {
        matches!(self, DeviceRole::VoltageSource | DeviceRole::CurrentSource)
    }
}
