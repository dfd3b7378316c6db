//! What a line of the order list holds, and how its values are written.

/// A line of the order list.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// How many.
    pub quantity: usize,
    /// `resistor`, `capacitor`, `valve` ...
    pub kind: &'static str,
    /// As a netlist writes it: `4.7k`, `22n`, `12AX7`.
    pub value: String,
    /// The value as a number, for parts that have one.
    pub number: Option<f64>,
    /// The worst stress in the group, with its unit.
    pub needs: String,
    /// The standard rating for it, with its unit; empty where none is called for or none will do.
    pub buy: String,
    /// The rating as a number.
    pub rating: Option<f64>,
    /// The parts, in the order of the netlist.
    pub names: Vec<String>,
    /// What else there is to know.
    pub notes: Vec<String>,
    /// What the stock holds of it.
    pub stock: Option<Held>,
}

impl Line {
    /// A line for parts that a netlist names.
    pub(super) fn new(kind: &'static str, value: impl Into<String>) -> Self {
        Line {
            quantity: 0,
            kind,
            value: value.into(),
            number: None,
            needs: String::new(),
            buy: String::new(),
            rating: None,
            names: Vec::new(),
            notes: Vec::new(),
            stock: None,
        }
    }

    /// All that is noted, with what the stock holds.
    pub fn note(&self) -> String {
        let stock = self.stock.as_ref().map(|held| held.text(self.quantity));
        let all = self.notes.iter().cloned().chain(stock);
        all.collect::<Vec<_>>().join("; ")
    }

    /// How many are still to be bought.
    pub fn to_buy(&self) -> usize {
        let held = self.stock.as_ref().map_or(0, |held| held.count);
        self.quantity - held.min(self.quantity)
    }
}

/// What the stock holds of a line.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// How many of them serve, never more than are wanted.
    pub count: usize,
    /// Where they are.
    pub places: Vec<String>,
}

impl Held {
    pub(super) fn text(&self, wanted: usize) -> String {
        let places = if self.places.is_empty() {
            String::new()
        } else {
            format!(" ({})", self.places.join(", "))
        };
        if self.count >= wanted {
            format!("in stock{places}")
        } else {
            format!("{} of {wanted} in stock{places}", self.count)
        }
    }
}

/// A value as a netlist writes it, in the fewest digits that read back as the same number: `4.7k`,
/// `1meg`, `22n`.
pub fn written(value: f64) -> String {
    const SCALES: [(f64, &str); 8] = [
        (1e12, "t"),
        (1e9, "g"),
        (1e6, "meg"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "u"),
        (1e-9, "n"),
    ];
    let found = SCALES.iter().find(|s| value.abs() >= 0.999_999_999 * s.0);
    let (scale, letter) = found.copied().unwrap_or((1e-12, "p"));
    // Rounded far beyond what a part is known to, so that 22e-9 is 22 n again.
    let digits = (value / scale * 1e9).round() / 1e9;
    format!("{}{letter}", crate::num::full(digits))
}

/// A stress as the list shows it: less than any part or meter knows of is nothing.
pub(super) fn show(value: f64, unit: &str) -> String {
    let least = match unit {
        "V" => 1e-3,
        "A" => 1e-9,
        _ => 1e-6,
    };
    let value = if value.abs() < least { 0.0 } else { value };
    crate::num::engineering(value, unit, 3)
}
