//! `compare`: pairs of circuits made from our own with known edits, by fixed seeds.
//!
//! Sound pairs: renamed, shuffled and turned circuits must be the same. Edited pairs: every edit
//! and no other must be reported. The shares asserted are those that the command promises.

use gridleak::circuit::params::Overrides;
use gridleak::circuit::{flatten, library};
use gridleak::compare::graph::{Graph, Leads, Part};
use gridleak::compare::{self, Comparison};
use gridleak::diag::Files;
use gridleak::netlist;
use std::time::Instant;

/// A small generator of our own; the seeds are the test's.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % sides
    }

    fn shuffle<T>(&mut self, list: &mut [T]) {
        for k in (1..list.len()).rev() {
            list.swap(k, self.roll(k + 1));
        }
    }
}

const CIRCUITS: [&str; 12] = [
    "lapwing/amp.cir",
    "lapwing/clean_stage.cir",
    "lapwing/effects_loop.cir",
    "lapwing/overdrive_cascade.cir",
    "lapwing/power_amp.cir",
    "lapwing/preamp.cir",
    "lapwing/supply.cir",
    "lapwing/tone_stack.cir",
    "textbook/cathode_follower.cir",
    "textbook/common_cathode.cir",
    "textbook/long_tailed_pair.cir",
    "textbook/half_wave_supply.cir",
];

fn graph(path: &str) -> Graph {
    let mut sources = Files::default();
    let path = format!("{}/netlists/{path}", env!("CARGO_MANIFEST_DIR"));
    let reading = netlist::read(&path, &netlist::FileLoader, &mut sources);
    let (library, mut problems) = library::load(&mut sources);
    let body = &reading.netlist.body;
    let limits = &reading.netlist.limits;
    let settings = Overrides::default();
    let expansion = flatten::expand(body, &library, &settings, limits, &mut problems);
    Graph::of(&expansion, &settings)
}

fn compared(drawn: &Graph, built: &Graph) -> Comparison {
    compare::compare(drawn, built, &mut || true)
}

/// The same circuit with its lines in another order, its nodes and (if asked) parts renamed, and
/// two-lead parts turned round. Gives the new name of each part, by the old number.
fn disguised(graph: &Graph, rename: bool, dice: &mut Dice) -> (Graph, Vec<String>) {
    let mut order: Vec<usize> = (0..graph.parts.len()).collect();
    dice.shuffle(&mut order);
    let mut nets: Vec<usize> = (1..graph.nets.len()).collect();
    dice.shuffle(&mut nets);
    let number = |net: usize| match net {
        0 => 0,
        net => 1 + nets.iter().position(|&n| n == net).expect("all are there"),
    };
    let mut names = vec![String::new(); graph.parts.len()];
    let mut parts = Vec::new();
    for (n, &p) in order.iter().enumerate() {
        let mut part: Part = graph.parts[p].clone();
        part.leads = part.leads.iter().map(|&net| number(net)).collect();
        if part.alike == Leads::FirstTwoAlike && dice.roll(2) == 0 {
            part.leads.swap(0, 1);
        }
        if rename {
            part.name = format!("{}Z{n}", part.letter);
        }
        names[p] = part.name.clone();
        parts.push(part);
    }
    let mut other = Graph {
        parts,
        nets: (0..graph.nets.len()).map(|n| format!("k{n}")).collect(),
        ..Graph::default()
    };
    other.index();
    (other, names)
}

/// What an edit must be reported as: kind, drawn name, built name, by the part's number in the
/// drawn graph; an added part has none.
type Expected = (&'static str, Option<usize>);

/// Makes one edit of the graph, or none where the dice fall on something it cannot be made of.
/// Parts in `touched` are left alone, so that two edits never speak of one thing.
fn edit(graph: &mut Graph, touched: &mut Vec<usize>, dice: &mut Dice) -> Option<Expected> {
    let p = dice.roll(graph.parts.len());
    if touched.contains(&p) || graph.parts[p].letter == 'K' {
        return None;
    }
    let alone = |graph: &Graph, net: usize| graph.members[net].len() < 3;
    let part = &graph.parts[p];
    let found = match dice.roll(6) {
        0 => {
            let value = &mut graph.parts[p].facts.values.first_mut()?.1;
            *value *= [0.1, 1.5, 2.2, 10.0][dice.roll(4)];
            if *value == 0.0 {
                return None;
            }
            ("value", Some(p))
        }
        1 if part.facts.model_values.len() > 3 && part.letter == 'X' => {
            let facts = &mut graph.parts[p].facts;
            facts.model.push_str("OTHER");
            facts.model_values[0].1 *= 1.3;
            ("model", Some(p))
        }
        2 if part.leads.iter().all(|&net| !alone(graph, net)) => {
            // Marked; it is taken out when all edits are made.
            graph.parts[p].name.push_str("#gone");
            ("missing", Some(p))
        }
        3 => {
            let (a, b) = (dice.roll(graph.nets.len()), dice.roll(graph.nets.len()));
            if a == b {
                return None;
            }
            let mut new = graph.parts.iter().find(|p| p.letter == 'R')?.clone();
            new.name = format!("R{}added", graph.parts.len());
            new.leads = vec![a, b];
            new.facts.values[0].1 = 123_456.0;
            graph.parts.push(new);
            touched.push(graph.parts.len() - 1);
            ("extra", None)
        }
        4 => {
            let k = dice.roll(part.leads.len());
            let (old, new) = (part.leads[k], dice.roll(graph.nets.len()));
            let there = part.leads.contains(&new) || graph.nets[new].starts_with("current of");
            if there || alone(graph, old) || graph.nets[old].starts_with("current of") {
                return None;
            }
            graph.parts[p].leads[k] = new;
            ("moved", Some(p))
        }
        _ if part.alike == Leads::Fixed && part.leads.len() > 1 => {
            let (j, k) = (dice.roll(part.leads.len()), dice.roll(part.leads.len()));
            let current = |k: usize| graph.nets[part.leads[k]].starts_with("current of");
            if part.leads[j] == part.leads[k] || current(j) || current(k) {
                return None;
            }
            graph.parts[p].leads.swap(j, k);
            ("swapped", Some(p))
        }
        _ => {
            let closed = graph.parts[p].facts.closed?;
            graph.parts[p].facts.closed = Some(!closed);
            ("switch", Some(p))
        }
    };
    touched.push(p);
    graph.index();
    Some(found)
}

/// Takes out the parts that are marked.
fn without_gone(graph: &Graph) -> Graph {
    let mut left = graph.clone();
    left.parts.retain(|p| !p.name.ends_with("#gone"));
    left.index();
    left
}

/// Whether exactly the expected is reported.
fn right(
    found: &Comparison,
    drawn: &Graph,
    expected: &[Expected],
    name_of: impl Fn(usize) -> String,
) -> bool {
    let mut want: Vec<(String, String, String)> = expected
        .iter()
        .map(|&(kind, part)| {
            let drawn_name = part.map_or(String::new(), |p| drawn.parts[p].name.clone());
            let built = match (kind, part) {
                ("missing", _) | (_, None) => String::new(),
                (_, Some(p)) => name_of(p),
            };
            (kind.to_string(), drawn_name, built)
        })
        .collect();
    let mut got: Vec<(String, String, String)> = found
        .differences
        .iter()
        .map(|d| {
            let built = if d.kind == "extra" { "" } else { &d.built };
            (d.kind.to_string(), d.drawn.clone(), built.to_string())
        })
        .collect();
    want.sort();
    got.sort();
    want == got
}

/// The share of pairs whose edits are all reported, and nothing else.
fn share(rename: bool, pairs: u64) -> f64 {
    // Other pairs: GRIDLEAK_SEEDS=1000 begins there.
    let from = std::env::var("GRIDLEAK_SEEDS").map_or(0, |s| s.parse().expect("a number"));
    let mut good = 0;
    for seed in from..from + pairs {
        let mut dice = Dice(0x9E37_79B9_7F4A_7C15 ^ (seed + 1).wrapping_mul(0x2545_F491_4F6C_DD1D));
        let drawn = graph(CIRCUITS[seed as usize % CIRCUITS.len()]);
        let wanted = 1 + dice.roll(4);
        let (mut changed, mut touched, mut expected) = (drawn.clone(), vec![], vec![]);
        for _ in 0..400 {
            if expected.len() == wanted {
                break;
            }
            expected.extend(edit(&mut changed, &mut touched, &mut dice));
        }
        let (built, names) = disguised(&without_gone(&changed), rename, &mut dice);
        // Numbers of the parts that are left, for their new names.
        let mut left = 0;
        let of: Vec<Option<usize>> = changed
            .parts
            .iter()
            .map(|p| {
                let gone = p.name.ends_with("#gone");
                left += usize::from(!gone);
                (!gone).then(|| left - 1)
            })
            .collect();
        let found = compared(&drawn, &built);
        let fits = right(&found, &drawn, &expected, |p| {
            of[p].map_or(String::new(), |n| names[n].clone())
        });
        good += u64::from(fits);
        if !fits && std::env::var_os("COMPARE_SHOW").is_some() {
            eprintln!("{} seed {seed}: {expected:?}", CIRCUITS[seed as usize % 12]);
            for (_, p) in &expected {
                if let Some(p) = p {
                    eprint!("  {} ", drawn.parts[*p].name);
                }
            }
            eprintln!();
            for d in &found.differences {
                eprintln!("    {} | {} | {} | {}", d.kind, d.drawn, d.built, d.what);
            }
        }
    }
    good as f64 / pairs as f64
}

#[test]
fn a_circuit_is_the_same_as_itself_in_disguise() {
    for path in CIRCUITS {
        for seed in 1..5 {
            let drawn = graph(path);
            for rename in [false, true] {
                let (built, _) = disguised(&drawn, rename, &mut Dice(seed * 7919));
                let found = compared(&drawn, &built);
                assert_eq!(found.differences, [], "{path}, seed {seed}");
            }
        }
    }
}

#[test]
fn edits_are_reported_and_nothing_else_with_names_kept() {
    let share = share(false, 240);
    println!("names kept: {:.1} %", 100.0 * share);
    assert!(share >= 0.97, "{share}");
}

#[test]
fn edits_are_reported_and_nothing_else_with_all_renamed() {
    let share = share(true, 120);
    println!("all renamed: {:.1} %", 100.0 * share);
    assert!(share >= 0.85, "{share}");
}

#[test]
fn the_whole_amplifier_renamed_and_shuffled_is_quickly_the_same() {
    let drawn = graph("lapwing/amp.cir");
    let (built, _) = disguised(&drawn, true, &mut Dice(42));
    let start = Instant::now();
    assert_eq!(compared(&drawn, &built).differences, []);
    // A hundredfold of what it takes: a hang shows, a loaded machine does not.
    assert!(start.elapsed().as_secs_f64() < 30.0);
}

/// Runs the command on two netlists and gives exit code, CSV and chart.
fn run(drawn: &str, built: &str, more: &[&str]) -> (i32, String, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).expect("written");
        path
    };
    let paths = [file("drawn.cir", drawn), file("built.cir", built)];
    let csv = folder.path().join("rows.csv");
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .arg("compare")
        .args(&paths)
        .arg("--csv")
        .arg(&csv)
        .args(more)
        .output()
        .expect("runs");
    let rows = std::fs::read_to_string(&csv).unwrap_or_default();
    let chart = String::from_utf8(output.stdout).expect("text");
    (output.status.code().expect("ended"), rows, chart)
}

const STAGE: &str = "A stage as drawn
VB bplus 0 300
VIN in 0 DC 0 AC 1
RG g 0 1meg
RGS in g 68k
RA bplus p 100k
XV1A p g k 12AX7
RK k 0 1.5k
CK k 0 22u
CO p out 22n
RL out 0 1meg
XVOL out w 0 A1M knob=5
RN w 0 10meg
XSW w out toggle at=1
.model A1M pot(r=1meg taper=audio)
.end
";

#[test]
fn every_kind_of_the_contract_is_one_row() {
    let same = run(STAGE, STAGE, &[]);
    assert_eq!((same.0, same.1.as_str()), (0, "kind,drawn,built,what\n"));
    let cases = [
        ("RA bplus p 100k", "RA bplus p 220k", "value,RA,RA,"),
        ("p g k 12AX7", "p g k 12AY7", "model,XV1A,XV1A,"),
        ("CK k 0 22u\n", "", "missing,CK,,"),
        (
            "RL out 0 1meg\n",
            "RL out 0 1meg\nRX k g 2k\n",
            "extra,,RX,",
        ),
        ("CK k 0 22u", "CK p 0 22u", "moved,CK,CK,"),
        ("XV1A p g k", "XV1A g p k", "swapped,XV1A,XV1A,"),
        ("XVOL out w 0", "XVOL 0 w out", "swapped,XVOL,XVOL,"),
        ("toggle at=1", "toggle at=0", "switch,XSW,XSW,"),
        // A lead on a node of its own, which the rules of wiring refuse to solve.
        ("RL out 0", "RL out air", "moved,RL,RL,"),
    ];
    for (from, to, row) in cases {
        assert!(STAGE.contains(from));
        let (code, rows, _) = run(STAGE, &STAGE.replace(from, to), &[]);
        assert_eq!(code, 1, "{to}");
        assert_eq!(rows.lines().count(), 2, "{rows}");
        assert!(
            rows.lines().nth(1).expect("a row").starts_with(row),
            "{rows}"
        );
    }
}

#[test]
fn order_direction_knobs_series_and_subcircuits_change_nothing() {
    let other = "The same, written by somebody else
.subckt INPUT a b
RGS m b 34k
RHALF a m 34k
.ends
XVOL out wiper 0 POT knob=9
XS wiper out toggle at=1
RN 0 wiper 10meg
XIN in grid INPUT
RG 0 grid 1meg
VB ht 0 300
VIN in 0 DC 0 AC 1
RA plate ht 100k
XV1A plate grid cath 12AX7
CK 0 cath 22u
RK cath 0 1.5k
RL 0 out 1meg
CO out plate 22n
.model POT pot(r=1meg taper=audio)
";
    let drawn = STAGE.replace("RGS in g 68k", "RHALF in m 34k\nRGS m g 34k");
    let (code, rows, _) = run(&drawn, other, &[]);
    assert_eq!(rows, "kind,drawn,built,what\n");
    assert_eq!(code, 0);
}

/// A fixed bug: a pot of another taper had `taper 0 for 1`.
#[test]
fn a_word_of_a_model_is_a_word() {
    let drawn = "Pot\nV1 a 0 1\nXV a w 0 A knob=5\n.model A pot(r=1meg taper=audio)\nRW w 0 1meg\n";
    let (code, rows, _) = run(drawn, &drawn.replace("taper=audio", "taper=linear"), &[]);
    assert!(
        code == 1 && rows.contains("taper linear for audio"),
        "{rows}"
    );
    // And a plain number had `1` for its unit.
    let (drawn, built) = (
        drawn.replace("audio", "audio mid=0.15"),
        drawn.replace("audio", "audio mid=0.1"),
    );
    let (_, rows, _) = run(&drawn, &built, &[]);
    assert!(rows.contains("mid 0.1 for 0.15\n"), "{rows}");
}

/// Each keeps its name and its value, and takes the place of the other.
#[test]
fn two_parts_in_series_that_change_places_change_nothing() {
    let drawn = STAGE.replace("RK k 0 1.5k", "RK1 k kk 1k\nRK2 kk 0 500");
    assert_ne!(drawn, STAGE);
    for built in [
        "RK2 k kk 500\nRK1 kk 0 1k",
        "RK1 0 kk 1k\nRK2 kk k 500",
        "RK1 kk 0 1k\nRK2 kk k 500",
    ] {
        let built = STAGE.replace("RK k 0 1.5k", built);
        let (code, rows, _) = run(&drawn, &built, &[]);
        assert_eq!(rows, "kind,drawn,built,what\n");
        assert_eq!(code, 0);
    }
    // Not where something else is joined between them.
    let tapped = drawn.replace("RK2 kk 0 500", "RK2 kk 0 500\nCK2 kk 0 22u");
    let built = tapped
        .replace("RK1 k kk", "RK1 kk 0")
        .replace("RK2 kk 0", "RK2 k kk");
    let (code, rows, _) = run(&tapped, &built, &[]);
    assert!(code == 1 && rows.contains("moved"), "{rows}");
}

#[test]
fn figures_list_what_the_differences_do_to_the_voltages() {
    let built = STAGE.replace("RK k 0 1.5k", "RK k 0 150");
    let (code, _, chart) = run(STAGE, &built, &["--figures"]);
    assert_eq!(code, 1);
    assert!(
        chart.contains("v(p)") && chart.contains("as built"),
        "{chart}"
    );
}

/// Hazards come first: what is found wrong as built alone, and that an amplifier does not stay at
/// its figures once the ends of its feedback are exchanged.
#[test]
fn figures_say_first_what_is_wrong_as_built_alone() {
    let built = STAGE.replace("RK k 0 1.5k", "RK k 0 1.5meg");
    let (_, _, chart) = run(STAGE, &built, &["--figures"]);
    let at = |text: &str| {
        chart
            .find(text)
            .unwrap_or_else(|| panic!("{text}: {chart}"))
    };
    assert!(at("CHECK, as built: `XV1A`") < at("at rest"), "{chart}");
    let (_, _, chart) = run(&built, STAGE, &["--figures"]);
    assert!(chart.contains("only as drawn: `XV1A`"), "{chart}");
    let (_, _, chart) = run(STAGE, STAGE, &["--figures"]);
    assert!(!chart.contains("CHECK"), "{chart}");
    // Its feedback is positive; with the ends of the primary exchanged it is not.
    let pair = std::fs::read_to_string("tests/drawn/split_load.cir").expect("it is there");
    let turned = pair.replace("XOT plateA bplus plateB", "XOT plateB bplus plateA");
    assert_ne!(pair, turned);
    let (_, _, chart) = run(&turned, &pair, &["--figures"]);
    let said = "CHECK, as built: the circuit is unstable";
    assert!(chart.contains(said), "{chart}");
    let (_, _, chart) = run(&pair, &turned, &["--figures"]);
    let said = "only as drawn: the circuit is unstable";
    assert!(chart.contains(said), "{chart}");
}

#[test]
fn an_unknown_valve_names_the_netlist_that_has_it() {
    let built = STAGE.replace("12AX7", "12AXE");
    let (code, rows, _) = run(STAGE, &built, &[]);
    assert_eq!((code, rows.as_str()), (2, ""));
}

/// Which way a capacitor stands on its line is no difference; but where a line says that its first
/// lead is the plus of an electrolytic, the wrong way round is what bursts: it was a remark below
/// "the circuits are the same", with exit code 0.
#[test]
fn a_reversed_electrolytic_is_swapped() {
    let drawn = "Supply\nV1 a 0 300\nR1 a b 1k\nC1 b 0 22u ; electrolytic\nR2 b 0 100k\n.end\n";
    let turned = drawn.replace("C1 b 0", "C1 0 b");
    let plain = |text: &str| text.replace(" ; electrolytic", "");
    let row =
        "swapped,C1,C1,\"C1 stands the wrong way round: the plus of an electrolytic is at ground";
    // One line without the mark: its direction is compared, and that it was a guess is said.
    let cases = [
        (drawn.to_string(), turned.clone(), ""),
        (
            drawn.to_string(),
            plain(&turned),
            "only the drawing marks it",
        ),
        (plain(drawn), turned.clone(), "only the build marks it"),
    ];
    for (drawn, built, unsure) in cases {
        let (code, rows, chart) = run(&drawn, &built, &[]);
        assert_eq!((code, rows.lines().count()), (1, 2), "{chart}");
        assert!(rows.contains(row) && rows.contains(unsure), "{rows}");
        assert_eq!(rows.contains("only the"), !unsure.is_empty(), "{rows}");
    }
    let same = [
        (drawn.to_string(), drawn.to_string()),
        (plain(drawn), plain(&turned)),
        (drawn.to_string(), plain(drawn)),
        // In series with a resistor, in another order, its plus still faces the supply.
        (
            drawn.replace("C1 b 0", "RS b c 10\nRT d 0 20\nC1 c d"),
            drawn.replace("C1 b 0", "RS c d 10\nRT d 0 20\nC1 b c"),
        ),
    ];
    for (drawn, built) in same {
        let (code, rows, chart) = run(&drawn, &built, &[]);
        assert_eq!(
            (code, rows.as_str()),
            (0, "kind,drawn,built,what\n"),
            "{chart}"
        );
    }
}

const RATED: &str = "Ratings
VB ht 0 300
R9 ht x 10k ; rated=2W
RF x y 1 ; fuse=0.05A
RL y 0 10k ; rated=10W
CR ht 0 47u ; rated=450V electrolytic ripple=0.6A
.end
";

/// A part of another rating is another part: `rated=450V` as drawn and 250 V as built, with 300 V
/// across it, was "the same" with exit code 0.
#[test]
fn another_rating_is_a_difference() {
    let cases = [
        ("450V", "250V", "CR", "CR is rated 250 V, drawn 450 V"),
        ("450V", "630V", "CR", "CR is rated 630 V, drawn 450 V"),
        ("=2W", "=0.25W", "R9", "R9 is rated 250 mW, drawn 2 W"),
        ("0.05A", "5A", "RF", "RF is a fuse of 5 A, drawn 50 mA"),
        (
            "0.6A",
            "0.1A",
            "CR",
            "CR stands 100 mA of ripple current, drawn 600 mA",
        ),
    ];
    for (from, to, part, what) in cases {
        assert!(RATED.contains(from));
        let (code, rows, chart) = run(RATED, &RATED.replace(from, to), &[]);
        assert_eq!((code, rows.lines().count()), (1, 2), "{chart}");
        let row = rows.lines().nth(1).expect("a row");
        assert!(row.starts_with(&format!("value,{part},{part},")), "{row}");
        assert!(row.contains(what), "{row}");
    }
    // The same rating written otherwise is the same.
    let written = RATED.replace("=2W", "=2000mW").replace("450V", "0.45kV");
    let (code, rows, chart) = run(RATED, &written, &[]);
    assert_eq!((code, rows.lines().count()), (0, 1), "{chart}");
}

/// A rating that one side does not say is no difference of the circuits, but it is not compared either.
#[test]
fn a_rating_on_one_side_is_said() {
    let bare = RATED.replace("rated=2W", "").replace("fuse=0.05A", "");
    for (drawn, built, side) in [(RATED, &bare[..], "build"), (&bare[..], RATED, "drawing")] {
        let (code, rows, chart) = run(drawn, built, &[]);
        assert_eq!((code, rows.lines().count()), (0, 1), "{chart}");
        let said = format!("CHECK: in the {side} no rating to compare: R9\n");
        assert!(chart.contains(&said), "{chart}");
        let said = format!("CHECK: in the {side} no fuse rating to compare: RF\n");
        assert!(chart.contains(&said), "{chart}");
    }
    let unmarked = RATED.replace(" electrolytic", "");
    let (code, _, chart) = run(RATED, &unmarked, &[]);
    assert_eq!(code, 0, "{chart}");
    let said = "CHECK: in the build no plus marked to compare: CR\n";
    assert!(chart.contains(said), "{chart}");
}

/// `--figures` with a part past its rating as built alone: not exit code 0.
#[test]
fn past_a_rating_as_built_is_not_the_same() {
    let weak = RATED.replace("450V", "250V");
    let bare = RATED.replace("rated=450V ", "");
    for (drawn, built, code, word) in [
        (&bare, &weak, 1, "PAST ITS RATING"),
        (&weak, &weak, 0, "past its rating in both"),
        (&bare, &RATED.to_string(), 0, "CHECK"),
    ] {
        let (ended, _, chart) = run(drawn, built, &["--figures"]);
        assert_eq!(ended, code, "{chart}");
        assert!(chart.contains(word), "{chart}");
    }
}

/// What is rated and not in the chart is compared too: with 2 k in place of 10 k the fuse of 50 mA carries
/// 300 V / 12001 ohm = 25 mA as drawn, and 300 V / 4001 ohm = 75 mA as built.
#[test]
fn a_fuse_that_blows_as_built_is_past_its_rating() {
    let drawn = RATED
        .replace("R9 ht x 10k", "R9 ht x 2k")
        .replace("=2W", "=50W");
    let drawn = drawn.replace("rated=10W", "rated=50W");
    let built = drawn.replace("RL y 0 10k", "RL y 0 2k");
    let (_, _, chart) = run(&drawn, &built, &["--figures"]);
    let own = |l: &&str| l.starts_with("  RF") && l.contains("rms current");
    let row = chart.lines().find(own).unwrap_or_else(|| panic!("{chart}"));
    for word in ["25.00 mA", "74.98 mA", "PAST ITS RATING"] {
        assert!(row.contains(word), "{row}");
    }
    // The same parts, and a fuse whose rating the drawing does not say.
    let bare = built.replace("fuse=0.05A", "");
    let (code, _, chart) = run(&bare, &built, &["--figures"]);
    assert!(code == 1 && chart.contains("PAST ITS RATING"), "{chart}");
}

/// A part that is not drawn is judged as well: 300 V across 1 k are 90 W.
#[test]
fn an_extra_part_past_its_rating_is_listed() {
    let built = RATED.replace(".end", "RX ht 0 1k ; rated=5W\n.end");
    let (_, _, chart) = run(RATED, &built, &["--figures"]);
    let own = |l: &&str| l.starts_with("  RX") && l.contains("wattage needed");
    let row = chart.lines().find(own).unwrap_or_else(|| panic!("{chart}"));
    assert!(
        row.contains("180.0 W") && row.ends_with("PAST ITS RATING"),
        "{row}"
    );
}
