//! Mistakes in sheets, and in figures by name.

use super::row::{rows, s};
use crate::sheet::problem::SheetProblem;

rows! { SheetProblem, SheetProblem::to_string, |_: &SheetProblem| false, SheetProblem::hint;
    Syntax { why: s("expected `=`") } => "The file is not TOML, the form that sheets are written in.", "Mend the place that is shown; texts stand in quotes.";
    Codes { } => "Names of cases and figures are printed and put into result files. Codes in them could change what a terminal or a log shows.", "Write them in plain letters, on one line.";
    UnknownKey { name: s("tolerence"), near: Some(s("tolerance")), known: s("figure, value, tolerance") } => "A sheet has no such key.";
    WrongType { key: s("value"), found: s("a list"), expected: s("text in quotes") } => "The key takes another kind of value.", "Write what is expected.";
    MissingKey { key: "netlist", meaning: "the path of the netlist" } => "The sheet cannot do without this key.";
    Netlist { path: s("amp.cir"), why: s("no such file") } => "The netlist that the sheet is about cannot be read.";
    NoExpectations { } => "Nothing is expected, so nothing can fail.";
    UnequalChoices { name: s("BRIGHT"), found: 2, expected: 3 } => "Names that vary together need equally many values.";
    NoChoices { name: s("VOLUME") } => "The list of what it varies through is empty.", "Write values, for example `VOLUME = [0, 5, 10]`.";
    EmptyVary { } => "A block says that something varies and not what.";
    VariedTwice { name: s("VOLUME") } => "Two blocks vary one thing, and only one can be right.", "Take it out of one of them.";
    SameCase { name: s("clean") } => "Two cases could not be told apart.", "Give them different names.";
    TooManyCases { count: s("1000000"), most: 10_000 } => "Blocks of `vary` multiply, and these make more cases than anybody looks at.";
    TooManyChoices { count: 2_000_000, most: 1_000_000 } => "Every case keeps its own copy of all that is set, and these cases set more in all than a machine keeps.";
    NoCase { pattern: s("VOLUME=7*"), cases: s("`VOLUME=0`, `VOLUME=5`") } => "The expectation is for cases that do not exist.";
    UnknownCase { name: s("clen"), near: Some(s("clean")), cases: s("`clean`, `drive`") } => "A value is given for a case that does not exist.";
    LevelsOfCases { count: 3 } => "The levels of a sound stand for one sound, and several cases fit.";
    NothingExpected { figure: s("gain of v(out)"), needed: "`value`, `at-least` or `at-most`" } => "The block names a figure and not what it should be.";
    DoesNotGo { key: s("at-least"), with: s("`value`") } => "The two keys contradict each other.", "Leave one of them away.";
    NoTolerance { } => "Two measurements are never quite equal, so the sheet must say how near is near enough.";
    ZeroTolerance { } => "Not even the same circuit on another computer would pass.";
    NegativeTolerance { text: s("-1 %") } => "A distance cannot be less than nothing.", "Take the minus away; in dB below a sound it is right.";
    IdleTolerance { text: s("0 dB") } => "The tolerance is so wide that the expectation could not fail.";
    EmptyRange { least: s("5 V"), most: s("3 V") } => "The lower bound lies above the upper one.", "Exchange them.";
    MaskOrder { text: s("20 Hz") } => "The places of a mask stand in rising order.", "Sort its pairs.";
    EmptyMask { } => "A mask is a list of places with a tolerance each.";
    MaskPair { found: s("one value") } => "Each member of a mask is a place and a tolerance.";
    Stored { path: s("plate.csv"), why: s("permission denied") } => "The file that the figure is held against cannot be read.", "Check the name; it starts from the sheet's folder. With --sandbox it must lie in that folder.";
    NotStored { path: s("plate.csv") } => "There is nothing yet to hold the figure against.";
    Rate { path: s("out.wav"), found: 44_100, expected: 48_000 } => "The stored sound is of another sample rate than the render.";
    Length { path: s("out.wav"), found: 100, expected: 200 } => "The stored sound is longer or shorter than the render.";
    NoColumn { path: s("plate.csv"), column: s("v(a)"), has: s("`time_s`, `v(b)`") } => "The stored table has no column of that name.";
    CsvLine { path: s("plate.csv"), line: 7, why: s("`x` is not a number") } => "A line of the stored table cannot be read.", "Mend it, or record it anew with --record --overwrite.";
    Reach { path: s("plate.csv"), found_from: s("0"), found_to: s("0.01"), from: s("0"), to: s("0.02") } => "The stored curve does not cover what is measured.", "Measure less, or record it anew with --record --overwrite.";
    Fingerprint { key: "bands", found: 9, expected: 10 } => "The stored levels are of another kind of sound than the render.";
}

/// Figures by name.
pub(super) mod figures {
    use super::super::row::{rows, s};
    use crate::figure::problem::FigureProblem;

    rows! { FigureProblem, FigureProblem::to_string, |_: &FigureProblem| false, FigureProblem::hint;
        Empty { } => "No figure was named.";
        NoFigure { text: s("the gain, please") } => "The words are no figure that the tool measures.";
        UnknownQuantity { name: s("gian"), near: Some(s("gain")) } => "No figure has that name.";
        NoSubject { quantity: "gain", example: "gain of v(out)" } => "The figure does not say of what.";
        WrongSubject { quantity: "gain", expected: "a probe", found: s("R1"), example: "gain of v(out)" } => "The figure is of another kind of thing.";
        UnknownCondition { quantity: "gain", key: s("frequncy"), near: Some(s("frequency")), known: s("frequency, source") } => "The figure has no such condition.";
        ConditionTwice { key: "frequency" } => "One condition is given two values.", "Take one of them away.";
        NoConditionValue { key: s("frequency") } => "A condition is named without a value.";
        ConditionValue { key: "frequency", found: s("low"), expected: s("a frequency") } => "The condition takes another kind of value.", "Write what is expected, for example `1k`.";
        MissingCondition { quantity: "thd", key: "level", example: "thd of v(out) with level 0.1" } => "The figure cannot be measured without this condition.";
        NotCharted { element: s("R1"), quantity: "plate current", has: s("dissipation") } => "The part has no such figure.";
        UnknownElement { name: s("R99"), near: Some(s("R9")) } => "A part is named that does not exist.", "Check the spelling; `gridleak bias` lists them.";
        UnknownSource { name: s("VX"), near: Some(s("VIN")), known: s("`VIN`") } => "A source is named that does not exist.";
        WhichSource { quantity: "gain", known: s("`VIN`, `VB`") } => "Several sources could drive the circuit.";
        Clip { name: s("riff.wav"), why: s("no such file") } => "The clip of the figure cannot be read.", "Check the name; it starts from the sheet's folder. With --sandbox it must lie in that folder.";
        EmptyClip { name: s("riff.wav") } => "The clip has no sound in it.", "Record it again.";
        FromAfterStop { from: s("0.03"), stop: s("0.02") } => "The stretch of time ends before it begins.", "Exchange the two, or give `from` anew beside `stop`.";
        Downwards { from: s("20000"), to: s("20") } => "The band ends below where it begins.", "Exchange the two.";
        Both { first: "level", second: "output-level" } => "Two conditions say how strong the input is.";
        NotResistor { quantity: "loop gain", name: s("C1") } => "The figure is about a resistor.", "Name the resistor in the feedback path.";
        NoLoop { name: s("R1") } => "What the resistor does never comes back to it.";
        SmallPower { text: s("p(R1)") } => "In small signals only voltages and currents are linear.";
        TooLong { points: s("1e9"), most: s("1e7") } => "The curve would have more points than are kept.";
        TooManyStores { found: 10_001, most: 1000 } => "Waves that repeat, and sounds, are worked out with matrices of the whole circuit, which become too large.";
        NoAmount { text: s("plenty") } => "A value with a unit was expected there.";
        UnknownUnit { unit: s("lbs") } => "Nothing is measured in that unit.";
        Mega { unit: s("MV") } => "Capital and small m are easily confused, so the tool asks.";
        WrongUnit { found: "V", expected: s("A") } => "The value is of another kind than the figure.", "Give it in the unit that is expected.";
        NoRating { figure: s("v(out)") } => "A percentage is of a rating, and this figure has none.", "Write the value with its unit.";
    }
}

/// Tolerances.
pub mod tolerances {
    use super::super::row::{rows, s};
    use crate::tolerance::problem::ToleranceProblem;

    rows! { ToleranceProblem, ToleranceProblem::to_string, |_: &ToleranceProblem| false, ToleranceProblem::hint;
        Syntax { text: s("R5%") } => "A tolerance on the command line says what it is of.";
        NotATolerance { text: s("five") } => "How far a value may be off is a percentage of it.";
        NoValue { name: s("K1"), what: s("a factor, which the inductors make up") } => "A tolerance is given for something that is not bought by value.";
        Unknown { name: s("R99"), near: Some(s("R9")) } => "No part of the circuit has that name.";
        Impossible { name: s("R1"), found: s("-0.2 times itself") } => "A value that turns into its opposite is not a part that one could buy.";
    }
}
