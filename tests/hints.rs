//! What a message advises can be copied as it stands, and does what was meant.

mod common;

use common::{Gridleak, Netlist, Ran};

const STAGE: &str = "\
One stage
VIN in 0 AC 1 SIN(0 0.1 1k)
RG in 0 1meg
XV1A p1 in k1 12AX7
RP1 hv p1 100k
RK1 k1 0 1.5k
CK1 k1 0 22u
CC1 p1 end 22n
RL end 0 1meg
XVOL end w 0 A1M knob=5
VB hv 0 300
.model A1M pot(r=1meg taper=audio)
.end
";

fn run(netlist: &Netlist, command: &str, options: &[&str]) -> Ran {
    let run = Gridleak::command(command).unaudited().path(netlist.path());
    options.iter().fold(run, |run, o| run.arg(o)).run()
}

/// Refused once, with all of these words.
fn refused(netlist: &Netlist, command: &str, options: &[&str], words: &[&str]) {
    let ran = run(netlist, command, options);
    assert_eq!(ran.status, 2, "{command} {options:?}: {}", ran.stderr);
    assert_eq!(ran.stderr.matches("error:").count(), 1, "{}", ran.stderr);
    for word in words {
        assert!(ran.stderr.contains(word), "{word}: {}", ran.stderr);
    }
}

/// A fixed bug: `--probe v(out)` is a mistake of syntax to a shell, and no node was called so.
#[test]
fn a_probe_is_shown_in_quotes_and_of_the_netlist() {
    let netlist = Netlist::new(STAGE);
    let folder = tempfile::tempdir().expect("a folder");
    let clip = folder.path().join("x.wav");
    std::fs::write(&clip, "").expect("a file");
    let clip = clip.to_str().expect("UTF-8");
    let hint = &["takes one `--probe`", "`--probe 'v(p1)'`"];
    refused(&netlist, "distortion", &[], hint);
    refused(&netlist, "noise", &[], hint);
    refused(
        &netlist,
        "feedback",
        &["--element", "RL", "--values", "open"],
        hint,
    );
    let render = ["--clip", clip, "--out", "/dev/null", "--input-volts", "1"];
    refused(&netlist, "render", &render, hint);
    let speaker = STAGE.replace(
        "RL end 0 1meg",
        "XSPK end 0 CONE\n.model CONE speaker(ohms=8)",
    );
    refused(
        &Netlist::new(&speaker),
        "noise",
        &[],
        &["`--probe 'v(end)'`"],
    );
}

/// A fixed bug: the bare name of a node as a probe or a figure led nowhere.
#[test]
fn a_bare_node_is_known_for_its_voltage() {
    let netlist = Netlist::new(STAGE);
    refused(
        &netlist,
        "response",
        &["--probe", "p1"],
        &["did you mean `'v(p1)'`?"],
    );
    refused(
        &netlist,
        "response",
        &["--probe", "RK1"],
        &["did you mean `'i(RK1)'`?"],
    );
    let vary = ["--vary", "VOL=1,2", "--figure", "p1"];
    refused(&netlist, "vary", &vary, &["written `v(p1)`"]);
}

/// A fixed bug: the names of the supplies were offered as inputs, and `AC 1` was not mentioned.
#[test]
fn a_netlist_without_ac_is_told_about_it() {
    let noac = Netlist::new(&STAGE.replace("VIN in 0 AC 1 SIN(0 0.1 1k)", "VIN in 0 0"));
    let words = &["write `AC 1`", "`--source VIN`"];
    refused(&noac, "response", &["--probe", "v(p1)"], words);
    let novin = Netlist::new(&STAGE.replace("VIN in 0 AC 1 SIN(0 0.1 1k)\n", ""));
    let words = &["no input, only supplies: `VB`", "`VIN in 0 AC 1`"];
    refused(&novin, "response", &["--probe", "v(p1)"], words);
}

/// A fixed bug: a mains of `AC 230` gave no volts anywhere, and each valve was said to have none.
#[test]
fn a_mains_without_a_sine_is_named() {
    let supply = |mains: &str| {
        format!(
            "t\nVMAINS line 0 {mains}\nRF line pri 1\nXMT pri 0 a 0 b 0 0 MT\nXV1 a b hv EZ81\n\
             C1 hv 0 47u\nR1 hv 0 10k\n.model MT mains(vpri=230 vht=275 iht=0.1)\n.end\n"
        )
    };
    for mains in ["AC 230", "230"] {
        let ran = run(&Netlist::new(&supply(mains)), "bias", &[]);
        for words in [
            "`VMAINS` feeds",
            "`XMT`",
            "`VMAINS line 0 SIN(0 325 50)`",
            "325 V is the peak of 230 V",
        ] {
            assert!(ran.stderr.contains(words), "{words}: {}", ran.stderr);
        }
    }
    let sound = Netlist::new(&supply("SIN(0 325 50)"));
    let ran = run(&sound, "bias", &[]);
    assert!(!ran.stderr.contains("warning"), "{}", ran.stderr);
    for percent in ["0.9", "230"] {
        let words = &["10 to 200", "100 is nominal, 110 is 10 % high"];
        refused(&sound, "bias", &["--mains", percent], words);
    }
}

/// A fixed bug: `6550A` was taken for the ohms of a pot, and a `6V6` for nothing at all.
#[test]
fn valves_are_known_by_the_names_on_drawings() {
    let valve = |name: &str| {
        Netlist::new(&format!(
            "t\nVB p1 0 100\nXV1 p1 0 k1 {name}\nR1 k1 0 1k\n.end\n"
        ))
    };
    for (name, meant) in [
        ("6550A", "6550"),
        ("5751WA", "5751"),
        ("5U4", "5U4GB"),
        ("6V6", "6V6GT"),
        ("6L6", "6L6GC"),
        ("12AX7/ECC83", "12AX7"),
    ] {
        let unknown = format!("unknown valve or subcircuit `{name}`");
        refused(
            &valve(name),
            "bias",
            &[],
            &[&unknown, &format!("did you mean `{meant}`?")],
        );
        for (command, options) in [("valves", &[name][..]), ("curves", &["--type", name])] {
            let run = Gridleak::command(command).unaudited();
            let ran = options.iter().fold(run, |run, o| run.arg(o)).run();
            assert_eq!(ran.status, 2, "{name}");
            assert!(
                ran.stderr.contains(&format!("did you mean {meant}?"))
                    || ran.stderr.contains(&format!("did you mean `{meant}`?")),
                "{}",
                ran.stderr
            );
        }
    }
    refused(&valve("1MEG"), "bias", &[], &["ends in the value `1MEG`"]);
    for (name, same) in [
        ("6CA4", "EZ81"),
        ("6V4", "EZ80"),
        ("EZ90", "6X4"),
        ("EL90", "6AQ5"),
        ("6267", "EF86"),
    ] {
        let page = |name: &str| Gridleak::command("valves").unaudited().arg(name).run();
        assert_eq!(page(name).status, 0, "{name}");
        let list = Gridleak::command("valves").unaudited().run().stdout;
        let line = list
            .lines()
            .find(|l| l.trim_start().starts_with(&format!("{same} ")));
        assert!(line.is_some_and(|l| l.contains(name)), "{name}");
    }
}

/// A fixed bug: on the command line and in sheets a decimal comma was only no number.
#[test]
fn a_decimal_comma_is_known_everywhere() {
    let netlist = Netlist::new(STAGE);
    refused(&netlist, "bias", &["--set", "RK1=1,5k"], &["write `1.5k`"]);
    refused(&netlist, "bias", &["--knob", "VOL=7,5"], &["write `7.5`"]);
    refused(
        &netlist,
        "scope",
        &["--probe", "v(p1)", "--stop", "0,02"],
        &["write `0.02`"],
    );
    let sheet = netlist.path().with_extension("toml");
    let text = "netlist = \"netlist.cir\"\n[[expect]]\nfigure = \"v(k1)\"\nvalue = \"1,9 V\"\ntolerance = \"5 %\"\n";
    std::fs::write(&sheet, text).expect("a sheet");
    let ran = Gridleak::command("check").unaudited().path(&sheet).run();
    assert!(ran.stderr.contains("write `1.9 V`"), "{}", ran.stderr);
}

/// A fixed bug: `--tol R=1` gave an error for every resistor, none of which said what was meant.
#[test]
fn a_tolerance_without_its_sign_is_told_once() {
    let netlist = Netlist::new(STAGE);
    let spread = |tol: &'static str| ["--runs", "4", "--figure", "v(p1)", "--tol", tol];
    refused(
        &netlist,
        "spread",
        &spread("R=1"),
        &["did you mean `R=1%`?"],
    );
    refused(
        &netlist,
        "spread",
        &spread("R=-1..2"),
        &["did you mean `R=-1..+2%`?"],
    );
}

/// A fixed bug: `distortion --load` took a loudspeaker, the figure of the same name did not.
#[test]
fn output_power_is_of_a_loudspeaker_too() {
    let speaker =
        "t\nVIN in 0 AC 1\nRS in out 8\nXSPK out 0 CONE\n.model CONE speaker(ohms=8)\n.end\n";
    let netlist = Netlist::new(speaker);
    let figure = "output power of XSPK with level 10, frequency 1k";
    let options = [
        "--vary", "RS=8", "--figure", figure, "--csv", "-", "--quiet",
    ];
    let ran = run(&netlist, "vary", &options);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let head = format!("8,\"{figure}\",");
    let found = ran.stdout.lines().find_map(|l| l.strip_prefix(&head));
    let found: Option<f64> = found.and_then(|l| l.split(',').next()?.parse().ok());
    let options = [
        "--probe",
        "v(out)",
        "--load",
        "XSPK",
        "--level",
        "10",
        "--frequency",
        "1k",
        "--csv",
        "-",
        "--quiet",
    ];
    let ran = run(&netlist, "distortion", &options);
    let mut lines = ran.stdout.lines();
    let head = lines.next().expect("a heading");
    let place = head
        .split(',')
        .position(|name| name == "load_w")
        .expect("a column");
    let row = lines.next().expect("a row");
    let expected: f64 = row
        .split(',')
        .nth(place)
        .expect("a cell")
        .parse()
        .expect("watts");
    let found = found.expect("watts");
    assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");
    let figure = "output power of VIN with level 1";
    refused(
        &netlist,
        "vary",
        &["--vary", "RS=8", "--figure", figure],
        &["of a resistor or loudspeaker"],
    );
}

/// A fixed bug: the caret stood under the value where nothing has the name.
#[test]
fn a_wrong_name_is_pointed_at() {
    let netlist = Netlist::new(STAGE);
    let place = "1:8\n  |\n1 | --vary NOPE=1,2\n  |        ^^^^\n";
    let vary = ["--vary", "NOPE=1,2", "--figure", "v(p1)"];
    refused(&netlist, "vary", &vary, &["no element `NOPE`", place]);
    let folder = tempfile::tempdir().expect("a folder");
    let sheet = folder.path().join("a.sheet.toml");
    let path = netlist.path().display();
    let lines = format!(
        "netlist = \"{path}\"\n[settings]\nRQ = \"2k\"\n[[expect]]\nfigure = \"v(p1)\"\n\
         value = \"180 V\"\ntolerance = \"50 %\"\n"
    );
    std::fs::write(&sheet, lines).expect("a sheet");
    let ran = Gridleak::command("check").path(&sheet).run();
    let place = "3:1\n  |\n3 | RQ = \"2k\"\n  | ^^\n";
    assert!(ran.stderr.contains(place), "{}", ran.stderr);
}

/// A fixed bug: the advice for a knob without a value was of a resistor.
#[test]
fn a_control_without_a_value_is_shown_one() {
    let netlist = Netlist::new(STAGE);
    refused(&netlist, "bias", &["--knob", "VOL"], &["example `VOL=7`"]);
    refused(&netlist, "bias", &["--knob", "=7"], &["example `VOL=7`"]);
    refused(&netlist, "bias", &["--switch", "B="], &["example `B=1`"]);
    refused(&netlist, "bias", &["--set", "RK1"], &["example `R5=4k7`"]);
}

/// A fixed bug: a negative number was taken for an option.
#[test]
fn a_number_below_zero_is_told_what_is_allowed() {
    let netlist = Netlist::new(STAGE);
    let figure = ["--figure", "v(p1)"];
    for (command, options, words) in [
        (
            "spread",
            &["--seed", "-1", figure[0], figure[1]][..],
            "a whole number from 0 on",
        ),
        (
            "spread",
            &["--runs", "-1", figure[0], figure[1]],
            "a whole number from 1 to",
        ),
        (
            "book",
            &["--runs", "-1", "--out", "b.html"],
            "-1 is not in 1..=",
        ),
        ("bias", &["--limit", "-1"], "NAME=VALUE"),
        (
            "feedback",
            &["--element", "RL", "--values", "-5,10k", "--probe", "v(end)"],
            "`-5` is not a resistance",
        ),
    ] {
        refused(&netlist, command, options, &[words]);
    }
}

/// A netlist has lines that messages name, and a folder from which it includes.
#[test]
fn standard_input_is_no_netlist() {
    let ran = Gridleak::command("bias").unaudited().arg("-").run();
    assert_eq!(ran.status, 2);
    let hint = "a netlist is read from a file";
    assert!(ran.stderr.contains(hint), "{}", ran.stderr);
}

/// Fixed: a newcomer's first slips had no remedy, or a misleading one.
#[test]
fn first_slips_say_what_to_do() {
    let netlist = Netlist::new(STAGE);
    let ran = run(&netlist, "bias", &["--plot", "x.svg"]);
    assert_eq!(ran.status, 2);
    let hint = "hint: `--plot` is an option of `scope`, `response`, ";
    assert!(ran.stderr.contains(hint), "{}", ran.stderr);
    assert!(!ran.stderr.contains("to pass"), "{}", ran.stderr);
    let ran = run(&netlist, "bias", &["--stop", "5m"]);
    let hint = "hint: `--stop` is an option of `scope`";
    assert!(ran.stderr.contains(hint), "{}", ran.stderr);
    assert!(!ran.stderr.contains("similar"), "{}", ran.stderr);
    let ran = run(&netlist, "bias", &["--set", "RK1", "1.5k"]);
    assert!(ran.stderr.contains("`--set RK=1.5k`"), "{}", ran.stderr);
    let ran = Gridleak::command("check")
        .unaudited()
        .option("--set", "A=1")
        .run();
    let hint = "`--set` is an option of most other commands";
    assert!(ran.stderr.contains(hint), "{}", ran.stderr);
    let ran = run(&netlist, "bias", &["--no-such-option"]);
    assert!(!ran.stderr.contains("is an option of"), "{}", ran.stderr);

    let ran = Gridleak::command("stage.cir").unaudited().run();
    assert_eq!(ran.status, 2);
    let hint = "the command comes first: `gridleak bias stage.cir`";
    assert!(ran.stderr.contains(hint), "{}", ran.stderr);
}

/// A netlist or a sound whose name is misspelt, lacks its ending, or got a second one from an editor.
#[test]
fn a_file_that_was_probably_meant_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("stage.cir"), STAGE).expect("a file");
    std::fs::write(at("second.cir.txt"), STAGE).expect("a file");
    for (typed, meant) in [
        ("stge.cir", Some("stage.cir")),
        ("stage", Some("stage.cir")),
        ("second.cir", Some("second.cir.txt")),
        ("quite_another.cir", None),
    ] {
        let ran = Gridleak::command("bias").unaudited().path(&at(typed)).run();
        assert_eq!(ran.status, 2);
        assert!(ran.stderr.contains("no such file"), "{}", ran.stderr);
        match meant {
            Some(meant) => {
                let hint = format!("did you mean `{}`?", at(meant).display());
                assert!(ran.stderr.contains(&hint), "{}", ran.stderr);
            }
            None => assert!(!ran.stderr.contains("did you mean"), "{}", ran.stderr),
        }
    }
    let clip = at("stage.ci");
    let ran = Gridleak::command("render")
        .unaudited()
        .path(&at("stage.cir"))
        .option("--probe", "v(end)")
        .option("--clip", clip.to_str().expect("UTF-8"))
        .option("--out", at("x.wav").to_str().expect("UTF-8"))
        .run();
    assert!(ran.stderr.contains("did you mean"), "{}", ran.stderr);
}

/// Fixed: `--plot x.png` wrote an SVG that no picture viewer opens, and said nothing.
#[test]
fn a_name_of_another_kind_of_file_is_a_warning() {
    let netlist = Netlist::new(STAGE);
    let folder = tempfile::tempdir().expect("a folder");
    for (name, hint) in [
        (
            "x.png",
            Some("will be an SVG picture, whatever its name says"),
        ),
        ("x.PDF", Some("x.svg`; a browser opens it")),
        ("x.svg", None),
        ("x", None),
        ("x.2", None),
    ] {
        let path = folder.path().join(name);
        let path = path.to_str().expect("UTF-8");
        for quiet in [false, true] {
            let more: &[&str] = if quiet { &["--quiet"] } else { &[] };
            let ran = run(&netlist, "draw", &[&["--out", path], more].concat());
            assert_eq!(ran.status, 0, "{}", ran.stderr);
            match hint.filter(|_| !quiet) {
                Some(hint) => assert!(ran.stderr.contains(hint), "{}", ran.stderr),
                None => assert_eq!(ran.stderr, ""),
            }
        }
    }
}

/// A fixed bug: it was advised to draw without `--volts` a file in which there is nothing to draw.
#[test]
fn a_file_of_subcircuits_is_not_drawn() {
    let parts = Netlist::new("Board sections\n.subckt board a b\nR1 a b 1k\n.ends\n");
    for options in [&["--out", "-"][..], &["--out", "-", "--volts"]] {
        let ran = run(&parts, "draw", options);
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        assert!(ran.stderr.contains("has no elements"), "{}", ran.stderr);
        assert!(!ran.stderr.contains("without `--volts`"), "{}", ran.stderr);
    }
}
