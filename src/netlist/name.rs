//! Names, with their place.

use crate::diag::Span;

/// A name as written. Names compare without regard to case: use [`Name::key`].
#[derive(Debug, Clone, PartialEq)]
pub struct Name {
    /// As written.
    pub text: String,
    /// Where.
    pub span: Span,
}

impl Name {
    /// The form that is compared: lower case.
    pub fn key(&self) -> String {
        self.text.to_lowercase()
    }
}
