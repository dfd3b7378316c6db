//! Sources with a waveform: their numbers are set by name, and the mains by percentage.
mod common;

use common::{Gridleak, Netlist, close};

const SUPPLY: &str = "Half-wave supply
VMAINS line 0 SIN(0 325 50)
RW line a 50
D1 a res DR
CR res 0 47u
RL res 0 10k
.model DR D(is=2.55n n=1.75)
.end
";

fn reservoir(netlist: &Netlist, options: &[(&str, &str)]) -> f64 {
    let run = Gridleak::command("bias").path(netlist.path());
    let run = options.iter().fold(run, |run, (o, v)| run.option(o, v));
    let table = run.table().unwrap_or_else(|why| panic!("{why}"));
    table.quantity("v(res)", "voltage").expect("a node's row")
}

/// Issue: `--set VMAINS=253` turned the sine into 253 V DC silently.
#[test]
fn the_mains_set_by_its_bare_name_is_refused_with_what_to_set() {
    let netlist = Netlist::new(SUPPLY);
    let run = Gridleak::command("bias")
        .path(netlist.path())
        .option("--set", "VMAINS=253")
        .run();
    assert_eq!(run.status, 2);
    for part in ["VMAINS", "SIN", "`VMAINS.ampl`", "--mains"] {
        assert!(run.stderr.contains(part), "{part}: {}", run.stderr);
    }
}

/// A supply without losses that depend on its size is proportional to its mains but for the
/// diode's drop of a volt.
#[test]
fn mains_in_per_cent_scale_the_supply() {
    let netlist = Netlist::new(SUPPLY);
    let nominal = reservoir(&netlist, &[]);
    for percent in ["90", "110"] {
        let found = reservoir(&netlist, &[("--mains", percent)]);
        let factor: f64 = percent.parse::<f64>().unwrap() / 100.0;
        close(percent, found, factor * nominal, 0.2);
        let peak = format!("VMAINS.ampl={}", 325.0 * factor);
        close(
            "by amplitude",
            reservoir(&netlist, &[("--set", &peak)]),
            found,
            1e-6,
        );
    }
    let sign = reservoir(&netlist, &[("--mains", "110%")]);
    close(
        "with its sign",
        sign,
        reservoir(&netlist, &[("--mains", "110")]),
        0.0,
    );
    for wrong in ["0", "-5", "much", "300"] {
        let run = Gridleak::command("bias")
            .path(netlist.path())
            .option("--mains", wrong)
            .run();
        assert_eq!(run.status, 2, "{wrong}");
        assert!(run.stderr.contains("per cent"), "{}", run.stderr);
    }
}

#[test]
fn mains_are_stepped_and_set_in_sheets_by_one_name() {
    let netlist = Netlist::new(SUPPLY);
    let table = Gridleak::command("vary")
        .path(netlist.path())
        .option("--vary", "mains=90,100,110")
        .option("--figure", "v(res)")
        .table()
        .unwrap_or_else(|why| panic!("{why}"));
    let volts = table.column("value").unwrap();
    close("low", volts[0], 0.9 * volts[1], 0.2);
    close("high", volts[2], 1.1 * volts[1], 0.2);
    let none = Netlist::new("Divider\nV1 a 0 10\nR1 a 0 1k\n.end\n");
    let run = Gridleak::command("bias")
        .path(none.path())
        .option("--mains", "90")
        .run();
    assert_eq!(run.status, 2);
    assert!(run.stderr.contains("no mains source"), "{}", run.stderr);
}

/// `--set VB=250` stays the DC value of a source that has no waveform, and of one whose line gives
/// a DC value too; there a warning says that the waveform stays.
#[test]
fn a_plain_source_keeps_its_bare_value() {
    let netlist = Netlist::new(
        "Sources\nVB b 0 300\nR1 b 0 1k\nVIN in 0 DC 0 AC 1 SIN(0 0.1 1k)\nR2 in 0 1k\n\
         I1 0 c 1m\nR3 c 0 1k\n.end\n",
    );
    let run = |setting: &str| {
        Gridleak::command("bias")
            .path(netlist.path())
            .option("--set", setting)
    };
    let table = run("VB=250").table().unwrap();
    assert_eq!(table.quantity("v(b)", "voltage").unwrap(), 250.0);
    let table = run("I1=2m").table().unwrap();
    close(
        "current",
        table.quantity("v(c)", "voltage").unwrap(),
        2.0,
        1e-9,
    );
    let said = run("VIN=0.5").run();
    assert_eq!(said.status, 0);
    assert!(said.stderr.contains("VIN.ampl=0"), "{}", said.stderr);
    assert_eq!(
        run("VIN=0.5")
            .table()
            .unwrap()
            .quantity("v(in)", "voltage")
            .unwrap(),
        0.5
    );
}

#[test]
fn a_signal_can_be_silenced_in_scope() {
    let netlist = Netlist::new("Signal\nVIN in 0 DC 0 AC 1 SIN(0 0.1 1k)\nR2 in 0 1k\n.end\n");
    let swing = |settings: &[&str]| {
        let run = Gridleak::command("scope").path(netlist.path());
        let run = settings.iter().fold(run, |run, s| run.option("--set", s));
        let run = run
            .option("--stop", "2m")
            .option("--step", "10u")
            .probes(&["v(in)"]);
        let table = run.table().unwrap_or_else(|why| panic!("{why}"));
        let wave = table.column("v(in)").unwrap();
        wave.iter().fold(f64::MIN, |m, v| m.max(*v)) - wave.iter().fold(f64::MAX, |m, v| m.min(*v))
    };
    close("as it is", swing(&[]), 0.2, 1e-4);
    assert_eq!(swing(&["VIN.ampl=0"]), 0.0);
    close(
        "louder",
        swing(&["VIN.ampl=0.3", "VIN.freq=500"]),
        0.6,
        1e-3,
    );
    let run = Gridleak::command("scope")
        .path(netlist.path())
        .option("--stop", "1m")
        .option("--step", "10u")
        .option("--set", "VIN.size=3")
        .run();
    assert_eq!(run.status, 2);
    assert!(run.stderr.contains("ampl freq offset"), "{}", run.stderr);
}

#[test]
fn pulses_and_their_like_are_set_by_the_same_names() {
    let netlist = Netlist::new(
        "Waves\nV1 a 0 PULSE(0 5 0 1u 1u 1m 2m)\nR1 a 0 1k\nV2 b 0 EXP(0 1 0 1m 5m 1m)\nR2 b 0 1k\n\
         V3 c 0 SFFM(0 1 1k 2 100)\nR3 c 0 1k\nV4 d 0 PWL(0 0 1m 2 2m 0)\nR4 d 0 1k\n.end\n",
    );
    let run = Gridleak::command("scope").path(netlist.path());
    let settings = [
        "V1.ampl=3",
        "V1.offset=1",
        "V1.freq=250",
        "V2.ampl=2",
        "V3.ampl=0",
        "V3.offset=4",
        "V4.ampl=6",
    ];
    let run = settings.iter().fold(run, |run, s| run.option("--set", s));
    let run = run.option("--stop", "5m").option("--step", "0.5m");
    let table = run
        .probes(&["v(a)", "v(b)", "v(c)", "v(d)"])
        .table()
        .unwrap();
    let at = |name: &str, row: usize| table.column(name).unwrap()[row];
    close("top", at("v(a)", 1), 4.0, 1e-9);
    close("rest", at("v(a)", 5), 1.0, 1e-9);
    close("period", at("v(a)", 9), 4.0, 1e-9);
    close("exp", at("v(b)", 2), 2.0 * (1.0 - (-1f64).exp()), 1e-6);
    close("sffm", at("v(c)", 3), 4.0, 1e-9);
    close("pwl", at("v(d)", 2), 6.0, 1e-9);
    let short = Gridleak::command("scope")
        .path(netlist.path())
        .option("--stop", "1m")
        .option("--step", "10u")
        .option("--set", "V1.freq=2k")
        .run();
    assert_eq!(short.status, 2);
    assert!(
        short.stderr.contains("shorter than rise"),
        "{}",
        short.stderr
    );
}

/// Issue: a range of mains was passed over in silence by commands that go through none.
#[test]
fn a_range_of_mains_is_refused_where_none_is_gone_through() {
    let netlist = Netlist::new(&SUPPLY.replace(".end", "VIN in 0 AC 1\nRIN in res 1meg\n.end"));
    let commands: [&[&str]; 5] = [
        &["scope", "--stop", "1m", "--step", "1m", "--probe", "v(res)"],
        &[
            "response", "--from", "1k", "--to", "1k", "--probe", "v(res)",
        ],
        &["vary", "--vary", "RL=5k,10k", "--figure", "v(res)"],
        &["spread", "--runs", "2", "--figure", "v(res)"],
        &["book", "--out", "-"],
    ];
    for command in commands {
        for range in ["abc..9", "90..110"] {
            let run = Gridleak::command(command[0]).path(netlist.path());
            let run = command[1..].iter().fold(run, |run, a| run.arg(a));
            let run = run.option("--mains", range).run();
            assert_eq!(run.status, 2, "{command:?} {}", run.stderr);
            for words in [&format!("`{range}` per cent"), "`bias` and `parts`"] {
                assert!(run.stderr.contains(words), "{command:?}: {}", run.stderr);
            }
        }
    }
}
