#![no_main]
//! Feeds `held::wav`.

#[path = "../held/mod.rs"]
mod held;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    held::wav::holds(bytes);
});
