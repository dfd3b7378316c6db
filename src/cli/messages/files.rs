//! What can go wrong with files.

use super::row::{MessageRow, rows};
use crate::report::file::FileProblem;
use std::io;

fn hint(problem: &FileProblem) -> Option<String> {
    Some(problem.hint())
}

rows! { FileProblem, FileProblem::to_string, |_: &FileProblem| false, hint;
    NoName { } => "The option for an output was given without a name.";
    IsDirectory { path: "results".into() } => "The name is that of a folder.";
    NamesFolder { path: "out.csv/".into() } => "The name of a file does not end like this.";
    Input { path: "amp.cir".into() } => "An output would take the place of the netlist, a file that it includes, a clip, a cabinet, a sheet or a stored curve. Files are compared by what they are, so a link or a second name does not help.";
    NoDirectory { path: "results/out.csv".into(), directory: "results".into() } => "The folder is not there, or was removed during the run.";
    LinkToNothing { path: "out.csv".into() } => "The name is a link, and what it leads to is gone.";
    NotPermitted { path: "out.csv".into() } => "The file or its folder belongs to somebody else, or is protected.";
    NoSpace { path: "out.wav".into() } => "The disk is full, or your share of it is.";
    ReadOnly { path: "out.csv".into() } => "The disk is mounted so that nothing can be changed on it.";
    TooLarge { path: "out.wav".into() } => "The system limits how large a file may become (`ulimit -f`).";
    TooManyFiles { path: "out.wav".into() } => "The system limits how many files a program holds open (`ulimit -n`).";
    Outside { path: "out.csv".into() } => "With --sandbox, a name that leads through the folder must stay in it, and this one does not.";
    SameTarget { path: "out.csv".into() } => "Two options name one file.";
    StandardOutput { 0: io::Error::other("no space left on device") } => "What the output was led to took no more of it, or there was no room for it to wait.";
    System { path: "out.csv".into(), reason: io::Error::other("input/output error") } => "The system refused for a reason of its own, which it gives.";
}

/// Files that are read.
pub(super) mod read {
    use super::super::row::{rows, s};
    use crate::inputs::InputProblem;

    fn text(problem: &InputProblem) -> String {
        format!("cannot read `amp.cir`: {problem}")
    }

    fn hint(problem: &InputProblem) -> Option<String> {
        problem.hint().map(str::to_string)
    }

    rows! { InputProblem, text, |_: &InputProblem| false, hint;
        NotFound { } => "Nothing has that name.", "Check the spelling, and the folder that the command is called from.";
        Directory { } => "The name is that of a folder.";
        Special { } => "Such a thing need not end, and cannot be read twice.";
        Outside { folder: s("netlists") } => "A netlist or sheet names a file outside the folder that the run is confined to, or a link in it leads out.";
        Output { option: s("csv") } => "One file is named as an input and as an output. Files are compared by what they are, so a link or a second name does not help.";
        NotPermitted { } => "The file belongs to somebody else, or is protected.";
        TooManyFiles { } => "The system limits how many files a program holds open.";
        NoRoom { } => "The memory that the machine or a limit (`ulimit -v`) allows is used up.";
        System { 0: s("input/output error") } => "The system refused for a reason of its own, which it gives.", "Copy the file to another disk and try again.";
    }
}

/// Readings of a valve.
pub(super) mod readings {
    use super::super::made::returned;
    use super::super::row::s;
    use crate::circuit::library;
    use crate::fit::frame::Frame;
    use crate::fit::problem::FitProblem;
    use crate::fit::{plausible, readings};

    fn text(problem: &FitProblem) -> String {
        match problem {
            FitProblem::NoType { .. } | FitProblem::NoGrid { .. } | FitProblem::BadName { .. } => {
                problem.to_string()
            }
            _ => format!("mine.csv, line 3: {problem}"),
        }
    }

    /// What is wrong with a table of a triode's readings.
    fn of_table(text: &str) -> FitProblem {
        *readings::read(text, false).expect_err("a mistake").problem
    }

    /// What is wrong with a reading of a 12AX7 in line 3.
    fn of_reading(line: &str) -> FitProblem {
        of_rows(&format!("250,-2,1.2m\n{line}\n"))
    }

    /// What is wrong with the readings of a 12AX7.
    fn of_rows(rows: &str) -> FitProblem {
        let shipped = library::shipped();
        let valve = shipped
            .iter()
            .find(|v| v.name == "12AX7")
            .expect("built in");
        let table = format!("vpk,vgk,plate_current\n{rows}");
        let read = readings::read(&table, false).expect("a table");
        *plausible::check(&Frame::of(valve), &read)
            .expect_err("a mistake")
            .problem
    }

    fn of_many() -> String {
        "vpk,vgk,plate_current\n".to_string() + &"250,-2,1m\n".repeat(readings::MOST + 1)
    }

    returned! { FitProblem, text, FitProblem::hint;
        Empty: of_table("vpk,vgk,plate_current\n") => "The table has a heading and nothing under it.";
        TooMany: of_table(&of_many()) => "A fit looks at every reading some thousand times.";
        NoColumn: of_table("vpk,vgk,current\n250,-2,1m\n") => "The heading does not name what is needed.";
        ShortRow: of_table("vpk,vgk,plate_current\n250,-2\n") => "A comma is missing.";
        LongRow: of_table("vpk,vgk,plate_current\n250,-2,0,0012\n") => "A decimal comma made two values of one.";
        TwoColumns: of_table("vpk,vgk,vgk,plate_current\n250,-2,-3,1m\n") => "The heading names a column twice, and they differ.";
        NoValue: of_table("vpk,vgk,plate_current\n250,,1m\n") => "A reading without its volts, or volts without a reading, says nothing.";
        NotANumber: of_table("vpk,vgk,plate_current\nhigh,-2,1m\n") => "Something else stands where a number is expected.";
        NotATable: FitProblem::NotATable { why: s("invalid UTF-8") } => "The file is something else than a table.";
        Backwards: of_reading("250,-2,-1.2m") => "Current flows from plate to cathode and never back.";
        NoCurrent: of_rows("250,-20,1u\n") => "Where hardly any current flows nothing can be learnt of a valve: one cut off is like another.";
        NoVolts: of_reading("0,-2,1m") => "Without volts that draw electrons over no current flows.";
        Unlikely: of_reading("250,-2,1.2") => "The current is far beyond what bottles of the type differ by, weak and strong ones included.";
        TooHigh: of_reading("186k,-1.75k,229m") => "The plate stands far above the most that the type takes.";
        Dead: of_reading("250,-1,0") => "The reading is zero where the type conducts well.";
        NoPoint: FitProblem::NoPoint { name: s("v(plate9)") } => "Readings taken in an amplifier name the points of its netlist.";
        Twice: FitProblem::Twice { other: 2 } => "A point has one voltage at rest.";
        NoType: FitProblem::NoType { name: s("12AX8"), near: Some(s("12AX7")) } => "No built-in type has that name.";
        NoGrid: FitProblem::NoGrid { name: s("5AR4") } => "A rectifier's model has nothing that readings at a grid could tell.";
        BadName: FitProblem::BadName { name: s("my valve") } => "A netlist could not name such a model.";
    }
}

/// Files that hold text.
pub(super) mod texts {
    use super::super::row::rows;
    use crate::inputs::InputProblem;
    use crate::netlist::LoadProblem;

    fn text(problem: &LoadProblem) -> String {
        format!("cannot read `parts.cir`: {problem}")
    }

    rows! { LoadProblem, text, |_: &LoadProblem| false, LoadProblem::hint;
        Input { 0: InputProblem::NotFound } => "The file cannot be opened; see above.", "Check the spelling and the folder.";
        TooLarge { } => "The file is larger than any real netlist.";
        NoRoom { megabytes: 22.0 } => "Not enough memory is available.";
        NotText { line: 12, column: 7 } => "The file is not text, or is in an old encoding.";
    }
}

/// Sound files.
pub(super) mod sound {
    use super::super::row::{rows, s};
    use crate::inputs::InputProblem;
    use crate::report::wav::WavProblem;
    use std::io;

    fn text(problem: &WavProblem) -> String {
        format!("`clip.wav`: {problem}")
    }

    fn hint(problem: &WavProblem) -> Option<String> {
        problem.hint().map(str::to_string)
    }

    rows! { WavProblem, text, |_: &WavProblem| false, hint;
        Open { 0: InputProblem::NotFound } => "The clip cannot be opened.", "Check the spelling and the folder.";
        Read { 0: io::Error::other("input/output error") } => "The disk or the network failed while the clip was read.";
        NotWave { } => "The file is of another kind, whatever its name ends with.";
        TooBigForm { } => "The clip is in the form for more than 4 GiB.";
        CutShort { chunk: s("data"), expected: 1000, found: 500 } => "The file was not copied or recorded to its end.";
        NoChunk { chunk: "data" } => "A part that every WAV file has is missing.";
        ShortFormat { expected: 16, found: 8 } => "The description of the sound in the file is incomplete.";
        Coding { tag: 0x55 } => "The sound in the file is compressed or of a rare kind.";
        Bits { bits: 12, float: false } => "The samples are of a width that is not read.";
        NoChannels { } => "The file contradicts itself.";
        Frame { channels: 2, bits: 16, expected: 4, found: 3 } => "The file contradicts itself.";
        Rate { found: 500 } => "No sound is recorded at such a rate.";
        ByteRate { rate_hz: 768_000, frame: 65_535 } => "The file promises more sound a second than its form can say.";
        BrokenFrame { bytes: 1001, frame: 4 } => "The sound ends in the middle of a sample.";
        Empty { } => "The clip has no sound in it.";
        TooLong { samples: 2_000_000_000, bytes: 4 } => "A WAV file holds at most 4 GiB.";
        NotFinite { frame: 12, value: 1e39 } => "The circuit's output is beyond all measure.";
        Write { 0: io::Error::other("input/output error") } => "The disk failed while the sound was written.";
    }
}

/// Clips, cabinets and knob positions.
pub(super) fn curves() -> Vec<MessageRow> {
    let mut all = clips::rows();
    all.extend(cabinets::rows());
    all.extend(knobs::rows());
    all
}

mod clips {
    use super::super::row::rows;
    use crate::audio::clip::SourceProblem;
    use std::io;

    fn text(problem: &SourceProblem) -> String {
        format!("`clip.wav`: {problem}")
    }

    fn hint(problem: &SourceProblem) -> Option<String> {
        Some(problem.hint().to_string())
    }

    rows! { SourceProblem, text, |_: &SourceProblem| false, hint;
        NotFinite { frame: 12, channel: 1, time_s: 0.00025 } => "A sample of the clip is not a number.";
        CutShort { expected: 48_000, found: 20_000 } => "The clip became shorter while it was played.";
        Read { 0: io::Error::other("input/output error") } => "The disk or the network failed while the clip was read.";
    }
}

mod cabinets {
    use super::super::row::rows;
    use crate::audio::cabinet::ResponseProblem;

    fn text(problem: &ResponseProblem) -> String {
        format!("`--cabinet ir.wav`: {problem}")
    }

    rows! { ResponseProblem, text, |_: &ResponseProblem| false, |_: &ResponseProblem| None;
        Empty { } => "The file has no sound in it.", "Name another, or `built-in`.";
        Silent { } => "The file holds nothing but silence.", "Name another, or `built-in`.";
        TooLong { found_s: 30.0 } => "A loudspeaker's answer to an impulse is short; this is some other recording.", "Cut it, or name the right file.";
        NotFinite { sample: 3 } => "A sample is not a number.", "Open and save it in a sound editor.";
        Rate { found: 500 } => "No sound is recorded at such a rate.", "Save it at 44100 or 48000 Hz in a sound editor.";
    }
}

mod knobs {
    use super::super::made::returned;
    use crate::audio::automation::{Curve, CurveProblem};

    fn text(problem: &CurveProblem) -> String {
        format!("`turns.csv`: {problem}")
    }

    fn of(table: &str) -> CurveProblem {
        Curve::parse(table).expect_err("a mistake")
    }

    returned! { CurveProblem, text, |_: &CurveProblem| None;
        Columns: of("0,3\n1,4\n2") => "Each line of the file is a time and a position.", "Write, for example, `1.5,7`.";
        NoNumber: of("0,3\n1,4\n2,up") => "A number was expected there.", "Write a position from 0 to 10, or a time in seconds.";
        Early: of("-1,3") => "The clip begins at 0 s.", "Begin the list there.";
        Falling: of("0,3\n2,4\n1,5") => "The lines are not in the order of time.", "Sort them by their first column.";
        Position: of("0,3\n1,4\n2,11") => "The control cannot be turned so far.", "Knobs run from 0 to 10.";
        Empty: of("time_s,position") => "The file has no line with numbers.", "Write lines such as `0,3`.";
    }
}
