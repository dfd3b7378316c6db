//! What to buy, on netlists worked out by hand.
mod common;

use common::{Gridleak, Netlist, Ran, Table};

fn parts(netlist: &Netlist, options: &[(&str, &str)]) -> Table {
    let run = Gridleak::command("parts").path(netlist.path());
    let run = options.iter().fold(run, |run, (o, v)| run.option(o, v));
    run.table().unwrap_or_else(|why| panic!("{why}"))
}

/// The row of a part, as quantity, kind, value, needs, buy, names, note.
fn row<'t>(table: &'t Table, name: &str) -> &'t [String] {
    let named = |r: &&Vec<String>| r[5].split(' ').any(|n| n == name);
    table
        .rows
        .iter()
        .find(named)
        .unwrap_or_else(|| panic!("no row with {name}: {table:?}"))
}

/// By hand: 1 mA of plate current makes 100 mW in 100 k and 1 k takes a milliwatt; the coupling
/// capacitor stands at the cold supply.
#[test]
fn ratings_follow_from_the_worst_stress() {
    let netlist = Netlist::new(
        "Ratings\nVB b 0 300\nR1 b 0 100k\nR2 b x 100k\nR3 x 0 100k\nR4 b y 10k\nR5 y 0 10k\nR6 b 0 47k\n\
         C1 b 0 22u\nC2 x 0 22u\nC3 b 0 22n\nR7 q 0 1k\nR8 b q 99k\n.end\n",
    );
    let table = parts(&netlist, &[]);
    assert_eq!(
        table.header.join(","),
        "quantity,kind,value,needs,buy,names,note"
    );
    // 300 V across 100 k: 0.9 W, so 2 W. Half of it on each of two: 0.225 W, so 0.5 W.
    assert_eq!(
        row(&table, "R1")[..6],
        ["1", "resistor", "100k", "900 mW", "2 W", "R1"]
    );
    assert_eq!(
        row(&table, "R2")[..6],
        ["2", "resistor", "100k", "225 mW", "0.5 W", "R2 R3"]
    );
    assert_eq!(
        row(&table, "R4")[..6],
        ["2", "resistor", "10k", "2.25 W", "5 W", "R4 R5"]
    );
    // 300^2/47 k = 1.91 W, twice that is 3.83.
    assert_eq!(row(&table, "R6")[3..5], ["1.91 W", "5 W"]);
    assert_eq!(
        row(&table, "C1")[..6],
        ["1", "capacitor", "22u", "300 V", "350 V", "C1"]
    );
    assert_eq!(row(&table, "C2")[3..5], ["150 V", "160 V"]);
    assert_eq!(row(&table, "C3")[2..5], ["22n", "300 V", "350 V"]);
    assert_eq!(row(&table, "R7")[3..5], ["9.00 mW", "0.25 W"]);
    assert!(
        row(&table, "R8")[6].contains("in no E series"),
        "{:?}",
        row(&table, "R8")
    );
    let all: usize = table
        .rows
        .iter()
        .map(|r| r[0].parse::<usize>().unwrap())
        .sum();
    assert_eq!(all, 11, "every part once");
}

/// A 1 meg resistor with 420 V across it has 0.18 W: 0.5 W would do for the heat, but its body
/// stands 350 V.
#[test]
fn a_body_must_withstand_the_volts() {
    let netlist = Netlist::new("Volts\nVB b 0 420\nR1 b 0 1meg\nVC c 0 700\nR2 c 0 2.2meg\n.end\n");
    let table = parts(&netlist, &[]);
    assert_eq!(row(&table, "R1")[4], "1 W");
    assert!(row(&table, "R1")[6].contains("volts"));
    assert_eq!(row(&table, "R2")[4], "");
    assert!(row(&table, "R2")[6].contains("in series"));
}

const STAGE: &str = "Two stages
VB b 0 300
VIN in 0 DC 0 AC 1 SIN(0 1 1k)
RG1 in 0 1meg
XV1A p in k 12AX7
RP1 b p 100k
RK1 k 0 1.5k
CK1 k 0 22u ; electrolytic
CC p g 22n
RG2 g 0 1meg
XV1B q g l 12AX7
RP2 b q 100k
RK2 l 0 1.5k
XVOL q w 0 A1M knob=5
RO w 0 1meg
XV2A b w m 12AU7
RK3 m 0 22k
.model A1M pot(r=1meg taper=audio)
.end
";

#[test]
fn sections_are_bottles_with_bases_and_heaters() {
    let netlist = Netlist::new(STAGE);
    let table = parts(&netlist, &[]);
    let valve = row(&table, "XV1A");
    assert_eq!(
        (valve[0].as_str(), valve[1].as_str(), valve[2].as_str()),
        ("1", "valve", "12AX7")
    );
    assert_eq!(valve[5], "XV1A XV1B");
    // RCA 12AX7-A, 1960: plates on 1 and 6, 6.3 V 0.3 A.
    for words in ["9A", "plate 6", "plate 1", "6.30 V", "300 mA"] {
        assert!(valve[6].contains(words), "{words}: {}", valve[6]);
    }
    assert!(row(&table, "XV2A")[6].contains("one of 2 sections used"));
    let socket = table.rows.iter().find(|r| r[1] == "socket").unwrap();
    assert_eq!((socket[0].as_str(), socket[5].as_str()), ("2", "V1 V2"));
    // The coupling capacitor stands at the cold supply; the cathode's is an electrolytic.
    assert_eq!(row(&table, "CC")[3..5], ["300 V", "350 V"]);
    assert!(row(&table, "CK1")[6].contains("plus at `k`"));
    assert_eq!(row(&table, "XVOL")[1..3], ["pot", "1meg audio"]);
    // A comment says that they are bottles of their own.
    let apart = STAGE.replace("XV1B q g l 12AX7", "XV1B q g l 12AX7 ; bottle=V7");
    assert_eq!(row(&parts(&Netlist::new(&apart), &[]), "XV1A")[0], "2");
}

/// With a signal the second stage clips, and the pot and its neighbours see the plate's swing.
#[test]
fn a_signal_counts_in() {
    let netlist = Netlist::new(STAGE);
    let volts = |table: &Table, name: &str| row(table, name)[3].clone();
    let (rest, driven) = (parts(&netlist, &[]), parts(&netlist, &[("--drive", "1")]));
    assert_eq!(volts(&rest, "CC"), "300 V");
    assert_ne!(volts(&rest, "RG2"), volts(&driven, "RG2"));
}

#[test]
fn a_supply_lists_what_the_transformer_must_give_and_fuses() {
    let netlist = Netlist::new(
        "Supply\nVMAINS line 0 SIN(0 325.3 50)\nXM line 0 h1 0 h2 0 0 MT\nXV1 h1 h2 res 5AR4\nCR res 0 32u\n\
         RL res 0 5k\n.model MT mains(vpri=230 vht=250 iht=0.1 heater=10)\n.end\n",
    );
    let table = parts(&netlist, &[]);
    let iron = table
        .rows
        .iter()
        .find(|r| r[1] == "mains transformer")
        .unwrap();
    assert!(
        iron[3].ends_with("VA") && iron[6].contains("heaters 5.00 V 1.90 A"),
        "{iron:?}"
    );
    let fuses: Vec<&Vec<String>> = table.rows.iter().filter(|r| r[1] == "fuse").collect();
    assert_eq!(fuses.len(), 2);
    assert!(
        fuses.iter().all(|f| f[6].contains("local codes")),
        "{fuses:?}"
    );
    // Mains 10 % high: 250 V rms loaded, 275 V; the reservoir below its crest.
    let volts: f64 = row(&table, "CR")[3].trim_end_matches(" V").parse().unwrap();
    assert!((340.0..440.0).contains(&volts), "{volts}");
    let heater = Netlist::new(
        &std::fs::read_to_string(netlist.path())
            .unwrap()
            .replace("heater=10", "heater=5"),
    );
    let table = parts(&heater, &[]);
    let iron = table
        .rows
        .iter()
        .find(|r| r[1] == "mains transformer")
        .unwrap();
    assert!(
        iron[6].contains("the heaters take 9.50 W of the 5.00 W"),
        "{iron:?}"
    );
}

fn with_stock(stock: &str) -> (Ran, Table) {
    let netlist = Netlist::new(STAGE);
    let path = netlist.path().with_file_name("stock.csv");
    std::fs::write(&path, stock).unwrap();
    let run = Gridleak::command("parts")
        .path(netlist.path())
        .option("--stock", path.to_str().unwrap());
    let table = run.table().unwrap_or(Table {
        header: Vec::new(),
        rows: Vec::new(),
    });
    (run.run(), table)
}

#[test]
fn a_drawer_is_counted_off() {
    let (ran, table) = with_stock(
        "kind,value,rating,count,where\nresistor,1M0,0.5W,1,box 3\nresistor,100k,0.1W,9,box 3\nvalve,12ax7,,4,shelf\n",
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(ran.stdout.contains("to buy"), "{}", ran.stdout);
    assert!(
        row(&table, "RG1")[6].contains("1 of 3 in stock (box 3)"),
        "{:?}",
        row(&table, "RG1")
    );
    assert!(
        row(&table, "RP1")[6].contains("0 of 1 in stock"),
        "too weak: {:?}",
        row(&table, "RP1")
    );
    assert!(row(&table, "XV1A")[6].contains("in stock (shelf)"));
    let (ran, _) = with_stock("kind,value,rating,count,where\nresistor,lots,0.5W,1,box 3\n");
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr.contains("line 2, column `value`"),
        "{}",
        ran.stderr
    );
    let (ran, _) = with_stock("");
    assert_eq!(ran.status, 2, "{}", ran.stderr);
}

/// Alike parts are one line as long as the same rating does for all; the worst of them is shown.
/// By hand: 50 V across each of R1 and R2 (1 k): 2.5 W, twice that 5 W. R3 has 25 V: 0.625 W,
/// so 2 W, which is another line. R4 has 75 V across 3 k: 1.875 W, so 5 W. R6 and R7, 100 k each: 60 V make 36 mW and 40 V 16 mW, 0.25 W both.
#[test]
fn alike_parts_are_one_line_with_the_worst_of_them() {
    let netlist = Netlist::new(
        "Alike\nVB b 0 100\nR1 b a 1k\nR2 a 0 1k\nR3 b c 1k\nR4 c 0 3k\nV6 x 0 60\nR6 x 0 100k\n\
         V7 y 0 40\nR7 y 0 100k\n.end\n",
    );
    let table = parts(&netlist, &[]);
    assert_eq!(
        row(&table, "R1")[..6],
        ["2", "resistor", "1k", "2.50 W", "5 W", "R1 R2"]
    );
    assert_eq!(
        row(&table, "R3")[..6],
        ["1", "resistor", "1k", "625 mW", "2 W", "R3"]
    );
    assert_eq!(row(&table, "R4")[3..5], ["1.88 W", "5 W"]);
    assert_eq!(
        row(&table, "R6")[..6],
        ["2", "resistor", "100k", "36.0 mW", "0.25 W", "R6 R7"]
    );
}

/// Each step of the contract's capacitors, just within and just beyond.
#[test]
fn capacitors_take_the_next_step() {
    let steps = [
        16, 25, 35, 50, 63, 100, 160, 250, 350, 400, 450, 500, 630, 1000,
    ];
    let mut text = "Steps\n".to_string();
    for (k, volts) in steps.iter().enumerate() {
        text += &format!("V{k} n{k} 0 {volts}\nC{k} n{k} 0 {}n\n", 10 + k);
        text += &format!("VB{k} m{k} 0 {}\nCB{k} m{k} 0 {}n\n", volts + 1, 110 + k);
    }
    let table = parts(&Netlist::new(&text), &[]);
    for (k, volts) in steps.iter().enumerate() {
        assert_eq!(row(&table, &format!("C{k}"))[4], format!("{volts} V"));
        let beyond = row(&table, &format!("CB{k}"));
        match steps.get(k + 1) {
            Some(next) => assert_eq!(beyond[4], format!("{next} V")),
            None => assert!(beyond[4].is_empty() && beyond[6].contains("two in series")),
        }
    }
}

/// 10 V peak of 1 kHz into 10 ohm and 10 uF: the reactance is 1/(2 pi 1000 10e-6) = 15.92 ohm,
/// the impedance 18.80 ohm, the current 7.071/18.80 = 376 mA rms, which makes 1.42 W in the
/// resistor (3 W) and 8.47 V peak across the capacitor (16 V).
#[test]
fn ripple_current_is_counted_with_the_signal() {
    let netlist = Netlist::new("Ripple\nVIN in 0 AC 1 SIN(0 1 1k)\nR1 in a 10\nC1 a 0 10u\n.end\n");
    let table = parts(&netlist, &[("--drive", "10")]);
    assert_eq!(row(&table, "R1")[3..5], ["1.42 W", "3 W"]);
    let capacitor = row(&table, "C1");
    assert_eq!(capacitor[3..5], ["8.47 V", "16 V"]);
    assert!(
        capacitor[6].contains("ripple current 376 mA rms"),
        "{capacitor:?}"
    );
}

/// The same with 100 ohm, of which one period is too short to settle in: 101.3 ohm, 69.8 mA in
/// both parts (the capacitor once read 137 mA, its charge before the search had closed).
#[test]
fn a_capacitor_takes_what_its_resistor_passes() {
    let netlist =
        Netlist::new("Ripple\nVIN in 0 AC 1 SIN(0 1 1k)\nR1 in a 100\nC1 a 0 10u\n.end\n");
    let table = parts(&netlist, &[("--drive", "10")]);
    assert_eq!(row(&table, "R1")[3..5], ["488 mW", "1 W"]);
    let note = &row(&table, "C1")[6];
    assert!(note.contains("ripple current 69.8 mA rms"), "{note}");
    let run = Gridleak::command("distortion").path(netlist.path());
    let run = run.option("--source", "VIN").option("--level", "10");
    let run = run.option("--frequency", "1k").option("--probe", "i(C1)");
    let found = run.table().expect("a table");
    let thd: f64 = found.rows[0][2].parse().expect("a number");
    assert!(thd < 1e-3, "{thd} % of a linear circuit");
}

/// RCA RC-30, 1975, from memory: 12AX7 0.3 A, 6V6GT 0.45 A at 6.3 V; EL84 (Philips, 1960) 0.76 A.
/// Together 1.51 A at 6.3 V. Noval for 12AX7 and EL84, octal for the 6V6GT.
#[test]
fn heaters_and_sockets_add_up() {
    let netlist = Netlist::new(
        "Heaters\nVMAINS line 0 SIN(0 325.27 50)\nXPT line 0 h1 0 h2 0 0 PT\nD1 h1 res DX\nD2 h2 res DX\n\
         CR res 0 47u\nRL res 0 10k\nXV1A res g k 12AX7\nXV1B res g k 12AX7\nXV2 res res g k 6V6GT\n\
         XV3 res res g k EL84\nRK k 0 1k\nRG g 0 100k\n.model DX d(is=1e-9 n=1.8)\n\
         .model PT mains(vpri=230 vht=200 iht=0.1 heater=10)\n.end\n",
    );
    let table = parts(&netlist, &[]);
    let iron = table.rows.iter().find(|r| r[1] == "mains transformer");
    let iron = iron.expect("a transformer");
    assert!(iron[6].contains("heaters 6.30 V 1.51 A"), "{iron:?}");
    let sockets: Vec<(&str, &str)> = (table.rows.iter())
        .filter(|r| r[1] == "socket")
        .map(|r| (r[0].as_str(), r[5].as_str()))
        .collect();
    assert_eq!(sockets, [("2", "V1 XV3"), ("1", "XV2")]);
    assert_eq!(row(&table, "XV1A")[0], "1");
    // A fuse is the next of IEC 60127-2 from half as much again as what flows.
    let series = [
        0.05, 0.063, 0.08, 0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1.0,
    ];
    let fuses: Vec<&Vec<String>> = table.rows.iter().filter(|r| r[1] == "fuse").collect();
    assert_eq!(fuses.len(), 2);
    for fuse in fuses {
        let milli = fuse[3].trim_end_matches(" mA");
        let amperes: f64 = milli.parse::<f64>().expect("milliamperes") / 1000.0;
        let next = series.iter().find(|s| **s >= 1.5 * amperes).expect("in it");
        assert_eq!(fuse[4], format!("{next} A"), "{fuse:?}");
    }
}

/// IEC 60063: 4.99 k is E96 (and 5.00 k none), 5.1 k E24. 5 k is 2.0 % from 5.1 k; 4.7 k and 300
/// in series are exactly 5 k. 11.2 nF is no value: 11 nF is 1.8 % less, 11 nF and 200 pF
/// together are exact. Electrolytics of 25 and 8 uF are usual, 24 uF is not for all its being E24.
#[test]
fn values_are_those_that_are_sold() {
    let netlist = Netlist::new(
        "Values\nVB b 0 20\nR1 b 0 5k\nR2 b 0 4.99k\nC1 b 0 11.2n\nC2 b 0 25u\nC3 b 0 8u\nC4 b 0 24u\n\
         C5 b 0 1.1u ; electrolytic\n.end\n",
    );
    let table = parts(&netlist, &[]);
    let note = |name: &str| row(&table, name)[6].clone();
    assert_eq!(
        note("R1"),
        "in no E series: nearest 5.10 kΩ (+2.0 %), or 4.70 kΩ and 300 Ω in series (+0.0 %)"
    );
    assert_eq!(note("R2"), "");
    let pair = "or 11.0 nF and 200 pF in parallel (+0.0 %)";
    assert!(note("C1").ends_with(pair), "{}", note("C1"));
    assert_eq!((note("C2"), note("C3")), (String::new(), String::new()));
    assert_eq!(
        note("C4"),
        "no usual value of an electrolytic: nearest 25.0 µF (+4.2 %)"
    );
    assert!(
        note("C5").contains("nearest 1.00 µF (-9.1 %)"),
        "{}",
        note("C5")
    );
}
