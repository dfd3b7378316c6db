#![no_main]
//! Feeds `held::words`.

#[path = "../held/mod.rs"]
mod held;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    held::words::holds(&String::from_utf8_lossy(bytes));
});
