//! Mistakes in the wiring and the values of a circuit.

use super::made::{Example, made};
use crate::circuit::problem::CircuitProblem;

/// A circuit to which options are given.
const STAGE: &str = "VB top 0 250\nR1 top wiper 1k\nXVOL top wiper 0 A1M knob=5\n\
                     .model A1M pot(r=1meg taper=audio)";

/// Subcircuits that call one another in a row, each N times.
fn nested(deep: usize, calls: usize) -> String {
    let mut text = "V1 a 0 1\nX1 a s0\n".to_string();
    for k in 0..deep {
        text += &format!(".subckt s{k} a\n");
        for call in 0..calls {
            text += &format!("X{call} a s{}\n", k + 1);
        }
        text += ".ends\n";
    }
    text + &format!(".subckt s{deep} a\nR1 a 0 1\n.ends")
}

/// The same with names that fill the memory before the parts do.
fn long_names() -> Example {
    let name = "x".repeat(2000);
    Example::from(nested(7, 5).replace("\nX", &format!("\nX{name}")))
}

made! { CircuitProblem;
    NoValue: "V1 a 0 1\nB1 b 0 V=1/0\nR1 b 0 1k" => "The expression of a B source divides by zero, whatever the circuit does.";
    Empty: "" => "No part was found in the netlist.";
    PotWithoutModel: "XVOL top wiper 0 1MEG knob=5" => "A pot's resistance and taper stand in a model, which several pots may share.";
    UnknownCall: "XV1 plate grid 0 12AX8" => "An X line's last name is that of no valve and no subcircuit.";
    UnknownModel: "V1 a 0 1\nD1 a 0 1N4008" => "A part names a model that does not exist.";
    UnknownKind: "XV1 plate grid 0 MINE\n.model MINE triod(mu=100)" => "A .model line is of a kind that does not exist.";
    WrongKind: "Q1 c b 0 MINE\n.model MINE d" => "The model is there, but for another kind of part.", "Name a model of the right kind, or change the part's first letter.";
    UnknownParameter: "XV1 plate grid 0 MINE\n.model MINE triode(mew=100)" => "The model or part has no such parameter.";
    MissingParameter: "XVOL top wiper 0 A1M knob=5\n.model A1M pot(taper=audio)" => "Without this parameter the part cannot be computed.";
    ParameterRange: "XV1 plate grid 0 MINE\n.model MINE triode(mu=-5)" => "The value lies outside what the part's equations hold for.", "Check it against the data sheet and `gridleak guide devices`.";
    NodeCount: "XV1 heater plate grid 0 12AX7" => "The line names too many or too few nodes for this part.", "Give one node for each of the names in the message, in that order.";
    GroundedPort: "V1 a 0 1\nV2 low 0 -1\nX1 a low s\n.subckt s in gnd\nR1 in gnd 1k\n.ends" => "A subcircuit calls one of its own nodes by the name of ground, and the line that uses it joins another node there: its parts would go to ground instead.";
    UnjudgedValve: "V1 p 0 100\nXV1 p 0 0 12AX7\n.subckt 12AX7 p g k\nG1 p k g k 1m\nR1 p k 60k\nR2 g k 1g\n.ends" => "The netlist describes a valve as a subcircuit of its own. What its parts carry is computed, and nothing says that they are a valve with a valve's ratings.";
    Recursion: "X1 a A\n.subckt A a\nX1 a B\n.ends\n.subckt B a\nX1 a A\n.ends" => "A subcircuit calls itself, directly or through others, which has no end.";
    TooDeep: nested(110, 1) => "Subcircuits call one another in a longer row than any amplifier has.";
    TooLarge: nested(12, 10) => "With every subcircuit written out the circuit is far larger than any amplifier.";
    LongNames: long_names() => "Element names carry the whole path of subcircuits, and these paths are too long.";
    UnknownSource: "VB a 0 1\nF1 a 0 VX 2" => "A part is controlled by the current of a voltage source that does not exist.";
    UnknownInductor: "L8 a 0 1\nK1 L8 L9 0.9" => "A K line couples an inductor that does not exist.";
    UnknownNode: "V1 out 0 1\nB1 b 0 V=v(outt)" => "A probe, an expression or a line names a node that no part touches.", "Check the spelling; `gridleak bias` lists all nodes.";
    UnknownHeater: "V1 v 0 1\nR1 v p 1k\nXV1 p 0 0 12AX7 ; heater=lifted" => "A comment on a valve's line says at which node its heater stands, and no part touches that node.", "Write the node of the heaters' supply, as in `heater=lift` with a source or a divider from `lift` to ground, or take the remark away.";
    UnknownElement: (STAGE, &["--probe", "i(R99)"][..]) => "A part is named that does not exist.", "Check the spelling; `gridleak bias` lists them.";
    DuplicateElement: "V1 a 0 1\nX1 a s\nX1.R1 a 0 toggle\n.subckt s a\nR1 a 0 1k\n.ends" => "After subcircuits were put in place two parts have one name.";
    SelfCoupling: "L1 a 0 1\nK1 L1 L1 0.9" => "A K line names one inductor twice.", "Name the two windings that share the core.";
    RepeatedCoupling: "L1 a 0 1\nL2 b 0 1\nK1 L1 L2 0.9\nK2 L1 L2 0.9" => "Two K lines couple the same pair of windings.", "Take one of them away.";
    CouplingRange: "L1 a 0 1\nL2 b 0 1\nK1 L1 L2 1.2" => "Two windings cannot share more than all of their flux.", "Write, for example, 0.999.";
    ImpossibleCoupling: "V1 v 0 1\nR1 v a 1\nR2 v b 1\nR3 v c 1\nL1 a 0 1\nL2 b 0 1\nL3 c 0 1\nK12 L1 L2 0.99\nK23 L2 L3 0.99\nK13 L1 L3 0.1" => "Each pair by itself is possible, all of them together are not.";
    ZeroResistance: (STAGE, &["--set", "R1=0"][..]) => "A resistor of 0 ohm, here or by --set, cannot be computed.";
    CoupledPoly: "L1 a 0 POLY 1 2\nL2 b 0 1\nK1 L1 L2 0.9" => "An inductor whose inductance changes with its current cannot be a winding.", "Use the transformer or choke models with a core.";
    BadValue: "C1 a 0 -1n" => "No real part has such a value.", "Check number and suffix.";
    NominalTemperature: "V1 a 0 1\nR1 a b 1k\nD1 b 0 1N4007\n.options tnom=50" => "The models were measured at another temperature than the tool takes them to be.";
    BadWave: "V1 a 0 PULSE(0 1 0 1m 1m 1m 1m)" => "The numbers of the source's waveform contradict one another.", "Change the one that the message names.";
    Alone: "V1 a 0 1\nR1 a 0 1k\nC5 a x 1u" => "Only one end of one part touches the node: nothing can flow there.";
    Floating: "V1 v 0 1\nR0 v 0 1k\nR1 a b 1k\nR2 a b 1k" => "Some parts are joined to each other and to nothing else.";
    NoDcPath: "V1 v 0 1\nR1 v 0 1k\nC1 v grid 1u\nXV1 v grid 0 12AX7" => "Nothing settles the node's volts at rest: no resistor leads anywhere from there.";
    CurrentCutSet: "I1 0 a 1m\nC1 a 0 1u" => "A current source pushes into a place that the current cannot leave.";
    VoltageLoop: "V1 a 0 1\nL1 a 0 1" => "Sources or windings stand side by side with nothing that limits the current between them.";
    TwoNodes: "V1 1 0 1\nR1 1 00 1k\nR2 00 2 1k\nR3 2 0 1k" => "Two nodes have the same number, with zeros in front of one of them. Some netlists mean one node by that: in SPICE 2 they are one, in SPICE 3 two, as here.";
    Shorted: "V1 a 0 1\nR1 a a 1k\nR2 a 0 1k" => "The part's two ends are one node, so it does nothing.", "Check the node names on its line.";
    HeldOtherwise: "V1 a 0 5\nR1 a 0 1k\n.ic v(a)=2" => "`.ic` holds a node before `scope` lets the circuit go, and a source holds this one at other volts.";
    UnreadInitialValues: "V1 a 0 5\nR1 a b 1k\nC1 b 0 1u ic=3" => "A capacitor's or inductor's starting value counts only where the .tran line says so.";
    NoGround: "V1 a b 1\nR1 a b 1k" => "Volts are counted from ground, and no part is joined to it.";
    SetUnknown: (STAGE, &["--set", "R9=1k"][..]) => "--set names a part or model that does not exist.", "Check the spelling; inside a subcircuit the name is X1.R9.";
    SetParameter: (STAGE, &["--set", "XVOL.size=1"][..]) => "The part is there but has no such parameter.";
    NoControl: (STAGE, &["--knob", "VOLUM=5"][..]) => "--knob or --switch names no pot or toggle of the netlist.", "Check the spelling; the X in front may be left out.";
    ControlRange: (STAGE, &["--knob", "VOL=11"][..]) => "The control cannot be turned so far.", "Knobs run from 0 to 10, switches are 0 or 1.";
    WaveValue: ("VMAINS a 0 SIN(0 325 50)\nR1 a 0 1k", &["--set", "VMAINS=253"][..]) => "A source with a waveform was to be set by its bare name.";
    WaveStays: ("VIN a 0 DC 1 SIN(0 1 1k)\nR1 a 0 1k", &["--set", "VIN=3"][..]) => "A source has both a DC value and a waveform, and only the DC value was set.";
    MainsRange: ("VMAINS a 0 SIN(0 325 50)\nR1 a 0 1k", &["--mains", "300"][..]) => "--mains is a percentage of the mains volts in the netlist.", "Give 90 or 110, for example.";
    MainsWithoutSine: "VMAINS line 0 AC 230\nXMT line 0 h1 0 h2 0 0 MT\nR1 h1 h2 1k\n.model MT mains(vpri=230 vht=275 iht=0.1)" => "The mains is an alternating voltage; `AC` and a plain value are not.";
    NoMains: (STAGE, &["--mains", "90"][..]) => "--mains was given for a netlist without a mains source.";
    SettingSyntax: (STAGE, &["--set", "R1"][..]) => "An option that sets something needs a name, `=` and a value.";
    TooMany: (0..60).map(|k| format!("D{k} a 0 DX{k}\n")).collect::<String>() => "So much is wrong that more messages would not help.", "Mend the first ones and run it again.";
    Doubtful: (STAGE, &["--set", "R1=2m2"][..]) => "The number is valid, but people who write it often mean another.";
    ProbeSubcircuit: ("V1 a 0 1\nX1 a s\n.subckt s a\nR1 a 0 1k\n.ends", &["--probe", "i(X1)"][..]) => "A subcircuit is many parts: no one current or power is its own.";
}

/// What is odd about values.
pub(super) mod doubts {
    use super::super::row::rows;
    use crate::num::Doubt;

    /// A value of which it is said.
    fn value(doubt: &Doubt) -> &'static str {
        match doubt {
            Doubt::MilliohmSuffix | Doubt::MillihertzSuffix => "1M",
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
            MillihertzSuffix { } => "In SPICE the letter M is milli in either case.";
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
