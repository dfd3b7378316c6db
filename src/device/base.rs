//! Bases: which pin of a bottle carries what, under the basing designations of the RETMA and
//! EIA, which fix the pins as well as the socket.
//!
//! Sources: tests/references/valves_more.toml, `[[base]]` rows, which say of each valve whether
//! its sheet was seen; the designations of bases that a row gives without one are from memory.
//! A model names its base (`base=9a`), so whoever writes a model of his own bottle can too.

use super::kind::Param;

/// What a pin is connected to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// A terminal of the valve's line by its name there: plate, plate1, screen, grid, cathode.
    Terminal(&'static str),
    /// The suppressor grid, where it is not joined to the cathode inside.
    Suppressor,
    /// One end of the heater.
    Heater,
    /// One end of a filament, which is the cathode too.
    Filament,
    /// One end of the heater, joined to the cathode inside.
    HeaterCathode,
    /// The middle of the heater.
    HeaterTap,
    /// A screen between the sections, or round the valve: to ground.
    Shield,
    /// Connected inside or not at all: leave it free.
    Free,
}

/// A pin; number 0 is the cap on top.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PinUse {
    /// Counted clockwise from the key or the gap, seen from below.
    pub pin: u8,
    /// What it carries.
    pub role: Role,
    /// Which section of the bottle it belongs to, from 1; 0 is shared by all.
    pub section: u8,
}

/// A base.
#[derive(Debug)]
pub struct Base {
    /// Its designation, upper case: `9A`.
    pub name: &'static str,
    /// The socket it goes into.
    pub socket: Socket,
    /// Its pins in order; pins that are missing or free are left out.
    pub pins: &'static [PinUse],
}

/// A socket.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Socket {
    /// Eight pins round a key.
    Octal,
    /// Nine pins on glass.
    Noval,
    /// Seven pins on glass.
    Miniature,
    /// Four pins, two of them thick.
    FourPin,
    /// Five pins.
    FivePin,
}

impl Socket {
    /// How it is called.
    pub const fn name(self) -> &'static str {
        match self {
            Socket::Octal => "octal, 8 pins",
            Socket::Noval => "noval (B9A), 9 pins",
            Socket::Miniature => "miniature (B7G), 7 pins",
            Socket::FourPin => "4 pins (UX4)",
            Socket::FivePin => "5 pins (UX5)",
        }
    }

    /// Whether its first and last pin are thicker than the others, which is all that tells how it
    /// is turned. (From memory: 0.156 and 0.125 in.)
    pub const fn has_thick_pins(self) -> bool {
        matches!(self, Socket::FourPin)
    }

    /// How many pins there is room for.
    pub const fn pins(self) -> u8 {
        match self {
            Socket::Octal => 8,
            Socket::Noval => 9,
            Socket::Miniature => 7,
            Socket::FourPin => 4,
            Socket::FivePin => 5,
        }
    }
}

impl Base {
    /// The sections that have exactly these terminals, in their order in the bottle.
    pub fn sections(&self, terminals: &[&str]) -> Vec<u8> {
        let last = self.pins.iter().map(|p| p.section).max().unwrap_or(0);
        (1..=last)
            .filter(|&section| {
                let own = |name: &str| !self.of(section, name).is_empty();
                let grids = ["grid", "screen"];
                terminals.iter().all(|t| own(t))
                    && grids.iter().all(|g| own(g) == terminals.contains(g))
            })
            .collect()
    }

    /// The pins of one terminal of a section, shared ones included. The cathode of a valve with
    /// a filament is the filament.
    pub fn of(&self, section: u8, terminal: &str) -> Vec<u8> {
        let carries = |role: Role| match role {
            Role::Terminal(name) => name == terminal,
            Role::Filament | Role::HeaterCathode => terminal == "cathode",
            _ => false,
        };
        self.pins
            .iter()
            .filter(|p| carries(p.role) && (p.section == section || p.section == 0))
            .map(|p| p.pin)
            .collect()
    }

    /// The pins of the heater or filament, its middle left out.
    pub fn heater(&self) -> Vec<u8> {
        let heats = |role| matches!(role, Role::Heater | Role::Filament | Role::HeaterCathode);
        let pins = self.pins.iter().filter(|p| heats(p.role));
        pins.map(|p| p.pin).collect()
    }

    /// Whether the heater and the cathode are one inside, or joined: nothing stands between them.
    pub fn joins_heater(&self) -> bool {
        let joined = |role| matches!(role, Role::Filament | Role::HeaterCathode);
        self.pins.iter().any(|p| joined(p.role))
    }

    /// Whether the cathode is the filament itself.
    pub fn is_directly_heated(&self) -> bool {
        self.pins.iter().any(|p| p.role == Role::Filament)
    }

    /// The pin of the heater's middle.
    pub fn heater_tap(&self) -> Option<u8> {
        let tap = self.pins.iter().find(|p| p.role == Role::HeaterTap);
        tap.map(|p| p.pin)
    }
}

const PLATE: Role = Role::Terminal("plate");
const PLATE1: Role = Role::Terminal("plate1");
const PLATE2: Role = Role::Terminal("plate2");
const SCREEN: Role = Role::Terminal("screen");
const GRID: Role = Role::Terminal("grid");
const CATHODE: Role = Role::Terminal("cathode");

const fn pin(pin: u8, role: Role, section: u8) -> PinUse {
    PinUse { pin, role, section }
}

const fn heater(number: u8) -> PinUse {
    pin(number, Role::Heater, 0)
}

/// Plate, grid and cathode of one triode.
const fn triode(section: u8, [plate, grid, cathode]: [u8; 3]) -> [PinUse; 3] {
    [
        pin(plate, PLATE, section),
        pin(grid, GRID, section),
        pin(cathode, CATHODE, section),
    ]
}

/// A double triode on nine pins, the ninth as said: the first section stands on 6, 7 and 8.
const fn double_noval(ninth: Role) -> [PinUse; 9] {
    let ([a2, g2, k2], [a1, g1, k1]) = (triode(2, [1, 2, 3]), triode(1, [6, 7, 8]));
    [
        a2,
        g2,
        k2,
        heater(4),
        heater(5),
        a1,
        g1,
        k1,
        pin(9, ninth, 0),
    ]
}

/// A pentode on an octal base: 3, 4, 5 and 8 with the heater on 2 and 7.
const fn octal_pentode(first: Role) -> [PinUse; 7] {
    [
        pin(1, first, 1),
        heater(2),
        pin(3, PLATE, 1),
        pin(4, SCREEN, 1),
        pin(5, GRID, 1),
        heater(7),
        pin(8, CATHODE, 1),
    ]
}

/// A rectifier on an octal base, its cathode on 8.
const fn octal_rectifier(second: Role, eighth: Role) -> [PinUse; 4] {
    [
        pin(2, second, 0),
        pin(4, PLATE2, 1),
        pin(6, PLATE1, 1),
        pin(8, eighth, 0),
    ]
}

const TRIODES_9A: [PinUse; 9] = double_noval(Role::HeaterTap);
const TRIODES_9AJ: [PinUse; 9] = double_noval(Role::Shield);
const PENTODE_7AC: [PinUse; 7] = octal_pentode(Role::Free);
const PENTODE_8EP: [PinUse; 7] = octal_pentode(Role::Suppressor);
const RECTIFIER_5DA: [PinUse; 4] = octal_rectifier(Role::Heater, Role::HeaterCathode);
const RECTIFIER_5T: [PinUse; 4] = octal_rectifier(Role::Filament, Role::Filament);

/// Every base, in the order of [`WORDS`] without its first.
pub const BASES: &[Base] = &[
    Base {
        name: "9A",
        socket: Socket::Noval,
        pins: &TRIODES_9A,
    },
    Base {
        name: "9AJ",
        socket: Socket::Noval,
        pins: &TRIODES_9AJ,
    },
    Base {
        name: "8BD",
        socket: Socket::Octal,
        pins: &[
            pin(1, GRID, 2),
            pin(2, PLATE, 2),
            pin(3, CATHODE, 2),
            pin(4, GRID, 1),
            pin(5, PLATE, 1),
            pin(6, CATHODE, 1),
            heater(7),
            heater(8),
        ],
    },
    Base {
        name: "8S",
        socket: Socket::Octal,
        pins: &[
            pin(1, Role::Shield, 0),
            pin(2, PLATE, 2),
            pin(3, GRID, 2),
            pin(4, GRID, 1),
            pin(5, PLATE, 1),
            pin(6, CATHODE, 0),
            heater(7),
            heater(8),
        ],
    },
    Base {
        name: "7AC",
        socket: Socket::Octal,
        pins: &PENTODE_7AC,
    },
    Base {
        name: "7S",
        socket: Socket::Octal,
        pins: &PENTODE_7AC,
    },
    Base {
        name: "8EP",
        socket: Socket::Octal,
        pins: &PENTODE_8EP,
    },
    Base {
        name: "9CV",
        socket: Socket::Noval,
        pins: &[
            pin(2, GRID, 1),
            pin(3, CATHODE, 1),
            heater(4),
            heater(5),
            pin(7, PLATE, 1),
            pin(9, SCREEN, 1),
        ],
    },
    Base {
        name: "8KG",
        socket: Socket::Octal,
        pins: &[
            heater(2),
            pin(3, PLATE, 1),
            pin(4, SCREEN, 1),
            pin(5, CATHODE, 1),
            pin(6, GRID, 1),
            heater(7),
            pin(8, SCREEN, 1),
        ],
    },
    Base {
        name: "8HY",
        socket: Socket::Octal,
        pins: &[
            pin(1, SCREEN, 1),
            heater(2),
            pin(3, PLATE, 1),
            pin(4, SCREEN, 1),
            pin(5, GRID, 1),
            pin(6, GRID, 1),
            heater(7),
            pin(8, CATHODE, 1),
        ],
    },
    Base {
        name: "7BZ",
        socket: Socket::Miniature,
        pins: &[
            pin(1, GRID, 1),
            pin(2, CATHODE, 1),
            heater(3),
            heater(4),
            pin(5, PLATE, 1),
            pin(6, SCREEN, 1),
            pin(7, GRID, 1),
        ],
    },
    Base {
        name: "7BK",
        socket: Socket::Miniature,
        pins: &[
            pin(1, GRID, 1),
            pin(2, Role::Suppressor, 1),
            heater(3),
            heater(4),
            pin(5, PLATE, 1),
            pin(6, SCREEN, 1),
            pin(7, CATHODE, 1),
        ],
    },
    Base {
        name: "9CQ",
        socket: Socket::Noval,
        pins: &[
            pin(1, SCREEN, 1),
            pin(2, Role::Shield, 0),
            pin(3, CATHODE, 1),
            heater(4),
            heater(5),
            pin(6, PLATE, 1),
            pin(7, Role::Shield, 0),
            pin(8, Role::Suppressor, 1),
            pin(9, GRID, 1),
        ],
    },
    Base {
        name: "9AD",
        socket: Socket::Noval,
        pins: &[
            pin(1, GRID, 1),
            pin(3, CATHODE, 1),
            heater(4),
            heater(5),
            pin(7, PLATE, 1),
            pin(8, SCREEN, 1),
            pin(9, Role::Suppressor, 1),
        ],
    },
    Base {
        name: "9EX",
        socket: Socket::Noval,
        pins: &[
            pin(1, GRID, 1),
            pin(2, CATHODE, 2),
            pin(3, GRID, 2),
            heater(4),
            heater(5),
            pin(6, PLATE, 2),
            pin(7, SCREEN, 2),
            pin(8, CATHODE, 1),
            pin(9, PLATE, 1),
        ],
    },
    Base {
        name: "9LZ",
        socket: Socket::Noval,
        pins: &[
            pin(1, GRID, 1),
            pin(2, CATHODE, 1),
            pin(3, SCREEN, 2),
            heater(4),
            heater(5),
            pin(6, PLATE, 2),
            pin(7, CATHODE, 2),
            pin(8, GRID, 2),
            pin(9, PLATE, 1),
        ],
    },
    Base {
        name: "5AW",
        socket: Socket::FivePin,
        pins: &[
            pin(0, PLATE, 1),
            heater(1),
            pin(2, SCREEN, 1),
            pin(3, GRID, 1),
            pin(4, CATHODE, 1),
            heater(5),
        ],
    },
    Base {
        name: "4D",
        socket: Socket::FourPin,
        pins: &[
            pin(1, Role::Filament, 0),
            pin(2, PLATE, 1),
            pin(3, GRID, 1),
            pin(4, Role::Filament, 0),
        ],
    },
    Base {
        name: "9M",
        socket: Socket::Noval,
        pins: &[
            pin(1, PLATE2, 1),
            pin(3, CATHODE, 1),
            heater(4),
            heater(5),
            pin(7, PLATE1, 1),
        ],
    },
    Base {
        name: "5BS",
        socket: Socket::Miniature,
        pins: &[
            pin(1, PLATE2, 1),
            heater(3),
            heater(4),
            pin(6, PLATE1, 1),
            pin(7, CATHODE, 1),
        ],
    },
    Base {
        name: "5L",
        socket: Socket::Octal,
        pins: &RECTIFIER_5DA,
    },
    Base {
        name: "5DA",
        socket: Socket::Octal,
        pins: &RECTIFIER_5DA,
    },
    Base {
        name: "5T",
        socket: Socket::Octal,
        pins: &RECTIFIER_5T,
    },
];

/// The words of the parameter `base`.
pub const WORDS: &[&str] = &[
    "none", "9a", "9aj", "8bd", "8s", "7ac", "7s", "8ep", "9cv", "8kg", "8hy", "7bz", "7bk", "9cq",
    "9ad", "9ex", "9lz", "5aw", "4d", "9m", "5bs", "5l", "5da", "5t",
];

/// The base that a value of the parameter `base` stands for.
pub fn of_value(value: f64) -> Option<&'static Base> {
    // The value is the place of a word, or NaN.
    let place = value as usize;
    place.checked_sub(1).and_then(|k| BASES.get(k))
}

/// The model parameter `base`.
pub const BASE: Param = Param::words("base", "basing designation", WORDS, 0);
/// The model parameter `vh`.
pub const VH: Param = Param::new("vh", "heater voltage", "V", f64::NAN, 0.1..=1e3);
/// The model parameter `ih`.
pub const IH: Param = Param::new(
    "ih",
    "heater current of the bottle at vh",
    "A",
    f64::NAN,
    1e-3..=1e2,
);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::REGISTRY;

    #[test]
    fn every_word_names_its_base() {
        assert_eq!(WORDS.len(), BASES.len() + 1);
        for (word, base) in WORDS[1..].iter().zip(BASES) {
            assert_eq!(*word, base.name.to_lowercase());
        }
        assert!(of_value(0.0).is_none() && of_value(f64::NAN).is_none());
        assert_eq!(of_value(1.0).map(|b| b.name), Some("9A"));
    }

    #[test]
    fn every_base_has_two_heater_pins_and_serves_a_kind_of_valve() {
        for base in BASES {
            assert_eq!(base.heater().len(), 2, "{}", base.name);
            let most = base.socket.pins();
            assert!(base.pins.iter().all(|p| p.pin <= most), "{}", base.name);
            let mut numbers: Vec<u8> = base.pins.iter().map(|p| p.pin).collect();
            numbers.sort_unstable();
            numbers.dedup();
            assert_eq!(numbers.len(), base.pins.len(), "{}", base.name);
            let serves = REGISTRY
                .iter()
                .filter(|k| k.model_params.iter().any(|p| p.name == "base"))
                .any(|k| !base.sections(k.terminals).is_empty());
            assert!(serves, "{}", base.name);
        }
    }

    /// RCA 12AX7-A, 10-60 (seen): first section plate 6, grid 7, cathode 8; heater 4, 5, tap 9.
    #[test]
    fn the_12ax7_stands_on_its_pins() {
        let base = of_value(1.0).expect("9A");
        let triode = ["plate", "grid", "cathode"];
        assert_eq!(base.sections(&triode), [1, 2]);
        let pins = |section: u8| triode.map(|t| base.of(section, t)[0]);
        assert_eq!((pins(1), pins(2)), ([6, 7, 8], [1, 2, 3]));
        assert_eq!((base.heater(), base.heater_tap()), (vec![4, 5], Some(9)));
    }

    #[test]
    fn a_bottle_of_two_kinds_tells_its_sections_apart() {
        let base = BASES.iter().find(|b| b.name == "9EX").expect("ECL82");
        assert_eq!(base.sections(&["plate", "grid", "cathode"]), [1]);
        assert_eq!(base.sections(&["plate", "screen", "grid", "cathode"]), [2]);
    }
}
