#![no_main]
//! Feeds `held::table`.

#[path = "../held/mod.rs"]
mod held;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    held::table::holds(&String::from_utf8_lossy(bytes));
});
