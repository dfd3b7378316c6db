//! `fit`: synthetic valves of known parameters, printed curves as readings, and the command.
//!
//! The truths are the built-in laws with other parameters, drawn here; the printed curves are
//! those of tests/references/curves.toml, where each has its source.

mod common;

use common::Gridleak;
use gridleak::circuit::library::{self, Shipped};
use gridleak::device::production::{self, Deviation};
use gridleak::fit::bottle::{Bottle, State, has_screen};
use gridleak::fit::estimate::{Estimate, estimate};
use gridleak::fit::frame::Frame;
use gridleak::fit::readings::Reading;
use gridleak::math::normal;

/// Numbers by seed (Steele, Lea and Flood's SplitMix64, OOPSLA 2014; from memory).
struct Dice(u64);

impl Dice {
    fn part(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (((z ^ (z >> 31)) >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    fn even(&mut self, limit: f64) -> f64 {
        limit * (2.0 * self.part() - 1.0)
    }

    fn bell(&mut self) -> f64 {
        normal::quantile(self.part())
    }
}

/// Plate volts, and grid volts as parts of the grid base (the volts that draw over mu).
fn states(valve: &Shipped, places: impl IntoIterator<Item = (f64, f64)>) -> Vec<State> {
    let mu = valve.value("mu").expect("a valve");
    let test = valve.value("vtest").unwrap_or(250.0);
    let at = |(vpk, part): (f64, f64)| match has_screen(valve.kind) {
        true => State {
            vpk,
            vg2k: test,
            vgk: -part * test / mu,
        },
        false => State {
            vpk,
            vg2k: f64::NAN,
            vgk: -part * vpk / mu,
        },
    };
    places.into_iter().map(at).collect()
}

fn grid(volts: &[f64], parts: &[f64]) -> Vec<(f64, f64)> {
    let row = |&v: &f64| parts.iter().map(move |&p| (v, p));
    volts.iter().flat_map(row).collect()
}

fn read(truth: &Bottle, states: &[State], dice: &mut Dice) -> Vec<Reading> {
    let one = |(k, &state): (usize, &State)| {
        let [plate, screen] = truth.at(state);
        let mut noisy = |i: f64| i * (1.0 + 0.01 * dice.bell());
        Reading {
            line: k + 2,
            state,
            plate: noisy(plate),
            screen: (screen > 0.0).then(|| noisy(screen)),
            error: None,
        }
    };
    states.iter().enumerate().map(one).collect()
}

/// A bottle out of production: current, mu and contact potential within their limits.
fn produced(valve: &Shipped, dice: &mut Dice) -> Vec<f64> {
    let mut within = |name: &str| dice.even(valve.value(name).expect("a limit"));
    let by = Deviation {
        current: within("tolip"),
        mu: within("tolmu"),
        contact: within("tolvct"),
    };
    let mut values = valve.values.clone();
    production::apply(valve.kind.model_params, &mut values, by);
    values
}

/// A stranger: each parameter by itself by some per cent, with nothing held.
fn strange(valve: &Shipped, dice: &mut Dice) -> Vec<f64> {
    let mut values = valve.values.clone();
    for (param, value) in valve.kind.model_params.iter().zip(&mut values) {
        let by = match param.name {
            "mu" => 0.06,
            "ex" => 0.02,
            "kg1" | "kg2" | "kvb" => 0.2,
            "kp" | "knee" => 0.15,
            _ => continue,
        };
        *value *= 1.0 + dice.even(by);
    }
    values
}

/// Errors of a run of trials.
#[derive(Default)]
struct Tally {
    errors: Vec<f64>,
    inside: usize,
    parameters: (usize, usize),
}

impl Tally {
    fn rms(&self) -> f64 {
        let sum: f64 = self.errors.iter().map(|e| e * e).sum();
        (sum / self.errors.len() as f64).sqrt()
    }

    fn within(&self, most: f64) -> f64 {
        let count = self.errors.iter().filter(|e| e.abs() <= most).count();
        count as f64 / self.errors.len() as f64
    }

    fn covered(&self) -> f64 {
        self.inside as f64 / self.errors.len() as f64
    }

    /// Judges a fit at points held back, where a tenth of the largest current flows or more.
    fn judge(&mut self, truth: &Bottle, values: &[f64], found: &Estimate, held: &[State]) {
        let most = held.iter().map(|&s| truth.at(s)[0]).fold(0.0, f64::max);
        for &state in held {
            let current = truth.at(state)[0];
            if current < 0.1 * most {
                continue;
            }
            let (model, (low, high)) = found.current(state);
            self.errors.push(model / current - 1.0);
            self.inside += usize::from(low <= current && current <= high);
        }
        for p in &found.parameters {
            let params = found.frame().kind.model_params;
            let k = params
                .iter()
                .position(|q| q.name == p.name)
                .expect("its own");
            self.parameters.1 += 1;
            let (low, high) = p.interval;
            self.parameters.0 += usize::from(low <= values[k] && values[k] <= high);
        }
    }
}

fn valve<'s>(shipped: &'s [Shipped], name: &str) -> &'s Shipped {
    shipped.iter().find(|v| v.name == name).expect("built in")
}

type Draw<'d> = &'d dyn Fn(&Shipped, &Frame, &mut Dice) -> Vec<f64>;

fn trials(name: &str, count: usize, read_at: &[(f64, f64)], draw: Draw<'_>) -> Tally {
    let shipped = library::shipped();
    let valve = valve(&shipped, name);
    let frames = Frame::sets(&shipped, valve);
    let held = states(
        valve,
        grid(&[125.0, 175.0, 225.0, 275.0], &[0.3, 0.55, 0.8]),
    );
    let points = states(valve, read_at.iter().copied());
    let mut dice = Dice(1906);
    let mut tally = Tally::default();
    for _ in 0..count {
        let values = draw(valve, &frames[0], &mut dice);
        let truth = Bottle::new(valve.kind, &values);
        let found = estimate(&frames, &read(&truth, &points, &mut dice), 0.01);
        tally.judge(&truth, &values, &found, &held);
    }
    println!(
        "{name}, {} readings: rms {:.2} %, within 2 % {:.0} %, within 6 % {:.0} %, 90 % intervals \
         cover {:.0} % of the currents, {:.0} % of the parameters",
        points.len(),
        100.0 * tally.rms(),
        100.0 * tally.within(0.02),
        100.0 * tally.within(0.06),
        100.0 * tally.covered(),
        100.0 * tally.parameters.0 as f64 / tally.parameters.1 as f64
    );
    tally
}

const TWENTY: ([f64; 5], [f64; 4]) = ([100.0, 150.0, 200.0, 250.0, 300.0], [0.2, 0.45, 0.7, 0.9]);
const THREE: [(f64, f64); 3] = [(100.0, 0.4), (200.0, 0.7), (280.0, 0.9)];
const TYPES: [&str; 6] = ["12AX7", "12AU7", "6SN7", "6V6GT", "EL84", "EL34"];

#[test]
fn twenty_readings_give_currents_within_two_percent() {
    let twenty = grid(&TWENTY.0, &TWENTY.1);
    for name in TYPES {
        for draw in [produced as fn(&Shipped, &mut Dice) -> Vec<f64>, strange] {
            let tally = trials(name, 25, &twenty, &|v, _, dice| draw(v, dice));
            assert!(tally.rms() < 0.01, "{name}: {}", tally.rms());
            assert!(tally.within(0.02) > 0.99, "{name}: {}", tally.within(0.02));
        }
    }
}

#[test]
fn three_readings_give_currents_within_six_percent() {
    for name in TYPES {
        let tally = trials(name, 25, &THREE, &|v, _, dice| produced(v, dice));
        assert!(tally.within(0.06) > 0.98, "{name}: {}", tally.within(0.06));
        // Strangers' mu is beyond production, and what it does far from the readings too.
        let tally = trials(name, 25, &THREE, &|v, _, dice| strange(v, dice));
        assert!(tally.rms() < 0.06, "{name}: {}", tally.rms());
    }
}

/// The valves of this one are drawn from the priors that the intervals rest on.
#[test]
fn ninety_percent_intervals_hold_in_ninety_percent_of_trials() {
    let twenty = grid(&TWENTY.0, &TWENTY.1);
    let drawn = |_: &Shipped, frame: &Frame, dice: &mut Dice| {
        let z: Vec<f64> = frame.list.iter().map(|_| dice.bell()).collect();
        frame.parameters(&z)
    };
    for name in ["12AX7", "12AU7", "6V6GT"] {
        let tally = trials(name, 200, &twenty, &drawn);
        let parameters = tally.parameters.0 as f64 / tally.parameters.1 as f64;
        for covered in [tally.covered(), parameters] {
            assert!((0.85..=0.95).contains(&covered), "{name}: {covered}");
        }
    }
}

/// Koren's printed 12AX7 set (Glass Audio 8(5), 1996; seen as a quotation), 10 % hotter: a law
/// that the type's own set cannot be bent to, as a stranger's readings may be.
#[test]
fn readings_of_the_published_law_are_followed_too() {
    let twenty = grid(&TWENTY.0, &TWENTY.1);
    let shipped = library::shipped();
    let koren = |_: &Shipped, _: &Frame, dice: &mut Dice| {
        let old = valve(&shipped, "12AX7_1996");
        let mut values = old.values.clone();
        let params = old.kind.model_params;
        let kg1 = params
            .iter()
            .position(|p| p.name == "kg1")
            .expect("a triode");
        values[kg1] /= 1.0 + dice.even(0.2);
        values
    };
    let tally = trials("12AX7", 25, &twenty, &koren);
    assert!(tally.within(0.02) > 0.99, "{}", tally.within(0.02));
}

/// A printed family as readings: vg1, vg2, plate volts and milliamperes, reading error.
fn family(name: &str, keep: impl Fn(f64, Option<f64>, &str) -> bool) -> Vec<Reading> {
    let table: toml::Table = include_str!("references/curves.toml")
        .parse()
        .expect("TOML");
    let number = |row: &toml::Value, key: &str| {
        let value = row.get(key)?;
        value.as_float().or(value.as_integer().map(|i| i as f64))
    };
    let list = |row: &toml::Value, key: &str| -> Vec<f64> {
        let values = row[key].as_array().expect("a list");
        let one = |v: &toml::Value| v.as_float().or(v.as_integer().map(|i| i as f64));
        values.iter().filter_map(one).collect()
    };
    let rows = table["plate_curve"].as_array().expect("rows");
    let mut found = Vec::new();
    for row in rows.iter().filter(|r| r["valve"].as_str() == Some(name)) {
        let (vgk, vg2k) = (number(row, "vg1").expect("vg1"), number(row, "vg2"));
        let source = row["source"].as_str().expect("a source");
        if !keep(vgk, vg2k, source) {
            continue;
        }
        let error = 1e-3 * number(row, "read_error_ma").expect("an error");
        for (vpk, ma) in list(row, "va").into_iter().zip(list(row, "ia_ma")) {
            let reading = Reading {
                line: found.len() + 2,
                state: State {
                    vpk,
                    vg2k: vg2k.unwrap_or(f64::NAN),
                    vgk,
                },
                plate: 1e-3 * ma,
                screen: None,
                error: Some(error.hypot(0.02 * 1e-3 * ma)),
            };
            found.push(reading);
        }
    }
    found
}

/// Tung-Sol 12AX7 and 12AU7, Radiotron 6V6GT: negative grids and zero bias. The reading error is
/// what curves.toml states for each curve, and the 2 % by which these readings agree with the
/// tables of the same sheets. Of the 12AT7 the chart of negative grids: the other's curve of 0 V, up to
/// 11 % under this one's, is of another valve, and both together come back to 1.02.
#[test]
fn a_printed_family_comes_back_within_its_reading_error() {
    let shipped = library::shipped();
    for (name, screen, apart, most) in [
        ("12AX7", None, None, 1.0),
        ("12AU7", None, None, 1.0),
        ("6V6GT", Some(285.0), None, 1.0),
        ("12AT7", None, Some("page 2"), 1.0),
        ("EL84", Some(300.0), None, 1.0),
    ] {
        let readings = family(name, |vgk, vg2k, source| {
            let belongs = apart.is_none_or(|page| !source.contains(page));
            vgk <= 0.0 && vg2k == screen && belongs
        });
        assert!(readings.len() > 30, "{name}");
        let valve = valve(&shipped, name);
        let found = estimate(&Frame::sets(&shipped, valve), &readings, 0.01);
        let typical = Bottle::new(valve.kind, &valve.values);
        let rms = |model: &dyn Fn(usize) -> f64| {
            let one = |(k, r): (usize, &Reading)| {
                let error = r.error.expect("stated");
                ((model(k) - r.plate) / error).powi(2)
            };
            let sum: f64 = readings.iter().enumerate().map(one).sum();
            (sum / readings.len() as f64).sqrt()
        };
        let own = rms(&|k| found.judged[k].model[0]);
        let before = rms(&|k| typical.at(readings[k].state)[0]);
        println!("{name}: {own:.2} reading errors rms, the type's own model {before:.2}");
        assert!(own < most && own < before, "{name}: {own}, {before}");
        assert!(found.judged.iter().all(|j| !j.left_out), "{name}");
    }
}

struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Folder(tempfile::tempdir().expect("a folder"))
    }

    fn path(&self, name: &str) -> std::path::PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, text: &str) -> std::path::PathBuf {
        let path = self.path(name);
        std::fs::write(&path, text).expect("written");
        path
    }

    /// `gridleak fit TYPE` on a table; its exit code, its standard error and the model.
    fn fit(&self, valve: &str, table: &str) -> (i32, String, String) {
        let readings = self.write("mine.csv", table);
        let out = self.path("mine.cir");
        let ran = Gridleak::command("fit")
            .arg(valve)
            .path(&readings)
            .option("--name", "MINE")
            .option("--out", out.to_str().expect("UTF-8"))
            .option("--plot", self.path("mine.svg").to_str().expect("UTF-8"))
            .unaudited()
            .run();
        let model = std::fs::read_to_string(out).unwrap_or_default();
        (ran.status, ran.stderr, model)
    }
}

fn parameter(model: &str, name: &str) -> f64 {
    let word = model
        .lines()
        .filter(|l| l.starts_with('+'))
        .flat_map(str::split_whitespace)
        .find_map(|w| w.strip_prefix(&format!("{name}=")))
        .unwrap_or_else(|| panic!("no {name} in {model}"));
    word.trim_end_matches(')').parse().expect("a number")
}

#[test]
fn one_reading_moves_the_current_and_nothing_else() {
    let folder = Folder::new();
    let (status, stderr, model) = folder.fit("12AX7", "vpk,vgk,plate_current\n250,-2,1.5m\n");
    assert_eq!((status, stderr.as_str()), (0, ""));
    let shipped = library::shipped();
    let typical = valve(&shipped, "12AX7");
    for name in ["mu", "ex", "kp", "kvb", "vct", "isl", "knee", "take", "gg"] {
        let (found, own) = (parameter(&model, name), typical.value(name).expect("given"));
        assert!((found / own - 1.0).abs() < 1e-5, "{name}: {found}, {own}");
    }
    assert!(parameter(&model, "kg1") < 0.9 * typical.value("kg1").expect("given"));
    for words in [
        "mine.csv",
        "Held as in the built-in 12AX7",
        "Residuals",
        "RCA",
        "kg1",
    ] {
        assert!(model.contains(words), "{words}: {model}");
    }
    // In a circuit, and as a family of curves.
    let amp = folder.write(
        "amp.cir",
        "One stage\n.include mine.cir\nVB b 0 350\nRA b p 100k\nVG g 0 -2\nVP q 0 250\nXV1 p g 0 MINE\n\
         XV2 q g 0 MINE\n.end\n",
    );
    let chart = Gridleak::command("bias").path(&amp).table().unwrap();
    let current = chart.quantity("XV2", "plate current").unwrap();
    assert!((current / 1.5e-3 - 1.0).abs() < 0.01, "{current}");
    let curves = Gridleak::command("curves")
        .path(&amp)
        .option("--valve", "XV2")
        .table()
        .unwrap();
    assert!(curves.rows.len() > 100);
    let picture = std::fs::read_to_string(folder.path("mine.svg")).unwrap();
    assert!(picture.ends_with("</svg>\n") && !picture.contains("NaN"));
}

#[test]
fn a_pentode_takes_screen_readings_and_does_without() {
    let folder = Folder::new();
    let head = "vpk,vg2k,vgk,plate_current,screen_current\n";
    let (status, stderr, model) = folder.fit(
        "EL84",
        &format!("{head}250,250,-7.3,52m,6.1m\n250,250,-10,30m,\n"),
    );
    assert_eq!((status, stderr.as_str()), (0, ""), "{model}");
    assert!(model.contains("EL84") && parameter(&model, "kg2") > 0.0);
}

#[test]
fn contradictions_are_named_by_line() {
    let folder = Folder::new();
    let head = "vpk,vgk,plate_current\n";
    let (_, stderr, model) = folder.fit("12AX7", &format!("{head}250,-2,1.2m\n250,-2,1.5m\n"));
    assert!(
        stderr.contains("lines 2 and 3 contradict each other"),
        "{stderr}"
    );
    assert!(
        model.contains("lines 2 and 3 contradict each other"),
        "{model}"
    );
    // One of eight readings with two digits exchanged.
    let shipped = library::shipped();
    let typical = valve(&shipped, "12AX7");
    let bottle = Bottle::new(typical.kind, &typical.values);
    let places = grid(&[150.0, 200.0, 250.0, 280.0], &[0.3, 0.7]);
    let mut table = head.to_string();
    for (k, s) in states(typical, places).into_iter().enumerate() {
        let wrong = if k == 4 { 0.55 } else { 1.0 };
        table += &format!("{},{},{}\n", s.vpk, s.vgk, wrong * bottle.at(s)[0]);
    }
    let (_, stderr, _) = folder.fit("12AX7", &table);
    assert!(
        stderr.contains("line 6 contradicts all other readings"),
        "{stderr}"
    );
}

#[test]
fn readings_that_no_valve_could_give_are_refused_with_their_line() {
    let cases = [
        ("12AX7", "250,-2,1.2m\n250,-2,1.2\n", "line 3", "wrong unit"),
        ("12AX7", "250,-2,1200\n", "line 2", "wrong unit"),
        (
            "12AX7",
            "0.25,-2,1.2m\n",
            "line 2",
            "`vpk` in the wrong unit",
        ),
        (
            "12AX7",
            "250,-2000,1.2m\n",
            "line 2",
            "`vgk` in the wrong unit",
        ),
        ("12AX7", "250,2,1.2m\n", "line 2", "sign of `vgk`"),
        ("12AX7", "250,-2,-1.2m\n", "line 2", "backwards"),
        ("12AX7", "0,-2,1.2m\n", "line 2", "0.00 V on the plate"),
        ("12AX7", "-250,-2,1.2m\n", "line 2", "on the plate"),
        ("12AX7", "250,-2,0\n", "line 2", "no current flows"),
        ("12AX7", "250,-2\n", "line 2", "has 2 values"),
        ("12AX7", "250,minus two,1m\n", "line 2", "not a number"),
        ("12AX7", "", "line 1", "no readings"),
        ("12AX8", "250,-2,1.2m\n", "`12AX8`", "did you mean"),
        ("5AR4", "250,-2,1.2m\n", "`5AR4`", "no grid"),
        ("EL84", "250,-7,48m\n", "line 1", "`vg2k`"),
    ];
    for (valve, rows, place, words) in cases {
        let folder = Folder::new();
        let (status, stderr, model) = folder.fit(valve, &format!("vpk,vgk,plate_current\n{rows}"));
        assert_eq!(status, 2, "{rows}: {stderr}");
        assert!(
            stderr.contains(place) && stderr.contains(words),
            "{rows}: {stderr}"
        );
        assert_eq!(stderr.matches("error").count(), 1, "{stderr}");
        assert!(model.is_empty() && !folder.path("mine.svg").exists());
    }
}

/// A stage with a valve 20 % hotter than its type: volts as a meter would show them, by `bias`.
#[test]
fn volts_in_the_amplifier_serve_as_well_as_a_tester() {
    let folder = Folder::new();
    let stage = |kg1: &str| {
        format!(
            "A stage\nVB b 0 300\nRB b b1 10k\nRA b1 p 100k ; tol=1%\nVG g 0 0\nRK k 0 1.5k ; tol=1%\n\
             XV1A p g k 12AX7\nC1 p o 22n\nRO o 0 1meg\n{kg1}.end\n"
        )
    };
    let amp = folder.write("amp.cir", &stage(""));
    let chart = Gridleak::command("bias")
        .path(&amp)
        .option("--set", "XV1A.kg1=1250")
        .table()
        .unwrap();
    let current = chart.quantity("XV1A", "plate current").unwrap();
    let vpk = chart.quantity("XV1A", "vpk").unwrap();
    let vgk = chart.quantity("XV1A", "vgk").unwrap();
    for points in [&["b1", "p", "k"][..], &["b1", "p"], &["k"]] {
        let mut table = "probe,value\n".to_string();
        for point in points {
            table += &format!(
                "v({point}),{}\n",
                chart.value(&format!("v({point})")).unwrap()
            );
        }
        let readings = folder.write("volts.csv", &table);
        let out = folder.path("mine.cir");
        let ran = Gridleak::command("fit")
            .path(&readings)
            .option("--netlist", amp.to_str().unwrap())
            .option("--valve", "XV1A")
            .option("--meter", "1g")
            .option("--name", "MINE")
            .option("--out", out.to_str().unwrap())
            .option("--csv", "-")
            .unaudited()
            .run();
        assert_eq!(ran.status, 0, "{points:?}: {}", ran.stderr);
        let table = common::Table::parse(&ran.stdout).unwrap();
        let only = |column: &str| table.column(column).unwrap()[0];
        assert!(
            (only("plate_current") / current - 1.0).abs() < 0.005,
            "{points:?}: {ran:?}"
        );
        assert!((only("vpk") / vpk - 1.0).abs() < 0.01 && (only("vgk") - vgk).abs() < 0.01);
        assert!(
            (only("model_plate_current") / current - 1.0).abs() < 0.02,
            "{ran:?}"
        );
    }
    let readings = folder.write("volts.csv", "probe,value\nv(q),12\n");
    let ran = Gridleak::command("fit")
        .path(&readings)
        .option("--netlist", amp.to_str().unwrap())
        .option("--valve", "XV1A")
        .option("--name", "MINE")
        .option("--out", folder.path("no.cir").to_str().unwrap())
        .run();
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr.contains("line 2") && ran.stderr.contains("v(q)"),
        "{}",
        ran.stderr
    );
}

/// Four EL84: two alike, one weak, one of another mu and current.
#[test]
fn the_best_pair_of_a_folder_comes_first() {
    let folder = Folder::new();
    let drawer = folder.path("drawer");
    std::fs::create_dir(&drawer).unwrap();
    let shipped = library::shipped();
    let el84 = valve(&shipped, "EL84");
    let places = grid(&[250.0], &[0.2, 0.4, 0.6, 0.8]);
    let bottles = [(0.1, 0.03), (-0.2, 0.0), (0.11, 0.03), (0.02, -0.06)];
    for (k, (current, mu)) in bottles.into_iter().enumerate() {
        let mut values = el84.values.clone();
        let by = Deviation {
            current,
            mu,
            contact: 0.0,
        };
        production::apply(el84.kind.model_params, &mut values, by);
        let bottle = Bottle::new(el84.kind, &values);
        let mut table = "vpk,vg2k,vgk,plate_current,screen_current\n".to_string();
        for s in states(el84, places.iter().copied()) {
            let [plate, screen] = bottle.at(s);
            table += &format!("{},{},{},{plate},{screen}\n", s.vpk, s.vg2k, s.vgk);
        }
        std::fs::write(drawer.join(format!("el84_{}.csv", k + 1)), table).unwrap();
    }
    let ranked = |run: Gridleak| {
        let ran = run.option("--csv", "-").unaudited().run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        common::Table::parse(&ran.stdout).unwrap()
    };
    let folder_name = drawer.to_str().unwrap().to_string();
    let run = Gridleak::command("fit").option("--pairs", &folder_name);
    let table = ranked(run.clone());
    assert_eq!(table.rows.len(), 6);
    assert_eq!(table.rows[0][1..3], ["el84_1", "el84_3"]);
    let current = table.column("current_percent").unwrap();
    assert!(current[0] < 2.0 && current[5] > 20.0, "{current:?}");
    let amp = folder.write(
        "pair.cir",
        "A pair\nVB b 0 250\nVIN in 0 0 AC 1\nE1 g2 0 0 in 1\nRK k 0 130\nCK k 0 1000u\n\
         RA b p1 1k\nRB b p2 1k\nXV4 p1 b in k EL84\nXV5 p2 b g2 k EL84\n.end\n",
    );
    let table = ranked(
        run.option("--netlist", amp.to_str().unwrap())
            .option("--valve", "XV4")
            .option("--valve", "XV5")
            .option("--probe", "v(p1,p2)")
            .option("--level", "5"),
    );
    assert_eq!(table.rows[0][1..3], ["el84_1", "el84_3"]);
    let balance = table.column("balance_a").unwrap();
    let thd = table.column("thd_percent").unwrap();
    let hum = table.column("hum").unwrap();
    assert!(balance[0] < 1e-3 && balance[5] > 5e-3, "{balance:?}");
    assert!(thd[0] <= thd[5] && hum[0] < hum[5], "{thd:?} {hum:?}");
}
