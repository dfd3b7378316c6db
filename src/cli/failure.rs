//! Why a command could not do its work.

use super::outcome::Outcome;
use super::signals;
use crate::analysis::NoSolution;
use crate::analysis::periodic::Trouble;
use crate::audio::clip::SourceProblem;
use crate::diag::{Diagnostic, Files, clean};
use crate::inputs::{self, InputProblem, cannot_read};
use crate::measure::distortion::Halt;
use crate::netlist::LoadProblem;
use crate::num;
use crate::report::file::FileProblem;
use crate::report::wav::WavProblem;
use std::path::Path;

/// The three kinds of failure, kept apart; a bug panics instead.
#[derive(Debug)]
pub enum Failure {
    /// Mistakes in the netlist or the settings, already with their places.
    Input(Box<Files>, Vec<Diagnostic>),
    /// The same, already in words.
    Reported(String),
    /// A mistake on the command line that has no place in a file.
    Usage(Usage),
    /// An output that cannot be written.
    File(FileProblem),
    /// A sound file that cannot be read or written.
    Wav(WavProblem),
    /// A sound that breaks off.
    Clip(SourceProblem),
    /// The circuit has no solution that was found.
    NoSolution(Box<NoSolution>),
    /// The circuit has solutions, but none of the kind asked for.
    Unsolved {
        /// What was sought and what was found.
        message: String,
        /// What to try.
        hint: String,
    },
    /// A target that no value brings about.
    Unreached(String),
    /// The user broke off.
    Interrupted,
    /// The processor time of `ulimit -t` is used up.
    OutOfTime,
    /// It took longer than `--limit seconds=N` allows.
    TooSlow {
        /// The limit, s.
        seconds: u64,
    },
    /// There is not enough memory.
    NoRoom {
        /// What for.
        what: &'static str,
        /// How many bytes.
        bytes: f64,
    },
}

/// A mistake on the command line, to which a remedy may be added once.
#[derive(Debug)]
pub struct Usage {
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub hint: Option<String>,
}

impl Usage {
    /// The failure with what to do.
    pub fn hint(self, hint: impl Into<String>) -> Failure {
        self.hint_if_any(Some(hint.into()))
    }

    /// The failure with what to do, where there is something to say.
    pub fn hint_if_any(self, hint: Option<String>) -> Failure {
        let message = self.message;
        Failure::Usage(Usage { message, hint })
    }
}

/// A file that was probably meant, as a hint.
pub fn meant(path: &Path) -> Option<String> {
    inputs::like(path).map(|like| format!("did you mean `{like}`?"))
}

impl From<Usage> for Failure {
    /// Without a remedy.
    fn from(usage: Usage) -> Self {
        Failure::Usage(usage)
    }
}

impl Failure {
    /// A usage mistake.
    pub fn usage(message: impl Into<String>) -> Usage {
        Usage {
            message: message.into(),
            hint: None,
        }
    }

    /// A text file that the user names and that cannot be read.
    pub fn unread(path: &str, why: &LoadProblem) -> Self {
        let failure = Failure::usage(cannot_read(Path::new(path), why));
        failure.hint_if_any(why.hint().or_else(|| meant(Path::new(path))))
    }

    /// Fails if nothing has the name that the user gave, and something beside it nearly has.
    ///
    /// # Errors
    /// With what was probably meant.
    pub fn if_misspelt(path: &str) -> Result<(), Failure> {
        let path = Path::new(path);
        match meant(path) {
            Some(hint) => {
                Err(Failure::usage(cannot_read(path, &InputProblem::NotFound)).hint(hint))
            }
            None => Ok(()),
        }
    }

    /// The exit code.
    pub fn outcome(&self) -> Outcome {
        match self {
            Failure::NoSolution(_) | Failure::Unsolved { .. } | Failure::Unreached(_) => {
                Outcome::NoSolution
            }
            Failure::Interrupted | Failure::OutOfTime => Outcome::Interrupted(signals::number()),
            _ => Outcome::Bad,
        }
    }

    /// What standard error gets.
    pub fn message(&self) -> String {
        let plain = |message: &str, hint: Option<&str>| {
            let mut text = format!("error: {}\n", clean::line(message));
            if let Some(hint) = hint {
                text += &format!("hint: {}\n", clean::line(hint));
            }
            text
        };
        match self {
            Failure::Input(sources, diagnostics) => diagnostics
                .iter()
                .map(|d| sources.render(d) + "\n")
                .collect(),
            Failure::Reported(text) => format!("{}\n", text.trim_end()),
            Failure::Usage(usage) => plain(&usage.message, usage.hint.as_deref()),
            Failure::File(problem) => plain(&problem.to_string(), Some(&problem.hint())),
            Failure::Wav(problem) => plain(&problem.to_string(), problem.hint()),
            Failure::Clip(problem) => plain(&problem.to_string(), Some(problem.hint())),
            Failure::Unreached(message) => plain(message, None),
            Failure::Interrupted => plain("interrupted: no file was written", None),
            Failure::OutOfTime => plain(
                "the processor time allowed is used up: no file was written",
                Some("ask for less, or raise the limit (`ulimit -t`)"),
            ),
            Failure::TooSlow { seconds } => plain(
                &format!("given up after {seconds} s: no file was written"),
                Some("ask for less, or allow more time, for example `--limit seconds=600`"),
            ),
            Failure::NoRoom { what, bytes } => plain(
                &format!(
                    "not enough memory for {what}: {} are needed",
                    num::engineering(*bytes, "B", 2)
                ),
                Some(
                    "ask for less (a longer --step, fewer probes, a shorter clip), or raise the \
                     limit (`ulimit -v unlimited`)",
                ),
            ),
            Failure::NoSolution(none) => plain(&none.to_string(), Some(none.hint())),
            Failure::Unsolved { message, hint } => plain(message, Some(hint)),
        }
    }
}

impl From<FileProblem> for Failure {
    fn from(problem: FileProblem) -> Self {
        Failure::File(problem)
    }
}

impl From<WavProblem> for Failure {
    fn from(problem: WavProblem) -> Self {
        Failure::Wav(problem)
    }
}

impl From<SourceProblem> for Failure {
    fn from(problem: SourceProblem) -> Self {
        Failure::Clip(problem)
    }
}

impl From<Trouble> for Failure {
    fn from(trouble: Trouble) -> Self {
        match trouble {
            Trouble::NoSolution(none) => Failure::NoSolution(none),
            other => Failure::Unsolved {
                message: other.to_string(),
                hint: other.hint().to_string(),
            },
        }
    }
}

impl From<Halt<Failure>> for Failure {
    fn from(halt: Halt<Failure>) -> Self {
        match halt {
            Halt::Trouble(trouble) => trouble.into(),
            Halt::OutOfReach(out) => Failure::Unsolved {
                message: out.to_string(),
                hint: "ask for a lower output level".to_string(),
            },
            Halt::Stopped(failure) => failure,
        }
    }
}

impl From<Box<NoSolution>> for Failure {
    fn from(none: Box<NoSolution>) -> Self {
        Failure::NoSolution(none)
    }
}
