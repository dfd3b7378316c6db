//! The gain of a stage over frequency: `cargo run --release --example response`.

use gridleak::workbench::{Error, Netlist};

fn main() -> Result<(), Error> {
    let stage = Netlist::open("netlists/lapwing/clean_stage.cir")?.build()?;
    for (hertz, decibels, degrees) in stage.response("v(out)", 20.0..=20e3, 3.0)?.rows() {
        println!("{hertz:>8.0} Hz {decibels:>7.2} dB {degrees:>8.1} degrees");
    }
    Ok(())
}
