//! Mistakes in circuits: names, values, calls and wiring. Each file in
//! `tests/diagnostics_circuit` says in comments what must be said about it.
mod common;

use common::mistakes::{self, differences, never_provoked};
use common::{Gridleak, Netlist};
use gridleak::circuit::bind::Timing;
use gridleak::circuit::params::Overrides;
use gridleak::circuit::read::Draft;
use gridleak::diag::{Diagnostic, Files};
use std::path::Path;

/// Everything that is said about a netlist, by its reader and then by the circuit.
fn said(path: &Path) -> (Vec<Diagnostic>, Files) {
    let mut draft = Draft::file(path);
    let mut all = std::mem::take(&mut draft.problems);
    all.extend(
        match draft.build(&Overrides::default(), Timing::default()) {
            Ok(built) => built.warnings,
            Err(problems) => problems,
        },
    );
    (all, draft.files)
}

#[test]
fn every_mistake_is_named_at_its_place_and_nothing_else() {
    let mut failures = Vec::new();
    for path in mistakes::netlists("diagnostics_circuit") {
        let (diagnostics, sources) = said(&path);
        failures.extend(differences(&diagnostics, &sources));
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// Messages of causes that lie on the command line or need more than a small file.
fn further_mistakes() -> Vec<String> {
    let stage = "t\nV1 a 0 10\nX1 a half\nXVOL a w 0 P knob=5\n.model P pot(r=1meg)\n\
                 .subckt half in\nR1 in 0 1k\n.ends\n";
    let depth: String = (0..110)
        .map(|k| format!(".subckt s{k} a\nX1 a s{}\n.ends\n", k + 1))
        .collect();
    let bomb: String = (0..12)
        .map(|k| {
            format!(
                ".subckt s{k} a\n{}.ends\n",
                (0..10)
                    .map(|m| format!("X{m} a s{}\n", k + 1))
                    .collect::<String>()
            )
        })
        .collect();
    let many: String = (0..60).map(|k| format!("D{k} a 0 DX{k}\n")).collect();
    let wave = "t\nV1 a 0 SIN(0 325 50)\nR1 a 0 1k\n";
    let runs: Vec<(String, &[&str])> = vec![
        ("t\n".into(), &[]),
        ("t\nV1 a 0 1\nB1 b 0 V=1/0\nR1 b 0 1k\n".into(), &[]),
        (stage.into(), &["--set", "R9=1"]),
        (stage.into(), &["--set", "X1.R1.size=1"]),
        (stage.into(), &["--set", "X1.R1"]),
        (stage.into(), &["--set", "X1.R1=0"]),
        (stage.into(), &["--set", "X1.R1=2m2"]),
        (wave.into(), &["--set", "V1=3"]),
        (wave.replace("SIN", "DC 1 SIN"), &["--set", "V1=3"]),
        (wave.into(), &["--mains", "300"]),
        (
            "t\nV1 line 0 AC 230\nXMT line 0 a 0 b 0 0 MT\nR1 a b 1k\n\
             .model MT mains(vpri=230 vht=275 iht=0.1)\n"
                .into(),
            &[],
        ),
        (stage.into(), &["--mains", "90"]),
        (stage.into(), &["--knob", "TONE=1"]),
        (stage.into(), &["--knob", "VOL=12"]),
        (stage.into(), &["--probe", "i(R9)"]),
        (stage.into(), &["--probe", "i(X1)"]),
        (
            format!("t\nV1 a 0 1\nX1 a s0\n{depth}.subckt s110 a\nR1 a 0 1\n.ends\n"),
            &[],
        ),
        (
            format!("t\nV1 a 0 1\nX1 a s0\n{bomb}.subckt s12 a\nR1 a 0 1\n.ends\n"),
            &[],
        ),
        (format!("t\nV1 a 0 1\n{many}"), &[]),
        (
            "t\nV1 a 0 1\nX1 a s\nX1.R1 a 0 toggle\n.subckt s a\nR1 a 0 1k\n.ends\n".into(),
            &[],
        ),
    ];
    let mut messages = Vec::new();
    for (text, options) in runs {
        let netlist = Netlist::new(&text);
        let run = Gridleak::command("bias").path(netlist.path());
        let ran = options.iter().fold(run, |run, o| run.arg(o)).run();
        assert!(!ran.stderr.is_empty(), "{options:?} {text}");
        assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
        let lines = ran.stderr.lines();
        messages.extend(lines.filter_map(|l| {
            l.strip_prefix("error: ")
                .or_else(|| l.strip_prefix("warning: "))
                .map(str::to_owned)
        }));
    }
    // Only where a start is held, or would be.
    for (text, prefix, status) in [
        ("V1 a 0 5\nR1 a 0 1k\n.ic v(a)=2", "error: ", 2),
        ("V1 a 0 5\nR1 a b 1k\nC1 b 0 1u ic=2", "warning: ", 0),
    ] {
        let netlist = Netlist::new(&format!("t\n{text}\n.tran 1m 1m\n"));
        let ran = Gridleak::command("scope").path(netlist.path()).run();
        assert_eq!(ran.status, status, "{}", ran.stderr);
        let lines = ran.stderr.lines();
        messages.extend(lines.filter_map(|l| l.strip_prefix(prefix).map(str::to_owned)));
    }
    messages
}

/// A cause whose message no test has ever provoked is a message nobody has ever read.
#[test]
fn every_cause_has_a_netlist_that_provokes_it() {
    let mut messages = further_mistakes();
    for path in mistakes::netlists("diagnostics_circuit") {
        messages.extend(said(&path).0.into_iter().map(|d| d.message));
    }
    let missing = never_provoked(include_str!("../src/circuit/problem.rs"), 35, &messages);
    assert!(missing.is_empty(), "never provoked: {missing:#?}");
}
