//! The voltage chart of a stage with one part changed: `cargo run --release --example bias`.

use gridleak::workbench::{Error, Netlist};

fn main() -> Result<(), Error> {
    let netlist = Netlist::open("netlists/lapwing/clean_stage.cir")?;
    for ohms in ["1k", "1k5", "2k7"] {
        let bench = netlist.clone().with("RK1", ohms).build()?;
        let watts = bench.figure("plate dissipation of XV1A")?.value;
        println!("RK1 {ohms}: {watts:.2} W\n{}", bench.quiescent()?);
    }
    Ok(())
}
