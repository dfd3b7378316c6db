//! Which sheets there are, and what stands beside them.

use crate::audio::clip::Clip;
use crate::figure::bench::Clips;
use crate::netlist::{FileLoader, LoadProblem, Loader};
use crate::report::wav::{self, WavProblem};
use crate::sheet::Stored;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// What the names of sheets end with.
const ENDING: &str = ".sheet.toml";

/// Every sheet of the paths: files as named, in folders all whose names end so, by name. A
/// path that has none is told in its place.
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

/// The folder of a sheet.
#[derive(Debug)]
pub struct Beside {
    folder: PathBuf,
}

impl Beside {
    /// The folder of this sheet.
    pub fn new(sheet: &Path) -> Self {
        Beside {
            folder: sheet.parent().unwrap_or(Path::new("")).to_owned(),
        }
    }

    /// A name that the sheet writes, as a path.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }
}

impl Clips for Beside {
    fn clip(&self, name: &str) -> Result<Clip, String> {
        self.sound(name)?.ok_or_else(|| "no such file".to_string())
    }
}

impl Stored for Beside {
    fn text(&self, name: &str) -> Result<Option<String>, String> {
        match FileLoader.load(&self.path(name).display().to_string(), None) {
            Ok((_, text)) => Ok(Some(text)),
            Err(LoadProblem::NotFound) => Ok(None),
            Err(why) => Err(why.to_string()),
        }
    }

    fn sound(&self, name: &str) -> Result<Option<Clip>, String> {
        let mut file = match wav::open_wav(&self.path(name)) {
            Ok(file) => file,
            Err(WavProblem::Open(e)) if e.kind() == ErrorKind::NotFound => return Ok(None),
            Err(why) => return Err(why.to_string()),
        };
        Clip::collect(&mut file)
            .map(Some)
            .map_err(|e| e.to_string())
    }
}
