//! What stands beside a sheet, or in the folder that a command is called from.

use crate::audio::clip::Clip;
use crate::figure::bench::Clips;
use crate::netlist::{FileLoader, LoadProblem, Loader};
use crate::report::wav::{self, WavProblem};
use crate::sheet::Stored;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// A folder from which names of files start.
#[derive(Debug)]
pub struct Beside {
    folder: PathBuf,
}

impl Beside {
    /// The folder that the command is called from.
    pub fn here() -> Self {
        Beside {
            folder: PathBuf::new(),
        }
    }

    /// The folder of this sheet.
    pub fn new(sheet: &Path) -> Self {
        Beside {
            folder: sheet.parent().unwrap_or(Path::new("")).to_owned(),
        }
    }

    /// A name as a path.
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
