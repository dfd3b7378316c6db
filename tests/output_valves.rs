//! The built-in output valves against the makers' operating tables, solved by the tool itself.
//!
//! The tables are `[[power_output]]`, `[[triode_connection]]` and `[[ultralinear]]` of
//! tests/references/valves.toml, where each row has its source; rows with `found = false` are
//! from memory. Zero- and full-signal plate and screen current, power and distortion are
//! asked for within 10 %. What is not reached stands in `NOT_REACHED`, with nothing loosened
//! for it: such a figure must be off by more than 10 % (or leave the list) and every other
//! one within. The last two kinds of rows and the positive grid were not used in the fits.

#[path = "output_valves/stage.rs"]
mod stage;

use stage::{Driven, Stage};

const PROMISE: f64 = 0.10;

/// Valve, stage and figure that miss by more than the promise. By how much, the test prints.
const NOT_REACHED: &[(&str, &str, &str)] = &[
    ("6V6GT", "180 V, 180 V, -8.5 V", "screen"),
    ("6V6GT", "250 V, 250 V, -12.5 V", "screen"),
    ("6L6GC", "250 V, 250 V, -14 V", "screen"),
    ("6L6GC", "350 V, 250 V, -18 V", "screen"),
    ("6550", "400 V, 225 V, -16.5 V", "screen"),
    ("KT88", "250 V, 250 V, -15 V", "screen"),
    (
        "6L6GC",
        "triode connection, 250 V, -20 V, 5000 ohm",
        "distortion",
    ),
    (
        "EL84",
        "triode connection, 250 V, 270 ohm, 3500 ohm",
        "power",
    ),
    (
        "EL84",
        "triode connection, 250 V, 270 ohm, 3500 ohm",
        "distortion",
    ),
    (
        "EL84",
        "PP AB1 ultralinear 43 % (pair), 300 V, 135 ohm, 8000 ohm",
        "distortion",
    ),
    ("6V6GT", "SE A1, 180 V, -8.5 V, 5500 ohm", "screen at rest"),
    ("6V6GT", "SE A1, 180 V, -8.5 V, 5500 ohm", "distortion"),
    ("6V6GT", "SE A1, 250 V, -12.5 V, 5000 ohm", "screen at rest"),
    ("6V6GT", "SE A1, 315 V, -13 V, 8500 ohm", "distortion"),
    (
        "6V6GT",
        "PP AB1 (pair), 250 V, -15 V, 10000 ohm",
        "distortion",
    ),
    (
        "6V6GT",
        "PP AB1 (pair), 285 V, -19 V, 8000 ohm",
        "screen at rest",
    ),
    (
        "6V6GT",
        "PP AB1 (pair), 285 V, -19 V, 8000 ohm",
        "distortion",
    ),
    ("6L6GC", "SE A1, 250 V, -14 V, 2500 ohm", "screen at rest"),
    ("6L6GC", "SE A1, 250 V, -14 V, 2500 ohm", "distortion"),
    ("6L6GC", "SE A1, 350 V, -18 V, 4200 ohm", "screen at rest"),
    (
        "6L6GC",
        "PP A1 (pair), 270 V, -17.5 V, 5000 ohm",
        "screen at rest",
    ),
    (
        "6L6GC",
        "PP A1 (pair), 270 V, -17.5 V, 5000 ohm",
        "distortion",
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 360 V, -22.5 V, 6600 ohm",
        "screen at rest",
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 360 V, -22.5 V, 6600 ohm",
        "screen at full",
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 360 V, -22.5 V, 6600 ohm",
        "distortion",
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 360 V, -22.5 V, 3800 ohm",
        "distortion",
    ),
    (
        "6L6GC",
        "PP AB1 Rk=248 (pair), 360 V, -21.8 V, 9000 ohm",
        "distortion",
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 450 V, -37 V, 5600 ohm",
        "distortion",
    ),
    (
        "EL34",
        "PP AB1 cathode bias (pair), 375 V, 130 ohm, 3400 ohm",
        "distortion",
    ),
    (
        "EL34",
        "PP AB1 (pair), 775 V, -39 V, 11000 ohm",
        "screen at rest",
    ),
    (
        "EL84",
        "PP AB1 (pair), 250 V, 130 ohm, 8000 ohm",
        "screen at full",
    ),
    (
        "EL84",
        "PP AB1 (pair), 250 V, 130 ohm, 8000 ohm",
        "distortion",
    ),
    (
        "EL84",
        "PP AB1 (pair), 300 V, 130 ohm, 8000 ohm",
        "distortion",
    ),
    (
        "EL84",
        "PP B fixed (pair), 300 V, -14.7 V, 8000 ohm",
        "distortion",
    ),
    ("6550", "SE A1, 250 V, -14 V, 1500 ohm", "screen at full"),
    ("6550", "SE A1, 400 V, -16.5 V, 3000 ohm", "screen at rest"),
    (
        "6550",
        "PP AB1 (pair), 400 V, -23 V, 3500 ohm",
        "screen at full",
    ),
    (
        "6550",
        "PP AB1 (pair), 400 V, -23 V, 3500 ohm",
        "distortion",
    ),
    (
        "6550",
        "PP AB1 (pair), 450 V, -29 V, 3500 ohm",
        "screen at rest",
    ),
    (
        "6550",
        "PP AB1 (pair), 450 V, -29 V, 3500 ohm",
        "screen at full",
    ),
    (
        "6550",
        "PP AB1 (pair), 450 V, -29 V, 3500 ohm",
        "distortion",
    ),
    (
        "6550",
        "PP AB1 (pair), 600 V, -31 V, 5000 ohm",
        "screen at rest",
    ),
    (
        "6550",
        "PP AB1 (pair), 600 V, -31 V, 5000 ohm",
        "screen at full",
    ),
    (
        "6550",
        "PP AB1 (pair), 600 V, -31 V, 5000 ohm",
        "distortion",
    ),
    (
        "KT88",
        "PP AB1 fixed (pair), 560 V, -34 V, 4500 ohm",
        "screen at rest",
    ),
    (
        "KT88",
        "PP AB1 fixed (pair), 560 V, -34 V, 4500 ohm",
        "screen at full",
    ),
    (
        "KT88",
        "PP AB1 fixed (pair), 560 V, -34 V, 4500 ohm",
        "distortion",
    ),
    (
        "6L6GC",
        "PP AB2 (pair), 360 V, -22.5 V, 3800 ohm",
        "screen at rest",
    ),
    (
        "6L6GC",
        "PP AB2 (pair), 360 V, -22.5 V, 3800 ohm",
        "screen at full",
    ),
    ("6L6GC", "PP AB2 (pair), 360 V, -22.5 V, 3800 ohm", "power"),
    (
        "EL34",
        "PP AB1 ultralinear 43 % (pair), 400 V, 235 ohm, 6600 ohm",
        "screen at rest",
    ),
    (
        "EL34",
        "PP AB1 ultralinear 43 % (pair), 400 V, 235 ohm, 6600 ohm",
        "distortion",
    ),
];

fn reached(valve: &str, label: &str, figure: &str) -> bool {
    !NOT_REACHED.contains(&(valve, label, figure))
}

/// Prints a line of the table; says what is wrong with it, if anything.
fn judge(valve: &str, label: &str, figure: &str, found: f64, printed: f64) -> Option<String> {
    let error = found / printed - 1.0;
    let expected = reached(valve, label, figure);
    println!(
        "{valve:6} {label:58} {figure:18} {printed:8.4} {found:8.3} {:+6.1} %{}",
        100.0 * error,
        if expected { "" } else { "  not reached" }
    );
    match (error.abs() <= PROMISE, expected) {
        (true, true) | (false, false) => None,
        (false, true) => Some(format!(
            "(\"{valve}\", \"{label}\", \"{figure}\"): {found}, printed {printed}"
        )),
        (true, false) => Some(format!(
            "(\"{valve}\", \"{label}\", \"{figure}\") is reached now: take it off the list"
        )),
    }
}

/// Judges every figure that a row prints.
fn judge_stage(row: &toml::Value, tap: Option<f64>) -> Vec<String> {
    let stage = Stage::new(row, tap);
    let rest = stage.rest();
    let Driven {
        plate,
        screen,
        watts,
        thd,
    } = stage.driven(&rest);
    // A strapped valve is printed with the screen's current in the plate's.
    let strapped = if tap == Some(1.0) { 1.0 } else { 0.0 };
    let figures = [
        (
            "ia0",
            "plate at rest",
            1e3 * (rest.plate + strapped * rest.screen),
        ),
        ("ig20", "screen at rest", 1e3 * rest.screen),
        ("iam", "plate at full", 1e3 * (plate + strapped * screen)),
        ("ig2m", "screen at full", 1e3 * screen),
        ("po_w", "power", watts),
        ("thd", "distortion", thd),
    ];
    figures
        .into_iter()
        .filter_map(|(key, name, found)| {
            let printed = stage::number(row, key)?;
            judge(&stage.valve, &stage.label, name, found, printed)
        })
        .collect()
}

fn judge_table(name: &str, tap: Option<f64>, least: usize) {
    println!(
        "valve  stage{:53} figure             printed    found   error",
        ""
    );
    let table = stage::table();
    let rows = table[name].as_array().expect("rows");
    let told: Vec<&toml::Value> = rows.iter().filter(|row| Stage::is_whole(row)).collect();
    let wrong: Vec<String> = told.iter().flat_map(|row| judge_stage(row, tap)).collect();
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
    assert!(told.len() >= least, "{} rows", told.len());
}

/// Single-ended and push-pull, fixed and cathode bias, class A to AB2: RCA, GE, Philips,
/// Mullard, Tung-Sol, GEC.
#[test]
fn operating_tables_are_met_within_ten_percent() {
    judge_table("power_output", None, 22);
}

/// Screen at the plate: RCA 6L6GC; Mullard EL34, EL84 (from memory).
#[test]
fn triode_connection_follows_from_the_same_law() {
    judge_table("triode_connection", Some(1.0), 3);
}

/// Screen on a tap of the winding: Mullard EL34 and EL84 (from memory).
#[test]
fn ultralinear_connection_follows_from_the_same_law() {
    judge_table("ultralinear", None, 2);
}

/// RCA 6V6GT and 6L6GC with grid 2 at the plate (from memory): current, gm and mu at a point.
#[test]
fn triode_connected_slopes_follow_from_the_same_law() {
    let table = stage::table();
    let mut wrong = Vec::new();
    for row in table["triode_connection"].as_array().expect("rows") {
        let Some(gm) = stage::number(row, "gm_us") else {
            continue;
        };
        let of = |key| stage::number(row, key).expect(key);
        let valve = row["valve"].as_str().expect("a name");
        let total = |vg: f64, va: f64| 1e3 * stage::currents(valve, va, va, vg).iter().sum::<f64>();
        let (vg, va) = (of("vg1"), of("va"));
        let to_grid = (total(vg + 0.01, va) - total(vg - 0.01, va)) / 0.02;
        let to_plate = (total(vg, va + 0.1) - total(vg, va - 0.1)) / 0.2;
        let label = format!("{va} V strapped, {vg} V");
        for (figure, found, printed) in [
            ("current", total(vg, va), of("ia_ma")),
            ("gm, uS", 1e3 * to_grid, gm),
            ("mu", to_grid / to_plate, of("mu")),
        ] {
            wrong.extend(judge(valve, &label, figure, found, printed));
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

/// What the plain law could not: plate resistance within a factor of the printed figures
/// (`[[point]]`, most from memory and printed as approximate), screen current at the points.
#[test]
fn plate_resistance_and_screen_current_at_the_points() {
    let table = stage::table();
    let mut wrong = Vec::new();
    for row in table["point"].as_array().expect("rows") {
        let Some(vg2) = stage::number(row, "vg2") else {
            continue;
        };
        let of = |key| stage::number(row, key).expect(key);
        let valve = row["valve"].as_str().expect("a name");
        let (va, vg) = (of("va"), of("vg1"));
        let plate = |va: f64| stage::currents(valve, va, vg2, vg)[0];
        let rp = 2.0 / (plate(va + 1.0) - plate(va - 1.0));
        let label = format!("{va} V, {vg2} V, {vg} V");
        // Printed as approximate; the plain law was 1.2 to 3 times too high.
        let near = (0.75..1.25).contains(&(rp / of("rp_ohm")));
        println!(
            "{valve:6} {label:58} rp {:8} ohm, found {rp:8.0}",
            of("rp_ohm")
        );
        if !near {
            wrong.push(format!("{valve} {label}: rp {rp}"));
        }
        let screen = 1e3 * stage::currents(valve, va, vg2, vg)[1];
        wrong.extend(judge(valve, &label, "screen", screen, of("ig2_ma")));
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}
