//! The kinds of faults.

/// What may be wrong with a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The circuit is sound.
    None,
    /// A part or one of its leads makes no contact.
    Open,
    /// Two of its leads are joined.
    Short,
    /// Current gets through where none should.
    Leaky,
    /// Another value than drawn.
    WrongValue,
    /// Two parts of one kind are in each other's places.
    Interchanged,
    /// An electrolytic has lost its capacitance.
    DriedOut,
    /// A valve or transistor passes nothing.
    Dead,
    /// A valve passes too little.
    Weak,
    /// A valve's grid draws current for the gas in it.
    Gassy,
    /// Two valves are in each other's sockets.
    WrongValve,
    /// A supply is off, too low or too high.
    Supply,
    /// Two of these at once.
    TwoFaults,
}

impl Fault {
    /// As answers name it.
    pub fn word(self) -> &'static str {
        match self {
            Fault::None => "none",
            Fault::Open => "open",
            Fault::Short => "short",
            Fault::Leaky => "leaky",
            Fault::WrongValue => "wrong value",
            Fault::Interchanged => "interchanged",
            Fault::DriedOut => "dried out",
            Fault::Dead => "dead",
            Fault::Weak => "weak",
            Fault::Gassy => "gassy",
            Fault::WrongValve => "wrong valve",
            Fault::Supply => "supply",
            Fault::TwoFaults => "two faults",
        }
    }

    /// The unit of its own number; empty where that is a part of something, or it has none.
    pub fn unit(self) -> &'static str {
        match self {
            Fault::Leaky | Fault::WrongValue => "ohm",
            Fault::DriedOut => "F",
            Fault::Gassy => "A",
            Fault::Supply => "V",
            _ => "",
        }
    }

    /// Whether it may be that of one lead alone, and is looked for there.
    pub fn is_of_lead(self) -> bool {
        matches!(self, Fault::Open | Fault::Short | Fault::Leaky)
    }

    /// Whether it is of two parts that have changed places.
    pub fn is_exchange(self) -> bool {
        matches!(self, Fault::Interchanged | Fault::WrongValve)
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}
