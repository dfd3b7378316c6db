//! A drawing without figures.

use crate::cli::command::SAFETY;
use crate::drawing::Notes;

/// What every drawing says.
pub(super) fn plain() -> Notes {
    Notes {
        caution: vec![SAFETY.to_string()],
        ..Notes::default()
    }
}
