//! The Lapwing's power amplifier and supply, through the binary.
//!
//! 22 W of a fixed-bias 6V6GT pair and 33 W of a cathode-biased 6L6GC pair are common practice, no
//! published source.
mod common;

use common::{Gridleak, Netlist, Table, close};
use std::path::{Path, PathBuf};

fn lapwing(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("netlists/lapwing")
        .join(name)
}

fn column(table: &Table, name: &str) -> Vec<f64> {
    table.column(name).unwrap_or_else(|why| panic!("{why}"))
}

/// Mean power in the dummy load, and the fundamental at the 8 ohm tap, of a sine of 400 Hz.
fn driven(volts: f64, switches: &[&str], settings: &[&str]) -> (f64, f64) {
    let text = std::fs::read_to_string(lapwing("power_amp.cir")).expect("the netlist");
    let parts = std::fs::read_to_string(lapwing("power_parts.cir")).expect("its parts");
    let text = text
        .replace(".include power_parts.cir", &parts)
        .replace("SIN(0 1 400)", &format!("SIN(0 {volts} 400)"));
    let netlist = Netlist::new(&text);
    let run = Gridleak::command("scope")
        .path(netlist.path())
        .option("--from", "0.1")
        .option("--stop", "0.1025")
        .option("--step", "10u")
        .option("--switch", "SPEAKER=0")
        .option("--switch", "DUMMY=1")
        .probes(&["p(RDUMMY)", "v(tap8)"]);
    let run = switches.iter().fold(run, |r, s| r.option("--switch", s));
    let run = settings.iter().fold(run, |r, s| r.option("--set", s));
    let table = run.table().unwrap_or_else(|why| panic!("{why}"));
    let (power, wave) = (column(&table, "p(RDUMMY)"), column(&table, "v(tap8)"));
    let rows = wave.len() - 1;
    let turn = std::f64::consts::TAU / rows as f64;
    let part = |f: fn(f64) -> f64| {
        let sum: f64 = (0..rows).map(|k| wave[k] * f(turn * k as f64)).sum();
        2.0 * sum / rows as f64
    };
    let mean = power[..rows].iter().sum::<f64>() / rows as f64;
    (mean, part(f64::sin).hypot(part(f64::cos)))
}

const SIX_L_SIX: [&str; 2] = ["PAIR6V6=0", "PAIR6L6=1"];

#[test]
fn both_pairs_give_their_power() {
    let (small, _) = driven(3.5, &[], &[]);
    close("6V6GT pair", small, 22.0, 3.3);
    let (large, _) = driven(4.5, &SIX_L_SIX, &[]);
    close("6L6GC pair", large, 33.0, 4.0);
}

/// Ideal feedback (any textbook): A/(1 + A b), b the divider's part of the 4 ohm tap, which is
/// 1/sqrt(2) of the 8 ohm tap; A from the loop opened. The inverter adds the feedback at its
/// tail and far grid with a gain near one.
#[test]
fn feedback_lowers_the_gain_as_its_formula_says() {
    let knob = ["RNFB=100meg"];
    let open = driven(0.1, &[], &knob).1 / 0.1;
    let closed = driven(0.1, &[], &[]).1 / 0.1;
    let part = 820.0 / (820.0 + 4700.0) / 2f64.sqrt();
    let formula = open / (1.0 + open * part);
    println!("open {open:.2}, closed {closed:.2}");
    close("closed gain", closed, formula, 0.12 * formula);
}

/// A warm start is in the cycle that repeats itself: a cycle later everything is where it
/// was, and the averages are those of the chart.
#[test]
fn a_warm_supply_repeats_itself() {
    let path = lapwing("supply.cir");
    let nodes = ["v(reservoir)", "v(screens)", "v(bplus)", "v(bias)"];
    let run = Gridleak::command("scope").path(&path).arg("--warm");
    let run = run.option("--stop", "20m").option("--step", "20u");
    let run = run.probes(&nodes).table();
    let run = run.unwrap_or_else(|why| panic!("{why}"));
    let chart = Gridleak::command("bias").path(&path).table();
    let chart = chart.unwrap_or_else(|why| panic!("{why}"));
    for node in nodes {
        let wave = column(&run, node);
        let last = wave.len() - 1;
        close(node, wave[last], wave[0], 2e-3);
        let mean = wave[..last].iter().sum::<f64>() / last as f64;
        let expected = chart.value(node).unwrap_or_else(|why| panic!("{why}"));
        close("average", mean, expected, 1e-4 * expected.abs());
    }
}

/// The whole amplifier: with cold valves every capacitor of the high tension stands near the
/// winding's crest, 300 V x 1.075 x sqrt(2) = 456 V without load, less what bleeder and heaters
/// make copper and rectifier drop; warm it stands lower. Nothing but the 6V6GT's printed volts and
/// grid leaks is exceeded, with either pair at work.
#[test]
fn the_whole_amplifier_stands_cold_and_hot() {
    let base = Gridleak::command("bias").path(&lapwing("amp.cir"));
    let chart = base.table().unwrap_or_else(|why| panic!("{why}"));
    let of = |table: &Table, subject: &str, quantity: &str| {
        let found = table.quantity(subject, quantity);
        found.unwrap_or_else(|why| panic!("{why}"))
    };
    for part in ["XHT.CR", "XHT.CS", "XHT.CD4"] {
        let cold = of(&chart, part, "voltage cold");
        assert!((435.0..456.0).contains(&cold), "{part}: {cold}");
        assert!(of(&chart, part, "voltage hot") < cold - 20.0);
    }
    let other = SIX_L_SIX.iter().fold(base, |r, s| r.option("--switch", s));
    let other = other.table().unwrap_or_else(|why| panic!("{why}"));
    let sag = of(&chart, "v(plates)", "voltage") - of(&other, "v(plates)", "voltage");
    assert!((10.0..40.0).contains(&sag), "{sag} V");
    for table in [&chart, &other] {
        for row in table.rows.iter().filter(|r| r[5] == "over") {
            assert!(row[0] == "XV4" || row[0] == "XV5", "{} {}", row[0], row[1]);
        }
    }
}

/// A pot whose wiper hung in the air once made the presence control do nothing at all. It is
/// to take treble out of the feedback and leave the bass alone (common practice, no
/// published source): from end to end more than 6 dB at 5 kHz and less than 1 dB at 100 Hz.
#[test]
fn presence_raises_the_treble_alone() {
    let gains = |knob: &str| {
        let table = Gridleak::command("response")
            .path(&lapwing("power_amp.cir"))
            .option("--knob", format!("PRESENCE={knob}"))
            .option("--frequencies", "100,5k")
            .probes(&["v(tap4)"])
            .table()
            .unwrap_or_else(|why| panic!("{why}"));
        column(&table, "v(tap4).db")
    };
    let (down, up) = (gains("0"), gains("10"));
    assert!((up[0] - down[0]).abs() < 1.0, "{down:?} {up:?}");
    assert!(up[1] - down[1] > 6.0, "{down:?} {up:?}");
}

/// The balance trimmer of a long-tailed pair sets the two drives against each other: second harmonic
/// is what a pair of equal valves cancels when driven alike (any textbook), so it must fall to a
/// null between the ends and rise towards both.
#[test]
fn the_balance_trimmer_finds_a_null_of_the_second_harmonic() {
    let second = |knob: f64| {
        let ran = Gridleak::command("distortion")
            .path(&lapwing("power_amp.cir"))
            .option("--knob", format!("BALANCE={knob}"))
            .option("--switch", "SPEAKER=0")
            .option("--switch", "DUMMY=1")
            .option("--frequency", "1k")
            .option("--level", "2")
            .option("--probe", "v(tap8)")
            .option("--csv", "-")
            .arg("--quiet")
            .run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let table = Table::parse(&ran.stdout).unwrap_or_else(|why| panic!("{why}"));
        column(&table, "h2_db")[0] - column(&table, "h1_db")[0]
    };
    let all: Vec<f64> = (0..=5).map(|k| second(2.0 * f64::from(k))).collect();
    println!("second harmonic, dB: {all:.1?}");
    let least = all.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(all[0] > least + 6.0 && all[5] > least + 6.0, "{all:?}");
}

/// Every wrong rating is reported, and none but the wrong ones: a part of each sort, cold and hot.
#[test]
fn each_wrong_rating_is_told() {
    let text = std::fs::read_to_string(lapwing("supply.cir")).expect("the netlist");
    let parts = std::fs::read_to_string(lapwing("power_parts.cir")).expect("its parts");
    let text = text.replace(".include power_parts.cir", &parts);
    let wrongs = [
        (
            "CR reservoir 0 47u ; rated=500V",
            "rated=400V",
            "voltage cold of `XHT.CR`",
        ),
        (
            "RD4 screens bplus 4.7k ; rated=2W",
            "rated=1W",
            "wattage needed of `XHT.RD4`",
        ),
        (
            "CB1 0 raw 47u ; rated=100V",
            "rated=63V",
            "voltage hot of `XBIAS.CB1`",
        ),
        (
            "DB raw winding BIASDIODE ; rated=400V",
            "rated=100V",
            "inverse voltage of `XBIAS.DB`",
        ),
    ];
    let strict = |text: &str| {
        let netlist = Netlist::new(text);
        let run = Gridleak::command("bias").path(netlist.path());
        run.arg("--strict").run()
    };
    let good = strict(&text);
    assert_eq!(good.status, 0, "{}", good.stderr);
    for (statement, rating, told) in wrongs {
        let own = statement.split("rated=").next().expect("a statement");
        assert!(text.contains(statement), "{statement}");
        let ran = strict(&text.replace(statement, &format!("{own}{rating}")));
        assert_eq!(ran.status, 1, "{statement}");
        assert!(ran.stderr.contains(told), "{told}: {}", ran.stderr);
        let warnings = ran.stderr.lines().filter(|l| l.starts_with("warning"));
        let name = told.rsplit(' ').next().expect("a name");
        for line in warnings {
            assert!(line.contains(name), "{line}");
        }
    }
}
