//! Verdicts on stability against what the same circuit does when it is left alone: twenty
//! amplifiers with a loop, each with the phase of its loop right and wrong, disturbed by a
//! thousandth of a volt and followed by `scope`'s solver, which shares no code with the
//! eigenvalues.
mod common;

use common::stability::{self, verdict};
use common::{Gridleak, Netlist};
use gridleak::analysis::natural::Stability;
use gridleak::circuit::Circuit;

fn built(text: &str) -> Circuit {
    Circuit::from_text(text).unwrap_or_else(|refused| panic!("{refused}\n{text}"))
}

/// An EL84 pair behind a long-tailed pair, feedback from the secondary to the tail. `plates` in the
/// right order makes it negative.
fn pair(feedback_ohm: f64, plates: [&str; 2]) -> String {
    format!(
        "Pair with feedback\n\
         VB b 0 300\nVPRE p 0 260\nVIN in 0 DC 0 AC 1 PULSE(0 1m 10u 1u 1u 200u 1)\n\
         CI in g1 22n\nRG1 g1 t 1meg\nRG2 g2 t 1meg\nCG g2 f 100n\n\
         RA p a 82k\nRB p c 100k\nX1 a g1 k 12AX7\nX2 c g2 k 12AX7\nRK k t 470\nRT t f 10k\n\
         C1 a h1 22n\nC2 c h2 22n\nR1 h1 0 470k\nR2 h2 0 470k\nRS1 h1 i1 4.7k\nRS2 h2 i2 4.7k\n\
         X3 {} b i1 ck EL84\nX4 {} b i2 ck EL84\nRC ck 0 130\nCC ck 0 100u\n\
         XT up b down 0 s4 s8 s16 OT\nRL s8 0 8\nRF s8 f {feedback_ohm}\nRFB f 0 820\n\
         .model OT pushpull(raa=8k power=17)\n",
        plates[0], plates[1]
    )
}

/// One triode or two with feedback over one resistor: from the second plate to the first cathode,
/// where it is negative, or to the first grid, where it is not.
fn two_stages(feedback_ohm: f64, to: &str, coupling: &str) -> String {
    format!(
        "Two stages with feedback\n\
         VB b 0 300\nVIN in 0 DC 0 AC 1 PULSE(0 1m 10u 1u 1u 200u 1)\nRS in g 68k\nRG g 0 1meg\n\
         RA b p 100k\nRK k 0 1.5k\nX1 p g k 12AX7\n\
         CC p h {coupling}\nRH h 0 470k\nRB b q 100k\nRK2 k2 0 1.5k\nCK2 k2 0 22u\nX2 q h k2 12AX7\n\
         CF q o 1u\nRO o 0 470k\nRF o {to} {feedback_ohm}\nCS q 0 100p\n"
    )
}

/// Whether the circuit is unstable, by its verdict and by a run, which must agree.
fn agrees(name: &str, text: &str) -> bool {
    stability::agrees(&built(text)).unwrap_or_else(|why| panic!("{name}: {why}\n{text}"))
}

#[test]
fn the_verdict_is_shared_by_a_run_in_the_right_phase_and_in_the_wrong_one() {
    let (mut stable, mut unstable) = (0, 0);
    let mut count = |is: bool| if is { unstable += 1 } else { stable += 1 };
    for ohms in [820.0, 2.2e3, 4.7e3, 15e3, 47e3] {
        for (phase, plates) in [("right", ["up", "down"]), ("wrong", ["down", "up"])] {
            count(agrees(&format!("pair {ohms} {phase}"), &pair(ohms, plates)));
        }
    }
    for ohms in [22e3, 47e3, 100e3, 220e3, 470e3] {
        for (phase, to) in [("right", "k"), ("wrong", "g")] {
            for coupling in ["22n", "100p"] {
                let text = two_stages(ohms, to, coupling);
                count(agrees(&format!("stages {ohms} {phase} {coupling}"), &text));
            }
        }
    }
    assert!(
        stable >= 10 && unstable >= 10,
        "{stable} stable, {unstable} unstable"
    );
}

/// The amplifier of the defect: an EL84 pair with its feedback in the wrong phase was called stable
/// for 15 of 48 resistor values.
#[test]
fn a_pair_in_the_wrong_phase_is_never_called_stable() {
    // So little feedback that the loop gain is below one: stable again, and from there on.
    let mut last = None;
    for k in 0..48 {
        let ohms = 100.0 * 10f64.powf(f64::from(k) / 16.0);
        let found = verdict(&built(&pair(ohms, ["down", "up"])));
        let stable = matches!(found, Stability::Stable);
        assert!(
            stable || !matches!(found, Stability::Unknown),
            "{ohms}: {found:?}"
        );
        assert!(!stable || ohms > 20e3, "{ohms}: {found:?}");
        assert!(
            stable || last != Some(true),
            "{ohms}: {found:?} beyond a stable value"
        );
        last = Some(stable);
    }
}

/// `feedback` says what is wrong and what to do, gives no damping factor and seeks no THD;
/// `response` and `distortion` warn.
#[test]
fn commands_say_that_the_amplifier_is_unstable() {
    let wrong = Netlist::new(&pair(2.2e3, ["down", "up"]));
    let ran = Gridleak::command("feedback")
        .path(wrong.path())
        .option("--element", "RF")
        .option("--values", "open,100k,2.2k")
        .option("--source", "VIN")
        .option("--load", "RL")
        .option("--probe", "v(s8)")
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let advice = "exchange the ends of the transformer's primary";
    assert!(ran.stderr.contains("positive feedback") && ran.stderr.contains(advice));
    let row = ran
        .stdout
        .lines()
        .find(|l| l.trim_start().starts_with("2.2k"));
    let row = row.unwrap_or_else(|| panic!("{}", ran.stdout));
    assert!(row.contains("UNSTABLE") && row.contains("none"), "{row}");
    for command in ["response", "distortion"] {
        let mut run = Gridleak::command(command)
            .unaudited()
            .path(wrong.path())
            .option("--source", "VIN")
            .option("--probe", "v(s8)");
        if command == "distortion" {
            run = run
                .option("--level", "0.01")
                .option("--limit", "seconds=20");
        }
        let ran = run.run();
        assert!(
            ran.stderr.contains("the circuit is unstable"),
            "{command}: {}",
            ran.stderr
        );
    }
    let right = Netlist::new(&pair(15e3, ["up", "down"]));
    let ran = Gridleak::command("response")
        .path(right.path())
        .option("--source", "VIN")
        .option("--probe", "v(s8)")
        .run();
    assert!(!ran.stderr.contains("unstable"), "{}", ran.stderr);
}

/// The chart of an amplifier that does not stay at its bias point says so before all else, and
/// `--strict` fails; on ideal supplies and on the mains.
#[test]
fn a_chart_of_what_does_not_stay_there_says_so() {
    let charted = |netlist: &str| {
        let netlist = Netlist::new(netlist);
        let run = Gridleak::command("bias").path(netlist.path());
        run.arg("--strict").option("--json", "-").run()
    };
    let unstable = |stdout: &str| -> Option<String> {
        let chart: serde_json::Value = serde_json::from_str(stdout).expect("JSON");
        let findings = chart["findings"].as_array().expect("a list");
        let own = findings.iter().find(|f| f["quantity"] == "stability")?;
        assert_eq!(own["grave"], true, "{own}");
        Some(own["text"].as_str().expect("a text").to_string())
    };
    for (netlist, what) in [
        (pair(2.2e3, ["down", "up"]), "unstable: it would run away"),
        (choke_fed(0.1), "unstable: it would oscillate near 12.9 Hz"),
    ] {
        let ran = charted(&netlist);
        assert_eq!(ran.status, 1, "{}", ran.stderr);
        let text = unstable(&ran.stdout).unwrap_or_else(|| panic!("{}", ran.stdout));
        assert!(text.starts_with(what), "{text}");
    }
    for netlist in [pair(15e3, ["up", "down"]), choke_fed(20.0)] {
        let ran = charted(&netlist);
        assert_eq!(unstable(&ran.stdout), None, "{}", ran.stderr);
    }
}

/// A triode and an output valve on their mains, with a choke of some ohms between the reservoir and
/// the rest.
fn choke_fed(ohms: f64) -> String {
    format!(
        "Choke fed\nVMAINS line 0 SIN(0 325 50)\nXPT line 0 hta 0 htb 0 0 PT\n\
         .model PT mains(vpri=230 vht=250 iht=0.1)\nD1 hta b0 1N4007\nD2 htb b0 1N4007\n\
         C1 b0 0 100u\nLCH b0 bx 5\nRCH bx b1 {ohms}\nC2 b1 0 50u\nVIN in 0 0\nRI in g1 10k\n\
         XVA p1 g1 k1 12AX7\nRP1 b1 p1 100k\nRK1 k1 0 1.5k\nCK1 k1 0 25u\nCC p1 g2 100n\n\
         RG2 g2 0 470k\nXV2 p s g2 k2 EL84\nRS b1 s 100\nRK2 k2 0 270\nCK2 k2 0 100u\n\
         XOT p b0 0 t4 out t16 OT\n.model OT singleended(ra=5.2k power=6 idc=50m)\nRL out 0 8\n"
    )
}

/// Slow swings between a choke and the stages that it feeds, judged by the mains' own cycle. Run
/// by `scope` for eight seconds, the first supply ends in a swing of 59 V at 13 Hz.
#[test]
fn a_supply_that_swings_is_told_from_one_that_does_not() {
    let warned = |ohms: f64, command: &str| {
        let netlist = Netlist::new(&choke_fed(ohms));
        let mut run = Gridleak::command(command)
            .path(netlist.path())
            .option("--source", "VIN")
            .option("--probe", "v(out)");
        if command == "distortion" {
            run = run.option("--level", "0.01");
        }
        run.run().stderr
    };
    let swings = warned(0.1, "response");
    let near = swings.split("oscillate near ").nth(1).unwrap_or_default();
    let hz: f64 = near
        .split(' ')
        .next()
        .unwrap_or_default()
        .parse()
        .unwrap_or_default();
    assert!((hz - 12.9).abs() < 0.3, "{swings}");
    let swings = warned(0.1, "distortion");
    assert!(swings.contains("the steady state is unstable"), "{swings}");
    for command in ["response", "distortion"] {
        let content = warned(20.0, command);
        assert!(!content.contains("unstable"), "{command}: {content}");
    }
}
