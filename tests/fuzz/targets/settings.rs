#![no_main]
//! Feeds `held::settings`.

#[path = "../held/mod.rs"]
mod held;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    held::settings::holds(&String::from_utf8_lossy(bytes));
});
