//! What can be wrong with a circuit, one variant a cause.

use crate::diag::{Diagnostic, Span};
use crate::limits::{Bound, raise};
use crate::num::{Doubt, comma_hint};

/// Errors, and warnings, beyond this many are not shown: nobody reads them.
pub const MOST: usize = crate::netlist::MOST_DIAGNOSTICS;

/// The first of the errors and of the warnings, and that there were more.
pub fn cut(mut all: Vec<Diagnostic>) -> Vec<Diagnostic> {
    let (mut errors, mut warnings) = (0, 0);
    all.retain(|d| {
        let count = if d.is_error() {
            &mut errors
        } else {
            &mut warnings
        };
        *count += 1;
        *count <= MOST
    });
    if errors > MOST {
        all.push(CircuitProblem::TooMany { limit: MOST }.at(None));
    }
    all
}

/// A cause, with what the message needs.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)] // the messages say what the fields are
pub enum CircuitProblem {
    #[error("the netlist has no elements")]
    Empty,
    #[error("this expression has no value: it divides by zero or takes the logarithm of it")]
    NoValue,
    #[error("unknown valve or subcircuit `{name}`")]
    UnknownCall { name: String, near: Option<String> },
    #[error("`{element}` ends in the value `{value}` where a pot has the name of its model")]
    PotWithoutModel {
        element: String,
        nodes: String,
        value: String,
    },
    #[error("unknown model `{name}`")]
    UnknownModel { name: String, near: Option<String> },
    #[error("unknown model kind `{name}`")]
    UnknownKind { name: String, near: Option<String> },
    #[error("model `{model}` is a `{kind}`, expected {expected} for element `{element}`")]
    WrongKind {
        model: String,
        kind: String,
        expected: String,
        element: String,
    },
    #[error("unknown parameter `{name}` of `{owner}`")]
    UnknownParameter {
        name: String,
        owner: String,
        near: Option<String>,
        known: String,
    },
    #[error("parameter `{name}` of `{owner}` is missing")]
    MissingParameter {
        name: String,
        owner: String,
        meaning: String,
    },
    #[error("parameter `{name}` of `{owner}` is {found}, expected {expected}")]
    ParameterRange {
        name: String,
        owner: String,
        found: String,
        expected: String,
    },
    #[error("`{element}` has {found} nodes, expected {expected} for `{target}`: {names}")]
    NodeCount {
        element: String,
        target: String,
        found: usize,
        expected: usize,
        names: String,
    },
    #[error("`{port}` of `{target}` is ground, and `{element}` joins it to `{node}`")]
    GroundedPort {
        element: String,
        target: String,
        port: String,
        node: String,
    },
    #[error("the subcircuit `{name}` of `{element}` is not judged as a valve")]
    UnjudgedValve {
        element: String,
        name: String,
        known: String,
        nodes: String,
    },
    #[error("subcircuit `{name}` calls itself: {chain}")]
    Recursion { name: String, chain: String },
    #[error("subcircuits are nested deeper than {limit}")]
    TooDeep { limit: usize },
    #[error(
        "with every subcircuit written out there are more than {limit} elements and subcircuits: \
         {found}"
    )]
    TooLarge { found: u64, limit: u64 },
    #[error(
        "with every subcircuit written out the names of elements and nodes fill more than \
         {limit} MB: {found}"
    )]
    LongNames { found: u64, limit: u64 },
    #[error("no voltage source `{name}`")]
    UnknownSource { name: String, near: Option<String> },
    #[error("no inductor `{name}`")]
    UnknownInductor { name: String, near: Option<String> },
    #[error("no node `{name}`")]
    UnknownNode { name: String, near: Option<String> },
    #[error("no node `{name}` for a heater to stand at: it is taken to be at ground")]
    UnknownHeater { name: String, near: Option<String> },
    #[error("no element `{name}`")]
    UnknownElement { name: String, near: Option<String> },
    #[error("element name `{name}` is used twice")]
    DuplicateElement { name: String },
    #[error("`{name}` couples an inductor with itself")]
    SelfCoupling { name: String },
    #[error("`{name}` couples inductors that `{other}` couples already")]
    RepeatedCoupling { name: String, other: String },
    #[error("coupling coefficient of `{name}` is {found}, expected more than 0 and at most 1")]
    CouplingRange { name: String, found: String },
    #[error("the couplings of {inductors} cannot exist together")]
    ImpossibleCoupling { inductors: String },
    #[error("zero resistance of `{name}`")]
    ZeroResistance { name: String },
    #[error("`{name}` cannot be coupled: it is a POLY inductor")]
    CoupledPoly { name: String },
    #[error("{what} of `{name}` is {found}, expected {expected}")]
    BadValue {
        what: &'static str,
        name: String,
        found: String,
        expected: &'static str,
    },
    #[error("`tnom={found}` is not read: the parameters of models are those at 27 C")]
    NominalTemperature { found: String },
    #[error("source `{name}`: {what}")]
    BadWave { name: String, what: String },
    #[error("`{element}` stands alone on node `{node}`")]
    Alone { element: String, node: String },
    #[error("no connection to ground: {nodes}")]
    Floating { nodes: String, elements: String },
    #[error("no DC path to ground: {nodes}")]
    NoDcPath { nodes: String, elements: String },
    #[error("no return path for current source {sources}: {nodes}")]
    CurrentCutSet { sources: String, nodes: String },
    #[error("a loop of voltage sources and inductors: {elements}")]
    VoltageLoop { elements: String },
    #[error("`{other}` and `{node}` are two nodes")]
    TwoNodes { node: String, other: String },
    #[error("both ends of `{element}` are on node `{node}`")]
    Shorted { element: String, node: String },
    #[error("`.ic` puts node `{node}` at {volts}, but voltage sources hold it at {set} at t = 0")]
    HeldOtherwise {
        node: String,
        volts: String,
        set: String,
    },
    #[error("`IC=` of {elements} is not read: `scope` starts from the operating point")]
    UnreadInitialValues { elements: String },
    #[error("the circuit has no ground: no element touches node `0`")]
    NoGround,
    #[error("no element `{name}` to set")]
    SetUnknown { name: String, near: Option<String> },
    #[error("`{name}` has no parameter `{parameter}` to set")]
    SetParameter {
        name: String,
        parameter: String,
        known: String,
    },
    #[error("no {what} `{name}`")]
    NoControl {
        what: &'static str,
        name: String,
        near: Option<String>,
        known: String,
    },
    #[error("{what} `{name}` cannot be at {found}: expected {expected}")]
    ControlRange {
        what: &'static str,
        name: String,
        found: String,
        expected: &'static str,
    },
    #[error("`{name}` has a waveform, {shape}, and keeps it: a bare value would take it away")]
    WaveValue {
        name: String,
        shape: &'static str,
        known: &'static [&'static str],
    },
    #[error("this is the DC value of `{name}` only: its {shape} stays as it is")]
    WaveStays { name: String, shape: &'static str },
    #[error("the mains cannot be at `{found}` per cent: expected 10 to 200")]
    MainsRange { found: String },
    #[error("`{name}` feeds the mains transformer `{transformer}` and has no sine")]
    MainsWithoutSine {
        name: String,
        transformer: String,
        line: String,
        peak: String,
        rms: String,
    },
    #[error("there is no mains source to change")]
    NoMains,
    #[error("`{text}` is not a setting: expected NAME=VALUE")]
    SettingSyntax { text: String, option: String },
    #[error("more than {limit} errors; the rest is not shown")]
    TooMany { limit: usize },
    #[error("`{text}` {}", doubt.remark().0)]
    Doubtful { text: String, doubt: Doubt },
    #[error("`{name}` is a subcircuit: it has no current or power of its own")]
    ProbeSubcircuit { name: String },
}

impl CircuitProblem {
    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        use CircuitProblem::*;
        let near = |n: &Option<String>| n.as_ref().map(|n| format!("did you mean `{n}`?"));
        match self {
            UnknownCall { near: n, .. } => near(n).or_else(|| {
                Some("add a .model or .subckt line of that name, or use a valve of the built-in library".into())
            }),
            UnknownModel { near: n, .. } => {
                near(n).or_else(|| Some("add a .model line of that name".into()))
            }
            UnknownKind { near: n, .. } => near(n).or_else(|| {
                let kinds: Vec<&str> = crate::device::REGISTRY
                    .iter()
                    .filter(|k| !k.model_params.is_empty())
                    .map(|k| k.name)
                    .collect();
                Some(format!("kinds are {}", kinds.join(", ")))
            }),
            UnknownParameter { near: n, known, .. } => {
                near(n).or_else(|| Some(format!("it knows {known}")))
            }
            MissingParameter { name, meaning, .. } => {
                Some(format!("give `{name}=` ({meaning})"))
            }
            UnknownSource { near: n, .. } => near(n).or_else(|| {
                Some("to sense a current, put a `V` source of 0 V in its path and name that".into())
            }),
            UnknownInductor { near: n, .. }
            | UnknownNode { near: n, .. }
            | UnknownHeater { near: n, .. }
            | UnknownElement { near: n, .. }
            | SetUnknown { near: n, .. } => near(n),
            NoControl {
                near: n,
                known,
                what,
                ..
            } => near(n).or_else(|| {
                Some(if known.is_empty() {
format!("the netlist has no {what}")
} else {
format!("the netlist has {known}")
})
            }),
            PotWithoutModel {
                element,
                nodes,
                value,
            } => Some(format!(
                "write `{element} {nodes} POT1 knob=5` and, on a line of its own, \
                 `.model POT1 pot(r={value} taper=audio)`"
            )),
            WrongKind { kind, element, .. }
                if crate::device::kind(kind).is_some_and(|k| k.letter == 'X') =>
            {
                Some(format!("lines of a {kind} begin with X: write `X{element}`"))
            }
            SetParameter { known, .. } => Some(format!("it knows {known}")),
            NoValue => Some("check the numbers there; division by zero gives no value".into()),
            Empty => Some("the first line is the title; elements start on the second".into()),
            GroundedPort { port, target, .. } => Some(format!(
                "give `{port}` another name on the .subckt line of `{target}` and on the lines below it: `0` and `gnd` are ground everywhere"
            )),
            UnjudgedValve { name, known, nodes, .. } => Some(format!(
                "its dissipation and volts are held against no rating. The built-in `{known}` is judged: {}; its nodes are {nodes}",
                if name.eq_ignore_ascii_case(known) {
                    "take the .subckt away"
                } else {
                    "end the line with its name"
                }
            )),
            Recursion { .. } => Some("a subcircuit cannot contain itself, not even through others".into()),
            TooDeep { .. } => Some(raise(Bound::CallDepth)),
            TooLarge { .. } => Some(raise(Bound::Elements)),
            LongNames { .. } => Some(format!("give subcircuits shorter names; {}", raise(Bound::Names))),
            ZeroResistance { .. } => Some("use a small value (1m), or join the two nodes".into()),
            ImpossibleCoupling { .. } => Some("lower the coefficients: no real transformer has these".into()),
            Alone { .. } => Some(
                "check the node's spelling, connect the other end, or remove the element; wire an unused pot lug to its wiper".into(),
            ),
            Floating { elements, .. } => {
                Some(format!("join this part to the rest of the circuit: it holds {elements}"))
            }
            NoDcPath { elements, .. } => Some(format!(
                "only capacitors, grids, gates or current sources lead there ({elements}): add a resistor to ground, as a grid leak would be"
            )),
            CurrentCutSet { .. } => {
                Some("the current has nowhere to go: add a resistor or a source across it".into())
            }
            VoltageLoop { .. } => Some(
                "put a small resistor (a winding has some ohms) in series with one of them".into(),
            ),
            HeldOtherwise { set, .. } => Some(format!(
                "write {set}, or take the node off the .ic line; it is for nodes that a capacitor holds"
            )),
            NominalTemperature { .. } => Some(
                "take `tnom` away; ten degrees move the volts of a junction by about 20 mV".into(),
            ),
            TwoNodes { .. } => Some(
                "node names are compared letter by letter: if one node is meant, write its number the same way everywhere".into(),
            ),
            UnreadInitialValues { .. } => Some(
                "end the .tran line with `UIC` to start from these values, or hold nodes with `.ic v(node)=volts`".into(),
            ),
            NoGround => Some("name the chassis node `0` or `gnd`".into()),
            WaveValue { name, known, .. } => {
                let names: Vec<String> = known.iter().map(|k| format!("`{name}.{k}`")).collect();
                Some(format!(
                    "set {}; `--mains PERCENT` changes the mains",
                    names.join(", ")
                ))
            }
            WaveStays { name, .. } => Some(format!(
                "`{name}.ampl=0` silences it, `{name}.ampl` sets its peak"
            )),
            MainsRange { found } if found.contains("..") => {
                Some("only `bias` and `parts` go through a range".into())
            }
            BadValue { found, .. } | ControlRange { found, .. } | ParameterRange { found, .. } => {
                comma_hint(found.trim_matches('`'))
            }
            MainsRange { found } => comma_hint(found).or_else(|| {
                Some("the percentage of the volts in the netlist: 100 is nominal, 110 is 10 % high".into())
            }),
            MainsWithoutSine { line, peak, rms, .. } => Some(format!(
                "write the mains as `{line}`: {peak} V is the peak of {rms} V"
            )),
            NoMains => Some(
                "the mains is a source with a SIN of 40 to 70 Hz and neither DC nor AC, such as \
                 `VMAINS line 0 SIN(0 325 50)`"
                    .into(),
            ),
            SettingSyntax { text, option } => {
                let name = text.split('=').next().map_or("", str::trim);
                Some(match (option.as_str(), name.is_empty()) {
                    ("knob", true) => "for example `VOL=7`: a knob goes from 0 to 10".into(),
                    ("knob", false) => format!("for example `{name}=7`: a knob goes from 0 to 10"),
                    ("switch", true) => "for example `BRIGHT=1`: 1 is closed, 0 open".into(),
                    ("switch", false) => format!("for example `{name}=1`: 1 is closed, 0 open"),
                    _ => "for example `R5=4k7`, `X1.R5=4k7` or `12AX7.mu=95`".into(),
                })
            }
            Doubtful { text, doubt } => Some(doubt.advice(text)),
            ProbeSubcircuit { name } => Some(format!("name an element in it, as in `{name}.R1`")),
            DuplicateElement { .. } => Some("rename one of them".into()),
            _ => None,
        }
    }

    /// An error at a place.
    pub fn at(self, span: impl Into<Option<Span>>) -> Diagnostic {
        let hint = self.hint();
        let diagnostic = Diagnostic::error(self.to_string(), span).of(&self);
        match hint {
            Some(hint) => diagnostic.hint(hint),
            None => diagnostic,
        }
    }

    /// The same as a warning.
    pub fn warn_at(self, span: impl Into<Option<Span>>) -> Diagnostic {
        Diagnostic {
            severity: crate::diag::Severity::Warning,
            ..self.at(span)
        }
    }
}
