//! Mistakes in sheets, and in figures by name.

use super::made::{Example, expect, made, sheet, written};
use super::row::s;
use crate::sheet::problem::SheetProblem;

/// Six blocks of ten choices each.
fn many_cases() -> String {
    let block = |k| format!("[[vary]]\nR{k} = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]\n");
    (1..=6).map(block).collect()
}

made! { SheetProblem;
    Syntax: Example::Sheet("netlist \"amp.cir\"".into()) => "The file is not TOML, the form that sheets are written in.", "Mend the place that is shown; texts stand in quotes.";
    Codes: expect("figure = \"v(out)\"\nat-most = 5\ncases = \"a\\u0007\"") => "Names of cases and figures are printed and put into result files. Codes in them could change what a terminal or a log shows.", "Write them in plain letters, on one line.";
    UnknownKey: expect("figure = \"v(out)\"\nvalue = 5\ntolerence = 1") => "A sheet has no such key.";
    WrongType: expect("figure = \"v(out)\"\nvalue = [5]\ntolerance = 1") => "The key takes another kind of value.", "Write what is expected.";
    MissingKey: Example::Sheet("[[expect]]\nfigure = \"v(out)\"\nat-most = 5".into()) => "The sheet cannot do without this key.";
    Netlist: written(SheetProblem::Netlist { path: s("amp.cir"), why: s("no such file") }) => "The netlist that the sheet is about cannot be read.";
    NoExpectations: sheet("expect = []") => "Nothing is expected, so nothing can fail.";
    UnequalChoices: sheet("[[vary]]\nBRIGHT = [0, 1]\nVOLUME = [0, 5, 10]") => "Names that vary together need equally many values.";
    NoChoices: sheet("[[vary]]\nVOLUME = []") => "The list of what it varies through is empty.", "Write values, for example `VOLUME = [0, 5, 10]`.";
    EmptyVary: sheet("[[vary]]") => "A block says that something varies and not what.";
    SetTwice: sheet("[settings]\nR1 = 1000\nr1 = 2000") => "Two lines set one thing, and only one can be right.";
    VariedTwice: sheet("[[vary]]\nVOLUME = [1, 2]\n[[vary]]\nVOLUME = [3]") => "Two blocks vary one thing, and only one can be right.", "Take it out of one of them.";
    SameCase: sheet("[[vary]]\nVOLUME = [1, 1]") => "Two cases could not be told apart.", "Give them different names.";
    TooManyCases: sheet(many_cases()) => "Blocks of `vary` multiply, and these make more cases than anybody looks at.";
    TooManyChoices: written(SheetProblem::TooManyChoices { count: 2_000_000, most: 1_000_000 }) => "Every case keeps its own copy of all that is set, and these cases set more in all than a machine keeps.";
    NoCase: sheet("[[vary]]\nVOLUME = [0, 5]\n[[expect]]\nfigure = \"v(out)\"\nat-most = 5\ncases = \"VOLUME=7*\"") => "The expectation is for cases that do not exist.";
    UnknownCase: sheet("[[vary]]\nVOLUME = [0, 5]\n[[expect]]\nfigure = \"v(out)\"\nvalue = { \"VOLUME=6\" = 5 }\ntolerance = 1") => "A value is given for a case that does not exist.";
    LevelsOfCases: sheet("[[vary]]\nVOLUME = [0, 5]\n[[expect]]\nfigure = \"render of v(out)\"\ntolerance = \"1 dB\"") => "The levels of a sound stand for one sound, and several cases fit.";
    NothingExpected: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\n") => "The block names a figure and not what it should be.";
    DoesNotGo: expect("figure = \"v(out)\"\nvalue = 5\nat-most = 6") => "The two keys contradict each other.", "Leave one of them away.";
    NoTolerance: expect("figure = \"v(out)\"\nvalue = 5") => "Two measurements are never quite equal, so the sheet must say how near is near enough.";
    ZeroTolerance: expect("figure = \"v(out)\"\nvalue = 5\ntolerance = 0") => "Not even the same circuit on another computer would pass.";
    NegativeTolerance: expect("figure = \"v(out)\"\nvalue = 5\ntolerance = \"-1 %\"") => "A distance cannot be less than nothing.", "Take the minus away; in dB below a sound it is right.";
    WideTolerance: expect("figure = \"v(out)\"\nvalue = 5\ntolerance = \"500 %\"") => "Zero would meet the expectation, so that a dead circuit passes.", "Give less than 100 %, or `at-least` and `at-most` in place of `value`.";
    BareTolerance: expect("figure = \"v(out)\"\nvalue = \"1.2 V\"\ntolerance = 5") => "A number without a unit is in the figure's own, volts for a voltage. Here it is as large as the value, so that a dead circuit passes; most often per cent were meant.";
    IdleTolerance: expect("figure = \"render of v(out)\"\nfile = \"out.wav\"\ntolerance = \"3 dB\"") => "The tolerance is so wide that the expectation could not fail.";
    EmptyRange: expect("figure = \"v(out)\"\nat-least = \"5 V\"\nat-most = \"3 V\"") => "The lower bound lies above the upper one.", "Exchange them.";
    MaskOrder: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\nfile = \"plate.csv\"\nmask = [[\"1 ms\", 1], [\"0.5 ms\", 1]]") => "The places of a mask stand in rising order.", "Sort its pairs.";
    EmptyMask: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\nfile = \"plate.csv\"\nmask = []") => "A mask is a list of places with a tolerance each.";
    MaskPair: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\nfile = \"plate.csv\"\nmask = [[1, 2, 3]]") => "Each member of a mask is a place and a tolerance.";
    Stored: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\nfile = \"locked.csv\"\ntolerance = \"1 %\"") => "The file that the figure is held against cannot be read.", "Check the name; it starts from the sheet's folder. With --sandbox it must lie in that folder.";
    NotStored: written(SheetProblem::NotStored { path: s("plate.csv") }) => "There is nothing yet to hold the figure against.";
    Rate: expect("figure = \"render of v(out) with source VIN, clip take.wav\"\nfile = \"other.wav\"\ntolerance = \"-60 dB\"") => "The stored sound is of another sample rate than the render.";
    Length: expect("figure = \"render of v(out) with source VIN, clip take.wav\"\nfile = \"out.wav\"\ntolerance = \"-60 dB\"") => "The stored sound is longer or shorter than the render.";
    NoColumn: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\nfile = \"other.csv\"\ntolerance = \"1 %\"") => "The stored table has no column of that name.";
    CsvLine: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\nfile = \"broken.csv\"\ntolerance = \"1 %\"") => "A line of the stored table cannot be read.", "Mend it, or record it anew with --record --overwrite.";
    Reach: expect("figure = \"waveform of v(out) with stop 1m, step 10u\"\nfile = \"long.csv\"\ntolerance = \"1 %\"") => "The stored curve and the figure do not cover the same, so that a part of one would not be compared.";
    Fingerprint: expect("figure = \"render of v(out) with source VIN, clip take.wav\"\ntolerance = \"1 dB\"\nbands = [-20, -30]\nenvelope = [-20]") => "The stored levels are of another kind of sound than the render.";
}

/// Figures by name.
pub(super) mod figures {
    use super::super::made::{Example, expect, made, written};
    use crate::figure::problem::FigureProblem;

    made! { FigureProblem;
        Empty: Example::Figure("") => "No figure was named.";
        NoFigure: Example::Figure("the loudness") => "The words are no figure that the tool measures.";
        UnknownQuantity: Example::Figure("gian of v(out)") => "No figure has that name.";
        NoSubject: Example::Figure("gain") => "The figure does not say of what.";
        WrongSubject: Example::Figure("output impedance of i(R1)") => "The figure is of another kind of thing.";
        UnknownCondition: Example::Figure("gain of v(out) with frequncy 1k") => "The figure has no such condition.";
        ConditionTwice: Example::Figure("gain of v(out) with frequency 1k, frequency 2k") => "One condition is given two values.", "Take one of them away.";
        NoConditionValue: Example::Figure("gain of v(out) with frequency") => "A condition is named without a value.";
        ConditionValue: Example::Figure("gain of v(out) with frequency -1k") => "The condition takes another kind of value.", "Write what is expected, for example `1k`.";
        MissingCondition: Example::Figure("waveform of v(out)") => "The figure cannot be measured without this condition.";
        NotCharted: Example::Figure("plate current of R1") => "The part has no such figure.";
        UnknownElement: Example::Figure("dissipation of R9") => "A part is named that does not exist.", "Check the spelling; `gridleak bias` lists them.";
        UnknownSource: Example::Figure("gain of v(out) with source VN") => "A source is named that does not exist.";
        WhichSource: Example::Figure("gain of v(out)") => "Several sources could drive the circuit.";
        Clip: Example::Figure("render of v(out) with source VIN, clip lost.wav") => "The clip of the figure cannot be read.", "Check the name; it starts from the sheet's folder. With --sandbox it must lie in that folder.";
        EmptyClip: Example::Figure("render of v(out) with source VIN, clip silence.wav") => "The clip has no sound in it.", "Record it again.";
        FromAfterStop: Example::Figure("waveform of v(out) with stop 1m, step 1u, from 2m") => "The stretch of time ends before it begins.", "Exchange the two, or give `from` anew beside `stop`.";
        Downwards: Example::Figure("noise of v(out) with from 20k, to 20") => "The band ends below where it begins.", "Exchange the two.";
        Both: Example::Figure("thd of v(out) with source VIN, level 1, output-level 1") => "Two conditions say how strong the input is.";
        NotALoad: Example::Figure("output power of C1 with level 1, source VIN") => "Power is given out where a resistance takes it.", "Name the load resistor or the loudspeaker.";
        NotResistor: Example::Figure("loop gain of C1") => "The figure is about a resistor.", "Name the resistor in the feedback path.";
        NoLoop: Example::Figure("loop gain of R3") => "What the resistor does never comes back to it.";
        SmallPower: Example::Figure("gain of p(R1) with source VIN") => "In small signals only voltages and currents are linear.";
        TooLong: Example::Figure("waveform of v(out) with stop 1, step 1n") => "The curve would have more points than are kept.";
        TooManyStores: written(FigureProblem::TooManyStores { found: 100_001, most: 20_000 }) => "Waves that repeat, and sounds, take hours in so large a circuit.";
        Unfed: written(FigureProblem::Unfed { source_name: "VMAINS".into() }) => "At rest a source with a DC value stands at that, so a supply behind it would be empty.";
        NoAmount: expect("figure = \"v(out)\"\nvalue = \"plenty\"\ntolerance = 1") => "A value with a unit was expected there.";
        UnknownUnit: expect("figure = \"v(out)\"\nvalue = \"5 lbs\"\ntolerance = 1") => "Nothing is measured in that unit.";
        Mega: expect("figure = \"v(out)\"\nvalue = \"5 MV\"\ntolerance = 1") => "Capital and small m are easily confused, so the tool asks.";
        WrongUnit: expect("figure = \"v(out)\"\nvalue = \"5 A\"\ntolerance = 1") => "The value is of another kind than the figure.", "Give it in the unit that is expected.";
        NoRating: expect("figure = \"v(out)\"\nat-most = \"70 %\"") => "A percentage is of a rating, and this figure has none.", "Write the value with its unit.";
    }
}

/// Tolerances.
pub mod tolerances {
    use super::super::made::returned;
    use super::super::row::s;
    use crate::netlist::statement::Tolerance;
    use crate::tolerance::problem::ToleranceProblem;
    use crate::tolerance::rule;

    fn of_option(text: &str) -> ToleranceProblem {
        rule::read(text).expect_err("a mistake")
    }

    returned! { ToleranceProblem, ToleranceProblem::to_string, ToleranceProblem::hint;
        Syntax: of_option("R5%") => "A tolerance on the command line says what it is of.";
        NotATolerance: of_option("R=five") => "How far a value may be off is a percentage of it.";
        NoValue: ToleranceProblem::NoValue { name: s("K1"), what: s("a factor, which the inductors make up") } => "A tolerance is given for something that is not bought by value.";
        Unknown: ToleranceProblem::Unknown { name: s("R99"), near: Some(s("R9")) } => "No part of the circuit has that name.";
        UnknownTrimmer: ToleranceProblem::UnknownTrimmer { name: s("valve"), near: None } => "--trim names a part that the circuit does not have, or a kind of part.";
        NotATrimmer: ToleranceProblem::NotATrimmer { name: s("CK1") } => "--trim turns what a builder can turn: a resistor's value or a knob.";
        NoPercent: ToleranceProblem::NoPercent { name: s("R"), found: Tolerance::both(1.0) } => "A number without the sign of per cent is a part of the value: 0.05 is 5 %.";
        Impossible: ToleranceProblem::Impossible { name: s("R1"), found: s("-0.2 times itself") } => "A value that turns into its opposite is not a part that one could buy.";
    }
}
