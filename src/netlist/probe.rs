//! Quantities to look at: `v(a)`, `v(a,b)`, `i(R1)`, `p(R1)`.

use nom::Parser;
use nom::combinator::opt;

use crate::diag::{Diagnostic, FileId};
use crate::netlist::formula::{name_in_parentheses, nodes_of_voltage};
use crate::netlist::grammar::required;
use crate::netlist::problem::{NetlistProblem, quoted};
use crate::netlist::statement::{Name, Probe};
use crate::netlist::text::{Parsed, Remarks, Text, Trouble, end, gap, wrong};

/// A probe from a text of its own, such as a command line's; `file` holds just that text.
pub fn parse_probe(text: &str, file: FileId) -> Result<Probe, Diagnostic> {
    let remarks = Remarks::default();
    let i = Text::new(text, 0, text.len(), file, &remarks);
    let whole = |i| {
        let (i, (probe, _)) = probe(i)?;
        end(i).map(|(i, ())| (i, probe))
    };
    match whole(i) {
        Ok((_, probe)) => Ok(probe),
        Err(nom::Err::Failure(Trouble::Wrong(located))) => Err((*located).into()),
        Err(_) => Err(NetlistProblem::UnknownProbe { name: quoted(text) }
            .at(i.span())
            .into()),
    }
}

/// A probe and its words as written. The published AC forms (`vdb`, `vm`, `vp`, `vr`, `vi` and
/// those of `i`) name the same quantity; their words tell them apart.
pub(crate) fn probe(i: Text<'_>) -> Parsed<'_, (Probe, Name)> {
    let (start, ()) = gap(i)?;
    let (i, word) = required(start, || "a probe".to_string())?;
    let (i, probe) = match word.key().as_str() {
        "v" | "vdb" | "vm" | "vp" | "vr" | "vi" => {
            let (i, (first, second)) = nodes_of_voltage(i)?;
            (i, Probe::Voltage(first, second))
        }
        "i" | "idb" | "im" | "ip" | "ir" | "ii" => {
            let (i, element) = name_in_parentheses(i, "an element")?;
            (i, Probe::Current(element))
        }
        "p" => {
            let (i, element) = name_in_parentheses(i, "an element")?;
            (i, Probe::Power(element))
        }
        _ => {
            let name = quoted(&word.text);
            return Err(wrong(NetlistProblem::UnknownProbe { name }, word.span));
        }
    };
    let span = start.span_to(i);
    let text = match &probe {
        Probe::Voltage(a, Some(b)) => format!("{}({},{})", word.text, a.text, b.text),
        Probe::Voltage(a, None) | Probe::Current(a) | Probe::Power(a) => {
            format!("{}({})", word.text, a.text)
        }
    };
    Ok((i, (probe, Name { text, span })))
}

/// Probes to the end of the line, at least one.
pub(crate) fn probes(i: Text<'_>) -> Parsed<'_, Vec<(Probe, Name)>> {
    let (mut i, first) = probe(i)?;
    let mut all = vec![first];
    loop {
        let (rest, ()) = gap(i)?;
        if rest.as_str().is_empty() {
            return Ok((rest, all));
        }
        let (rest, next) = opt(probe).parse(rest)?;
        all.extend(next);
        i = rest;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_three_quantities_are_read() {
        let name = |text: &str, start: u32| Name {
            text: text.to_string(),
            span: crate::diag::Span {
                file: FileId(3),
                start,
                end: start + text.len() as u32,
            },
        };
        let read = |text| parse_probe(text, FileId(3)).expect(text);
        assert_eq!(read("v(out)"), Probe::Voltage(name("out", 2), None));
        assert_eq!(
            read("V( a , x1.b )"),
            Probe::Voltage(name("a", 3), Some(name("x1.b", 7)))
        );
        assert_eq!(read("i(XV1A)"), Probe::Current(name("XV1A", 2)));
        assert_eq!(read("p(R1)"), Probe::Power(name("R1", 2)));
    }

    #[test]
    fn what_is_no_probe_is_refused_with_a_place() {
        for (text, message, start) in [
            ("", "expected a probe", 0),
            ("out", "unknown probe `out`", 0),
            ("v", "expected `(`, found the end", 1),
            ("v(", "expected a node, found the end", 2),
            ("v(a", "expected `)`, found the end", 3),
            ("v(a,b,c)", "expected `)`, found `,`", 5),
            ("i(a,b)", "expected `)`, found `,`", 3),
            ("v(a) 3", "expected the end of the line, found `3`", 5),
            ("z(a)", "unknown probe `z`", 0),
            ("=", "expected a name, found `=`", 0),
        ] {
            let error = parse_probe(text, FileId(0)).expect_err(text);
            assert!(error.message.contains(message), "{text}: {}", error.message);
            assert_eq!(error.span.map(|s| s.start), Some(start), "{text}");
        }
    }
}
