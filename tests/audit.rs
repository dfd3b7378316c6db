//! The audit: that it runs wherever something is solved, holds, and catches what is wrong.

mod common;

use common::{Gridleak, Netlist};
use gridleak::analysis::operating_point;
use gridleak::analysis::transient::{self, Run};
use gridleak::circuit::ledger::Ledger;
use gridleak::circuit::params::Overrides;
use gridleak::circuit::{self, BranchKind, Circuit, Node};
use gridleak::system::assemble::{Assembly, SourceState};
use gridleak::system::audit::{Allowance, Auditor};
use std::path::Path;

/// A bit of everything: valve, transistor, zener, transformer, coil, pot, sources of all sorts.
const MIXED: &str = "A bit of everything
VB bplus 0 300
VIN in 0 DC 0 AC 1 SIN(0 1 1k)
RG in g 68k
XV1 p g k TX
RA bplus p 100k
RK k 0 1.5k
CK k 0 25u
CC p a 22n
XVOL a w 0 P1 knob=5
Q1 c b e QN
RB1 bplus b 1meg
RB2 b 0 47k
RC bplus c 22k
RE e 0 1k
CB w b 100n
D1 0 c DZ
E1 o 0 c 0 0.1
RO o x 100
L1 x y 1
RL y 0 1k
B1 0 y I=1m*atan(v(w))
G1 0 y w 0 1u
XOUT p2 bplus sc 0 0 s8 0 SE
XV2 p2 sc w k2 PX
RS bplus sc 1k
RK2 k2 0 470
RSP s8 0 8
.model TX triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300 gg=6e-4 cg=10 xi=1.35 cgp=1.7p cgk=1.6p)
.model PX pentode(mu=10 ex=1.35 kg1=1400 kg2=4500 kp=48 kvb=12)
.model P1 pot(r=1meg taper=audio)
.model QN npn(is=1e-14 bf=200 vaf=80 cje=10p cjc=5p tf=0.4n)
.model DZ d(is=1e-14 bv=150 cjo=10p)
.model SE singleended(ra=5k power=5 idc=50m)
.end
";

fn text(netlist: &str) -> String {
    // The single-ended transformer has six terminals.
    netlist.replace(
        "XOUT p2 bplus sc 0 0 s8 0 SE",
        "XOUT p2 bplus 0 s4 s8 s16 SE\nR4 s4 0 1meg\nR16 s16 0 1meg",
    )
}

fn built(netlist: &str) -> (Circuit, Ledger) {
    let ledger = Ledger::default();
    let settings = Overrides::audited(Some(ledger.clone()));
    let circuit = Circuit::from_text_with(netlist, &settings).unwrap();
    (circuit, ledger)
}

const STRICT: Allowance = Allowance {
    part: 1e-8,
    known: 1e-13,
    volts: 0.0,
};

/// What the audit makes of a point of one circuit for another.
fn verdict(circuit: &mut Circuit, x: &[f64]) -> Option<String> {
    let ledger = Ledger::default();
    circuit.ledger = Some(ledger.clone());
    let mut auditor = Auditor::new(circuit, "test", STRICT).expect("there is a ledger");
    auditor.rest(&Assembly::new(circuit), x, SourceState::DC, &[]);
    ledger.tally().failure()
}

/// A millionth of any one unknown is too much where anything depends on it.
#[test]
fn a_moved_unknown_is_caught() {
    let (mut circuit, _) = built(&text(MIXED));
    let x = operating_point::dc(&circuit).expect("a point").0.x;
    assert_eq!(verdict(&mut circuit, &x), None);
    for k in 0..x.len() {
        let mut wrong = x.clone();
        wrong[k] += 1e-4 + 1e-6 * x[k].abs();
        let found = verdict(&mut circuit, &wrong);
        assert!(found.is_some(), "unknown {k} of {}", x.len());
    }
    let mut wrong = x.clone();
    let plate = circuit.node("p").expect("there");
    wrong[plate.0 - 1] += 0.1;
    let told = verdict(&mut circuit, &wrong).expect("caught");
    // By hand: 0.1 V over 100 k of plate load is a microampere, and the valve's own resistance
    // takes about as much again.
    assert!(told.contains("`p`") && told.contains("µA"), "{told}");
    wrong[0] = f64::NAN;
    assert!(verdict(&mut circuit, &wrong).is_some());
}

/// Each part in turn is another one than the one that was solved with.
#[test]
fn a_changed_part_is_caught() {
    let (circuit, _) = built(&text(MIXED));
    let x = operating_point::dc(&circuit).expect("a point").0.x;
    for (of, to) in [
        ("kg1=1060", "kg1=1061"),
        ("bf=200", "bf=200.1"),
        ("kg2=4500", "kg2=4501"),
        ("RA bplus p 100k", "RA bplus p 100.01k"),
        ("knob=5", "knob=5.01"),
        ("VB bplus 0 300", "VB bplus 0 300.001"),
        ("E1 o 0 c 0 0.1", "E1 o 0 c 0 0.10001"),
        ("G1 0 y w 0 1u", "G1 0 y w 0 1.1u"),
        ("I=1m*atan(v(w))", "I=1m*atan(v(w)+1m)"),
    ] {
        let other = text(MIXED).replace(of, to);
        assert_ne!(other, text(MIXED), "{of}");
        let (mut other, _) = built(&other);
        let told = verdict(&mut other, &x);
        // No signal reaches w at rest: what only looks there has nothing to be caught by.
        let idle = of.starts_with("knob") || of.starts_with("G1");
        assert_eq!(told.is_some(), !idle, "{of}: {told:?}");
    }
}

/// A transient solved with one capacitor and audited with another.
#[test]
fn a_changed_capacitor_is_caught_on_the_way() {
    let (mut circuit, ledger) = built(&text(MIXED));
    let run = Run::new(0.0, 1e-5, 1e-3);
    let through = |circuit: &Circuit| {
        transient::run(circuit, &run, &[], |_, _| Ok::<(), ()>(()), |_| Ok(()))
            .expect("a solution")
            .expect("nobody stops it");
    };
    through(&circuit);
    let tally = ledger.tally();
    assert_eq!(tally.failure(), None);
    assert!(tally.solutions > 500, "{}", tally.solutions);
    // A step taken with 22 nF, judged with 22.01 nF.
    let mut assembly = Assembly::new(&circuit);
    let start = operating_point::solve(&mut assembly, SourceState::at(0.0), &[])
        .expect("a point")
        .x;
    let a = circuit.node("a").expect("there");
    let k = circuit
        .capacitances
        .iter()
        .position(|c| c.b == a || c.a == a)
        .expect("CC");
    let mut rates = vec![0.0; Walked::stores(&circuit)];
    rates[k] = 1e-3;
    let ledger = Ledger::default();
    circuit.ledger = Some(ledger.clone());
    let assembly = Assembly::new(&circuit);
    let mut auditor = Auditor::new(&circuit, "test", STRICT).expect("a ledger");
    auditor.moment(&assembly, &start, SourceState::at(0.0), 1e6, &rates);
    assert!(ledger.tally().failure().is_some());
}

struct Walked;

impl Walked {
    /// Places that store charge or flux.
    fn stores(circuit: &Circuit) -> usize {
        let coil = |b: &&circuit::BranchPart| matches!(b.kind, BranchKind::Inductance(_));
        let outputs: usize = circuit.laws.iter().map(|l| l.outputs.len()).sum();
        circuit.capacitances.len() + circuit.branches.iter().filter(coil).count() + outputs
    }
}

/// A node that is held from outside may miss what holds it.
#[test]
fn a_held_node_is_fed_from_outside() {
    let (circuit, ledger) = built("t\nV1 a 0 10\nR1 a b 1k\nR2 b 0 1k\n.ic v(b)=3\n.end\n");
    let b = circuit.node("b").expect("there");
    assert_eq!(circuit.held, [(Node(b.0), 3.0)]);
    let mut assembly = Assembly::new(&circuit);
    operating_point::solve(&mut assembly, SourceState::at(0.0), &circuit.held).expect("a point");
    assert_eq!(ledger.tally().failure(), None);
    assert_eq!(ledger.tally().solutions, 1);
}

/// Every command that solves tells what its audit found.
#[test]
fn every_command_is_audited() {
    let folder = tempfile::tempdir().expect("a folder");
    let netlist = Netlist::new(&text(MIXED));
    let sheet =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/textbook/rc_filter.sheet.toml");
    let wav = folder.path().join("out.wav");
    let on = |command: &str| Gridleak::command(command).path(netlist.path());
    let runs = [
        on("bias"),
        on("scope").option("--stop", "2m").option("--step", "20u"),
        on("response").option("--probe", "v(p)"),
        on("noise").option("--probe", "v(p)"),
        on("distortion")
            .option("--frequency", "1k")
            .option("--level", "0.5")
            .option("--probe", "v(p)"),
        on("feedback")
            .option("--element", "RK")
            .option("--values", "1k,2k")
            .option("--probe", "v(p)"),
        on("render")
            .option("--probe", "v(p)")
            .option("--oversample", "1")
            .option("--out", wav.to_str().expect("UTF-8")),
        on("vary")
            .option("--vary", "RA=100k,220k")
            .option("--figure", "v(p)"),
        Gridleak::command("check").path(&sheet),
    ];
    for run in runs {
        let ran = run.run();
        assert_eq!(ran.status, 0, "{run:?}: {}", ran.stderr);
        let said = ran.audit.unwrap_or_default();
        assert!(said.contains("by Kirchhoff's laws"), "{run:?}: {said}");
        let quiet = run.clone().unaudited().run();
        assert_eq!(quiet.audit, None, "{run:?}");
        assert_eq!(quiet.stdout, ran.stdout, "{run:?}");
    }
}
