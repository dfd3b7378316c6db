//! Valve types and model parameters can be set, and varied, in every command alike: `XV1A=12AY7`
//! exchanges one valve, `XV1A.mu` moves one valve's figure, `12AX7.mu` that of all of the type.
mod common;

use common::{Gridleak, Netlist, Table, close};
use std::path::Path;

const PAIR: &str = "\
Two stages with the same valve
VB b 0 250
VIN in 0 DC 0 AC 1 SIN(0 0.1 1k)
RG1 in 0 1meg
RP1 b plate1 100k
RK1 cathode1 0 1.5k
XV1A plate1 in cathode1 12AX7
RG2 grid2 0 1meg
CC1 plate1 grid2 22n
RP2 b plate2 100k
RK2 cathode2 0 1.5k
XV1B plate2 grid2 cathode2 12AX7
XREV s1 0 s1 gain
.subckt gain a b c
RX a q 100k
RB b q 100k
XV9 q b c 12AX7
.ends
.subckt other a b c
RX a q 50k
RB b q 100k
.ends
RS s1 0 100k
.end
";

fn stages() -> Netlist {
    Netlist::new(PAIR)
}

fn bias(netlist: &Netlist, sets: &[&str]) -> Table {
    let run = Gridleak::command("bias").path(netlist.path());
    let run = sets.iter().fold(run, |run, set| run.option("--set", set));
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

fn volts(table: &Table, node: &str) -> f64 {
    table.value(node).unwrap_or_else(|why| panic!("{why}"))
}

/// The netlist with other text in place of what a line says: what a setting must equal.
fn edited(from: &str, to: &str) -> Netlist {
    assert!(PAIR.contains(from));
    Netlist::new(&PAIR.replacen(from, to, 1))
}

#[test]
fn one_valve_is_exchanged_as_if_its_line_named_the_other() {
    let by_setting = bias(&stages(), &["XV1A=12AY7"]);
    let by_hand = edited("cathode1 12AX7", "cathode1 12AY7");
    let by_hand = bias(&by_hand, &[]);
    for node in ["v(plate1)", "v(plate2)"] {
        close(node, volts(&by_setting, node), volts(&by_hand, node), 1e-6);
    }
}

#[test]
fn a_parameter_moves_one_valve_by_its_name_and_all_by_their_type() {
    let (plain, one, all) = (
        bias(&stages(), &[]),
        bias(&stages(), &["xv1a.MU=70"]),
        bias(&stages(), &["12AX7.mu=70"]),
    );
    assert!((volts(&one, "v(plate1)") - volts(&plain, "v(plate1)")).abs() > 1.0);
    let same = |a: (&Table, &str), b: (&Table, &str)| {
        close(a.1, volts(a.0, a.1), volts(b.0, b.1), 1e-6);
    };
    same((&one, "v(plate2)"), (&plain, "v(plate2)"));
    same((&one, "v(plate1)"), (&all, "v(plate1)"));
    same((&all, "v(plate1)"), (&all, "v(plate2)"));
    // The valve's own figure wins over its type's, whichever is given first.
    for sets in [["XV1A.mu=90", "12AX7.mu=70"], ["12AX7.mu=70", "XV1A.mu=90"]] {
        let both = bias(&stages(), &sets);
        let own = bias(&stages(), &["XV1A.mu=90"]);
        same((&both, "v(plate1)"), (&own, "v(plate1)"));
        same((&both, "v(plate2)"), (&all, "v(plate2)"));
    }
}

#[test]
fn valves_and_subcircuits_inside_subcircuits_are_reached_too() {
    let found = bias(&stages(), &["XREV.XV9=12AU7"]);
    assert!(found.value("XREV.XV9").is_ok());
    let found = bias(&stages(), &["XREV=other"]);
    assert!(
        found.value("XREV.XV9").is_err(),
        "the other block has no valve"
    );
    close("its resistor", volts(&found, "v(xrev.q)"), 0.0, 1e-9);
    let found = bias(&stages(), &["XREV.XV9.mu=50"]);
    assert!(found.value("XREV.XV9").is_ok());
}

#[test]
fn pots_keep_their_position_by_value_and_take_another_track_by_name() {
    let text = PAIR.replace(
        "XREV s1 0 s1 gain\n",
        "XVOL b w 0 A1M knob=5\n.model A1M pot(r=1meg taper=audio)\n\
         .model B1M pot(r=1meg taper=linear)\nXREV s1 0 s1 gain\n",
    );
    let netlist = Netlist::new(&text);
    let at = |sets: &[&str]| volts(&bias(&netlist, sets), "v(w)");
    close("audio at 5", at(&[]), 0.15 * 250.0, 0.01);
    close("linear at 5", at(&["XVOL=B1M"]), 125.0, 0.01);
    close("by parameter", at(&["XVOL.taper=linear"]), 125.0, 0.01);
    close("by position", at(&["XVOL=10"]), 250.0, 0.01);
}

#[test]
fn a_mains_transformer_and_a_diode_are_parts_like_any_other() {
    let netlist = Netlist::new(
        "Supply\nVMAINS line 0 SIN(0 325 50)\nXPT line 0 a 0 b w 0 PT\n\
         .model PT mains(vpri=230 vht=280 iht=0.1 vbias=40)\nD1 a r DX\nD2 b r DX\n\
         .model DX d(is=1e-9 n=1.8 rs=5 cjo=10p)\n.model DY d(is=1e-9 n=1.8 rs=200 cjo=10p)\n\
         CR r 0 47u\nRL r 0 10k\nRW w 0 100k\n.end\n",
    );
    let reservoir = |sets: &[&str]| volts(&bias(&netlist, sets), "v(r)");
    let plain = reservoir(&[]);
    assert!(reservoir(&["PT.vht=200"]) < plain - 60.0);
    assert_eq!(reservoir(&["PT.vht=200"]), reservoir(&["XPT.vht=200"]));
    assert!(reservoir(&["D1=DY", "D2=DY"]) < plain - 5.0);
    assert_eq!(
        reservoir(&["D1=DY", "D2=DY"]),
        reservoir(&["D1.rs=200", "D2.rs=200"])
    );
}

#[test]
fn every_command_that_varies_takes_types_and_parameters() {
    let netlist = stages();
    let folder = tempfile::tempdir().unwrap();
    let clip = folder.path().join("clip.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&clip, spec).unwrap();
    (0..480).for_each(|k| writer.write_sample(((k * 700) % 9000) as i16).unwrap());
    writer.finalize().unwrap();
    for vary in ["XV1A=12AX7,12AY7", "XV1A.mu=80,100", "12AX7.mu=80,100"] {
        let gain = Gridleak::command("response")
            .path(netlist.path())
            .option("--from", "1k")
            .option("--to", "1k")
            .option("--vary", vary)
            .option("--probe", "v(plate1)");
        differ(vary, &gain.table().unwrap(), ".db");
        let sine = Gridleak::command("distortion")
            .path(netlist.path())
            .option("--level", "0.1")
            .option("--vary", vary)
            .option("--probe", "v(plate1)");
        let thd = sine.table().unwrap().column("thd_percent").unwrap();
        assert!(thd[0] != thd[1], "{vary}");
        let steps = Gridleak::command("vary")
            .path(netlist.path())
            .option("--vary", vary)
            .option("--figure", "v(plate1)");
        let plate = steps.table().unwrap().column("value").unwrap();
        assert!((plate[0] - plate[1]).abs() > 1.0, "{vary}: {plate:?}");
        let out = folder.path().join("out.wav");
        let sound = Gridleak::command("render")
            .path(netlist.path())
            .option("--clip", clip.to_str().unwrap())
            .option("--out", out.to_str().unwrap())
            .option("--probe", "v(plate1)")
            .option("--vary", vary)
            .run();
        assert_eq!(sound.status, 0, "{}", sound.stderr);
        let (name, values) = vary.split_once('=').unwrap();
        let made = |v: &str| Path::exists(&folder.path().join(format!("out-{name}={v}.wav")));
        assert!(values.split(',').all(made), "{vary}");
    }
}

fn differ(what: &str, table: &Table, suffix: &str) {
    let columns: Vec<&String> = table
        .header
        .iter()
        .filter(|h| h.ends_with(suffix))
        .collect();
    let values: Vec<f64> = columns
        .iter()
        .flat_map(|c| table.column(c).unwrap())
        .collect();
    assert!(
        values.len() == 2 && values[0] != values[1],
        "{what}: {values:?}"
    );
}

#[test]
fn a_sheet_sets_them_too() {
    let netlist = stages();
    let plate = |set: &str| volts(&bias(&netlist, &[set]), "v(plate1)");
    let folder = netlist.path().parent().unwrap();
    for (set, toml) in [
        ("XV1A=12AY7", "XV1A = \"12AY7\""),
        ("XV1A.mu=80", "\"XV1A.mu\" = 80"),
    ] {
        let sheet = folder.join("s.sheet.toml");
        let text = format!(
            "netlist = \"netlist.cir\"\n[settings]\n{toml}\n[[expect]]\nfigure = \"v(plate1)\"\n\
             value = \"{} V\"\ntolerance = \"0.01 %\"\norigin = \"bias\"\n",
            plate(set)
        );
        std::fs::write(&sheet, text).unwrap();
        let ran = Gridleak::command("check").path(&sheet).run();
        assert_eq!(ran.status, 0, "{}{}", ran.stdout, ran.stderr);
    }
}

#[test]
fn a_slip_is_reported_with_what_can_be_set() {
    let netlist = stages();
    for (set, expected) in [
        ("XV1A=12AY8", "did you mean `12AY7`?"),
        ("XV1A=6V6GT", "`XV1A` has 3 nodes, expected 4 for `6V6GT`"),
        ("XV1A=1N4148", "model `1N4148` is a `d`, expected a valve"),
        ("XV1A.mew=3", "it knows mu ex kg1"),
        (
            "XV1A.mu=1e9",
            "parameter `mu` of `XV1A` is 1e9, expected 1 to 1000",
        ),
    ] {
        let ran = Gridleak::command("bias").path(netlist.path());
        let ran = ran.option("--set", set).run();
        assert_eq!(ran.status, 2, "{set}");
        assert!(ran.stderr.contains(expected), "{set}: {}", ran.stderr);
        assert!(
            ran.stderr.contains("command line:1:"),
            "{set}: {}",
            ran.stderr
        );
    }
}

/// A divider of 10 V over R1 and R2; closed, the toggle puts R3 across R2.
const DIVIDER: &str = "\
A divider and a toggle
V1 a 0 10
R1 a m 1k
R2 m 0 3k
XSW m n toggle at=0
R3 n 0 1k
.end
";

/// Open: 10 V 3k/(1k + 3k) = 7.5 V. Closed: 750 ohm in place of 3k, 10 V 0.75/1.75 = 4.2857 V.
#[test]
fn bug_a_toggle_was_stepped_in_name_only_where_it_was_set_by_its_other_name() {
    let netlist = Netlist::new(DIVIDER);
    for (set, stepped) in [
        ("SW=1", "XSW=0,1"),
        ("XSW=1", "SW=0,1"),
        ("XSW=0", "XSW=0,1"),
    ] {
        let run = Gridleak::command("vary").path(netlist.path());
        let run = run.option("--switch", set).option("--vary", stepped);
        let ran = run.option("--figure", "v(m)").option("--csv", "-").run();
        let found: Vec<f64> = (ran.stdout.lines().skip(1))
            .map(|l| {
                l.split(',')
                    .nth(2)
                    .expect("a cell")
                    .parse()
                    .expect("a number")
            })
            .collect();
        close("open", found[0], 7.5, 1e-6);
        close("closed", found[1], 7.5 / 1.75, 1e-4);
    }
}

/// The same by a sheet, whose cases come after its settings.
#[test]
fn bug_a_case_was_measured_at_what_the_settings_said_by_another_name() {
    let folder = tempfile::tempdir().expect("a folder");
    let write = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).expect("written");
    };
    write("d.cir", DIVIDER);
    for (set, stepped, values) in [
        ("SW = 1", "XSW = [0, 1]", ["7.5 V", "4.286 V"]),
        ("\"R2.value\" = 1000", "R2 = [3000, 1000]", ["7.5 V", "5 V"]),
        ("R2 = 1000", "\"R2.value\" = [3000, 1000]", ["7.5 V", "5 V"]),
        ("\"V1.dc\" = 1", "V1 = [10, 20]", ["7.5 V", "15 V"]),
        ("V1 = 1", "\"V1.dc\" = [10, 20]", ["7.5 V", "15 V"]),
    ] {
        let sheet = format!(
            "netlist = \"d.cir\"\n[settings]\n{set}\n[[vary]]\nnames = [\"one\", \"other\"]\n{stepped}\n\
             [[expect]]\nfigure = \"v(m)\"\ntolerance = \"0.1 %\"\n\
             value = {{ one = \"{}\", other = \"{}\" }}\n",
            values[0], values[1]
        );
        write("d.sheet.toml", &sheet);
        let ran = Gridleak::command("check")
            .path(&folder.path().join("d.sheet.toml"))
            .run();
        assert_eq!(
            ran.status, 0,
            "{set}, {stepped}: {}{}",
            ran.stdout, ran.stderr
        );
    }
}
