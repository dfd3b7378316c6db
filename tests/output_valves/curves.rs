//! Output against drive, from no drive to full: a curve that no fit has seen.

use super::stage::Stage;

/// Printed power below which a curve says more of how equal the maker's two valves were: it has 0.9 %
/// of distortion at 1 W, where equal ones have 0.2 %.
const LEAST_W: f64 = 5.0;

/// Philips EL84, sheets E to M (seen; `[[power_curve]]`): two in class AB with 130 ohm, 300 V, 8 k. At
/// each printed drive the power and both currents; volts are read to some 0.1 V, currents to 1 mA.
#[test]
fn a_pair_of_el84s_follows_its_printed_output() {
    let all: toml::Table = include_str!("../references/valves_more.toml")
        .parse()
        .expect("valves_more.toml is TOML");
    let curve = all["power_curve"]
        .as_array()
        .expect("curves")
        .iter()
        .find(|row| row["service"].as_str() == Some("PP AB Rk 130 300 V 8 k"))
        .expect("the curve of class AB");
    let printed = |key: &str| -> Vec<f64> {
        let values = curve[key].as_array().expect(key).iter();
        let number = |v: &toml::Value| v.as_float().or(v.as_integer().map(|i| i as f64));
        values.map(|v| number(v).expect(key)).collect()
    };
    let [drive, power, plate, screen] = ["drive_vrms", "po_w", "ia", "ig2"].map(printed);
    let mut wrong = Vec::new();
    for k in (0..power.len()).filter(|&k| power[k] >= LEAST_W) {
        let row: toml::Value = toml::toml! {
            valve = "EL84"
            service = "PP AB (pair)"
            source = "sheet"
            va = 300
            vg2 = 300
            rk = 130
            raa = 8000
        }
        .into();
        let stage = Stage::new(&row, None).driven_to(drive[k] * 2f64.sqrt());
        let found = stage.driven(&stage.rest());
        for (what, found, printed, within) in [
            ("power", found.watts, power[k], 0.05),
            ("plates", 1e3 * found.plate, plate[k], 0.03),
            ("screens", 1e3 * found.screen, screen[k], 0.10),
        ] {
            let error = found / printed - 1.0;
            println!(
                "{:4} V: {what} {found:.2}, printed {printed} ({:+.1} %)",
                drive[k],
                100.0 * error
            );
            if error.abs() > within {
                wrong.push(format!("{} V: {what} {found:.2} for {printed}", drive[k]));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
