//! What a command prints and writes, kept in memory in place of files and terminal.
//!
//! A document that gathers the answers of several commands runs them as they are: whatever it
//! shows cannot differ from what the command gives by itself. [`keep`] has all that one thread
//! writes meanwhile kept: files that are staged, the chart with its tables, and messages.
//! Threads that the command starts write nothing by themselves.

use super::table::Table;
use super::terminal;
use std::cell::RefCell;
use std::path::{Path, PathBuf};

/// All that a command printed and wrote.
#[derive(Debug, Default, Clone)]
pub struct Kept {
    /// Files by the names they were asked for, in the order they were staged.
    pub files: Vec<(PathBuf, Vec<u8>)>,
    /// What would have gone to standard output.
    pub chart: String,
    /// The tables of the chart (and any that were made besides), in their order.
    pub tables: Vec<Table>,
    /// What would have gone to standard error.
    pub messages: String,
}

impl Kept {
    /// The text of a file.
    pub fn text(&self, name: &str) -> Option<String> {
        let found = self.files.iter().find(|f| f.0 == Path::new(name))?;
        Some(String::from_utf8_lossy(&found.1).into_owned())
    }
}

thread_local! {
    static KEPT: RefCell<Option<Kept>> = const { RefCell::new(None) };
}

/// Does the work and keeps what this thread writes meanwhile.
pub fn keep<R>(work: impl FnOnce() -> R) -> (R, Kept) {
    let before = KEPT.with_borrow_mut(|kept| kept.replace(Kept::default()));
    let done = work();
    let kept = KEPT.with_borrow_mut(|kept| std::mem::replace(kept, before));
    (done, kept.unwrap_or_default())
}

/// Whether this thread's output is kept.
pub fn is_on() -> bool {
    KEPT.with_borrow(Option::is_some)
}

fn with(act: impl FnOnce(&mut Kept)) -> bool {
    KEPT.with_borrow_mut(|kept| kept.as_mut().map(act).is_some())
}

/// Keeps a file; false if nothing is kept now.
pub fn file(name: &Path, bytes: Vec<u8>) -> bool {
    with(|kept| kept.files.push((name.to_owned(), bytes)))
}

/// Keeps a piece of the chart; false if nothing is kept now.
pub fn chart(text: &str) -> bool {
    with(|kept| kept.chart += text)
}

/// Keeps a message; false if nothing is kept now.
pub fn message(text: &str) -> bool {
    with(|kept| kept.messages += text)
}

impl Table {
    /// The text, each line indented by two blanks; the table is kept too, where that is on. On a
    /// terminal its rows are folded to fit.
    pub fn text(&self) -> String {
        let is_kept = with(|kept| kept.tables.push(self.clone()));
        match terminal::columns() {
            Some(wide) if !is_kept => self.folded(wide),
            _ => self.lines(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::file::Outputs;
    use crate::report::table::Side;

    #[test]
    fn all_is_kept_in_this_thread_and_none_in_another() {
        let ((), kept) = keep(|| {
            assert!(chart("a\n") && message("b\n"));
            let mut t = Table::new(&[("x", Side::Left)]);
            t.row(["1"]);
            t.text();
            let mut outputs = Outputs::new();
            let nowhere = Path::new("/no/such/folder/a.csv");
            outputs.text(nowhere, "1,2\n").expect("kept");
            outputs.text(Path::new("b"), "3\n").expect("kept");
            outputs.commit().expect("kept");
            drop(Outputs::new().text(Path::new("c"), "left undone"));
            std::thread::spawn(|| assert!(!is_on())).join().unwrap();
        });
        assert_eq!(
            (kept.chart.as_str(), kept.messages.as_str()),
            ("a\n", "b\n")
        );
        assert_eq!(kept.tables.len(), 1);
        assert_eq!(kept.text("/no/such/folder/a.csv").as_deref(), Some("1,2\n"));
        assert_eq!(kept.text("b").as_deref(), Some("3\n"));
        assert_eq!(kept.files.len(), 2);
        assert!(!is_on() && !chart("x"));
    }
}
