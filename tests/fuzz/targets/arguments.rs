#![no_main]
//! Feeds `held::arguments`: the whole tool runs in this process, in an empty folder of its own.

#[path = "../held/mod.rs"]
mod held;

use std::path::PathBuf;
use std::sync::OnceLock;

static FOLDER: OnceLock<PathBuf> = OnceLock::new();

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let folder = FOLDER.get_or_init(|| {
        let name = format!("gridleak-fuzz-{}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&folder).expect("a folder");
        std::env::set_current_dir(&folder).expect("a folder to run in");
        folder
    });
    held::arguments::holds(&String::from_utf8_lossy(bytes), folder, |arguments| {
        let name = std::iter::once("gridleak".to_string());
        let all = name.chain(arguments.iter().cloned());
        gridleak::cli::run(all.map(Into::into)).code()
    });
});
