//! `response --frequencies` prints gain and phase there; of a whole curve the corners.
mod common;

use common::{Gridleak, Netlist};

const RC: &str = "Low-pass\nV1 in 0 AC 1\nR1 in out 1k\nC1 out 0 159.155n\n.end\n";

#[test]
fn gain_and_phase_are_printed_at_each_frequency() {
    let netlist = Netlist::new(RC);
    let run = Gridleak::command("response")
        .path(netlist.path())
        .option("--probe", "v(out)");
    let few = run.clone().option("--frequencies", "100,1k,10k").run();
    assert_eq!(few.status, 0, "{}", few.stderr);
    // One pole at 1 kHz: 1/sqrt(1 + f^2) and -atan(f).
    for row in [
        "100 Hz  -0.04 dB   -5.7\u{b0}",
        "1.00 kHz  -3.01 dB  -45.0\u{b0}",
        "10.0 kHz -20.04 dB  -84.3\u{b0}",
    ] {
        let words = |text: &str| {
            text.split_whitespace()
                .map(str::to_string)
                .collect::<Vec<_>>()
        };
        let found = few.stdout.lines().any(|line| words(line) == words(row));
        assert!(found, "{row}: {}", few.stdout);
    }
    assert!(few.stdout.contains("-3 dB from"), "{}", few.stdout);
    let many = run.run();
    assert!(many.stdout.lines().count() < 12, "{}", many.stdout);
}

#[test]
fn bug_a_run_of_too_many_rows_did_not_name_the_option() {
    let netlist = Netlist::new(RC);
    let ran = Gridleak::command("scope")
        .path(netlist.path())
        .option("--probe", "v(out)")
        .option("--stop", "1")
        .option("--step", "1e-15")
        .run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(ran.stderr.contains("a longer `--step`"), "{}", ran.stderr);
}

#[test]
fn the_chart_begins_with_what_is_dangerous_and_what_is_over() {
    let netlist = Netlist::new(
        "Chart\nVB b 0 400\nRP b p 10k\nXV1A p g k 12AX7\nRG g 0 1meg\nRK k 0 100\n\
         RX b 0 100k ; rated=0.5W\n.end\n",
    );
    let run = Gridleak::command("bias").path(netlist.path());
    let text = run.run().stdout;
    let at = |what: &str| text.find(what).unwrap_or_else(|| panic!("{what}: {text}"));
    let order = [
        "Operating point at 27 C",
        "DANGER: 400 V at v(b); 2 of 4 nodes stand at more than 60 V DC",
        "OVER: plate dissipation of `XV1A`",
        "figures that have a rating are over it",
        "Valves",
        "Voltages",
        "--all",
        "Caution",
    ];
    assert!(order.windows(2).all(|w| at(w[0]) < at(w[1])), "{text}");
    assert!(
        !text.contains("Resistors") && !text.contains("iterations"),
        "{text}"
    );
    let all = run.clone().arg("--all").run().stdout;
    assert!(
        all.contains("Resistors") && all.contains("Sources"),
        "{all}"
    );
    let json = run.option("--json", "-").run().stdout;
    assert!(
        json.contains("\"method\"") && json.contains("largest_residual_a"),
        "{json}"
    );
}
