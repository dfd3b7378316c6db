#![no_main]
//! Feeds `held::netlist`.

#[path = "../held/mod.rs"]
mod held;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    held::netlist::holds(&String::from_utf8_lossy(bytes));
});
