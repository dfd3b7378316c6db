#![no_main]
//! Feeds `held::sheet`.

#[path = "../held/mod.rs"]
mod held;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    held::sheet::holds(&String::from_utf8_lossy(bytes));
});
