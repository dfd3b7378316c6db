//! Messages made by what makes the real ones: the reader and the builder of circuits are given a
//! tiny bad netlist, or a good one and a bad option, the reader and the judge of sheets a tiny bad
//! sheet, the bench a bad figure, and what they say is the example. What only a disk or a huge
//! circuit could provoke is a problem written down, whose words come from where the real ones do.

use super::row::MessageRow;
use crate::audio::clip::Clip;
use crate::circuit::held::{contradictions, unread_initial_values};
use crate::circuit::read::Draft;
use crate::circuit::{bind::Timing, params::Overrides};
use crate::cli::bias;
use crate::cli::common::{self, Session};
use crate::cli::failure::Failure;
use crate::diag::{Diagnostic, Files};
use crate::figure::Figure;
use crate::figure::Words;
use crate::figure::bench::{Bench, Clips, FigureValue, Trouble};
use crate::limits::Limits;
use crate::netlist::{LoadProblem, Loader, MemoryLoader};
use crate::sheet::judge::judge;
use crate::sheet::{self, Stored};

/// What provokes a message.
pub enum Example {
    /// A netlist and options of `bias`.
    Netlist(String, &'static [&'static str]),
    /// A sheet about [`CIRCUIT`].
    Sheet(String),
    /// A figure of [`CIRCUIT`].
    Figure(&'static str),
    /// A problem as it stands.
    Problem(Diagnostic),
}

/// Lines behind a title.
impl From<&str> for Example {
    fn from(lines: &str) -> Self {
        Example::from(lines.to_string())
    }
}

impl From<String> for Example {
    fn from(lines: String) -> Self {
        Example::Netlist(format!("title\n{lines}\n"), &[])
    }
}

/// Lines behind a title, and options of `bias`.
impl From<(&str, &'static [&'static str])> for Example {
    fn from((lines, options): (&str, &'static [&'static str])) -> Self {
        Example::Netlist(format!("title\n{lines}\n"), options)
    }
}

/// A problem as it stands.
pub fn written(problem: impl Into<Diagnostic>) -> Example {
    Example::Problem(problem.into())
}

/// A whole netlist, whose first line is the title.
pub fn whole(text: &str) -> Example {
    Example::Netlist(text.to_string(), &[])
}

/// A sheet that names its netlist, and further lines.
pub fn sheet(lines: impl AsRef<str>) -> Example {
    Example::Sheet(format!("netlist = \"{NAME}\"\n{}\n", lines.as_ref()))
}

/// A sheet of one expectation.
pub fn expect(lines: &str) -> Example {
    sheet(format!("[[expect]]\n{lines}"))
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
    let diagnostic =
        found.unwrap_or_else(|| panic!("no `{cause}` of {}: {said:?}", example.words()));
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

impl Example {
    /// The first of its words.
    fn words(&self) -> String {
        let words = match self {
            Example::Netlist(text, _) | Example::Sheet(text) => text,
            Example::Figure(text) => *text,
            Example::Problem(problem) => &problem.message,
        };
        words.chars().take(300).collect()
    }
}

/// The name of the netlist.
const NAME: &str = "amp.cir";

/// What sheets and figures are about.
const CIRCUIT: &str =
    "title\nVIN in 0 0\nVB b 0 10\nR1 in out 1k\nR2 out 0 1k\nC1 out 0 1n\nR3 b 0 1k\n";

/// Everything that is said about an example.
fn said(example: &Example) -> Vec<Diagnostic> {
    match example {
        Example::Netlist(text, []) => of_netlist(text),
        Example::Netlist(text, options) => with_options(text, options),
        Example::Sheet(text) => of_sheet(text).unwrap_or_else(|said| said),
        Example::Figure(text) => of_figure(text).unwrap_or_else(|said| said),
        Example::Problem(problem) => vec![problem.clone()],
    }
}

fn of_netlist(text: &str) -> Vec<Diagnostic> {
    let memory = MemoryLoader::new(NAME, text).with("loop.cir", ".include amp.cir\n");
    let mut limits = Limits::default();
    let size = limits.set(&format!("netlist-size={SIZE_MIB}"));
    size.expect("a limit of that name");
    let mut draft = Draft::read_within(NAME, &Folder(memory), &limits, Files::default());
    let mut said = std::mem::take(&mut draft.problems);
    let built = draft.build(&Overrides::default(), Timing::default());
    said.extend(match built {
        Ok(built) => {
            let of_start = unread_initial_values(&built.circuit).into_iter().collect();
            [built.warnings, contradictions(&built.circuit), of_start].concat()
        }
        Err(problems) => problems,
    });
    said
}

/// What `bias` says with options.
fn with_options(text: &str, options: &[&str]) -> Vec<Diagnostic> {
    let words = ["bias", NAME].into_iter().chain(options.iter().copied());
    let command = (bias::COMMAND.options)(common::options(clap::Command::new("bias")));
    let matches = match command.try_get_matches_from(words) {
        Ok(matches) => matches,
        Err(wrong) => panic!("{wrong}"),
    };
    let run = || -> Result<Vec<Diagnostic>, Failure> {
        let mut session = Session::of_text(&matches, NAME, text)?;
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

fn silence(rate_hz: u32, samples: usize) -> Clip {
    Clip {
        rate_hz,
        channels: 1,
        samples: vec![0.0; samples],
    }
}

/// The files beside a sheet.
struct Beside;

impl Clips for Beside {
    fn clip(&self, name: &str) -> Result<Clip, String> {
        match name {
            "silence.wav" => Ok(silence(48_000, 0)),
            "take.wav" => Ok(silence(48_000, 4800)),
            _ => Err("no such file".to_string()),
        }
    }
}

impl Stored for Beside {
    fn text(&self, name: &str) -> Result<Option<String>, String> {
        match name {
            "other.csv" => Ok(Some("time_s,v(a),v(b)\n0,1,1\n1,1,1\n".to_string())),
            "broken.csv" => Ok(Some("time_s,v(out)\n0,1\n1,x\n".to_string())),
            "long.csv" => Ok(Some("time_s,v(out)\n0,1\n1,1\n".to_string())),
            "locked.csv" => Err("permission denied".to_string()),
            _ => Ok(None),
        }
    }

    fn sound(&self, name: &str) -> Result<Option<Clip>, String> {
        Ok(match name {
            "other.wav" => Some(silence(44_100, 1000)),
            "out.wav" => Some(silence(48_000, 1000)),
            _ => None,
        })
    }
}

/// What is said about a sheet, in the one case or the other.
fn of_sheet(text: &str) -> Result<Vec<Diagnostic>, Vec<Diagnostic>> {
    let mut files = Files::default();
    let file = files.add("amp.sheet.toml", text);
    let sheet = sheet::read(file, &files)?;
    let mut said = Vec::new();
    for expectation in &sheet.expectations {
        match measured(&expectation.figure) {
            Ok(found) => said.extend(judge(expectation, "", &found, &Beside).err()),
            Err(more) => said.extend(more),
        }
    }
    Ok(said)
}

fn of_figure(text: &str) -> Result<Vec<Diagnostic>, Vec<Diagnostic>> {
    let file = Files::default().add("--figure", text);
    let figure = Figure::parse(text, Words::whole(file, text)).map_err(|wrong| vec![wrong])?;
    measured(&figure).map(|_| Vec::new())
}

/// A figure of the circuit.
fn measured(figure: &Figure) -> Result<FigureValue, Vec<Diagnostic>> {
    let draft = Draft::text(CIRCUIT);
    let settings = Overrides::default();
    let stopped = || false;
    let mut bench = Bench::new(&draft.netlist, settings, draft.files, &Beside, &stopped);
    match bench.measure(&[figure])?.pop() {
        Some(Ok(found)) => Ok(found),
        Some(Err(Trouble::Input(wrong))) => Err(vec![wrong]),
        other => panic!("`{}`: {other:?}", figure.text),
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

/// The rows of one kind of problem whose examples are what the code itself returns for something
/// bad. A variant without a row does not compile, and one whose example is another does not pass.
macro_rules! returned {
    ($problem:ident, $text:expr, $hint:expr;
     $($variant:ident: $example:expr => $cause:literal $(, $remedy:literal)?;)*) => {
        /// That no variant is forgotten is checked by the compiler.
        #[allow(dead_code)]
        fn is_covered(problem: &$problem) {
            match problem {
                $($problem::$variant { .. } => (),)*
            }
        }

        /// A row for each variant.
        pub(in crate::cli::messages) fn rows() -> Vec<$crate::cli::messages::row::MessageRow> {
            vec![$({
                let problem: $problem = $example;
                assert!(matches!(problem, $problem::$variant { .. }), "{problem:?}");
                $crate::cli::messages::row::MessageRow {
                    message: $text(&problem),
                    is_warning: false,
                    cause: $cause,
                    hint: $hint(&problem),
                    remedy: concat!($($remedy)?),
                }
            }),*]
        }
    };
}
pub(super) use returned;
