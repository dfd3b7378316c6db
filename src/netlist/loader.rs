//! Where netlist text comes from. The reader asks a [`Loader`], so that it
//! can be tested without files and need not know what a path is.

use std::collections::HashMap;
use std::fs;
use std::io::Read;
use std::path::{Component, Path, PathBuf};

use thiserror::Error;

use crate::inputs::{self, InputProblem, Sandbox};
use crate::limits::{Bound, raise};

/// Bytes of text that a [`FileLoader`] reads at most.
pub const TEXT_LIMIT: usize = 256 << 20;

/// Finds and reads netlists and the files they include.
pub trait Loader {
    /// `path` as written; `from` is the including file's name as this loader gave it, none for
    /// the main file. Answers the name to show and to look up further includes from, and the
    /// text. One file has one name, or a loop of includes is found late.
    fn load(&self, path: &str, from: Option<&str>) -> Result<(String, String), LoadProblem>;

    /// Whether a file, by its name as this loader gave it, lies outside the folder of the main
    /// file.
    fn is_outside(&self, _name: &str, _main: &str) -> bool {
        false
    }
}

/// Why a file cannot be read.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum LoadProblem {
    /// It cannot be opened.
    #[error(transparent)]
    Input(#[from] InputProblem),
    /// It is larger than a netlist may be.
    #[error("it is larger than a netlist may be")]
    TooLarge,
    /// There is no room for what its lines become.
    #[error("there is not enough memory for a netlist of this size, about {megabytes:.0} MB")]
    NoRoom {
        /// What they take, MB.
        megabytes: f64,
    },
    /// It is not UTF-8.
    #[error("it is not UTF-8 text at line {line}, column {column}")]
    NotText {
        /// From 1.
        line: usize,
        /// From 1, in characters.
        column: usize,
    },
}

impl LoadProblem {
    /// Whether there is no such file.
    pub fn is_not_found(&self) -> bool {
        *self == LoadProblem::Input(InputProblem::NotFound)
    }

    /// What to do about it, where there is something to say.
    pub fn hint(&self) -> Option<String> {
        match self {
            LoadProblem::Input(problem) => problem.hint().map(str::to_string),
            LoadProblem::TooLarge => Some(raise(Bound::NetlistSize)),
            LoadProblem::NoRoom { .. } => {
                Some("close other programs, or raise `ulimit -v` if it is set".into())
            }
            LoadProblem::NotText { .. } => {
                Some("save it as UTF-8 in your editor (letters such as µ differ otherwise)".into())
            }
        }
    }
}

/// Bytes that a netlist takes, read, for each byte of its lines (measured on ladders of 20 000
/// resistors). Comments take nothing.
const READ: f64 = 60.0;

/// Makes sure that there is room for what the lines of a text become. Where memory ends in the
/// midst of the work, the process can only be aborted.
///
/// # Errors
/// If the system would not give it.
pub fn room_for(text: &str) -> Result<(), LoadProblem> {
    let lines = text.lines().filter(|line| !line.starts_with('*'));
    let bytes: usize = lines.map(|line| line.find(';').unwrap_or(line.len())).sum();
    let needed = bytes as f64 * READ;
    match Vec::<u8>::new().try_reserve_exact(needed as usize) {
        Ok(()) => Ok(()),
        Err(_) => Err(LoadProblem::NoRoom {
            megabytes: needed / 1e6,
        }),
    }
}

/// Reads from the file system.
#[derive(Debug, Clone, Copy, Default)]
pub struct FileLoader;

impl Loader for FileLoader {
    fn load(&self, path: &str, from: Option<&str>) -> Result<(String, String), LoadProblem> {
        SandboxLoader {
            sandbox: None,
            own_word: true,
            most: TEXT_LIMIT,
        }
        .load(path, from)
    }

    fn is_outside(&self, name: &str, main: &str) -> bool {
        inputs::is_outside(Path::new(name), Path::new(main))
    }
}

/// Reads from the file system, within a folder where one is set.
#[derive(Debug, Clone, Copy)]
pub struct SandboxLoader<'s> {
    /// The folder.
    pub sandbox: Option<&'s Sandbox>,
    /// Whether the main file is named by the user, and may then lie elsewhere.
    pub own_word: bool,
    /// Bytes of a file at most.
    pub most: usize,
}

impl Loader for SandboxLoader<'_> {
    fn load(&self, path: &str, from: Option<&str>) -> Result<(String, String), LoadProblem> {
        let folder = from.and_then(|f| Path::new(f).parent());
        let path = match folder {
            Some(folder) => plain(&folder.join(path)),
            None => PathBuf::from(path),
        };
        let mut file = if from.is_none() && self.own_word {
            inputs::open_named(&path, self.sandbox)?
        } else {
            inputs::open(&path, self.sandbox)?
        };
        let about = file.metadata().map_err(InputProblem::from)?;
        if about.len() > self.most as u64 {
            return Err(LoadProblem::TooLarge);
        }
        // The length may have been a lie (a file that grows): the limit holds for reading too.
        let mut bytes = Vec::new();
        let mut limited = (&mut file).take(self.most as u64 + 1);
        limited
            .read_to_end(&mut bytes)
            .map_err(InputProblem::from)?;
        if bytes.len() > self.most {
            return Err(LoadProblem::TooLarge);
        }
        let text = String::from_utf8(bytes).map_err(|error| {
            let upto = error.utf8_error().valid_up_to();
            not_text(&String::from_utf8_lossy(&error.as_bytes()[..upto]))
        })?;
        Ok((path.display().to_string(), text))
    }

    fn is_outside(&self, name: &str, main: &str) -> bool {
        inputs::is_outside(Path::new(name), Path::new(main))
    }
}

/// Reads from texts in memory; names are taken as written.
#[derive(Debug, Clone, Default)]
pub struct MemoryLoader {
    texts: HashMap<String, String>,
}

impl MemoryLoader {
    /// A loader that knows one file.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Self {
        MemoryLoader::default().with(name, text)
    }

    /// The same with one more file.
    pub fn with(mut self, name: impl Into<String>, text: impl Into<String>) -> Self {
        self.texts.insert(name.into(), text.into());
        self
    }
}

impl Loader for MemoryLoader {
    fn load(&self, path: &str, _from: Option<&str>) -> Result<(String, String), LoadProblem> {
        match self.texts.get(path) {
            Some(text) => Ok((path.to_string(), text.clone())),
            None => Err(InputProblem::NotFound.into()),
        }
    }
}

/// A path without `.` and, where that changes nothing, without `x/..`: one file then has one
/// name, and a loop of includes is seen the first time round.
fn plain(path: &Path) -> PathBuf {
    let mut folded = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir
                if matches!(folded.components().next_back(), Some(Component::Normal(_))) =>
            {
                folded.pop();
            }
            part => folded.push(part),
        }
    }
    // Behind a symbolic link `x/..` is another folder.
    match (fs::canonicalize(path), fs::canonicalize(&folded)) {
        (Ok(asked), Ok(found)) if asked == found => folded,
        _ => path.to_path_buf(),
    }
}

fn not_text(before: &str) -> LoadProblem {
    let line_start = before.rfind('\n').map_or(0, |n| n + 1);
    LoadProblem::NotText {
        line: before.matches('\n').count() + 1,
        column: before[line_start..].chars().count() + 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(files: &[(&str, &[u8])]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for (name, bytes) in files {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().expect("a parent")).expect("folder made");
            fs::write(path, bytes).expect("file written");
        }
        folder
    }

    #[test]
    fn includes_are_looked_up_from_the_including_file() {
        let folder = folder(&[("main.cir", b"m"), ("sub/a.inc", b"a"), ("sub/b.inc", b"b")]);
        let main = folder.path().join("main.cir").display().to_string();
        let (a, _) = FileLoader
            .load("sub/a.inc", Some(&main))
            .expect("a is read");
        let (b, text) = FileLoader.load("b.inc", Some(&a)).expect("b is read");
        assert_eq!(text, "b");
        assert_eq!(b, folder.path().join("sub/b.inc").display().to_string());
        let (again, _) = FileLoader
            .load("../sub/./b.inc", Some(&a))
            .expect("b again");
        assert_eq!(again, b);
    }

    #[test]
    fn what_is_no_text_file_is_refused() {
        let folder = folder(&[("latin.cir", b"title\n* 10 \xb5F\n")]);
        let path = |name: &str| folder.path().join(name).display().to_string();
        let refuse = |path: &str| FileLoader.load(path, None).expect_err("must be refused");
        assert_eq!(refuse(&path("none.cir")), InputProblem::NotFound.into());
        assert_eq!(refuse(&path("")), InputProblem::Directory.into());
        let not_text = LoadProblem::NotText { line: 2, column: 6 };
        assert_eq!(refuse(&path("latin.cir")), not_text);
        let odd = refuse("a\0b");
        assert!(matches!(odd, LoadProblem::Input(InputProblem::System(_))));
        if cfg!(unix) {
            assert_eq!(refuse("/dev/zero"), InputProblem::Special.into());
        }
    }

    #[test]
    fn a_file_beyond_the_limit_is_refused_without_being_read_whole() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("huge.cir");
        let file = fs::File::create(&path).expect("file made");
        file.set_len(TEXT_LIMIT as u64 + 1).expect("a sparse file");
        let found = FileLoader.load(&path.display().to_string(), None);
        assert_eq!(found.expect_err("too large"), LoadProblem::TooLarge);
    }
}
