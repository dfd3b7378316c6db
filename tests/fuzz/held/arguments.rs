//! The command line: one argument a line, the command first.

use std::path::Path;

/// Nothing solves this (two gains that fix each other), which is soon found: all that a command
/// asks of its arguments is asked, and no long work follows.
const NETLIST: &str = "hopeless
V1 in 0 AC 1
R1 in 0 1k
XVOL in w 0 A1M knob=5
E1 p 0 q 0 1
E2 q 0 p 0 1
R2 p w 1
R3 q 0 1
.model A1M pot(r=1meg taper=linear)
";

const SHEET: &str = "netlist = 'a.cir'
[[expect]]
figure = 'v(p)'
value = '1 V'
tolerance = '1 %'
";

/// A run ends with one of its exit codes, and where it failed it leaves no file behind. Falling
/// short is no failure, and `check` reports to CI on whatever happened.
/// Whether the arguments were understood: the circuit has no solution, which is reported last.
/// `run` runs the tool in `folder`.
pub fn holds(text: &str, folder: &Path, run: impl FnOnce(&[String]) -> u8) -> bool {
    let arguments: Vec<String> = text.split('\n').map(str::to_owned).collect();
    // Nothing is read or written elsewhere, whatever the arguments say.
    let elsewhere = |a: &String| a.contains(['/', '\\']) || a.contains("..");
    if arguments.len() > 30 || arguments.iter().any(elsewhere) {
        return false;
    }
    let checks = arguments[0] == "check";
    for (name, text) in OURS {
        std::fs::write(folder.join(name), text).expect("written");
    }
    let code = run(&arguments);
    assert!(code <= 3, "ended with {code}");
    let entries = std::fs::read_dir(folder).expect("the folder");
    for entry in entries {
        let entry = entry.expect("an entry");
        let path = entry.path();
        if OURS.iter().all(|o| entry.file_name() != o.0) {
            assert!(code < 2 || checks, "{code} left {path:?}");
        }
        let _ = std::fs::remove_file(&path).or_else(|_| std::fs::remove_dir_all(&path));
    }
    code != 2
}

/// The WAV file is one of silence: 8 samples of 16 bits at 8 kHz.
const OURS: [(&str, &[u8]); 4] = [
    ("a.cir", NETLIST.as_bytes()),
    ("a.sheet.toml", SHEET.as_bytes()),
    ("a.csv", b"0,5\n1,6\n"),
    (
        "a.wav",
        b"RIFF\x34\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x40\x1f\0\0\x80\x3e\0\0\x02\0\x10\0data\x10\0\0\0\
          \0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0",
    ),
];
