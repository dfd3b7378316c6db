//! Every limit: what is just within it goes, one more is refused by its name, and raised it
//! goes again. And the folder that strangers' netlists are confined to.
mod common;

use common::{Gridleak, Netlist, Ran};
use gridleak::report::wav::{Format, WavWriter};
use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

const STAGE: &str = "t\nV1 a 0 DC 1 AC 1 SIN(0 1 1k)\nR1 a b 1k\nR2 b 0 1k\nC1 b 0 1n\n";

fn refused(ran: &Ran, limit: &str) {
    assert_eq!(ran.status, 2, "{limit}: {:.900}", ran.stderr);
    let raise = format!("`--limit {limit}=NUMBER` raises it");
    assert!(ran.stderr.contains(&raise), "{limit}: {:.900}", ran.stderr);
    assert!(ran.stdout.is_empty(), "{limit}: {:.900}", ran.stdout);
}

/// Runs with a limit just wide enough, one too narrow, and without.
fn narrowed(limit: &str, enough: u64, run: &Gridleak) {
    let ran = run
        .clone()
        .option("--limit", format!("{limit}={enough}"))
        .run();
    assert_eq!(ran.status, 0, "{limit}={enough}: {:.900}", ran.stderr);
    let ran = run
        .clone()
        .option("--limit", format!("{limit}={}", enough - 1))
        .run();
    refused(&ran, limit);
    let ran = run.run();
    assert_eq!(ran.status, 0, "{limit}: {:.900}", ran.stderr);
}

#[test]
fn what_a_netlist_holds_is_limited() {
    let deep = |n: usize| format!("{}v(a){}", "(".repeat(n), ")".repeat(n));
    let nest = |n: usize| {
        let open: String = (0..n).map(|k| format!(".subckt s{k} a\n")).collect();
        format!("{open}R9 a 0 1\n{}", ".ends\n".repeat(n))
    };
    let chain = |n: usize| {
        let calls: String = (1..n)
            .map(|k| format!(".subckt c{k} a\nX1 a c{}\n.ends\n", k + 1))
            .collect();
        format!("{calls}.subckt c{n} a\nR1 a 0 1k\n.ends\nXC b c1\n")
    };
    for (limit, enough, more) in [
        (
            "expression-depth",
            7,
            format!("B1 c 0 V={}\nR3 c 0 1k\n", deep(7)),
        ),
        (
            "expression-length",
            5,
            "B1 c 0 V=1+2+3+4+5+v(a)\nR3 c 0 1k\n".into(),
        ),
        ("definition-depth", 3, nest(3)),
        ("call-depth", 4, chain(4)),
        // Four elements, four calls and the one in the innermost.
        ("elements", 9, chain(4)),
    ] {
        let netlist = Netlist::new(&format!("{STAGE}{more}"));
        narrowed(
            limit,
            enough,
            &Gridleak::command("bias").path(netlist.path()),
        );
    }
}

#[test]
fn parts_of_a_drawing_are_limited() {
    let netlist = Netlist::new(STAGE);
    let draw = Gridleak::command("draw")
        .path(netlist.path())
        .option("--out", "-");
    narrowed("drawn-parts", 4, &draw);
}

#[test]
fn sounds_of_a_page_are_limited() {
    let folder = tempfile::tempdir().unwrap();
    let mut listen = Gridleak::command("listen").option("--out", "-");
    for name in ["a.wav", "b.wav"] {
        let path = folder.path().join(name);
        let file = fs::File::create(&path).unwrap();
        let mut sound = WavWriter::new(file, 8000, Format::Int16).unwrap();
        sound.write(&[0.5; 8000]).unwrap();
        sound.finish().unwrap();
        listen = listen.path(&path);
    }
    // Two sounds of a second each.
    narrowed("sounds", 2, &listen);
    narrowed("page-seconds", 2, &listen);
}

/// The limits as they are unless set: just within, and one beyond.
#[test]
fn limits_hold_as_they_are() {
    let deep = |n: usize| {
        format!(
            "B1 c 0 V={}v(a){}\nR3 c 0 1k\n",
            "(".repeat(n),
            ")".repeat(n)
        )
    };
    let long = |n: usize| format!("B1 c 0 V=v(a){}\nR3 c 0 1k\n", "+1".repeat(n));
    let chain = |n: usize| {
        let calls: String = (1..n)
            .map(|k| format!(".subckt c{k} a\nX1 a c{}\n.ends\n", k + 1))
            .collect();
        format!("{calls}.subckt c{n} a\nR1 a 0 1k\n.ends\nXC b c1\n")
    };
    for (limit, within, beyond) in [
        ("expression-depth", deep(200), deep(201)),
        ("expression-length", long(1000), long(1001)),
        ("call-depth", chain(100), chain(101)),
    ] {
        let bias = |more: &str| {
            let netlist = Netlist::new(&format!("{STAGE}{more}"));
            Gridleak::command("bias").path(netlist.path()).run()
        };
        let ran = bias(&within);
        assert_eq!(ran.status, 0, "{limit}: {:.900}", ran.stderr);
        refused(&bias(&beyond), limit);
    }
}

/// As far as a limit can be raised the stack must hold, in the threads of `check` as well.
#[test]
fn limits_can_be_raised_as_far_as_is_said() {
    let text = format!(
        "{STAGE}B1 c 0 V={}v(a){}\nR3 c 0 1k\nB2 d 0 V=v(a){}\nR4 d 0 1k\n",
        "(-sin(".repeat(166),
        "))".repeat(166),
        "*1+1-1".repeat(1666),
    );
    let nest: String = (0..1000).map(|k| format!(".subckt s{k} a\n")).collect();
    let calls: String = (1..1000)
        .map(|k| format!(".subckt c{k} a\nX1 a c{}\n.ends\n", k + 1))
        .collect();
    let text = format!(
        "{text}{nest}R9 a 0 1\n{}{calls}.subckt c1000 a\nR1 a 0 1k\n.ends\nXC b c1\n",
        ".ends\n".repeat(1000)
    );
    let netlist = Netlist::new(&text);
    let sheet = netlist.path().with_file_name("x.sheet.toml");
    let case = "netlist = \"netlist.cir\"\n[[vary]]\nR1 = [\"1k\", \"2k\"]\n\
                [[expect]]\nfigure = \"v(a)\"\nvalue = \"1 V\"\ntolerance = \"1 %\"\n";
    fs::write(&sheet, case).expect("written");
    for run in [
        Gridleak::command("bias").path(netlist.path()),
        Gridleak::command("check")
            .path(&sheet)
            .option("--threads", "2"),
    ] {
        let ran = [
            "expression-depth=500",
            "expression-length=5000",
            "definition-depth=1000",
            "call-depth=1000",
        ]
        .iter()
        .fold(run, |run, limit| run.option("--limit", limit))
        .run();
        assert_eq!(ran.status, 0, "{:.900}", ran.stderr);
    }
}

#[test]
fn includes_are_limited_in_number_depth_and_size() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    fs::write(at("main.cir"), format!("{STAGE}.include 1.inc\n")).expect("written");
    for k in 1..6 {
        fs::write(at(&format!("{k}.inc")), format!(".include {}.inc\n", k + 1)).expect("written");
    }
    fs::write(at("6.inc"), "R9 b 0 1k\n").expect("written");
    let run = Gridleak::command("bias").path(&at("main.cir"));
    narrowed("include-depth", 6, &run);
    narrowed("includes", 6, &run);
    fs::write(
        at("6.inc"),
        format!("R9 b 0 1k\n{}", "* text\n".repeat(200_000)),
    )
    .expect("written");
    narrowed("netlist-size", 2, &run);
}

/// 2^30 parts in 31 definitions are counted, not built.
#[test]
fn a_bomb_of_a_billion_parts_is_refused_at_once() {
    let mut text = STAGE.to_string();
    for k in 1..=30 {
        text += &format!(".subckt s{k} a\nX1 a s{}\nX2 a s{}\n.ends\n", k - 1, k - 1);
    }
    let netlist = Netlist::new(&format!("{text}.subckt s0 a\nR1 a 0 1k\n.ends\nX1 b s30\n"));
    let begun = Instant::now();
    let ran = Gridleak::command("bias").path(netlist.path()).run();
    assert!(
        begun.elapsed() < Duration::from_secs(5),
        "{:?}",
        begun.elapsed()
    );
    refused(&ran, "elements");
    // 2^30 resistors, 2^31 - 1 calls and what else there is.
    assert!(ran.stderr.contains(": 3221225475"), "{:.900}", ran.stderr);
}

/// Names of 2 kB in calls 99 deep around 2000 resistors: 200 kB of text would make some 2 GB of
/// names.
#[test]
fn names_that_grow_with_every_call_are_refused_at_once() {
    let name = "n".repeat(2000);
    let calls: String = (1..99)
        .map(|k| format!(".subckt c{k} a\nX{name} a c{}\n.ends\n", k + 1))
        .collect();
    let parts: String = (0..2000).map(|k| format!("R{k} a 0 1k\n")).collect();
    let text = format!("{STAGE}{calls}.subckt c99 a\n{parts}.ends\nX1 b c1\n");
    let netlist = Netlist::new(&text);
    let begun = Instant::now();
    let ran = Gridleak::command("bias").path(netlist.path()).run();
    assert!(
        begun.elapsed() < Duration::from_secs(5),
        "{:?}",
        begun.elapsed()
    );
    refused(&ran, "names");
    assert!(
        ran.stderr.contains("fill more than 500 MB: 20"),
        "{:.900}",
        ran.stderr
    );
}

#[test]
fn what_is_asked_for_is_limited() {
    let netlist = Netlist::new(STAGE);
    let path = netlist.path();
    let probed = |name: &str| Gridleak::command(name).path(path).option("--probe", "v(b)");
    let out = path.with_file_name("o.wav");
    let render = || {
        probed("render")
            .option("--oversample", "1")
            .path_option("--out", &out)
    };
    let scope = || {
        probed("scope")
            .option("--stop", "1m")
            .option("--step", "10u")
    };
    for (limit, enough, run) in [
        ("figures", 202, scope()),
        (
            "frequencies",
            10,
            probed("response")
                .option("--from", "10")
                .option("--to", "100k")
                .option("--points-per-decade", "2.5"),
        ),
        ("values", 3, probed("distortion").option("--level", "1,2,3")),
        (
            "values",
            3,
            probed("feedback")
                .option("--element", "R1")
                .option("--values", "1k,2k,3k"),
        ),
        (
            "versions",
            4,
            probed("response")
                .option("--vary", "R1=1k,2k")
                .option("--vary", "R2=1k,2k"),
        ),
        (
            "combinations",
            6,
            Gridleak::command("vary")
                .path(path)
                .option("--vary", "R1=1k,2k")
                .option("--vary", "R2=1k,2k,3k")
                .option("--figure", "v(b)"),
        ),
        ("stores", 2, render()),
        ("stores", 2, probed("distortion").option("--level", "1")),
        (
            "stores",
            2,
            Gridleak::command("vary")
                .path(path)
                .option("--vary", "R1=1k,2k")
                .option("--figure", "thd of v(b) with level 1"),
        ),
    ] {
        narrowed(limit, enough, &run);
    }
    let ran = scope().option("--limit", "steps=5").run();
    refused(&ran, "steps");
    let _ = fs::remove_file(&out);
    let made = render().run();
    assert_eq!(made.status, 0, "{}", made.stderr);
    // The built-in phrase: 5 s at 48 kHz.
    let length = 240_000;
    let again = path.with_file_name("again.wav");
    let played = probed("render")
        .option("--oversample", "1")
        .path_option("--clip", &out)
        .path_option("--out", &again);

    narrowed("clip-samples", length, &played);
    let sheet = path.with_file_name("x.sheet.toml");
    let case = "netlist = \"netlist.cir\"\n[[vary]]\nR1 = [\"1k\", \"2k\"]\n[[vary]]\nR2 = [\"1k\", \"2k\"]\n\
                [[expect]]\nfigure = \"v(a)\"\nvalue = \"1 V\"\ntolerance = \"1 %\"\n";
    fs::write(&sheet, case).expect("written");
    narrowed(
        "cases",
        4,
        &Gridleak::command("check").path(&sheet).arg("--quiet"),
    );
}

#[test]
fn limits_are_listed_and_slips_are_told() {
    let listed = Gridleak::command("limits").unaudited().run();
    assert_eq!(listed.status, 0);
    for row in gridleak::limits::TABLE {
        assert!(listed.stdout.contains(row.name), "{}", row.name);
    }
    let netlist = Netlist::new(STAGE);
    for (text, told) in [
        ("elements", "NAME=VALUE"),
        ("element=3", "did you mean `elements`?"),
        ("elements=0", "from 1 to 100000000"),
        ("elements=lots", "from 1 to 100000000"),
    ] {
        let ran = Gridleak::command("bias")
            .path(netlist.path())
            .option("--limit", text)
            .run();
        assert_eq!(ran.status, 2);
        assert!(ran.stderr.contains(told), "{}", ran.stderr);
    }
}

trait PathOption {
    fn path_option(self, option: &str, path: &Path) -> Self;
}

impl PathOption for Gridleak {
    fn path_option(self, option: &str, path: &Path) -> Self {
        self.option(option, path.to_str().expect("UTF-8"))
    }
}

/// What a stranger's folder may name, and what it may not.
#[cfg(unix)]
#[test]
fn a_sandbox_keeps_strangers_in_their_folder() {
    use std::os::unix::fs::symlink;
    let place = tempfile::tempdir().expect("a folder");
    let at = |name: &str| place.path().join(name);
    fs::create_dir_all(at("repo/sub")).expect("made");
    fs::write(at("secret.inc"), "R9 b 0 1k\n").expect("written");
    fs::write(at("repo/own.inc"), "R9 b 0 1k\n").expect("written");
    symlink(at("secret.inc"), at("repo/link.inc")).expect("a link");
    symlink(place.path(), at("repo/sub/up")).expect("a link");
    symlink(at("repo/own.inc"), at("repo/fine.inc")).expect("a link");
    let sandbox = at("repo");
    let boxed = |run: Gridleak| run.path_option("--sandbox", &sandbox).run();
    let secret = at("secret.inc").display().to_string();
    let own = at("repo/own.inc").display().to_string();
    for (name, inside) in [
        ("own.inc", true),
        ("fine.inc", true),
        ("sub/../own.inc", true),
        (&*own, true),
        ("../secret.inc", false),
        (&*secret, false),
        ("link.inc", false),
        ("sub/up/secret.inc", false),
        ("/etc/passwd", false),
        ("/no/such/file", false),
    ] {
        fs::write(at("repo/amp.cir"), format!("{STAGE}.include {name}\n")).expect("written");
        let ran = boxed(Gridleak::command("bias").path(&at("repo/amp.cir")));
        assert_eq!(
            ran.status,
            if inside { 0 } else { 2 },
            "{name}: {}",
            ran.stderr
        );
        assert_eq!(
            ran.stderr.contains("lies outside the folder"),
            !inside,
            "{name}: {}",
            ran.stderr
        );
        assert!(!ran.stderr.contains("root:"), "{}", ran.stderr);
    }
    // The user's own words may lead anywhere, but not by way of a stranger's link.
    fs::write(at("mine.cir"), STAGE).expect("written");
    symlink(at("mine.cir"), at("repo/amp_link.cir")).expect("a link");
    symlink(at("mine.cir"), at("repo/out.csv")).expect("a link");
    let run = |netlist: &str| Gridleak::command("bias").path(&at(netlist));
    assert_eq!(boxed(run("mine.cir")).status, 0);
    let ran = boxed(run("repo/amp_link.cir"));
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr.contains("lies outside the folder"),
        "{}",
        ran.stderr
    );
    assert_eq!(
        boxed(run("mine.cir").path_option("--csv", &at("mine.csv"))).status,
        0
    );
    let ran = boxed(run("mine.cir").path_option("--csv", &at("repo/out.csv")));
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("a link leads out"), "{}", ran.stderr);
    assert_eq!(fs::read_to_string(at("mine.cir")).expect("read"), STAGE);
    // A link that is turned elsewhere between two runs.
    fs::write(at("repo/amp.cir"), format!("{STAGE}.include fine.inc\n")).expect("written");
    assert_eq!(boxed(run("repo/amp.cir")).status, 0);
    fs::remove_file(at("repo/fine.inc")).expect("gone");
    symlink(at("secret.inc"), at("repo/fine.inc")).expect("a link");
    assert_eq!(boxed(run("repo/amp.cir")).status, 2);
    // Without the option all of it is read, as ever.
    assert_eq!(run("repo/amp.cir").run().status, 0);
    let ran = run("mine.cir").path_option("--sandbox", &at("none")).run();
    assert_eq!(ran.status, 2);
}

/// Sheets: their netlists, stored curves, clips and what --record writes.
#[cfg(unix)]
#[test]
fn a_sandbox_holds_for_all_that_sheets_name() {
    use std::os::unix::fs::symlink;
    let place = tempfile::tempdir().expect("a folder");
    let at = |name: &str| place.path().join(name);
    fs::create_dir_all(at("repo")).expect("made");
    fs::write(at("out.cir"), STAGE).expect("written");
    fs::write(at("repo/amp.cir"), STAGE).expect("written");
    symlink(at("out.cir"), at("repo/link.cir")).expect("a link");
    let check = |netlist: &str, expect: &str, more: &[&str]| {
        let sheet = format!("netlist = \"{netlist}\"\n[[expect]]\n{expect}\ntolerance = \"1 %\"\n");
        fs::write(at("repo/x.sheet.toml"), sheet).expect("written");
        more.iter()
            .fold(
                Gridleak::command("check").path(&at("repo")),
                Gridleak::arg_of,
            )
            .path_option("--sandbox", &at("repo"))
            .run()
    };
    let volts = "figure = \"v(b)\"\nvalue = \"0.5 V\"";
    assert_eq!(check("amp.cir", volts, &[]).status, 0);
    for netlist in ["../out.cir", "link.cir", "/etc/passwd"] {
        let ran = check(netlist, volts, &[]);
        assert_eq!(ran.status, 2, "{netlist}: {}", ran.stderr);
        assert!(
            ran.stderr.contains("lies outside the folder"),
            "{netlist}: {}",
            ran.stderr
        );
    }
    let wave = "figure = \"waveform of v(b) with stop 1m, step 0.1m\"\nfile = \"../w.csv\"";
    for more in [&[][..], &["--record"]] {
        let ran = check("amp.cir", wave, more);
        assert_eq!(ran.status, 2, "{}{}", ran.stderr, ran.stdout);
        assert!(!at("w.csv").exists());
    }
}

trait ArgOf {
    fn arg_of(self, argument: &&str) -> Self;
}

impl ArgOf for Gridleak {
    fn arg_of(self, argument: &&str) -> Self {
        self.arg(*argument)
    }
}
