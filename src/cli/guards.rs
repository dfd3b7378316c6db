//! `--limit` and `--sandbox`: what one run may take, and where it may read.

use super::failure::Failure;
use super::{interrupt, memory};
use crate::inputs::{self, Sandbox};
use crate::limits::{Bound, Limits, raise};
use crate::netlist::SandboxLoader;
use crate::num;
use crate::report::file::Outputs;
use crate::report::kept;
use clap::{Arg, ArgAction, ArgMatches};
use std::path::Path;

/// Adds the options.
pub fn options(command: clap::Command) -> clap::Command {
    command
        .arg(
            Arg::new("limit")
                .long("limit")
                .value_name("NAME=VALUE")
                .action(ArgAction::Append)
                .help("Move a limit, for example seconds=60; `gridleak limits` lists them"),
        )
        .arg(Arg::new("sandbox").long("sandbox").value_name("DIR").help(
            "Untrusted input: every file that the netlist or sheet refers to must lie in DIR \
             (symlinks resolved)",
        ))
}

/// Options that name a file to be written, in whatever command.
const OUTPUTS: [&str; 5] = ["csv", "json", "junit", "out", "plot"];

/// What one run may take, and where it may read.
#[derive(Debug, Default)]
pub struct Guards {
    /// How much of anything.
    pub limits: Limits,
    /// Where files may lie that the user did not name.
    pub sandbox: Option<Sandbox>,
}

impl Guards {
    /// Those of the command line; the clock runs from here.
    pub fn new(matches: &ArgMatches) -> Result<Self, Failure> {
        let mut limits = Limits::default();
        for text in matches.get_many::<String>("limit").into_iter().flatten() {
            limits
                .set(text)
                .map_err(|p| Failure::usage(p.to_string()).hint(p.hint()))?;
        }
        let sandbox = match matches.get_one::<String>("sandbox") {
            None => None,
            Some(folder) => Some(Sandbox::new(Path::new(folder)).map_err(|why| {
                Failure::usage(format!("`--sandbox {folder}`: {why}"))
                    .hint("name a folder that is there")
            })?),
        };
        if limits.get(Bound::Seconds) < u64::MAX {
            interrupt::limit(limits.get(Bound::Seconds))?;
        }
        let guards = Guards { limits, sandbox };
        guards.preflight(matches)?;
        Ok(guards)
    }

    /// Looks at what the options name as outputs, before anything is read: what cannot be
    /// written is reported before the work, and what is read later is none of them.
    pub fn preflight(&self, matches: &ArgMatches) -> Result<(), Failure> {
        if kept::is_on() {
            // Nothing will be written.
            return Ok(());
        }
        // A table that is to be gone on with is read and written.
        let resumes = matches!(matches.try_get_one::<bool>("resume"), Ok(Some(true)));
        for option in OUTPUTS {
            // Not every command has each.
            if let Ok(Some(path)) = matches.try_get_one::<String>(option) {
                let path = Path::new(path);
                self.outputs().preflight(path)?;
                if resumes && option == "csv" {
                    inputs::will_go_on_with(path)
                } else {
                    inputs::will_write(path, option)
                }
            }
        }
        Ok(())
    }

    /// What reads the netlist that the user names.
    pub fn loader(&self) -> SandboxLoader<'_> {
        SandboxLoader {
            sandbox: self.sandbox.as_ref(),
            own_word: true,
            most: self.limits.count(Bound::NetlistSize) << 20,
        }
    }

    /// No outputs yet.
    pub fn outputs(&self) -> Outputs {
        Outputs::within(self.sandbox.as_ref())
    }

    /// Refuses what is more than a limit.
    pub fn within(
        &self,
        bound: Bound,
        found: f64,
        message: impl FnOnce(String, String) -> String,
    ) -> Result<(), Failure> {
        self.within_or(bound, found, message, "")
    }

    /// Refuses what is more than a limit; `instead` is what to do other than raise it.
    fn within_or(
        &self,
        bound: Bound,
        found: f64,
        message: impl FnOnce(String, String) -> String,
        instead: &str,
    ) -> Result<(), Failure> {
        if !self.limits.passed(bound, found) {
            return Ok(());
        }
        let most = num::full(self.limits.get(bound) as f64);
        let hint = format!("{instead}{}", raise(bound));
        Err(Failure::usage(message(num::full(found.ceil()), most)).hint(hint))
    }

    /// Refuses more figures than may be kept, or than there is room for at N bytes each.
    pub fn room_for_figures(&self, count: f64, bytes_each: f64) -> Result<(), Failure> {
        self.within_or(
            Bound::Figures,
            count,
            |count, most| format!("{count} figures are asked for, at most {most} are kept"),
            "ask for fewer with a longer `--step`, fewer points or fewer probes; or ",
        )?;
        memory::require(count * bytes_each, "the figures that are asked for")
    }
}
