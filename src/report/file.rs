//! Result files: all of them appear, complete, or none does.
//!
//! Every output is written to a file without a name in its target's directory (see
//! `unnamed`); when all are done each gets a name beside its target and is renamed, so a run
//! that fails, or is killed, leaves everything as it was. The targets are looked at twice,
//! when staged and again just before renaming, so that a rename has little left to fail for.
//! Should a later one fail all the same, what was put in place before it is taken back: a new
//! file is removed, and an old one returns from a hard link made beforehand (where the file
//! system has none, the new content stays: the one gap known). What went to standard output
//! or to a device cannot be taken back, so it goes first.
//!
//! No output takes the place of a file that the run reads (`inputs` keeps account of them by
//! what they are and not by name), and all of it is done relative to the target's folder as it
//! was when the output was staged: a link that takes the folder's place meanwhile leads nowhere.

mod change;
mod place;
mod problem;

use super::folder::Folder;
use super::kept;
use super::unnamed::{UnnamedFile, builder, note};
use crate::inputs::{self, Sandbox};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use tempfile::{NamedTempFile, TempPath};

pub use place::STANDARD_OUTPUT;
use place::{directory_of, is_standard_output};
pub use problem::FileProblem;

/// Where an output goes when it is complete.
#[derive(Debug)]
enum Place {
    /// In memory, for whoever keeps it (`report::kept`).
    Kept(File),
    /// Standard output, by way of an unnamed file.
    StandardOutput(File),
    /// A device or pipe, likewise: renaming over it would replace it.
    Device(File),
    /// The new file and where it goes, in this order: its name, if it has one, leads by way of
    /// the open folder, and is removed first.
    File(UnnamedFile, Target),
}

/// Where a file is.
#[derive(Debug)]
struct Target {
    /// Links followed, as it was when it was staged.
    real: PathBuf,
    /// Its folder, open.
    folder: Folder,
    /// Whether it may be a file that the run has read.
    is_own: bool,
}

impl Target {
    /// Its path by way of the open folder.
    fn path(&self) -> PathBuf {
        self.folder
            .path()
            .join(self.real.file_name().unwrap_or_default())
    }
}

#[derive(Debug)]
struct Staged {
    /// As the user wrote it, for messages.
    asked: PathBuf,
    place: Place,
}

/// Output files that are being made. Dropped without [`Outputs::commit`] they
/// leave no trace.
#[derive(Debug, Default)]
pub struct Outputs {
    staged: Vec<Staged>,
    within: Option<Sandbox>,
}

impl Outputs {
    /// Takes other outputs in, to be put in place together.
    pub fn join(&mut self, others: Outputs) {
        self.staged.extend(others.staged);
    }

    /// No outputs yet.
    pub fn new() -> Self {
        Outputs::default()
    }

    /// No outputs yet; a target whose name leads through this folder must stay in it.
    pub fn within(sandbox: Option<&Sandbox>) -> Self {
        Outputs {
            staged: Vec::new(),
            within: sandbox.cloned(),
        }
    }

    /// Stages what a sheet stores on its own word: the sheet, or a file that it names. It may
    /// have been read, and lies in the folder or nowhere.
    ///
    /// # Errors
    /// As [`Outputs::stage`].
    pub fn stage_own(&mut self, target: &Path) -> Result<File, FileProblem> {
        self.stage_as(target, true)
    }

    /// Whether this could be staged; nothing is made.
    ///
    /// # Errors
    /// As [`Outputs::stage`].
    pub fn preflight(&self, target: &Path) -> Result<(), FileProblem> {
        self.find(target, false).map(drop)
    }

    /// Stages an output and gives the file to write it to, empty and at its
    /// start; `-` is standard output. The returned handle is one of two to the
    /// same file: it should be dropped (and flushed, if buffered) before the commit.
    ///
    /// # Errors
    /// If the target cannot be written, so that a long run fails at its start.
    pub fn stage(&mut self, target: &Path) -> Result<File, FileProblem> {
        self.stage_as(target, false)
    }

    fn stage_as(&mut self, target: &Path, is_own: bool) -> Result<File, FileProblem> {
        let system = |reason| FileProblem::new(target, reason);
        let place = match self.find(target, is_own)? {
            Goal::StandardOutput => Place::StandardOutput(tempfile::tempfile().map_err(system)?),
            Goal::Device => Place::Device(tempfile::tempfile().map_err(system)?),
            Goal::Kept => Place::Kept(tempfile::tempfile().map_err(system)?),
            Goal::File(goal, kept) => {
                let waiting = UnnamedFile::new(goal.folder.path(), kept).map_err(system)?;
                Place::File(waiting, goal)
            }
        };
        let file = match &place {
            Place::StandardOutput(file) | Place::Device(file) | Place::Kept(file) => {
                file.try_clone()
            }
            Place::File(waiting, _) => waiting.file().try_clone(),
        };
        let file = file.map_err(system)?;
        self.staged.push(Staged {
            asked: target.to_owned(),
            place,
        });
        Ok(file)
    }

    /// Stages an output whose text is known already.
    ///
    /// # Errors
    /// As [`Outputs::stage`], or if the text cannot be written.
    pub fn text(&mut self, target: &Path, text: &str) -> Result<(), FileProblem> {
        let mut file = self.stage(target)?;
        file.write_all(text.as_bytes())
            .map_err(|reason| FileProblem::new(target, reason))
    }

    /// Looks for where an output goes, without changing anything.
    fn find(&self, target: &Path, is_own: bool) -> Result<Goal, FileProblem> {
        if target.as_os_str().is_empty() {
            return Err(FileProblem::NoName);
        }
        if kept::is_on() {
            return Ok(Goal::Kept);
        }
        let path = target.to_owned();
        if is_standard_output(target) {
            let twice = |s: &Staged| matches!(s.place, Place::StandardOutput(_));
            if self.staged.iter().any(twice) {
                return Err(FileProblem::SameTarget { path });
            }
            return Ok(Goal::StandardOutput);
        }
        let name = target.as_os_str().as_encoded_bytes();
        if !target.is_dir() && (name.ends_with(b"/") || name.ends_with(b"/.")) {
            return Err(FileProblem::NamesFolder { path });
        }
        let real = real_path(target)?;
        let same = |s: &Staged| matches!(&s.place, Place::File(_, other) if other.real == real);
        if self.staged.iter().any(same) {
            return Err(FileProblem::SameTarget { path });
        }
        let kept = match check(target, &real, is_own)? {
            Existing::Device => return Ok(Goal::Device),
            Existing::File(permissions) => Some(permissions),
            Existing::Nothing => None,
        };
        let folder = Folder::open(directory_of(&real));
        let folder = folder.map_err(|reason| FileProblem::new(target, reason))?;
        // The folder that was opened is judged, not the name that led there.
        if let Some(sandbox) = &self.within
            && (is_own || sandbox.is_on(target))
            && !sandbox.holds(folder.place())
        {
            return Err(FileProblem::Outside { path });
        }
        let goal = Target {
            real,
            folder,
            is_own,
        };
        Ok(Goal::File(goal, kept))
    }

    /// Puts all outputs in place.
    ///
    /// # Errors
    /// If one of them cannot be; the files are then as they were before.
    pub fn commit(self) -> Result<(), FileProblem> {
        for Staged { asked, place } in &self.staged {
            if let Place::File(_, target) = place {
                check(asked, &target.path(), target.is_own)?;
            }
        }
        let mut files = Vec::new();
        for Staged { asked, place } in self.staged {
            let sent = match place {
                Place::StandardOutput(waiting) => send(waiting, &mut io::stdout().lock()),
                Place::Kept(waiting) => {
                    let mut bytes = Vec::new();
                    send(waiting, &mut bytes).map(|()| {
                        kept::file(&asked, bytes);
                    })
                }
                Place::Device(waiting) => OpenOptions::new()
                    .append(true)
                    .open(&asked)
                    .and_then(|mut device| send(waiting, &mut device)),
                Place::File(waiting, target) => {
                    files.push((asked, waiting, target));
                    continue;
                }
            };
            match sent {
                // A reader that has seen enough is no failure.
                Err(e) if e.kind() == io::ErrorKind::BrokenPipe => {}
                sent => sent.map_err(|reason| FileProblem::new(&asked, reason))?,
            }
        }
        publish(files)
    }
}

/// Where an output is to go.
enum Goal {
    /// In memory.
    Kept,
    StandardOutput,
    Device,
    /// And the permissions of the file that is there.
    File(Target, Option<fs::Permissions>),
}

/// Held while files are put in place, and whether they have been: whoever wants to end the
/// process waits for that, and then keeps it.
static PUBLISHING: Mutex<bool> = Mutex::new(false);

/// Waits until no files are being put in place, and lets none be while this is held. It says
/// whether some have been.
pub fn publishing() -> MutexGuard<'static, bool> {
    PUBLISHING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Removes what has a name while it is made, when the process is about to end.
pub fn forget_names() {
    super::unnamed::forget();
}

/// An unnamed file in the directory of `target` (or the system's directory for
/// temporary files if the target is no file), gone when it is closed.
///
/// # Errors
/// If it cannot be made.
pub fn unnamed_beside(target: &Path) -> Result<File, FileProblem> {
    let made = if is_standard_output(target) || target.exists() && !target.is_file() {
        tempfile::tempfile()
    } else {
        tempfile::tempfile_in(directory_of(&real_path(target)?))
    };
    made.map_err(|reason| FileProblem::new(target, reason))
}

/// Copies a waiting file to where it goes.
fn send(mut waiting: File, to: &mut impl Write) -> io::Result<()> {
    waiting.seek(SeekFrom::Start(0))?;
    io::copy(&mut waiting, to)?;
    to.flush()
}

/// Renames all, or takes back those that were renamed.
fn publish(files: Vec<(PathBuf, UnnamedFile, Target)>) -> Result<(), FileProblem> {
    // Names first: where there is no room for one, nothing has been renamed yet.
    let mut named = Vec::new();
    for (asked, waiting, target) in files {
        let name = waiting.name(target.folder.path());
        let name = name.map_err(|e| FileProblem::new(&asked, e))?;
        named.push((asked, name, target));
    }
    let mut are_in_place = publishing();
    let mut done: Vec<(Option<TempPath>, Target)> = Vec::new();
    for (asked, name, target) in named {
        let real = target.path();
        let existed = real.exists();
        let old = if existed { link_beside(&real) } else { None };
        if let Err(e) = name.persist(&real) {
            for (old, target) in done.into_iter().rev() {
                // Nothing more can be done where even this fails.
                let _ = match old {
                    Some(old) => old.persist(target.path()).map_err(|e| e.error),
                    None => fs::remove_file(target.path()),
                };
            }
            return Err(FileProblem::new(&asked, e.error));
        }
        *are_in_place = true;
        if !existed || old.is_some() {
            done.push((old, target));
        }
    }
    Ok(())
}

/// A second name for an existing file, removed when dropped.
fn link_beside(real: &Path) -> Option<TempPath> {
    builder()
        .make_in(directory_of(real), |name| {
            note(name);
            fs::hard_link(real, name)
        })
        .ok()
        .map(NamedTempFile::into_temp_path)
}

/// The file that is meant, links followed; it need not exist, its directory must.
fn real_path(target: &Path) -> Result<PathBuf, FileProblem> {
    let path = target.to_owned();
    if fs::metadata(target).is_ok_and(|found| !found.is_file() && !found.is_dir()) {
        // A pipe behind `/dev/stdout` has no path of its own to follow the link to.
        return Ok(path);
    }
    if let Ok(real) = target.canonicalize() {
        return Ok(real);
    }
    if target.is_symlink() {
        return Err(FileProblem::LinkToNothing { path });
    }
    let directory = directory_of(target);
    match (directory.canonicalize(), target.file_name()) {
        (Ok(real), Some(name)) if real.is_dir() => Ok(real.join(name)),
        (Ok(_), _) => Err(FileProblem::NoDirectory {
            path,
            directory: directory.to_owned(),
        }),
        (Err(e), _) if e.kind() == io::ErrorKind::NotFound => Err(FileProblem::NoDirectory {
            path,
            directory: directory.to_owned(),
        }),
        (Err(reason), _) => Err(FileProblem::new(target, reason)),
    }
}

/// What is found where an output is to go.
enum Existing {
    Nothing,
    File(fs::Permissions),
    Device,
}

/// Looks at a target without changing it.
fn check(asked: &Path, real: &Path, is_own: bool) -> Result<Existing, FileProblem> {
    let path = asked.to_owned();
    let found = match fs::metadata(real) {
        Ok(found) => found,
        Err(e) if e.kind() == io::ErrorKind::NotFound => {
            let directory = directory_of(real).to_owned();
            return if directory.is_dir() {
                Ok(Existing::Nothing)
            } else {
                // It went while the run was on.
                Err(FileProblem::NoDirectory { path, directory })
            };
        }
        Err(reason) => return Err(FileProblem::new(asked, reason)),
    };
    if found.is_dir() {
        return Err(FileProblem::IsDirectory { path });
    }
    if !found.is_file() {
        return Ok(Existing::Device);
    }
    if !is_own && inputs::is_read(&found) {
        return Err(FileProblem::Input { path });
    }
    // Renaming needs no right to the file itself; a file protected from writing should stay.
    OpenOptions::new()
        .write(true)
        .open(real)
        .map_err(|reason| FileProblem::new(asked, reason))?;
    Ok(Existing::File(found.permissions()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use tempfile::{TempDir, tempdir};

    /// The names in a directory, hidden ones too.
    fn names(directory: &TempDir) -> Vec<String> {
        let all = fs::read_dir(directory.path()).unwrap();
        let mut names: Vec<String> = all
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn all_outputs_appear_at_the_commit_and_not_before() {
        let place = tempdir().unwrap();
        let (a, b) = (place.path().join("a.csv"), place.path().join("b.wav"));
        fs::write(&b, "old").unwrap();
        let mut outputs = Outputs::new();
        outputs.text(&a, "1,2\n").unwrap();
        outputs.stage(&b).unwrap().write_all(b"new").unwrap();
        assert!(!a.exists());
        assert_eq!(fs::read(&b).unwrap(), b"old");
        outputs.commit().unwrap();
        assert_eq!(fs::read(&a).unwrap(), b"1,2\n");
        assert_eq!(fs::read(&b).unwrap(), b"new");
        assert_eq!(names(&place), ["a.csv", "b.wav"]);
    }

    #[test]
    fn dropping_leaves_no_trace() {
        let place = tempdir().unwrap();
        let (a, b) = (place.path().join("a"), place.path().join("b"));
        fs::write(&b, "old").unwrap();
        let mut outputs = Outputs::new();
        outputs.text(&a, "x").unwrap();
        outputs.text(&b, "x").unwrap();
        unnamed_beside(&a).unwrap().write_all(b"x").unwrap();
        drop(outputs);
        assert_eq!(names(&place), ["b"]);
        assert_eq!(fs::read(&b).unwrap(), b"old");
    }

    #[test]
    fn targets_that_cannot_be_written_are_named_at_once() {
        let place = tempdir().unwrap();
        let mut outputs = Outputs::new();
        let mut stage = |target: &Path| outputs.stage(target).unwrap_err();
        let is_directory = stage(place.path());
        assert!(matches!(is_directory, FileProblem::IsDirectory { .. }));
        let nowhere = place.path().join("no/where.csv");
        let problem = stage(&nowhere);
        assert!(matches!(problem, FileProblem::NoDirectory { .. }));
        assert!(problem.to_string().contains("where.csv"), "{problem}");
        assert!(matches!(stage(Path::new("")), FileProblem::NoName));
        let file = place.path().join("file");
        fs::write(&file, "").unwrap();
        // A file where a directory should be: the words differ between systems.
        stage(&file.join("below"));
        stage(&place.path().join("x".repeat(5000)));
        assert_eq!(names(&place), ["file"]);
    }

    #[test]
    fn one_target_cannot_take_two_outputs() {
        let place = tempdir().unwrap();
        let mut outputs = Outputs::new();
        outputs.text(&place.path().join("a"), "x").unwrap();
        let again = place.path().join(".").join("a");
        assert!(matches!(
            outputs.stage(&again),
            Err(FileProblem::SameTarget { .. })
        ));
        outputs.stage(Path::new("-")).unwrap();
        assert!(matches!(
            outputs.stage(Path::new("-")),
            Err(FileProblem::SameTarget { .. })
        ));
    }

    #[test]
    fn a_target_that_became_a_directory_stops_everything() {
        let place = tempdir().unwrap();
        let (a, b) = (place.path().join("a"), place.path().join("b"));
        let mut outputs = Outputs::new();
        outputs.text(&a, "x").unwrap();
        outputs.text(&b, "x").unwrap();
        fs::create_dir(&b).unwrap();
        let problem = outputs.commit().unwrap_err();
        assert!(matches!(problem, FileProblem::IsDirectory { .. }));
        assert_eq!(names(&place), ["b"]);
    }

    #[test]
    fn when_a_later_rename_fails_the_earlier_are_taken_back() {
        let place = tempdir().unwrap();
        let at = |name: &str| place.path().join(name);
        fs::write(at("old"), "old").unwrap();
        fs::create_dir(at("wall")).unwrap();
        // Past the check, as if the directory had been made in between.
        let files = ["new", "old", "wall"].map(|name| {
            let waiting = UnnamedFile::new(place.path(), None).unwrap();
            waiting.file().write_all(b"x").unwrap();
            let target = Target {
                real: at(name),
                folder: Folder::open(place.path()).unwrap(),
                is_own: false,
            };
            (at(name), waiting, target)
        });
        assert!(publish(files.into()).is_err());
        assert_eq!(names(&place), ["old", "wall"]);
        assert_eq!(fs::read(at("old")).unwrap(), b"old");
    }

    #[cfg(unix)]
    #[test]
    fn permissions_are_those_of_any_file_or_of_the_one_replaced() {
        use std::os::unix::fs::PermissionsExt;
        let place = tempdir().unwrap();
        let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        let (plain, new, old) = (
            place.path().join("plain"),
            place.path().join("new"),
            place.path().join("old"),
        );
        fs::write(&plain, "").unwrap();
        fs::write(&old, "").unwrap();
        fs::set_permissions(&old, fs::Permissions::from_mode(0o640)).unwrap();
        let mut outputs = Outputs::new();
        outputs.text(&new, "").unwrap();
        outputs.text(&old, "").unwrap();
        outputs.commit().unwrap();
        assert_eq!(mode(&new), mode(&plain));
        assert_eq!(mode(&old), 0o640);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_device_keeps_the_files_back() {
        let place = tempdir().unwrap();
        let mut outputs = Outputs::new();
        outputs.text(&place.path().join("a"), "x").unwrap();
        outputs.text(Path::new("/dev/full"), "x").unwrap();
        let problem = outputs.commit().unwrap_err();
        assert_eq!(
            problem.to_string(),
            "cannot write `/dev/full`: no space left"
        );
        assert!(names(&place).is_empty());
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_and_devices_are_not_replaced() {
        use std::os::unix::fs::{FileTypeExt, symlink};
        let place = tempdir().unwrap();
        let at = |name: &str| place.path().join(name);
        fs::write(at("real"), "old").unwrap();
        symlink(at("real"), at("link")).unwrap();
        symlink(at("nothing"), at("loose")).unwrap();
        let mut outputs = Outputs::new();
        outputs.text(&at("link"), "new").unwrap();
        outputs.text(Path::new("/dev/null"), "gone").unwrap();
        assert!(matches!(
            outputs.stage(&at("loose")),
            Err(FileProblem::LinkToNothing { .. })
        ));
        outputs.commit().unwrap();
        assert!(at("link").is_symlink());
        assert_eq!(fs::read(at("real")).unwrap(), b"new");
        let null = fs::metadata("/dev/null").unwrap();
        assert!(null.file_type().is_char_device());
    }
}
