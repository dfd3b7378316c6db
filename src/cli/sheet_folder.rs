//! The files beside a sheet, or in the folder that a command is called from.

use super::memory;
use crate::audio::clip::Clip;
use crate::audio::clip::SampleStream;
use crate::figure::bench::Clips;
use crate::inputs::{self, InputProblem, Sandbox};
use crate::limits::{Bound, Limits};
use crate::netlist::loader::TEXT_LIMIT;
use crate::netlist::{Loader, SandboxLoader};
use crate::report::wav;
use crate::sheet::Stored;
use std::path::{Path, PathBuf};

/// A folder from which names of files start.
#[derive(Debug)]
pub struct SheetFolder {
    folder: PathBuf,
    sandbox: Option<Sandbox>,
    limits: Limits,
}

impl SheetFolder {
    /// The folder that the command is called from.
    pub fn here(sandbox: Option<&Sandbox>, limits: &Limits) -> Self {
        SheetFolder {
            folder: PathBuf::new(),
            sandbox: sandbox.cloned(),
            limits: *limits,
        }
    }

    /// The folder of this sheet.
    pub fn new(sheet: &Path, sandbox: Option<&Sandbox>, limits: &Limits) -> Self {
        SheetFolder {
            folder: sheet.parent().unwrap_or(Path::new("")).to_owned(),
            sandbox: sandbox.cloned(),
            limits: *limits,
        }
    }

    /// What reads the netlist that a sheet names.
    pub fn loader(&self) -> SandboxLoader<'_> {
        SandboxLoader {
            sandbox: self.sandbox.as_ref(),
            own_word: false,
            most: self.limits.count(Bound::NetlistSize) << 20,
        }
    }

    /// A name as a path.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }
}

impl Clips for SheetFolder {
    fn clip(&self, name: &str) -> Result<Clip, String> {
        self.sound(name)?.ok_or_else(|| "no such file".to_string())
    }
}

impl Stored for SheetFolder {
    fn text(&self, name: &str) -> Result<Option<String>, String> {
        let loader = SandboxLoader {
            most: TEXT_LIMIT,
            ..self.loader()
        };
        match loader.load(&self.path(name).display().to_string(), None) {
            Ok((_, text)) => Ok(Some(text)),
            Err(why) if why.is_not_found() => Ok(None),
            Err(why) => Err(why.to_string()),
        }
    }

    fn sound(&self, name: &str) -> Result<Option<Clip>, String> {
        let file = match inputs::open(&self.path(name), self.sandbox.as_ref()) {
            Ok(file) => file,
            Err(InputProblem::NotFound) => return Ok(None),
            Err(why) => return Err(why.to_string()),
        };
        let mut file = wav::read_wav(file).map_err(|e| e.to_string())?;
        // Held in memory whole: asked for before, because failing there is no message.
        let (length, most) = (file.length(), self.limits.get(Bound::ClipSamples));
        if length > most {
            return Err(format!("it has {length} samples, more than {most}"));
        }
        memory::require(length as f64 * 16.0, "the sound").map_err(|f| f.message())?;
        Clip::collect(&mut file)
            .map(Some)
            .map_err(|e| e.to_string())
    }
}
