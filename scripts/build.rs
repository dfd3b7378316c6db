//! Says from which commit the tool is built, where git can tell, and lists the topics of the guide.

use std::fmt::Write;
use std::path::Path;
use std::process::Command;

fn git(arguments: &[&str]) -> Option<String> {
    let run = Command::new("git").args(arguments).output().ok()?;
    let text = String::from_utf8(run.stdout).ok()?;
    run.status.success().then(|| text.trim().to_string())
}

/// Every file of `src/cli/guide` by its name, for `src/cli/guide.rs` to include.
fn list_topics(here: &str) {
    let folder = Path::new(here).join("src/cli/guide");
    println!("cargo:rerun-if-changed={}", folder.display());
    let files = std::fs::read_dir(&folder).expect("src/cli/guide").flatten();
    let mut files: Vec<_> = files
        .map(|file| file.path())
        .filter(|path| path.extension().is_some_and(|kind| kind == "md"))
        .collect();
    files.sort();
    let mut text = "/// The files of `cli/guide`.\nconst FILES: &[Topic] = &[\n".to_string();
    for path in &files {
        let name = path.file_stem().expect("a name");
        let _ = writeln!(
            text,
            "    Topic {{ name: {name:?}, text: include_str!({path:?}) }},"
        );
    }
    let folder = std::env::var("OUT_DIR").expect("cargo sets it");
    std::fs::write(Path::new(&folder).join("guide.rs"), text + "];\n").expect("OUT_DIR");
}

fn main() {
    println!("cargo:rerun-if-changed=scripts/build.rs");
    list_topics(env!("CARGO_MANIFEST_DIR"));
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
