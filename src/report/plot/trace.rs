//! What a plot shows: curves, and places marked on them.

/// One curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// What the legend calls it.
    pub name: String,
    /// `V`, `A`, `W`, `dB`, `deg` or anything else; curves of one unit share a panel.
    pub unit: String,
    /// One value for each point of the common axis; a value that is not finite is a gap.
    pub values: Vec<f64>,
    /// What the panel's axis is called, where the unit does not say it; curves of one unit and
    /// different quantities have panels of their own.
    pub quantity: String,
    /// What must not be passed, in the curve's unit: drawn as a dashed line.
    pub rating: Option<f64>,
    /// Whether each value has a dot of its own.
    pub is_dotted: bool,
    /// What gives it its colour: its name unless something else is said.
    pub family: Option<String>,
}

impl Trace {
    /// A curve in a unit.
    pub fn new(name: impl Into<String>, unit: impl Into<String>, values: Vec<f64>) -> Self {
        Trace {
            name: name.into(),
            unit: unit.into(),
            values,
            quantity: String::new(),
            rating: None,
            is_dotted: false,
            family: None,
        }
    }

    /// The same in the colour of all that belong to a family.
    pub fn in_family(self, family: impl Into<String>) -> Self {
        let family = Some(family.into());
        Trace { family, ..self }
    }

    fn coloured_by(&self) -> &str {
        self.family.as_ref().unwrap_or(&self.name)
    }

    /// The same on a panel of its own quantity.
    pub fn of(self, quantity: impl Into<String>) -> Self {
        let quantity = quantity.into();
        Trace { quantity, ..self }
    }

    /// The same with a dot at each value and what it must not pass.
    pub fn dotted(self, rating: Option<f64>) -> Self {
        Trace {
            rating,
            is_dotted: true,
            ..self
        }
    }

    /// The curve of a probe expression, whose first letter tells the unit:
    /// volts for `v(...)`, amperes for `i(...)`, watts for `p(...)`.
    pub fn of_probe(expression: impl Into<String>, values: Vec<f64>) -> Self {
        let name = expression.into();
        let unit = match name.trim_start().bytes().next() {
            Some(b'v' | b'V') => "V",
            Some(b'i' | b'I') => "A",
            Some(b'p' | b'P') => "W",
            _ => "",
        };
        Trace::new(name, unit, values)
    }
}

/// A place on a curve that is worth a word.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// The curve, by its number among the traces.
    pub trace: usize,
    /// Where on the common axis.
    pub at: f64,
    /// Its height, in the curve's unit.
    pub value: f64,
    /// The word.
    pub label: String,
    /// On which side of the place there is most likely room for it.
    pub side: Side,
}

/// Where the word of a [`Mark`] stands rather than elsewhere, seen from its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Above it.
    Above,
    /// Below it and to the right.
    Right,
    /// Below it and to the left.
    Left,
}

/// A name, or a family, keeps its colour on every panel: that of the first curve so called.
pub(super) fn of_name(traces: &[Trace], which: usize) -> usize {
    let mut names: Vec<&str> = Vec::new();
    for trace in &traces[..=which] {
        if !names.contains(&trace.coloured_by()) {
            names.push(trace.coloured_by());
        }
    }
    let own = traces[which].coloured_by();
    names.iter().position(|n| *n == own).unwrap_or(which)
}
