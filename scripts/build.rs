//! Says from which commit the tool is built, where git can tell.

use std::path::Path;
use std::process::Command;

fn git(arguments: &[&str]) -> Option<String> {
    let run = Command::new("git").args(arguments).output().ok()?;
    let text = String::from_utf8(run.stdout).ok()?;
    run.status.success().then(|| text.trim().to_string())
}

fn main() {
    println!("cargo:rerun-if-changed=scripts/build.rs");
    // A tarball unpacked within another repository is of no commit of that.
    let here = env!("CARGO_MANIFEST_DIR");
    let ours = git(&["rev-parse", "--show-toplevel"])
        .is_some_and(|top| Path::new(&top) == Path::new(here));
    let commit = git(&["rev-parse", "--short=10", "HEAD"]).filter(|_| ours);
    let version = env!("CARGO_PKG_VERSION");
    match commit {
        Some(commit) => println!("cargo:rustc-env=GRIDLEAK_VERSION={version} ({commit})"),
        None => println!("cargo:rustc-env=GRIDLEAK_VERSION={version}"),
    }
    for name in ["HEAD", "logs/HEAD"] {
        if let Some(path) = git(&["rev-parse", "--git-path", name]).filter(|_| ours)
            && Path::new(&path).exists()
        {
            println!("cargo:rerun-if-changed={path}");
        }
    }
}
