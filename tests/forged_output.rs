//! What strangers write into netlists and sheets cannot pass for the tool's own words, nor have
//! a file of secrets printed (found by attack: a case name forged whole `ok` lines and commands
//! to the CI, `.include /proc/self/environ` printed a secret).
mod common;

use common::Gridleak;
use std::fs;
use tempfile::TempDir;

const ODD: [char; 7] = [
    '\u{1b}', '\u{9b}', '\r', '\u{202e}', '\u{2066}', '\u{2028}', '\u{85}',
];

fn place(netlist: &str) -> TempDir {
    let place = tempfile::tempdir().unwrap();
    fs::write(place.path().join("amp.cir"), netlist).unwrap();
    place
}

fn forged() -> String {
    let codes = "\u{1b}[2J\u{9b}1m\u{202e}\u{2066}\u{2028}\u{85}\rok";
    format!(
        "::error::{codes}\nV1 a{codes} 0 DC 1 AC 1\nR1{codes} a{codes} b{codes} 1k\n\
         C1 b{codes} 0 1u\nR2 b{codes} 0 1k\n.end\n"
    )
}

fn is_clean(what: &str, text: &str) {
    assert!(!text.contains(ODD), "{what}: {text:?}");
    let commands = text.lines().any(|l| l.trim_start().starts_with("::"));
    assert!(!commands && !text.contains("##["), "{what}: {text}");
}

#[test]
fn bug_titles_and_names_sent_codes_to_the_terminal_and_into_files() {
    let place = place(&forged());
    let at = |name: &str| place.path().join(name);
    for words in [
        "bias",
        "bias --csv -",
        "bias --json -",
        "scope --stop 1m --step 0.1m --probe i(V1)",
        "response --probe i(V1)",
        "noise --probe v(0,0)",
        "bias --set nothing=1",
    ] {
        let mut words = words.split_whitespace();
        let run = Gridleak::command(words.next().unwrap()).path(&at("amp.cir"));
        let ran = words.fold(run, Gridleak::arg).run();
        is_clean(&format!("{run:?}", run = ran.status), &ran.stdout);
        is_clean("messages", &ran.stderr);
    }
    let ran = Gridleak::command("response")
        .path(&at("amp.cir"))
        .option("--probe", "i(V1)")
        .option("--plot", at("a.svg").to_str().unwrap())
        .option("--json", at("a.json").to_str().unwrap())
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    for file in ["a.svg", "a.json"] {
        let text = fs::read_to_string(at(file)).unwrap();
        assert!(!text.contains(ODD), "{file}: {text:?}");
    }
}

#[test]
fn bug_a_case_name_forged_verdicts() {
    let place = place("t\nV1 a 0 1\nR1 a 0 1k\n.end\n");
    let sheet = place.path().join("s.sheet.toml");
    for name in [
        "x\\nok  v(a) is what it should be",
        "x\\u001b[2J",
        "x\\u202e",
        "x\\r::error::",
    ] {
        let text = format!(
            "netlist = \"amp.cir\"\n[[vary]]\nR1 = [1]\nnames = [\"{name}\"]\n[[expect]]\n\
             figure = \"v(a)\"\nat-least = \"0 V\"\norigin = \"none\"\n"
        );
        fs::write(&sheet, text).unwrap();
        let ran = Gridleak::command("check").path(&sheet).run();
        assert_eq!(ran.status, 2, "{}{}", ran.stdout, ran.stderr);
        assert!(
            ran.stderr.contains("a control code, a line break"),
            "{}",
            ran.stderr
        );
        is_clean("sheet", &ran.stdout);
        is_clean("sheet", &ran.stderr);
    }
}

#[cfg(unix)]
#[test]
fn bug_names_of_files_forged_verdicts() {
    let place = place("t\nV1 a 0 1\nR1 a 0 1k\n.end\n");
    let sheet = "netlist = \"amp.cir\"\n[[expect]]\nfigure = \"v(a)\"\nat-least = \"0 V\"\n\
                 origin = \"none\"\n";
    let name = "a\nok   everything\n::error::x\u{1b}[2J.sheet.toml";
    fs::write(place.path().join(name), sheet).unwrap();
    for (option, value) in [
        ("--quiet", None),
        ("--csv", Some("-")),
        ("--json", Some("-")),
    ] {
        let run = Gridleak::command("check").path(place.path()).arg(option);
        let ran = value.iter().fold(run, Gridleak::arg).run();
        is_clean(option, &ran.stdout);
        is_clean(option, &ran.stderr);
        assert!(!ran.stdout.lines().any(|l| l.starts_with("ok   everything")));
    }
    let ran = Gridleak::command("check").path(place.path()).run();
    is_clean("check", &ran.stdout);
    assert!(!ran.stdout.lines().any(|l| l.starts_with("ok   everything")));
}

const SECRET: &str = "TOKEN_abc123";

#[test]
fn bug_an_excerpt_of_an_included_file_printed_a_secret() {
    let outside = tempfile::tempdir().unwrap();
    let secret = outside.path().join("secret.env");
    fs::write(&secret, format!("KEY={SECRET}\nR1 a b {SECRET}\n")).unwrap();
    let place = place(&format!(
        "t\nV1 a 0 1\n.include {}\nR1 a 0 1k\n",
        secret.display()
    ));
    let amp = place.path().join("amp.cir");
    let ran = Gridleak::command("bias").path(&amp).run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(!ran.stderr.contains(SECRET), "{}", ran.stderr);
    assert!(ran.stderr.contains("secret.env:1:"), "{}", ran.stderr);
    assert!(ran.stderr.contains("none of it is shown"), "{}", ran.stderr);
    // The netlist itself, where a sheet names it.
    let sheet = place.path().join("s.sheet.toml");
    let text = format!(
        "netlist = \"{}\"\n[[expect]]\nfigure = \"v(a)\"\nat-least = \"0 V\"\norigin = \"x\"\n",
        secret.display()
    );
    fs::write(&sheet, text).unwrap();
    let ran = Gridleak::command("check").path(&sheet).run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(
        !ran.stderr.contains(SECRET) && !ran.stdout.contains(SECRET),
        "{}",
        ran.stderr
    );
    // A file of its own folder is shown as before.
    fs::write(place.path().join("own.inc"), "R2 a b nonsense\n").unwrap();
    fs::write(&amp, "t\nV1 a 0 1\n.include own.inc\n").unwrap();
    let ran = Gridleak::command("bias").path(&amp).run();
    assert!(ran.stderr.contains("R2 a b nonsense"), "{}", ran.stderr);
}

#[test]
fn bug_a_netlist_without_elements_was_refused_without_its_name() {
    for text in ["", "only a title\n", "t\r\r"] {
        let place = place(text);
        let ran = Gridleak::command("bias")
            .path(&place.path().join("amp.cir"))
            .run();
        assert_eq!(ran.status, 2, "{}", ran.stderr);
        assert!(
            ran.stderr.contains("amp.cir:1:1"),
            "{text:?}: {}",
            ran.stderr
        );
    }
    // Line ends of an old computer.
    let place = place("t\rV1 a 0 5\rR1 a 0 1k\r.end\r");
    let ran = Gridleak::command("bias")
        .path(&place.path().join("amp.cir"))
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
}

#[test]
fn slips_of_builders_lead_to_the_line_to_write() {
    for (line, hint) in [
        ("V2 a b 0 12AX7", "hint: write `XV2 a b 0 12AX7`"),
        (
            "J1 a b 0 12AX7",
            "lines of a triode begin with X: write `XJ1`",
        ),
        ("C1 a 0 .022", "write `.022u`"),
        (
            "XVOL a b 0 1MEG",
            "write `XVOL a b 0 POT1 knob=5` and, on a line of its own, `.model POT1 pot(r=1MEG",
        ),
    ] {
        let place = place(&format!("t\nV1 a 0 1\nR1 a b 1k\nR2 b 0 1k\n{line}\n"));
        let ran = Gridleak::command("bias")
            .path(&place.path().join("amp.cir"))
            .run();
        assert!(ran.stderr.contains(hint), "{line}: {}", ran.stderr);
    }
    let pots = "t\nV1 a 0 1\nXVOL a b 0 P\nXTONE b c 0 P\nR1 c 0 1k\n.model P pot(r=1k knob=1)\n";
    let place = place(&pots.replace(" knob=1", "").replace("0 P", "0 P knob=5"));
    let amp = place.path().join("amp.cir");
    let ran = Gridleak::command("bias")
        .path(&amp)
        .option("--knob", "PRESENCE=3")
        .run();
    assert!(
        ran.stderr.contains("hint: the netlist has `VOL`, `TONE`"),
        "{}",
        ran.stderr
    );
    let ran = Gridleak::command("bias")
        .path(&amp)
        .option("--switch", "BRIGHT=1")
        .run();
    assert!(
        ran.stderr.contains("hint: the netlist has no toggle"),
        "{}",
        ran.stderr
    );
    // A first line that is a part, whatever its name.
    for first in [
        "XVOL a b 0 P knob=5",
        "VBPLUS a 0 DC 250",
        "RLOAD a 0 1k",
        "Q1 c b e MOD",
    ] {
        let place = self::place(&format!("{first}\nV1 a 0 1\nR1 a 0 1k\n"));
        let ran = Gridleak::command("bias")
            .path(&place.path().join("amp.cir"))
            .run();
        assert!(
            ran.stderr.contains("the first line is the title"),
            "{first}: {}",
            ran.stderr
        );
    }
    for title in [
        "Clean channel",
        "Lapwing input stage with volume",
        "Driver stage with 12AX7",
    ] {
        let place = self::place(&format!("{title}\nV1 a 0 1\nR1 a 0 1k\n"));
        let ran = Gridleak::command("bias")
            .path(&place.path().join("amp.cir"))
            .run();
        assert_eq!(ran.stderr, "", "{title}");
    }
}
