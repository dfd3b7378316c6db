//! A circuit straight from a netlist, for whoever needs neither settings nor warnings.

use super::bind::Timing;
use super::params::Overrides;
use super::{Circuit, build};
use crate::diag::{Diagnostic, Files};
use crate::netlist::{self, FileLoader, Loader, MemoryLoader};
use std::fmt;
use std::path::Path;

/// Why there is no circuit: all that is wrong with a netlist, with its places.
#[derive(Clone)]
pub struct Refused {
    /// The texts that the places are in.
    pub files: Box<Files>,
    /// Errors, and warnings with them.
    pub problems: Vec<Diagnostic>,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (k, problem) in self.problems.iter().enumerate() {
            let gap = if k == 0 { "" } else { "\n" };
            write!(f, "{gap}{}", self.files.render(problem))?;
        }
        Ok(())
    }
}

// What `main` and `unwrap` show is for people too.
impl fmt::Debug for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "\n{self}")
    }
}

impl std::error::Error for Refused {}

impl Circuit {
    /// The circuit of a netlist in a file.
    ///
    /// # Errors
    /// All that is wrong with it.
    pub fn from_file(path: impl AsRef<Path>) -> Result<Circuit, Refused> {
        Circuit::from_file_with(path, &Overrides::default())
    }

    /// The same under settings.
    ///
    /// # Errors
    /// All that is wrong with both.
    pub fn from_file_with(
        path: impl AsRef<Path>,
        settings: &Overrides,
    ) -> Result<Circuit, Refused> {
        read(&path.as_ref().display().to_string(), &FileLoader, settings)
    }

    /// The circuit of a netlist's text.
    ///
    /// # Errors
    /// All that is wrong with it.
    pub fn from_text(text: &str) -> Result<Circuit, Refused> {
        Circuit::from_text_with(text, &Overrides::default())
    }

    /// The same under settings.
    ///
    /// # Errors
    /// All that is wrong with both.
    pub fn from_text_with(text: &str, settings: &Overrides) -> Result<Circuit, Refused> {
        const NAME: &str = "netlist.cir";
        read(NAME, &MemoryLoader::new(NAME, text), settings)
    }
}

fn read(name: &str, loader: &dyn Loader, settings: &Overrides) -> Result<Circuit, Refused> {
    let mut files = Files::default();
    let reading = netlist::read(name, loader, &mut files);
    let circuit = if reading.is_good() {
        build(&reading.netlist, settings, Timing::default(), &mut files)
    } else {
        Err(reading.diagnostics)
    };
    match circuit {
        Ok(built) => Ok(built.circuit),
        Err(problems) => Err(Refused {
            files: Box::new(files),
            problems,
        }),
    }
}
