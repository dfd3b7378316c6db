//! Runs the `gridleak` binary and reads its tables, for every integration test.

// Each test file is a crate of its own and uses its own part of this.
#![allow(dead_code)]

pub mod mistakes;
pub mod stability;
pub mod tables;

use std::path::{Path, PathBuf};
use std::process::Command;
#[allow(unused_imports)]
pub use tables::{Table, reference_folder, worst_difference};

/// What one run of the binary gave.
#[derive(Debug)]
pub struct Ran {
    /// Exit code; -1 if a signal ended it.
    pub status: i32,
    /// Standard output.
    pub stdout: String,
    /// Standard error, without what the audit said.
    pub stderr: String,
    /// What the audit of all solutions said, if it came to that.
    pub audit: Option<String>,
}

/// One invocation being put together: command first, then its arguments.
#[derive(Debug, Clone)]
pub struct Gridleak {
    arguments: Vec<String>,
    audited: bool,
}

impl Gridleak {
    /// `gridleak COMMAND`.
    pub fn command(name: &str) -> Self {
        Gridleak {
            arguments: vec![name.to_owned()],
            audited: true,
        }
    }

    /// Without the audit that every other test has.
    pub fn unaudited(mut self) -> Self {
        self.audited = false;
        self
    }

    /// Adds one argument.
    pub fn arg(mut self, argument: impl AsRef<str>) -> Self {
        self.arguments.push(argument.as_ref().to_owned());
        self
    }

    /// Adds a path.
    pub fn path(self, path: &Path) -> Self {
        self.arg(path.to_str().expect("test paths are UTF-8"))
    }

    /// Adds `OPTION VALUE`.
    pub fn option(self, option: &str, value: impl AsRef<str>) -> Self {
        self.arg(option).arg(value)
    }

    /// Adds `--probe EXPR` for each expression.
    pub fn probes<S: AsRef<str>>(self, expressions: &[S]) -> Self {
        expressions
            .iter()
            .fold(self, |run, probe| run.option("--probe", probe))
    }

    /// Runs it and waits. Every solution is audited: one that does not hold is exit code 3.
    pub fn run(&self) -> Ran {
        let audit = self.audited.then_some("--audit");
        let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
            .args(&self.arguments[..1])
            .args(audit)
            .args(&self.arguments[1..])
            .output()
            .expect("the binary starts");
        let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
        let (said, rest): (Vec<&str>, Vec<&str>) = stderr
            .split_inclusive('\n')
            .partition(|line| line.starts_with("audit: "));
        Ran {
            status: output.status.code().unwrap_or(-1),
            stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
            stderr: rest.concat(),
            audit: said.first().map(|line| line.trim_end().to_owned()),
        }
    }

    /// Runs it with `--csv - --quiet` and reads the table it prints.
    pub fn table(&self) -> Result<Table, String> {
        let ran = self.clone().option("--csv", "-").arg("--quiet").run();
        if ran.status != 0 {
            return Err(format!(
                "gridleak {} gave exit code {}:\n{}",
                self.arguments.join(" "),
                ran.status,
                ran.stderr
            ));
        }
        Table::parse(&ran.stdout)
    }
}

/// A netlist written to a file that goes when the test ends.
pub struct Netlist {
    _folder: tempfile::TempDir,
    path: PathBuf,
}

impl Netlist {
    /// Writes `text`, whose first line is the title.
    pub fn new(text: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the netlist");
        let path = folder.path().join("netlist.cir");
        std::fs::write(&path, text).expect("the netlist is written");
        Netlist {
            _folder: folder,
            path,
        }
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// `gridleak bias` on it with `--set` for each of `settings`, and these probes.
    pub fn bias(&self, settings: &[(&str, f64)], probes: &[&str]) -> Table {
        let run = Gridleak::command("bias").path(&self.path).probes(probes);
        settings
            .iter()
            .fold(run, |run, (name, value)| {
                run.option("--set", format!("{name}={value}"))
            })
            .table()
            .unwrap_or_else(|why| panic!("{why}"))
    }

    /// `gridleak scope` on it over `from..=stop` in steps, seconds as written.
    pub fn scope(&self, from: &str, stop: &str, step: &str, probes: &[&str]) -> Table {
        Gridleak::command("scope")
            .path(&self.path)
            .option("--from", from)
            .option("--stop", stop)
            .option("--step", step)
            .probes(probes)
            .table()
            .unwrap_or_else(|why| panic!("{why}"))
    }
}

/// Runs `scope` on a reference's netlist at the times and probes of its waveform.csv;
/// gives what was found and what was expected.
pub fn scope_like_reference(name: &str) -> Result<(Table, Table), String> {
    let folder = reference_folder(name);
    let expected = Table::read(&folder.join("waveform.csv"))?;
    let probes = expected.header[1..].to_vec();
    let last = expected.rows.len() - 1;
    let found = Gridleak::command("scope")
        .path(&folder.join("netlist.cir"))
        .option("--stop", &expected.rows[last][0])
        .option("--step", &expected.rows[1][0])
        .probes(&probes)
        .table()?;
    Ok((found, expected))
}

/// The netlists in some folders and in theirs, in order.
pub fn netlists_in(folders: &[&str]) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders: Vec<PathBuf> = folders.iter().map(PathBuf::from).collect();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("a folder").flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "cir") {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Exit code of `bias --strict` with some options, and all that is said.
pub fn strictly(netlist: &str, options: &[(&str, &str)]) -> (i32, String) {
    let netlist = Netlist::new(netlist);
    let run = Gridleak::command("bias")
        .path(netlist.path())
        .arg("--strict");
    let run = options
        .iter()
        .fold(run, |run, (o, v)| run.option(o, v))
        .run();
    (run.status, run.stdout + &run.stderr)
}

/// Fails unless `bias --strict` fails for a netlist and says why in these words.
#[track_caller]
pub fn fails_strictly(netlist: &str, options: &[(&str, &str)], words: &str) {
    let (status, text) = strictly(netlist, options);
    assert!(
        status == 1 && text.contains(words),
        "{status}, {words}:\n{text}"
    );
}

/// Asserts that `found` lies within `tolerance` of `expected`, and says by how much.
#[track_caller]
pub fn close(what: &str, found: f64, expected: f64, tolerance: f64) {
    let error = found - expected;
    println!("{what}: {found:.9e}, expected {expected:.9e}, off by {error:.2e} of {tolerance:.1e}");
    assert!(
        error.abs() <= tolerance,
        "{what}: expected {expected} +/- {tolerance}, found {found}"
    );
}

/// Whether a run of the tool has begun its outputs in a folder: a file there, or on Linux one
/// without a name that it holds open.
#[cfg(unix)]
pub fn is_at_work(process: u32, folder: &Path) -> bool {
    let folder = folder.canonicalize().expect("the folder is there");
    let nameless = |handle: std::fs::DirEntry| {
        let file = std::fs::read_link(handle.path()).unwrap_or_default();
        file.starts_with(&folder) && file.to_string_lossy().ends_with("(deleted)")
    };
    let handles = std::fs::read_dir(format!("/proc/{process}/fd"));
    let held = handles.is_ok_and(|mut all| all.any(|handle| handle.is_ok_and(nameless)));
    // Where files have names from the start.
    let is_waiting = |entry: std::fs::DirEntry| {
        let name = entry.file_name();
        name.to_string_lossy().starts_with(".gridleak-")
    };
    let entries = std::fs::read_dir(&folder);
    held || entries.is_ok_and(|mut all| all.any(|entry| entry.is_ok_and(is_waiting)))
}
