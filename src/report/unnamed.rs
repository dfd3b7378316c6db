//! A file that is being made: without a name until it is complete, so that nothing of it is
//! left whatever ends the process, be it an empty battery. Where the system has no files
//! without names it waits under a name of its own and goes with the process that ends well.

use std::fs::{self, File, OpenOptions, Permissions};
use std::io::{self, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use tempfile::{Builder, NamedTempFile, TempPath};

/// What a file that is being made is called, if it must be.
pub(super) fn builder() -> Builder<'static, 'static> {
    let mut builder = Builder::new();
    builder.prefix(".gridleak-").suffix(".tmp");
    builder
}

/// A file on its way.
#[derive(Debug)]
pub(super) enum UnnamedFile {
    /// It has no name yet.
    #[cfg(target_os = "linux")]
    Nameless(File),
    /// It has one, beside its target.
    Named(NamedTempFile),
}

impl UnnamedFile {
    /// A new file in a directory, with these permissions or those of any newly created file.
    pub fn new(directory: &Path, kept: Option<Permissions>) -> io::Result<Self> {
        let waiting = UnnamedFile::without_permissions(directory)?;
        if let Some(permissions) = kept {
            waiting.file().set_permissions(permissions)?;
        }
        Ok(waiting)
    }

    fn without_permissions(directory: &Path) -> io::Result<Self> {
        #[cfg(target_os = "linux")]
        if let Some(file) = nameless(directory)? {
            return Ok(UnnamedFile::Nameless(file));
        }
        Ok(UnnamedFile::Named(named(directory)?))
    }

    /// The file.
    pub fn file(&self) -> &File {
        match self {
            #[cfg(target_os = "linux")]
            UnnamedFile::Nameless(file) => file,
            UnnamedFile::Named(named) => named.as_file(),
        }
    }

    /// Gives it a name beside its target, from which it can be renamed; without that the name
    /// goes again.
    pub fn name(self, directory: &Path) -> io::Result<TempPath> {
        match self {
            #[cfg(target_os = "linux")]
            UnnamedFile::Nameless(file) => match linked(&file, directory) {
                Ok(name) => Ok(name),
                Err(_) => copied(file, directory),
            },
            UnnamedFile::Named(named) => Ok(named.into_temp_path()),
        }
    }
}

fn named(directory: &Path) -> io::Result<NamedTempFile> {
    let builder = builder();
    // The name is noted before there is a file of that name, or it could be missed.
    let made = builder.make_in(directory, |name| {
        note(name);
        let mut options = OpenOptions::new();
        options.read(true).write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o666);
        options.open(name)
    });
    made.map_err(plain)
}

/// Names that files have while they are made.
static NAMES: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

fn names() -> MutexGuard<'static, Vec<PathBuf>> {
    NAMES.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Notes such a name, before it is used.
pub(super) fn note(name: &Path) {
    names().push(name.to_owned());
}

/// Removes whatever still has one of these names.
pub(super) fn forget() {
    for name in names().drain(..) {
        // Most are gone: renamed, or removed by their owner.
        let _ = fs::remove_file(name);
    }
}

/// A file without a name, or none where the file system has no such thing.
#[cfg(target_os = "linux")]
fn nameless(directory: &Path) -> io::Result<Option<File>> {
    use rustix::fs::{Mode, OFlags};
    use rustix::io::Errno;
    // Naming it later goes by way of /proc.
    if !Path::new("/proc/self/fd").is_dir() {
        return Ok(None);
    }
    let flags = OFlags::RDWR | OFlags::TMPFILE | OFlags::CLOEXEC;
    match rustix::fs::open(directory, flags, Mode::from_raw_mode(0o666)) {
        Ok(file) => Ok(Some(File::from(file))),
        Err(Errno::OPNOTSUPP | Errno::ISDIR | Errno::NOENT | Errno::INVAL) => Ok(None),
        Err(e) => Err(e.into()),
    }
}

/// A name for a file that has none.
#[cfg(target_os = "linux")]
fn linked(file: &File, directory: &Path) -> io::Result<TempPath> {
    use rustix::fs::{AtFlags, CWD};
    use std::os::fd::AsRawFd;
    let now = format!("/proc/self/fd/{}", file.as_raw_fd());
    let named = builder().make_in(directory, |name| {
        note(name);
        let follow = AtFlags::SYMLINK_FOLLOW;
        Ok(rustix::fs::linkat(CWD, &now, CWD, name, follow)?)
    });
    Ok(named.map_err(plain)?.into_temp_path())
}

/// The same content under a name, where no name can be given.
#[cfg(target_os = "linux")]
fn copied(mut file: File, directory: &Path) -> io::Result<TempPath> {
    let mut named = named(directory)?;
    named
        .as_file()
        .set_permissions(file.metadata()?.permissions())?;
    file.seek(SeekFrom::Start(0))?;
    io::copy(&mut file, &mut named)?;
    Ok(named.into_temp_path())
}

/// The system's own error: libraries wrap it into words of theirs, and the name of a file that
/// nobody knows.
pub(super) fn plain(error: io::Error) -> io::Error {
    let mut inner = error
        .get_ref()
        .map(|e| e as &(dyn std::error::Error + 'static));
    while let Some(wrapped) = inner {
        // `csv` has the system's error in its kind and not as its source.
        let system = match wrapped.downcast_ref::<csv::Error>().map(csv::Error::kind) {
            Some(csv::ErrorKind::Io(system)) => Some(system),
            _ => wrapped.downcast_ref::<io::Error>(),
        };
        if let Some(code) = system.and_then(io::Error::raw_os_error) {
            return io::Error::from_raw_os_error(code);
        }
        inner = wrapped.source();
    }
    error
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[cfg(target_os = "linux")]
    #[test]
    fn where_no_name_can_be_given_the_content_is_copied() {
        let place = tempfile::tempdir().expect("a folder");
        let waiting = UnnamedFile::new(place.path(), None).expect("made");
        waiting.file().write_all(b"sound").expect("written");
        let count = || std::fs::read_dir(place.path()).expect("read").count();
        if let UnnamedFile::Nameless(file) = waiting {
            assert_eq!(count(), 0);
            let name = copied(file, place.path()).expect("copied");
            assert_eq!(std::fs::read(&name).expect("read"), b"sound");
            assert_eq!(count(), 1);
        }
        assert_eq!(count(), 0);
    }
}
