//! A folder that is held open, so that what is done in it is done there and nowhere else: its
//! path may come to lead elsewhere during a long run.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// An open folder.
#[derive(Debug)]
pub(super) struct Folder {
    /// Kept open as long as `path` goes by way of it.
    _handle: Option<File>,
    path: PathBuf,
    place: PathBuf,
}

impl Folder {
    /// Opens a folder.
    pub fn open(folder: &Path) -> io::Result<Self> {
        if let Some(held) = held(folder)? {
            return Ok(held);
        }
        Ok(Folder {
            _handle: None,
            path: folder.to_owned(),
            place: fs::canonicalize(folder)?,
        })
    }

    /// A path to it that stays the same folder.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where it was when it was opened.
    pub fn place(&self) -> &Path {
        &self.place
    }
}

/// The folder by way of its handle: the system follows `/proc/self/fd/N` to what is open there,
/// whatever has become of the name. None where there is no such thing.
#[cfg(target_os = "linux")]
fn held(folder: &Path) -> io::Result<Option<Folder>> {
    use rustix::fs::{Mode, OFlags};
    use std::os::fd::AsRawFd;
    let flags = OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let handle = File::from(rustix::fs::open(folder, flags, Mode::empty())?);
    let path = PathBuf::from(format!("/proc/self/fd/{}", handle.as_raw_fd()));
    Ok(fs::read_link(&path).ok().map(|place| Folder {
        _handle: Some(handle),
        path,
        place,
    }))
}

#[cfg(not(target_os = "linux"))]
fn held(_: &Path) -> io::Result<Option<Folder>> {
    Ok(None)
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn bug_outputs_followed_a_folder_that_a_link_replaced() {
        let place = tempfile::tempdir().expect("a folder");
        let at = |name: &str| place.path().join(name);
        fs::create_dir(at("out")).expect("made");
        fs::create_dir(at("elsewhere")).expect("made");
        let folder = Folder::open(&at("out")).expect("opened");
        fs::rename(at("out"), at("moved")).expect("moved");
        std::os::unix::fs::symlink(at("elsewhere"), at("out")).expect("a link");
        fs::write(folder.path().join("a"), "x").expect("written");
        assert!(at("moved/a").exists() && !at("elsewhere/a").exists());
    }
}
