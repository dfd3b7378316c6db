//! What `listen` is asked for: netlists, sounds, or both.

use super::super::failure::Failure;
use crate::inputs;
use clap::ArgMatches;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The names on the command line.
pub struct Asked {
    /// The netlists: none if the first name is a sound's.
    pub netlists: Vec<String>,
    /// The WAV files.
    pub sounds: Vec<PathBuf>,
}

/// What says something about a circuit, and nothing about sounds that are made already.
const OF_A_CIRCUIT: [&str; 12] = [
    "vary",
    "set",
    "knob",
    "switch",
    "mains",
    "probe",
    "clip",
    "source",
    "input-volts",
    "cabinet",
    "oversample",
    "figure",
];

/// Reads the names.
///
/// # Errors
/// If an option asks for something of a circuit and there is none, or a netlist comes after a
/// sound.
pub fn asked(matches: &ArgMatches) -> Result<Asked, Failure> {
    let first = matches.get_one::<String>("netlist").expect("required");
    let more = matches.get_many::<String>("more").into_iter().flatten();
    let mut asked = Asked {
        netlists: Vec::new(),
        sounds: Vec::new(),
    };
    for name in std::iter::once(first).chain(more) {
        // What is not there is asked for as its place says: sounds come last.
        let path = PathBuf::from(name);
        if is_sound(&path) || !asked.sounds.is_empty() {
            asked.sounds.push(path);
        } else {
            asked.netlists.push(name.clone());
        }
    }
    if !asked.netlists.is_empty() {
        return Ok(asked);
    }
    for option in OF_A_CIRCUIT {
        if matches.get_many::<String>(option).is_some() {
            return Err(Failure::usage(format!(
                "`--{option}` needs a circuit, `{first}` is a sound"
            ))
            .hint("name the netlist first, then the sounds"));
        }
    }
    Ok(asked)
}

/// Whether a file is a sound by its name, or else by how it begins.
fn is_sound(path: &Path) -> bool {
    if path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("wav"))
    {
        return true;
    }
    let mut start = [0; 4];
    let read = inputs::open(path, None).map(|mut file| file.read_exact(&mut start));
    matches!(read, Ok(Ok(()))) && (&start == b"RIFF" || &start == b"RF64")
}
