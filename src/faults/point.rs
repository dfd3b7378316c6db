//! Where a meter is held, and what it measures there.

use super::state::State;
use crate::circuit::Node;

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Quantity {
    /// Direct volts.
    #[default]
    Volts,
    /// Ohms to ground, everything discharged, the valves cold.
    Ohms,
    /// V of a tone per V at the source.
    Gain,
    /// What the mains leave on a supply, V from peak to peak.
    Ripple,
    /// The same as a meter's AC range shows it, V rms.
    RippleRms,
}

impl Quantity {
    /// Whether it is a ripple.
    pub fn is_ripple(self) -> bool {
        matches!(self, Quantity::Ripple | Quantity::RippleRms)
    }
}

/// Where a meter is held.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// `v(plate1)`, as the netlist writes the node.
    pub label: String,
    /// The red lead.
    pub a: Node,
    /// The black lead: ground unless said.
    pub b: Node,
    /// What is measured.
    pub quantity: Quantity,
    /// How the amplifier stands meanwhile.
    pub state: State,
}

impl Point {
    /// Whether it is direct volts of the working amplifier.
    pub fn is_plain(&self) -> bool {
        self.quantity == Quantity::Volts && self.state == State::Working
    }

    /// The unit of its readings.
    pub fn unit(&self) -> &'static str {
        match self.quantity {
            Quantity::Volts | Quantity::Ripple | Quantity::RippleRms => "V",
            Quantity::Ohms => "Ω",
            Quantity::Gain => "",
        }
    }
}
