#![no_main]
//! Feeds `held::solved`.

#[path = "../held/mod.rs"]
mod held;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    held::solved::holds(&String::from_utf8_lossy(bytes));
});
