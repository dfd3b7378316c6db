//! A phrase through a stage at two positions of its volume: `cargo run --release --example render`.

use gridleak::audio::phrase::phrase;
use gridleak::workbench::{Error, Netlist};

fn main() -> Result<(), Error> {
    for volume in [3, 7] {
        let netlist = Netlist::open("netlists/lapwing/clean_stage.cir")?;
        let stage = netlist.with("VOLUME", volume).build()?;
        let sound = stage.render("v(out)", &phrase(48_000), 0.3)?;
        println!("{volume}: {:.2} V peak", sound.level.peak());
        sound.save(std::env::temp_dir().join(format!("volume_{volume}.wav")))?;
    }
    Ok(())
}
