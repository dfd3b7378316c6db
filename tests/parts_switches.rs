//! `parts`: what the switches leave out of use must not be bought for 0 W.
mod common;

use common::{Gridleak, Netlist, Table};

const NOTE: &str = "not in use as the switches stand: set them and ask again";

fn parts(run: Gridleak) -> Table {
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

fn of(text: &str, switches: &[&str]) -> Table {
    let netlist = Netlist::new(text);
    let run = Gridleak::command("parts").path(netlist.path());
    parts(
        switches
            .iter()
            .fold(run, |run, s| run.option("--switch", s)),
    )
}

/// What is to be bought of a part, and its note.
fn row<'t>(table: &'t Table, name: &str) -> (&'t str, &'t str) {
    let own = |r: &&Vec<String>| r[5].split(' ').any(|n| n == name);
    let found = table.rows.iter().find(own);
    let found = found.unwrap_or_else(|| panic!("no {name}: {table:?}"));
    (&found[4], &found[6])
}

fn assert_idle(table: &Table, name: &str, buy: &str, switch: &str) {
    let (bought, note) = row(table, name);
    assert_eq!(bought, buy, "{name}: {table:?}");
    let with = if switch.is_empty() {
        NOTE.to_string()
    } else {
        format!("{NOTE}, with --switch {switch}=1")
    };
    let own = note.split("; ").next().unwrap_or("");
    assert_eq!(own, with, "{name}");
}

/// A stage with a part behind each of its switches: one lead in the air (CFAT, CBR), a loop of its own
/// (RSP and CSP), and behind relay contacts, of which KEPT is closed while the coil has no volts.
const STAGE: &str = "\
Switches and relays
VB b 0 300
VIN in 0 AC 1 SIN(0 1 1k)
RG in 0 1meg
RGS in g 68k
XV1A p g k 12AX7
RP b p 100k
RK k 0 1.5k
CK k 0 22u
CFAT k fat 4.7u
XFAT fat 0 toggle at=0
CC p o 22n
RL o 0 1.2meg
CBR o br 470p
XBRIGHT br w toggle at=0
XVOL o w 0 A1M knob=5
XSPARE w sp toggle at=0
RSP sp 0 470
CSP sp 0 1u
RSR sp 0 330 ; rated=5W
VCOIL coil 0 0
RCO coil 0 1.1k
SREL w relayed coil 0 REL
RREL relayed 0 10k
SON w kept 0 coil KEPT
RKEPT kept 0 12k
.model A1M pot(r=1meg taper=audio mid=0.15)
.model REL sw(vt=6 vh=1 ron=0.1 roff=1g)
.model KEPT sw(vt=-6 vh=1 ron=0.1 roff=1g)
.end
";

/// A fixed bug: each of them was bought for what it takes behind an open switch, 0 W or 0 V. Parts with
/// little stress that are in use keep their row: a grid stopper, a bypass capacitor at 1 V.
#[test]
fn what_an_open_switch_leaves_idle_is_not_bought() {
    let table = of(STAGE, &[]);
    for (name, switch) in [
        ("CFAT", "FAT"),
        ("CBR", "BRIGHT"),
        ("RSP", "SPARE"),
        ("CSP", "SPARE"),
    ] {
        assert_idle(&table, name, "", switch);
    }
    // A coil's contact has no switch of its own to name; `rated=` is bought all the same.
    assert_idle(&table, "RREL", "", "");
    assert_idle(&table, "RSR", "5 W", "SPARE");
    for (name, buy) in [
        ("RGS", "0.25 W"),
        ("RG", "0.25 W"),
        ("RK", "0.25 W"),
        ("CK", "16 V"),
        ("CC", "350 V"),
        ("RL", "0.25 W"),
        ("XVOL", "0.25 W"),
        ("RKEPT", "0.25 W"),
    ] {
        assert_eq!(row(&table, name), (buy, ""), "{name}");
    }
    let all = ["FAT=1", "BRIGHT=1", "SPARE=1"];
    let table = of(&STAGE.replace("VCOIL coil 0 0", "VCOIL coil 0 12"), &all);
    for name in ["CFAT", "CBR", "RSP", "CSP", "RSR", "RREL"] {
        assert_eq!(row(&table, name).1, "", "{name}");
    }
    assert_idle(&table, "RKEPT", "", "");
}

/// A part that leads nowhere with every switch closed is not idle by a switch.
#[test]
fn what_no_switch_brings_in_keeps_its_row() {
    let text = "Loose end\nVB b 0 100\nRA b x 10k\nRB x 0 10k\nRSW x y 1k\nXSW y 0 toggle at=0\n\
                RP x z 22k\nRE z z2 1meg\nRF z z2 2.2meg\n.end\n";
    let table = of(text, &[]);
    assert_idle(&table, "RSW", "", "SW");
    for name in ["RA", "RB", "RP", "RE", "RF"] {
        assert!(!row(&table, name).1.contains("not in use"), "{name}");
    }
}

/// The standby switch open where a netlist has it so: a whole amplifier was bought for 0 W, and its
/// high-tension fuse for the bleeder's 5 mA. What is before the switch keeps its row.
#[test]
fn an_amplifier_in_standby_is_not_in_use() {
    let text = "Standby\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\nD1 h1 res 1N4007\n\
                D2 h2 res 1N4007\nCR res 0 47u\nRBL res 0 220k\nXRUN res b toggle at=0\nRD b b1 10k\n\
                CD b1 0 22u\nVIN in 0 AC 1\nRG in 0 1meg\nRGS in g 68k\nXV1A p g k 12AX7\nRP b1 p 100k\n\
                RK k 0 1.5k\nCK k 0 33u\nCC p o 22n\nRL o 0 1.2meg\n\
                .model MT mains(vpri=230 vht=250 iht=0.15 heater=20)\n.end\n";
    let table = of(text, &[]);
    for name in ["RD", "CD", "RP", "RK", "CK", "CC", "RL", "RGS"] {
        assert_idle(&table, name, "", "RUN");
    }
    assert_eq!(row(&table, "CR"), ("450 V", ""));
    assert_eq!(row(&table, "RBL").1, "");
    let fuses = |table: &Table| {
        let all = table.rows.iter().filter(|r| r[1] == "fuse");
        all.map(|r| (r[4].is_empty(), r[6].starts_with(NOTE)))
            .collect::<Vec<_>>()
    };
    assert_eq!(fuses(&table), [(true, true), (true, true)]);
    let on = of(text, &["RUN=1"]);
    assert!(on.rows.iter().all(|r| !r[6].contains("not in use")));
    assert_eq!(fuses(&on), [(false, false), (false, false)]);
}

/// The Lapwing's dummy load and its other pair: 0.25 W and 16 V once, then as rated, and said. Without
/// `rated=` nothing is bought. With the dummy load on its tap it is noted that it needs a signal.
#[test]
fn the_power_amplifiers_other_load_and_pair_are_named() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/netlists/lapwing/");
    let read = |name: &str| std::fs::read_to_string(format!("{folder}{name}")).unwrap();
    let plain = |text: &str| -> String {
        let lines = text.lines().map(|line| match line.split_once("; rated=") {
            Some((head, tail)) if tail.contains("electrolytic") => {
                format!("{head}; electrolytic\n")
            }
            Some((head, _)) => format!("{head}\n"),
            None => format!("{line}\n"),
        });
        lines.collect()
    };
    let included = plain(&read("power_parts.cir"));
    let unrated = plain(&read("power_amp.cir")).replace(".include power_parts.cir", &included);
    let own = format!("{folder}power_amp.cir");
    let rated = parts(Gridleak::command("parts").path(own.as_ref()));
    let unrated = of(&unrated, &[]);
    for (name, switch, buy) in [
        ("RDUMMY", "DUMMY", "100 W"),
        ("XCATHODE.RK", "PAIR6L6", "10 W"),
        ("XCATHODE.CK", "PAIR6L6", "63 V"),
        ("XDRIVE67.RSA", "PAIR6L6", "2 W"),
    ] {
        assert_idle(&rated, name, buy, switch);
        assert_idle(&unrated, name, "", switch);
    }
    for name in ["XDRIVE45.RGSA", "XDRIVE67.RGA", "XBOARD8.CI8", "RBIAS"] {
        assert!(!row(&rated, name).1.contains("not in use"), "{name}");
    }
    let run = Gridleak::command("parts").path(own.as_ref());
    let switched = ["PAIR6V6=0", "PAIR6L6=1", "SPEAKER=0", "DUMMY=1"];
    let other = parts(
        switched
            .iter()
            .fold(run, |run, s| run.option("--switch", s)),
    );
    for name in ["XCATHODE.RK", "RDUMMY"] {
        let note = row(&other, name).1;
        assert!(note.contains("at rest only: use --drive full"), "{note}");
    }
    assert_eq!(
        row(&other, "XDRIVE45.RSA").1,
        format!("{NOTE}, with --switch PAIR6V6=1")
    );
}

/// A closed mains switch "needed" the millivolts across its contact. 230 V over 1 k is 0.23 A.
#[test]
fn a_closed_switch_is_listed_by_what_it_carries() {
    let lamp = "Lamp\nVB b 0 230\nXPOWER b l toggle at=1\nRL l 0 1k ; rated=150W\nXOTHER b 0 toggle at=0\n.end\n";
    let table = of(lamp, &[]);
    let needs = |name: &str| {
        let found = table.rows.iter().find(|r| r[5] == name);
        let found = found.unwrap_or_else(|| panic!("no {name}: {table:?}"));
        (found[3].clone(), found[6].contains("closed as it stands"))
    };
    assert_eq!(needs("XPOWER"), ("230 mA".to_string(), true));
    assert_eq!(needs("XOTHER"), ("230 V".to_string(), false));
}
