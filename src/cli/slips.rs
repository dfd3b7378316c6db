//! Slips on the command line whose remedy is known: an option of another command, a netlist where
//! a command should be, a file that would be an SVG with the name of a PNG.

use crate::diag::in_a_row;
use clap::ArgMatches;
use clap::error::{ContextKind, ContextValue, ErrorKind};
use std::path::Path;

/// Endings of pictures, pages, tables and sounds of other kinds, which other programs open.
const FOREIGN: &[&str] = &[
    "png", "jpg", "jpeg", "gif", "webp", "bmp", "tif", "tiff", "pdf", "ps", "eps", "doc", "docx",
    "odt", "xls", "xlsx", "ods", "mp3", "ogg", "opus", "m4a", "flac", "aif", "aiff",
];
/// More commands than this are not listed.
const MANY: usize = 12;

/// What to do about a command line that cannot be read, where there is something to say. A tip of
/// the reader's that misleads is taken out.
pub fn hint(error: &mut clap::Error, line: &clap::Command) -> Option<String> {
    let word = |kind| match error.get(kind) {
        Some(ContextValue::String(word)) => Some(word.clone()),
        _ => None,
    };
    match error.kind() {
        ErrorKind::UnknownArgument => {
            let word = word(ContextKind::InvalidArg)?;
            if !word.starts_with('-') {
                return Some(
                    "put a file name with spaces in quotes; write a setting without spaces: `--set RK=1.5k`"
                        .to_string(),
                );
            }
            let long = word.strip_prefix("--")?;
            let has = |c: &&clap::Command| c.get_arguments().any(|a| a.get_long() == Some(long));
            let of: Vec<String> = (line.get_subcommands().filter(has))
                .map(|c| format!("`{}`", c.get_name()))
                .collect();
            if of.is_empty() {
                return None;
            }
            // One would have it taken for the name of a file, the other for a word that looks like it.
            error.remove(ContextKind::Suggested);
            error.remove(ContextKind::SuggestedArg);
            Some(if of.len() > MANY {
                format!("`{word}` is an option of most other commands")
            } else {
                format!("`{word}` is an option of {}", in_a_row(&of))
            })
        }
        ErrorKind::InvalidSubcommand => {
            let word = word(ContextKind::InvalidSubcommand)?;
            let is_file = Path::new(&word).is_file() || word.to_lowercase().ends_with(".cir");
            is_file.then(|| format!("the command comes first: `gridleak bias {word}`"))
        }
        _ => None,
    }
}

/// A warning for each output whose name says that it is of another kind than it will be.
pub fn misnamed(command: &str, given: &ArgMatches) -> String {
    let out = match command {
        "draw" => Some("svg"),
        "listen" | "book" => Some("html"),
        "render" => Some("wav"),
        "fit" => Some("cir"),
        _ => None,
    };
    let kinds = [
        ("out", out),
        ("plot", Some("svg")),
        ("csv", Some("csv")),
        ("json", Some("json")),
    ];
    let mut text = String::new();
    for (option, kind) in kinds {
        let (Some(kind), Ok(Some(path))) = (kind, given.try_get_one::<String>(option)) else {
            continue;
        };
        let path = Path::new(path);
        let ending = path.extension().and_then(|e| e.to_str());
        let Some(ending) = ending.map(str::to_lowercase) else {
            continue;
        };
        if FOREIGN.contains(&ending.as_str()) {
            let (shown, fit) = (path.display(), path.with_extension(kind));
            let opens = match kind {
                "svg" | "html" => "; a browser opens it",
                _ => "",
            };
            text += &format!(
                "warning: `{shown}` will be {}, whatever its name says\nhint: name it `{}`{opens}\n",
                written(kind),
                fit.display()
            );
        }
    }
    text
}

/// A kind of file in words.
fn written(kind: &str) -> &'static str {
    match kind {
        "svg" => "an SVG picture",
        "html" => "an HTML page",
        "wav" => "a WAV file",
        "cir" => "a netlist",
        "csv" => "a CSV table",
        _ => "JSON",
    }
}
