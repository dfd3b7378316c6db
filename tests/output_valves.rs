//! The built-in output valves against the makers' operating tables, solved by the tool itself.
//!
//! The tables are `[[power_output]]`, `[[triode_connection]]` and `[[ultralinear]]` of
//! tests/references/valves.toml, where each row has its source; rows with `found = false` are
//! from memory. Zero- and full-signal plate and screen current, power and distortion are
//! asked for within 10 %. What is not reached stands in `NOT_REACHED`, with nothing loosened
//! for it: such a figure must be off by what is stated there (or leave the list) and every other
//! one within. The last two kinds of rows and the positive grid were not used in the fits.

#[path = "output_valves/curves.rs"]
mod curves;
#[path = "output_valves/stage.rs"]
mod stage;

use stage::{Driven, Stage};

const PROMISE: f64 = 0.10;

/// Valve, stage and figure that miss by more than the promise, and by how many percent. The
/// library follows the printed charts too since its refit, which moved some figures within the
/// promise and others out of it; the reasons are those of netlists/valves/RESIDUALS.md.
const NOT_REACHED: &[(&str, &str, &str, f64)] = &[
    // RESIDUALS.md: the same sheet's chart has 12.5 mA a valve at 300 V, -14 V, which is 18 mA a pair
    // here. The sheet contradicts itself; not promised.
    (
        "EL84",
        "PP B fixed (pair), 300 V, -14.7 V, 8000 ohm",
        "plate at rest",
        24.2,
    ),
    // Screen currents are in the fit, but the plate's and the charts carry more points than they do:
    // one law for all of them cannot give each (RESIDUALS.md, ig2 rows; 6V6GT at rest is the worst of
    // the small ones). The KT88's 3 mA are a recollection; the fit follows a catalogue's 7 mA, with which
    // its pair agrees.
    ("6V6GT", "180 V, 180 V, -8.5 V", "screen", -21.1),
    ("6V6GT", "250 V, 250 V, -12.5 V", "screen", -23.7),
    ("6550", "400 V, 225 V, -16.5 V", "screen", 13.4),
    ("KT88", "250 V, 250 V, -15 V", "screen", 147.1),
    (
        "6V6GT",
        "SE A1, 180 V, -8.5 V, 5500 ohm",
        "screen at rest",
        -21.1,
    ),
    (
        "6V6GT",
        "SE A1, 250 V, -12.5 V, 5000 ohm",
        "screen at rest",
        -23.7,
    ),
    (
        "6V6GT",
        "PP AB1 (pair), 285 V, -19 V, 8000 ohm",
        "screen at full",
        -14.2,
    ),
    (
        "6V6GT",
        "SE A1, 250 V, -12.5 V, 5000 ohm",
        "screen at full",
        -12.3,
    ),
    (
        "6L6GC",
        "PP A1 (pair), 270 V, -17.5 V, 5000 ohm",
        "screen at rest",
        -24.9,
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 360 V, -22.5 V, 6600 ohm",
        "screen at full",
        -11.9,
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 450 V, -37 V, 5600 ohm",
        "screen at rest",
        14.8,
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 450 V, -37 V, 5600 ohm",
        "screen at full",
        15.4,
    ),
    (
        "EL84",
        "PP AB1 (pair), 250 V, 130 ohm, 8000 ohm",
        "screen at full",
        18.1,
    ),
    (
        "6550",
        "SE A1, 250 V, -14 V, 1500 ohm",
        "screen at full",
        -18.7,
    ),
    (
        "6550",
        "SE A1, 400 V, -16.5 V, 3000 ohm",
        "screen at rest",
        13.4,
    ),
    (
        "6550",
        "PP AB1 (pair), 400 V, -23 V, 3500 ohm",
        "screen at rest",
        14.1,
    ),
    (
        "6550",
        "PP AB1 (pair), 400 V, -23 V, 3500 ohm",
        "screen at full",
        -21.8,
    ),
    (
        "6550",
        "PP AB1 (pair), 450 V, -29 V, 3500 ohm",
        "screen at full",
        10.5,
    ),
    (
        "6550",
        "PP AB1 (pair), 600 V, -31 V, 5000 ohm",
        "screen at rest",
        -12.7,
    ),
    (
        "KT88",
        "PP AB1 fixed (pair), 560 V, -34 V, 4500 ohm",
        "screen at full",
        -11.4,
    ),
    // Distortions are in the fit with a wide tolerance, and a pair's is a small rest of what two equal
    // valves cancel (RESIDUALS.md, rows `power thd` and the column THD rms).
    (
        "6V6GT",
        "SE A1, 180 V, -8.5 V, 5500 ohm",
        "distortion",
        -30.6,
    ),
    (
        "6V6GT",
        "SE A1, 315 V, -13 V, 8500 ohm",
        "distortion",
        -14.1,
    ),
    (
        "6V6GT",
        "PP AB1 (pair), 250 V, -15 V, 10000 ohm",
        "distortion",
        27.8,
    ),
    (
        "6V6GT",
        "PP AB1 (pair), 285 V, -19 V, 8000 ohm",
        "distortion",
        14.0,
    ),
    (
        "6L6GC",
        "PP A1 (pair), 270 V, -17.5 V, 5000 ohm",
        "distortion",
        96.4,
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 360 V, -22.5 V, 6600 ohm",
        "distortion",
        14.2,
    ),
    (
        "6L6GC",
        "PP AB1 (pair), 360 V, -22.5 V, 3800 ohm",
        "distortion",
        -71.5,
    ),
    // To zero grid volts; recalled are 35 V at each grid, with which it has 14 % more (next row).
    (
        "6L6GC",
        "PP AB1 (pair), 450 V, -37 V, 5600 ohm",
        "distortion",
        71.5,
    ),
    (
        "6L6GC",
        "PP AB1 35 V at each grid (pair), 450 V, -37 V, 5600 ohm",
        "distortion",
        14.0,
    ),
    (
        "6L6GC",
        "PP AB1 35 V at each grid (pair), 450 V, -37 V, 5600 ohm",
        "screen at rest",
        14.8,
    ),
    (
        "EL34",
        "SE A1, 250 V, -13.5 V, 2000 ohm",
        "distortion",
        -12.3,
    ),
    (
        "EL34",
        "PP AB1 cathode bias (pair), 375 V, 130 ohm, 3400 ohm",
        "distortion",
        -42.7,
    ),
    ("6550", "SE A1, 250 V, -14 V, 1500 ohm", "distortion", 17.1),
    (
        "6550",
        "PP AB1 (pair), 400 V, -23 V, 3500 ohm",
        "distortion",
        -11.7,
    ),
    (
        "6550",
        "PP AB1 (pair), 450 V, -29 V, 3500 ohm",
        "distortion",
        -19.1,
    ),
    (
        "6550",
        "PP AB1 (pair), 600 V, -31 V, 5000 ohm",
        "distortion",
        -48.3,
    ),
    (
        "KT88",
        "PP AB1 fixed (pair), 560 V, -34 V, 4500 ohm",
        "distortion",
        14.7,
    ),
    // Strapped, tapped and positive-grid stages took no part in the fit (RESIDUALS.md, judge rows).
    (
        "6L6GC",
        "triode connection, 250 V, -20 V, 5000 ohm",
        "distortion",
        29.3,
    ),
    (
        "EL34",
        "PP AB1 ultralinear 43 % (pair), 400 V, 235 ohm, 6600 ohm",
        "screen at rest",
        -14.9,
    ),
    (
        "EL34",
        "PP AB1 ultralinear 43 % (pair), 400 V, 235 ohm, 6600 ohm",
        "distortion",
        101.1,
    ),
    (
        "EL84",
        "PP AB1 ultralinear 43 % (pair), 300 V, 135 ohm, 8000 ohm",
        "distortion",
        27.7,
    ),
    (
        "6L6GC",
        "PP AB2 (pair), 360 V, -22.5 V, 3800 ohm",
        "screen at full",
        31.3,
    ),
    (
        "EL84",
        "SE A1, 250 V, -7.3 V, 5200 ohm",
        "screen at full",
        -10.6,
    ),
    (
        "6L6GC",
        "PP AB2 (pair), 360 V, -22.5 V, 3800 ohm",
        "distortion",
        -11.6,
    ),
    (
        "EL84",
        "PP AB1 (pair), 250 V, 130 ohm, 8000 ohm",
        "distortion",
        31.0,
    ),
    (
        "EL84",
        "PP AB1 (pair), 300 V, 130 ohm, 8000 ohm",
        "distortion",
        11.5,
    ),
    (
        "EL84",
        "PP B fixed (pair), 300 V, -14.7 V, 8000 ohm",
        "distortion",
        12.3,
    ),
];

/// Printed plate resistances missed by more than a quarter, and the factor found. One law serves
/// points, charts and stages, and the charts' many points outweigh a printed resistance (mostly
/// "approx."). The EL84's sheet contradicts itself: it prints 38 and 40 k at 48 and 36 mA, and its
/// own chart rises by 3.6 mA from 200 to 300 V at 57 mA, which is 28 k. The fit follows the chart.
const RP_NOT_NEAR: &[(&str, &str, f64)] = &[
    ("EL84", "250 V, 250 V, -7.3 V", 0.66),
    ("EL84", "250 V, 250 V, -8.4 V", 0.73),
    ("6550", "250 V, 250 V, -14 V", 1.27),
];

/// By how many percent a figure is known to miss.
fn known_miss(valve: &str, label: &str, figure: &str) -> Option<f64> {
    NOT_REACHED
        .iter()
        .find(|known| (known.0, known.1, known.2) == (valve, label, figure))
        .map(|known| known.3)
}

/// Prints a line of the table; says what is wrong with it, if anything.
fn judge(valve: &str, label: &str, figure: &str, found: f64, printed: f64) -> Option<String> {
    let error = found / printed - 1.0;
    let known = known_miss(valve, label, figure);
    println!(
        "{valve:6} {label:58} {figure:18} {printed:8.4} {found:8.3} {:+6.1} %{}",
        100.0 * error,
        if known.is_some() { "  not reached" } else { "" }
    );
    let row = format!("(\"{valve}\", \"{label}\", \"{figure}\"");
    match known {
        None if error.abs() <= PROMISE => None,
        None => Some(format!(
            "{row}, {:.1}): {found}, printed {printed}",
            100.0 * error
        )),
        Some(_) if error.abs() <= PROMISE => {
            Some(format!("{row}) is reached now: take it off the list"))
        }
        // A known miss stays what is stated: it may not grow unseen.
        Some(stated) if (100.0 * error - stated).abs() > 0.5 => Some(format!(
            "{row}, {:.1}) is stated as {stated}",
            100.0 * error
        )),
        Some(_) => None,
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

/// What the plain law could not: plate resistance within a quarter of the printed figures
/// (`[[point]]`, most from memory and printed as approximate) but for `RP_NOT_NEAR`, screen current at the points.
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
        let known = RP_NOT_NEAR
            .iter()
            .find(|known| (known.0, known.1) == (valve, label.as_str()));
        let as_stated = match known {
            None => near,
            Some(known) => !near && (rp / of("rp_ohm") - known.2).abs() < 0.01,
        };
        if !as_stated {
            let factor = rp / of("rp_ohm");
            wrong.push(format!("{valve} {label}: rp {rp}, {factor:.3} of printed"));
        }
        let screen = 1e3 * stage::currents(valve, va, vg2, vg)[1];
        wrong.extend(judge(valve, &label, "screen", screen, of("ig2_ma")));
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}
