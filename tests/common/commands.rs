//! Commands that a document shows, as a reader would type them.

// Each test file uses its own part of this.
#![allow(dead_code)]

use std::path::Path;
use std::process::Command;

/// A fenced block of Markdown.
#[derive(Debug)]
pub struct Block {
    /// What stands behind the opening fence: `sh`, `console`, `toml` ...
    pub kind: String,
    /// What is in it.
    pub text: String,
}

/// The fenced blocks of a document, in order.
pub fn blocks(document: &str) -> Vec<Block> {
    let mut found = Vec::new();
    let mut open: Option<Block> = None;
    for line in document.lines() {
        match (line.strip_prefix("```"), &mut open) {
            (Some(kind), None) => {
                open = Some(Block {
                    kind: kind.trim().to_string(),
                    text: String::new(),
                });
            }
            (Some(_), Some(_)) => found.extend(open.take()),
            (None, Some(block)) => {
                block.text += line;
                block.text.push('\n');
            }
            (None, None) => {}
        }
    }
    assert!(open.is_none(), "a block is not closed");
    found
}

/// The commands of a block of shell, lines that go on with a backslash put together.
pub fn commands(text: &str) -> Vec<String> {
    let whole = text.replace("\\\n", " ");
    let lines = whole.lines().map(str::trim);
    lines
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
        .map(String::from)
        .collect()
}

/// A command's words, quotes taken away.
pub fn words(command: &str) -> Vec<String> {
    let (mut found, mut word, mut quote) = (vec![], None::<String>, None);
    for c in command.chars() {
        match (quote, c) {
            (None, '\'' | '"') => {
                quote = Some(c);
                word.get_or_insert_default();
            }
            (Some(q), c) if q == c => quote = None,
            (None, c) if c.is_whitespace() => found.extend(word.take()),
            (_, c) => word.get_or_insert_default().push(c),
        }
    }
    found.extend(word);
    found
}

/// Runs a command that begins with `gridleak` in a folder: its exit code and what it printed,
/// standard output first.
pub fn run(command: &str, folder: &Path) -> (i32, String) {
    let words = words(command);
    assert_eq!(words[0], "gridleak", "{command}");
    let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args(&words[1..])
        .current_dir(folder)
        .output()
        .expect("the tool starts");
    let mut text = String::from_utf8_lossy(&output.stdout).into_owned();
    text += &String::from_utf8_lossy(&output.stderr);
    (output.status.code().unwrap_or(-1), text)
}

/// A folder with the repository's netlists in it, for commands to be run in.
pub fn place_of_work() -> tempfile::TempDir {
    let place = tempfile::tempdir().expect("a folder");
    let netlists = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists");
    for folder in ["lapwing", "textbook"] {
        let own = place.path().join("netlists").join(folder);
        std::fs::create_dir_all(&own).expect("a folder");
        for file in std::fs::read_dir(netlists.join(folder)).expect("it is there") {
            let path = file.expect("a file").path();
            std::fs::copy(&path, own.join(path.file_name().expect("a name"))).expect("copied");
        }
    }
    place
}

/// Asserts that a text is as shown; a line `...` there stands for any lines.
pub fn assert_shown(command: &str, shown: &str, printed: &str) {
    let mut rest: Vec<&str> = printed.lines().collect();
    rest.reverse();
    let mut skips = false;
    for line in shown.lines() {
        if line.trim() == "..." {
            skips = true;
            continue;
        }
        let mut next = rest.pop();
        while skips && next.is_some_and(|next| next != line) {
            next = rest.pop();
        }
        skips = false;
        assert_eq!(next, Some(line), "of `{command}`, which prints\n{printed}");
    }
    assert!(
        skips || rest.is_empty(),
        "`{command}` prints more than is shown:\n{printed}"
    );
}
