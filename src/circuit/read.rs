//! From a netlist's text to its circuit, for the command line, sheets, tests and scripts alike: a
//! [`Draft`] where settings and warnings count, [`Circuit::from_file`] and its kin where they do not.

use super::bind::Timing;
use super::network::Circuit;
use super::params::Overrides;
use super::{Built, build, build_unwired};
use crate::diag::{Diagnostic, Files};
use crate::limits::Limits;
use crate::netlist::statement::Netlist;
use crate::netlist::{self, FileLoader, Loader, MemoryLoader};
use std::fmt;
use std::path::Path;

/// Name of a netlist that is not a file.
const NAME: &str = "netlist.cir";

/// A netlist that was read, with the texts that its messages point into.
#[derive(Debug, Clone)]
pub struct Draft {
    /// Its lines; what could be read of them if there are errors.
    pub netlist: Netlist,
    /// The texts that places are in.
    pub files: Files,
    /// What is wrong or doubtful about it so far.
    pub problems: Vec<Diagnostic>,
}

impl Draft {
    /// A netlist in a file, with what it includes.
    pub fn file(path: impl AsRef<Path>) -> Self {
        Draft::read(&path.as_ref().display().to_string(), &FileLoader)
    }

    /// A netlist's text.
    pub fn text(text: &str) -> Self {
        Draft::read(NAME, &MemoryLoader::new(NAME, text))
    }

    /// A netlist by its name at a loader.
    pub fn read(name: &str, loader: &dyn Loader) -> Self {
        Draft::read_within(name, loader, &Limits::default(), Files::default())
    }

    /// The same within other limits, where messages may point into further texts.
    pub fn read_within(name: &str, loader: &dyn Loader, limits: &Limits, mut files: Files) -> Self {
        let reading = netlist::read_within(name, loader, &mut files, limits);
        Draft {
            netlist: reading.netlist,
            files,
            problems: reading.diagnostics,
        }
    }

    /// Whether it could be read.
    pub fn is_good(&self) -> bool {
        !self.problems.iter().any(Diagnostic::is_error)
    }

    /// The circuit under settings.
    ///
    /// # Errors
    /// All that is wrong with both; of a netlist that could not be read, what was wrong there.
    pub fn build(
        &mut self,
        settings: &Overrides,
        timing: Timing,
    ) -> Result<Built, Vec<Diagnostic>> {
        if self.is_good() {
            build(&self.netlist, settings, timing, &mut self.files)
        } else {
            Err(self.problems.clone())
        }
    }

    /// The circuit of another netlist from the same texts: a second one, or one made of this.
    ///
    /// # Errors
    /// All that is wrong with it and the settings.
    pub fn build_other(
        &mut self,
        netlist: &Netlist,
        settings: &Overrides,
    ) -> Result<Built, Vec<Diagnostic>> {
        build(netlist, settings, Timing::default(), &mut self.files)
    }

    /// The same, with no rule of wiring applied.
    ///
    /// # Errors
    /// All that is wrong with its lines and the settings.
    pub fn build_other_unwired(
        &mut self,
        netlist: &Netlist,
        settings: &Overrides,
    ) -> Result<Built, Vec<Diagnostic>> {
        build_unwired(netlist, settings, Timing::default(), &mut self.files)
    }

    /// As [`Draft::build`], with no rule of wiring applied: enough to draw and compare it.
    ///
    /// # Errors
    /// All that is wrong with its lines and the settings.
    pub fn build_unwired(&mut self, settings: &Overrides) -> Result<Built, Vec<Diagnostic>> {
        if self.is_good() {
            let timing = Timing::default();
            build_unwired(&self.netlist, settings, timing, &mut self.files)
        } else {
            Err(self.problems.clone())
        }
    }

    /// Reads one more netlist into the same texts.
    ///
    /// # Errors
    /// All that is wrong with it.
    pub fn another(
        &mut self,
        name: &str,
        loader: &dyn Loader,
        limits: &Limits,
    ) -> netlist::Reading {
        netlist::read_within(name, loader, &mut self.files, limits)
    }

    /// The circuit under settings; warnings are lost.
    ///
    /// # Errors
    /// Those of [`Draft::build`].
    pub fn circuit(mut self, settings: &Overrides) -> Result<Circuit, Refused> {
        match self.build(settings, Timing::default()) {
            Ok(built) => Ok(built.circuit),
            Err(problems) => Err(Refused::new(self.files, problems)),
        }
    }
}

/// Why there is no circuit: all that is wrong with a netlist, with its places.
#[derive(Clone)]
pub struct Refused {
    /// The texts that the places are in.
    pub files: Box<Files>,
    /// Errors, and warnings with them.
    pub problems: Vec<Diagnostic>,
}

impl Refused {
    /// These problems, in these texts.
    pub fn new(files: Files, problems: Vec<Diagnostic>) -> Self {
        Refused {
            files: Box::new(files),
            problems,
        }
    }
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
        Draft::file(path).circuit(&Overrides::default())
    }

    /// The same under settings.
    ///
    /// # Errors
    /// All that is wrong with both.
    pub fn from_file_with(
        path: impl AsRef<Path>,
        settings: &Overrides,
    ) -> Result<Circuit, Refused> {
        Draft::file(path).circuit(settings)
    }

    /// The circuit of a netlist's text.
    ///
    /// # Errors
    /// All that is wrong with it.
    pub fn from_text(text: &str) -> Result<Circuit, Refused> {
        Draft::text(text).circuit(&Overrides::default())
    }

    /// The same under settings.
    ///
    /// # Errors
    /// All that is wrong with both.
    pub fn from_text_with(text: &str, settings: &Overrides) -> Result<Circuit, Refused> {
        Draft::text(text).circuit(settings)
    }
}
