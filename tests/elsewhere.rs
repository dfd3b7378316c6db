//! A circuit that is stable where its knobs and switches stand in the netlist, and oscillates in
//! another position of one: `bias --strict` fails and `check` says so, naming the position. So it
//! does with parts that are within their ratings where the controls stand, and past them elsewhere.
//!
//! The ring is three equal buffered RC sections round an inverter of gain K: (1 + sRC)^3 = -K
//! gives growth from K = 8 on, at w = sqrt(3)/2 K^(1/3)/(RC), by hand.

mod common;

use common::{Gridleak, Ran};
use std::fs;
use std::path::Path;

/// A ring with RC = 10 us; `loop_` makes `out` from `d`, which is buffered, and `a` from it.
fn ring(loop_: &str) -> String {
    format!(
        "Ring\n{loop_}\nR1 a b 10k\nC1 b 0 1n\nE2 b2 0 b 0 1\nR2 b2 c 10k\nC2 c 0 1n\n\
         E3 c2 0 c 0 1\nR3 c2 d 10k\nC3 d 0 1n\nE4 d2 0 d 0 1\n.model TRACK pot(r=100k)\n.end\n"
    )
}

/// Where a ring of gain K oscillates, kHz.
fn ring_khz(gain: f64) -> f64 {
    3f64.sqrt() / 2.0 * gain.cbrt() / 1e-5 / std::f64::consts::TAU / 1e3
}

/// Holds the frequency behind `with WORDS` against that of a ring of gain K.
#[track_caller]
fn rings(ran: &Ran, words: &str, (gain, part): (f64, f64)) {
    let found = khz(&ran.stderr, words);
    assert!((found / ring_khz(gain) - 1.0).abs() < part, "{found}");
}

fn run(text: &str, words: &[&str]) -> Ran {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("ring.cir");
    fs::write(&path, text).expect("written");
    let run = Gridleak::command("bias").path(&path);
    words.iter().fold(run, |run, word| run.arg(word)).run()
}

/// The frequency behind `with WORDS`, kHz.
fn khz(text: &str, words: &str) -> f64 {
    let lead = format!("with {words} it would oscillate near ");
    let behind = text.split_once(&lead).expect(&lead).1;
    let (number, _) = behind.split_once(" kHz").expect("in kHz");
    number.parse().expect("a number")
}

#[test]
fn bug_a_knob_at_its_end_made_an_amplifier_oscillate_and_strict_passed() {
    // K = 20 x, x the part of the track: 6 at 3, 20 at 10.
    let text = ring("E1 a 0 0 w 20\nXGAIN d2 w 0 TRACK knob=3\nXTONE d2 x 0 TRACK knob=5");
    let ran = run(&text, &["--strict"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    rings(&ran, "`GAIN=10`", (20.0, 3e-3));
    assert!(
        ran.stdout
            .contains("CHECK: the circuit is unstable at other settings")
    );
    // Only what makes it oscillate is named.
    assert!(ran.stderr.contains("with every knob at 10"), "{ran:?}");
    assert!(!ran.stderr.contains("TONE"), "{ran:?}");
    assert!(!ran.stderr.contains("=0`"), "{ran:?}");
    // Where it is never enough, nothing is said; where it oscillates as it stands, that is.
    let weak = ring("E1 a 0 0 w 7.9\nXGAIN d2 w 0 TRACK knob=3");
    let ran = run(&weak, &["--strict"]);
    assert_eq!((ran.status, ran.stderr.as_str()), (0, ""), "{ran:?}");
    let ran = run(&text, &["--knob", "GAIN=10"]);
    assert!(!ran.stderr.contains("other settings"), "{ran:?}");
}

#[test]
fn bug_a_switch_thrown_over_made_an_amplifier_oscillate_and_strict_passed() {
    // Open, R5 and R6 leave a third of it: 20/3. Closed: all of it.
    let text = ring("E1 a 0 0 w 20\nR5 d2 w 20k\nXDEEP d2 w toggle at=0\nR6 w 0 10k");
    let ran = run(&text, &["--strict"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    rings(&ran, "`DEEP=1`", (20.0, 3e-3));
}

/// Two contacts that meet at a node may be one change-over: both closed is then no state of it, and
/// does not fail; thrown over it is one.
#[test]
fn a_change_over_is_thrown_as_one() {
    // Alone each contact gives 10/3 of it with R6, both together the double.
    let weak = "E1 a 0 0 w 12\nR5 d2 p 10k\nXONE p w toggle at=1\nR7 d2 q 10k\n\
                XTWO q w toggle at=0\nR6 w 0 10k";
    let ran = run(&ring(weak), &["--strict"]);
    assert_eq!((ran.status, ran.stderr.as_str()), (0, ""), "{ran:?}");
    // 14 gives 7 alone and 9.33 with both.
    let both = weak.replace("w 12", "w 14");
    let ran = run(&ring(&both), &["--strict"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    rings(&ran, "`TWO=1`", (28.0 / 3.0, 3e-3));
    assert!(
        ran.stderr.contains("(if it can be thrown alone)"),
        "{ran:?}"
    );
    assert!(ran.stderr.starts_with("note: "), "{ran:?}");
    // And the other contact alone: 14 with 4.7k in place of 10k is 9.5.
    let thrown = both.replace("R7 d2 q 10k", "R7 d2 q 4.7k");
    let ran = run(&ring(&thrown), &["--strict"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    rings(&ran, "`TWO=1` and `ONE=0`", (14.0 * 10.0 / 14.7, 3e-3));
}

/// On the mains the positions are tried on the average of the cycle, and what is found is that
/// of the cycle itself.
#[test]
fn on_the_mains_a_position_oscillates_as_it_does_when_it_is_set() {
    let supply = "VMAINS line 0 SIN(0 100 50)\nDS line supply SUPPLYD\n\
                  .model SUPPLYD d(is=1e-9 n=1.8 bv=1000)\nCS supply 0 100u ; rated=200V\n\
                  RS supply 0 10k ; rated=3W\n";
    let ring = |k: &str, knob: &str| {
        ring(&format!(
            "{supply}B1 a 0 V=-{k}*v(supply)*v(w)\nXGAIN d2 w 0 TRACK knob={knob}"
        ))
    };
    // The supply stands near 98.3 V.
    let ran = run(&ring("0.2", "3"), &["--strict"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    let found = khz(&ran.stderr, "`GAIN=10`");
    let set = run(&ring("0.2", "3"), &["--knob", "GAIN=10"]);
    let lead = "the circuit is unstable: it would oscillate near ";
    let behind = set.stderr.split_once(lead).expect("unstable").1;
    let as_set: f64 = behind.split_once(" kHz").unwrap().0.parse().unwrap();
    assert_eq!(found, as_set);
    rings(&ran, "`GAIN=10`", (0.2 * 98.26, 5e-3));
    // 7.7 at nominal mains, 8.5 where they are 10 % high.
    let text = ring("0.0785", "10");
    let ran = run(&text, &["--strict"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let ran = run(&text, &["--strict", "--mains", "90..110"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    rings(&ran, "the mains at 110 %", (8.51, 5e-3));
    assert!(!ran.stderr.contains("at 90 %"), "{ran:?}");
}

/// With 220 ohm from the 4 ohm tap PRESENCE at 10 is too much for the Lapwing (as `--knob` shows, which
/// was there before); with its own 4.7k it stays stable everywhere, without a loudspeaker too.
#[test]
fn the_lapwing_is_stable_everywhere_and_too_much_feedback_is_not() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing/power_amp.cir");
    let bias = |more: &[&str]| {
        let run = Gridleak::command("bias").path(&path);
        more.iter().fold(run, |run, word| run.arg(word)).run()
    };
    let ran = bias(&[]);
    assert!(!ran.stderr.contains("unstable"), "{ran:?}");
    let ran = bias(&["--set", "RNFB=220"]);
    let found = khz(&ran.stderr, "`PRESENCE=10`");
    let set = bias(&["--set", "RNFB=220", "--knob", "PRESENCE=10"]);
    assert!(set.stderr.contains(&format!("oscillate near {found} kHz")));
    // From the 16 ohm tap it motorboats without a load too, which is not a position of a control.
    let folder = tempfile::tempdir().expect("a folder");
    let lapwing = path.parent().expect("a folder");
    let include = lapwing.join("power_parts.cir");
    let text = fs::read_to_string(&path).expect("readable");
    let text = text
        .replace("RNFB tap4 feedback 4.7k", "RNFB tap16 feedback 470")
        .replace("power_parts.cir\n", &format!("{}\n", include.display()));
    let own = folder.path().join("own.cir");
    fs::write(&own, text).expect("written");
    let ran = Gridleak::command("bias").path(&own).run();
    let note = ran.stderr.lines().find(|l| l.contains("no load on"));
    assert!(note.expect("said").starts_with("note: "), "{ran:?}");
}

/// `check` names it once a sheet, whatever its cases are, and not where the sheet allows it.
#[test]
fn check_names_the_position_once_a_sheet() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = ring("E1 a 0 0 w 20\nXGAIN d2 w 0 TRACK knob=3\nVIN in 0 1\nRIN in 0 1k");
    fs::write(folder.path().join("ring.cir"), text).expect("written");
    let sheet = |more: &str| {
        format!(
            "netlist = 'ring.cir'\n{more}\n[[vary]]\nRIN = ['1k', '2k']\n[[expect]]\n\
             figure = 'v(in)'\nvalue = 1\ntolerance = '1 %'\n"
        )
    };
    let check = |more: &str| {
        let path = folder.path().join("a.sheet.toml");
        fs::write(&path, sheet(more)).expect("written");
        Gridleak::command("check").path(&path).run()
    };
    let ran = check("");
    assert_eq!(ran.status, 0, "{ran:?}");
    assert_eq!(ran.stderr.matches("`GAIN=10`").count(), 1, "{ran:?}");
    assert!(ran.stderr.contains("a.sheet.toml [RIN=1k]: the circuit is"));
    let ran = check("may-be-unstable = true");
    assert_eq!((ran.status, ran.stderr.as_str()), (0, ""), "{ran:?}");
}

/// The rating that a part is past behind `with WORDS`: `4.09 W, its rating 500 mW`.
fn past(ran: &Ran, words: &str) -> String {
    let behind = ran
        .stderr
        .split_once(&format!("with {words} "))
        .expect(words)
        .1;
    let line = behind.lines().next().expect("a line");
    line.split(", with").next().expect("text").to_string()
}

/// A preamp's plate supply with a boost that a switch puts across it: 300 V over 22 kilohm are
/// 4.091 W.
#[test]
fn bug_a_resistor_behind_an_open_switch_was_within_its_rating() {
    let text = "Boost\nVB b 0 300\nRP b p 100k\nXV1A p g k 12AX7\nRK k 0 1.5k\nRG g 0 1meg\n\
                XBOOST b x toggle at=0\nRBST x 0 22k ; rated=0.5\n.end\n";
    let ran = run(text, &["--strict"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert_eq!(
        past(&ran, "`BOOST=1`"),
        "its dissipation is 4.09 W, its rating 500 mW"
    );
    assert!(ran.stdout.contains("CHECK: `RBST`: with `BOOST=1`"));
    // Rated for it nothing is said; closed, the chart itself says so.
    let ran = run(&text.replace("rated=0.5", "rated=10"), &["--strict"]);
    assert_eq!((ran.status, ran.stderr.as_str()), (0, ""), "{ran:?}");
    let ran = run(text, &["--switch", "BOOST=1"]);
    assert!(!ran.stderr.contains("with `BOOST"), "{ran:?}");
    assert!(ran.stderr.contains("dissipation of `RBST` is 4.09 W"));
}

/// A grid bias pot at its end lets a valve run away: that is what its meter is for, so it is a note. A
/// knob that burns a resistor fails.
#[test]
fn a_trimmer_at_its_end_is_a_note_and_a_knob_that_burns_a_resistor_fails() {
    let text = "Bias\nVB b 0 300\nVN n 0 -60\nXV1 p s g k 6L6GC\nRK k 0 10\nRP b p 10\nRS b s 470\n\
                XBIAS n w 0 TRACK knob=5\nRG g w 47k\n.model TRACK pot(r=50k)\n.end\n";
    let ran = run(text, &["--strict"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let note = ran
        .stderr
        .lines()
        .find(|l| l.contains("`BIAS=0`"))
        .expect("said");
    assert!(note.starts_with("note: "), "{ran:?}");
    assert!(note.contains("plate dissipation of `XV1` is"), "{ran:?}");
    // At 10 the resistor has all of 100 V: 1 W.
    let knob = "Knob\nVB b 0 100\nXLAMP b w 0 TRACK knob=5\nRL w 0 10k ; rated=0.25\n\
                .model TRACK pot(r=10k)\n.end\n";
    let ran = run(knob, &["--strict"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    let found = past(&ran, "`LAMP=10`");
    assert!(found.starts_with("its dissipation is 1.00 W"), "{found}");
}

/// A grid's circuit is judged where it stands: a volume at 10 makes it its largest, which no meter sets.
#[test]
fn a_volume_at_its_end_is_no_finding() {
    let text = "Volume\nVB b 0 250\nXV1 p g k 12AX7\nRP b p 100k\nRK k 0 1.5k\nRS g w 1.8meg\n\
                XVOL in w 0 TRACK knob=2\nRIN in 0 10meg\n.model TRACK pot(r=1meg)\n.end\n";
    let ran = run(text, &["--strict"]);
    assert_eq!((ran.status, ran.stderr.as_str()), (0, ""), "{ran:?}");
}

/// On the mains a position near a rating is solved as a cycle of its own, and the figure is that.
#[test]
fn on_the_mains_a_figure_past_its_rating_is_that_of_its_own_cycle() {
    let text = "Supply\nVMAINS a 0 SIN(0 325 50)\nRA a a1 20\nLP a1 0 10\nLS s 0 10\nKT LP LS 0.999\n\
                D1 s b SI ; rated=2000V\n.model SI d(is=1e-9 n=1.8 bv=2000)\nC1 b 0 47u ; rated=450\n\
                R1 b c 1k ; rated=5\nC2 c 0 47u ; rated=450\nRL c 0 20k ; rated=20\n\
                XDIS c x toggle at=0\nRDIS x 0 10k ; rated=5\n.end\n";
    let ran = run(text, &["--strict"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    let found = past(&ran, "`DIS=1`");
    let set = run(text, &["--switch", "DIS=1"]);
    let lead = "dissipation of `RDIS` is ";
    let as_set = set.stderr.split_once(lead).expect("over").1;
    let as_set = as_set.lines().next().expect("a line");
    assert_eq!(found, format!("its dissipation is {as_set}"));
    let ran = run(
        &text.replace("10k ; rated=5", "10k ; rated=50"),
        &["--strict"],
    );
    assert_eq!(ran.status, 0, "{ran:?}");
}
