//! What came of a case.

use crate::cli::sheet_folder::SheetFolder;
use crate::sheet::cases::Case;
use crate::sheet::run::{Done, Ready};

/// What became of it.
pub(crate) enum Checked<'r> {
    /// A case.
    Case {
        ready: &'r Ready,
        beside: &'r SheetFolder,
        case: &'r Case,
        expected: Vec<usize>,
        done: Done,
    },
    /// A sheet that cannot be run, and the messages about it.
    Bad(&'r str, &'r str),
}
