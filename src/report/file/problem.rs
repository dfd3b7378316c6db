//! Why an output cannot be written, and what to do about it.

use super::super::unnamed::plain;
use super::place::{directory_of, is_standard_output};
use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Why an output cannot be written.
#[derive(Debug, Error)]
pub enum FileProblem {
    /// The target has no name.
    #[error("expected the name of an output file, found nothing")]
    NoName,
    /// The target is a directory.
    #[error("cannot write `{}`: it is a directory", path.display())]
    IsDirectory {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// It ends like the name of a directory.
    #[error("cannot write `{}`: a name that ends in `/` is that of a folder", path.display())]
    NamesFolder {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// The run reads it.
    #[error("cannot write `{}`: the run reads this file", path.display())]
    Input {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// The directory for the target is not there.
    #[error("cannot write `{}`: there is no directory `{}`", path.display(), directory.display())]
    NoDirectory {
        /// As the user wrote it.
        path: PathBuf,
        /// The one that is missing.
        directory: PathBuf,
    },
    /// The target is a symbolic link to nothing.
    #[error("cannot write `{}`: it is a link to a file that does not exist", path.display())]
    LinkToNothing {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// The user may not write the target, or not create files beside it.
    #[error("cannot write `{}`: permission denied", path.display())]
    NotPermitted {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// There is no room left.
    #[error("cannot write `{}`: no space left", path.display())]
    NoSpace {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// The file system takes nothing new.
    #[error("cannot write `{}`: the file system is read-only", path.display())]
    ReadOnly {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// It would be larger than a file may be.
    #[error("cannot write `{}`: it is larger than files may be here", path.display())]
    TooLarge {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// The system has no handle left for it.
    #[error("cannot write `{}`: too many files are open", path.display())]
    TooManyFiles {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// It leads out of the folder that `--sandbox` names.
    #[error("cannot write `{}`: a link leads out of the folder that `--sandbox` allows", path.display())]
    Outside {
        /// As the user wrote it.
        path: PathBuf,
    },
    /// Two outputs were asked for under one name.
    #[error("cannot write two outputs to `{}`", path.display())]
    SameTarget {
        /// As the user wrote the second.
        path: PathBuf,
    },
    /// Standard output does not take what it is given.
    #[error("cannot write standard output: {0}")]
    StandardOutput(io::Error),
    /// Anything else that the system has against it.
    #[error("cannot write `{}`: {reason}", path.display())]
    System {
        /// As the user wrote it.
        path: PathBuf,
        /// What the system says.
        reason: io::Error,
    },
}

impl FileProblem {
    /// The problem that an error met while writing `path` amounts to.
    pub fn new(path: &Path, reason: io::Error) -> Self {
        let path = path.to_owned();
        let reason = plain(reason);
        match reason.kind() {
            _ if is_standard_output(&path) => FileProblem::StandardOutput(reason),
            // It went while the run was on.
            io::ErrorKind::NotFound if !directory_of(&path).is_dir() => FileProblem::NoDirectory {
                directory: directory_of(&path).to_owned(),
                path,
            },
            io::ErrorKind::PermissionDenied => FileProblem::NotPermitted { path },
            io::ErrorKind::ReadOnlyFilesystem => FileProblem::ReadOnly { path },
            io::ErrorKind::FileTooLarge => FileProblem::TooLarge { path },
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                FileProblem::NoSpace { path }
            }
            // ENFILE and EMFILE have no kind of their own in the standard library.
            _ if cfg!(unix) && matches!(reason.raw_os_error(), Some(23 | 24)) => {
                FileProblem::TooManyFiles { path }
            }
            _ => FileProblem::System { path, reason },
        }
    }

    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            FileProblem::NoName => "give a name such as `out.csv`, or `-`".into(),
            FileProblem::IsDirectory { path } => {
                format!(
                    "name a file in it, such as `{}`",
                    path.join("out.csv").display()
                )
            }
            FileProblem::NoDirectory { directory, .. } => {
                format!("make it first: mkdir -p {}", directory.display())
            }
            FileProblem::NamesFolder { path } => {
                let name = path.display().to_string();
                format!("name a file: `{}`", name.trim_end_matches(['/', '.']))
            }
            FileProblem::Input { .. } => {
                "give the output a name of its own; nothing was changed".into()
            }
            FileProblem::LinkToNothing { .. } => "remove the link, or name another file".into(),
            FileProblem::NotPermitted { .. } => {
                "name a folder of your own, or ask for the right to write there (chmod)".into()
            }
            FileProblem::NoSpace { .. } => {
                "make room, or name a folder on another disk; nothing was changed".into()
            }
            FileProblem::ReadOnly { .. } => "name a folder on another disk".into(),
            FileProblem::TooLarge { .. } => {
                "ask for less, or raise the limit (`ulimit -f unlimited`); nothing was changed"
                    .into()
            }
            FileProblem::TooManyFiles { .. } => {
                "ask for fewer files at once, or raise the number (`ulimit -n 1024`)".into()
            }
            FileProblem::Outside { .. } => {
                "name a file outside that folder, or remove the link".into()
            }
            FileProblem::SameTarget { .. } => "give each a name of its own".into(),
            FileProblem::StandardOutput(_) => {
                "is there room where it goes, and in the folder for temporary files (TMPDIR)?"
                    .into()
            }
            FileProblem::System { .. } => {
                "try another folder; what was there before is unchanged".into()
            }
        }
    }
}
