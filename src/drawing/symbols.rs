//! The symbols, after IEC 60617: strokes about an origin, with the pins on the border of a box.
//!
//! Drawn upright, the first pin of a part with two leads at the top. Lengths in drawing units;
//! pins on the lattice. Each letter of what is drawn is ours; the standard says what belongs in a
//! symbol (rectangle for a resistor, envelope, electrodes and their order for a valve).

mod coils;
mod leads;
mod solid;
mod sources;
mod symbol;
mod valves;

pub use symbol::{Pin, Stroke, Symbol, Windings};

/// What sets a part's symbol apart from the usual one of its kind. Pins and room stay the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Look {
    /// Nothing.
    #[default]
    Usual,
    /// A capacitor with its + at the first pin.
    Polarised,
    /// A diode that is used in its breakdown.
    Zener,
    /// A valve whose filament is its cathode.
    DirectlyHeated,
    /// An inductor that is coupled to another: a dot at its first pin.
    Coupled,
}

/// What a symbol is of, with what changes its looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SymbolKind {
    /// Two leads in line.
    Resistor,
    /// Two leads in line.
    Capacitor,
    /// Two leads in line.
    Inductor,
    /// An inductor with a core.
    Choke,
    /// + at the first pin.
    VoltageSource,
    /// The arrow goes from the first to the second pin.
    CurrentSource,
    /// A controlled voltage: `controls` pairs of pins at its side.
    ControlledVoltage(usize),
    /// A controlled current likewise.
    ControlledCurrent(usize),
    /// Anode first.
    Diode,
    /// A contact that is closed (or not).
    Switch(bool),
    /// A contact with two pins that work it.
    ControlledSwitch,
    /// Top, wiper, bottom.
    Pot,
    /// Plus, minus.
    Speaker,
    /// Plate, grid, cathode.
    Triode,
    /// Plate, screen, grid, cathode.
    Pentode,
    /// Plate 1, plate 2, cathode.
    Rectifier,
    /// Collector, base, emitter and perhaps substrate; whether it is PNP.
    Bipolar(bool, bool),
    /// Drain, gate, source; whether it is a P channel.
    JunctionField(bool),
    /// Drain, gate, source, bulk; whether it is a P channel.
    Mosfet(bool),
    /// Windings on the left and on the right, each with its number of pins.
    Transformer(&'static Windings),
    /// Two coupled inductors: no pins.
    Coupling,
    /// Anything else: pins on both sides of a box.
    Block(usize),
}

/// Push-pull: plate1 centre plate2 | common tap4 tap8 tap16.
pub const PUSH_PULL: Windings = Windings {
    left: &[&[0, 1, 2]],
    right: &[&[6, 5, 4, 3]],
    taps: &[(4, "4"), (5, "8"), (6, "16")],
};
/// With screens: plate1 screen1 centre screen2 plate2 | common tap4 tap8 tap16.
pub const ULTRALINEAR: Windings = Windings {
    left: &[&[0, 1, 2, 3, 4]],
    right: &[&[8, 7, 6, 5]],
    taps: &[(6, "4"), (7, "8"), (8, "16")],
};
/// Single-ended: plate supply | common tap4 tap8 tap16; the supply's end is the upper one.
pub const SINGLE_ENDED: Windings = Windings {
    left: &[&[1, 0]],
    right: &[&[5, 4, 3, 2]],
    taps: &[(3, "4"), (4, "8"), (5, "16")],
};
/// Mains: line neutral | ht1 centre ht2, bias1 bias2.
pub const MAINS: Windings = Windings {
    left: &[&[0, 1]],
    right: &[&[2, 3, 4], &[5, 6]],
    taps: &[],
};

impl SymbolKind {
    /// The electrodes of an active part by their pins: what steers, top, bottom.
    pub fn electrodes(self) -> Option<(usize, usize, usize)> {
        match self {
            SymbolKind::Triode
            | SymbolKind::Bipolar(..)
            | SymbolKind::JunctionField(_)
            | SymbolKind::Mosfet(_) => Some((1, 0, 2)),
            SymbolKind::Pentode => Some((2, 0, 3)),
            _ => None,
        }
    }

    /// Whether it has two leads in line and may lie or stand.
    pub fn is_in_line(self) -> bool {
        use SymbolKind::*;
        matches!(
            self,
            Resistor
                | Capacitor
                | Inductor
                | Choke
                | VoltageSource
                | CurrentSource
                | ControlledVoltage(0)
                | ControlledCurrent(0)
                | Diode
                | Switch(_)
                | Speaker
        )
    }

    /// Whether it is a valve, which always stands upright.
    pub fn is_valve(self) -> bool {
        matches!(
            self,
            SymbolKind::Triode | SymbolKind::Pentode | SymbolKind::Rectifier
        )
    }

    /// Whether it has a grid, base or gate that steers it.
    pub fn is_active(self) -> bool {
        use SymbolKind::*;
        matches!(
            self,
            Triode | Pentode | Bipolar(..) | JunctionField(_) | Mosfet(_)
        )
    }

    /// The usual symbol, upright about its origin.
    pub fn symbol(self) -> Symbol {
        self.looking(Look::Usual)
    }

    /// The symbol with what sets it apart.
    pub fn looking(self, look: Look) -> Symbol {
        let filament = look == Look::DirectlyHeated;
        match self {
            SymbolKind::Resistor => leads::resistor(),
            SymbolKind::Capacitor => leads::capacitor(look == Look::Polarised),
            SymbolKind::Inductor => coils::inductor(look == Look::Coupled),
            SymbolKind::Choke => coils::choke(),
            SymbolKind::Diode => solid::diode(look == Look::Zener),
            SymbolKind::Switch(closed) => leads::switch(closed),
            SymbolKind::ControlledSwitch => leads::controlled_switch(),
            SymbolKind::Pot => leads::pot(),
            SymbolKind::Speaker => leads::speaker(),
            SymbolKind::VoltageSource => sources::independent(true),
            SymbolKind::CurrentSource => sources::independent(false),
            SymbolKind::ControlledVoltage(n) => sources::controlled(true, n),
            SymbolKind::ControlledCurrent(n) => sources::controlled(false, n),
            SymbolKind::Triode => valves::triode(filament),
            SymbolKind::Pentode => valves::pentode(filament),
            SymbolKind::Rectifier => valves::rectifier(filament),
            SymbolKind::Bipolar(pnp, substrate) => solid::bipolar(pnp, substrate),
            SymbolKind::JunctionField(p) => solid::junction_field(p),
            SymbolKind::Mosfet(p) => solid::mosfet(p),
            SymbolKind::Transformer(windings) => coils::transformer(windings),
            SymbolKind::Coupling => coils::coupling(),
            SymbolKind::Block(pins) => sources::block(pins),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drawing::geometry::Way;

    fn all() -> Vec<SymbolKind> {
        use SymbolKind::*;
        vec![
            Resistor,
            Capacitor,
            Inductor,
            Choke,
            VoltageSource,
            CurrentSource,
            ControlledVoltage(0),
            ControlledVoltage(1),
            ControlledCurrent(3),
            Diode,
            Switch(true),
            Switch(false),
            ControlledSwitch,
            Pot,
            Speaker,
            Triode,
            Pentode,
            Rectifier,
            Bipolar(false, false),
            Bipolar(true, true),
            JunctionField(false),
            JunctionField(true),
            Mosfet(false),
            Mosfet(true),
            Transformer(&PUSH_PULL),
            Transformer(&ULTRALINEAR),
            Transformer(&SINGLE_ENDED),
            Transformer(&MAINS),
            Coupling,
            Block(9),
        ]
    }

    #[test]
    fn strokes_lie_in_the_body_and_pins_on_its_border() {
        use Look::*;
        let looks = [Usual, Polarised, Zener, DirectlyHeated, Coupled];
        let all = all().into_iter();
        for (kind, look) in all.flat_map(|kind| looks.map(|look| (kind, look))) {
            let symbol = kind.looking(look);
            assert_eq!(symbol.pins, kind.symbol().pins);
            assert_eq!(symbol.body, kind.symbol().body);
            let body = symbol.body;
            let inside = |(x, y): (f64, f64)| {
                let fits = x >= body.x0 && x <= body.x1 && y >= body.y0 && y <= body.y1;
                assert!(fits, "{kind:?}: ({x}, {y}) leaves {body:?}");
            };
            for stroke in &symbol.strokes {
                match stroke {
                    Stroke::Line(p) | Stroke::Fill(p) | Stroke::Dashed(p) => {
                        p.iter().for_each(|p| inside(*p));
                    }
                    Stroke::Upright((x, y), lines) => {
                        let all = lines.iter().flatten();
                        all.for_each(|p| inside((x + p.0, y + p.1)));
                    }
                    Stroke::Curve(p) => p.iter().for_each(|p| inside(*p)),
                    Stroke::Circle((x, y), r, _) => {
                        inside((x - r, y - r));
                        inside((x + r, y + r));
                    }
                }
            }
            for pin in &symbol.pins {
                let (x, y) = pin.at.place();
                let on = match pin.way {
                    Way::East => x == body.x1,
                    Way::West => x == body.x0,
                    Way::North => y == body.y0,
                    Way::South => y == body.y1,
                };
                assert!(on, "{kind:?}: pin {pin:?} is not on {body:?}");
                inside((x, y));
            }
        }
    }
}
