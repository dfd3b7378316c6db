//! What can end a run.

use super::row::rows;
use crate::audio::clip::SourceProblem;
use crate::cli::failure::{Failure, Usage};
use crate::diag::Files;
use crate::inputs::InputProblem;
use crate::report::file::FileProblem;
use crate::report::wav::WavProblem;

/// The message alone: its hint stands in the text.
fn text(failure: &Failure) -> String {
    let whole = failure.message();
    let line = whole.lines().next().unwrap_or("").to_string();
    match line.strip_prefix("error: ") {
        Some(message) => message.to_string(),
        None => "(each of the messages above that has a place in a file)".to_string(),
    }
}

fn hint(failure: &Failure) -> Option<String> {
    let whole = failure.message();
    let line = whole.lines().find_map(|l| l.strip_prefix("hint: "))?;
    Some(line.to_string())
}

rows! { Failure, text, |_: &Failure| false, hint;
    Reported { 0: "error: the sheet has mistakes".to_string() } => "A sheet that a command is about, or its netlist, has mistakes; all are reported at once.", "Mend them from the top.";
    Input { 0: Box::new(Files::default()), 1: Vec::new() } => "Netlist, settings or sheet have mistakes; all are reported at once.", "Mend them from the first on.";
    Usage { 0: Usage { message: "`--step -1` is not a time".to_string(), hint: Some("for example `--step 10u`".to_string()) } } => "An option is missing, contradicts another or makes no sense; the message names it.";
    File { 0: FileProblem::NoName } => "An output cannot be written; see above.";
    Wav { 0: WavProblem::Open(InputProblem::NotFound) } => "A sound file cannot be read; see above.", "See the list of sound files above.";
    Clip { 0: SourceProblem::CutShort { expected: 2, found: 1 } } => "A sound breaks off; see above.", "See the list of sound files above.";
    NoSolution { 0: Box::new(none::example(true)) } => "See the section on circuits without solution.";
    Unsolved { message: "no steady state found".to_string(), hint: "try a lower level".to_string() } => "The circuit was solved at rest, but not in the state asked for.";
    Unreached { 0: "no value of `RK1` from 150 to 15M brings `v(plate1)` to 500 V".to_string() } => "What was to be reached by turning one value cannot be reached by it.", "Seek something that the value has an influence on, within what the supply allows.";
    Interrupted { } => "Ctrl-C was pressed, the terminal was closed or the run was asked to end.", "Run it again if that was not meant.";
    OutOfTime { } => "The system limits the processor time of a program.";
    TooSlow { seconds: 60 } => "The run took longer than `--limit seconds` allows.";
    NoRoom { what: "the figures that are asked for", bytes: 4.8e9 } => "Not enough memory is available.";
}

/// No solution.
pub(super) mod none {
    use super::super::row::MessageRow;
    use crate::analysis::NoSolution;
    use crate::analysis::periodic::Trouble;

    pub(super) fn example(singular: bool) -> NoSolution {
        NoSolution {
            analysis: "operating point",
            time: None,
            place: "v(plate1)".to_string(),
            elements: vec!["RP1".to_string(), "XV1A".to_string()],
            tried: vec!["plain Newton", "gmin steps", "source steps"],
            singular,
            swing_hz: None,
            reason: None,
            advice: None,
        }
    }

    /// The shapes that it comes in, and the troubles of steady states.
    pub fn rows() -> Vec<MessageRow> {
        let later = NoSolution {
            analysis: "transient",
            time: Some(0.0123),
            ..example(false)
        };
        let swinging = NoSolution {
            analysis: "mains cycle",
            swing_hz: Some(31.0),
            ..example(false)
        };
        let row = |none: &NoSolution, cause| MessageRow {
            message: none.to_string(),
            is_warning: false,
            cause,
            hint: Some(none.hint().to_string()),
            remedy: "",
        };
        let mut all = vec![
            row(
                &example(true),
                "At that place any voltage, or none, would satisfy the circuit.",
            ),
            row(
                &example(false),
                "The volts at that place would not come to rest by any of the methods.",
            ),
            row(
                &later,
                "From that moment on no next step could be found, however short.",
            ),
            row(
                &swinging,
                "An amplifier that oscillates by itself has no mains cycle that repeats.",
            ),
        ];
        all.extend(steady::rows());
        all
    }

    mod steady {
        use super::super::super::row::{rows, s};
        use super::Trouble;
        use crate::analysis::periodic::Incommensurate;

        fn hint(trouble: &Trouble) -> Option<String> {
            Some(trouble.hint().to_string())
        }

        rows! { Trouble, Trouble::to_string, |_: &Trouble| false, hint;
            Incommensurate { 0: Incommensurate { source: s("VHUM"), freq_hz: 50.0, signal_hz: 1234.5 } } => "Another source has a frequency of its own that shares no short period with the tone, so the circuit never repeats itself.";
            NoSolution { 0: Box::new(super::example(false)) } => "The circuit has no operating point, or a step of the wave could not be solved.";
            TooLong { steps: 5_000_000 } => "The sources repeat together only after a very long time.";
            NotPeriodic { periods: 400, place: s("v(plate1)"), moves: 0.3, unit: "V", unknown: 0 } => "The circuit does not come to repeat itself: it oscillates, or settles for very long.";
        }
    }
}

/// `--limit`.
pub(super) mod limits {
    use super::super::made::returned;
    use crate::limits::{LimitProblem, Limits};

    fn of(text: &str) -> LimitProblem {
        Limits::default().set(text).expect_err("a mistake")
    }

    fn hint(problem: &LimitProblem) -> Option<String> {
        Some(problem.hint())
    }

    returned! { LimitProblem, LimitProblem::to_string, hint;
        Syntax: of("elements") => "The option needs a name, `=` and a number.";
        Unknown: of("element=5") => "No limit has that name.";
        Value: of("elements=many") => "The limit cannot be that, or not so high.";
    }
}
