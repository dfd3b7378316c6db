//! `parts`: what must not be bought, or not without a word. Each of these once was, silently.
mod common;

use common::{Gridleak, Netlist, Table};

fn parts(text: &str) -> Table {
    let netlist = Netlist::new(text);
    let run = Gridleak::command("parts").path(netlist.path());
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

/// The row that names a part, as quantity, kind, value, needs, buy, names, note.
fn row<'t>(table: &'t Table, kind: &str, name: &str) -> &'t [String] {
    let own = |r: &&Vec<String>| r[1] == kind && r[5].split(' ').any(|n| n == name);
    let found = table.rows.iter().find(own);
    found.unwrap_or_else(|| panic!("no {kind} {name}: {table:?}"))
}

fn supply(neutral: &str, rest: &str) -> String {
    format!(
        "Mains side\nVMAINS line {neutral} SIN(0 325.27 50)\nXM line {neutral} h1 0 h2 0 0 MT\n\
         D1 h1 res 1N4007\nD2 h2 res 1N4007\nCR res 0 47u\nRL res 0 10k\n{rest}\n\
         .model MT mains(vpri=230 vht=250 iht=0.15 heater=20)\n.end\n"
    )
}

/// IEC 60384-14, from memory: X between line and neutral, Y from either to what can be touched. A
/// capacitor from line to chassis was "358 V, buy 400 V", and where node 0 is neutral and chassis in
/// one "class X2, nothing else". 47 nF pass 253 V 2 pi 50 Hz 47 nF = 3.74 mA.
#[test]
fn a_capacitor_to_the_chassis_is_class_y() {
    let own = supply(
        "neutral",
        "REARTH neutral 0 1\nRF line fused 0.1 ; fuse=1A\nXSW fused on toggle at=1\nRS on damped 100\n\
         CY line 0 2.2n\nCF on 0 47n\nCN neutral 0 3.3n\nCX line neutral 100n\nCXS on neutral 220n\n\
         CS damped neutral 15n\nCO on far 4.7n\nRFAR far 0 1meg",
    );
    let table = parts(&own);
    let of = |name: &str| {
        let row = row(&table, "capacitor", name);
        // No drawer of DC capacitors serves.
        assert_eq!(row[4], "", "{row:?}");
        row[6].as_str()
    };
    for name in ["CY", "CF", "CN"] {
        let note = of(name);
        assert!(note.contains("chassis: class Y2"), "{note}");
        assert!(!note.contains("nothing else"), "{note}");
        assert_eq!(note.contains("47.0 nF is too much there"), name == "CF");
    }
    assert!(of("CF").contains("it passes 3.74 mA"), "{}", of("CF"));
    for name in ["CX", "CXS"] {
        assert!(of(name).contains("class X2 for that voltage, nothing else"));
    }
    // Behind a resistor, and to a node that nobody knows: both cases.
    for name in ["CS", "CO"] {
        assert!(of(name).contains("class X2 if `"), "{}", of(name));
        assert!(of(name).contains("class Y2"), "{}", of(name));
    }
    let table = parts(&supply("0", "CDEATH line 0 47n"));
    let note = &row(&table, "capacitor", "CDEATH")[6];
    for words in [
        "class X2",
        "class Y2",
        "47.0 nF is too much",
        "a node of its own",
    ] {
        assert!(note.contains(words), "{note}");
    }
    assert!(!note.contains("nothing else"), "{note}");
    assert_eq!(row(&table, "capacitor", "CR")[4], "400 V");
}

/// 300-0-300 V at +10 %: a snubber across the whole winding has 686 V rms (less the 3 % of the copper), and
/// a film capacitor of 1000 V DC is made for 250 to 350 V AC (common practice).
#[test]
fn alternating_volts_are_said() {
    let own = supply("0", "CSN h1 h2 10n\nCB res 0 100n");
    let table = parts(&own.replace("vht=250", "vht=300"));
    let note = &row(&table, "capacitor", "CSN")[6];
    assert!(note.contains("V AC across it"), "{note}");
    assert_eq!(row(&table, "capacitor", "CB")[6], "");
}

/// The winding is rated 150 mA and takes 404 mA: the list said "buy MT" and fuses for the overload.
#[test]
fn iron_that_is_asked_for_too_much_is_not_bought() {
    let table = parts(&supply("0", "").replace("RL res 0 10k", "RL res 0 2k"));
    let iron = row(&table, "mains transformer", "XM");
    assert_eq!(iron[4], "", "{iron:?}");
    assert!(
        iron[6].contains("does not do: ht1 rms current needs "),
        "{iron:?}"
    );
    assert!(iron[6].contains("rated 150 mA"), "{iron:?}");
    let fuse = |what: &str| {
        let found = table.rows.iter().find(|r| r[2] == what);
        found.expect("a fuse")
    };
    // Half as much again as 150 mA.
    let tension = fuse("high-tension fuse");
    assert_eq!(tension[4], "0.25 A", "{tension:?}");
    assert!(
        tension[6].contains("for the winding's rated 150 mA"),
        "{tension:?}"
    );
    let mains = fuse("mains fuse");
    assert!(mains[6].contains("for the winding's rated"), "{mains:?}");
    let light = parts(&supply("0", ""));
    assert_eq!(row(&light, "mains transformer", "XM")[4], "MT");
    assert!(!light.rows.iter().any(|r| r[6].contains("protects nothing")));
}

/// 434 mA in a zener of 12 V are 7 W, in a MOSFET nobody knows how many it stands.
#[test]
fn semiconductors_without_a_rating_are_said() {
    let text = "Heat\nVB b 0 450\nVH h 0 700\nR1 b g 1meg\nR2 g 0 1meg\nM1 h g s 0 IRF820\nRL s 0 10k\n\
                DZ 0 z ZENER12\nRZ b z 1k\n.end\n";
    let table = parts(text);
    let zener = row(&table, "diode", "DZ");
    assert!(zener[3].ends_with(" W"), "{zener:?}");
    for (kind, name) in [("diode", "DZ"), ("transistor", "M1")] {
        let note = &row(&table, kind, name)[6];
        assert!(note.contains("no dissipation rating known: "), "{note}");
        assert!(note.contains(" W, check the sheet"), "{note}");
    }
    // What its line says it stands is watts, for a zener too.
    let weak = text.replace("ZENER12", "ZENER12 ; rated=1.3W");
    let weak = weak.replace("IRF820", "IRF820 ; rated=5W");
    let table = parts(&weak);
    for (kind, name, limit) in [("diode", "DZ", "1.30 W"), ("transistor", "M1", "5.00 W")] {
        let found = row(&table, kind, name);
        assert_eq!(found[4], "", "{found:?}");
        let words = format!("rated {limit}");
        assert!(
            found[6].contains("does not do: dissipation needs"),
            "{found:?}"
        );
        assert!(found[6].contains(&words), "{found:?}");
    }
    let strong = text.replace("IRF820", "IRF820 ; rated=50W");
    let found = parts(&strong);
    let found = row(&found, "transistor", "M1");
    assert_eq!((&*found[4], &*found[6]), ("IRF820", ""));
}

/// 335-0-335 V with the mains 10 % high ask 1045 V of a 1N4007: in the model it clamps at its 1000 V,
/// so that the reservoir seemed to need no more than 500 V.
#[test]
fn a_diode_that_breaks_down_is_not_bought() {
    let table = parts(&supply("0", "").replace("vht=250", "vht=335"));
    let diode = row(&table, "diode", "D1");
    assert_eq!((&*diode[0], &*diode[4]), ("2", ""), "{diode:?}");
    assert!(
        diode[6].contains("does not do: breaks down at 1.00 kV"),
        "{diode:?}"
    );
    let reservoir = row(&table, "capacitor", "CR");
    assert!(
        reservoir[6].contains("what it needs is not known"),
        "{reservoir:?}"
    );
    let sound = parts(&supply("0", ""));
    assert_eq!(row(&sound, "diode", "D1")[4..], ["1N4007", "D1 D2", ""]);
}

/// 329 V the wrong way across an electrolytic: the list said "plus at `0`, buy 400 V".
#[test]
fn an_electrolytic_the_wrong_way_round_is_not_bought() {
    let drawn = |line: &str| supply("0", "").replace("CR res 0 47u", line);
    let netlist = Netlist::new(&drawn("CR 0 res 47u ; rated=450V electrolytic"));
    let table = Gridleak::command("parts").path(netlist.path()).table();
    let table = table.expect("a table");
    let found = row(&table, "capacitor", "CR");
    assert_eq!(found[4], "", "{found:?}");
    assert!(found[6].contains("does not do: reversed by "), "{found:?}");
    assert!(found[6].contains("its plus is at `0`"), "{found:?}");
    let ran = Gridleak::command("parts").path(netlist.path()).run();
    assert!(
        ran.stderr.contains("warning: `CR`: reversed by "),
        "{}",
        ran.stderr
    );
    let sound = parts(&drawn("CR res 0 47u ; rated=450V electrolytic"));
    let found = row(&sound, "capacitor", "CR");
    assert_eq!(found[4], "450 V", "{found:?}");
    assert!(
        found[6].starts_with("electrolytic, plus at `res`"),
        "{found:?}"
    );
}

/// What `bias` finds of a part is in its notes: a valve whose cathode leads nowhere.
#[test]
fn what_bias_finds_is_in_the_notes() {
    let text = "Off\nVB b 0 300\nVIN in 0 AC 1\nRG in 0 1meg\nRP b p 100k\nXV1A p in k 12AX7\nRK s 0 1.5k\n\
                XSW k s toggle at=0\n.end\n";
    let note = |text: &str| row(&parts(text), "valve", "XV1A")[6].clone();
    let said = note(text);
    assert!(said.contains("CHECK: `XV1A`: switched off"), "{said}");
    assert!(!note(&text.replace("at=0", "at=1")).contains("CHECK"));
    let netlist = Netlist::new(text);
    let ran = Gridleak::command("parts").path(netlist.path());
    let ran = ran.option("--json", "-").run();
    assert!(ran.stdout.contains("\"findings\""), "{}", ran.stdout);
    assert!(ran.stdout.contains("switched off"), "{}", ran.stdout);
}

const LOUD: &str = "\
Single-ended, on a bridge
VMAINS line 0 SIN(0 325.3 50)
XM line 0 a ct b 0 0 MT
D1 a res 1N4007
D2 b res 1N4007
D3 0 a 1N4007
D4 0 b 1N4007
CR res 0 100u ; rated=400V electrolytic
RBL res 0 220k ; rated=3W
RD res bplus 100
CD bplus 0 47u ; rated=400V electrolytic
VIN in 0 AC 1 SIN(0 3 400)
RG in 0 470k
RK cathode 0 150
CK cathode 0 100u
XV2 plate screen in cathode EL84
RS bplus screen 1k ; rated=7W
XOT plate bplus 0 t4 t8 t16 OTSE
RSPK t8 0 8
RPRE bplus pre 22k
CPRE pre 0 22u
RP pre p 100k
RK1 k1 0 1.5k
XV1A p 0 k1 12AX7
.model MT mains(vpri=230 vht=95 iht=0.2 heater=20 reg=0.08)
.model OTSE singleended(ra=5.2k power=8 idc=50m fmin=80)
.end
";

const REST: &str = "at rest only: use --drive full";

/// A pair of EL34 takes three times its resting current from the fuse and 1.5 W in each screen resistor
/// when it is played; the list at rest sold 0.16 A and 0.25 W without a word.
#[test]
fn what_an_output_stage_needs_at_rest_is_said_to_be_that() {
    let table = parts(LOUD);
    let is_said = |kind: &str, name: &str| row(&table, kind, name)[6].contains(REST);
    for name in ["RD", "RK", "RS", "RSPK"] {
        assert!(is_said("resistor", name), "{name}: {table:?}");
    }
    for name in ["RBL", "RG", "RPRE", "RP", "RK1"] {
        assert!(!is_said("resistor", name), "{name}: {table:?}");
    }
    let fuses: Vec<_> = table.rows.iter().filter(|r| r[1] == "fuse").collect();
    assert_eq!(fuses.len(), 2);
    assert!(fuses.iter().all(|r| r[6].contains(REST)), "{fuses:?}");
    assert!(is_said("mains transformer", "XM"));
    // A preamplifier draws the same whatever it plays.
    let quiet = parts(&supply("0", ""));
    assert!(!quiet.rows.iter().any(|r| r[6].contains(REST)), "{quiet:?}");
}

#[test]
fn a_stage_that_is_driven_is_said_nothing_of_its_rest() {
    let text = "Driven\nVB bplus 0 260\nVIN in 0 AC 1 SIN(0 3 1k)\nRG in 0 470k\nRK cathode 0 150\n\
                XV2 plate bplus in cathode EL84\nXOT plate bplus 0 t4 t8 t16 OTSE\nRSPK t8 0 8\n\
                .model OTSE singleended(ra=5.2k power=8 idc=50m fmin=80)\n.end\n";
    let resting = parts(text);
    assert!(row(&resting, "resistor", "RSPK")[6].contains(REST));
    let netlist = Netlist::new(text);
    let driven = Gridleak::command("parts").path(netlist.path());
    let driven = driven.option("--drive", "3").table().expect("a table");
    assert!(
        !driven.rows.iter().any(|r| r[6].contains(REST)),
        "{driven:?}"
    );
}

/// The line says 7 W, and 14 mW at rest asked for 0.25 W.
#[test]
fn no_part_is_bought_smaller_than_its_line_rates_it() {
    let table = parts(LOUD);
    for (kind, name, rating) in [
        ("resistor", "RS", "7 W"),
        ("resistor", "RBL", "3 W"),
        ("capacitor", "CR", "400 V"),
    ] {
        let found = row(&table, kind, name);
        assert_eq!(found[4], rating, "{found:?}");
    }
}

/// A bridge across the whole winding: one current, one fuse. The list ordered one for each side.
#[test]
fn a_bridge_on_one_winding_has_one_fuse() {
    let fuse = |text: &str| {
        let table = parts(text);
        let found = table.rows.iter().find(|r| r[2] == "high-tension fuse");
        found.expect("a fuse").clone()
    };
    let one = fuse(LOUD);
    assert_eq!(one[0], "1", "{one:?}");
    assert!(one[6].contains("in one lead of the winding"), "{one:?}");
    let two = fuse(&supply("0", ""));
    assert_eq!(two[0], "2", "{two:?}");
    assert!(two[6].contains("one in each side"), "{two:?}");
}

/// With the centre tap left off the supply is dead, and its reservoir was "buy 16 V".
#[test]
fn behind_a_dead_rectifier_nothing_is_chosen_for_0_v() {
    let sound = supply("0", "CR2 res 0 22u ; rated=450V");
    let table = parts(&sound);
    assert_eq!(row(&table, "capacitor", "CR")[4], "400 V");
    let table = parts(&sound.replace("h1 0 h2 0 0 MT", "h1 open h2 0 0 MT"));
    const NOTE: &str = "what it needs is not known: a rectifier delivers nothing";
    for (kind, name, buy) in [
        ("capacitor", "CR", ""),
        ("resistor", "RL", ""),
        ("capacitor", "CR2", "450 V"),
    ] {
        let found = row(&table, kind, name);
        assert_eq!(found[4], buy, "{found:?}");
        assert!(found[6].contains(NOTE), "{found:?}");
    }
    assert!(!row(&table, "diode", "D1")[6].contains(NOTE), "{table:?}");
}
