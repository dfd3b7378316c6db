//! Which sheets there are.

use std::path::{Path, PathBuf};

/// What the names of sheets end with.
const ENDING: &str = ".sheet.toml";

/// Every sheet of the paths: files as named, in folders all whose names end so, by name. A
/// path that has none is reported in its place.
pub fn find(paths: &[&str]) -> Vec<Result<PathBuf, String>> {
    let mut all: Vec<Result<PathBuf, String>> = Vec::new();
    for path in paths {
        let mut found = Vec::new();
        let folder = Path::new(path);
        if folder.is_dir() {
            match walk(folder, &mut found) {
                Ok(()) if found.is_empty() => {
                    found.push(Err(format!("no *{ENDING} in the folder `{path}`")));
                }
                Ok(()) => {}
                Err(why) => found.push(Err(why)),
            }
        } else {
            found.push(Ok(folder.to_owned()));
        }
        for sheet in found {
            if !all.contains(&sheet) {
                all.push(sheet);
            }
        }
    }
    all
}

fn walk(folder: &Path, found: &mut Vec<Result<PathBuf, String>>) -> Result<(), String> {
    let unreadable =
        |e: std::io::Error| format!("cannot read the folder `{}`: {e}", folder.display());
    let mut entries = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let entry = entry.map_err(unreadable)?;
        entries.push((entry.path(), entry.file_type().map_err(unreadable)?));
    }
    entries.sort_by(|a, b| a.0.cmp(&b.0));
    for (path, kind) in entries {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if name.starts_with('.') {
            continue;
        }
        // Links to folders are not followed: they may lead back.
        if kind.is_dir() {
            walk(&path, found)?;
        } else if name.ends_with(ENDING) {
            found.push(Ok(path));
        }
    }
    Ok(())
}
