//! Mistakes in the wiring and the values of a circuit.

use super::{rows, s};
use crate::circuit::problem::CircuitProblem;
use crate::num::Doubt;

fn warns(problem: &CircuitProblem) -> bool {
    matches!(
        problem,
        CircuitProblem::Doubtful { .. }
            | CircuitProblem::Shorted { .. }
            | CircuitProblem::WaveStays { .. }
    )
}

rows! { CircuitProblem, CircuitProblem::to_string, warns, CircuitProblem::hint;
    NoValue { } => "The expression of a B source divides by zero, whatever the circuit does.";
    Empty { } => "No part was found in the netlist.";
    PotWithoutModel { element: s("XVOL"), nodes: s("top wiper bottom"), value: s("1meg") } => "A pot's resistance and taper stand in a model, which several pots may share.";
    UnknownCall { name: s("12AX8"), near: Some(s("12AX7")) } => "An X line's last name is that of no valve and no subcircuit.";
    UnknownModel { name: s("1N4008"), near: Some(s("1N4007")) } => "A part names a model that does not exist.";
    UnknownKind { name: s("triod"), near: Some(s("triode")) } => "A .model line is of a kind that does not exist.";
    WrongKind { model: s("1N4007"), kind: s("d"), expected: s("npn or pnp"), element: s("Q1") } => "The model is there, but for another kind of part.", "Name a model of the right kind, or change the part's first letter.";
    UnknownParameter { name: s("mew"), owner: s("12AX7"), near: Some(s("mu")), known: s("mu, ex, kg1") } => "The model or part has no such parameter.";
    MissingParameter { name: s("r"), owner: s("A1M"), meaning: s("resistance of the track") } => "Without this parameter the part cannot be computed.";
    ParameterRange { name: s("mu"), owner: s("12AX7"), found: s("-5"), expected: s("1 to 500") } => "The value lies outside what the part's equations hold for.", "Check it against the data sheet and the list of parameters in the README.";
    NodeCount { element: s("XV1"), target: s("12AX7"), found: 4, expected: 3, names: s("`plate`, `grid`, `cathode`") } => "The line names too many or too few nodes for this part.", "Give one node for each of the names in the message, in that order.";
    Recursion { name: s("A"), chain: s("A -> B -> A") } => "A subcircuit calls itself, directly or through others, which has no end.";
    TooDeep { limit: 100 } => "Subcircuits call one another in a longer row than any amplifier has.";
    TooLarge { found: 1_073_741_824, limit: 1_000_000 } => "With every subcircuit written out the circuit is far larger than any amplifier.";
    LongNames { found: 2000, limit: 500 } => "What stands in a subcircuit bears the names of all calls that lead to it, and these are long and deep.";
    UnknownSource { name: s("VX"), near: Some(s("VB")) } => "A part is controlled by the current of a voltage source that does not exist.";
    UnknownInductor { name: s("L9"), near: Some(s("L8")) } => "A K line couples an inductor that does not exist.";
    UnknownNode { name: s("outt"), near: Some(s("out")) } => "A probe, an expression or a line names a node that no part touches.", "Check the spelling; `gridleak bias` lists all nodes.";
    UnknownElement { name: s("R99"), near: Some(s("R9")) } => "A part is named that does not exist.", "Check the spelling; `gridleak bias` lists them.";
    DuplicateElement { name: s("X1.R1") } => "After subcircuits were put in place two parts have one name.";
    SelfCoupling { name: s("K1") } => "A K line names one inductor twice.", "Name the two windings that share the core.";
    RepeatedCoupling { name: s("K2"), other: s("K1") } => "Two K lines couple the same pair of windings.", "Take one of them away.";
    CouplingRange { name: s("K1"), found: s("1.2") } => "Two windings cannot share more than all of their flux.", "Write, for example, 0.999.";
    ImpossibleCoupling { inductors: s("`L1`, `L2`, `L3`") } => "Each pair by itself is possible, all of them together are not.";
    ZeroResistance { name: s("R1") } => "A resistor of 0 ohm, here or by --set, cannot be computed.";
    CoupledPoly { name: s("L1") } => "An inductor whose inductance changes with its current cannot be a winding.", "Use the transformer or choke models with a core.";
    BadValue { what: "capacitance", name: s("C1"), found: s("-1e-9"), expected: "more than 0" } => "No real part has such a value.", "Check number and suffix.";
    BadWave { name: s("V1"), what: s("the period is 0 s, expected more than 0") } => "The numbers of the source's waveform contradict one another.", "Change the one that the message names.";
    Alone { element: s("C5"), node: s("x") } => "Only one end of one part touches the node: nothing can flow there.";
    Floating { nodes: s("`a`, `b`"), elements: s("`R1`, `R2`") } => "A group of parts hangs together but is joined to nothing else.";
    NoDcPath { nodes: s("`grid`"), elements: s("`C1`, `XV1`") } => "Nothing settles the node's volts at rest: no resistor leads anywhere from there.";
    CurrentCutSet { sources: s("`I1`"), nodes: s("`a`") } => "A current source pushes into a place that the current cannot leave.";
    VoltageLoop { elements: s("`V1`, `L1`") } => "Sources or windings stand side by side with nothing that limits the current between them.";
    Shorted { element: s("R1"), node: s("a") } => "The part's two ends are one node, so it does nothing.", "Check the node names on its line.";
    NoGround { } => "Volts are counted from ground, and no part is joined to it.";
    SetUnknown { name: s("R99"), near: Some(s("R9")) } => "--set names a part or model that does not exist.", "Check the spelling; inside a subcircuit the name is X1.R9.";
    SetParameter { name: s("XV1"), parameter: s("mew"), known: s("mu, ex, kg1") } => "The part is there but has no such parameter.";
    NoControl { what: "pot", name: s("VOLUM"), near: Some(s("VOLUME")), known: s("`VOLUME`") } => "--knob or --switch names no pot or toggle of the netlist.", "Check the spelling; the X in front may be left out.";
    ControlRange { what: "pot", name: s("VOLUME"), found: s("11"), expected: "0 to 10" } => "The control cannot be turned so far.", "Knobs run from 0 to 10, switches are 0 or 1.";
    WaveValue { name: s("VMAINS"), shape: "SIN", known: &["ampl", "freq", "offset"] } => "A source with a waveform was to be set by its bare name.";
    WaveStays { name: s("VIN"), shape: "SIN" } => "A source has both a DC value and a waveform, and only the DC value was set.";
    MainsRange { found: s("0") } => "--mains is a percentage of the mains volts in the netlist.", "Give 90 or 110, for example.";
    NoMains { } => "--mains was given for a netlist without a mains source.";
    SettingSyntax { text: s("R5") } => "An option that sets something needs a name, `=` and a value.";
    TooMany { limit: 50 } => "So much is wrong that more messages would not help.", "Mend the first ones and run it again.";
    Doubtful { text: s("1M"), doubt: Doubt::MilliohmSuffix } => "The number is valid, but people who write it often mean another.";
    ProbeSubcircuit { name: s("X1") } => "A subcircuit is many parts: no one current or power is its own.";
}

/// What is odd about values.
pub(super) mod doubts {
    use super::super::rows;
    use crate::num::Doubt;

    /// A value of which it is said.
    fn value(doubt: &Doubt) -> &'static str {
        match doubt {
            Doubt::MilliohmSuffix => "1M",
            Doubt::LowerCaseMega => "2m2",
            Doubt::UpperCaseMilli => "4M7",
            Doubt::FemtofaradSuffix => "1F",
            Doubt::OldMicrofarad => "10M",
            Doubt::BareMicrofarad => ".022",
            Doubt::MilForMilli => "1MIL",
            Doubt::TinyResistance | Doubt::HugeCapacitance => "1",
            Doubt::HugeResistance => "1e15",
            Doubt::TinyCapacitance => "1e-18",
            Doubt::HugeInductance => "1MEG",
        }
    }

    fn text(doubt: &Doubt) -> String {
        format!("`{}` {}", value(doubt), doubt.remark().0)
    }

    fn hint(doubt: &Doubt) -> Option<String> {
        Some(doubt.advice(value(doubt)))
    }

    rows! { Doubt, text, |_: &Doubt| true, hint;
            MilliohmSuffix { } => "In SPICE the letter M is milli in either case.";
            LowerCaseMega { } => "As a value code on a resistor the m can only be mega, yet it is written small.";
            UpperCaseMilli { } => "Between digits of anything but a resistor M is milli.";
            FemtofaradSuffix { } => "In SPICE the letter F behind a number is femto, 1e-15.";
            OldMicrofarad { } => "Old diagrams write M or MF for microfarads; in SPICE it is milli.";
            BareMicrofarad { } => "In SPICE a capacitor without a letter is in farads.";
            MilForMilli { } => "In SPICE MIL is the thousandth of an inch.";
            TinyResistance { } => "No resistor of an amplifier is so small.";
            HugeResistance { } => "No resistor of an amplifier is so large.";
            TinyCapacitance { } => "No capacitor of an amplifier is so small.";
            HugeCapacitance { } => "No capacitor of an amplifier is so large; often the u was forgotten.";
            HugeInductance { } => "No winding of an amplifier has so much.";
    }
}
