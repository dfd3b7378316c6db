//! What must hold of whatever is fed to the readers. The fuzz targets ask it with inputs that
//! libFuzzer breeds, `tests/fed.rs` with inputs made by rule: one truth for both.

// Each target is a crate of its own and uses its own part of this.
#![allow(dead_code)]

pub mod arguments;
pub mod netlist;
pub mod settings;
pub mod sheet;
pub mod solved;
pub mod table;
pub mod wav;
pub mod words;

use gridleak::diag::{Diagnostic, Files, Span};

/// Every message says something, at a place that is there.
pub fn said(diagnostics: &[Diagnostic], sources: &Files) {
    for diagnostic in diagnostics {
        assert!(!diagnostic.message.trim().is_empty(), "{diagnostic:?}");
        if let Some(hint) = &diagnostic.hint {
            assert!(!hint.trim().is_empty(), "{diagnostic:?}");
        }
        match diagnostic.span {
            Some(span) => inside(span, sources),
            // These are about the whole.
            None => assert!(
                diagnostic.message == "the netlist has no elements"
                    || diagnostic.message.starts_with("more than 50 errors"),
                "{diagnostic:?}"
            ),
        }
        if let Some((span, label)) = diagnostic.also.as_deref() {
            inside(*span, sources);
            assert!(!label.is_empty(), "{diagnostic:?}");
        }
        let shown = sources.render(diagnostic);
        let odd = |c: char| c.is_control() && c != '\n';
        assert!(!shown.contains(odd), "{shown:?}");
        assert!(shown.starts_with(['e', 'w']), "{shown}");
    }
}

/// A place lies in its file and between characters.
fn inside(span: Span, sources: &Files) {
    assert!(sources.files().any(|f| f == span.file), "{span:?}");
    let text = sources.text(span.file);
    let (start, end) = (span.start as usize, span.end as usize);
    assert!(text.get(start..end).is_some(), "{span:?} in {text:?}");
}
