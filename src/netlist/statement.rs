//! What a netlist says, statement by statement, with the place of every word.
//!
//! These are the words of the file and no more: nothing is looked up, no
//! model is known, no subcircuit is expanded. `circuit` does that.

use crate::diag::Span;
use crate::limits::Limits;
use crate::netlist::expr::Expr;
pub use crate::netlist::name::Name;
use crate::netlist::notes::Notes;

/// A number as written, in base units of whatever it stands for.
#[derive(Debug, Clone, PartialEq)]
pub struct Value {
    /// The number; NaN for a word (`taper=audio`), which only `.model`, X and `.options` may have.
    pub number: f64,
    /// As written, for messages.
    pub text: String,
    /// Where.
    pub span: Span,
}

/// `name=value`.
#[derive(Debug, Clone, PartialEq)]
pub struct Assign {
    /// The parameter.
    pub name: Name,
    /// Its value.
    pub value: Value,
}

/// A capacitor's or inductor's value.
#[derive(Debug, Clone, PartialEq)]
pub enum Reactive {
    /// One number (F or H).
    Linear(Value),
    /// `POLY c0 c1 ...`: value = c0 + c1 x + c2 x^2 ... of its voltage or current.
    Poly(Vec<Value>),
}

/// The time function of an independent source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// `PULSE(v1 v2 td tr tf pw per)`
    Pulse,
    /// `SIN(vo va freq td theta)`
    Sin,
    /// `EXP(v1 v2 td1 tau1 td2 tau2)`
    Exp,
    /// `PWL(t1 v1 t2 v2 ...)`
    Pwl,
    /// `SFFM(vo va fc mdi fs)`
    Sffm,
}

/// A time function with its numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Wave {
    /// Which.
    pub shape: Shape,
    /// The numbers, in order, as many as were given.
    pub args: Vec<Value>,
    /// The whole function.
    pub span: Span,
}

/// What drives an independent source.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drive {
    /// `DC value`, or the bare value.
    pub dc: Option<Value>,
    /// `AC [magnitude [phase in degrees]]`; magnitude 1 and phase 0 where left out.
    pub ac: Option<(f64, f64)>,
    /// The time function.
    pub wave: Option<Wave>,
}

/// What controls an E, F, G or H element.
#[derive(Debug, Clone, PartialEq)]
pub enum Control {
    /// E, G: one node pair and a gain.
    Voltage {
        /// Control nodes, + then -.
        nodes: [Name; 2],
        /// Gain (E: V/V, G: A/V).
        gain: Value,
    },
    /// F, H: one voltage source and a gain.
    Current {
        /// The voltage source whose current controls.
        source: Name,
        /// Gain (F: A/A, H: V/A).
        gain: Value,
    },
    /// E, G with `POLY(n)`.
    VoltagePoly {
        /// n control pairs.
        pairs: Vec<[Name; 2]>,
        /// p0 p1 ..., at least one.
        coefficients: Vec<Value>,
    },
    /// F, H with `POLY(n)`.
    CurrentPoly {
        /// n controlling voltage sources.
        sources: Vec<Name>,
        /// p0 p1 ..., at least one.
        coefficients: Vec<Value>,
    },
}

/// Whether a B source sets a current or a voltage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Output {
    /// `I=`
    Current,
    /// `V=`
    Voltage,
}

/// What an element is, with its words.
#[derive(Debug, Clone, PartialEq)]
pub enum ElementKind {
    /// R: ohms; parameters `tc1`, `tc2` (or `tc=a,b`).
    Resistor {
        /// Ends.
        nodes: [Name; 2],
        /// Ohms.
        value: Value,
        /// Temperature coefficients.
        params: Vec<Assign>,
    },
    /// C: farads.
    Capacitor {
        /// Ends.
        nodes: [Name; 2],
        /// Farads.
        value: Reactive,
        /// `IC=` volts, used with UIC only.
        ic: Option<Value>,
    },
    /// L: henries.
    Inductor {
        /// Ends; the dot is at the first.
        nodes: [Name; 2],
        /// Henries.
        value: Reactive,
        /// `IC=` amperes, used with UIC only.
        ic: Option<Value>,
    },
    /// K: coupling of two inductors.
    Coupling {
        /// The inductors.
        inductors: [Name; 2],
        /// Coefficient, 0 < k <= 1.
        k: Value,
    },
    /// V.
    VoltageSource {
        /// + and -.
        nodes: [Name; 2],
        /// Its drive.
        drive: Drive,
    },
    /// I: positive current flows from the first node through the source to the second.
    CurrentSource {
        /// + and -.
        nodes: [Name; 2],
        /// Its drive.
        drive: Drive,
    },
    /// E and H: controlled voltage.
    ControlledVoltage {
        /// + and -.
        nodes: [Name; 2],
        /// By what.
        control: Control,
    },
    /// G and F: controlled current.
    ControlledCurrent {
        /// + and -.
        nodes: [Name; 2],
        /// By what.
        control: Control,
    },
    /// B.
    Behavioural {
        /// + and -.
        nodes: [Name; 2],
        /// Current or voltage.
        output: Output,
        /// The law.
        expr: Expr,
    },
    /// D, Q, J, M: nodes in the published order (D: anode cathode; Q: `c b e [s]`;
    /// J: d g s; M: d g s b), a model and its instance words.
    Semiconductor {
        /// Terminals.
        nodes: Vec<Name>,
        /// The .model.
        model: Name,
        /// Area factor (D, Q, J).
        area: Option<Value>,
        /// `OFF`: a starting guess for the operating point.
        off: bool,
        /// `IC=a,b,c`.
        ic: Vec<Value>,
        /// M: l, w, ad, as, pd, ps, nrd, nrs.
        params: Vec<Assign>,
    },
    /// S: voltage-controlled switch.
    VoltageSwitch {
        /// Ends.
        nodes: [Name; 2],
        /// Control nodes.
        control: [Name; 2],
        /// The .model.
        model: Name,
        /// `ON` or `OFF`: the state it starts from.
        on: Option<bool>,
    },
    /// W: current-controlled switch.
    CurrentSwitch {
        /// Ends.
        nodes: [Name; 2],
        /// The voltage source whose current controls.
        control: Name,
        /// The .model.
        model: Name,
        /// `ON` or `OFF`: the state it starts from.
        on: Option<bool>,
    },
    /// X: a subcircuit, valve, pot or toggle.
    Call {
        /// Nodes.
        nodes: Vec<Name>,
        /// The last name.
        target: Name,
        /// `knob=`, `at=` ...
        params: Vec<Assign>,
    },
}

/// One element statement.
#[derive(Debug, Clone, PartialEq)]
pub struct Element {
    /// Its name with its letter: `R5`, `XV1A`.
    pub name: Name,
    /// What it is.
    pub kind: ElementKind,
    /// What the part stands: `rated=3W` or `rated=450V` in a comment on the statement.
    pub rated: Option<Value>,
    /// What else a comment says of the part.
    pub notes: Notes,
    /// How far the part may be off its value: `tol=5%` or `tol=-20..+50%` in a comment.
    pub tolerance: Option<Tolerance>,
    /// The whole statement.
    pub span: Span,
}

/// How far a value may be off, as parts of itself: 5 % is -0.05 to 0.05.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// The least, more than -1 and not above zero.
    pub low: f64,
    /// The most, not below zero.
    pub high: f64,
}

/// `.model NAME KIND(params)`.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// Its name.
    pub name: Name,
    /// `d`, `npn`, `triode` ...
    pub kind: Name,
    /// Its parameters.
    pub params: Vec<Assign>,
}

/// Elements and the definitions that are local to them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Body {
    /// In the order of the file.
    pub elements: Vec<Element>,
    /// `.model` statements.
    pub models: Vec<Model>,
    /// `.subckt` blocks.
    pub subcircuits: Vec<Subcircuit>,
}

impl Body {
    /// Bytes of its lines, and of those in its definitions; comments are none.
    pub fn length(&self) -> usize {
        let length = |span: &Span| (span.end - span.start) as usize;
        let elements = self.elements.iter().map(|e| length(&e.span)).sum::<usize>();
        let models = self.models.iter().flat_map(|m| &m.params);
        let models = models.map(|p| length(&p.value.span)).sum::<usize>();
        let inner = self.subcircuits.iter().map(|s| s.body.length());
        elements + models + inner.sum::<usize>()
    }
}

/// `.subckt NAME nodes ... .ends`.
#[derive(Debug, Clone, PartialEq)]
pub struct Subcircuit {
    /// Its name.
    pub name: Name,
    /// Its outer nodes.
    pub ports: Vec<Name>,
    /// What is in it.
    pub body: Body,
}

/// A quantity to look at.
#[derive(Debug, Clone, PartialEq)]
pub enum Probe {
    /// `v(a)` or `v(a,b)`.
    Voltage(Name, Option<Name>),
    /// `i(R1)`: current into the element's first terminal.
    Current(Name),
    /// `p(R1)`: power taken by the element.
    Power(Name),
}

/// `.print tran v(out) ...`.
#[derive(Debug, Clone, PartialEq)]
pub struct Print {
    /// `tran`, `ac`, `dc`, `noise` ...
    pub analysis: Name,
    /// What to print, each with the words as written.
    pub probes: Vec<(Probe, Name)>,
}

/// Any other statement.
#[derive(Debug, Clone, PartialEq)]
pub enum ControlKind {
    /// `.op`
    Op,
    /// `.tran step stop [start [max]] [UIC]`
    Tran {
        /// Output interval, s.
        step: Value,
        /// End, s.
        stop: Value,
        /// First output time, s.
        start: Option<Value>,
        /// Largest inner step, s.
        max_step: Option<Value>,
        /// Start from the `IC=` values and not from an operating point.
        uic: bool,
    },
    /// `.ac dec|oct|lin n from to`
    Ac {
        /// `dec`, `oct` or `lin`.
        spacing: Name,
        /// Points (per decade, per octave, in all).
        points: Value,
        /// Hz.
        from: Value,
        /// Hz.
        to: Value,
    },
    /// `.dc source start stop step [source2 ...]`
    Dc {
        /// One or two sweeps: source, start, stop, step.
        sweeps: Vec<(Name, Value, Value, Value)>,
    },
    /// `.four freq probes`
    Four {
        /// Hz.
        freq: Value,
        /// What.
        probes: Vec<(Probe, Name)>,
    },
    /// `.tf probe source`
    Tf {
        /// Output.
        output: (Probe, Name),
        /// Input source.
        source: Name,
    },
    /// `.noise v(out) source dec n from to`
    Noise {
        /// Output.
        output: (Probe, Name),
        /// Input source.
        source: Name,
        /// The rest of the statement as written, e.g. `dec 10 20 20k`.
        rest: Vec<Name>,
    },
    /// `.print`
    Print(Print),
    /// `.nodeset v(n)=x ...`: a guess.
    Nodeset(Vec<(Name, Value)>),
    /// `.ic v(n)=x ...`: held during the solution before `scope`.
    Ic(Vec<(Name, Value)>),
    /// `.options name[=value] ...`
    Options(Vec<(Name, Option<Value>)>),
    /// `.temp t`, degrees Celsius.
    Temp(Vec<Value>),
}

/// A control statement and its place.
#[derive(Debug, Clone, PartialEq)]
pub struct ControlLine {
    /// What it says.
    pub kind: ControlKind,
    /// The whole statement.
    pub span: Span,
}

impl ControlLine {
    /// The temperature that it sets, degrees Celsius.
    pub fn temperature(&self) -> Option<&Value> {
        match &self.kind {
            ControlKind::Temp(values) => values.first(),
            ControlKind::Options(options) => {
                let named = options.iter().rfind(|(name, _)| name.key() == "temp");
                named.and_then(|(_, value)| value.as_ref())
            }
            _ => None,
        }
    }
}

/// A whole netlist, includes read in.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Netlist {
    /// The first line.
    pub title: String,
    /// Where that stands; none if there is no main file.
    pub title_span: Option<Span>,
    /// Top level elements and definitions.
    pub body: Body,
    /// Control statements, in order. They may stand anywhere but inside a subcircuit.
    pub controls: Vec<ControlLine>,
    /// What it was read within, and what holds for all that is made of it.
    pub limits: Limits,
}

impl Netlist {
    /// What `.options` lines say last of an option, by its name in lower case.
    pub fn option(&self, option: &str) -> Option<(&Name, &Value)> {
        self.controls.iter().rev().find_map(|control| {
            let ControlKind::Options(options) = &control.kind else {
                return None;
            };
            let named = options
                .iter()
                .rev()
                .filter(|(name, _)| name.key() == option);
            named
                .filter_map(|(name, value)| Some((name, value.as_ref()?)))
                .next()
        })
    }
}
