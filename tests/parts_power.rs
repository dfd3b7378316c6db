//! What transformers, chokes and fuses must supply, on netlists worked out by hand.
//!
//! The iron is made nearly ideal (next to no copper, loss or magnetising current), so that the
//! figures are those of Ohm's law and of the turns. Mains 325.27 V peak: 230 V rms, 253 V at +10 %.
mod common;

use common::{Gridleak, Netlist, Table};

fn parts(text: &str, options: &[(&str, &str)]) -> Table {
    let netlist = Netlist::new(text);
    let run = Gridleak::command("parts").path(netlist.path());
    let run = options.iter().fold(run, |run, (o, v)| run.option(o, v));
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

/// The only row of a kind and value, as quantity, kind, value, needs, buy, names, note.
fn row<'t>(table: &'t Table, kind: &str, value: &str) -> &'t [String] {
    let mut own = table.rows.iter().filter(|r| r[1] == kind && r[2] == value);
    let found = own.next();
    assert!(own.next().is_none(), "two rows of {kind} {value}");
    found.unwrap_or_else(|| panic!("no {kind} {value}: {table:?}"))
}

/// A transformer as good as ideal, 230 V to 250-0-250 V, with what hangs on it.
fn ideal_mains(rest: &str) -> String {
    format!(
        "Mains\nVMAINS line 0 SIN(0 325.27 50)\nXM line 0 h1 0 h2 0 0 MT\n\
         .model MT mains(vpri=230 vht=250 iht=0.2 rpri=1m rht=1m imag=1u loss=1m)\n{rest}\n.end\n"
    )
}

/// 500 V across 5 k, 550 V at +10 %: 110 mA rms in each side, 60.5 VA, 239 mA from the line.
/// Fuses for half as much again (common practice, no published source): 0.359 A, so 0.4 A;
/// 0.165 A, so 0.2 A, one in each side.
#[test]
fn volt_amperes_and_fuses_follow_from_the_load() {
    let table = parts(&ideal_mains("RL h1 h2 5k"), &[]);
    let iron = row(&table, "mains transformer", "MT");
    assert_eq!(iron[3], "60.5 VA");
    assert!(
        iron[6].contains("high tension 110 mA rms a side"),
        "{iron:?}"
    );
    let fuse = row(&table, "fuse", "mains fuse");
    assert_eq!(
        (fuse[0].as_str(), fuse[3].as_str(), fuse[4].as_str()),
        ("1", "239 mA", "0.4 A")
    );
    let fuse = row(&table, "fuse", "high-tension fuse");
    assert_eq!(
        (fuse[0].as_str(), fuse[3].as_str(), fuse[4].as_str()),
        ("2", "110 mA", "0.2 A")
    );
}

/// Heaters are in no netlist, but the transformer and its fuse carry them. Two EL84 at 6.3 V
/// 0.76 A each (Philips, 1960) are 9.576 W, at +10 % 11.59 W: 60.5 + 11.59 = 72.1 VA, 285 mA,
/// times 1.5 is 0.427 A, so 0.5 A. Where the model counts its heaters they are not counted twice.
#[test]
fn volt_amperes_count_the_heaters() {
    let load = "RL h1 h2 5k\nVB b 0 10\nXV1 b b 0 0 EL84\nXV2 b b 0 0 EL84";
    let text = ideal_mains(load);
    let table = parts(&text, &[]);
    let iron = row(&table, "mains transformer", "MT");
    assert_eq!(iron[3], "72.1 VA");
    assert!(iron[6].contains("11.6 W of it for the heaters"), "{iron:?}");
    assert!(iron[6].contains("heaters 6.30 V 1.52 A"), "{iron:?}");
    let fuse = row(&table, "fuse", "mains fuse");
    assert_eq!((fuse[3].as_str(), fuse[4].as_str()), ("285 mA", "0.5 A"));
    let counted = text.replace("iht=0.2", "iht=0.2 heater=9.576");
    let table = parts(&counted, &[]);
    let iron = row(&table, "mains transformer", "MT");
    assert_eq!(iron[3], "72.1 VA");
    assert!(iron[6].contains("11.6 W of it for the heaters"), "{iron:?}");
}

/// Two diodes into 5 k without a reservoir: each side carries every other half of a sine of
/// 275 sqrt(2)/5 k = 77.8 mA peak, whose root mean square is half of the peak (any textbook):
/// 38.9 mA, less the 0.2 % that the diodes drop. Together they deliver 77.8 sqrt(1/2) = 55.0 mA
/// rms: 275 x 0.055 = 15.1 VA.
#[test]
fn each_side_of_the_high_tension_carries_half_sines() {
    let load = "D1 h1 out DR\nD2 h2 out DR\nRL out 0 5k\nCX out 0 20n\n\
                .model DR d(is=1n rs=1m n=1.5)";
    let table = parts(&ideal_mains(load), &[]);
    let iron = row(&table, "mains transformer", "MT");
    assert!(
        iron[6].contains("high tension 38.8 mA rms a side"),
        "{iron:?}"
    );
    assert_eq!(iron[3], "15.1 VA");
}

/// 110 V through 100 ohm of copper into 1 k: 100 mA.
#[test]
fn a_choke_carries_its_direct_current() {
    let table = parts(
        "Choke\nVB b 0 110\nXL b c CH\nRL c 0 1k\n.model CH choke(l=5 r=100 idc=0.15)\n.end\n",
        &[],
    );
    assert_eq!(row(&table, "choke", "CH")[3], "100 mA");
}

/// Single-ended: 300 V through 300 ohm of copper and 5.7 k are 50 mA. A pair: 100 ohm in each half
/// of the primary, 4.9 k and 9.9 k: 60 mA and 30 mA.
#[test]
fn standing_currents_are_those_of_each_half() {
    let table = parts(
        "Single\nVB b 0 300\nXOT p b 0 t4 t8 t16 OT\nRP p 0 5.7k\nRL t8 0 8\n\
         .model OT singleended(ra=5k power=6 idc=50m dcr=300)\n.end\n",
        &[],
    );
    let note = &row(&table, "output transformer", "OT")[6];
    // The 5.7 k lie across the load's 5 k too, which `bias` finds.
    assert_eq!(
        note.split_once("; "),
        Some((
            "standing current up to 50.0 mA",
            "CHECK: its load gives the plates 2.75 kΩ in place of 5.00 kΩ: is the loudspeaker on the \
             right tap?"
        ))
    );
    let table = parts(
        "Pair\nVB b 0 300\nXOT p b q 0 t4 t8 t16 OT\nRP p 0 4.9k\nRQ q 0 9.9k\nRL t8 0 8\n\
         .model OT pushpull(raa=8k power=15 dcr=200)\n.end\n",
        &[],
    );
    let note = &row(&table, "output transformer", "OT")[6];
    assert!(
        note.starts_with("standing current up to 60.0 mA and 30.0 mA in the halves"),
        "{note}"
    );
}

/// 100 V peak across a primary of 5 k with 8 ohm at its 8 ohm tap: 100^2/2/5 k = 1.00 W, in the
/// resistor too, which is bought for twice that.
#[test]
fn output_watts_are_those_of_the_signal() {
    let table = parts(
        "Watts\nVB b 0 100\nVIN p b DC 0 AC 1\nXOT p b 0 t4 t8 t16 OT\nRL t8 0 8\n\
         .model OT singleended(ra=5k power=6 idc=50m dcr=1m dcrs=1u loss=1g lp=1k leak=1n)\n.end\n",
        &[
            ("--drive", "100"),
            ("--source", "VIN"),
            ("--frequency", "1k"),
        ],
    );
    assert_eq!(row(&table, "output transformer", "OT")[3], "1.00 W");
    assert_eq!(row(&table, "resistor", "8")[3..5], ["1.00 W", "2 W"]);
}

/// A pot across 10 V: 0.1 W in 1 k, 0.25 W. As a rheostat at a tenth, 10 V across 100 ohm: 1 W, but
/// the 0.1 A would heat the whole track with 10 W, and a track is rated as a whole: 25 W.
#[test]
fn a_pot_is_rated_for_the_current_in_its_track() {
    let table = parts(
        "Pots\nVB b 0 10\nXP b w 0 P1K knob=5\nRW w 0 10meg\nXQ n b 0 P1K2 knob=1\n\
         .model P1K pot(r=1k taper=linear)\n.model P1K2 pot(r=1k taper=linear)\nRN n 0 10meg\n.end\n",
        &[],
    );
    let pots: Vec<&[String]> = (table.rows.iter().filter(|r| r[1] == "pot"))
        .map(Vec::as_slice)
        .collect();
    let of = |name: &str| *pots.iter().find(|r| r[5].contains(name)).expect("a pot");
    assert_eq!(of("XP")[3..5], ["100 mW", "0.25 W"]);
    assert_eq!(of("XQ")[3..5], ["1.00 W", "25 W"]);
    assert!(
        of("XQ")[6].contains("a part of its track"),
        "{:?}",
        of("XQ")
    );
}

/// Without a rectifier the mains are still the mains. 1 k into 100 k and 100 nF (31.83 k at 50 Hz):
/// 357.8 V peak at +10 % over |1.01 + j 0.0314| leaves 354 V, so 400 V; it once read 0 V and `16 V`.
#[test]
fn what_stands_across_the_mains_is_not_at_rest() {
    let text = "Across\nVMAINS line 0 SIN(0 325.27 50)\nR1 line x 1k\nC1 x 0 100n ; rated=16\n\
                R2 x 0 100k\nCM line 0 100n\n.end\n";
    let table = parts(text, &[]);
    let own = table.rows.iter().find(|r| r[5] == "C1").expect("C1");
    assert_eq!(own[3..5], ["354 V", "400 V"]);
    let across = table.rows.iter().find(|r| r[5] == "CM").expect("CM");
    assert!(across[6].contains("class X2"), "{across:?}");
    let netlist = Netlist::new(text);
    for more in [&[][..], &["--mains", "90..110"]] {
        let strict = Gridleak::command("bias")
            .path(netlist.path())
            .arg("--strict");
        let ran = more.iter().fold(strict, |run, arg| run.arg(*arg)).run();
        assert_eq!(ran.status, 1, "{more:?}: {}", ran.stdout);
        assert!(ran.stderr.contains("`C1` is"), "{}", ran.stderr);
    }
}

/// An EL84 with 300 V on plate and screen and no bias to speak of is far over its 12 W (Philips,
/// 1960): no valve of that type can be bought for it, and the list says so.
#[test]
fn a_valve_over_its_rating_is_said() {
    let table = parts("Hot\nVB b 0 300\nVG g 0 -3\nXV1 b b g 0 EL84\n.end\n", &[]);
    let note = &row(&table, "valve", "EL84")[6];
    assert!(note.contains("OVER: plate dissipation of XV1"), "{note}");
    assert!(note.contains("rated 12.0 W"), "{note}");
}

/// A fuse that is drawn was listed as a resistor of 0.1 ohm, beside a second one for the transformer. The
/// currents are those of `volt_amperes_and_fuses_follow_from_the_load`.
#[test]
fn a_fuse_that_is_drawn_is_bought_once_and_as_a_fuse() {
    let fused = |mains: &str, tension: &str| {
        let text = ideal_mains(&format!(
            "RF live line 0.1 ; fuse={mains}\nRH h1 x 0.1 ; fuse={tension}\nRL x h2 5k"
        ));
        parts(&text.replace("VMAINS line", "VMAINS live"), &[])
    };
    let table = fused("0.5A", "0.2A");
    let of = |table: &Table, name: &str| {
        let own = |r: &&Vec<String>| r[5] == name;
        let found: Vec<Vec<String>> = table.rows.iter().filter(own).cloned().collect();
        assert_eq!(found.len(), 1, "{name}: {table:?}");
        found[0].clone()
    };
    let mains = of(&table, "RF");
    assert_eq!(mains[..5], ["1", "fuse", "mains fuse", "239 mA", "0.5 A"]);
    assert!(mains[6].contains("usual here: 0.4 A, slow"), "{mains:?}");
    let tension = of(&table, "RH");
    assert_eq!(
        tension[..5],
        ["1", "fuse", "high-tension fuse", "110 mA", "0.2 A"]
    );
    assert!(!tension[6].contains("usual here"), "{tension:?}");
    // The other side of the winding has none yet; the primary needs no more.
    let fuses = table.rows.iter().filter(|r| r[1] == "fuse");
    let fuses: Vec<&str> = fuses.map(|r| r[5].as_str()).collect();
    assert_eq!(fuses, ["RF", "RH", "XM"]);
    assert!(table.rows.iter().all(|r| r[2] != "100m"), "{table:?}");
    // One that feeds something else beside the transformer saves nothing of it.
    let beside = ideal_mains("RF line x 0.1 ; fuse=1A\nRX x 0 10k\nRL h1 h2 5k");
    let table = parts(&beside, &[]);
    assert_eq!(row(&table, "fuse", "mains fuse")[5], "XM");
    assert_eq!(of(&table, "RF")[2], "fuse");
    // One that blows is not bought.
    let weak = of(&fused("0.2A", "0.2A"), "RF");
    assert_eq!(weak[4], "");
    assert!(
        weak[6].contains("does not do: drawn as 200 mA, it blows at 239 mA"),
        "{weak:?}"
    );
}

/// Behind a fuse and a switch the transformer had lost its volt-amperes, and its fuse the heaters: the
/// figures of `volt_amperes_count_the_heaters`, but for what a tenth of an ohm takes.
#[test]
fn a_fuse_and_a_switch_hide_no_volt_amperes() {
    let bare = "RL h1 h2 5k\nVB b 0 10\nXV1 b b 0 0 EL84\nXV2 b b 0 0 EL84";
    let text = ideal_mains(bare).replace("VMAINS line", "VMAINS live");
    let switched = text.replace(
        "RL h1",
        "RF live fused 0.1 ; fuse=0.5A\nXPOWER fused line toggle at=1\nRL h1",
    );
    let table = parts(&switched, &[]);
    let iron = row(&table, "mains transformer", "MT");
    assert_eq!(iron[3], "72.1 VA");
    let fuse = row(&table, "fuse", "mains fuse");
    assert_eq!(fuse[3..6], ["285 mA", "0.5 A", "RF"]);
}
