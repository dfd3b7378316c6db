//! `messages`: every error and warning with its cause and remedy, made by the code itself.
//!
//! One table a kind of problem, with a row for each of its variants: a variant without a row
//! does not compile. What netlists and circuits provoke is said by the reader and the builder of
//! circuits themselves ([`made`]); the other examples are problems written down by hand, whose
//! words come from where the real ones do.

mod circuit;
mod files;
mod made;
mod netlist;
mod row;
mod runs;
mod sheets;

use super::command::Command;
use super::tell::print;
use row::MessageRow;
use std::fmt::Write;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "messages",
    about: "List every error and warning, with cause and remedy (Markdown)",
    options: |_| clap::Command::new("messages").about(COMMAND.about),
    run: |_| print(&text()),
};

/// The sections in the order of the document.
fn sections() -> [(&'static str, &'static str, Vec<MessageRow>); 15] {
    [
        (
            "The text of a netlist",
            "Each comes with file, line, column and the words that are meant.",
            netlist::rows(),
        ),
        (
            "The circuit",
            "The text is in order, but it makes no circuit, or one that stands to be looked at.",
            circuit::rows(),
        ),
        (
            "Doubtful values",
            "Warnings about numbers that are valid and yet look like a slip.",
            circuit::doubts::rows(),
        ),
        (
            "No solution",
            "The circuit is understood and has no answer, or none was found. Exit code 3.",
            runs::none::rows(),
        ),
        (
            "Figures",
            "In sheets, in `vary` and in `bias --seek`.",
            sheets::figures::rows(),
        ),
        ("Sheets", "Of `check`.", sheets::rows()),
        (
            "Tolerances",
            "Of `spread`, and of `; tol=` on a part's line.",
            sheets::tolerances::rows(),
        ),
        ("Readings of a valve", "Of `fit`.", files::readings::rows()),
        ("Files that are read", "", files::read::rows()),
        ("Netlists and sheets as files", "", files::texts::rows()),
        ("Files that are written", "", files::rows()),
        ("Sound files", "", files::sound::rows()),
        ("Sound and knob positions", "", files::curves()),
        ("Limits", "See `gridleak limits`.", runs::limits::rows()),
        ("The run as a whole", "", runs::rows()),
    ]
}

/// The document.
fn text() -> String {
    let mut text = String::from(
        "# Messages of gridleak\n\n\
         Every message begins with `error:` or `warning:` and says on a line of its own, after \
         `hint:`, what can be done. After an error nothing has been written. Exit codes: 0 done, \
         1 an expectation or rating failed, 2 bad usage or file, 3 no solution, 128 and the \
         number of a signal if one ended the run.\n\n\
         Names and numbers below are examples. Mistakes on the command line itself (an option \
         that is missing or makes no sense) name the option and say what is expected; they are \
         not repeated here. If the last words are `memory allocation of N bytes failed`, there was \
         no memory left: ask for less, or raise `ulimit -v`. If they begin with `thread ... \
         panicked`, the fault is gridleak's own: please report it with the netlist.\n",
    );
    for (title, about, rows) in sections() {
        let _ = write!(text, "\n## {title}\n");
        if !about.is_empty() {
            let _ = write!(text, "\n{about}\n");
        }
        for row in rows {
            let kind = if row.is_warning { "warning" } else { "error" };
            let _ = write!(text, "\n### {kind}: {}\n\n", row.message);
            let _ = writeln!(text, "- Cause: {}", row.cause);
            if !row.remedy.is_empty() {
                let _ = writeln!(text, "- Remedy: {}", row.remedy);
            }
            if let Some(hint) = row.hint {
                let _ = writeln!(text, "- The tool adds: {hint}");
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// That every variant has a row is checked by the compiler; what the rows say, here.
    #[test]
    fn every_message_has_a_cause_and_a_remedy() {
        let mut count = 0;
        for (title, _, rows) in sections() {
            assert!(!rows.is_empty(), "{title}");
            for row in rows {
                assert!(row.cause.ends_with('.'), "{}: {}", row.message, row.cause);
                let remedy = row.remedy.len() + row.hint.as_ref().map_or(0, String::len);
                assert!(remedy > 10, "no remedy: {}", row.message);
                assert!(!row.message.contains('\n'), "{}", row.message);
                count += 1;
            }
        }
        println!("{count} messages");
        assert!(count > 200);
    }
}
