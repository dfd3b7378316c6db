//! Abuse: whatever is thrown at the tool, it answers with an exit code, in time, and leaves
//! nothing half done.
mod common;

use common::mistakes::{Chance, mutate, netlists};
use common::{Gridleak, Netlist, Ran, close};
use std::fmt::Write;
use std::fs::File;
use std::io::Read;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

fn bias(text: &str) -> Ran {
    let ran = Gridleak::command("bias")
        .path(Netlist::new(text).path())
        .run();
    assert!(!ran.stderr.contains("panicked"), "{:.2000}", ran.stderr);
    ran
}

/// Runs within a generous time for a slow and busy machine.
fn in_time(most_s: u64, work: impl FnOnce() -> Ran) -> Ran {
    let begun = Instant::now();
    let ran = work();
    println!("{:.1} s", begun.elapsed().as_secs_f64());
    assert!(
        begun.elapsed() < Duration::from_secs(most_s),
        "{:?}",
        begun.elapsed()
    );
    ran
}

#[test]
fn what_is_no_netlist_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let binary = folder.path().join("binary.cir");
    std::fs::write(&binary, [0xff, 0xfe, 0, 7, 200]).expect("written");
    for path in [folder.path(), &binary, &folder.path().join("missing.cir")] {
        let ran = Gridleak::command("bias").path(path).run();
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        assert!(ran.stderr.contains("cannot read"), "{}", ran.stderr);
    }
    for text in [
        "",
        "\n",
        "\0\0\0",
        "title only",
        "t\n.end\n",
        "\u{feff}t\n",
        "t\r\n\r\n",
    ] {
        assert_eq!(bias(text).status, 2, "{text:?}");
    }
}

#[cfg(unix)]
#[test]
fn devices_and_pipes_are_no_netlists() {
    let folder = tempfile::tempdir().expect("a folder");
    let pipe = folder.path().join("pipe");
    let made = Command::new("mkfifo").arg(&pipe).status();
    let pipe = pipe.to_str().expect("UTF-8");
    let mut paths = vec!["/dev/null", "/dev/zero"];
    if made.is_ok_and(|s| s.success()) {
        paths.push(pipe);
    }
    for path in paths {
        let ran = in_time(20, || Gridleak::command("bias").arg(path).run());
        assert_eq!(ran.status, 2, "{path}: {}", ran.stderr);
    }
}

#[test]
fn a_line_of_a_megabyte_is_read() {
    let ran = in_time(60, || {
        bias(&format!("t\nV1 a 0 1\nR1 a 0 1k {}\n", "x".repeat(1 << 20)))
    });
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.len() < 5000, "{} bytes", ran.stderr.len());
    let ran = in_time(60, || {
        bias(&format!(
            "t\nV1 a 0 1\nR1 a 0 1k ;{}\n",
            "x".repeat(1 << 20)
        ))
    });
    assert_eq!(ran.status, 0, "{:.500}", ran.stderr);
}

#[test]
fn a_million_lines_are_read() {
    let ran = in_time(60, || {
        bias(&format!(
            "t\nV1 a 0 1\nR1 a 0 1k\n{}",
            "* remark\n".repeat(1_000_000)
        ))
    });
    assert_eq!(ran.status, 0, "{:.500}", ran.stderr);
}

/// n equal resistors in a row: the voltage falls evenly. V/(n+1) remains at the last node.
#[test]
fn a_ladder_of_10_000_nodes_is_solved() {
    let mut text = String::from("t\nV1 n0 0 1\n");
    for k in 0..10_000 {
        let _ = writeln!(text, "R{k} n{k} n{} 1\nC{k} n{} 0 1n", k + 1, k + 1);
    }
    text += "RL n10000 0 10k\n";
    let netlist = Netlist::new(&text);
    let ran = in_time(60, || {
        Gridleak::command("bias")
            .path(netlist.path())
            .arg("--quiet")
            .option("--csv", "-")
            .run()
    });
    assert_eq!(ran.status, 0, "{:.500}", ran.stderr);
    let table = common::Table::parse(&ran.stdout).expect("a table");
    close(
        "middle",
        table.value("v(n5000)").expect("a row"),
        0.75,
        1e-9,
    );
    close("last", table.value("v(n10000)").expect("a row"), 0.5, 1e-9);
}

/// A square of 1 ohm resistors fed at one corner and drained at the other is its own mirror
/// image: the middle of the diagonal lies halfway between.
#[test]
fn a_grid_of_100_by_100_is_solved() {
    let mut text = String::from("t\nV1 n0_0 0 1\nVend n98_98 0 0\n");
    for i in 0..99 {
        for j in 0..99 {
            if i < 98 {
                let _ = writeln!(text, "Ra{i}_{j} n{i}_{j} n{}_{j} 1", i + 1);
            }
            if j < 98 {
                let _ = writeln!(text, "Rb{i}_{j} n{i}_{j} n{i}_{} 1", j + 1);
            }
        }
    }
    let netlist = Netlist::new(&text);
    let ran = in_time(60, || {
        Gridleak::command("bias")
            .path(netlist.path())
            .arg("--quiet")
            .option("--csv", "-")
            .run()
    });
    assert_eq!(ran.status, 0, "{:.500}", ran.stderr);
    let table = common::Table::parse(&ran.stdout).expect("a table");
    close(
        "middle",
        table.value("v(n49_49)").expect("a row"),
        0.5,
        1e-9,
    );
    close(
        "off the diagonal",
        table.value("v(n98_0)").expect("a row"),
        0.5,
        1e-9,
    );
}

#[test]
fn bug_subcircuit_bombs_went_on_for_minutes() {
    for leaf in ["R1 a 0 1k\n", ""] {
        let mut text = String::from("t\nV1 a 0 1\nX1 a s12\n");
        for k in 1..=12 {
            let calls: String = (0..10).map(|m| format!("X{m} a s{}\n", k - 1)).collect();
            let _ = writeln!(text, ".subckt s{k} a\n{calls}.ends");
        }
        let ran = in_time(60, || bias(&format!("{text}.subckt s0 a\n{leaf}.ends\n")));
        assert_eq!(ran.status, 2);
        assert!(
            ran.stderr.contains("more than 1000000 elements"),
            "{:.500}",
            ran.stderr
        );
    }
}

/// Near names were looked for among all names for every mistake, and all were shown.
#[test]
fn bug_thousands_of_mistakes_took_minutes() {
    let many = |line: &dyn Fn(usize) -> String| -> String { (0..20_000).map(line).collect() };
    for lines in [
        many(&|k| format!("Rx{k} a n{k}foo 1\n")),
        many(&|k| format!("G{k} a 0 n{k}foo 0 1\nR{k}a a b{k} 1\nR{k}b b{k} 0 1\n")),
        many(&|k| format!("R{k}a q{k} p{k} 1\nR{k}b q{k} p{k} 1\n")),
        many(&|k| format!("Vx{k} a 0 1\n")),
        many(&|k| format!("Q{k} a a 0 QX{k}\n")),
    ] {
        let ran = in_time(60, || bias(&format!("t\nV1 a 0 1\nR1 a 0 1\n{lines}")));
        assert_eq!(ran.status, 2);
        let errors = ran
            .stderr
            .lines()
            .filter(|l| l.starts_with("error: "))
            .count();
        assert_eq!(errors, 51);
        assert!(
            ran.stderr.contains("error: more than 50 errors"),
            "{:.500}",
            ran.stderr
        );
    }
}

/// Where nothing solves the equations the message names a node or device.
#[test]
fn circuits_without_solution_end_with_3_and_a_name() {
    for (text, name) in [
        (
            "V1 in 0 1\nB1 x 0 V=v(x)+v(in)\nR1 x 0 1k\nR2 in 0 1k",
            "`x`",
        ),
        // v = a e^v has no solution above a = 1/e.
        ("B1 0 here I=exp(v(here))*0.5\nR1 here 0 1", "`here`"),
        (
            "V1 a 0 1\nR1 a 0 1\nE1 p 0 q 0 1\nE2 q 0 p 0 1\nR2 p 0 1\nR3 q 0 1",
            "`E",
        ),
        ("I1 d 0 1\nD1 d 0 DX\n.model DX d(is=1e-14)", "`d`"),
    ] {
        let ran = bias(&format!("t\n{text}\n"));
        assert_eq!(ran.status, 3, "{text}: {}", ran.stderr);
        assert!(ran.stderr.contains(name), "{text}: {}", ran.stderr);
        assert!(
            ran.stderr.contains("tried plain Newton") && ran.stderr.contains("\nhint: "),
            "{}",
            ran.stderr
        );
        assert!(ran.stdout.is_empty(), "{}", ran.stdout);
    }
}

/// Starts the binary, reads a little of its standard output and goes away.
fn read_a_little(arguments: &[&str]) -> i32 {
    let mut child = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the binary starts");
    let mut little = [0; 10];
    child
        .stdout
        .take()
        .expect("a pipe")
        .read_exact(&mut little)
        .expect("some output");
    child.wait().expect("an end").code().unwrap_or(-1)
}

/// `gridleak ... | head -1` is no failure, and the files asked for are made.
#[test]
fn bug_a_reader_that_went_away_was_a_failure() {
    let mut text = String::from("t\nV1 a 0 1\n");
    for k in 0..20_000 {
        let _ = writeln!(text, "R{k} a 0 1k");
    }
    let netlist = Netlist::new(&text);
    let path = netlist.path().to_str().expect("UTF-8");
    let folder = tempfile::tempdir().expect("a folder");
    let csv = folder.path().join("x.csv");
    let csv_name = csv.to_str().expect("UTF-8");
    assert_eq!(read_a_little(&["bias", path, "--csv", "-"]), 0);
    assert_eq!(read_a_little(&["bias", path, "--json", "-"]), 0);
    assert_eq!(read_a_little(&["bias", path, "--csv", csv_name]), 0);
    let table = common::Table::read(&csv).expect("the file is made");
    assert!(table.rows.len() > 20_000, "{} rows", table.rows.len());
}

#[cfg(target_os = "linux")]
#[test]
fn full_devices_are_exit_code_2() {
    let netlist = Netlist::new("t\nV1 a 0 1\nR1 a 0 1k\n");
    let bias = || Gridleak::command("bias").path(netlist.path());
    let ran = bias().option("--csv", "/dev/full").run();
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr
            .contains("cannot write `/dev/full`: no space left"),
        "{}",
        ran.stderr
    );
    let full = || {
        File::options()
            .write(true)
            .open("/dev/full")
            .expect("/dev/full")
    };
    let status = |arguments: &[&str], stdout: Stdio, stderr: Stdio| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_gridleak"));
        let status = command
            .args(arguments)
            .stdout(stdout)
            .stderr(stderr)
            .status();
        status.expect("the binary starts").code()
    };
    let path = netlist.path().to_str().expect("UTF-8");
    assert_eq!(
        status(&["bias", path], full().into(), Stdio::null()),
        Some(2)
    );
    assert_eq!(
        status(&["bias", path, "--csv", "-"], full().into(), Stdio::null()),
        Some(2)
    );
    // Nobody is left to tell; that used to be a panic.
    assert_eq!(
        status(&["bias", "/missing"], Stdio::null(), full().into()),
        Some(2)
    );
    assert_eq!(status(&["--help"], full().into(), Stdio::null()), Some(2));
}

/// Spoilt netlists through the whole of `bias` and `scope`.
#[test]
fn spoilt_netlists_never_cause_a_panic_in_a_command() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("spoilt.cir");
    let mut paths = netlists("diagnostics_circuit");
    for reference in [
        "triode_stage",
        "limiter_sinh_1v",
        "transformer",
        "mosfet_stages",
        "pot_bridge",
    ] {
        paths.push(common::reference_folder(reference).join("netlist.cir"));
    }
    let seeds: Vec<String> = paths
        .iter()
        .map(|p| std::fs::read_to_string(p).expect("a netlist"))
        .collect();
    let mut chance = Chance(7);
    let mut ends = [0; 4];
    for round in 0..600 {
        let seed = &seeds[round % seeds.len()];
        let lines: Vec<&str> = seed.lines().filter(|l| !l.starts_with("* ")).collect();
        let first = 1 + chance.below(lines.len() - 1);
        let piece = lines[first..lines.len().min(first + 12)].join("\n");
        // One in four is left as it is but for what was cut away around it.
        let piece = match round % 4 {
            0 => piece,
            _ => mutate(&piece, &mut chance),
        };
        let text = format!("t\nV1 a 0 1\nRa a 0 1k\n{piece}\n");
        std::fs::write(&path, &text).expect("written");
        let run = match round % 3 {
            0 => Gridleak::command("scope")
                .option("--stop", "1u")
                .option("--step", "0.5u"),
            1 => Gridleak::command("bias")
                .option("--set", "Ra=2k")
                .option("--probe", "i(Ra)"),
            _ => Gridleak::command("bias"),
        };
        let ran = run.path(&path).run();
        assert!((0..=3).contains(&ran.status), "{}\n{text}", ran.stderr);
        assert_eq!(
            ran.status == 0,
            !ran.stdout.is_empty(),
            "{text}\n{}",
            ran.stderr
        );
        ends[ran.status as usize] += 1;
    }
    println!("ended with 0, 1, 2, 3: {ends:?}");
    assert!(ends[0] > 20 && ends[2] > 20, "{ends:?}");
}

/// A name that ends in its dot has no first letter to leave out.
#[test]
fn bug_a_pot_with_a_name_of_nothing_was_a_panic() {
    for name in ["X.", "X1.é", "Xé", "X"] {
        let text = format!("t\nV1 a 0 1\n{name} a w 0 A\nR1 w 0 1k\n.model A pot(r=1meg)\n");
        let ran = bias(&text);
        assert_eq!(ran.status, 0, "{name}: {}", ran.stderr);
        let netlist = Netlist::new(&text);
        for option in ["--knob", "--set", "--switch"] {
            let value = format!("{name}=3");
            let ran = Gridleak::command("bias")
                .path(netlist.path())
                .option(option, &value)
                .run();
            assert!(
                [0, 2].contains(&ran.status),
                "{option} {value}: {}",
                ran.stderr
            );
        }
    }
}

#[test]
fn bug_an_empty_sheet_was_wrong_behind_its_end() {
    let mut sources = gridleak::diag::Files::default();
    let file = sources.add("a.sheet.toml", "");
    let problems = gridleak::sheet::read(file, &sources).expect_err("nothing is there");
    for problem in problems {
        let span = problem.span.expect("a place");
        assert_eq!((span.start, span.end), (0, 0), "{problem:?}");
    }
}

/// Each of these is a short text that took minutes, or all memory.
#[test]
fn bug_long_lists_cost_the_square_of_their_length() {
    let many = |n: usize, line: &dyn Fn(usize) -> String| -> String { (0..n).map(line).collect() };
    let long = "b".repeat(60_000);
    for (text, status) in [
        // Couplings: the cube of the inductors, and a full matrix of them.
        (
            many(5000, &|k| {
                format!("L{k} n{k} 0 1\nR{k} n{k} 0 1\nK{k} L0 L{k} 1m\n")
            })
            .replace("K0 L0 L0 1m\n", ""),
            0,
        ),
        // A polynomial's high powers, each multiplied up anew.
        (
            format!("E1 p 0 POLY(1) a 0 {}\nRp p 0 1\n", "1u ".repeat(50_000)),
            0,
        ),
        // Millions of monomials for the sake of the first few.
        (
            format!(
                "E1 p 0 POLY(100) {}{}\nRp p 0 1\n",
                "a 0 ".repeat(100),
                "0 ".repeat(180_000)
            ),
            0,
        ),
        // A guess at what was meant between two very long names.
        (
            format!("R1 {long} 0 1\nR2 {long} a 1\n.nodeset v({long}c)=1\n"),
            2,
        ),
        // As many models and subcircuits as elements.
        (
            many(20_000, &|k| {
                format!(
                    "D{k} a 0 D{k}\n.model D{k} d\nX{k} a s{k}\n.subckt s{k} p\nR1 p 0 1\n.ends\n"
                )
            }),
            0,
        ),
    ] {
        let ran = in_time(60, || bias(&format!("t\nV1 a 0 1\nRhead a 0 1\n{text}")));
        assert_eq!(ran.status, status, "{:.500}", ran.stderr);
        assert!(ran.stderr.len() < 5000, "{} bytes", ran.stderr.len());
    }
}

/// Each block was copied into every case that was there before.
#[test]
fn bug_sheets_of_many_blocks_took_minutes() {
    let blocks = |n: usize, list: &str| -> String {
        (0..n)
            .map(|k| format!("[[vary]]\nR{k}{} = {list}\n", list.len()))
            .collect()
    };
    for (text, message) in [
        (blocks(10_000, "[1]"), ""),
        (
            blocks(4, "[1,2,3,4,5,6,7,8,9,10]") + &blocks(1000, "[1]"),
            "the cases set 10040000 values, expected at most 1000000",
        ),
        (
            (0..10_000).map(|k| format!("k{k} = 1\n")).collect(),
            "more than 50 errors",
        ),
    ] {
        let begun = Instant::now();
        let mut sources = gridleak::diag::Files::default();
        let file = sources.add("a.sheet.toml", format!("netlist = 'a.cir'\n{text}"));
        let problems = gridleak::sheet::read(file, &sources).expect_err("nothing is expected");
        assert!(
            problems.iter().any(|p| p.message.contains(message)),
            "{message}"
        );
        assert!(problems.len() <= 51, "{}", problems.len());
        assert!(
            begun.elapsed() < Duration::from_secs(20),
            "{:?}",
            begun.elapsed()
        );
    }
}
