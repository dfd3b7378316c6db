//! Where an output is to go, by its name alone.

use std::path::Path;

/// The target that stands for standard output.
pub const STANDARD_OUTPUT: &str = "-";

/// Whether a target stands for standard output.
pub fn is_standard_output(path: &Path) -> bool {
    path == Path::new(STANDARD_OUTPUT)
}

/// The directory that holds a file.
pub fn directory_of(real: &Path) -> &Path {
    match real.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}
