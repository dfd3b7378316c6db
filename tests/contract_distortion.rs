//! The promises of `distortion`, word for word (contract: "Commands", "The fine print").
mod common;

use common::{Gridleak, Netlist, Table, close};

fn distortion(netlist: &Netlist) -> Gridleak {
    Gridleak::command("distortion").path(netlist.path())
}

fn table(run: Gridleak) -> Table {
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

fn only(table: &Table, name: &str) -> f64 {
    let column = table.column(name).unwrap_or_else(|why| panic!("{why}"));
    assert_eq!(column.len(), 1);
    column[0]
}

/// v(out) = 1 V + v(in) + v(in)^2/10 + v(in)^3/100.
const CUBIC: &str = "\
A cubic
V1 in 0 0
B1 out 0 V=1+v(in)+0.1*v(in)^2+0.01*v(in)^3
R1 out 0 1k
.end
";

fn cubic(level: f64) -> (f64, f64, f64) {
    // sin^2 = (1 - cos 2x)/2, sin^3 = (3 sin x - sin 3x)/4
    let peak = (
        level + 0.0075 * level.powi(3),
        0.05 * level.powi(2),
        0.0025 * level.powi(3),
    );
    let rms = 0.5f64.sqrt();
    (peak.0 * rms, peak.1 * rms, peak.2 * rms)
}

#[test]
fn the_header_has_level_output_thd_and_twenty_harmonics() {
    let netlist = Netlist::new(CUBIC);
    let found = table(
        distortion(&netlist)
            .option("--source", "V1")
            .option("--frequency", "1k")
            .option("--level", "1")
            .option("--probe", "v(out)"),
    );
    let mut expected = vec![
        "level_v".to_string(),
        "output_rms_v".into(),
        "thd_percent".into(),
    ];
    expected.extend((1..=20).map(|k| format!("h{k}_db")));
    assert_eq!(found.header, expected);
    assert_eq!(found.rows.len(), 1);
}

/// Harmonics in dB re 1 V rms, THD relative to the fundamental, rms without DC: by the
/// addition theorems.
#[test]
fn a_cubic_has_the_harmonics_of_its_powers() {
    let netlist = Netlist::new(CUBIC);
    let found = table(
        distortion(&netlist)
            .option("--source", "v1")
            .option("--frequency", "440")
            .option("--level", "0.1,2")
            .option("--probe", "v(out)"),
    );
    let column = |name: &str| found.column(name).unwrap();
    assert_eq!(column("level_v"), [0.1, 2.0]);
    for (row, level) in [0.1, 2.0].into_iter().enumerate() {
        let (h1, h2, h3) = cubic(level);
        let db = |x: f64| 20.0 * x.log10();
        close("h1", column("h1_db")[row], db(h1), 1e-5);
        close("h2", column("h2_db")[row], db(h2), 1e-4);
        // At 0.1 V 104 dB below the fundamental.
        close("h3", column("h3_db")[row], db(h3), 1e-3);
        let thd = 100.0 * h2.hypot(h3) / h1;
        close("thd", column("thd_percent")[row], thd, 1e-6 * thd);
        let rms = (h1 * h1 + h2 * h2 + h3 * h3).sqrt();
        close("rms", column("output_rms_v")[row], rms, 1e-6 * rms);
        for k in 4..=20 {
            let off = column(&format!("h{k}_db"))[row] - db(h1);
            assert!(off < -140.0, "h{k} is {off} dB below the fundamental");
        }
    }
}

/// "distortion keeps the source's DC value": the square law about 3 V.
#[test]
fn the_source_keeps_its_dc_value() {
    let netlist = Netlist::new("t\nV1 in 0 DC 3 SIN(9 9 9)\nB1 out 0 V=v(in)^2\nR1 out 0 1k\n");
    let found = table(
        distortion(&netlist)
            .option("--source", "V1")
            .option("--frequency", "100")
            .option("--level", "2")
            .option("--probe", "v(out)"),
    );
    // (3 + 2 sin)^2 = 11 + 12 sin - 2 cos 2x
    close("thd", only(&found, "thd_percent"), 100.0 / 6.0, 1e-5);
    close(
        "h1",
        only(&found, "h1_db"),
        20.0 * 72f64.sqrt().log10(),
        1e-6,
    );
}

/// Levels and frequencies carry SPICE suffixes; a sweep has ten levels a decade.
#[test]
fn levels_may_be_swept() {
    let netlist = Netlist::new(CUBIC);
    let run = |levels: &str| {
        let run = distortion(&netlist).option("--source", "V1");
        let run = run.option("--frequency", "1k").option("--level", levels);
        table(run.option("--probe", "v(out)"))
            .column("level_v")
            .unwrap()
    };
    assert_eq!(run("100m,1"), [0.1, 1.0]);
    assert_eq!(run("10m..1").len(), 21);
    assert_eq!(run("1..4/3"), [1.0, 2.0, 4.0]);
}

/// Without options the netlist speaks: its AC source, its sine, its `.print`.
#[test]
fn the_netlist_says_what_the_options_do_not() {
    let text = "t\nV2 b 0 1\nV1 in 0 AC 1 SIN(0 2 440)\nB1 out 0 V=v(in)+0.1*v(in)^2+v(b)\nR1 out 0 1k\n.print tran v(out)\n";
    let ran = Gridleak::command("distortion")
        .path(Netlist::new(text).path())
        .option("--json", "-")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let record: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    assert_eq!(record["frequency_hz"], 440.0);
    assert_eq!(record["source"], "V1");
    assert_eq!(record["levels"][0]["level"], 2.0);
    let thd = record["levels"][0]["thd_percent"].as_f64().unwrap();
    close("thd", thd, 10.0, 1e-5);
    // Relative to the whole output: 0.1/sqrt(1.01).
    let total = record["levels"][0]["thd_of_output_percent"]
        .as_f64()
        .unwrap();
    close("of output", total, 10.0 / 1.01f64.sqrt(), 1e-5);
}

/// THD of 1 and 3 %: the square's 0.05 L/(1 + ...) by hand for a pure square term.
#[test]
fn clipping_begins_where_thd_says() {
    let text = "t\nV1 in 0 AC 1 0\nB1 out 0 V=v(in)+0.1*v(in)^2\nRL out 0 8\n.print tran v(out)\n";
    let netlist = Netlist::new(text);
    let ran = distortion(&netlist)
        .option("--level", "1m")
        .option("--load", "rl")
        .arg("--onset")
        .option("--json", "-")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let record: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    for (k, percent) in [1.0, 3.0, 10.0].into_iter().enumerate() {
        let onset = &record["onsets"][k];
        close(
            "named",
            onset["thd_percent"].as_f64().unwrap(),
            percent,
            1e-9,
        );
        let number = |name: &str| onset["reached"][name].as_f64().unwrap();
        // h2/h1 = 0.05 L
        close(
            "level",
            number("level"),
            percent / 5.0,
            1e-4 * percent / 5.0,
        );
        close("thd", number("thd_percent"), percent, 2e-5 * percent);
        let rms = number("output_rms");
        close("power", number("load_w"), rms * rms / 8.0, 1e-6 * rms * rms);
    }
}

/// A third-order law under two equal tones: a^3 (3/4) at 2 f1 - f2, against a tone of
/// a (1 + 9/4 k a^2).
#[test]
fn two_tones_make_the_products_of_the_addition_theorems() {
    let text = "t\nV1 in 0 AC 1 0\nB1 out 0 V=v(in)+0.1*v(in)^2+0.01*v(in)^3\nRL out 0 8\n.print tran v(out)\n";
    let netlist = Netlist::new(text);
    let run = |pair: &str| {
        let run = distortion(&netlist).option("--level", "2");
        table(run.option("--two-tone", pair))
    };
    let found = run("ccif");
    assert_eq!(
        found.header,
        [
            "level_v",
            "output_rms_v",
            "imd_percent",
            "second_percent",
            "third_percent"
        ]
    );
    let a = 1.0f64;
    let tone = a + 0.01 * a.powi(3) * 2.25;
    close(
        "second",
        only(&found, "second_percent"),
        100.0 * 0.1 * a * a / (2.0 * tone),
        1e-4,
    );
    close(
        "third",
        only(&found, "third_percent"),
        100.0 * 0.01 * 0.75 / tone,
        1e-4,
    );
    let found = run("smpte");
    let (low, high) = (1.6f64, 0.4f64);
    let tone = high + 0.01 * (0.75 * high.powi(3) + 1.5 * high * low * low);
    let second = 0.1 * 2.0 * low * high / tone;
    let third = 0.01 * 2.0 * 0.75 * low * low * high / tone;
    close(
        "second",
        only(&found, "second_percent"),
        100.0 * second,
        1e-4,
    );
    close("third", only(&found, "third_percent"), 100.0 * third, 1e-4);
    let total = 100.0 * second.hypot(third);
    close("total", only(&found, "imd_percent"), total, 1e-4);
}

/// Every variant beside the others, its settings in front.
#[test]
fn variants_are_columns_in_front() {
    let text = "t\nV1 in 0 AC 1 0\nB1 out 0 V=v(in)+0.1*v(in)^2\nR1 out 0 1k\nR2 out half 1k\nR3 half 0 1k\n.print tran v(half)\n";
    let netlist = Netlist::new(text);
    let run = distortion(&netlist).option("--level", "1,2");
    let found = table(run.option("--vary", "R3=1k,3k"));
    assert_eq!(found.header[..3], ["R3", "level_v", "output_rms_v"]);
    assert_eq!(found.rows.len(), 4);
    let thd = found.column("thd_percent").unwrap();
    let rms = found.column("output_rms_v").unwrap();
    close("as much", thd[2], thd[0], 1e-6);
    close("half as much again", rms[2], 1.5 * rms[0], 1e-6);
}

#[test]
fn bad_usage_is_told_in_one_message() {
    let netlist = Netlist::new(CUBIC);
    let base = || distortion(&netlist).option("--probe", "v(out)");
    for (run, says) in [
        (base().option("--source", "V1"), "no `--level` is given"),
        (base().option("--level", "1"), "which source"),
        (
            base().option("--source", "V9").option("--level", "1"),
            "no source `V9`",
        ),
        (
            base().option("--source", "V1").option("--level", "-1"),
            "not more than zero",
        ),
        (
            base().option("--source", "V1").option("--level", "1e400"),
            "`1e400` is too large",
        ),
        (
            base().option("--source", "V1").option("--level", "1,2,"),
            "`` is not a number",
        ),
        (
            base()
                .option("--source", "V1")
                .option("--level", "1")
                .option("--frequency", "0"),
            "expected more than zero",
        ),
        (
            base()
                .option("--source", "V1")
                .option("--level", "1")
                .option("--load", "V1"),
            "neither a loudspeaker nor a resistor",
        ),
        (
            base()
                .option("--source", "V1")
                .option("--level", "1")
                .option("--load", "RX"),
            "no such element",
        ),
        (
            base()
                .option("--source", "V1")
                .option("--level", "1")
                .option("--probe", "v(in)"),
            "takes one `--probe`, found 2",
        ),
        (
            base()
                .option("--source", "V1")
                .option("--level", "1")
                .option("--two-tone", "ccif")
                .option("--frequency", "1k"),
            "no `--frequency` beside it",
        ),
    ] {
        let ran = run.run();
        assert_eq!(ran.status, 2, "{says}: {}", ran.stderr);
        assert_eq!(ran.stderr.matches("error:").count(), 1, "{}", ran.stderr);
        assert!(ran.stderr.contains(says), "{says}: {}", ran.stderr);
    }
}

/// A hum that shares no period with the sine is refused, and nothing is written.
#[test]
fn a_source_without_a_common_period_is_refused() {
    let netlist = Netlist::new("t\nV1 a 0 0\nVHUM b 0 SIN(0 1 50)\nR1 a out 1k\nR2 b out 1k\n");
    let folder = tempfile::tempdir().unwrap();
    let plot = folder.path().join("plot.svg");
    let run = distortion(&netlist)
        .option("--source", "V1")
        .option("--level", "1");
    let run = run
        .option("--frequency", "1003.7")
        .option("--probe", "v(out)");
    let ran = run.clone().option("--plot", plot.to_str().unwrap()).run();
    assert_eq!(ran.status, 3, "{}", ran.stderr);
    assert!(ran.stderr.contains("`VHUM`"), "{}", ran.stderr);
    assert!(std::fs::read_dir(folder.path()).unwrap().next().is_none());
    // With a common period it takes part.
    let found = distortion(&netlist)
        .option("--source", "V1")
        .option("--level", "1");
    let found = table(
        found
            .option("--frequency", "75")
            .option("--probe", "v(out)"),
    );
    close("rms", only(&found, "output_rms_v"), 0.5, 1e-6);
    close("thd", only(&found, "thd_percent"), 0.0, 1e-5);
}

/// The same input gives the same bytes.
#[test]
fn the_same_input_gives_the_same_bytes() {
    let run = || {
        let folder = tempfile::tempdir().unwrap();
        let plot = folder.path().join("plot.svg");
        let run = Gridleak::command("distortion").arg("netlists/lapwing/clean_stage.cir");
        let run = run.option("--level", "0.1..1").option("--csv", "-");
        let ran = run.option("--plot", plot.to_str().unwrap()).run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        (ran.stdout, std::fs::read_to_string(plot).unwrap())
    };
    assert_eq!(run(), run());
}

/// Where a load is named the plot has its watts, and a curve of few levels goes through the levels
/// at which clipping begins.
#[test]
fn a_plot_shows_the_watts_of_a_load() {
    let netlist =
        Netlist::new("t\nV1 a 0 0 AC 1\nRS a out 1\nRL out 0 8\nD1 out 0 D\n.model D d\n");
    let folder = tempfile::tempdir().unwrap();
    let plot = folder.path().join("plot.svg");
    let run = |few: bool| {
        let run = distortion(&netlist)
            .option("--frequency", "1k")
            .option("--level", if few { "0.1,2" } else { "0.1" })
            .option("--probe", "v(out)")
            .option("--load", "RL")
            .option("--csv", "-")
            .arg("--onset");
        let ran = run.option("--plot", plot.to_str().unwrap()).run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        (ran.stdout, std::fs::read_to_string(&plot).unwrap())
    };
    let (table, picture) = run(true);
    for words in ["into RL", "power (W)", "1 % at", "10 % at"] {
        assert!(picture.contains(words), "{words}");
    }
    // What is measured for the picture alone is in no table.
    let rows = table.lines().filter(|l| l.starts_with(['0', '2'])).count();
    assert_eq!(rows, 2, "{table}");
    let points = picture
        .split("<polyline")
        .map(|line| line.matches(',').count());
    assert!(points.max() > Some(6), "the curve has its two points only");
}

/// A fixed bug: a stage with large capacitors was called unstable at high frequencies. Their charges
/// move for thousands of cycles, first up and then down.
#[test]
fn large_capacitors_are_no_instability() {
    let netlist = Netlist::new(
        "Stage with large capacitors
VIN in 0 AC 1
RG in 0 1meg
XV1A plate in cathode 12AX7
RP supply plate 100k
RK cathode 0 1.5k
CK cathode 0 1000u
CC plate out 1u
RL out 0 1meg
VB supply 0 300
.end
",
    );
    let ran = distortion(&netlist)
        .option("--probe", "v(out)")
        .option("--level", "0.1")
        .option("--frequency", "20k")
        .option("--json", "-")
        .arg("--quiet")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(ran.stdout.contains("\"stable\": true"), "{}", ran.stdout);
}
