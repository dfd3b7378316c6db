//! Files that are read: ordinary ones only, and none outside a folder where one is set.
//!
//! What is judged is the file that was opened, not its name: between a look at a name and the
//! opening another file may have taken its place, or a link may have been turned elsewhere.

use crate::diag;
use std::collections::{HashMap, HashSet};
use std::fmt::Display;
use std::fs::{self, File, Metadata};
use std::io::{self, ErrorKind};
use std::path::{Component, Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use thiserror::Error;

/// Why a file is not read.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum InputProblem {
    /// Nothing has that name.
    #[error("no such file")]
    NotFound,
    /// It is a directory.
    #[error("it is a directory")]
    Directory,
    /// It is a device, a pipe or a socket, which might never end.
    #[error("it is a device or a pipe, not an ordinary file")]
    Special,
    /// It lies outside the folder that `--sandbox` names.
    #[error("it lies outside the folder `{folder}` that `--sandbox` allows")]
    Outside {
        /// The folder, as the user wrote it.
        folder: String,
    },
    /// An option names it as an output.
    #[error("`--{option}` would write over it")]
    Output {
        /// The option.
        option: String,
    },
    /// The user has no right to it.
    #[error("permission denied")]
    NotPermitted,
    /// The system has no handle left for it.
    #[error("too many files are open")]
    TooManyFiles,
    /// There is no room for what it holds.
    #[error("not enough memory")]
    NoRoom,
    /// Anything else that the system says.
    #[error("{0}")]
    System(String),
}

impl From<io::Error> for InputProblem {
    fn from(error: io::Error) -> Self {
        // EMFILE and ENFILE have no kind of their own in the standard library.
        let full = cfg!(unix) && matches!(error.raw_os_error(), Some(23 | 24));
        match error.kind() {
            ErrorKind::NotFound => InputProblem::NotFound,
            ErrorKind::IsADirectory => InputProblem::Directory,
            ErrorKind::PermissionDenied => InputProblem::NotPermitted,
            ErrorKind::OutOfMemory => InputProblem::NoRoom,
            _ if full => InputProblem::TooManyFiles,
            _ => InputProblem::System(error.to_string()),
        }
    }
}

impl InputProblem {
    /// What to do about it, where there is something to say.
    pub fn hint(&self) -> Option<&'static str> {
        match self {
            InputProblem::Directory => Some("name a file in it"),
            InputProblem::Special => Some("save it as a file first"),
            InputProblem::Outside { .. } => {
                Some("copy the file into the folder; links that lead out of it do not count")
            }
            InputProblem::Output { .. } => Some("give the output a name of its own"),
            InputProblem::NotPermitted => Some("ask for the right to read it (chmod)"),
            InputProblem::TooManyFiles => Some("raise the number, for example `ulimit -n 1024`"),
            InputProblem::NoRoom => Some("close other programs, or raise `ulimit -v` if it is set"),
            InputProblem::NotFound | InputProblem::System(_) => None,
        }
    }
}

/// A folder outside of which nothing is read or written on a netlist's or sheet's word.
///
/// A path that the user types is the user's own word and may lie anywhere; but one that leads
/// through the folder must stay in it, for what stands in the folder is a stranger's, links too.
#[derive(Debug, Clone, PartialEq)]
pub struct Sandbox {
    asked: PathBuf,
    real: PathBuf,
}

impl Sandbox {
    /// The sandbox that a folder is.
    ///
    /// # Errors
    /// If there is no such folder.
    pub fn new(folder: &Path) -> Result<Self, InputProblem> {
        let real = fs::canonicalize(folder)?;
        if real.is_dir() {
            Ok(Sandbox {
                asked: folder.to_owned(),
                real,
            })
        } else {
            Err(InputProblem::System("it is not a folder".into()))
        }
    }

    /// Whether a path without links lies in the folder.
    pub fn holds(&self, real: &Path) -> bool {
        real.starts_with(&self.real)
    }

    /// Whether a path as typed leads through the folder.
    pub fn is_on(&self, path: &Path) -> bool {
        let Ok(whole) = std::path::absolute(path) else {
            return true;
        };
        let is_it = |p: &Path| fs::canonicalize(p).is_ok_and(|p| p == self.real);
        folded(&whole).ancestors().skip(1).any(is_it)
    }

    /// The problem of a path that leads out.
    pub fn outside(&self) -> InputProblem {
        InputProblem::Outside {
            folder: self.asked.display().to_string(),
        }
    }

    /// Whether the path may be opened, as far as its name tells.
    fn allows(&self, path: &Path) -> Result<(), InputProblem> {
        // Of what does not exist the folder counts that it would be in: whether there is a file
        // outside is nobody's business.
        let whole = std::path::absolute(path)?;
        let mut real = whole.ancestors().filter_map(|p| fs::canonicalize(p).ok());
        if real.next().is_some_and(|real| self.holds(&real)) {
            Ok(())
        } else {
            Err(self.outside())
        }
    }
}

/// Opens an ordinary file, within the folder if one is set.
///
/// # Errors
/// If there is none, or it is none of the kind, or lies outside.
pub fn open(path: &Path, within: Option<&Sandbox>) -> Result<File, InputProblem> {
    if let Some(sandbox) = within {
        sandbox.allows(path)?;
    }
    // Looked at before it is opened, because opening a device may set it going, and after,
    // because it may have become one in between.
    ordinary(&fs::metadata(path)?)?;
    let file = without_waiting(path)?;
    ordinary(&file.metadata()?)?;
    if let Some(sandbox) = within
        && !sandbox.holds(&place(&file, path)?)
    {
        return Err(sandbox.outside());
    }
    enter(&file.metadata()?)?;
    Ok(file)
}

/// Which file it is, whatever its names: device and number.
pub type Identity = (u64, u64);

/// The files of a run that are read, or will be; and those that it is to write.
#[derive(Debug, Default)]
struct Account {
    read: HashSet<Identity>,
    /// And those that it will write over, with the option that says so.
    written: HashMap<Identity, String>,
    /// Those that are read to be gone on with: the user asks for both.
    gone_on_with: HashSet<Identity>,
}

/// Kept for a run of the tool, of which a process has one.
static ACCOUNT: Mutex<Option<Account>> = Mutex::new(None);

fn account() -> MutexGuard<'static, Option<Account>> {
    ACCOUNT.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Keeps account of the files that are read from now on, so that none of them is written over.
pub fn keep_account() {
    *account() = Some(Account::default());
}

/// Notes that the run will read this file, if there is one: what is opened late must not be an
/// output either.
pub fn will_read(path: &Path) {
    if let Ok(found) = fs::metadata(path)
        && found.is_file()
    {
        // That it is one is reported where the outputs are looked at.
        let _ = enter(&found);
    }
}

/// Notes that the run goes on with this file, if there is one: it is read, and then written.
pub fn will_go_on_with(path: &Path) {
    let found = fs::metadata(path).ok().filter(Metadata::is_file);
    if let Some(id) = found.as_ref().and_then(identity)
        && let Some(account) = &mut *account()
    {
        account.gone_on_with.insert(id);
    }
}

/// Notes that an option has the run write over this file, if there is one.
pub fn will_write(path: &Path, option: &str) {
    let found = fs::metadata(path).ok().filter(Metadata::is_file);
    if let Some(id) = found.as_ref().and_then(identity)
        && let Some(account) = &mut *account()
    {
        account.written.insert(id, option.to_string());
    }
}

fn enter(found: &Metadata) -> Result<(), InputProblem> {
    let Some(id) = identity(found) else {
        return Ok(());
    };
    let Some(account) = &mut *account() else {
        return Ok(());
    };
    if account.gone_on_with.contains(&id) {
        return Ok(());
    }
    account.read.insert(id);
    match account.written.get(&id) {
        Some(option) => Err(InputProblem::Output {
            option: option.clone(),
        }),
        None => Ok(()),
    }
}

/// Whether the run reads this file, under this name or another.
pub fn is_read(found: &Metadata) -> bool {
    let account = account();
    let read = |id| account.as_ref().is_some_and(|a| a.read.contains(&id));
    identity(found).is_some_and(read)
}

#[cfg(unix)]
fn identity(found: &Metadata) -> Option<Identity> {
    use std::os::unix::fs::MetadataExt;
    Some((found.dev(), found.ino()))
}

#[cfg(not(unix))]
fn identity(_: &Metadata) -> Option<Identity> {
    None
}

/// Opens a file that the user named: the folder matters only if the name leads through it.
///
/// # Errors
/// As [`open`].
pub fn open_named(path: &Path, within: Option<&Sandbox>) -> Result<File, InputProblem> {
    open(path, within.filter(|sandbox| sandbox.is_on(path)))
}

/// Whether a file lies outside the folder of another, links followed.
pub fn is_outside(path: &Path, other: &Path) -> bool {
    let real = |path: &Path| fs::canonicalize(path).ok();
    let folder = real(other).and_then(|other| Some(other.parent()?.to_owned()));
    match (real(path), folder) {
        (Some(path), Some(folder)) => !path.starts_with(folder),
        _ => true,
    }
}

/// The file that was probably meant where nothing has a name: one beside it that is called nearly
/// so, or has the same name and an ending more.
pub fn like(path: &Path) -> Option<String> {
    /// Names in a folder beyond which nothing is guessed.
    const MOST: usize = 10_000;
    let missing = fs::symlink_metadata(path).is_err_and(|e| e.kind() == ErrorKind::NotFound);
    let (true, Some(name)) = (missing, path.file_name()?.to_str()) else {
        return None;
    };
    if name == "-" {
        return None;
    }
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    let all = fs::read_dir(folder.unwrap_or(Path::new("."))).ok()?;
    let all: Vec<_> = all.take(MOST + 1).collect();
    if all.len() > MOST {
        return None;
    }
    let mut names: Vec<String> = (all.into_iter().filter_map(Result::ok))
        .filter(|entry| entry.file_type().is_ok_and(|t| t.is_file()))
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    names.sort();
    let with_ending = format!("{}.", name.to_lowercase());
    let longer = |n: &&String| n.to_lowercase().starts_with(&with_ending);
    let found = match names.iter().find(longer) {
        Some(longer) => longer,
        None => diag::nearest(name, names.iter().map(String::as_str))?,
    };
    Some(path.with_file_name(found).display().to_string())
}

/// The failure of something about a file, in the words that all commands use.
pub fn cannot_read(path: &Path, why: &dyn Display) -> String {
    format!("cannot read `{}`: {why}", path.display())
}

fn ordinary(found: &Metadata) -> Result<(), InputProblem> {
    match (found.is_dir(), found.is_file()) {
        (true, _) => Err(InputProblem::Directory),
        (_, true) => Ok(()),
        _ => Err(InputProblem::Special),
    }
}

/// A pipe that took a file's place would otherwise wait for a writer for ever.
#[cfg(target_os = "linux")]
fn without_waiting(path: &Path) -> io::Result<File> {
    use rustix::fs::{Mode, OFlags};
    let flags = OFlags::RDONLY | OFlags::NONBLOCK | OFlags::CLOEXEC | OFlags::NOCTTY;
    Ok(File::from(rustix::fs::open(path, flags, Mode::empty())?))
}

#[cfg(not(target_os = "linux"))]
fn without_waiting(path: &Path) -> io::Result<File> {
    File::open(path)
}

/// Where an opened file really is.
fn place(file: &File, path: &Path) -> io::Result<PathBuf> {
    #[cfg(target_os = "linux")]
    {
        use std::os::fd::AsRawFd;
        if let Ok(real) = fs::read_link(format!("/proc/self/fd/{}", file.as_raw_fd())) {
            return Ok(real);
        }
    }
    let _ = file;
    fs::canonicalize(path)
}

/// A path without `.` and `x/..`, by its words alone.
fn folded(path: &Path) -> PathBuf {
    let mut folded = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir => {
                folded.pop();
            }
            part => folded.push(part),
        }
    }
    folded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_alone_fold_a_path() {
        for (path, expected) in [("/a/./b/../c", "/a/c"), ("/../a", "/a"), ("/a", "/a")] {
            assert_eq!(folded(Path::new(path)), Path::new(expected));
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_that_lead_out_are_refused_by_whatever_name() {
        use std::os::unix::fs::symlink;
        let place = tempfile::tempdir().expect("a folder");
        let at = |name: &str| place.path().join(name);
        fs::create_dir_all(at("box/inner")).expect("folders");
        fs::write(at("secret"), "s").expect("a file");
        fs::write(at("box/own"), "o").expect("a file");
        symlink(at("secret"), at("box/link")).expect("a link");
        symlink(place.path(), at("box/inner/up")).expect("a link");
        symlink(at("box/own"), at("box/fine")).expect("a link");
        symlink(at("box"), at("other_name")).expect("a link");
        let sandbox = Sandbox::new(&at("box")).expect("a sandbox");
        let strict = |name: &str| open(&at(name), Some(&sandbox)).map(drop);
        let outside = Err(sandbox.outside());
        for inside in ["box/own", "box/fine", "box/inner/../own", "other_name/own"] {
            assert_eq!(strict(inside), Ok(()), "{inside}");
        }
        for name in [
            "secret",
            "box/link",
            "box/../secret",
            "box/inner/up/secret",
            "nothing",
            "box/inner/up/nothing/../../secret",
        ] {
            assert_eq!(strict(name), outside, "{name}");
        }
        assert_eq!(strict("box/nothing"), Err(InputProblem::NotFound));
        let named = |name: &str| open_named(&at(name), Some(&sandbox)).map(drop);
        assert_eq!(named("secret"), Ok(()));
        assert_eq!(named("box/../secret"), Ok(()));
        for name in ["box/link", "box/inner/up/secret", "other_name/link"] {
            assert_eq!(named(name), outside, "{name}");
        }
    }

    #[test]
    fn the_file_that_was_opened_is_judged() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("a");
        fs::write(&path, "").expect("written");
        let file = open(&path, None).expect("opened");
        let real = fs::canonicalize(&path).expect("there");
        assert_eq!(place(&file, &path).expect("a place"), real);
        assert_eq!(
            open(folder.path(), None).map(drop),
            Err(InputProblem::Directory)
        );
    }
}
