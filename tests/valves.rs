//! The built-in valve models against published figures, solved by the tool itself.
//!
//! The figures stand in tests/references/valves.toml and resistance_coupled.csv, where
//! each has its source; rows with `found = false` are from memory. `scripts/fit_valves.py
//! --check` judges the same models by its own code; netlists/valves/RESIDUALS.md has all
//! residuals.

use gridleak::analysis::operating_point;
use gridleak::circuit::{Circuit, library};
use gridleak::diag::Files;
use gridleak::system::probe::{Moment, Observable};

/// Node voltages of a netlist's operating point.
fn volts(text: &str, nodes: &[&str]) -> Vec<f64> {
    let circuit = Circuit::from_text(text).unwrap_or_else(|why| panic!("{why}\n{text}"));
    let (point, mut assembly) =
        operating_point::dc(&circuit).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let moment = Moment {
        time: None,
        x: &point.x,
        rates: None,
    };
    nodes
        .iter()
        .map(|name| {
            let node = circuit
                .node(name)
                .unwrap_or_else(|| panic!("no node {name}"));
            Observable::voltage(&circuit, node).read(&mut assembly, moment)
        })
        .collect()
}

/// The plate current at given voltages, through a sensing ohm.
fn plate_current(valve: &str, kind: &str, va: f64, vg2: f64, vg1: f64) -> f64 {
    let call = if kind == "pentode" {
        "XV p s g 0"
    } else {
        "XV p g 0"
    };
    let screen = if kind == "pentode" {
        format!("VS s 0 {vg2}\n")
    } else {
        String::new()
    };
    let text =
        format!("point\nVA a 0 {va}\nRS a p 1m\nVG g 0 {vg1}\n{screen}{call} {valve}\n.end\n");
    let v = volts(&text, &["a", "p"]);
    (v[0] - v[1]) / 1e-3
}

/// The grid current of a triode at given voltages, through a sensing milliohm.
fn grid_current(valve: &str, va: f64, vg: f64) -> f64 {
    let text = format!("point\nVA a 0 {va}\nVG b 0 {vg}\nRS b g 1m\nXV a g 0 {valve}\n.end\n");
    let v = volts(&text, &["b", "g"]);
    (v[0] - v[1]) / 1e-3
}

fn table() -> toml::Table {
    include_str!("references/valves.toml")
        .parse()
        .expect("valves.toml is TOML")
}

fn number(row: &toml::Value, key: &str) -> Option<f64> {
    let value = row.get(key)?;
    value
        .as_float()
        .or_else(|| value.as_integer().map(|i| i as f64))
}

/// Whether the library has a model of that name.
fn in_library(name: &str) -> bool {
    let mut sources = Files::default();
    let (body, _) = library::load(&mut sources);
    body.models
        .iter()
        .any(|m| m.name.text.eq_ignore_ascii_case(name))
}

#[test]
fn every_statement_of_the_library_is_read_without_complaint() {
    let mut sources = Files::default();
    let (body, diagnostics) = library::load(&mut sources);
    assert!(diagnostics.is_empty(), "{diagnostics:?}");
    for name in [
        "12AX7",
        "12AT7",
        "12AU7",
        "12AY7",
        "6SN7",
        "6SL7",
        "6V6GT",
        "6L6GC",
        "EL34",
        "EL84",
        "5AR4",
        "5Y3GT",
        "12AX7_1996",
    ] {
        assert!(body.models.iter().any(|m| m.name.text == name), "{name}");
    }
}

/// Published: plate currents of every data-sheet point ([[point]] rows). The promise is
/// 10 % for triodes; the power valves' models hold it too.
#[test]
fn data_sheet_points_are_met_within_ten_percent() {
    let table = table();
    let mut worst: f64 = 0.0;
    let mut judged = 0;
    for row in table["point"].as_array().expect("rows") {
        let valve = row["valve"].as_str().expect("a name");
        if !in_library(valve) {
            continue;
        }
        let kind = row["kind"].as_str().expect("a kind");
        let (va, vg1) = (
            number(row, "va").expect("va"),
            number(row, "vg1").expect("vg1"),
        );
        let vg2 = number(row, "vg2").unwrap_or(0.0);
        let printed = number(row, "ia_ma").expect("ia_ma");
        let found = plate_current(valve, kind, va, vg2, vg1) * 1e3;
        let error = found / printed - 1.0;
        println!(
            "{valve} {va} V {vg1} V: {found:.3} mA, printed {printed}, {:+.1} %",
            100.0 * error
        );
        assert!(
            error.abs() <= 0.10,
            "{valve} at {va} V, {vg1} V: {found} mA, printed {printed} mA"
        );
        worst = worst.max(error.abs());
        judged += 1;
    }
    println!("{judged} points, worst {:.1} %", 100.0 * worst);
    assert!(judged >= 18, "{judged}");
}

/// GE's 12AT7 and Tung-Sol's 12AU7 sheets print the grid's own current, which at +30 V and 20 V of plate is
/// nearly three times that at 130 V. Both were fitted to; counted is what is 3 % of the largest or more.
#[test]
fn printed_grid_currents_are_met() {
    let table: toml::Table = include_str!("references/curves.toml")
        .parse()
        .expect("curves.toml is TOML");
    let rows = table["grid_curve"].as_array().expect("rows");
    for (valve, points, rms) in [("12AT7", 73, 0.04), ("12AU7", 13, 0.08)] {
        let mut printed = Vec::new();
        for row in rows.iter().filter(|r| r["valve"].as_str() == Some(valve)) {
            let list = |key: &str| row[key].as_array().expect("a list").clone();
            let vg = number(row, "vg1").expect("vg1");
            for (va, ma) in list("va").iter().zip(&list("ig_ma")) {
                let number = |v: &toml::Value| v.as_float().or(v.as_integer().map(|i| i as f64));
                printed.push((vg, number(va).expect("volts"), number(ma).expect("mA")));
            }
        }
        let largest = printed.iter().fold(0.0f64, |m, p| m.max(p.2));
        printed.retain(|p| p.2 >= 0.03 * largest);
        assert_eq!(printed.len(), points, "{valve}");
        let squares = printed.iter().map(|&(vg, va, ma)| {
            let error = 1e3 * grid_current(valve, va, vg) / ma - 1.0;
            println!(
                "{valve} {vg} V, plate {va} V: {ma} mA, {:+.1} %",
                100.0 * error
            );
            error * error
        });
        let found = (squares.sum::<f64>() / points as f64).sqrt();
        assert!(found <= rms, "{valve}: {:.1} %", 100.0 * found);
    }
}

/// Published: the 1996 set's known failure at the data-sheet points (notes of the reference
/// folder): 0.10 mA at 100 V, -1 V and 0.95 mA at 250 V, -2 V. The comparison model keeps it.
#[test]
fn the_1996_statement_is_the_1996_set() {
    for (va, vg1, ma) in [(100.0, -1.0, 0.10), (250.0, -2.0, 0.95)] {
        let found = plate_current("12AX7_1996", "triode", va, 0.0, vg1) * 1e3;
        assert!((found - ma).abs() < 0.005, "{found}");
    }
}

/// Published: gains of the resistance-coupled tables (Philips and RCA, from memory). The
/// stage is solved at rest, then its grid is moved by a millivolt with the cathode held, the
/// load being plate resistor and following grid leak side by side.
#[test]
fn stage_gains_are_met_within_six_percent_rms() {
    let mut reader =
        csv::Reader::from_reader(&include_bytes!("references/resistance_coupled.csv")[..]);
    let mut errors: std::collections::BTreeMap<String, Vec<f64>> = Default::default();
    for record in reader.records() {
        let record = record.expect("a row");
        let field = |k: usize| record[k].parse::<f64>().unwrap_or(f64::NAN);
        let valve = record[0].to_string();
        let (vbb, ra, rg, rk, printed) =
            (field(1), field(2) * 1e3, field(3) * 1e3, field(4), field(6));
        let rest = volts(
            &format!(
                "stage\nVB b 0 {vbb}\nRA b p {ra}\nRK k 0 {rk}\nRG g 0 1meg\nXV p g k {valve}\n"
            ),
            &["p", "k"],
        );
        let load = ra * rg / (ra + rg);
        let current = (vbb - rest[0]) / ra;
        let behind = rest[0] + current * load;
        let moved = |grid: f64| {
            volts(
                &format!(
                    "gain\nVT t 0 {behind:e}\nRL t p {load:e}\nVK k 0 {:e}\nVG g 0 {grid}\nXV p g k {valve}\n",
                    rest[1]
                ),
                &["p"],
            )[0]
        };
        let gain = (moved(-1e-3) - moved(1e-3)) / 2e-3;
        errors.entry(valve).or_default().push(gain / printed - 1.0);
    }
    assert_eq!(errors.len(), 3, "{:?}", errors.keys());
    for (valve, errors) in errors {
        let rms = (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
        println!(
            "{valve}: {} rows, gain error {:.2} % rms",
            errors.len(),
            100.0 * rms
        );
        assert!(rms <= 0.06, "{valve}: {:.2} % rms", 100.0 * rms);
    }
}

/// Published: voltage drops of the rectifier valves (from memory; 5Y3GT drops differ between
/// sources from 44 to 60 V, the reference has 60 V).
#[test]
fn rectifiers_drop_their_printed_volts() {
    let table = table();
    for row in table["rectifier"].as_array().expect("rows") {
        let valve = row["valve"].as_str().expect("a name");
        if !in_library(valve) {
            continue;
        }
        let amperes = number(row, "drop_at_ma_per_plate").expect("ma") * 1e-3;
        let printed = number(row, "drop_v").expect("volts");
        let drop = volts(
            &format!("drop\nI1 0 p {amperes}\nR2 q 0 1meg\nXV p q 0 {valve}\nRP p 0 1g\n"),
            &["p"],
        )[0];
        println!("{valve}: {drop:.2} V, printed {printed}");
        assert!(
            (drop / printed - 1.0).abs() < 0.03,
            "{valve}: {drop} V, printed {printed} V"
        );
    }
}

/// Every valve of the library says what it needs of socket and heater.
#[test]
fn every_valve_of_the_library_names_its_base_and_heater() {
    let mut sources = Files::default();
    let (body, _) = library::load(&mut sources);
    for model in &body.models {
        let kind = gridleak::device::kind(&model.kind.text).expect("a kind");
        if !kind.model_params.iter().any(|p| p.name == "base") {
            continue;
        }
        for needed in ["base", "vh", "ih"] {
            let given = |name: &str| model.params.iter().any(|a| a.name.text == name);
            // A subminiature valve has wires for leads.
            let leads = model.name.text == "6111" && needed == "base";
            assert!(given(needed) || leads, "{}: {needed}", model.name.text);
        }
    }
}

/// One row of tests/references/cutoff.csv.
#[derive(Debug, serde::Deserialize)]
struct Cutoff {
    valve: String,
    plate_v: f64,
    current_a: f64,
    /// What the sheet prints; none where no sheet was found that does.
    sheet_vg: Option<f64>,
    /// What the model needs.
    model_vg: f64,
    source: String,
}

/// The grid voltage at which a triode draws a current.
fn grid_volts(valve: &str, plate_v: f64, current_a: f64) -> f64 {
    let (mut cold, mut hot) = (-150.0, 0.0);
    for _ in 0..18 {
        let middle = 0.5 * (cold + hot);
        // Beside the leakage of the junctions, 1e-12 S.
        if plate_current(valve, "triode", plate_v, 0.0, middle) < current_a {
            cold = middle;
        } else {
            hot = middle;
        }
    }
    0.5 * (cold + hot)
}

/// Where every triode of the library is cut off, beside the sheet where one prints it. The
/// model's side is a record: a refit that moves it changes the row, which is then read beside the
/// sheet's. A sheet's figure is "approximate"; a model that cuts off at less than half of it or
/// more than twice would bias wrongly whatever the sheet means.
#[test]
fn cut_off_of_every_triode_beside_the_sheet() {
    let mut reader = csv::Reader::from_path("tests/references/cutoff.csv").expect("a table");
    let rows: Vec<Cutoff> = reader.deserialize().map(|r| r.expect("a row")).collect();
    let mut sources = Files::default();
    let (body, _) = library::load(&mut sources);
    let mut wrong = Vec::new();
    for model in &body.models {
        let name = &model.name.text;
        let is_old = ["_1996", "_plain"]
            .iter()
            .any(|end| name.to_lowercase().ends_with(end));
        if !model.kind.text.eq_ignore_ascii_case("triode") || is_old {
            continue;
        }
        let Some(row) = rows.iter().find(|r| r.valve.eq_ignore_ascii_case(name)) else {
            let found = grid_volts(name, 250.0, 10e-6);
            wrong.push(format!(
                "no row: {name},250,0.00001,,{found:.2},no sheet found"
            ));
            continue;
        };
        let found = grid_volts(name, row.plate_v, row.current_a);
        if (found / row.model_vg - 1.0).abs() > 0.01 {
            wrong.push(format!("{row:?}: now {found:.2} V"));
        }
        if let Some(sheet) = row.sheet_vg {
            println!("{name}: {found:.2} V, the sheet {sheet} V ({})", row.source);
            if !(0.5..2.0).contains(&(found / sheet)) {
                wrong.push(format!("{name}: {found:.2} V, but the sheet {sheet} V"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
