//! What the reader makes of lines, files and subcircuits: places, titles,
//! continuations, includes, limits.
//!
//! The syntax is that of the SPICE 2G6 user's guide (Vladimirescu, Zhang,
//! Newton, Pederson, Sangiovanni-Vincentelli, UC Berkeley 1981) and the SPICE3
//! user's manual (Johnson, Quarles, Newton, Pederson, Sangiovanni-Vincentelli,
//! UC Berkeley 1992); both from memory.

#[path = "common/texts.rs"]
mod texts;

use gridleak::diag::{Diagnostic, FileId, Files, Span};
use gridleak::limits::{Bound, Limits};
use gridleak::netlist::statement::{ElementKind, Name};
use gridleak::netlist::{LoadProblem, Loader, MemoryLoader, read, read_library};
use texts::{good, reading, shown};

fn messages(text: &str) -> Vec<String> {
    let diagnostics = reading(text).0.diagnostics;
    diagnostics.into_iter().map(|d| d.message).collect()
}

fn texts(names: &[Name]) -> Vec<&str> {
    names.iter().map(|n| n.text.as_str()).collect()
}

#[test]
fn spans_are_exact_on_continued_lines() {
    let text = "title\r\n  V1\tin 0 ; the input\r\n* why\r\n\r\n \t+ DC 250mV\r\nR1 in 0 1k\r\n";
    let (reading, sources) = reading(text);
    assert!(
        reading.diagnostics.is_empty(),
        "{}",
        shown(&reading, &sources)
    );
    assert_eq!(reading.netlist.title, "title");
    let statement = &reading.netlist.body.elements[0];
    assert_eq!(sources.line_column(statement.name.span), (2, 3));
    let ElementKind::VoltageSource { drive, .. } = &statement.kind else {
        panic!();
    };
    let value = drive.dc.as_ref().expect("a value");
    assert_eq!(sources.words(value.span), "250mV");
    assert_eq!(sources.line_column(value.span), (5, 8));
    assert_eq!(sources.line_column(statement.span), (2, 3));
    assert!(sources.words(statement.span).ends_with("250mV"));
}

#[test]
fn the_title_is_verbatim_and_the_text_after_end_is_not_read() {
    let (found, _) =
        reading("\u{feff}  A Lapwing ; * + stage  \r\nR1 a 0 1k\n.END\nnonsense here\n");
    assert_eq!(found.netlist.title, "  A Lapwing ; * + stage  ");
    assert_eq!(found.netlist.body.elements.len(), 1);
    assert!(found.diagnostics.is_empty());
    for (text, title) in [("", ""), ("only a title", "only a title"), ("\n", "")] {
        let (found, _) = reading(text);
        assert_eq!(found.netlist.title, title);
        assert!(found.diagnostics.is_empty() && found.netlist.body.elements.is_empty());
    }
}

#[test]
fn titles_that_only_begin_like_a_statement_raise_no_warning() {
    for title in [
        "Common cathode stage 12",
        "V2 of the Lapwing",
        "R1 test",
        "X1 is our preamp",
        ".title Lapwing",
        "D1 rectifier test board",
        "V1 and its grid leak",
        "Q1",
        "* R1 a b 1k",
        "éV 1 2 3",
    ] {
        assert!(
            messages(&format!("{title}\nR1 a b 1k\n")).is_empty(),
            "{title}"
        );
    }
    for statement in [
        "R1 a b 1k",
        ".model m d",
        "V1 in 0 DC 5",
        ".tran 1u 1m",
        "Rload a 0 8\nR1 a 0 1k",
        "X1 a b preamp\nR1 a b 1k",
        "D1 a b board\nR1 a b 1k",
    ] {
        assert_eq!(messages(statement).len(), 1, "{statement}");
    }
}

#[test]
fn mistakes_come_with_a_remedy() {
    for (statement, hint) in [
        (".opt reltol=1", "did you mean `.options`?"),
        (".inc parts", "did you mean `.include`?"),
        (".trna 1u 1m", "did you mean `.tran`?"),
        (
            "R1 a b 4,7k",
            "write `4.7k`: decimals take a point, not a comma",
        ),
        ("R1 a b {x}", "only B sources take expressions"),
        ("B1 a b V=squrt(2)", "did you mean `sqrt`?"),
        ("B1 a b V=2**3", "a power is written `a^b`"),
        ("R1 a b 1M", "the suffix M is milli; for megohms write MEG"),
        ("V1 a 0 SINE(0 1 1k)", "did you mean `SIN`?"),
        (".ac dce 10 1 1k", "did you mean `dec`?"),
    ] {
        let (reading, _) = reading(&format!("t\n{statement}\n"));
        let hints: Vec<_> = reading
            .diagnostics
            .iter()
            .filter_map(|d| d.hint.as_deref())
            .collect();
        assert_eq!(hints, [hint], "{statement}");
    }
}

#[test]
fn subcircuits_nest() {
    let reading = good(
        ".subckt outer a b\n.subckt inner x y\nR1 x y 1k\n.model m d\n.ends\nX1 a b inner\n\
         .ends OUTER\nX1 1 0 outer\nR1 1 0 1k\n",
    );
    let outer = &reading.netlist.body.subcircuits[0];
    assert_eq!(
        (outer.name.text.as_str(), texts(&outer.ports)),
        ("outer", vec!["a", "b"])
    );
    let inner = &outer.body.subcircuits[0];
    assert_eq!((inner.body.elements.len(), inner.body.models.len()), (1, 1));
    assert_eq!(reading.netlist.body.elements.len(), 2);
}

#[test]
fn subcircuits_nest_to_a_limit_with_a_message() {
    let nest = |n: usize| {
        let open: String = (0..n).map(|k| format!(".subckt s{k} a\n")).collect();
        format!("t\n{open}{}", ".ends\n".repeat(n))
    };
    assert!(messages(&nest(Limits::default().count(Bound::DefinitionDepth))).is_empty());
    let found = messages(&nest(100_000));
    assert_eq!(found, ["subcircuits are nested more than 200 deep"]);
}

#[test]
fn includes_are_read_where_they_stand_and_have_no_title() {
    let mut sources = Files::default();
    let loader = MemoryLoader::new(
        "main.cir",
        "t\nR1 a 0 1k\n.include \"my parts.inc\" ; parts\nR3 a 0 1k\n",
    )
    .with(
        "my parts.inc",
        "\u{feff}R2 a 0 2k\n.include 'more.inc'\n.end\nnot read\n",
    )
    .with("more.inc", ".subckt s a\n.ends\n");
    let reading = read("main.cir", &loader, &mut sources);
    assert!(
        reading.diagnostics.is_empty(),
        "{}",
        shown(&reading, &sources)
    );
    let names: Vec<&str> = reading
        .netlist
        .body
        .elements
        .iter()
        .map(|e| e.name.text.as_str())
        .collect();
    assert_eq!(names, ["R1", "R2", "R3"]);
    assert_eq!(reading.netlist.body.subcircuits.len(), 1);
    assert_eq!(
        sources.place(reading.netlist.body.elements[1].name.span),
        "my parts.inc:1:1"
    );
}

#[test]
fn a_library_that_is_reached_by_two_ways_defines_its_parts_once() {
    let mut sources = Files::default();
    let loader = MemoryLoader::new("main.cir", "t\n.include a\n.include b\n")
        .with("a", ".include lib\n")
        .with("b", ".include lib\n")
        .with("lib", ".model m d(is=1f)\n.subckt s a\n.ends\n");
    let reading = read("main.cir", &loader, &mut sources);
    assert!(
        reading.diagnostics.is_empty(),
        "{}",
        shown(&reading, &sources)
    );
    assert_eq!(
        (
            reading.netlist.body.models.len(),
            reading.netlist.body.subcircuits.len()
        ),
        (1, 1)
    );
}

#[test]
fn loops_of_includes_are_named_with_their_chain() {
    let mut sources = Files::default();
    let loader = MemoryLoader::new("main.cir", "t\n.include a\n")
        .with("a", ".include b\n")
        .with("b", "R1 a 0 1k\n.include a\n");
    let reading = read("main.cir", &loader, &mut sources);
    let [only] = &reading.diagnostics[..] else {
        panic!("{}", shown(&reading, &sources));
    };
    assert!(
        only.message.ends_with("`a` -> `b` -> `a`"),
        "{}",
        only.message
    );
    assert_eq!(sources.place(only.span.expect("a place")), "b:2:10");
}

/// Answers every name with a file that includes two more: a bomb.
struct Endless;

impl Loader for Endless {
    fn load(&self, path: &str, _: Option<&str>) -> Result<(String, String), LoadProblem> {
        let deep = path.len() > 20;
        let text = if deep {
            "\n".into()
        } else {
            format!("\n.include {path}a\n.include {path}b\n")
        };
        Ok((path.to_string(), text))
    }
}

/// Answers every name with a file that includes a longer name.
struct Deep;

impl Loader for Deep {
    fn load(&self, path: &str, _: Option<&str>) -> Result<(String, String), LoadProblem> {
        Ok((path.to_string(), format!("\n.include {path}a\n")))
    }
}

#[test]
fn includes_without_end_are_stopped() {
    let mut sources = Files::default();
    let found = read("a", &Endless, &mut sources).diagnostics;
    assert_eq!(found.len(), 1);
    assert!(
        found[0]
            .message
            .contains("more than 10000 files are included")
    );
    let found = read("a", &Deep, &mut sources).diagnostics;
    assert_eq!(found.len(), 1);
    assert!(
        found[0]
            .message
            .contains("includes are nested more than 50 deep: `a` -> `aa`")
    );
}

#[test]
fn a_main_file_that_cannot_be_read_is_an_error_without_place() {
    let mut sources = Files::default();
    let reading = read("none.cir", &MemoryLoader::default(), &mut sources);
    let expected = Diagnostic {
        cause: "Unreadable".to_string(),
        ..Diagnostic::error("cannot read `none.cir`: no such file", None::<Span>)
    };
    assert_eq!(reading.diagnostics, [expected]);
    assert!(!reading.is_good());
}

#[test]
fn libraries_have_no_title() {
    let mut sources = Files::default();
    let reading = read_library("valves", ".model 12AX7 triode(mu=100)\n", &mut sources);
    assert!(reading.is_good());
    assert_eq!(reading.netlist.body.models.len(), 1);
    assert_eq!(sources.name(FileId(0)), "valves");
}

#[test]
fn errors_are_collected_up_to_a_limit() {
    let three = messages("t\nR1 a b\nR2 a b 1k\nY1 a b\n.foo\n");
    assert_eq!(three.len(), 3, "{three:?}");
    let many = messages(&format!("t\n{}", "R1 a\n".repeat(1000)));
    assert_eq!(many.len(), 51);
    assert!(many[50].starts_with("more than 50 errors"), "{}", many[50]);
    let statements: String = (0..1000).map(|n| format!("R{n} a b 1M\n")).collect();
    assert_eq!(
        messages(&format!("t\n{statements}")).len(),
        50,
        "warnings are limited too"
    );
}

#[test]
fn a_large_netlist_keeps_every_statement_and_place() {
    let mut text = String::from("large\n");
    for n in 0..50_000 {
        text.push_str(&format!(
            "R{n} n{n} n{} 1k\n* between\n+ tc=1m\nC{n} n{n} 0 1n\n",
            n + 1
        ));
    }
    let (reading, sources) = reading(&text);
    assert!(reading.diagnostics.is_empty());
    let elements = &reading.netlist.body.elements;
    assert_eq!(elements.len(), 100_000);
    for n in [0, 1, 777, 49_999] {
        assert_eq!(elements[2 * n].name.text, format!("R{n}"));
        assert_eq!(
            sources.line_column(elements[2 * n].name.span),
            (4 * n + 2, 1)
        );
        assert_eq!(
            sources.line_column(elements[2 * n + 1].span),
            (4 * n + 5, 1)
        );
        let ElementKind::Resistor { params, .. } = &elements[2 * n].kind else {
            panic!();
        };
        assert_eq!(sources.line_column(params[0].value.span), (4 * n + 4, 6));
    }
    // One part over many lines, and many comments behind one part.
    let long = format!(
        "t\nV1 a 0 PWL(0 0\n{})\n{}",
        (1..50_000)
            .map(|n| format!("+ {n} 1\n"))
            .collect::<String>()
            + "+",
        "* c\n".repeat(100_000)
    );
    assert!(self::reading(&long).0.diagnostics.is_empty());
}
