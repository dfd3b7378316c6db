//! Messages made by what makes the real ones: the reader and the builder of circuits are given a
//! tiny bad netlist, or a good one and a bad option, and what they say is the example.

use super::row::MessageRow;
use crate::circuit::read::Draft;
use crate::circuit::{bind::Timing, params::Overrides};
use crate::cli::bias;
use crate::cli::common::{self, Session};
use crate::cli::failure::Failure;
use crate::diag::{Diagnostic, Files};
use crate::limits::Limits;
use crate::netlist::{LoadProblem, Loader, MemoryLoader};

/// What provokes a message.
pub struct Example {
    text: String,
    options: &'static [&'static str],
}

/// Lines behind a title.
impl From<&str> for Example {
    fn from(lines: &str) -> Self {
        Example::from(lines.to_string())
    }
}

impl From<String> for Example {
    fn from(lines: String) -> Self {
        Example {
            text: format!("title\n{lines}\n"),
            options: &[],
        }
    }
}

/// Lines behind a title, and options of `bias`.
impl From<(&str, &'static [&'static str])> for Example {
    fn from((lines, options): (&str, &'static [&'static str])) -> Self {
        Example {
            options,
            ..Example::from(lines)
        }
    }
}

/// A whole netlist, whose first line is the title.
pub fn whole(text: &str) -> Example {
    Example {
        text: text.to_string(),
        options: &[],
    }
}

/// The row of a problem, by its variant's name.
pub fn row(
    cause: &str,
    example: impl Into<Example>,
    (why, remedy): (&'static str, &'static str),
) -> MessageRow {
    let example = example.into();
    let said = said(&example);
    let found = said.iter().find(|d| d.cause == cause);
    let diagnostic = found.unwrap_or_else(|| {
        let text: String = example.text.chars().take(300).collect();
        panic!("no `{cause}` of {text:?}: {said:?}")
    });
    MessageRow {
        message: diagnostic.message.clone(),
        is_warning: !diagnostic.is_error(),
        cause: why,
        hint: diagnostic.hint.clone(),
        remedy,
    }
}

/// Files that an example includes.
struct Folder(MemoryLoader);

/// Where more of them than can be listed ask for one another: `chain0` includes `chain1`.
const CHAIN: &str = "chain";
/// A file with nothing in it.
const NOTHING: &str = "nothing";
/// A file that fills all there is room for.
const HUGE: &str = "huge";
/// So much text is let in, so that it is not the whole memory that is filled for an example.
const SIZE_MIB: usize = 1;

impl Loader for Folder {
    fn load(&self, path: &str, from: Option<&str>) -> Result<(String, String), LoadProblem> {
        let text = match path
            .strip_prefix(CHAIN)
            .and_then(|n| n.parse::<usize>().ok())
        {
            Some(n) => format!(".include {CHAIN}{}\n", n + 1),
            None if path == HUGE => " ".repeat(SIZE_MIB << 20),
            None if path == NOTHING => String::new(),
            None => return self.0.load(path, from),
        };
        Ok((path.to_string(), text))
    }
}

/// Everything that is said about an example.
fn said(example: &Example) -> Vec<Diagnostic> {
    const NAME: &str = "amp.cir";
    if !example.options.is_empty() {
        return with_options(NAME, example);
    }
    let memory =
        MemoryLoader::new(NAME, example.text.as_str()).with("loop.cir", ".include amp.cir\n");
    let mut limits = Limits::default();
    let size = limits.set(&format!("netlist-size={SIZE_MIB}"));
    size.expect("a limit of that name");
    let mut draft = Draft::read_within(NAME, &Folder(memory), &limits, Files::default());
    let mut said = std::mem::take(&mut draft.problems);
    let built = draft.build(&Overrides::default(), Timing::default());
    said.extend(match built {
        Ok(built) => built.warnings,
        Err(problems) => problems,
    });
    said
}

/// What `bias` says with options.
fn with_options(name: &str, example: &Example) -> Vec<Diagnostic> {
    let words = ["bias", name]
        .into_iter()
        .chain(example.options.iter().copied());
    let command = (bias::COMMAND.options)(common::options(clap::Command::new("bias")));
    let matches = match command.try_get_matches_from(words) {
        Ok(matches) => matches,
        Err(wrong) => panic!("{wrong}"),
    };
    let run = || -> Result<Vec<Diagnostic>, Failure> {
        let mut session = Session::of_text(&matches, name, &example.text)?;
        let settings = session.settings().clone();
        let built = session.draft.build(&settings, Timing::default());
        let built = built.map_err(|problems| session.failed(problems))?;
        session.probes(&built.circuit, &["op"])?;
        Ok(built.warnings)
    };
    match run() {
        Ok(warnings) | Err(Failure::Input(_, warnings)) => warnings,
        Err(other) => panic!("{}", other.message()),
    }
}

/// The rows of one kind of problem: for each variant what provokes it, its cause and, where the
/// hint does not say it, what to do. A variant without a row does not compile.
macro_rules! made {
    ($problem:ident; $($variant:ident: $example:expr => $cause:literal $(, $remedy:literal)?;)*) => {
        /// That no variant is forgotten is checked by the compiler.
        #[allow(dead_code)]
        fn is_covered(problem: &$problem) {
            match problem {
                $($problem::$variant { .. } => (),)*
            }
        }

        /// A row for each variant.
        pub(in crate::cli::messages) fn rows() -> Vec<$crate::cli::messages::row::MessageRow> {
            vec![$($crate::cli::messages::made::row(
                stringify!($variant),
                $example,
                ($cause, concat!($($remedy)?)),
            )),*]
        }
    };
}
pub(super) use made;
